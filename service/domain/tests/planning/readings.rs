//! Clauses that wait for a reading out of limits. No published source; each value follows from the rule as documented: due
//! at once, until a closing after it.

use super::*;
use fettler_domain::plan::{
    DueKind, PointInput, Section, Skip, Standing, lateness_in_words, reason_in_words, reasons, satisfied,
    standing,
};
use fettler_domain::reading::course::Placed;
use fettler_domain::reading::{Beyond, Limits, OutOfLimits, Side, Step, Value};
use proptest::prelude::*;

fn point(text: &str) -> Key {
    Key::new(text).expect("a key")
}

/// Waits for a reading of the coolant's strength out of limits.
fn coolant() -> Clause {
    Clause::Reading { point: point("coolant"), expects: false }
}

fn value(text: &str) -> Value {
    Value::parse(text).expect("a value")
}

/// A reading of the coolant below its limit of 5 %, or below its stop limit of 3 %.
fn low(at: &str, shown: &str) -> OutOfLimits {
    let (step, limit) = if value(shown) < value("3") { (Step::Stop, "3") } else { (Step::Act, "5") };
    OutOfLimits {
        at: utc(at),
        entry: 7,
        point: point("coolant"),
        value: value(shown),
        sign: "%".into(),
        beyond: Beyond { step, side: Side::Below, limit: value(limit) },
    }
}

fn with(input: TaskInput, readings: &[OutOfLimits]) -> TaskInput {
    TaskInput { readings: readings.to_vec(), ..input }
}

fn why(row: &PlanRow) -> Vec<String> {
    let told = reasons(row, &plain());
    told.iter().map(|reason| reason_in_words(reason, &plain(), row.stamp.as_of)).collect()
}

#[test]
fn a_reading_out_of_limits_makes_its_task_due_at_once_and_a_later_closing_ends_that() {
    let task = task(&[floating("30 day"), coolant()]).closed(&["2026-03-01T08:00"]);
    let quiet = task.row("2026-03-10");
    assert_eq!((quiet.kind, quiet.due), (DueKind::CalendarDay, Some(utc("2026-03-31T00:00"))));
    let out = with(task, &[low("2026-03-09T14:10", "4.2")]);
    let row = out.row("2026-03-10");
    assert_eq!((row.kind, row.due, row.hazard), (DueKind::Exact, Some(utc("2026-03-09T14:10")), false));
    assert_eq!(why(&row)[0], "coolant 4.2 %, below its limit of 5 %, read Monday 14:10");
    assert_eq!(standing(&row, utc("2026-03-09T15:00")), Standing::Due);
    assert_eq!(lateness_in_words(&row, utc("2026-03-11T08:00"), &plain()), "2 days late");
    let closed = out.closed(&["2026-03-10T09:00"]).row("2026-03-10");
    assert_eq!((closed.kind, closed.due), (DueKind::CalendarDay, Some(utc("2026-04-09T00:00"))));
}

#[test]
fn a_stop_limit_is_a_hazard_and_the_newest_reading_is_told_beside_the_first() {
    let both = [low("2026-03-09T14:10", "4.2"), low("2026-03-10T06:30", "2.8")];
    let row = with(task(&[coolant()]), &both).row("2026-03-10");
    assert!(row.hazard);
    assert_eq!(row.due, Some(utc("2026-03-09T14:10")), "due since the first of them");
    assert_eq!(
        why(&row)[0],
        "coolant 4.2 %, below its limit of 5 %, read Monday 14:10; again 2.8 %, below its stop limit of 3 %, read \
         Tuesday 06:30"
    );
}

#[test]
fn what_a_closing_says_was_read_is_how_it_left_the_machine() {
    let still_low = low("2026-03-10T09:00", "4.5");
    let task = with(task(&[coolant()]).closed(&["2026-03-10T09:00"]), &[still_low]);
    assert_eq!(task.row("2026-03-10").due, Some(utc("2026-03-10T09:00")));
    assert_eq!(task.closed(&["2026-03-10T09:30"]).row("2026-03-10").due, None);
}

#[test]
fn a_task_that_only_waits_for_a_reading_is_on_no_list_and_is_never_called_unrecorded() {
    let row = task(&[coolant()]).row("2026-03-10");
    assert_eq!((row.kind, row.section, row.due), (DueKind::Expected, Section::Dated, None));
    assert_eq!(row.key_time, Ts::MAX);
    assert_eq!(
        lateness_in_words(&row, utc("2026-03-10T08:00"), &plain()),
        "waits for a reading out of limits"
    );
    assert_eq!(why(&row), ["no reading of coolant out of limits"]);
    // A clause that nobody has recorded is not hidden by one that waits.
    assert_eq!(task(&[floating("30 day"), coolant()]).row("2026-03-10").section, Section::NeverRecorded);
}

