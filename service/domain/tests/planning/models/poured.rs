//! What is poured in between closings: a level goes on from it, a use is learnt across it, and a changed fluid starts anew.
//!
//! The reservoir is the one of [`super::level`]: 3 mL in an hour of run, marks at 0.5 and 2.7 L. All figures are arithmetic.

use super::*;
use fettler_domain::fluid::Poured;
use fettler_domain::plan::{DueKind, Fault};
use fettler_domain::rule::model::{Coolant, Cycle, Level};

fn oil() -> Model<MeterId> {
    Model::Level(Level {
        meter: METER,
        point: Some(point("oil")),
        low: value("0.5"),
        high: value("2.7"),
        doses: "8x0.03+6x0.06+4x0.1".into(),
        cycle: Cycle::Minutes(value("20")),
        reserve: value("0"),
        pack: None,
        oil: String::new(),
    })
}

/// The same order with what was poured into the sump or reservoir of a point: when, millilitres, and whether it was changed.
fn with_poured(mut input: TaskInput, of: &str, poured: &[(&str, i64, bool)]) -> TaskInput {
    let each =
        poured.iter().map(|(at, ml, change)| Poured { at: utc(at), amount: Amount(*ml), change: *change });
    input.models.get_or_insert_default().poured.insert(point(of), each.collect());
    input
}

const DONE: &str = "2026-01-01T00:00";

fn level(readings: &[(&str, &str)], closings: &[&str], poured: &[(&str, i64, bool)]) -> TaskInput {
    ran_daily(with_poured(following(oil(), "L", readings, closings), "oil", poured), DONE, 60, "24")
}

#[test]
fn a_level_goes_on_from_what_was_added() {
    let readings = [("2026-01-11T00:00", "1.1")];
    // 1.1 L less 24 h of 3 mL and 1 L more are 2.028 L; 1.528 L above the mark last 509 h 20 min.
    let added = level(&readings, &[DONE], &[("2026-01-12T00:00", 1_000, false)]);
    let row = added.row("2026-03-01");
    assert_eq!((row.kind, row.due), (DueKind::Exact, Some(utc("2026-02-02T05:20"))));
    assert!(
        why(&row).starts_with("2.03 L after what was added 12 Jan 00:00; 3 mL/h by the formula"),
        "{}",
        why(&row)
    );
    // In two parts, in whatever order, it is the same; what was added before the reading is in it.
    let before = ("2026-01-10T00:00", 700, false);
    let parts = [("2026-01-12T00:00", 400, false), before, ("2026-01-12T00:00", 600, false)];
    assert_eq!(level(&readings, &[DONE], &parts).row("2026-03-01").due, row.due);
    // Without any reading: 2.7 L less 10 days of 72 mL and 0.5 L more are 2.48 L.
    let unread = level(&[], &[DONE], &[("2026-01-11T00:00", 500, false)]).row("2026-03-01");
    assert_eq!(unread.due, Some(utc("2026-02-07T12:00")));
}

#[test]
fn no_more_goes_in_than_fits_and_a_change_leaves_what_went_in() {
    let readings = [("2026-01-11T00:00", "2.6")];
    let full = level(&readings, &[DONE], &[("2026-01-12T00:00", 5_000, false)]).row("2026-03-01");
    // 2.7 L last 733 h 20 min.
    assert_eq!(full.due, Some(utc("2026-02-11T13:20")));
    let changed = level(&readings, &[DONE], &[("2026-01-12T00:00", 800, true)]).row("2026-03-01");
    // 0.3 L above the mark last 100 h.
    assert_eq!(changed.due, Some(utc("2026-01-16T04:00")));
}

