//! Check values for the calendar and interval rules. The tests call what the planner calls.

#[path = "common/orders.rs"]
mod orders;
#[path = "common/vectors.rs"]
mod vectors;

use chrono::{NaiveDate, NaiveDateTime, NaiveTime};
use fettler_domain::calendar::{Calendar, CalendarSpec, Closure, Edge, Shift, WallTime, Weekdays, Zone};
use fettler_domain::ids::{MeterId, TaskId};
use fettler_domain::ledger::history::{History, Segment};
use fettler_domain::plan::{
    Base, ClauseState, Closing, Counted, Covers, DueKind, LastDone, MeterInput, PlanRow, TaskInput,
    combine_clauses, plan_task, satisfied, share_used,
};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::rule::{
    CalendarUnit, Clause, ClosedDays, Combine, CountsFrom, Every, IntervalRule, Recurrence, RuleSpec, Window,
};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::{MICROS_PER_HOUR, ShopDay, Ts};
use orders::order_of;
use std::collections::BTreeMap;
use vectors::{Line, lines as rows};

fn day(text: &str) -> ShopDay {
    ShopDay(text.parse().unwrap_or_else(|_| panic!("`{text}` is not a date")))
}

fn day_or_none(text: &str) -> Option<ShopDay> {
    (!text.is_empty()).then(|| day(text))
}

fn wall(text: &str) -> NaiveDateTime {
    NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M").unwrap_or_else(|_| panic!("`{text}` is not a time"))
}

fn utc(text: &str) -> Ts {
    let plain = text.trim_end_matches('Z');
    let time = NaiveDateTime::parse_from_str(plain, "%Y-%m-%dT%H:%M:%S").unwrap_or_else(|_| wall(plain));
    Ts::from_utc(time.and_utc())
}

fn every_day() -> Calendar {
    Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT)
}

fn rule(clauses: Vec<Clause>, combine: Combine, window: Window) -> IntervalRule {
    IntervalRule::new(RuleSpec { clauses, combine, window, closed_days: ClosedDays::Keep }).expect("a rule")
}

fn hours(text: &str) -> Amount {
    Amount::parse(text, Unit::Hours).expect("hours")
}

/// Shifts across changes of the clock (computed with Python's zoneinfo, as the file says).
#[test]
fn rule_dst() {
    for line in rows("rule_dst") {
        let id = &line["id"];
        let zone = Zone::parse(&line["zone"]).expect("a zone");
        let start = zone.to_utc(wall(&line["local_start"]), Edge::Start);
        let end = zone.to_utc(wall(&line["local_end"]), Edge::End);
        assert_eq!((start, end), (utc(&line["utc_start"]), utc(&line["utc_end"])), "{id}");
        let expect: f64 = line["hours"].parse().expect("hours");
        let halves = end.micros_since(start) / (MICROS_PER_HOUR / 4);
        assert!((expect * 4.0 - f64::from(i32::try_from(halves).expect("small"))).abs() < 1e-9, "{id}");
        let middle = Ts(start.0 + (end.0 - start.0) / 2);
        assert_eq!(middle, utc(&line["middle_utc"]), "{id}");
        let calendar = Calendar::every_day(zone, WallTime::parse("06:00").expect("a time"));
        assert_eq!(calendar.shop_day_of_shift(start, end), day(&line["shop_day_of_middle"]), "{id}");
    }
}

fn every(line: &Line) -> Every {
    let unit = match line["unit"].as_str() {
        "day" => CalendarUnit::Day,
        "week" => CalendarUnit::Week,
        "month" => CalendarUnit::Month,
        "year" => CalendarUnit::Year,
        other => panic!("unit `{other}`"),
    };
    Every { n: line["n"].parse().expect("a number"), unit }
}

