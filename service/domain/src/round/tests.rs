//! Which round is meant, what it asks, and how far it is.

use super::answer::{AnswerSaid, keep, order_title};
use super::ready::{Ready, WARM_UP_MINUTES, ready};
use super::*;
use crate::calendar::{CalendarSpec, Closure, Shift, WallTime, Weekdays, Zone};
use crate::ids::PersonId;
use crate::text::Name;

fn key(text: &str) -> Key {
    Key::new(text).unwrap()
}

fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

fn day(text: &str) -> ShopDay {
    ShopDay(text.parse().unwrap())
}

fn at(text: &str) -> Ts {
    Ts::from_utc(format!("{text}:00Z").parse().unwrap())
}

/// Early and late from Monday to Friday, night to Thursday, in Berlin; closed on Monday 30 November.
fn calendar() -> Calendar {
    let shift = |of: &str, starts: &str, ends: &str, weekdays| Shift {
        key: key(of),
        weekdays,
        starts: WallTime::parse(starts).unwrap(),
        ends: WallTime::parse(ends).unwrap(),
    };
    let to_thursday = Weekdays::of([
        chrono::Weekday::Mon,
        chrono::Weekday::Tue,
        chrono::Weekday::Wed,
        chrono::Weekday::Thu,
    ]);
    let week = Weekdays::MONDAY_TO_FRIDAY;
    Calendar::new(CalendarSpec {
        revision: 0,
        zone: Zone::parse("Europe/Berlin").unwrap(),
        day_starts_at: WallTime::parse("06:00").unwrap(),
        shifts: vec![
            shift("early", "06:00", "14:00", week),
            shift("late", "14:00", "22:00", week),
            shift("night", "22:00", "06:00", to_thursday),
        ],
        closures: vec![Closure {
            name: name("stocktaking"),
            first: day("2026-11-30").0,
            last: day("2026-11-30").0,
        }],
        extra_shifts: Vec::new(),
    })
    .unwrap()
}

fn check(of: &str, every: Cadence) -> CheckCard {
    CheckCard { every, ..said(of).as_check() }
}

fn said(of: &str) -> AnswerRecord {
    AnswerRecord {
        check: key(of),
        title: name(of),
        at: at("2026-11-25T05:10"),
        by: PersonId(1),
        entered_at: at("2026-11-25T05:11"),
        value: None,
        reading: None,
        finding: None,
        said: None,
        order: None,
    }
}

#[test]
fn the_round_is_that_of_the_shift_which_is_walked_for() {
    let calendar = calendar();
    // In November Berlin is an hour ahead of UTC.
    for (instant, shift, of_day) in [
        ("2026-11-25T04:50", "early", "2026-11-25"), // 05:50, while the night shift still runs
        ("2026-11-25T03:59", "night", "2026-11-24"), // 04:59: still the night's
        ("2026-11-25T04:00", "early", "2026-11-25"), // 05:00: an hour before
        ("2026-11-25T11:59", "early", "2026-11-25"),
        ("2026-11-25T12:00", "late", "2026-11-25"), // 13:00
        ("2026-11-25T20:30", "night", "2026-11-25"),
        ("2026-11-28T10:00", "early", "2026-12-01"), // Saturday: Monday is closed
    ] {
        let round = meant(&calendar, at(instant)).unwrap();
        assert_eq!((round.shift.as_str(), round.day), (shift, day(of_day)), "{instant}");
        assert_eq!(starting(&calendar, round.start).as_ref(), Some(&round), "{instant}");
    }
    assert_eq!(starting(&calendar, at("2026-11-25T05:01")), None);
}