#[test]
fn a_level_that_was_too_low_is_not_due_once_enough_was_added() {
    let low = [("2026-01-11T06:00", "0.4")];
    assert_eq!(level(&low, &[DONE], &[]).row("2026-01-12").due, Some(utc("2026-01-11T06:00")));
    let enough = level(&low, &[DONE], &[("2026-01-11T08:00", 2_000, false)]).row("2026-01-12");
    assert!(enough.due.is_none_or(|due| due > utc("2026-01-12T00:00")), "{:?}", enough.due);
    let little = level(&low, &[DONE], &[("2026-01-11T08:00", 50, false)]).row("2026-01-12");
    assert_eq!(little.due, Some(utc("2026-01-11T06:00")), "still below its mark");
}

/// Nine looks, two days apart, at a reservoir that uses 3.6 mL an hour: a fifth more than the strokes take.
fn used_faster(refill: Option<i64>) -> Vec<(String, String)> {
    let look = |day: i64| {
        let used = 172_800 * day / 1_000;
        let added = refill.filter(|_| day >= 5).unwrap_or(0);
        let ml = 2_600 - used + added;
        (format!("2026-01-{:02}T00:00", 3 + 2 * day), format!("{}.{:03}", ml / 1_000, ml % 1_000))
    };
    (0..9).map(look).collect()
}

fn borrowed(readings: &[(String, String)]) -> Vec<(&str, &str)> {
    readings.iter().map(|(at, shown)| (at.as_str(), shown.as_str())).collect()
}

#[test]
fn a_use_is_learnt_across_what_was_added() {
    let steady = used_faster(None);
    let untouched =
        told(&level(&borrowed(&steady), &[DONE], &[]).row("2026-02-01")).rate.clone().expect("a rate");
    // Added on the tenth day: the looks from then on stand 0.15 L higher, which is too little to be seen as a refill.
    let refilled = used_faster(Some(150));
    let added = [("2026-01-12T12:00", 150, false)];
    let learnt =
        told(&level(&borrowed(&refilled), &[DONE], &added).row("2026-02-01")).rate.clone().expect("a rate");
    assert_eq!((learnt.value, learnt.readings), (untouched.value, untouched.readings));
    assert_eq!(learnt.percent, Some(120));
}

#[test]
fn a_refill_in_a_closing_tells_what_was_found() {
    // Five closings, ten days apart, each filled up with 0.86 L: it takes 3.6 mL an hour, though nobody ever read a level.
    let closings =
        ["2026-01-01T00:00", "2026-01-11T00:00", "2026-01-21T00:00", "2026-01-31T00:00", "2026-02-10T00:00"];
    let kits: Vec<(&str, i64, bool)> = closings.iter().map(|at| (*at, 864, false)).collect();
    let silent = level(&[], &closings, &[]).row("2026-02-20");
    assert_eq!(told(&silent).rate.as_ref().expect("a rate").readings, 0, "the formula");
    let learnt = told(&level(&[], &closings, &kits).row("2026-02-20")).rate.clone().expect("a rate");
    assert_eq!((learnt.value, learnt.percent), (value("3.6"), Some(120)), "{learnt:?}");
}

#[test]
fn a_changed_coolant_is_judged_anew_and_an_addition_alone_clears_nothing() {
    let coolant = Model::Coolant(Coolant {
        strength: Some(point("strength")),
        factor: None,
        wanted: Some(value("8")),
        band: None,
        premix: None,
        sump: Some(value("200")),
        ph: None,
        ph_first: None,
        nitrite: None,
        dip_slide: None,
        bands: String::new(),
    });
    let thin = [("2026-01-11T06:00", "6")];
    let of = |poured: &[(&str, i64, bool)]| {
        with_poured(following(coolant.clone(), "%", &thin, &[DONE]), "strength", poured).row("2026-01-20")
    };
    let is_weak = |row: &PlanRow| told(row).faults.iter().any(|fault| matches!(fault, Fault::Reading { .. }));
    assert!(is_weak(&of(&[])));
    assert!(is_weak(&of(&[("2026-01-12T06:00", 20_000, false)])), "an addition is to be read again");
    assert!(!is_weak(&of(&[("2026-01-12T06:00", 200_000, true)])), "another fluid is in it");
    assert!(is_weak(&of(&[("2026-01-10T06:00", 200_000, true)])), "read since it was changed");
}
