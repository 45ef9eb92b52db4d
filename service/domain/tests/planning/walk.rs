//! Looking ahead: how often tasks are expected to fall due, month by month.

use crate::{
    METER, Story, day, fixed, floating, hours, order_of, plain, recurring, rule_of, run, task, utc,
    weekday_calendar,
};
use fettler_domain::calendar::{Calendar, Weekdays};
use fettler_domain::forecast::{
    Course, Days, Due, FleetFigures, Hours, Likeness, Outlook, PlannedUse, Statistics,
};
use fettler_domain::ids::{OrderNumber, TaskId};
use fettler_domain::ledger::history::{History, Segment};
use fettler_domain::plan::{
    BearingDays, CLOSINGS_MAX, Covers, LookAhead, MeterForecast, MeterInput, Rest, TaskInput, WalkInput,
    WhyNone, look_ahead,
};
use fettler_domain::quantity::{Amount, MaxPerHour, Unit};
use fettler_domain::rule::{Clause, Combine, Window};
use std::sync::Arc;

/// A machine with these orders, numbered from 1 as their tasks are.
fn machine(orders: Vec<TaskInput>) -> WalkInput {
    let meters = orders.first().map(|order| order.meters.clone()).unwrap_or_default();
    let number = |(n, order): (i64, TaskInput)| TaskInput {
        order: OrderNumber(n),
        task: Some(TaskId(n)),
        meters: std::collections::BTreeMap::new(),
        ..order
    };
    let orders = (1..).zip(orders).map(number).collect();
    WalkInput { orders, meters, rests: Vec::new(), covers: Covers::default() }
}

fn ahead(machine: &WalkInput, calendar: &Calendar, as_of: &str, until: &str) -> LookAhead {
    let mut machine = machine.clone();
    for forecast in machine.meters.values_mut().filter_map(|meter| meter.forecast.as_mut()) {
        Arc::make_mut(forecast).from = calendar.start_of(day(as_of));
    }
    look_ahead(&machine, calendar, day(as_of), day(until)).expect("every month is loaded")
}

fn times(ahead: &LookAhead, task: usize) -> Vec<u32> {
    ahead.tasks[task].months.iter().map(|month| month.times).collect()
}

/// A meter that counted 240 h in December 2025 and is expected to run on like this.
fn meter(outlook: Outlook) -> MeterInput {
    let ran = Segment { start: utc("2025-12-01T00:00"), end: utc("2025-12-31T00:00"), amount: hours("240") };
    let forecast = MeterForecast {
        outlook,
        from: utc("2026-01-01T00:00"),
        most: MaxPerHour::ONE_HOUR_AN_HOUR,
        reports: 30,
        last_28_days: Amount::ZERO,
        likeness: Likeness::Assumed,
        days: BearingDays::OwnWeek,
        planned_to: None,
    };
    let forecast = Some(Arc::new(forecast));
    MeterInput { unit: Unit::Hours, history: History::from_segments([ran]), forecast }
}

/// About 8 h a day, as sure as 100 days of it make.
fn unsure() -> Outlook {
    let own = Statistics {
        reports: 100,
        age: Days(100.0),
        weighted_hours: Hours(560.0),
        weighted_days: Days(70.0),
        ..Statistics::NONE
    };
    Outlook::with_course(&own, &FleetFigures::ASSUMED, Course::EVEN)
}

/// So many hours every day for 800 days, as planned: certain at every chance.
fn certain(hours_a_day: f64) -> Outlook {
    let plan = PlannedUse { start: Days(0.0), end: Days(800.0), hours: Hours(800.0 * hours_a_day) };
    let course = Course::EVEN.with_planned(&[plan]);
    Outlook::with_course(&Statistics::NONE, &FleetFigures::ASSUMED, course)
}

fn running(outlook: Outlook, orders: Vec<TaskInput>) -> WalkInput {
    let mut machine = machine(orders);
    machine.meters.insert(METER, meter(outlook));
    machine
}

#[test]
fn days_of_the_calendar_are_counted_exactly() {
    // From 2026-01-15 to 2027-03-20, each closed on its due day; python-dateutil 2.9.0: `relativedelta` added to the
    // day before for those from the last closing, to the base k times for those on a grid, `rrulestr` for rules.
    #[rustfmt::skip]
    let cases: [(Clause, &str, [u32; 15]); 8] = [
        (floating("1 month"), "2025-12-31", [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0]),
        (floating("30 day"), "2026-01-10", [0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1]),
        (floating("2 week"), "2026-01-10", [1, 2, 2, 2, 3, 2, 2, 2, 2, 3, 2, 2, 2, 2, 2]),
        (fixed("1 month", "2025-12-31"), "2025-12-31", [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0]),
        (fixed("1 year", "2024-02-29"), "2025-02-28", [0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0]),
        (recurring("FREQ=MONTHLY;BYDAY=1MO", "2026-01-15"), "2026-01-10", [0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1]),
        (recurring("FREQ=WEEKLY;BYDAY=MO,WE,FR", "2026-01-15"), "2026-01-10", [7, 12, 13, 13, 13, 13, 14, 13, 13, 13, 13, 13, 13, 12, 9]),
        (recurring("FREQ=MONTHLY;BYMONTHDAY=-1;COUNT=6", "2026-01-15"), "2026-01-10", [1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0]),
    ];
    let orders =
        cases.iter().map(|(clause, last, _)| task(std::slice::from_ref(clause)).stated(last, None)).collect();
    let found = ahead(&machine(orders), &plain(), "2026-01-15", "2027-03-20");
    for (place, (clause, _, expect)) in cases.iter().enumerate() {
        assert_eq!(times(&found, place), expect, "{clause:?}");
        for month in &found.tasks[place].months {
            assert_eq!(month.by_then, month.by_then_p90, "nothing is in doubt: {clause:?}");
        }
    }
    assert_eq!((found.cut_off, found.tasks[0].months.len()), (None, 15));
}

