//! A bowl reaching its drain level.
//!
//! The worked example is that of the bowl's check values: 36 L/min ANR at 6 bar(g) with a pressure dew point of 25 °C drop
//! 1.876 g/h into a bowl at 20 °C (water balance by Hyland and Wexler, ASHRAE Fundamentals, chapter 1), so that 30 mL are full
//! in 15.96 h and half full in 7.98 h.

use super::*;
use fettler_domain::physics::condensate::{Bowl, bowl};
use fettler_domain::physics::measure::{FreeAir, GaugePressure, STANDARD_AMBIENT, Temperature, Volume};
use fettler_domain::plan::{DueKind, Fault};
use fettler_domain::rule::model::{Dew, Fill};

fn of() -> Fill<MeterId> {
    Fill {
        meter: METER,
        point: Some(point("bowl")),
        flow: value("36"),
        line: value("6"),
        dew: Dew::Point(value("25")),
        behind_regulator: None,
        ambient: vec![value("20")],
        ambient_pressure: None,
        bowl: value("30"),
        drain_percent: 50,
        carry_over: value("0"),
        at_latest_days: 0,
    }
}

fn fill(of: Fill<MeterId>, readings: &[(&str, &str)], closings: &[&str]) -> TaskInput {
    following(Model::Fill(of), "mL", readings, closings)
}

const DONE: &str = "2026-01-01T00:00";

fn hours_after(due: Option<Ts>) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a few weeks in microseconds")]
    let hours = due.expect("a due instant").micros_since(utc(DONE)) as f64 / 3.6e9;
    hours
}

#[test]
fn a_bowl_is_half_full_after_eight_hours() {
    let row = ran_daily(fill(of(), &[], &[DONE]), DONE, 3, "24").row("2026-01-03");
    assert_eq!(row.kind, DueKind::Exact);
    assert!((hours_after(row.due) - 7.98).abs() < 0.01, "{:?}", row.due);
    // At half the pace of run it takes twice the clock.
    let row = ran_daily(fill(of(), &[], &[DONE]), DONE, 3, "12").row("2026-01-03");
    assert!((hours_after(row.due) - 15.96).abs() < 0.02, "{:?}", row.due);
    let words = why(&row);
    assert!(
        words.starts_with("0 mL from Thursday 00:00 on; 1.88 mL/h by the formula; 36 of 7.98 h"),
        "{words}"
    );
}

/// One function of the domain gives what the calculator shows and what the due date rests on.
#[test]
fn a_coefficient_moves_the_calculator_and_the_due_date_alike() {
    for (flow, dew, ambient, bowl_ml) in
        [("36", "25", "20", "30"), ("50", "30", "20", "30"), ("36", "35", "15", "90")]
    {
        let line =
            GaugePressure::bar(6.0).expect("a pressure").absolute(STANDARD_AMBIENT).expect("a pressure");
        let shown = bowl(&Bowl {
            flow: FreeAir::l_min(value(flow).to_f64()).expect("a flow"),
            dew_point: Temperature::celsius(value(dew).to_f64()).expect("a temperature"),
            dew_point_at: line,
            pressure: line,
            temperature: Temperature::celsius(value(ambient).to_f64()).expect("a temperature"),
            volume: Volume::millilitres(value(bowl_ml).to_f64()).expect("a volume"),
        });
        let full_in = shown.expect("a balance").full_in.expect("it fills").to_hours();
        let of = Fill {
            flow: value(flow),
            dew: Dew::Point(value(dew)),
            ambient: vec![value(ambient)],
            bowl: value(bowl_ml),
            ..of()
        };
        let due = ran_daily(fill(of, &[], &[DONE]), DONE, 5, "24").row("2026-01-06").due;
        assert!((hours_after(due) - full_in / 2.0).abs() < 1e-3, "{flow} {dew}: {due:?} and {full_in}");
    }
}

#[test]
fn dry_air_never_fills_it_and_the_day_at_the_latest_stands_all_the_same() {
    // A refrigerant dryer: class 4 of ISO 8573-1 allows 3 °C at the most.
    let dry = Fill { dew: Dew::Class(4), ..of() };
    let row = ran_daily(fill(dry.clone(), &[], &[DONE]), DONE, 3, "24").row("2026-01-03");
    assert_eq!((row.kind, row.due), (DueKind::Expected, None));
    let daily = Fill { at_latest_days: 1, ..dry };
    let row = ran_daily(fill(daily, &[], &[DONE]), DONE, 3, "24").row("2026-01-03");
    assert_eq!((row.kind, row.due), (DueKind::CalendarDay, Some(utc("2026-01-02T00:00"))));
    assert!(why(&row).contains("every 1 day") || why(&row).contains("every day"), "{}", why(&row));
    // Whichever comes first: half full at eight in the morning, or the next day.
    let wet = Fill { at_latest_days: 1, ..of() };
    let row = ran_daily(fill(wet, &[], &[DONE]), DONE, 3, "24").row("2026-01-03");
    assert_eq!(row.kind, DueKind::Exact);
}