/// Calendar clauses from the last closing and on a grid (computed with python-dateutil, as the file says).
#[test]
fn rule_calendar() {
    let calendar = every_day();
    for line in rows("rule_calendar") {
        let id = &line["id"];
        let base = day(&line["base"]);
        let fixed = line["mode"] == "fixed";
        let counts_from = if fixed { CountsFrom::Grid(base) } else { CountsFrom::LastClosing };
        let window = Window::Percent(line["window_pct"].parse().expect("percent"));
        let clause = Clause::Calendar { every: every(&line), counts_from };
        let mut input = order_of(1, rule(vec![clause], Combine::Earliest, window));
        if !fixed {
            input.last_done = Some(LastDone { day: base, counts: BTreeMap::new() });
        }
        let done: Vec<Ts> = line["closings"].split_whitespace().map(|d| calendar.start_of(day(d))).collect();
        input.closings = done.iter().map(|at| Closing { done_at: *at }).collect();
        let row = plan_task(&input, &calendar, base).expect("no meter");
        let due_day = row.due.map(|due| calendar.shop_day_of(due));
        assert_eq!(due_day, Some(day(&line["next_due"])), "{id}: next due");
        let opens = row.opens.map(|opens| calendar.shop_day_of(opens));
        assert_eq!(opens, Some(day(&line["opens"])), "{id}: opens");
        let shuts = row.late.map(|late| calendar.shop_day_of(late).plus_days(-1));
        assert_eq!(shuts, Some(day(&line["shuts"])), "{id}: shuts");
        if fixed {
            let mut missed = 0;
            let mut last = None;
            for at in &done {
                let answer = satisfied(&input, &calendar, *at).expect("no meter");
                missed += answer.missed;
                last = if answer.extra_work { last } else { answer.due.map(|due| calendar.shop_day_of(due)) };
            }
            assert_eq!(missed, line["missed"].parse::<i64>().expect("a count"), "{id}: missed");
            assert_eq!(last, day_or_none(&line["satisfied"]), "{id}: satisfied");
        }
    }
}

const METER: MeterId = MeterId(1);

/// A machine that runs an hour every hour from the start of 1970 on.
fn one_hour_an_hour(total: i64) -> BTreeMap<MeterId, MeterInput> {
    let weeks = (0..=total / 168).map(|week| Segment {
        start: Ts(week * 168 * MICROS_PER_HOUR),
        end: Ts((week + 1) * 168 * MICROS_PER_HOUR),
        amount: Amount(168 * Unit::Hours.per_unit()),
    });
    let history = History::from_segments(weeks);
    BTreeMap::from([(METER, MeterInput { unit: Unit::Hours, history, forecast: None })])
}

fn service(number: i64, every_hours: i64, done: &[i64]) -> TaskInput {
    let every = Amount(every_hours * Unit::Hours.per_unit());
    let clause = Clause::Meter { meter: METER, every, counts_from: CountsFrom::LastClosing };
    let mut input = order_of(number, rule(vec![clause], Combine::Earliest, Window::Percent(10)));
    input.last_done = Some(LastDone {
        day: ShopDay(NaiveDate::default()),
        counts: BTreeMap::from([(METER, Amount::ZERO)]),
    });
    input.closings = done.iter().map(|hour| Closing { done_at: Ts(hour * MICROS_PER_HOUR) }).collect();
    input.meters = one_hour_an_hour(6_000);
    input
}

fn hour_of(at: Option<Ts>) -> i64 {
    let micros = at.expect("crossed").0;
    assert_eq!(micros % MICROS_PER_HOUR, 0);
    micros / MICROS_PER_HOUR
}

