//! The days on which a site works, in the forecast.

use crate::{day, reported};
use chrono::NaiveDate;
use fettler_domain::calendar::{Calendar, CalendarSpec, Closure, Shift, WallTime, Weekdays, Zone};
use fettler_domain::forecast::{Course, Due, Fleet, Hours, Outlook, Usage, UsageSummary, WorkDays};
use fettler_domain::ledger::history::Segment;
use fettler_domain::plan::{BearingDays, Ground, MeterForecast};
use fettler_domain::planned::{Period, Planned, PlannedStretch};
use fettler_domain::quantity::{Amount, MaxPerHour, Unit};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::{MICROS_PER_HOUR, ShopDay, Ts};

fn date(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

/// Early shifts from Monday to Friday, in UTC, with these closures.
fn calendar(closures: &[(&str, &str)]) -> Calendar {
    let time = |text| WallTime::parse(text).expect("a time");
    let closures = closures.iter().map(|(first, last)| Closure {
        name: Name::new("closed").expect("a name"),
        first: date(first),
        last: date(last),
    });
    Calendar::new(CalendarSpec {
        revision: 0,
        zone: Zone::UTC,
        day_starts_at: time("06:00"),
        shifts: vec![Shift {
            key: Key::new("early").expect("a key"),
            weekdays: Weekdays::MONDAY_TO_FRIDAY,
            starts: time("06:00"),
            ends: time("14:00"),
        }],
        closures: closures.collect(),
        extra_shifts: Vec::new(),
    })
    .expect("a calendar")
}

/// Monday 30 November 2026.
const TODAY: ShopDay = ShopDay(NaiveDate::from_ymd_opt(2026, 11, 30).expect("a date"));

/// 7 h on each of the days before that `ran` picks, in a stretch of the early shift.
fn past(calendar: &Calendar, days: i64, ran: impl Fn(ShopDay) -> bool) -> Vec<(Ts, Amount)> {
    let days = (1..=days).map(|back| TODAY.plus_days(-back)).filter(|day| ran(*day));
    days.map(|day| {
        let end = calendar.start_of(day).plus_micros(8 * MICROS_PER_HOUR);
        (end, Amount(7 * Unit::Hours.per_unit()))
    })
    .collect()
}

fn forecast(calendar: &Calendar, past: Vec<(Ts, Amount)>, planned: &Planned) -> MeterForecast {
    let work_days = WorkDays::around(calendar, TODAY);
    let ground = Ground {
        most: MaxPerHour::ONE_HOUR_AN_HOUR,
        fleet: Fleet::ASSUMED,
        work_days: work_days.as_ref(),
        planned,
        rests: &[],
    };
    let eight_hours =
        |(end, amount): (Ts, Amount)| Segment { start: end.plus_micros(-8 * MICROS_PER_HOUR), end, amount };
    let usage = UsageSummary::of(past.into_iter().map(eight_hours), calendar, TODAY);
    MeterForecast::of(&usage, None, ground, calendar)
}

fn median(forecast: &MeterForecast, hours: f64) -> f64 {
    match forecast.outlook.due(Hours(hours)) {
        Due::Ahead(quantiles) => quantiles.p50.expect("a median").0,
        Due::Reached => panic!("{hours} h are ahead"),
    }
}

#[test]
fn a_calendar_without_shifts_and_closed_days_says_nothing() {
    let every_day = Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT);
    assert_eq!(WorkDays::around(&every_day, TODAY), None);
    assert!(WorkDays::around(&calendar(&[]), TODAY).is_some());
}

#[test]
fn hours_fall_on_worked_days_and_a_shutdown_puts_them_off() {
    let open = calendar(&[]);
    let shut = calendar(&[("2026-12-21", "2027-01-03")]);
    let ran = past(&open, 120, |day| open.is_worked(day));
    let (without, with) =
        (forecast(&open, ran.clone(), &Planned::default()), forecast(&shut, ran, &Planned::default()));
    assert_eq!(with.days, BearingDays::Calendar);
    // 5 h a day on the mean are 7 h on each of five days a week: 66 h end on the tenth of those, Friday in two weeks.
    let before = median(&with, 66.0);
    assert!((11.0..12.1).contains(&before), "{before}");
    assert!((before - median(&without, 66.0)).abs() < 1e-9, "what lies before the shutdown is as without it");
    for hours in [150.0, 300.0] {
        let later = median(&with, hours) - median(&without, hours);
        assert!((later - 14.0).abs() < 0.01, "{hours} h: {later}");
    }
}

