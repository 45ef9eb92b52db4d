//! Tricky cases by name. The numbers are those of the list from which they were taken (by hand, our convention;
//! dates asserted there with dateutil and zoneinfo).

use super::{
    METER, Story, berlin, date, day, every, fixed, floating, hours, order_of, plain, rule_of, run, run_fixed,
    task, utc, weekday_calendar,
};
use fettler_domain::calendar::{Calendar, WallTime, Weekdays, Zone};
use fettler_domain::ids::{OrderNumber, TaskId};
use fettler_domain::plan::{
    Base, By, Counted, CoverError, Covers, DueKind, HeldUntil, Policy, Reason, Satisfied, Section, Snapshot,
    Standing, TaskInput, Timing, plan, reasons, satisfied, standing,
};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::rule::{
    CalendarUnit, Clause, ClosedDays, Combine, CountsFrom, Every, IntervalRule, RuleError, RuleSpec, Window,
};
use fettler_domain::time::{MICROS_PER_HOUR, MICROS_PER_MINUTE, Ts};

fn met(input: &TaskInput, done_at: &str) -> Satisfied {
    satisfied(input, &plain(), utc(done_at)).expect("every month is loaded")
}

fn dues(text: &str, base: &str, count: u32) -> Vec<String> {
    (1..=count).map(|times| every(text).after(day(base), times).to_string()).collect()
}

fn closed_days() -> Calendar {
    // Public holidays of Baden-Württemberg in 2026 that the cases touch (from memory; Easter by dateutil.easter).
    let closed = ["2026-04-03", "2026-04-06", "2026-05-01", "2026-12-24/2027-01-06"];
    weekday_calendar(Weekdays::MONDAY_TO_FRIDAY, &closed)
}

#[test]
fn scenario_001_month_ends_clamp_from_the_base() {
    assert_eq!(dues("1 month", "2024-01-31", 3), ["2024-02-29", "2024-03-31", "2024-04-30"]);
}

#[test]
fn scenario_002_a_rule_from_the_last_closing_forgets_the_31st() {
    let input = task(&[floating("1 month")]).stated("2024-01-31", None).closed(&["2024-02-29T10:00"]);
    assert_eq!(date(input.row("2024-03-01").due), "2024-03-29");
}

#[test]
fn scenario_003_leap_day_comes_back() {
    let expect = ["2025-02-28", "2026-02-28", "2027-02-28", "2028-02-29"];
    assert_eq!(dues("1 year", "2024-02-29", 4), expect);
}

#[test]
fn scenario_006_weeks_and_months_are_different_units() {
    let within = |text: &str| {
        let all = dues(text, "2026-01-05", 20).into_iter();
        all.filter(|due| due.starts_with("2026")).collect::<Vec<_>>()
    };
    let (weeks, months) = (within("4 week"), within("1 month"));
    assert_eq!((weeks.len(), weeks.last().map(String::as_str)), (12, Some("2026-12-07")));
    assert_eq!((months.len(), months.last().map(String::as_str)), (11, Some("2026-12-05")));
}

#[test]
fn scenario_007_half_years_from_the_end_of_august() {
    assert_eq!(dues("6 month", "2025-08-31", 2), ["2026-02-28", "2026-08-31"]);
}

#[test]
fn scenario_008_half_past_five_is_still_the_day_before() {
    let calendar = Calendar::every_day(berlin(), WallTime::parse("06:00").expect("a time"));
    // 05:30 on Monday 2026-06-08 in Berlin.
    let row = task(&[floating("1 day")]).closed(&["2026-06-08T03:30"]).row_under(&calendar, "2026-06-07");
    assert_eq!(row.due, Some(calendar.start_of(day("2026-06-08"))));
}

