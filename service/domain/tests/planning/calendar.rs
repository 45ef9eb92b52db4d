//! The calendar against `tests/data/calendar_cases.csv`, printed by `tests/oracle/calendar_cases.py` (Python's
//! zoneinfo and dateutil), and what it refuses.

use super::{berlin, day, every, plain, rows_of, utc, wall, weekday_calendar};
use fettler_domain::calendar::{
    Calendar, CalendarError, CalendarSpec, Closure, Edge, ExtraShift, Shift, WallTime, Weekdays, Zone,
};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::{MICROS_PER_HOUR, ShopDay, Ts};
use std::path::PathBuf;

fn time(text: &str) -> WallTime {
    WallTime::parse(text).expect("a time of day")
}

fn check(kind: &str, what: &str, given: &str, expect: &str) {
    let case = format!("{kind} {what} {given}");
    let (first, second) = given.split_once(' ').unwrap_or((given, ""));
    match kind {
        "wall" => {
            let edge = if second == "start" { Edge::Start } else { Edge::End };
            let zone = Zone::parse(what).expect("a known zone");
            assert_eq!(zone.to_utc(wall(first), edge), utc(expect), "{case}");
        }
        "after" => {
            let after = every(what).after(day(first), second.parse().expect("a number"));
            assert_eq!(after, day(expect), "{case}");
        }
        "night" => {
            let calendar = Calendar::every_day(Zone::parse(what).expect("a known zone"), time(second));
            let (start, end) = calendar.stretch(day(first).0, time("22:00"), time("06:00"));
            let quarters = end.micros_since(start) / (MICROS_PER_HOUR / 4);
            let (length, shop_day) = expect.split_once(' ').expect("hours and day");
            let length: f64 = length.parse().expect("hours");
            assert_eq!(quarters.to_string(), (length * 4.0).to_string(), "{case}: hours");
            assert_eq!(calendar.shop_day_of_shift(start, end), day(shop_day), "{case}: shop day");
        }
        "day" => {
            let calendar = Calendar::every_day(Zone::parse(what).expect("a known zone"), time(second));
            let (at, expect) = (utc(first), day(expect));
            assert_eq!(calendar.shop_day_of(at), expect, "{case}");
            assert!(calendar.start_of(expect) <= at && at < calendar.end_of(expect), "{case}: holds it");
        }
        "closed" => {
            let closed: Vec<&str> = what.split(' ').collect();
            let calendar = weekday_calendar(Weekdays::MONDAY_TO_FRIDAY, &closed);
            assert_eq!(calendar.move_off_closed(day(given), None, |_| false), day(expect), "{case}");
        }
        other => panic!("kind `{other}`"),
    }
}

#[test]
fn calendar_cases() {
    let path = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/calendar_cases.csv"));
    let mut kinds = std::collections::BTreeSet::new();
    for row in rows_of(&path) {
        check(&row[0], &row[1], &row[2], &row[3]);
        kinds.insert(row[0].to_owned());
    }
    assert_eq!(kinds.len(), 5, "every kind of case is there: {kinds:?}");
}

fn spec() -> CalendarSpec {
    let shift = |key: &str, weekdays, starts: &str, ends: &str| Shift {
        key: Key::new(key).expect("a key"),
        weekdays,
        starts: time(starts),
        ends: time(ends),
    };
    CalendarSpec {
        revision: 3,
        zone: berlin(),
        day_starts_at: time("06:00"),
        shifts: vec![
            shift("early", Weekdays::MONDAY_TO_FRIDAY, "06:00", "14:00"),
            shift("night", Weekdays::MONDAY_TO_FRIDAY, "22:00", "06:00"),
        ],
        closures: Vec::new(),
        extra_shifts: Vec::new(),
    }
}

fn closure(first: &str, last: &str) -> Closure {
    Closure { name: Name::new("shutdown").expect("a name"), first: day(first).0, last: day(last).0 }
}

#[test]
fn a_date_that_the_zone_leaves_out_still_has_a_shop_day() {
    // Apia went from 29 to 31 December 2011 (IANA time zone data).
    let apia = Zone::parse("Pacific/Apia").expect("a known zone");
    let calendar = Calendar::every_day(apia, time("06:00"));
    let bounds = ["2011-12-29", "2011-12-30", "2011-12-31"].map(|text| calendar.start_of(day(text)));
    assert_eq!(bounds, [utc("2011-12-29T16:00"), utc("2011-12-30T10:00"), utc("2011-12-30T16:00")]);
    assert_eq!(calendar.shop_day_of(utc("2011-12-30T15:59")), day("2011-12-30"));
}

#[test]
fn the_first_and_the_last_instant_have_a_shop_day() {
    for zone in ["UTC", "Pacific/Apia", "America/New_York"] {
        let calendar = Calendar::every_day(Zone::parse(zone).expect("a known zone"), time("06:00"));
        let last = calendar.shop_day_of(Ts::MAX);
        assert!(last >= ShopDay::LAST.plus_days(-1), "{zone}: {last}");
        assert!(calendar.shop_day_of(Ts::MIN) <= ShopDay::FIRST, "{zone}");
    }
}

