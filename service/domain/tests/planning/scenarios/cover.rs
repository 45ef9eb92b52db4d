//! Covering, and changes of a rule.

use super::super::{Story, date, day, floating, hours, plain, run, run_fixed, task, utc};
use super::threshold;
use fettler_domain::closing::{Asked, Judged, Stood, judge};
use fettler_domain::ids::{OrderNumber, TaskId};
use fettler_domain::order::ClosingSaid;
use fettler_domain::plan::{
    CoverError, Covers, DueKind, HeldUntil, Policy, Snapshot, Standing, TaskInput, plan, standing,
};
use fettler_domain::reading::{Limits, Taker};
use fettler_domain::shop::PointCard;
use fettler_domain::text::{Key, Name};
use std::collections::BTreeMap;

/// A and B on one machine, B covering A, planned together on a day; under which order A is shown.
fn shown_under(a: TaskInput, b: TaskInput, as_of: &str) -> Option<OrderNumber> {
    let b = TaskInput { order: OrderNumber(2), task: Some(TaskId(2)), ..b };
    let covers = Covers::new([(TaskId(2), TaskId(1))]).expect("no cycle");
    let policy = Policy { calendar: plain(), covers };
    let rows = plan(&Snapshot { tasks: vec![b, a] }, &policy, day(as_of), 365).expect("loaded");
    rows.iter().find(|row| row.order == OrderNumber(1)).expect("A is due").covered_by
}

#[test]
fn scenario_040_where_both_are_reached_the_larger_alone_is_shown() {
    let stretch = [("2026-05-01T00:00", "2026-05-25T00:00", "500")];
    let a = task(&[run("250")]).stated("2026-05-01", Some("250")).ran(&stretch);
    let b = task(&[run("500")]).stated("2026-05-01", Some("0")).ran(&stretch);
    assert_eq!(shown_under(a, b, "2026-05-26"), Some(OrderNumber(2)));
}

/// Done with the larger at 480 h, when the smaller is due at 500 h.
fn closed_at_480(input: TaskInput) -> Option<fettler_domain::quantity::Amount> {
    let stretch = [("2026-05-01T00:00", "2026-05-21T00:00", "480")];
    threshold(&input.ran(&stretch).closed(&["2026-05-21T00:00"]).row("2026-05-22"))
}

#[test]
fn scenario_041_the_smaller_restarts_with_the_larger_or_counts_on_its_grid() {
    assert_eq!(closed_at_480(task(&[run("250")])), Some(hours("730")));
    assert_eq!(closed_at_480(task(&[run_fixed("250", "0")])), Some(hours("750")));
}

fn three() -> ([TaskId; 3], Covers) {
    let [a, b, c] = [1, 2, 3].map(TaskId);
    ([a, b, c], Covers::new([(b, a), (c, b)]).expect("no cycle"))
}

#[test]
fn scenario_042_the_smaller_does_not_close_the_larger() {
    let ([a, b, _], covers) = three();
    assert!(covers.covers(b, a) && !covers.covers(a, b));
    assert_eq!(covers.covered_by(a).count(), 0);
}

#[test]
fn scenario_043_a_cycle_is_refused() {
    let ([a, b, _], _) = three();
    let refused = Covers::new([(b, a), (a, b)]).expect_err("a cycle");
    assert_eq!(refused, CoverError::Cycle { cycle: vec![a, b, a] });
    let expect = "task 1 covers itself (1 covers 2 covers 1); take one of these covers out";
    assert_eq!(refused.to_string(), expect);
}

#[test]
fn scenario_044_covering_goes_on_through_others() {
    let ([a, b, c], covers) = three();
    assert!(covers.covers(c, a));
    assert_eq!(covers.covered_by(c).collect::<Vec<_>>(), [a, b]);
}

#[test]
fn scenario_045_the_smaller_is_shown_under_a_larger_whose_window_is_open() {
    let a = task(&[floating("30 day")]).stated("2026-05-01", None);
    let open = task(&[floating("180 day")]).stated("2025-12-10", None);
    assert_eq!(shown_under(a.clone(), open, "2026-05-31"), Some(OrderNumber(2)), "due in 8 days");
    let shut = task(&[floating("180 day")]).stated("2026-01-10", None);
    assert_eq!(shown_under(a, shut, "2026-05-31"), None, "due in 39 days");
}