#[test]
fn a_machine_that_strays_from_the_calendar_keeps_its_own_week() {
    let calendar = calendar(&[]);
    let check = |ran: Vec<(Ts, Amount)>, expect: BearingDays| {
        assert_eq!(forecast(&calendar, ran, &Planned::default()).days, expect);
    };
    check(past(&calendar, 120, |_| true), BearingDays::OwnWeek);
    // One Saturday in a quarter is no week of its own.
    let one = TODAY.plus_days(-16);
    check(past(&calendar, 120, |day| calendar.is_worked(day) || day == one), BearingDays::Calendar);
    check(Vec::new(), BearingDays::Calendar);
}

#[test]
fn a_new_machine_is_not_charged_with_a_shutdown_before_its_time() {
    // Closed for eight weeks, until two before; the machine has run since.
    let calendar = calendar(&[("2026-09-14", "2026-11-01")]);
    let before = past(&calendar, 28, |day| calendar.is_worked(day));
    let with = forecast(&calendar, before.clone(), &Planned::default());
    let usual = forecast(&self::calendar(&[]), before, &Planned::default());
    assert!((median(&with, 70.0) - median(&usual, 70.0)).abs() < 1e-9);
}

#[test]
fn plans_take_the_place_of_the_calendar_in_their_period() {
    let calendar = calendar(&[]);
    let ran = past(&calendar, 120, |day| calendar.is_worked(day));
    let at =
        |day: i64, hour: i64| calendar.start_of(TODAY.plus_days(day)).plus_micros(hour * MICROS_PER_HOUR);
    let shift = |day, hours: i64| PlannedStretch {
        start: at(day, 0),
        end: at(day, 8),
        amount: Amount(hours * Unit::Hours.per_unit()),
    };
    // A week with two shifts of 8 h, then as usual: 30 h are 16 and two days of 7.
    let period = Period { from: at(0, 0), until: at(7, 0) };
    let planned = Planned::new(vec![period], vec![shift(2, 8), shift(0, 8)]);
    let with = forecast(&calendar, ran.clone(), &planned);
    assert_eq!(with.planned_to, Some(at(7, 0)));
    let half = median(&with, 12.0);
    assert!((half - (2.0 + 4.0 / 24.0)).abs() < 1e-6, "4 h into the second shift: {half}");
    let after = median(&with, 30.0);
    assert!((8.8..9.2).contains(&after), "{after}");
    // What lies behind has no part in it.
    let over = Planned::new(vec![Period { from: at(-9, 0), until: at(-2, 0) }], vec![shift(-8, 8)]);
    let without = forecast(&calendar, ran, &Planned::default());
    assert_eq!(forecast(&calendar, past(&calendar, 120, |day| calendar.is_worked(day)), &over), without);
}

#[test]
fn days_alike_are_one_stretch_and_the_answers_are_the_same() {
    let usage = Usage::of((0..100).map(|d| reported(f64::from(d), 6.0)));
    let worked = |days: i32| (0..days).map(|day| day % 7 < 5).collect::<Vec<bool>>();
    let own = usage.statistics(day(100.0));
    let of = |ahead: &[bool]| {
        let course = Course::of_calendar(&worked(91), ahead);
        Outlook::with_course(&own, &Fleet::ASSUMED.figures, course)
    };
    // The same days, of which the last are told or left out: what is asked lies before them.
    let (long, short) = (of(&worked(700)), of(&worked(350)));
    for hours in [5.0, 60.0, 400.0] {
        let (long, short) = (long.quantile(Hours(hours), 0.5), short.quantile(Hours(hours), 0.5));
        let apart = long.expect("a median").0 - short.expect("a median").0;
        assert!(apart.abs() < 1e-6, "{hours} h: {apart}");
    }
}