#[test]
fn with_latest_a_reading_holds_the_others_back() {
    let rule = rule_of(&[floating("30 day"), coolant()], Combine::Latest, Window::default());
    let task = order_of(rule).closed(&["2026-01-01T08:00"]);
    assert_eq!(task.row("2026-03-10").due, None);
    let out = with(task, &[low("2026-03-09T14:10", "4.2")]);
    assert_eq!(out.row("2026-03-10").due, Some(utc("2026-03-09T14:10")));
}

#[test]
fn a_skip_passes_over_what_was_read_until_then() {
    let skipped = TaskInput { skips: vec![Skip { at: utc("2026-03-10T12:00") }], ..task(&[coolant()]) };
    let before = with(skipped.clone(), &[low("2026-03-09T14:10", "4.2")]);
    assert_eq!(before.row("2026-03-11").due, None);
    let after = with(skipped, &[low("2026-03-09T14:10", "4.2"), low("2026-03-10T15:00", "4.1")]);
    assert_eq!(after.row("2026-03-11").due, Some(utc("2026-03-10T15:00")));
}

#[test]
fn a_skip_ahead_of_a_due_day_hides_no_reading_and_a_late_one_passes_over_what_was_read_until_then() {
    let rule = [floating("90 day"), coolant()];
    let skipped = |at: &str| TaskInput {
        skips: vec![Skip { at: utc(at) }],
        ..task(&rule).closed(&["2026-01-01T08:00"])
    };
    // By its days the order is due on 1 April. It was skipped a month before; what is read after that counts at once.
    let early = with(skipped("2026-03-01T12:00"), &[low("2026-03-09T14:10", "2.8")]);
    let row = early.row("2026-03-10");
    assert_eq!((row.due, row.kind), (Some(utc("2026-03-09T14:10")), DueKind::Exact));
    let dealt_with = with(skipped("2026-03-10T12:00"), &[low("2026-03-09T14:10", "4.2")]);
    assert_ne!(dealt_with.row("2026-03-11").due, Some(utc("2026-03-09T14:10")));
    // Skipped after both had fallen due: the next is not due again from the reading that was passed over.
    let late = with(skipped("2026-04-05T12:00"), &[low("2026-04-03T14:10", "4.2")]);
    let row = late.row("2026-04-06");
    assert_eq!((row.due, row.kind), (Some(utc("2026-06-30T00:00")), DueKind::CalendarDay));
}

#[test]
fn readings_of_other_points_do_not_count() {
    let other = OutOfLimits { point: point("p-air"), ..low("2026-03-09T14:10", "4.2") };
    assert_eq!(with(task(&[coolant()]), &[other]).row("2026-03-10").due, None);
}

#[test]
fn a_closing_is_judged_by_what_had_been_read_before_it() {
    let task = with(task(&[coolant()]), &[low("2026-03-09T14:10", "4.2"), low("2026-03-12T08:00", "4")]);
    let met = satisfied(&task, &plain(), utc("2026-03-11T09:00")).expect("loaded");
    assert_eq!((met.due, met.kind), (Some(utc("2026-03-09T14:10")), DueKind::Exact));
    let unasked = satisfied(&task, &plain(), utc("2026-03-08T09:00")).expect("loaded");
    assert_eq!((unasked.due, unasked.before_window), (None, false));
}

proptest! {
    /// Closings and readings in any order give one plan, and the due instant is the first reading at or after the last
    /// closing.
    #[test]
    fn the_order_of_arrival_does_not_matter(
        hours in proptest::collection::vec((0..400_i64, any::<bool>()), 1..12),
        turn in 0..12_usize,
    ) {
        let at = |hour: i64| utc("2026-01-01T00:00").plus_micros(hour * 3_600_000_000);
        let mut input = task(&[coolant()]);
        for (hour, closes) in &hours {
            if *closes {
                input.closings.push(Closing { done_at: at(*hour) });
            } else {
                input.readings.push(OutOfLimits { at: at(*hour), ..low("2026-01-01T00:00", "4") });
            }
        }
        let row = input.row("2026-02-01");
        let last = input.closings.iter().map(|closing| closing.done_at).max();
        let standing = input.readings.iter().map(|reading| reading.at).filter(|at| last.is_none_or(|last| *at >= last));
        prop_assert_eq!(row.due, standing.min());
        let mut turned = input.clone();
        let (readings, closings) = (turned.readings.len().max(1), turned.closings.len().max(1));
        turned.readings.rotate_left(turn % readings);
        turned.closings.rotate_left(turn % closings);
        prop_assert_eq!(turned.row("2026-02-01"), row);
    }
}

