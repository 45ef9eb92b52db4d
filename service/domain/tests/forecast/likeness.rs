//! Whose figures a machine takes: its family's, its site's, or those assumed; and that they depend on no order.

use crate::{NOW, day, five_days_a_week, reported};
use fettler_domain::forecast::{
    Fleet, FleetFigures, FleetTable, LIKE_MACHINES_LEAST, Likeness, Member, Past, Usage,
};
use fettler_domain::ids::MachineId;
use fettler_domain::quantity::MeterKind;
use proptest::prelude::*;

const OPERATING: MeterKind = MeterKind::Operating;

fn member(machine: i64, family: &str, kind: MeterKind, usage: &Usage) -> Member {
    let past = Past::of(usage, day(NOW));
    Member { machine: MachineId(machine), family: family.into(), kind, past }
}

/// A machine of so many hours on each of a hundred days.
fn daily(hours: f64) -> Usage {
    Usage::of((0..100).map(|d| reported(f64::from(d), hours)))
}

/// Lathes of 6 h a day and mills of 2 h a day.
fn shop(lathes: i64, mills: i64) -> Vec<Member> {
    let lathes = (0..lathes).map(|number| member(number, "lathe", OPERATING, &daily(6.0)));
    let mills = (100..100 + mills).map(|number| member(number, "mill", OPERATING, &daily(2.0)));
    lathes.chain(mills).collect()
}

#[track_caller]
fn check(members: &[Member], family: &str, kind: MeterKind, expect: Likeness) -> Fleet {
    let fleet = FleetTable::of(members).of_meter(family, kind);
    assert_eq!(fleet.likeness, expect, "{family} {kind:?}");
    fleet
}

#[test]
fn a_family_of_five_is_a_fleet_and_a_smaller_one_takes_the_site_s() {
    assert_eq!(LIKE_MACHINES_LEAST, 5);
    let family = check(&shop(5, 3), "lathe", OPERATING, Likeness::Family(5));
    let site = check(&shop(4, 3), "lathe", OPERATING, Likeness::Site(7));
    assert!(family.figures.rate.0 > 5.5 && site.figures.rate.0 < 5.0, "{family:?} {site:?}");
    check(&shop(5, 3), "mill", OPERATING, Likeness::Site(8));
    check(&shop(5, 3), "", OPERATING, Likeness::Site(8));
    check(&shop(0, 1), "saw", OPERATING, Likeness::Site(1));
    let nothing = check(&shop(5, 3), "lathe", MeterKind::Cycles, Likeness::Assumed);
    assert_eq!(nothing, Fleet::ASSUMED);
}

#[test]
fn a_machine_counts_once_and_only_with_a_past() {
    // Two meters of one kind on each of three machines are three machines.
    let mut members = shop(3, 0);
    members.extend(shop(3, 0));
    check(&members, "lathe", OPERATING, Likeness::Site(3));
    let unknown = (10..20).map(|number| member(number, "lathe", OPERATING, &Usage::of([])));
    members.extend(unknown);
    // What ended after now is not known yet.
    members.push(member(30, "lathe", OPERATING, &Usage::of([reported(NOW + 1.0, 8.0)])));
    check(&members, "lathe", OPERATING, Likeness::Site(3));
    // Machines that say no family are no family.
    let nameless: Vec<Member> =
        shop(6, 0).into_iter().map(|m| Member { family: String::new(), ..m }).collect();
    check(&nameless, "", OPERATING, Likeness::Site(6));
}

#[test]
fn the_figures_are_those_of_the_machines_rounded() {
    let usages: Vec<Usage> = (0..6).map(|n| Usage::of(five_days_a_week().into_iter().skip(3 * n))).collect();
    let members: Vec<Member> =
        usages.iter().zip(0..).map(|(usage, number)| member(number, "lathe", OPERATING, usage)).collect();
    let whole = FleetFigures::of(&usages.iter().collect::<Vec<_>>(), day(NOW));
    let fleet = check(&members, "lathe", OPERATING, Likeness::Family(6));
    assert_eq!(fleet.figures, whole.rounded());
    assert!((fleet.figures.rate.0 / whole.rate.0 - 1.0).abs() < 0.006);
}

#[test]
fn equal_figures_have_one_number_and_others_another() {
    let table = FleetTable::of(&shop(5, 3));
    assert_eq!(FleetTable::of_rows(table.rows()), table, "as it was kept");
    assert_eq!(FleetTable::of_rows(table.rows()).epoch(), table.epoch());
    assert_eq!(FleetTable::default().epoch(), 0);
    assert_eq!(FleetTable::of(&[]).epoch(), 0);
    let mut numbers =
        vec![0, table.epoch(), FleetTable::of(&shop(5, 4)).epoch(), FleetTable::of(&shop(6, 3)).epoch()];
    let other_kind: Vec<Member> =
        shop(5, 3).into_iter().map(|m| Member { kind: MeterKind::Loaded, ..m }).collect();
    numbers.push(FleetTable::of(&other_kind).epoch());
    let renamed: Vec<Member> =
        shop(5, 3).into_iter().map(|m| Member { family: format!("{}s", m.family), ..m }).collect();
    numbers.push(FleetTable::of(&renamed).epoch());
    let count = numbers.len();
    numbers.sort_unstable();
    numbers.dedup();
    assert_eq!(numbers.len(), count, "{numbers:?}");
    assert!(numbers.iter().all(|number| *number >= 0));
}

proptest! {
    /// Machines in any order, and their reports in any order, teach the same figures to the last bit.
    #[test]
    fn no_order_changes_a_bit(
        hours in proptest::collection::vec(proptest::collection::vec((0.0..400.0_f64, 0.0..24.0_f64), 0..40), 1..9),
        turn in 0_usize..9,
    ) {
        let members = |turned: bool| -> Vec<Member> {
            let mut members: Vec<Member> = hours.iter().zip(0..).map(|(reports, number)| {
                let mut reports: Vec<_> = reports.iter().map(|(end, ran)| reported(*end, *ran)).collect();
                if turned {
                    reports.reverse();
                }
                let family = if number % 3 == 0 { "lathe" } else { "mill" };
                Member {
                    machine: MachineId(number),
                    family: family.into(),
                    kind: OPERATING,
                    past: Past::of(&Usage::of(reports), day(400.0)),
                }
            }).collect();
            if turned {
                let place = turn % members.len();
                members.rotate_left(place);
            }
            members
        };
        let (one, other) = (FleetTable::of(&members(false)), FleetTable::of(&members(true)));
        prop_assert_eq!(&one, &other);
        prop_assert_eq!(one.epoch(), other.epoch());
    }
}
