//! The calendar and its rules held against Python: zoneinfo over every zone and its changes of 2000 to 2040, and dateutil
//! over intervals and recurrence rules. The cases are drawn anew by a seed, which is printed and can be given as
//! `FETTLER_SEED`; both sides read the same edition of the IANA time zone data.

mod python;

use chrono::NaiveDateTime;
use fettler_domain::calendar::{Calendar, Edge, WallTime, Zone};
use fettler_domain::rule::{CalendarUnit, Every, Recurrence};
use fettler_domain::time::{ShopDay, Ts};
use python::python;
use std::collections::{BTreeMap, BTreeSet};

/// How many of a zone's changes are looked at, where it has more.
const CHANGES: &str = "6";
/// How many intervals and how many recurrence rules are drawn.
const DRAWN: &str = "1500";

/// The lines of an oracle's answer, fields apart, drawn by the seed.
#[expect(clippy::print_stdout, reason = "the seed is shown with a failure, which is repeated by it")]
fn drawn(what: &str, count: &str) -> Vec<Vec<String>> {
    let seed = std::env::var("FETTLER_SEED").unwrap_or_else(|_| "2026".to_owned());
    println!("calendar_oracle.py {what}, seed {seed}");
    let text = python("calendar_oracle.py", &[what, &seed, count]);
    let lines: Vec<_> = text.lines().map(|line| line.split('\t').map(str::to_owned).collect()).collect();
    assert!(!lines.is_empty(), "no cases");
    lines
}

fn day(text: &str) -> ShopDay {
    ShopDay(text.parse().unwrap_or_else(|e| panic!("{text}: {e}")))
}

fn utc(text: &str) -> Ts {
    let time =
        NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M:%SZ").unwrap_or_else(|e| panic!("{text}: {e}"));
    Ts::from_utc(time.and_utc())
}

#[test]
fn both_sides_read_the_same_edition_of_the_zone_data() {
    assert_eq!(python("calendar_oracle.py", &["version"]).trim(), chrono_tz::IANA_TZDB_VERSION);
}

#[test]
fn every_zone_and_its_changes_agree_with_zoneinfo() {
    let mut names = BTreeSet::new();
    let mut seen: BTreeMap<&str, u32> = BTreeMap::new();
    let lines = drawn("zones", CHANGES);
    for line in &lines {
        let [kind, name, rest @ ..] = line.as_slice() else { panic!("{line:?}") };
        let zone = Zone::parse(name).unwrap_or_else(|e| panic!("{e}"));
        *seen.entry(kind).or_default() += 1;
        match (kind.as_str(), rest) {
            ("zone", _) => {
                names.insert(name.as_str());
            }
            ("wall", [wall, edge, expect]) => {
                let edge = if edge == "start" { Edge::Start } else { Edge::End };
                let wall = NaiveDateTime::parse_from_str(wall, "%Y-%m-%dT%H:%M").expect("a wall time");
                assert_eq!(zone.to_utc(wall, edge), utc(expect), "{line:?}");
            }
            ("day", [starts, at, expect, start]) => {
                let calendar = Calendar::every_day(zone, WallTime::parse(starts).expect("a time"));
                let found = calendar.shop_day_of(utc(at));
                assert_eq!((found, calendar.start_of(found)), (day(expect), utc(start)), "{line:?}");
            }
            _ => panic!("{line:?}"),
        }
    }
    let known: BTreeSet<&str> = chrono_tz::TZ_VARIANTS.iter().map(|zone| zone.name()).collect();
    assert_eq!(names, known, "both sides know the same zones");
    assert!(seen["wall"] > 10_000 && seen["day"] > 5_000, "{seen:?}");
}

#[test]
fn intervals_agree_with_dateutil() {
    for line in drawn("every", DRAWN) {
        let [_, n, unit, base, times, expect] = line.as_slice() else { panic!("{line:?}") };
        let unit = match unit.as_str() {
            "day" => CalendarUnit::Day,
            "week" => CalendarUnit::Week,
            "month" => CalendarUnit::Month,
            "year" => CalendarUnit::Year,
            other => panic!("unit `{other}`"),
        };
        let every = Every { n: n.parse().expect("a number"), unit };
        assert_eq!(every.after(day(base), times.parse().expect("a number")), day(expect), "{line:?}");
    }
}

#[test]
fn recurrence_rules_agree_with_dateutil() {
    let lines = drawn("rules", DRAWN);
    let mut ended = 0;
    for line in &lines {
        let [_, from, rule, days, at, next, before] = line.as_slice() else { panic!("{line:?}") };
        let recurrence = Recurrence::new(rule, day(from)).unwrap_or_else(|e| panic!("{line:?}: {e}"));
        let expect: Vec<ShopDay> = days.split(' ').map(day).collect();
        let found: Vec<ShopDay> = recurrence.days().take(40).collect();
        assert_eq!(found, expect, "{line:?}");
        ended += u32::from(expect.len() < 40);
        let or_none = |text: &str| (!text.is_empty()).then(|| day(text));
        let found = (recurrence.next(day(at)), recurrence.before(day(at)));
        assert_eq!(found, (or_none(next), or_none(before)), "{line:?}");
        // What is stored is read back as the same rule, whatever the way in which it was written.
        let again = Recurrence::new(recurrence.text(), day(from)).expect("its own text");
        assert_eq!((again.text(), &again), (recurrence.text(), &recurrence), "{line:?}");
    }
    assert!(lines.len() > 1_000 && ended > 100, "{} rules, {ended} that end", lines.len());
}