/// Covering services by meter (derivable by hand; the file's own convention).
#[test]
fn rule_cover() {
    let covers =
        Covers::new([(2, 1), (3, 1), (3, 2)].map(|(a, b)| (TaskId(a), TaskId(b)))).expect("no cycle");
    let services = [("A", 1, 250), ("B", 2, 500), ("C", 3, 1_000), ("D", 4, 300)];
    for line in rows("rule_cover") {
        let id = &line["id"];
        let mut done: BTreeMap<i64, Vec<i64>> = BTreeMap::new();
        for closing in line["closings"].split_whitespace() {
            let (name, hour) = closing.split_once('@').expect("NAME@HOUR");
            let hour: i64 = hour.parse().expect("an hour");
            let number = services.iter().find(|s| s.0 == name).expect("a service").1;
            done.entry(number).or_default().push(hour);
            for smaller in covers.covered_by(TaskId(number)) {
                done.entry(smaller.0).or_default().push(hour);
            }
        }
        let none = Vec::new();
        let mut plan: Vec<PlanRow> = services
            .iter()
            .map(|(_, number, every)| service(*number, *every, done.get(number).unwrap_or(&none)))
            .map(|input| plan_task(&input, &every_day(), day("1971-01-01")).expect("loaded"))
            .collect();
        for ((name, ..), row) in services.iter().zip(&plan) {
            assert_eq!(hour_of(row.due).to_string(), line[&format!("due_{name}")], "{id}: {name}");
        }
        let visit = plan.iter().filter_map(|row| row.due).min().expect("four services");
        assert_eq!(hour_of(Some(visit)).to_string(), line["visit"], "{id}: visit");
        covers.mark(&mut plan);
        let named = |keep: &dyn Fn(&PlanRow) -> bool| {
            let at_visit =
                plan.iter().filter(|row| row.opens.is_some_and(|opens| opens <= visit) && keep(row));
            let names = at_visit.map(|row| services[usize::try_from(row.order.0 - 1).expect("small")].0);
            names.collect::<Vec<_>>().join(" ")
        };
        assert_eq!(named(&|_| true), line["in_visit"], "{id}: in the visit");
        assert_eq!(named(&|row| row.covered_by.is_none()), line["shown"], "{id}: shown");
    }
}

fn clause_states(line: &Line) -> [ClauseState; 2] {
    let calendar = every_day();
    let last_done = day(&line["last_done"]);
    let every_days: u32 = line["every_days"].parse().expect("days");
    let due_day = day(&line["calendar_day"]);
    let of_calendar = ClauseState {
        base: Base::Stated(last_done),
        due: Some(calendar.start_of(due_day)),
        kind: DueKind::CalendarDay,
        opens: None,
        late: None,
        opens_expected: None,
        ahead: None,
        counted: Counted::Calendar {
            every: Every { n: every_days, unit: CalendarUnit::Day },
            from: Some(last_done),
            by_rule: Some(due_day),
            day: Some(due_day),
            shuts: None,
        },
    };
    let from = hours(&line["last_meter"]);
    let every = hours(&line["every_hours"]);
    let of_meter = ClauseState {
        due: day_or_none(&line["meter_day"]).map(|day| calendar.start_of(day)),
        kind: if line["meter_kind"] == "crossed" { DueKind::Exact } else { DueKind::Expected },
        counted: Counted::Meter {
            meter: METER,
            unit: Unit::Hours,
            every,
            from: Some(from),
            threshold: Some(from + every),
            h: Some(hours(&line["meter_now"])),
            known_to: None,
            expectation: None,
        },
        ..of_calendar.clone()
    };
    [of_calendar, of_meter]
}

/// How clauses combine and the share of the interval used (derivable by hand; the file's own convention). The day
/// on which the meter is reached is the file's, from a rate.
#[test]
fn rule_first() {
    let calendar = every_day();
    for line in rows("rule_first") {
        let id = &line["id"];
        let clauses = clause_states(&line);
        let combine = if line["combine"] == "latest" { Combine::Latest } else { Combine::Earliest };
        let every_days: u32 = line["every_days"].parse().expect("days");
        let by_rule = Every { n: every_days, unit: CalendarUnit::Day }.after(day(&line["last_done"]), 1);
        assert_eq!(by_rule, day(&line["calendar_day"]), "{id}: calendar day");
        let whole = combine_clauses(&clauses, combine, None, (&calendar, day(&line["as_of"])));
        assert_eq!(
            whole.due.map(|due| calendar.shop_day_of(due)),
            day_or_none(&line["due_day"]),
            "{id}: due"
        );
        let governs = whole.governing.map(|index| ["calendar", "meter"][index]);
        assert_eq!(governs, Some(line["governs"].as_str()), "{id}: governs");
        let used = share_used(&clauses, combine, day(&line["as_of"])).expect("both bases are known");
        let expect: f64 = line["used"].parse().expect("a share");
        assert!((used.to_f64() - expect).abs() <= 1e-6, "{id}: used {} instead of {expect}", used.to_f64());
        let state = match (used.cmp_tenths(9), used.cmp_tenths(10), used.cmp_tenths(11)) {
            (std::cmp::Ordering::Less, _, _) => "not_due",
            (_, std::cmp::Ordering::Less, _) => "window",
            (_, _, std::cmp::Ordering::Greater) => "overdue",
            _ => "due",
        };
        assert_eq!(state, line["state"], "{id}: state");
    }
}

