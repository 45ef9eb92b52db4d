//! Windows, how clauses combine, and what is known against what is expected.

use super::super::{
    Story, date, day, floating, hours, order_of, plain, recurring, rule_of, run, run_fixed, task, utc,
};
use super::{closed_days, threshold};
use fettler_domain::plan::{
    By, DueKind, PlanRow, Reason, Standing, TaskInput, Timing, reasons, satisfied, standing,
};
use fettler_domain::quantity::Unit;
use fettler_domain::rule::{Combine, Window};
use fettler_domain::time::{MICROS_PER_HOUR, MICROS_PER_MINUTE, Ts};

/// When a task of so many days is due, opens, and is last on time.
fn a_tenth(days: i64, due: &str) -> (String, String, String) {
    let base = day(due).plus_days(-days);
    let row = task(&[floating(&format!("{days} day"))]).stated(&base.to_string(), None).row(due);
    let last = row.late.map(|late| late.plus_micros(-1));
    (date(row.due), date(row.opens), date(last))
}

fn three(due: &str, opens: &str, last: &str) -> (String, String, String) {
    (due.to_owned(), opens.to_owned(), last.to_owned())
}

#[test]
fn scenario_024_a_tenth_of_a_week_is_no_day() {
    assert_eq!(a_tenth(7, "2026-05-31"), three("2026-05-31", "2026-05-31", "2026-05-31"));
}

#[test]
fn scenario_025_a_tenth_of_thirty_days() {
    assert_eq!(a_tenth(30, "2026-05-31"), three("2026-05-31", "2026-05-28", "2026-06-03"));
}

#[test]
fn scenario_026_a_tenth_of_a_year() {
    assert_eq!(a_tenth(365, "2026-05-31"), three("2026-05-31", "2026-04-25", "2026-07-06"));
}

/// Every 500 h on the grid, on a machine that runs an hour in an hour, so that a count is an instant.
fn every_500() -> TaskInput {
    task(&[run_fixed("500", "0")]).ran(&[("2026-01-01T00:00", "2026-02-01T00:00", "744")])
}

/// Whether a closing at so many tenths of an hour was in time.
fn timing(tenths: i64) -> Timing {
    let at = Ts(utc("2026-01-01T00:00").0 + tenths * 6 * MICROS_PER_MINUTE);
    satisfied(&every_500(), &plain(), at).expect("loaded").timing
}

#[test]
fn scenario_027_inside_the_window_on_time_and_the_next_on_the_grid() {
    assert_eq!(timing(5450), Timing::OnTime);
    // 545 h are reached on 23 January at 17:00.
    let row = every_500().closed(&["2026-01-23T17:00"]).row("2026-02-02");
    assert_eq!(threshold(&row), Some(hours("1000")));
}

#[test]
fn scenario_028_the_edge_of_the_window_is_inside() {
    assert_eq!(timing(5500), Timing::OnTime);
    assert_eq!(timing(4500), Timing::OnTime);
}

#[test]
fn scenario_029_beyond_the_edge_it_is_late() {
    assert_eq!(timing(5501), Timing::Late(By::Amount { amount: hours("50.1"), unit: Unit::Hours }));
    assert_eq!(timing(4499), Timing::Early(By::Amount { amount: hours("50.1"), unit: Unit::Hours }));
}

#[test]
fn scenario_030_a_strict_due_day_may_move_earlier_but_never_later() {
    let check = |window: Window| {
        let strict = |base: &str| {
            let rule = rule_of(&[floating("3 day")], Combine::Earliest, window);
            order_of(rule).stated(base, None).row_under(&closed_days(), base).due
        };
        assert_eq!(date(strict("2026-05-27")), "2026-05-29", "from Saturday to Friday");
        assert_eq!(date(strict("2026-12-23")), "2026-12-26", "not behind the shutdown");
    };
    check(Window::STRICT);
    check(Window::Exact { days: Some(0), amount: None });
}

/// Every 500 h or a year, done on 10 January at 0 h; so many hours ran from then to 1 June.
fn hours_or_a_year(ran: &str) -> PlanRow {
    let stretches =
        [("2026-01-01T00:00", "2026-01-10T00:00", "0"), ("2026-01-10T00:00", "2026-06-01T00:00", ran)];
    let rule = [run("500"), floating("12 month")];
    task(&rule).stated("2026-01-10", Some("0")).ran(&stretches).row("2026-06-01")
}

#[test]
fn scenario_031_hours_come_before_the_calendar() {
    let row = hours_or_a_year("510");
    assert_eq!((row.kind, row.governing), (DueKind::Exact, Some(0)));
    let crossed = row.due.expect("crossed");
    assert!(utc("2026-05-29T00:00") < crossed && crossed < utc("2026-05-30T00:00"), "{crossed}");
    assert_eq!(date(row.clauses[1].due), "2027-01-10");
}