#[test]
fn a_bowl_behind_a_regulator_collects_less_and_each_month_has_its_temperature() {
    // Saturated vapour has 5.629 kPa at 35 °C and 2.339 kPa at 20 °C (steam tables, from memory). Each mole of dry air brings
    // 5.629 / (701.3 - 5.629) = 0.00809 mol of water and keeps 2.339 / (701.3 - 2.339) = 0.00335 at 6 bar(g), 0.00469 at
    // 4 bar(g). 36 L/min ANR are 87.28 mol/h of dry air: 7.47 and 5.36 mL/h, of which 15 mL take 2.01 and 2.80 h.
    let humid = Fill { dew: Dew::Point(value("35")), ..of() };
    let behind = Fill { behind_regulator: Some(value("4")), ..humid.clone() };
    let before = hours_after(ran_daily(fill(humid, &[], &[DONE]), DONE, 9, "24").row("2026-01-10").due);
    let after = hours_after(ran_daily(fill(behind, &[], &[DONE]), DONE, 9, "24").row("2026-01-10").due);
    assert!((before - 2.008).abs() < 0.01, "{before}");
    assert!((after - 2.80).abs() < 0.01, "{after}");
    let mut months = vec![value("24"); 12];
    months[0] = value("20");
    let seasonal = Fill { ambient: months, ..of() };
    // Half full on 1 January at 8 o'clock as at 20 °C; in February, at 24 °C, it takes far longer.
    let row = ran_daily(fill(seasonal.clone(), &[], &[DONE]), DONE, 60, "24").row("2026-01-10");
    assert!((hours_after(row.due) - 7.98).abs() < 0.01, "{:?}", row.due);
    let row = ran_daily(fill(seasonal, &[], &["2026-02-01T00:00"]), DONE, 60, "24").row("2026-03-01");
    assert!(hours_after(row.due) > 744.0 + 24.0, "{:?}", row.due);
}

#[test]
fn a_bowl_found_fuller_than_computed_is_a_fault_and_raises_what_is_expected() {
    // Drained each day after 8 h of run: some 15 mL are computed, 24 were found.
    let days: Vec<String> = (1..=6).map(|day| format!("2026-01-{day:02}T00:00")).collect();
    let closings: Vec<&str> = days.iter().map(String::as_str).collect();
    let readings: Vec<(&str, &str)> = closings[1..].iter().map(|at| (*at, "24")).collect();
    let as_computed = ran_daily(fill(of(), &[], &closings), DONE, 6, "8").row("2026-01-07");
    let row = ran_daily(fill(of(), &readings, &closings), DONE, 6, "8").row("2026-01-07");
    let Some(Fault::Fuller { found, computed, .. }) = told(&row).fault() else { panic!("{row:?}") };
    assert_eq!((found, computed), (value("24"), value("15")));
    assert!(row.due < as_computed.due && row.due.is_some(), "{:?} {:?}", row.due, as_computed.due);
    assert!(
        why(&row).starts_with("found with 24 mL on Tue 6 Jan, 15 mL computed: look at the dryer"),
        "{}",
        why(&row)
    );
    // One wild find warns, and moves nothing.
    let one = ran_daily(fill(of(), &readings[4..], &closings), DONE, 6, "8").row("2026-01-07");
    assert_eq!(one.due, as_computed.due);
    assert!(told(&one).fault().is_some());
    // Less than computed makes nothing later.
    let less: Vec<(&str, &str)> = closings[1..].iter().map(|at| (*at, "6")).collect();
    let row = ran_daily(fill(of(), &less, &closings), DONE, 6, "8").row("2026-01-07");
    assert_eq!((row.due, told(&row).fault()), (as_computed.due, None));
}