/// A rule of instants as the rule of their days: each instant lies at one hour, and an UNTIL before that hour leaves its
/// day out.
fn on_days(rule: &str, hour: NaiveTime) -> String {
    let day_of = |until: NaiveDateTime| {
        let left_out = u64::from(until.time() < hour);
        (until.date() - chrono::Days::new(left_out)).format("UNTIL=%Y%m%d").to_string()
    };
    let part = |part: &str| {
        let until = part.strip_prefix("UNTIL=").and_then(|until| {
            NaiveDateTime::parse_from_str(until.trim_end_matches('Z'), "%Y%m%dT%H%M%S").ok()
        });
        until.map_or(part.to_owned(), day_of)
    };
    rule.split(';').map(part).collect::<Vec<_>>().join(";")
}

/// Recurrence rules (RFC 5545, 3.8.5.3, and rules of the file's own, computed with python-dateutil as it says).
#[test]
fn rule_rrule() {
    for line in rows("rule_rrule") {
        let id = &line["id"];
        let instant = |text: &str| {
            NaiveDateTime::parse_from_str(text, "%Y%m%dT%H%M%S")
                .unwrap_or_else(|e| panic!("{id}: {text}: {e}"))
        };
        let start = instant(&line["dtstart"]);
        let rule = on_days(&line["rrule"], start.time());
        let recurrence =
            Recurrence::new(&rule, ShopDay(start.date())).unwrap_or_else(|e| panic!("{id}: {e}"));
        let expect: Vec<NaiveDateTime> = line["occurrences"].split_whitespace().map(instant).collect();
        assert_eq!(expect.len().to_string(), line["count"], "{id}: the file's own count");
        // One more is asked for than there are, so that a rule which does not end is found.
        let days = recurrence.days().take(expect.len() + 1);
        let found: Vec<NaiveDateTime> = days.map(|day| day.0.and_time(start.time())).collect();
        assert_eq!(found, expect, "{id}: {rule}");
    }
}

fn closures(line: &Line) -> Vec<Closure> {
    let one = |first: &str, last: &str| Closure {
        name: Name::new("closed").expect("a name"),
        first: day(first).0,
        last: day(last).0,
    };
    let shutdowns = line["shutdowns"].split_whitespace().map(|range| {
        let (first, last) = range.split_once('/').expect("FROM/TO");
        one(first, last)
    });
    shutdowns.chain(line["holidays_near"].split_whitespace().map(|d| one(d, d))).collect()
}

/// Due days on closed days (holidays from the Python package that the file names).
#[test]
fn rule_working_day() {
    for line in rows("rule_working_day") {
        let id = &line["id"];
        let works = line["week"].bytes().map(|b| b == b'1');
        let week = [
            chrono::Weekday::Mon,
            chrono::Weekday::Tue,
            chrono::Weekday::Wed,
            chrono::Weekday::Thu,
            chrono::Weekday::Fri,
            chrono::Weekday::Sat,
            chrono::Weekday::Sun,
        ];
        let weekdays =
            Weekdays::of(week.into_iter().zip(works).filter(|(_, works)| *works).map(|(day, _)| day));
        let time = |text| WallTime::parse(text).expect("a time");
        let calendar = Calendar::new(CalendarSpec {
            revision: 1,
            zone: Zone::UTC,
            day_starts_at: time("06:00"),
            shifts: vec![Shift {
                key: Key::new("day").expect("a key"),
                weekdays,
                starts: time("06:00"),
                ends: time("14:00"),
            }],
            closures: closures(&line),
            extra_shifts: Vec::new(),
        })
        .expect("a calendar");
        let due = day(&line["due"]);
        assert_eq!((!calendar.is_worked(due)).to_string(), line["closed"], "{id}: closed");
        assert_eq!(calendar.move_off_closed(due, None, |_| false), day(&line["moved_to"]), "{id}: moved");
    }
}