#[test]
fn scenario_009_an_interval_is_a_whole_number_of_at_least_one() {
    let clause = |n| Clause::Calendar {
        every: Every { n, unit: CalendarUnit::Month },
        counts_from: CountsFrom::LastClosing,
    };
    let spec = |n| RuleSpec {
        clauses: vec![clause(n)],
        combine: Combine::Earliest,
        window: Window::default(),
        closed_days: ClosedDays::Move,
    };
    let refused = IntervalRule::new(spec(0)).expect_err("0 months").to_string();
    assert_eq!(refused, "clause 1 is every 0 months; give a whole number from 1 to 1200");
    for text in ["-3", "1.5"] {
        let json =
            serde_json::to_string(&spec(1)).expect("plain data").replace("\"n\":1", &format!("\"n\":{text}"));
        assert!(serde_json::from_str::<IntervalRule>(&json).is_err(), "{json}");
    }
}

#[test]
fn scenarios_013_to_017_late_and_early_closings_on_the_grid_and_from_the_last() {
    let check = |clause: Clause, closed: &str, early: (bool, bool), next: &str| {
        let input = task(&[clause]).stated("2026-01-01", None);
        let at = format!("{closed}T12:00");
        let closing = met(&input, &at);
        assert_eq!((closing.before_window, closing.extra_work), early, "{closed}");
        assert_eq!(date(input.closed(&[&at]).row(closed).due), next, "{closed}");
    };
    let (grid, last) = (fixed("90 day", "2026-01-01"), floating("90 day"));
    check(grid, "2026-04-06", (false, false), "2026-06-30");
    check(last, "2026-04-06", (false, false), "2026-07-05");
    check(grid, "2026-03-24", (false, false), "2026-06-30");
    check(grid, "2026-03-20", (true, true), "2026-04-01");
    check(last, "2026-03-20", (true, false), "2026-06-18");
}

#[test]
fn scenario_018_one_closing_satisfies_the_newest_and_the_rest_is_missed() {
    let input = task(&[fixed("1 month", "2026-01-01")]);
    assert_eq!(date(input.row("2026-04-10").due), "2026-02-01");
    let closing = met(&input, "2026-04-10T12:00");
    assert_eq!((date(closing.due).as_str(), closing.missed), ("2026-04-01", 2));
    assert_eq!(date(input.closed(&["2026-04-10T12:00"]).row("2026-04-10").due), "2026-05-01");
}

#[test]
fn scenario_019_inside_the_next_window_the_newest_open_point_is_satisfied() {
    let input = task(&[fixed("1 month", "2026-01-01")]).closed(&["2026-02-01T12:00", "2026-03-01T12:00"]);
    assert_eq!(date(input.row("2026-04-01").due), "2026-04-01");
    let closing = met(&input, "2026-04-29T12:00");
    assert_eq!((date(closing.due).as_str(), closing.missed), ("2026-05-01", 1));
    assert_eq!(date(input.closed(&["2026-04-29T12:00"]).row("2026-04-29").due), "2026-06-01");
}

#[test]
fn scenario_021_of_two_closings_the_later_one_is_counted_from() {
    let input = task(&[floating("30 day")]).closed(&["2026-03-05T12:00", "2026-03-03T12:00"]);
    assert_eq!(date(input.row("2026-03-06").due), "2026-04-04");
    let first = task(&[floating("30 day")]).closed(&["2026-03-03T12:00"]);
    assert!(met(&first, "2026-03-05T12:00").before_window);
}

#[test]
fn scenario_023_what_was_due_before_the_change_keeps_its_day_and_the_next_counts_anew() {
    let input = task(&[fixed("30 day", "2026-04-25")]).changed("2026-06-01", &[floating("30 day")]);
    let open = input.row("2026-06-10");
    assert_eq!((date(open.due).as_str(), open.rule_effective), ("2026-05-25", Some(day("1970-01-01"))));
    let next = input.closed(&["2026-06-03T12:00"]).row("2026-06-10");
    assert_eq!((date(next.due).as_str(), next.rule_effective), ("2026-07-03", Some(day("2026-06-01"))));
}

#[test]
fn scenarios_024_to_026_a_tenth_of_the_interval_in_whole_days() {
    let check = |days: &str, due: &str, opens: &str, shuts: &str| {
        let base = day(due).plus_days(-days.parse::<i64>().expect("a number"));
        let row = task(&[floating(&format!("{days} day"))]).stated(&base.to_string(), None).row(due);
        let last = row.late.map(|late| late.plus_micros(-1));
        assert_eq!((date(row.due), date(row.opens), date(last)), (due.into(), opens.into(), shuts.into()));
    };
    check("7", "2026-05-31", "2026-05-31", "2026-05-31");
    check("30", "2026-05-31", "2026-05-28", "2026-06-03");
    check("365", "2026-05-31", "2026-04-25", "2026-07-06");
}

