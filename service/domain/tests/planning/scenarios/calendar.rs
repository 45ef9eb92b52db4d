//! Days, months and years, recurrence rules, closed days, and the changes of the clocks.

use super::super::{
    Story, berlin, date, day, fixed, floating, order_of, recurring, rule_of, run, task, utc, weekday_calendar,
};
use super::{closed_days, dues};
use fettler_domain::calendar::{Calendar, CalendarError, CalendarSpec, Edge, WallTime, Weekdays, Zone};
use fettler_domain::plan::{DueKind, Timing, satisfied};
use fettler_domain::rule::{
    CalendarUnit, Clause, ClosedDays, Combine, CountsFrom, Every, IntervalRule, Recurrence, RuleSpec, Window,
};
use fettler_domain::time::{MICROS_PER_HOUR, MICROS_PER_MINUTE, ShopDay, Ts};

fn time(text: &str) -> WallTime {
    WallTime::parse(text).expect("a time of day")
}

fn days(rule: &str, from: &str, most: usize) -> Vec<String> {
    let recurrence = Recurrence::new(rule, day(from)).expect("a rule");
    recurrence.days().take(most).map(|day| day.to_string()).collect()
}

/// A calendar in Berlin that works every day and whose days start at this time.
fn starting(at: &str) -> Calendar {
    Calendar::every_day(berlin(), time(at))
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
fn scenario_004_a_recurrence_rule_leaves_out_days_that_do_not_exist() {
    assert_eq!(days("FREQ=MONTHLY", "2024-01-31", 3), ["2024-01-31", "2024-03-31", "2024-05-31"]);
    let input = task(&[recurring("FREQ=MONTHLY", "2024-01-31")]).closed(&["2024-01-31T10:00"]);
    assert_eq!(date(input.row("2024-02-01").due), "2024-03-31");
}

#[test]
fn scenario_005_a_yearly_rule_from_leap_day_comes_every_four_years() {
    assert_eq!(days("FREQ=YEARLY", "2024-02-29", 2)[1], "2028-02-29");
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
    let calendar = starting("06:00");
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
fn scenario_010_week_53_comes_in_some_years_only() {
    let rule = "FREQ=YEARLY;BYWEEKNO=53;BYDAY=MO";
    assert_eq!(days(rule, "2020-01-01", 2), ["2020-12-28", "2026-12-28"]);
}

#[test]
fn scenario_011_an_end_before_the_start_is_refused_by_its_name() {
    let refused =
        Recurrence::new("FREQ=DAILY;UNTIL=20251231", day("2026-01-01")).expect_err("over before").to_string();
    let expect = "has UNTIL=20251231; give a day that is not before 2026-01-01, at which the rule starts";
    assert_eq!(refused, expect);
}

#[test]
fn scenario_012_a_rule_that_never_occurs_is_refused() {
    let refused = Recurrence::new("FREQ=MONTHLY;BYMONTHDAY=31;BYMONTH=2", day("2026-01-01"))
        .expect_err("never")
        .to_string();
    assert!(refused.starts_with("gives no day within 20 years of 2026-01-01"), "{refused}");
}

/// The due day of a rule from the last closing, when that was on a day.
fn moved(interval: &str, last: &str) -> String {
    date(task(&[floating(interval)]).stated(last, None).row_under(&closed_days(), last).due)
}

#[test]
fn scenario_064_a_saturday_moves_to_friday() {
    assert_eq!(moved("30 day", "2026-04-30"), "2026-05-29");
}

#[test]
fn scenario_065_easter_monday_moves_before_good_friday() {
    assert_eq!(moved("30 day", "2026-03-07"), "2026-04-02");
}

#[test]
fn scenario_066_a_day_in_a_shutdown_moves_before_it() {
    assert_eq!(moved("30 day", "2026-12-05"), "2026-12-23");
}

#[test]
fn scenario_067_the_move_does_not_reach_the_last_closing() {
    assert_eq!(moved("1 week", "2026-12-21"), "2026-12-23");
    assert_eq!(moved("3 day", "2026-12-23"), "2027-01-07");
}

#[test]
fn scenario_068_the_move_never_shifts_the_grid_and_work_on_the_moved_day_counts() {
    let check = |clause: Clause| {
        let input = order_of(rule_of(&[clause], Combine::Earliest, Window::STRICT));
        assert_eq!(date(input.row_under(&closed_days(), "2026-02-20").due), "2026-02-27");
        let met = satisfied(&input, &closed_days(), utc("2026-02-27T10:00")).expect("no meter");
        assert_eq!((met.extra_work, met.timing), (false, Timing::OnTime));
        let next = input.closed(&["2026-02-27T10:00"]).row_under(&closed_days(), "2026-02-28");
        assert_eq!(date(next.due), "2026-04-01");
    };
    check(fixed("1 month", "2026-02-01"));
    check(recurring("FREQ=MONTHLY;BYMONTHDAY=1", "2026-03-01"));
}

#[test]
fn scenario_069_a_calendar_without_a_working_day_is_refused() {
    let worked = weekday_calendar(Weekdays::MONDAY_TO_FRIDAY, &[]);
    let mut spec: CalendarSpec = worked.spec().clone();
    spec.shifts[0].weekdays = Weekdays::default();
    assert_eq!(Calendar::new(spec), Err(CalendarError::NoWorkingDay));
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
    for clause in [floating("30 day"), recurring("FREQ=MONTHLY;BYMONTHDAY=30", "2026-05-30")] {
        let days = task(&[clause]).stated("2026-04-30", None);
        assert_eq!(date(days.row_under(&closed_days(), "2026-05-30").due), "2026-05-29");
        let opened = days.ran(&saturday);
        assert_eq!(date(opened.row_under(&closed_days(), "2026-05-30").due), "2026-05-30");
        let ahead = opened.row_under(&closed_days(), "2026-05-29").due;
        assert_eq!(date(ahead), "2026-05-29", "ahead only the calendar counts");
    }
}

/// How many quarters of an hour a night shift has that starts on a date.
fn night(zone: &str, date: &str) -> i64 {
    let calendar = Calendar::every_day(Zone::parse(zone).expect("a zone"), WallTime::MIDNIGHT);
    let (start, end) = calendar.stretch(day(date).0, time("22:00"), time("06:00"));
    end.micros_since(start) / (MICROS_PER_HOUR / 4)
}

#[test]
fn scenario_072_the_night_of_march_has_seven_hours() {
    assert_eq!(night("Europe/Berlin", "2026-03-28"), 7 * 4);
}

#[test]
fn scenario_073_the_night_of_october_has_nine_hours() {
    assert_eq!(night("Europe/Berlin", "2026-10-24"), 9 * 4);
}

#[test]
fn scenario_076_a_lead_is_taken_in_utc() {
    // 03:15 summer time is 01:15Z; half an hour before is 00:45Z, which is 01:45 by the clock that is still in winter.
    let (start, _) = starting("06:00").stretch(day("2026-03-29").0, time("03:15"), time("11:15"));
    assert_eq!(start, utc("2026-03-29T01:15"));
    let lead = start.plus_micros(-30 * MICROS_PER_MINUTE);
    assert_eq!(lead, utc("2026-03-29T00:45"));
    assert_eq!(berlin().to_wall(lead), super::super::wall("2026-03-29T01:45"));
}

#[test]
fn scenario_077_a_day_of_25_hours() {
    let calendar = starting("06:00");
    let day = day("2026-10-24");
    assert_eq!(calendar.end_of(day).micros_since(calendar.start_of(day)), 25 * MICROS_PER_HOUR);
}

/// When a daily task is due whose shop days start at 02:30, the day after one on which it was done.
fn due_at_half_past_two(yesterday: &str) -> Option<Ts> {
    task(&[floating("1 day")]).stated(yesterday, None).row_under(&starting("02:30"), yesterday).due
}

#[test]
fn scenario_078_half_past_two_that_does_not_exist_is_half_past_three() {
    assert_eq!(due_at_half_past_two("2026-03-28"), Some(utc("2026-03-29T01:30")));
}

#[test]
fn scenario_079_half_past_two_that_comes_twice_is_the_first() {
    assert_eq!(due_at_half_past_two("2026-10-24"), Some(utc("2026-10-25T00:30")));
}

#[test]
fn scenario_080_the_night_of_lord_howe_has_eight_hours_and_a_half() {
    assert_eq!(night("Australia/Lord_Howe", "2026-04-04"), 8 * 4 + 2);
}

#[test]
fn scenario_081_24_hours_are_not_a_day() {
    // Hours on the clock are those of a meter that never stands still; a day is a shop day, here from 10:00 on.
    let calendar = starting("10:00");
    let stretch = [("2026-03-28T09:00", "2026-03-30T09:00", "48")];
    let hours =
        task(&[run("24")]).closed(&["2026-03-28T09:00"]).ran(&stretch).row_under(&calendar, "2026-03-30");
    assert_eq!((hours.kind, hours.due), (DueKind::Exact, Some(utc("2026-03-29T09:00"))), "11:00 in Berlin");
    let days = task(&[floating("1 day")]).closed(&["2026-03-28T09:00"]).row_under(&calendar, "2026-03-28");
    assert_eq!(days.due, Some(utc("2026-03-29T08:00")), "10:00 in Berlin");
}

#[test]
fn scenario_082_the_local_time_stays_when_the_zone_changes_and_what_was_done_stays_where_it_was() {
    // As if Berlin went over to the time of Moscow: the days and times of day that were stated stay, closings are instants.
    let input = task(&[floating("30 day")]).closed(&["2026-11-03T10:00"]);
    let under = |zone: &str| {
        let calendar = Calendar::every_day(Zone::parse(zone).expect("a zone"), time("06:00"));
        let row = input.row_under(&calendar, "2026-11-04");
        let due = row.due.expect("a day");
        (calendar.zone().to_wall(due), due, row.clauses[0].base)
    };
    let (before, after) = (under("Europe/Berlin"), under("Europe/Moscow"));
    assert_eq!((before.0, before.2), (after.0, after.2));
    assert_eq!(before.1.micros_since(after.1), 2 * MICROS_PER_HOUR);
    let row = input.row("2026-11-04");
    assert_eq!(row.stamp.zone_data, chrono_tz::IANA_TZDB_VERSION, "rows of other data are computed afresh");
    let wall = super::super::wall("2026-11-03T06:00");
    assert_eq!(berlin().to_utc(wall, Edge::Start), utc("2026-11-03T05:00"));
    assert_eq!(ShopDay(wall.date()), day("2026-11-03"));
}