/// A reading of the coolant each day at noon of March, from the first on.
fn daily(values: &[&str]) -> PointInput {
    let noon = |day: usize| utc(&format!("2026-03-{:02}T12:00", day + 1));
    PointInput {
        unit: "%".into(),
        sign: "%".into(),
        limits: Limits { act_below: Some(value("5")), stop_below: Some(value("3")), ..Limits::default() },
        readings: values
            .iter()
            .enumerate()
            .map(|(day, text)| Placed { at: noon(day), value: value(text) })
            .collect(),
    }
}

fn expecting(readings: PointInput) -> TaskInput {
    let input = task(&[Clause::Reading { point: point("coolant"), expects: true }]);
    TaskInput { points: [(point("coolant"), readings)].into(), ..input }
}

#[test]
fn readings_that_drift_say_when_their_limit_is_expected() {
    let falling = daily(&["8", "7.8", "7.5", "7.4", "7.1", "7", "6.8", "6.5"]);
    let row = expecting(falling.clone()).row("2026-03-09");
    // From 6.6 on the 8th by a fifth a day: 5 is some eight days ahead.
    let due = row.due.expect("an expected day");
    assert_eq!(row.kind, DueKind::Expected);
    assert!(utc("2026-03-14T00:00") < due && due < utc("2026-03-18T00:00"), "{due}");
    assert!(row.p10.is_some_and(|p10| p10 <= due) && row.p90.is_some_and(|p90| due <= p90), "{row:?}");
    let told = why(&row)[0].clone();
    assert!(
        told.starts_with("coolant 6.5 %, by the drift of 8 readings below its limit of 5 % expected "),
        "{told}"
    );
    assert_eq!(standing(&row, utc("2026-03-30T00:00")), Standing::NotYet, "a forecast makes nothing late");

    let turned = PointInput { readings: falling.readings.iter().rev().copied().collect(), ..falling.clone() };
    assert_eq!(expecting(turned).row("2026-03-09"), row, "the order of arrival does not matter");
    let mut read_today = falling.clone();
    read_today.readings.push(Placed { at: utc("2026-03-09T08:00"), value: value("5.6") });
    assert_eq!(expecting(read_today.clone()).row("2026-03-09"), row, "an expected date holds for the day");
    assert!(expecting(read_today).row("2026-03-10").due < Some(due), "and moves on the next");
    let served = expecting(falling.clone()).closed(&["2026-03-08T13:00"]).row("2026-03-09");
    assert_eq!(served.due, None, "what was read before the last closing tells nothing");
    let out = with(expecting(falling), &[low("2026-03-08T14:00", "4.8")]).row("2026-03-09");
    assert_eq!((out.kind, out.due), (DueKind::Exact, Some(utc("2026-03-08T14:00"))));
    let overdue = expecting(daily(&["8", "7.8", "7.5", "7.4", "7.1", "7", "6.8", "6.5"])).row("2026-04-30");
    assert_eq!(
        (overdue.kind, overdue.due),
        (DueKind::Expected, Some(utc("2026-04-30T00:00"))),
        "read it now"
    );
    let steady = daily(&["8", "8.1", "7.9", "8", "8.1", "7.9", "8", "8"]);
    assert_eq!(expecting(steady).row("2026-03-09").due, None);
}

#[test]
fn an_expected_limit_stands_beside_the_calendar_and_a_look_before_it_is_no_fault() {
    let falling = daily(&["8", "7.8", "7.5", "7.4", "7.1", "7", "6.8", "6.5"]);
    let clauses = [floating("90 day"), Clause::Reading { point: point("coolant"), expects: true }];
    let input = task(&clauses).stated("2026-02-01", None);
    let input = TaskInput { points: [(point("coolant"), falling)].into(), ..input };
    let row = input.row("2026-03-09");
    assert_eq!((row.kind, row.governing), (DueKind::Expected, Some(1)));
    let stood = fettler_domain::closing::Stood::by(&row, None, None);
    assert_eq!(stood.opens, None);
}