#[test]
fn scenarios_027_to_029_a_meters_window_is_exact_and_its_edge_inclusive() {
    // One hour runs in an hour, so a count is an instant: 545 h are reached on 23 January at 17:00.
    let at = |tenths: i64| Ts(utc("2026-01-01T00:00").0 + tenths * 6 * MICROS_PER_MINUTE);
    let input = task(&[run_fixed("500", "0")]).ran(&[("2026-01-01T00:00", "2026-02-01T00:00", "744")]);
    let timing = |tenths| satisfied(&input, &plain(), at(tenths)).expect("loaded").timing;
    assert_eq!(timing(5450), Timing::OnTime);
    assert_eq!(timing(5500), Timing::OnTime);
    assert_eq!(timing(5501), Timing::Late(By::Amount { amount: hours("50.1"), unit: Unit::Hours }));
    assert_eq!(timing(4500), Timing::OnTime);
    assert_eq!(timing(4499), Timing::Early(By::Amount { amount: hours("50.1"), unit: Unit::Hours }));
    let row = input.closed(&["2026-01-23T17:00"]).row("2026-02-02");
    let Counted::Meter { threshold, .. } = row.clauses[0].counted else { panic!("a meter clause") };
    assert_eq!(threshold, Some(hours("1000")));
}

#[test]
fn scenario_030_a_strict_due_day_may_move_earlier_but_never_later() {
    let strict = |base: &str| {
        let rule = rule_of(&[floating("3 day")], Combine::Earliest, Window::STRICT);
        order_of(rule).stated(base, None).row_under(&closed_days(), base).due
    };
    assert_eq!(date(strict("2026-05-27")), "2026-05-29", "from Saturday to Friday");
    assert_eq!(date(strict("2026-12-23")), "2026-12-26", "not behind the shutdown");
}

#[test]
fn scenarios_031_and_032_hours_or_months_whichever_is_first() {
    let rule = [run("500"), floating("12 month")];
    let stretch =
        [("2026-01-01T00:00", "2026-01-10T00:00", "0"), ("2026-01-10T00:00", "2026-06-01T00:00", "510")];
    let input = task(&rule).stated("2026-01-10", Some("0")).ran(&stretch);
    let row = input.row("2026-06-01");
    assert_eq!((row.kind, row.governing), (DueKind::Exact, Some(0)));
    let crossed = row.due.expect("crossed");
    assert!(utc("2026-05-29T00:00") < crossed && crossed < utc("2026-05-30T00:00"), "{crossed}");
    assert_eq!(date(row.clauses[1].due), "2027-01-10");

    let idle =
        task(&rule).stated("2026-01-10", Some("0")).ran(&[("2026-01-01T00:00", "2026-01-02T00:00", "0")]);
    let row = idle.row("2026-06-01");
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
    // 31 January 00:00 is both 30 days and 720 h after the base.
    let stretch = [("2026-01-01T00:00", "2026-02-02T00:00", "768")];
    let row = task(&[run("720"), floating("30 day")]).stated("2026-01-01", Some("0")).ran(&stretch);
    let row = row.row("2026-02-02");
    assert_eq!(row.clauses[0].due, row.clauses[1].due);
    assert_eq!((row.kind, row.governing), (DueKind::CalendarDay, Some(1)));
    assert_eq!(reasons(&row, &plain()).iter().filter(|r| !matches!(r, Reason::KnownTo { .. })).count(), 2);
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
    assert_eq!(
        standing(&row, row.due.expect("expected").plus_micros(9 * 24 * MICROS_PER_HOUR)),
        Standing::NotYet
    );
    let known = Reason::KnownTo { at: utc("2026-06-01T00:00") };
    assert!(reasons(&row, &plain()).contains(&known));
}