#[test]
fn the_round_that_is_handed_over_is_that_of_the_shift_which_ends() {
    let calendar = calendar();
    // In November Berlin is an hour ahead of UTC.
    for (instant, shift, of_day) in [
        ("2026-11-25T12:50", "early", "2026-11-25"), // 13:50, ten minutes before its end
        ("2026-11-25T13:00", "late", "2026-11-25"),
        ("2026-11-25T20:50", "late", "2026-11-25"),
        ("2026-11-26T04:50", "night", "2026-11-25"), // 05:50
        ("2026-11-27T21:05", "late", "2026-11-27"),  // Friday, just after the week's last shift
        ("2026-11-30T10:00", "late", "2026-11-27"),  // Monday is closed
    ] {
        let round = handed_over(&calendar, at(instant)).unwrap();
        assert_eq!((round.shift.as_str(), round.day), (shift, day(of_day)), "{instant}");
    }
    let shifts = vec![
        Shift { ends: WallTime::parse("14:30").unwrap(), ..calendar.spec().shifts[0].clone() },
        calendar.spec().shifts[1].clone(),
    ];
    let overlapping = Calendar::new(CalendarSpec { shifts, ..calendar.spec().clone() }).unwrap();
    let round = handed_over(&overlapping, at("2026-11-25T13:10")).unwrap();
    assert_eq!(round.shift.as_str(), "early", "the shift that comes has hardly begun");
}

#[test]
fn a_site_without_shifts_has_a_round_a_day() {
    let calendar = Calendar::every_day(Zone::UTC, WallTime::parse("06:00").unwrap());
    let round = meant(&calendar, at("2026-11-25T09:00")).unwrap();
    assert_eq!((round.start, round.end), (at("2026-11-25T06:00"), at("2026-11-26T06:00")));
    assert_eq!((round.shift.as_str(), round.first_of_day, round.first_of_week), ("day", true, false));
    assert!(meant(&calendar, at("2026-11-23T09:00")).unwrap().first_of_week, "a Monday");
}

#[test]
fn checks_are_due_by_shift_day_and_week() {
    let calendar = calendar();
    let due = |instant: &str| {
        let round = meant(&calendar, at(instant)).unwrap();
        let all = [check("s", Cadence::Shift), check("d", Cadence::Day), check("w", Cadence::Week)];
        all.iter().filter(|check| round.asks(check)).map(|check| check.key.to_string()).collect::<String>()
    };
    for (instant, expect) in [
        ("2026-11-23T06:00", "sdw"), // Monday, early
        ("2026-11-23T14:00", "s"),
        ("2026-11-24T06:00", "sd"),
        ("2026-12-01T06:00", "sdw"), // Tuesday after the closed Monday
        ("2026-12-02T06:00", "sd"),
    ] {
        assert_eq!(due(instant), expect, "{instant}");
    }
    let round = meant(&calendar, at("2026-11-24T06:00")).unwrap();
    let later = CheckCard { since: Some(day("2026-11-25")), ..check("s", Cadence::Shift) };
    assert!(!round.asks(&later), "nobody missed what was not declared yet");
}

#[test]
fn what_was_answered_stands_and_the_rest_is_open_then_missed() {
    let calendar = calendar();
    let round = meant(&calendar, at("2026-11-24T06:00")).unwrap();
    let checks = [check("air", Cadence::Shift), check("week", Cadence::Week), check("leaks", Cadence::Shift)];
    let checks: Vec<&CheckCard> = checks.iter().collect();
    let answers = [said("air"), AnswerRecord { finding: Some("torn".into()), ..said("gone") }];
    let walked = walk(&round, &checks, &answers, false);
    let states = |now: &str| walked.iter().map(|check| check.state(&round, at(now))).collect::<Vec<_>>();
    assert_eq!(states("2026-11-24T07:00"), [CheckState::Good, CheckState::Open, CheckState::Finding]);
    assert_eq!(states("2026-11-24T13:00"), [CheckState::Good, CheckState::Missed, CheckState::Finding]);
    assert_eq!(walk(&round, &checks, &answers, true).len(), 2, "a resting machine asks for nothing");
    let mut tally = Tally::default();
    tally.add(&walked);
    assert_eq!(tally, Tally { due: 3, done: 2, findings: 1, machines: 1 });
}