#[test]
fn a_certain_rate_gives_what_a_hand_reckons() {
    // 8 h every day: 100 h are 12.5 days, so it falls due on 13 and 26 January, 7 and 20 February (0:00), 4, 17 (0:00)
    // and 29 March. Every 100 h or 12 days, the days come first: each on the 12th day after, six times in 78 days.
    let done = |clauses: &[Clause]| task(clauses).closed(&["2025-12-31T12:00"]);
    let orders = vec![done(&[run("100")]), done(&[run("100"), floating("12 day")]), done(&[run("1000")])];
    let found = ahead(&running(certain(8.0), orders), &plain(), "2026-01-01", "2026-03-30");
    assert_eq!(times(&found, 0), [2, 2, 3]);
    assert_eq!(times(&found, 1), [2, 2, 3], "12 and 24 January, 5 and 17 February, 1, 13 and 25 March");
    assert_eq!(times(&found, 2), [0; 3], "1000 h take 125 days");
    let last = found.tasks[0].months[2];
    assert_eq!((last.by_then, last.by_then_p90), (7, 7));
}

#[test]
fn the_count_of_a_threshold_is_its_quantile() {
    // Each 60 h: so many of them are reached by a month's end with a chance as the passage itself says, and what is
    // exceeded with one chance in ten is what the early quantile reaches.
    let outlook = unsure();
    let order = task(&[run("60")]).closed(&["2025-12-31T12:00"]);
    let found = ahead(&running(outlook.clone(), vec![order]), &plain(), "2026-01-01", "2026-12-31");
    let reached = |chance: f64, days: f64| {
        let by = |n: &u32| outlook.quantile(Hours(f64::from(60 * n)), chance).is_some_and(|at| at.0 < days);
        u32::try_from((1..=1_000).take_while(by).count()).expect("few")
    };
    let mut days = 0.0;
    let mut apart = 0;
    for month in &found.tasks[0].months {
        let next = month.month.0.checked_add_months(chrono::Months::new(1)).expect("a month");
        days += f64::from(u32::try_from((next - month.month.0).num_days()).expect("days of a month"));
        assert_eq!((month.by_then, month.by_then_p90), (reached(0.5, days), reached(0.1, days)), "{month:?}");
        apart += month.by_then_p90 - month.by_then;
    }
    assert!(apart > 20, "the quick pace is no other than the middle one");
}

#[test]
fn a_longer_horizon_changes_no_month_that_a_shorter_one_has_whole() {
    let orders = || {
        let done = |clauses: &[Clause]| task(clauses).closed(&["2025-12-31T12:00"]);
        vec![
            done(&[run("77"), floating("1 month")]),
            done(&[run("40")]),
            done(&[fixed("3 week", "2025-12-01")]),
        ]
    };
    let calendar = weekday_calendar(Weekdays::MONDAY_TO_FRIDAY, &["2026-08-03/2026-08-21"]);
    let machine = running(unsure(), orders());
    let long = ahead(&machine, &calendar, "2026-01-05", "2027-01-31");
    for until in ["2026-01-31", "2026-04-30", "2026-11-30"] {
        let short = ahead(&machine, &calendar, "2026-01-05", until);
        for (short, long) in short.tasks.iter().zip(&long.tasks) {
            assert_eq!(short.months, long.months[..short.months.len()], "until {until}");
        }
    }
    for task in &long.tasks {
        assert!(task.months.is_sorted_by_key(|month| (month.by_then, month.by_then_p90)));
        assert!(task.months.iter().all(|month| month.by_then <= month.by_then_p90), "{task:?}");
        assert_eq!(task.months.iter().map(|month| month.times).sum::<u32>(), task.months[12].by_then);
    }
}