#[test]
fn scenario_032_the_calendar_comes_before_hours_that_do_not_run() {
    let row = hours_or_a_year("0");
    assert_eq!((date(row.due).as_str(), row.governing), ("2027-01-10", Some(1)));
}

#[test]
fn scenario_033_latest_waits_for_both() {
    let rule = rule_of(&[run("500"), floating("3 month")], Combine::Latest, Window::default());
    let input = order_of(rule).stated("2026-01-10", Some("0"));
    let idle = input.clone().ran(&[("2026-01-10T00:00", "2026-01-11T00:00", "5")]).row("2026-06-01");
    assert_eq!((idle.due, idle.late, idle.governing), (None, None, Some(0)));
    let both = input.ran(&[("2026-01-10T00:00", "2026-02-20T00:00", "600")]).row("2026-06-01");
    assert_eq!((date(both.due).as_str(), both.governing), ("2026-04-10", Some(1)));
}

#[test]
fn scenario_034_a_reading_out_of_limits_makes_it_due_at_once() {
    let mut input = task(&[run("250"), floating("30 day")]).closed(&["2026-03-01T12:00"]);
    input.raised = Some(utc("2026-03-04T09:00"));
    let row = input.row("2026-03-04");
    assert_eq!((row.due, row.kind), (input.raised, DueKind::Raised));
    assert!(matches!(reasons(&row, &plain())[0], Reason::Raised { .. }));
    input.raised = None;
    assert_eq!(date(input.closed(&["2026-03-04T12:00"]).row("2026-03-05").due), "2026-04-03");
}

#[test]
fn scenario_035_at_a_tie_the_calendar_comes_first_and_both_reasons_are_listed() {
    // 31 January 00:00 is 720 h after the base, and 30 days, and the day of the rule.
    let stretch = [("2026-01-01T00:00", "2026-02-02T00:00", "768")];
    for clause in [floating("30 day"), recurring("FREQ=MONTHLY;BYMONTHDAY=-1", "2026-01-31")] {
        let row = task(&[run("720"), clause]).stated("2026-01-01", Some("0")).ran(&stretch).row("2026-02-02");
        assert_eq!(row.clauses[0].due, row.clauses[1].due);
        assert_eq!((row.kind, row.governing), (DueKind::CalendarDay, Some(1)));
        assert_eq!(
            reasons(&row, &plain()).iter().filter(|r| !matches!(r, Reason::KnownTo { .. })).count(),
            2
        );
    }
}

#[test]
fn scenario_036_a_meter_without_hours_drops_out_and_says_so() {
    let row = task(&[run("250"), floating("30 day")]).stated("2026-01-01", Some("0")).row("2026-01-05");
    assert_eq!((date(row.due).as_str(), row.governing), ("2026-01-31", Some(1)));
    assert!(reasons(&row, &plain()).iter().any(|reason| matches!(reason, Reason::HoursNotKnown { .. })));
    let alone = task(&[run("250")]).stated("2026-01-01", None).row("2026-01-05");
    assert_eq!((alone.kind, alone.due), (DueKind::Unknown, None));
}

#[test]
fn scenario_037_nothing_is_overdue_by_a_forecast() {
    let stretch = [("2026-05-01T00:00", "2026-06-01T00:00", "310")];
    let input = task(&[run("500")]).stated("2026-05-01", Some("0")).ran(&stretch);
    let row = input.row("2026-06-10");
    assert_eq!(row.kind, DueKind::Expected);
    let later = row.due.expect("expected").plus_micros(9 * 24 * MICROS_PER_HOUR);
    assert_eq!(standing(&row, later), Standing::NotYet);
    let known = Reason::KnownTo { at: utc("2026-06-01T00:00") };
    assert!(reasons(&row, &plain()).contains(&known));
}

/// Every 500 h; so many hours ran in May up to the 31st, which are 720 h.
fn in_may(ran: &str) -> PlanRow {
    let input = task(&[run("500")]).stated("2026-05-01", Some("0"));
    input.ran(&[("2026-05-01T00:00", "2026-05-31T00:00", ran)]).row("2026-05-31")
}

#[test]
fn scenario_038_the_due_moment_is_the_crossing_and_not_the_arrival() {
    let row = in_may("720");
    // 500 of 720 h even over 720 h: 20 days and 20 hours after the start, nine and a bit days ago.
    assert_eq!((row.due, row.kind), (Some(utc("2026-05-21T20:00")), DueKind::Exact));
    assert_eq!(standing(&row, utc("2026-05-31T08:00")), Standing::Late);
}

#[test]
fn scenario_039_a_correction_takes_it_back_to_expected() {
    let row = in_may("480");
    assert_eq!((row.kind, row.late), (DueKind::Expected, None));
}