#[test]
fn a_night_shift_belongs_to_the_day_on_which_it_starts() {
    let calendar = Calendar::new(spec()).expect("a calendar");
    // Friday: its night shift ends on Saturday morning, when summer time is still a day away.
    let friday = calendar.shifts_of(day("2026-03-27"));
    let seen: Vec<_> = friday.iter().map(|shift| (shift.key.as_str(), shift.start, shift.end)).collect();
    let expect = [
        ("early", utc("2026-03-27T05:00"), utc("2026-03-27T13:00")),
        ("night", utc("2026-03-27T21:00"), utc("2026-03-28T05:00")),
    ];
    assert_eq!(seen, expect);
    assert!(calendar.shifts_of(day("2026-03-28")).is_empty() && !calendar.is_worked(day("2026-03-28")));
}

#[test]
fn a_closure_ends_the_weekly_shifts_and_an_extra_shift_opens_a_closed_day() {
    let extra = ExtraShift {
        key: Key::new("overtime").expect("a key"),
        date: day("2026-05-01").0,
        starts: time("08:00"),
        ends: time("12:00"),
    };
    let closed = CalendarSpec { closures: vec![closure("2026-05-01", "2026-05-01")], ..spec() };
    let calendar = Calendar::new(closed.clone()).expect("a calendar");
    assert!(!calendar.is_worked(day("2026-05-01")) && calendar.shifts_of(day("2026-05-01")).is_empty());
    let opened = Calendar::new(CalendarSpec { extra_shifts: vec![extra], ..closed }).expect("a calendar");
    let shifts = opened.shifts_of(day("2026-05-01"));
    assert!(opened.is_worked(day("2026-05-01")) && shifts.len() == 1 && shifts[0].extra);
}

#[test]
fn a_calendar_is_stored_and_checked_again_when_read() {
    let calendar = Calendar::new(spec()).expect("a calendar");
    let text = serde_json::to_string(&calendar).expect("it is plain data");
    assert_eq!(serde_json::from_str::<Calendar>(&text).expect("the same"), calendar);
    let broken = text.replace("Europe/Berlin", "Europe/Berlim");
    let why = serde_json::from_str::<Calendar>(&broken).expect_err("an unknown zone").to_string();
    assert!(why.contains("did you mean `Europe/Berlin`?"), "{why}");
}

#[test]
fn a_calendar_that_cannot_be_is_refused_with_the_remedy() {
    let check = |change: fn(&mut CalendarSpec), expect: &str| {
        let mut changed = spec();
        change(&mut changed);
        assert_eq!(Calendar::new(changed).expect_err(expect).to_string(), expect);
    };
    check(
        |spec| spec.shifts.iter_mut().for_each(|shift| shift.weekdays = Weekdays::default()),
        "no shift has a weekday, so no day would be worked; give a shift its weekdays or leave all shifts out",
    );
    check(
        |spec| spec.shifts[1].key = spec.shifts[0].key.clone(),
        "shift `early` is given twice; give each shift its own key",
    );
    check(
        |spec| spec.closures.push(closure("2026-05-02", "2026-05-01")),
        "closure `shutdown` ends on 2026-05-01, before it starts on 2026-05-02; swap the two",
    );
    check(
        |spec| spec.closures.push(closure("2026-01-01", "2027-01-02")),
        "closure `shutdown` is 367 days long; give at most 366, or lay the machines up instead",
    );
    check(
        |spec| {
            spec.closures.push(closure("2026-01-01", "2026-01-01"));
            spec.closures.push(closure("2026-01-02", "2027-01-02"));
            spec.closures.push(closure("2027-01-03", "2028-01-03"));
        },
        "no day is worked in the 400 days after 2026-01-01; shorten the closures there",
    );
    let many = vec![closure("2026-01-01", "2026-01-01"); 1_001];
    let refused = Calendar::new(CalendarSpec { closures: many, ..spec() });
    assert_eq!(refused, Err(CalendarError::TooMany { what: "closures", count: 1_001, max: 1_000 }));
}

#[test]
fn a_due_day_that_would_reach_the_last_closing_goes_behind_the_closed_days() {
    let calendar = weekday_calendar(Weekdays::MONDAY_TO_FRIDAY, &["2026-12-24/2027-01-06"]);
    let moved = |due: &str, last: &str| calendar.move_off_closed(day(due), Some(day(last)), |_| false);
    assert_eq!(moved("2026-12-28", "2026-12-22"), day("2026-12-23"));
    assert_eq!(moved("2026-12-28", "2026-12-23"), day("2027-01-07"));
    let opened = |open: ShopDay| open == day("2026-12-27");
    assert_eq!(calendar.move_off_closed(day("2026-12-28"), None, opened), day("2026-12-27"));
}

#[test]
fn words_name_the_weekday_of_the_last_days_and_the_year_when_it_is_another() {
    let calendar = Calendar::every_day(berlin(), time("06:00"));
    let today = day("2026-11-25");
    assert_eq!(calendar.instant_in_words(utc("2026-11-24T12:20"), today), "Tuesday 13:20");
    assert_eq!(calendar.instant_in_words(utc("2026-11-03T05:00"), today), "3 Nov 06:00");
    assert_eq!(calendar.weekday_in_words(day("2026-11-27"), today), "Fri 27 Nov");
    assert_eq!(calendar.day_in_words(day("2025-11-03"), today), "3 Nov 2025");
    assert_eq!(plain().shop_day_of(Ts(0)), day("1970-01-01"));
}