#[test]
fn a_look_between_two_drains_is_what_it_goes_on_from() {
    let read = fill(of(), &[("2026-01-01T02:00", "11")], &[DONE]);
    let row = ran_daily(read, DONE, 3, "24").row("2026-01-03");
    // 4 mL are missing to 15, at 1.88 mL/h.
    assert!((hours_after(row.due) - 4.13).abs() < 0.02, "{:?}", row.due);
    let full = fill(of(), &[("2026-01-01T02:00", "15")], &[DONE]);
    let row = full.row("2026-01-01");
    assert_eq!((row.kind, row.due), (DueKind::Exact, Some(utc("2026-01-01T02:00"))));
    assert_eq!(fill(of(), &[], &[]).row("2026-01-01").kind, DueKind::Unknown);
}

#[test]
fn a_bowl_found_full_stays_due_since_it_was_computed_to_be() {
    let unread = ran_daily(fill(of(), &[], &[DONE]), DONE, 3, "24").row("2026-01-03");
    let found = ran_daily(fill(of(), &[("2026-01-02T00:00", "20")], &[DONE]), DONE, 3, "24");
    let row = found.row("2026-01-03");
    assert_eq!((row.due, row.opens, row.late), (unread.due, unread.opens, unread.late));
    assert!(row.late.is_some_and(|late| late < utc("2026-01-02T00:00")), "{:?}", row.late);
    let words = why(&row);
    assert!(words.starts_with("bowl 20 mL, read Friday 00:00: it is reached; "), "{words}");
    assert!(words.contains("; 72 of 7.98 h since 1 Jan, crossed Thursday 07:58; empty it"), "{words}");
    // A look that finds less than computed is what it goes on from.
    let less = ran_daily(fill(of(), &[("2026-01-02T00:00", "5")], &[DONE]), DONE, 3, "24").row("2026-01-03");
    assert!(less.due > Some(utc("2026-01-02T00:00")), "{:?}", less.due);
}

#[test]
fn a_bowl_whose_hours_cannot_be_counted_says_so() {
    let weekly = Fill { at_latest_days: 7, ..of() };
    let stated = |count| {
        let input = fill(weekly.clone(), &[], &[]).stated("2026-01-01", count);
        ran_daily(input, "2026-01-01T12:00", 5, "12").row("2026-01-06")
    };
    let (unknown, known) = (stated(None), stated(Some("0")));
    assert_eq!((unknown.kind, date(unknown.due).as_str()), (DueKind::CalendarDay, "2026-01-08"));
    assert!(why(&unknown).ends_with("; hours not known"), "{}", why(&unknown));
    assert!(known.kind == DueKind::Exact && !why(&known).contains("not known"), "{}", why(&known));
}

#[test]
fn a_bowl_found_full_twice_is_due_since_the_first_find() {
    let full = fill(of(), &[("2026-01-01T02:00", "15"), ("2026-01-02T02:00", "16")], &[DONE]);
    let row = full.row("2026-01-02");
    assert_eq!((row.due, row.late), (Some(utc("2026-01-01T02:00")), Some(utc("2026-01-02T00:00"))));
}

#[test]
fn what_was_found_before_a_skip_was_decided_is_passed_over() {
    let weekly = |skipped: &str, read: &str| {
        let clause = Clause::Model { model: Box::new(Model::Fill(of())) };
        let alone = fill(of(), &[(read, "15")], &[DONE]);
        let skips = vec![fettler_domain::plan::Skip { at: utc(skipped) }];
        let input = TaskInput { models: alone.models, skips, ..task(&[floating("1 week"), clause]) };
        ran_daily(input.closed(&[DONE]), DONE, 12, "0").row("2026-01-13")
    };
    let before = weekly("2026-01-10T00:00", "2026-01-09T00:00");
    assert_eq!((date(before.due).as_str(), before.kind), ("2026-01-15", DueKind::CalendarDay));
    let after = weekly("2026-01-06T00:00", "2026-01-07T00:00");
    assert_eq!((after.due, after.kind), (Some(utc("2026-01-07T00:00")), DueKind::Exact));
}

/// 7.98 h of run at 0.01 h a day are 798 days, longer than a fill is summed month by month.
#[test]
fn a_bowl_that_takes_years_to_fill_is_due_all_the_same() {
    let row = ran_daily(fill(of(), &[], &["2023-01-01T00:00"]), "2023-01-01T00:00", 1_100, "0.01")
        .row("2026-01-05");
    let days = row.due.expect("a due date").micros_since(utc("2023-01-01T00:00")) / 86_400_000_000;
    assert!((797..=798).contains(&days) && row.kind == DueKind::Exact, "{days} {row:?}");
}