#[test]
fn the_newer_answer_stays_in_any_order() {
    let older = said("air");
    let newer = AnswerRecord { at: at("2026-11-25T05:20"), value: Some("6.1 bar".into()), ..said("air") };
    for order in [[&older, &newer], [&newer, &older]] {
        let mut kept = Vec::new();
        for answer in order {
            keep(&mut kept, answer.clone());
        }
        assert_eq!(kept, std::slice::from_ref(&newer));
    }
    let again = AnswerSaid { check: key("air"), at: older.at, value: None, finding: None, confirmed: false };
    assert!(older.is_said_again(&again, PersonId(1)) && !older.is_said_again(&again, PersonId(2)));
    assert!(!newer.is_said_again(&again, PersonId(1)));
}

#[test]
fn a_finding_makes_a_title_that_fits() {
    assert_eq!(order_title("Leaks", "oil\n below the door"), "Leaks: oil below the door");
    let long = order_title("Leaks", &"ä".repeat(400));
    assert_eq!((long.chars().count(), long.ends_with('…')), (120, true));
    assert!(Name::new(long).is_ok());
}

fn start(of: &str, role: StartRole) -> CheckCard {
    CheckCard { start: Some(role), ..check(of, Cadence::Shift) }
}

#[test]
fn a_start_is_looked_at_after_a_break_and_prepared_before_one() {
    let calendar = calendar();
    let asked = |instant: &str| {
        let round = meant(&calendar, at(instant)).unwrap();
        let all = [start("s", StartRole::Step), start("a", StartRole::Armed), start("w", StartRole::Warm)];
        all.iter().filter(|check| round.asks(check)).map(|check| check.key.to_string()).collect::<String>()
    };
    for (instant, expect) in [
        ("2026-11-23T06:00", "sw"), // Monday, early: after the weekend
        ("2026-11-23T14:00", ""),
        ("2026-11-25T06:00", ""),  // the night shift runs until it starts
        ("2026-11-27T16:00", "a"), // Friday, late: before the weekend
    ] {
        assert_eq!(asked(instant), expect, "{instant}");
    }
    let monday = meant(&calendar, at("2026-11-23T06:00")).unwrap();
    let friday = before(&calendar, monday.start).unwrap();
    assert_eq!((friday.shift.as_str(), friday.day), ("late", day("2026-11-20")));
}

#[test]
fn a_machine_is_warm_armed_cold_or_must_not_start() {
    let monday = meant(&calendar(), at("2026-11-23T04:30")).unwrap();
    let minutes = Some(WARM_UP_MINUTES);
    let checks = [start("power", StartRole::Step), start("warm", StartRole::Warm)];
    let checks: Vec<&CheckCard> = checks.iter().collect();
    let stands = |answers: &[AnswerRecord], armed: bool, now: &str| {
        ready(&monday, &walk(&monday, &checks, answers, false), minutes, armed, at(now)).unwrap()
    };
    // The shift starts at 05:00 UTC, so a warm-up of 30 minutes begins at 04:30 at the latest.
    let cold = |ready_at: &str| Ready::Cold { ready_at: at(ready_at), begin_by: at("2026-11-23T04:30") };
    assert_eq!(stands(&[], false, "2026-11-23T04:10"), cold("2026-11-23T05:00"));
    assert_eq!(stands(&[], false, "2026-11-23T04:50"), cold("2026-11-23T05:20"));
    assert_eq!(stands(&[], true, "2026-11-23T04:50"), Ready::Armed);
    assert_eq!(stands(&[], true, "2026-11-23T05:10"), cold("2026-11-23T05:40"), "nobody has seen it warm");
    assert_eq!(stands(&[said("warm")], false, "2026-11-23T05:10"), Ready::Warm);
    let failed = AnswerRecord { finding: Some("no voltage".into()), ..said("power") };
    assert_eq!(
        stands(&[said("warm"), failed], true, "2026-11-23T04:50"),
        Ready::MustNotStart("power: no voltage".into())
    );
    let none = ready(&monday, &walk(&monday, &checks, &[], false), None, false, at("2026-11-23T04:50"));
    assert_eq!(none, None, "a machine without a warm-up");
    let tuesday = meant(&calendar(), at("2026-11-24T06:00")).unwrap();
    let walked = walk(&tuesday, &checks, &[], false);
    assert_eq!(
        ready(&tuesday, &walked, minutes, false, at("2026-11-24T04:50")),
        Some(Ready::RunsOn),
        "it runs on"
    );
}