#[test]
fn larger_tasks_that_overlap_in_part_each_hold_their_own() {
    // B covers A1 and A2, C covers A2 and A3, neither the other: A2 is shown under one of them, A1 and A3 each under theirs.
    let [a1, a2, a3, b, c] = [1, 2, 3, 4, 5].map(TaskId);
    let due = |task_id: TaskId, days: &str| {
        let input = task(&[floating(days)]).stated("2026-05-01", None);
        TaskInput { order: OrderNumber(task_id.0), task: Some(task_id), ..input }
    };
    let small = [a1, a2, a3].map(|id| due(id, "30 day"));
    let tasks: Vec<TaskInput> = small.into_iter().chain([due(b, "30 day"), due(c, "31 day")]).collect();
    let covers = Covers::new([(b, a1), (b, a2), (c, a2), (c, a3)]).expect("no cycle");
    let shown = |tasks: Vec<TaskInput>| {
        let policy = Policy { calendar: plain(), covers: covers.clone() };
        let mut rows = plan(&Snapshot { tasks }, &policy, day("2026-05-31"), 30).expect("no meter");
        rows.sort_by_key(|row| row.order);
        rows.iter().map(|row| row.covered_by.map(|order| order.0)).collect::<Vec<_>>()
    };
    assert_eq!(shown(tasks.clone()), [Some(4), Some(4), Some(5), None, None]);
    assert_eq!(shown(tasks.iter().rev().cloned().collect()), [Some(4), Some(4), Some(5), None, None]);
    // Where the window of B is not open when the small ones fall due, C alone holds them, and A1 stands by itself.
    let mut apart = tasks;
    apart[3] = due(b, "90 day");
    assert_eq!(shown(apart), [None, Some(5), Some(5), None, None][..4], "B itself is beyond the horizon");
}

/// What comes of closing B, which covers A with one reading of its own.
fn closing_of_b(left_out: &[&str], read: &[&str]) -> Judged {
    let key = |text: &str| Key::new(text).expect("a key");
    let at = utc("2026-05-21T00:00");
    let reading = |point: &&str| fettler_domain::order::ReadingSaid {
        point: key(point),
        value: "6.1".to_owned(),
        unit: None,
        confirmed: false,
    };
    let said = ClosingSaid {
        readings: read.iter().map(reading).collect(),
        left_out: left_out.iter().map(|text| key(text)).collect(),
        ..ClosingSaid::plain(OrderNumber(2), at, Name::new("Ada").expect("a name"))
    };
    let b = Asked { order: OrderNumber(2), task: Some(key("b")), ..Asked::default() };
    let a = Asked {
        order: OrderNumber(1),
        task: Some(key("a")),
        readings: vec![key("p-air")],
        ..Asked::default()
    };
    let air = PointCard {
        key: key("p-air"),
        title: String::new(),
        place: String::new(),
        good: String::new(),
        fluid: String::new(),
        reservoir: None,
        unit: "bar".to_owned(),
        limits: Limits::default(),
        possible: None,
        taker: Taker::Anyone,
        cautions: Vec::new(),
    };
    let points = BTreeMap::from([(key("p-air"), air)]);
    judge(&said, at, &b, &[a], Stood::default(), &points).expect("it is taken")
}

#[test]
fn scenario_046_what_was_left_out_of_the_larger_stays_open() {
    let judged = closing_of_b(&["a"], &["p-air"]);
    assert_eq!(judged.covered, []);
    assert_eq!(judged.left_open, [(OrderNumber(1), vec!["left out".to_owned()])]);
    assert_eq!(closing_of_b(&[], &["p-air"]).covered, [OrderNumber(1)]);
}

/// The case has this checked when the sheet is saved as well. Here nothing is refused then: a closing that gives the
/// reading closes both, and one that does not leaves the smaller open.
#[test]
fn scenario_047_a_reading_of_the_smaller_is_given_or_it_stays_open() {
    let judged = closing_of_b(&[], &[]);
    assert_eq!(judged.covered, []);
    assert_eq!(judged.left_open, [(OrderNumber(1), vec!["p-air not read".to_owned()])]);
    assert_eq!(judged.findings, [] as [String; 0], "the larger asks for no reading of its own");
}

/// Every `first` hours, from 1 March every `second`; since 10 January so many hours ran by an instant.
fn changed_interval(first: &str, second: &str, (by, ran): (&str, &str)) -> TaskInput {
    let stretch = [("2026-01-10T00:00", by, ran)];
    let input = task(&[run(first)]).stated("2026-01-10", Some("0")).ran(&stretch);
    input.changed("2026-03-01", &[run(second)])
}

#[test]
fn scenario_048_a_shorter_interval_is_due_on_the_day_of_the_change() {
    let row = changed_interval("500", "400", ("2026-03-01T00:00", "430")).row("2026-03-01");
    assert_eq!((date(row.due).as_str(), row.kind), ("2026-03-01", DueKind::Exact));
    assert_eq!(row.held_until, Some(HeldUntil::Change(day("2026-03-01"))));
    assert_eq!(standing(&row, utc("2026-03-01T12:00")), Standing::Due);
}

#[test]
fn scenario_049_what_was_overdue_before_the_change_stays_so_until_closed() {
    let input = changed_interval("400", "500", ("2026-03-01T00:00", "430"));
    let row = input.row("2026-03-05");
    assert_eq!((row.kind, row.held_until), (DueKind::Exact, None));
    assert!(row.due < Some(utc("2026-03-01T00:00")), "{:?}", row.due);
    let next = input.closed(&["2026-03-05T12:00"]).row("2026-03-06");
    assert_eq!(threshold(&next), Some(hours("930")));
}

#[test]
fn scenario_050_of_two_changes_for_one_day_the_later_saved_counts() {
    let input =
        changed_interval("500", "400", ("2026-03-01T00:00", "100")).changed("2026-03-01", &[run("300")]);
    assert_eq!(threshold(&input.row("2026-03-02")), Some(hours("300")));
}