#[test]
fn scenarios_038_and_039_the_due_moment_is_the_crossing_and_a_correction_takes_it_back() {
    let base = task(&[run("500")]).stated("2026-05-01", Some("0"));
    let late_report = base.clone().ran(&[("2026-05-01T00:00", "2026-05-31T00:00", "720")]);
    let row = late_report.row("2026-05-31");
    // 500 of 720 h even over 720 h: 20 days and 20 hours after the start, nine and a bit days ago.
    assert_eq!((row.due, row.kind), (Some(utc("2026-05-21T20:00")), DueKind::Exact));
    assert_eq!(standing(&row, utc("2026-05-31T08:00")), Standing::Late);
    let corrected = base.ran(&[("2026-05-01T00:00", "2026-05-31T00:00", "480")]).row("2026-05-31");
    assert_eq!((corrected.kind, corrected.late), (DueKind::Expected, None));
}

/// A and B on one machine, B covering A, each with its clause, planned together on a day.
fn covered(a: TaskInput, b: TaskInput, as_of: &str) -> Option<OrderNumber> {
    let b = TaskInput { order: OrderNumber(2), task: Some(TaskId(2)), ..b };
    let covers = Covers::new([(TaskId(2), TaskId(1))]).expect("no cycle");
    let policy = Policy { calendar: plain(), covers };
    let rows = plan(&Snapshot { tasks: vec![b, a] }, &policy, day(as_of), 365).expect("loaded");
    rows.iter().find(|row| row.order == OrderNumber(1)).expect("A is due").covered_by
}

#[test]
fn scenarios_040_and_045_the_larger_is_shown_while_its_window_is_open() {
    let stretch = [("2026-05-01T00:00", "2026-05-25T00:00", "500")];
    let a = task(&[run("250")]).stated("2026-05-01", Some("250")).ran(&stretch);
    let b = task(&[run("500")]).stated("2026-05-01", Some("0")).ran(&stretch);
    assert_eq!(covered(a, b, "2026-05-26"), Some(OrderNumber(2)));
    let a = task(&[floating("30 day")]).stated("2026-05-01", None);
    let open = task(&[floating("180 day")]).stated("2025-12-10", None);
    assert_eq!(covered(a.clone(), open, "2026-05-31"), Some(OrderNumber(2)), "due in 8 days");
    let shut = task(&[floating("180 day")]).stated("2026-01-10", None);
    assert_eq!(covered(a, shut, "2026-05-31"), None, "due in 39 days");
}

#[test]
fn scenario_041_the_smaller_restarts_with_the_larger_or_counts_on_its_grid() {
    let stretch = [("2026-05-01T00:00", "2026-05-21T00:00", "480")];
    let threshold = |input: TaskInput| {
        let row = input.ran(&stretch).closed(&["2026-05-21T00:00"]).row("2026-05-22");
        let Counted::Meter { threshold, .. } = row.clauses[0].counted else { panic!("a meter clause") };
        threshold
    };
    assert_eq!(threshold(task(&[run("250")])), Some(hours("730")));
    assert_eq!(threshold(task(&[run_fixed("250", "0")])), Some(hours("750")));
}

#[test]
fn scenarios_042_to_044_covering_is_one_way_transitive_and_without_cycles() {
    let [a, b, c] = [1, 2, 3].map(TaskId);
    let covers = Covers::new([(b, a), (c, b)]).expect("no cycle");
    assert!(!covers.covers(a, b) && covers.covers(c, a));
    assert_eq!(covers.covered_by(c).collect::<Vec<_>>(), [a, b]);
    let refused = Covers::new([(b, a), (a, b)]).expect_err("a cycle");
    assert_eq!(refused, CoverError::Cycle { cycle: vec![a, b, a] });
    assert_eq!(
        refused.to_string(),
        "task 1 covers itself (1 covers 2 covers 1); take one of these covers out"
    );
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
    let Counted::Meter { threshold, .. } = next.clauses[0].counted else { panic!("a meter clause") };
    assert_eq!(threshold, Some(hours("930")));
}

