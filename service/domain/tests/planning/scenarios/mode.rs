//! From the last closing or on the grid: late, early, several at once, late entries, and a change of the rule between them.

use super::super::{Story, date, day, fixed, floating, recurring, task, utc};
use super::met;
use fettler_domain::closing::{Asked, Stood, judge};
use fettler_domain::ids::OrderNumber;
use fettler_domain::order::ClosingSaid;
use fettler_domain::rule::Clause;
use fettler_domain::text::Name;
use fettler_domain::time::{MICROS_PER_MINUTE, Ts};
use std::collections::BTreeMap;

/// Every 90 days since 1 January, closed on a day: whether that was before any window and whether it was extra work,
/// and when it is due next.
fn closed_once(clause: Clause, closed: &str) -> ((bool, bool), String) {
    let input = task(&[clause]).stated("2026-01-01", None);
    let at = format!("{closed}T12:00");
    let closing = met(&input, &at);
    ((closing.before_window, closing.extra_work), date(input.closed(&[&at]).row(closed).due))
}

#[test]
fn scenario_013_five_days_late_on_the_grid() {
    let (early, next) = closed_once(fixed("90 day", "2026-01-01"), "2026-04-06");
    assert_eq!((early, next.as_str()), ((false, false), "2026-06-30"));
}

#[test]
fn scenario_014_five_days_late_from_the_last_closing() {
    let (early, next) = closed_once(floating("90 day"), "2026-04-06");
    assert_eq!((early, next.as_str()), ((false, false), "2026-07-05"));
}

#[test]
fn scenario_015_early_inside_the_window_keeps_the_grid() {
    let (early, next) = closed_once(fixed("90 day", "2026-01-01"), "2026-03-24");
    assert_eq!((early, next.as_str()), ((false, false), "2026-06-30"));
    // The same of a recurrence rule: the first of each quarter, its window nine days of the ninety before.
    let input = task(&[recurring("FREQ=MONTHLY;INTERVAL=3", "2026-01-01")]).closed(&["2026-01-01T12:00"]);
    let closing = met(&input, "2026-03-24T12:00");
    assert_eq!((closing.before_window, date(closing.due).as_str()), (false, "2026-04-01"));
    assert_eq!(date(input.closed(&["2026-03-24T12:00"]).row("2026-03-25").due), "2026-07-01");
}

#[test]
fn scenario_016_before_the_window_it_is_extra_work_on_the_grid() {
    let (early, next) = closed_once(fixed("90 day", "2026-01-01"), "2026-03-20");
    assert_eq!((early, next.as_str()), ((true, true), "2026-04-01"));
}

#[test]
fn scenario_017_before_the_window_it_counts_anew_from_the_last_closing() {
    let (early, next) = closed_once(floating("90 day"), "2026-03-20");
    assert_eq!((early, next.as_str()), ((true, false), "2026-06-18"));
}

#[test]
fn scenario_018_one_closing_satisfies_the_newest_and_the_rest_is_missed() {
    for clause in [fixed("1 month", "2026-01-01"), recurring("FREQ=MONTHLY", "2026-02-01")] {
        let input = task(&[clause]);
        assert_eq!(date(input.row("2026-04-10").due), "2026-02-01");
        let closing = met(&input, "2026-04-10T12:00");
        assert_eq!((date(closing.due).as_str(), closing.missed), ("2026-04-01", 2));
        assert_eq!(date(input.closed(&["2026-04-10T12:00"]).row("2026-04-10").due), "2026-05-01");
    }
}

#[test]
fn scenario_019_inside_the_next_window_the_newest_open_point_is_satisfied() {
    let input = task(&[fixed("1 month", "2026-01-01")]).closed(&["2026-02-01T12:00", "2026-03-01T12:00"]);
    assert_eq!(date(input.row("2026-04-01").due), "2026-04-01");
    let closing = met(&input, "2026-04-29T12:00");
    assert_eq!((date(closing.due).as_str(), closing.missed), ("2026-05-01", 1));
    assert_eq!(date(input.closed(&["2026-04-29T12:00"]).row("2026-04-29").due), "2026-06-01");
}

/// A closing of work done and entered at these times.
fn said(done_at: Ts) -> ClosingSaid {
    ClosingSaid::plain(OrderNumber(1), done_at, Name::new("Ada").expect("a name"))
}

#[test]
fn scenario_020_what_is_entered_later_counts_from_when_it_was_done() {
    // Done on Wednesday 4 March, entered on Friday; the record that the journal keeps has both, which the store's tests hold.
    let (wednesday, friday) = (utc("2026-03-04T12:00"), utc("2026-03-06T13:00"));
    let judged = judge(&said(wednesday), friday, &Asked::default(), &[], Stood::default(), &BTreeMap::new());
    assert_eq!(judged.expect("it is taken").findings, ["entered 2 days after it was done"]);
    let input = task(&[floating("30 day")]).closed(&["2026-03-04T12:00"]);
    assert_eq!(date(input.row("2026-03-06").due), "2026-04-03");
}

#[test]
fn scenario_021_of_two_closings_the_later_one_is_counted_from() {
    let input = task(&[floating("30 day")]).closed(&["2026-03-05T12:00", "2026-03-03T12:00"]);
    assert_eq!(date(input.row("2026-03-06").due), "2026-04-04");
    let first = task(&[floating("30 day")]).closed(&["2026-03-03T12:00"]);
    assert!(met(&first, "2026-03-05T12:00").before_window);
}

#[test]
fn scenario_022_a_closing_in_the_future_is_asked_back_beyond_a_minute() {
    let now = utc("2026-03-06T13:00");
    let judged = |ahead: i64| {
        let said = said(now.plus_micros(ahead));
        judge(&said, now, &Asked::default(), &[], Stood::default(), &BTreeMap::new())
    };
    assert!(judged(MICROS_PER_MINUTE).is_ok());
    let refused = judged(MICROS_PER_MINUTE + 1).expect_err("it has not come");
    assert_eq!(refused[0].field, "done_at");
    assert!(refused[0].text.contains("in the future; give when it was done"), "{}", refused[0].text);
}

#[test]
fn scenario_023_what_was_due_before_the_change_keeps_its_day_and_the_next_counts_anew() {
    let input = task(&[fixed("30 day", "2026-04-25")]).changed("2026-06-01", &[floating("30 day")]);
    let open = input.row("2026-06-10");
    assert_eq!((date(open.due).as_str(), open.rule_effective), ("2026-05-25", Some(day("1970-01-01"))));
    let next = input.closed(&["2026-06-03T12:00"]).row("2026-06-10");
    assert_eq!((date(next.due).as_str(), next.rule_effective), ("2026-07-03", Some(day("2026-06-01"))));
}