#[test]
fn the_first_occurrence_is_the_planner_s_own() {
    // Whatever day the plan row gives, a horizon to that day holds it and one to the day before does not.
    let order = task(&[run("100")]).closed(&["2025-12-31T12:00"]);
    let Due::Ahead(quantiles) = unsure().due(Hours(100.0)) else { panic!("not reached") };
    let start = utc("2026-01-01T00:00");
    let day_of = |days: Option<Days>| plain().shop_day_of(days.expect("soon").after(start));
    let machine = running(unsure(), vec![order]);
    let by =
        |until| look_ahead(&machine, &plain(), day("2026-01-01"), until).expect("loaded").tasks[0].months[0];
    let (p10, p50) = (day_of(quantiles.p10), day_of(quantiles.p50));
    assert!(p10 < p50 && p50 < day("2026-02-01"), "{p10} {p50}");
    assert_eq!((by(p50.plus_days(-1)).by_then, by(p50).by_then), (0, 1));
    assert_eq!((by(p10.plus_days(-1)).by_then_p90, by(p10).by_then_p90), (0, 1));
}

#[test]
fn what_a_larger_task_does_is_not_counted_beside_it() {
    let stated = |text: &str, last: &str| task(&[floating(text)]).stated(last, None);
    let mut machine = machine(vec![stated("4 week", "2025-12-27"), stated("1 week", "2025-12-27")]);
    let apart = ahead(&machine, &plain(), "2026-01-01", "2026-12-31");
    machine.covers = Covers::new([(TaskId(1), TaskId(2))]).expect("no cycle");
    let together = ahead(&machine, &plain(), "2026-01-01", "2026-12-31");
    // 53 Saturdays from 3 January 2026 on, less one; every fourth of them is the larger task's.
    assert_eq!((apart.tasks[0].months[11].by_then, apart.tasks[1].months[11].by_then), (13, 52));
    assert_eq!((together.tasks[0].months[11].by_then, together.tasks[1].months[11].by_then), (13, 39));
    assert_eq!((apart.tasks[1].with_larger, together.tasks[1].with_larger), (0, 13));
}

#[test]
fn what_is_due_already_counts_today_and_once() {
    let found = ahead(
        &machine(vec![task(&[floating("1 month")]).stated("2025-10-10", None)]),
        &plain(),
        "2026-01-15",
        "2026-03-31",
    );
    // Done on 15 January, it falls due on the 15th of each month.
    assert_eq!(times(&found, 0), [1, 1, 1]);
}

#[test]
fn closed_days_and_a_rule_that_changes_are_the_planner_s() {
    // Every two days, moved off weekends to the Friday before or the Monday after: 3 in a week at most.
    let calendar = weekday_calendar(Weekdays::MONDAY_TO_FRIDAY, &[]);
    let walked = ahead(
        &machine(vec![task(&[floating("2 day")]).stated("2025-12-31", None)]),
        &calendar,
        "2026-01-01",
        "2026-12-31",
    );
    assert!((120..=157).contains(&walked.tasks[0].months[11].by_then), "{walked:?}");
    let order = task(&[run("10000")]).closed(&["2025-12-31T12:00"]).changed("2026-03-01", &[run("80")]);
    let found = ahead(&running(certain(8.0), vec![order]), &plain(), "2026-01-01", "2026-04-10");
    // 80 h had run by 11 January; the new rule makes it due on its first day, then every 10 days.
    assert_eq!(times(&found, 0), [0, 0, 4, 1], "1, 11, 21 and 31 March, 10 April");
}

#[test]
fn what_cannot_be_expected_says_why() {
    let never = task(&[floating("1 month")]);
    let over = task(&[recurring("FREQ=WEEKLY;COUNT=2", "2026-01-01")]).stated("2026-01-08", None);
    let latest = order_of(rule_of(&[run("100"), floating("1 month")], Combine::Latest, Window::default()))
        .closed(&["2025-12-31T12:00"]);
    let mut machine = running(certain(8.0), vec![never, over, latest]);
    let found = ahead(&machine, &plain(), "2026-01-10", "2026-06-30");
    let none: Vec<Option<WhyNone>> = found.tasks.iter().map(|task| task.none).collect();
    assert_eq!(none, [Some(WhyNone::NeverRecorded), Some(WhyNone::Ended), None]);
    machine.rests = vec![Rest { from: utc("2026-01-02T00:00"), until: None }];
    let resting = ahead(&machine, &plain(), "2026-01-10", "2026-06-30");
    assert!(resting.tasks.iter().all(|task| task.none == Some(WhyNone::Resting)), "{resting:?}");
    assert!(resting.tasks.iter().all(|task| task.months.iter().all(|month| month.by_then_p90 == 0)));
}

#[test]
fn a_walk_is_bounded_and_says_so() {
    // 24 h every day and a task of every 3 h: eight times a day.
    let order = task(&[run("3")]).closed(&["2025-12-31T12:00"]);
    let found = ahead(&running(certain(24.0), vec![order]), &plain(), "2026-01-01", "2028-12-31");
    let days = i64::try_from(CLOSINGS_MAX).expect("few") / 8;
    let cut_off = found.cut_off.expect("more than are walked");
    assert!((days - 2..=days).contains(&cut_off.days_since(day("2026-01-01"))), "{cut_off}");
}