#[test]
fn scenario_050_of_two_changes_for_one_day_the_later_saved_counts() {
    let input =
        changed_interval("500", "400", ("2026-03-01T00:00", "100")).changed("2026-03-01", &[run("300")]);
    let Counted::Meter { threshold, .. } = input.row("2026-03-02").clauses[0].counted else {
        panic!("a meter")
    };
    assert_eq!(threshold, Some(hours("300")));
}

#[test]
fn scenarios_058_and_059_reached_means_at_least_and_an_idle_stretch_does_not_reach_it() {
    let base = task(&[run("500")]).stated("2026-01-01", Some("0"));
    let exactly = base.clone().ran(&[("2026-01-01T00:00", "2026-01-31T00:00", "500")]).row("2026-02-01");
    assert_eq!((exactly.due, exactly.kind), (Some(utc("2026-01-31T00:00")), DueKind::Exact));
    let stretches =
        [("2026-01-01T00:00", "2026-01-31T00:00", "499.9"), ("2026-02-21T06:00", "2026-02-21T14:00", "8")];
    assert_eq!(base.ran(&stretches).row("2026-02-22").due, Some(utc("2026-02-21T06:06")));
}

#[test]
fn scenarios_061_and_062_never_recorded_is_a_section_and_a_stated_start_is_told_as_stated() {
    let stretch =
        [("2025-01-01T00:00", "2025-11-02T00:00", "2900"), ("2025-11-02T00:00", "2025-12-01T00:00", "220")];
    let row = task(&[run("500")]).ran(&stretch).row("2025-12-01");
    assert_eq!((row.section, row.due, row.late), (Section::NeverRecorded, None, None));
    assert_eq!(standing(&row, utc("2026-12-01T00:00")), Standing::Unknown);
    let row = task(&[run("500")]).ran(&stretch).stated("2025-11-02", Some("2900")).row("2025-12-01");
    assert_eq!(row.clauses[0].base, Base::Stated(day("2025-11-02")));
    let Counted::Meter { threshold, h, meter, .. } = row.clauses[0].counted else { panic!("a meter clause") };
    assert_eq!((threshold, h, meter), (Some(hours("3400")), Some(hours("3120")), METER));
}

#[test]
fn scenarios_064_to_067_a_closed_due_day_moves_before_and_not_onto_the_last_closing() {
    let check = |interval: &str, last: &str, expect: &str| {
        let row = task(&[floating(interval)]).stated(last, None).row_under(&closed_days(), last);
        assert_eq!(date(row.due), expect, "{interval} from {last}");
    };
    check("30 day", "2026-04-30", "2026-05-29");
    check("30 day", "2026-03-07", "2026-04-02");
    check("30 day", "2026-12-05", "2026-12-23");
    check("1 week", "2026-12-21", "2026-12-23");
    check("3 day", "2026-12-23", "2027-01-07");
}

#[test]
fn scenario_068_the_move_never_shifts_the_grid_and_work_on_the_moved_day_counts() {
    let rule = rule_of(&[fixed("1 month", "2026-02-01")], Combine::Earliest, Window::STRICT);
    let input = order_of(rule);
    assert_eq!(date(input.row_under(&closed_days(), "2026-02-20").due), "2026-02-27");
    let met = satisfied(&input, &closed_days(), utc("2026-02-27T10:00")).expect("no meter");
    assert_eq!((met.extra_work, met.timing), (false, Timing::OnTime));
    let next = input.closed(&["2026-02-27T10:00"]).row_under(&closed_days(), "2026-02-28");
    assert_eq!(date(next.due), "2026-04-01");
}

#[test]
fn scenario_070_a_holiday_added_later_moves_the_day_and_the_order_keeps_its_number() {
    let input = task(&[floating("30 day")]).stated("2026-05-13", None);
    let before = input.row_under(&closed_days(), "2026-05-14");
    let holiday = weekday_calendar(Weekdays::MONDAY_TO_FRIDAY, &["2026-06-12"]);
    let after = input.row_under(&holiday, "2026-05-14");
    assert_eq!((date(before.due).as_str(), date(after.due).as_str()), ("2026-06-12", "2026-06-11"));
    assert_eq!(before.order, after.order);
}

