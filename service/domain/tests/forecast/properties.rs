//! What holds of every forecast, whatever was reported.

use crate::{NOW, day, quantiles, reported};
use fettler_domain::forecast::{
    Course, Days, Due, FleetFigures, Hours, HoursPerDay, Outlook, PlannedUse, Reported, Silence, Usage,
};
use proptest::prelude::*;

/// Quantiles are found to a part in a thousand million.
const EXACTNESS: f64 = 1e-6;

fn reports() -> impl Strategy<Value = Vec<Reported>> {
    let report = (0_u32..10_000, 0_u32..2_400);
    prop::collection::vec(report, 0..60).prop_map(|rows| {
        let of = |(at, hours): (u32, u32)| reported(f64::from(at) / 100.0, f64::from(hours) / 100.0);
        rows.into_iter().map(of).collect()
    })
}

fn fleet() -> impl Strategy<Value = FleetFigures> {
    (0.01..20.0, 0.05..20.0, 0.0..5.0, 1.0..60.0, 0.3..1.0, 0.001..0.3, any::<bool>()).prop_map(
        |(rate, spread, lead, own_weight, lasting_scatter, drift, slows)| FleetFigures {
            rate: HoursPerDay(rate),
            spread: Hours(spread),
            lead: Days(lead),
            own_weight: Days(own_weight),
            lasting_scatter,
            drift,
            silence: if slows { Silence::Slows } else { Silence::GoesOn },
        },
    )
}

/// What is known of the time ahead: which weekdays are worked, and plans.
#[derive(Clone, Debug)]
struct Known {
    worked: Option<[bool; 7]>,
    plans: Option<Vec<PlannedUse>>,
}

fn course() -> impl Strategy<Value = Known> {
    let plan = (0_u32..600, 1_u32..50, 0_u32..20).prop_map(|(start, length, hours)| {
        let start = f64::from(start) / 10.0;
        let end = start + f64::from(length) / 10.0;
        PlannedUse { start: Days(start), end: Days(end), hours: Hours(f64::from(hours)) }
    });
    let plans = prop::option::of(prop::collection::vec(plan, 0..8));
    let worked = prop::option::of(any::<[bool; 7]>());
    (worked, plans).prop_map(|(worked, plans)| Known { worked, plans })
}

/// An outlook with the machine's own week, or the site's for a year, and plans ahead or none.
fn outlook(reports: &[Reported], fleet: &FleetFigures, known: &Known) -> Outlook {
    let usage = Usage::of(reports.iter().copied());
    let days = |worked: &[bool; 7], count| worked.iter().copied().cycle().take(count).collect::<Vec<_>>();
    let base = match &known.worked {
        None => Course::of_week(&usage, day(NOW)),
        Some(worked) => Course::of_calendar(&days(worked, 91), &days(worked, 366)),
    };
    let course = known.plans.as_ref().map_or_else(|| base.clone(), |plans| base.with_planned(plans));
    Outlook::with_course(&usage.statistics(day(NOW)), fleet, course)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 500, ..ProptestConfig::default() })]

    #[test]
    fn quantiles_are_in_order_and_no_sooner_than_hours_can_be_run(
        reports in reports(), fleet in fleet(), known in course(), hours in 0.1..5_000.0,
    ) {
        let outlook = outlook(&reports, &fleet, &known);
        let days = quantiles(&outlook, hours);
        prop_assert!(days[0] >= hours / 24.0);
        prop_assert!(days.is_sorted(), "{:?}", days);
    }

    #[test]
    fn more_hours_are_never_due_earlier(
        reports in reports(), fleet in fleet(), known in course(), hours in 0.1..3_000.0, more in 0.0..500.0,
    ) {
        let outlook = outlook(&reports, &fleet, &known);
        let (sooner, later) = (quantiles(&outlook, hours), quantiles(&outlook, hours + more));
        for (sooner, later) in sooner.into_iter().zip(later) {
            prop_assert!(later >= sooner * (1.0 - EXACTNESS), "{} after {}", later, sooner);
        }
    }

    #[test]
    fn the_chance_rises_with_time_and_agrees_with_the_quantiles(
        reports in reports(), fleet in fleet(), known in course(), hours in 1.0..1_000.0, day in 0.0..2_000.0,
        further in 0.0..500.0,
    ) {
        let outlook = outlook(&reports, &fleet, &known);
        let chance = |day: f64| outlook.chance_within(Hours(hours), Days(day));
        prop_assert!((0.0..=1.0).contains(&chance(day)));
        prop_assert!(chance(day + further) >= chance(day) - EXACTNESS);
        let Due::Ahead(due) = outlook.due(Hours(hours)) else { panic!("hours are left") };
        for (wanted, days) in [(0.1, due.p10), (0.5, due.p50), (0.9, due.p90)] {
            if let Some(Days(days)) = days {
                prop_assert!(chance(days * (1.0 + EXACTNESS) + EXACTNESS) >= wanted - 1e-4);
                // Not sooner, unless by the hours that a day holds.
                let before = days * (1.0 - EXACTNESS) - EXACTNESS;
                prop_assert!(before <= hours / 24.0 || chance(before) <= wanted + 1e-4);
            }
        }
    }

    #[test]
    fn the_order_of_reports_and_machines_changes_no_bit(
        rows in prop::collection::vec(reports(), 1..5), turn in 0_usize..60,
    ) {
        let turned = |reports: &[Reported]| {
            let mut reports = reports.to_vec();
            let by = turn % reports.len().max(1);
            reports.rotate_left(by);
            reports.reverse();
            Usage::of(reports)
        };
        let machines: Vec<Usage> = rows.iter().map(|reports| Usage::of(reports.iter().copied())).collect();
        let others: Vec<Usage> = rows.iter().rev().map(|reports| turned(reports)).collect();
        let figures = |machines: &[Usage]| FleetFigures::of(&machines.iter().collect::<Vec<_>>(), day(NOW));
        let (fleet, same) = (figures(&machines), figures(&others));
        prop_assert_eq!(fleet, same);
        let outlook = |usage: &Usage| Outlook::of(usage, &fleet, day(NOW));
        for (usage, other) in machines.iter().zip(others.iter().rev()) {
            prop_assert_eq!(outlook(usage).due(Hours(100.0)), outlook(other).due(Hours(100.0)));
        }
    }

    #[test]
    fn figures_of_a_fleet_stay_within_their_bounds(rows in prop::collection::vec(reports(), 0..6), at in 0.0..900.0) {
        let machines: Vec<Usage> = rows.into_iter().map(Usage::of).collect();
        let fleet = FleetFigures::of(&machines.iter().collect::<Vec<_>>(), day(at));
        prop_assert!(fleet.rate.0 > 0.0 && fleet.rate.0.is_finite());
        prop_assert!(fleet.spread.0 > 0.0 && fleet.spread.0.is_finite());
        prop_assert!(fleet.lead.0 >= 0.0 && fleet.lead.0.is_finite());
        prop_assert!((1.0..=60.0 + 1e-9).contains(&fleet.own_weight.0), "{:?}", fleet);
        prop_assert!((0.3..=1.0).contains(&fleet.lasting_scatter));
        prop_assert!((0.001..=0.3).contains(&fleet.drift));
    }
}