#[test]
fn scenario_071_a_closed_day_with_recorded_hours_is_open_for_that_machine() {
    let saturday = [("2026-05-30T06:00", "2026-05-30T14:00", "8")];
    let meter = task(&[run("5")]).stated("2026-05-29", Some("0")).ran(&saturday);
    assert_eq!(meter.row_under(&closed_days(), "2026-05-30").due, Some(utc("2026-05-30T11:00")));
    let days = task(&[floating("30 day")]).stated("2026-04-30", None);
    assert_eq!(date(days.row_under(&closed_days(), "2026-05-30").due), "2026-05-29");
    let opened = days.ran(&saturday);
    assert_eq!(date(opened.row_under(&closed_days(), "2026-05-30").due), "2026-05-30");
    assert_eq!(
        date(opened.row_under(&closed_days(), "2026-05-29").due),
        "2026-05-29",
        "ahead only the calendar"
    );
}

#[test]
fn scenarios_072_073_and_080_night_shifts_over_a_change_of_the_clocks() {
    let check = |zone: &str, date: &str, quarters: i64| {
        let calendar = Calendar::every_day(Zone::parse(zone).expect("a zone"), WallTime::MIDNIGHT);
        let time = |text| WallTime::parse(text).expect("a time");
        let (start, end) = calendar.stretch(day(date).0, time("22:00"), time("06:00"));
        assert_eq!(end.micros_since(start), quarters * MICROS_PER_HOUR / 4, "{zone} {date}");
    };
    check("Europe/Berlin", "2026-03-28", 28);
    check("Europe/Berlin", "2026-10-24", 36);
    check("Australia/Lord_Howe", "2026-04-04", 34);
}

#[test]
fn scenarios_077_to_079_a_day_of_25_hours_and_days_that_start_within_the_change() {
    let calendar = |starts| Calendar::every_day(berlin(), WallTime::parse(starts).expect("a time"));
    let whole = calendar("06:00");
    let length = whole.end_of(day("2026-10-24")).micros_since(whole.start_of(day("2026-10-24")));
    assert_eq!(length, 25 * MICROS_PER_HOUR);
    let due = |yesterday: &str| {
        task(&[floating("1 day")]).stated(yesterday, None).row_under(&calendar("02:30"), yesterday).due
    };
    assert_eq!(due("2026-03-28"), Some(utc("2026-03-29T01:30")));
    assert_eq!(due("2026-10-24"), Some(utc("2026-10-25T00:30")));
}

#[test]
fn two_clauses_alike_and_other_rules_that_cannot_be_are_refused() {
    let check = |clauses: &[Clause], window: Window, expect: RuleError| {
        let (combine, closed_days) = (Combine::Earliest, ClosedDays::Move);
        let spec = RuleSpec { clauses: clauses.to_vec(), combine, window, closed_days };
        assert_eq!(IntervalRule::new(spec), Err(expect));
    };
    let month = floating("1 month");
    check(&[], Window::default(), RuleError::NoClause);
    check(&[month, run("5"), month], Window::default(), RuleError::Alike { first: 1, second: 3 });
    check(&[month], Window::Percent(51), RuleError::PercentOutOfRange(51));
    check(&[month], Window::Exact { days: 15, amount: Amount::ZERO }, RuleError::WindowTooWide(1));
    check(&[run("4")], Window::Exact { days: 0, amount: hours("2.1") }, RuleError::WindowTooWide(1));
    check(&[run("0")], Window::default(), RuleError::AmountOutOfRange { clause: 1, every: 0 });
    check(
        &[run_fixed("5", "-1")],
        Window::default(),
        RuleError::BaseOutOfRange { clause: 1, base: -3_600_000 },
    );
    let base = day("1969-12-31");
    check(
        &[fixed("1 day", "1969-12-31")],
        Window::default(),
        RuleError::BaseDayOutOfRange { clause: 1, base },
    );
    let many: Vec<Clause> = (1..=9).map(|n| floating(&format!("{n} day"))).collect();
    check(&many, Window::default(), RuleError::TooManyClauses(9));
}
