//! Calendar, rules and planning: cases from a file, named cases, words, properties.
//!
//! Everything goes through the public functions that the planner itself uses or that are the planner.

mod calendar;
mod laid_up;
mod models;
#[path = "../common/orders.rs"]
mod orders;
mod planning;
mod properties;
mod rare;
mod readings;
mod recurrence;
mod scenarios;
#[path = "../common/vectors.rs"]
mod vectors;
mod walk;

use chrono::NaiveDateTime;
use fettler_domain::calendar::{Calendar, CalendarSpec, Closure, Shift, WallTime, Weekdays, Zone};
use fettler_domain::forecast::{Fleet, UsageSummary};
use fettler_domain::ids::MeterId;
use fettler_domain::ledger::history::{History, Segment};
use fettler_domain::plan::{
    Closing, Ground, LastDone, MeterForecast, MeterInput, PlanRow, RuleVersion, TaskInput, plan_task,
};
use fettler_domain::planned::Planned;
use fettler_domain::quantity::{Amount, MaxPerHour, Unit};
use fettler_domain::rule::{
    CalendarUnit, Clause, ClosedDays, Combine, CountsFrom, Every, IntervalRule, Recurrence, RuleSpec, Window,
};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::{ShopDay, Ts};
use std::path::PathBuf;
use std::sync::Arc;

/// The meter of every case that has one.
const METER: MeterId = MeterId(1);

/// The rows of a comma-separated file of which lines starting with `#` tell the source; it must have rows.
fn rows_of(path: &PathBuf) -> Vec<csv::StringRecord> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_path(path)
        .unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let rows: Vec<_> = reader.records().map(|row| row.expect("a row of the header's width")).collect();
    assert!(!rows.is_empty(), "{} has no rows", path.display());
    rows
}

fn day(text: &str) -> ShopDay {
    ShopDay(text.parse().unwrap_or_else(|e| panic!("{text}: {e}")))
}

fn wall(text: &str) -> NaiveDateTime {
    let form = if text.len() > 16 { "%Y-%m-%dT%H:%M:%S" } else { "%Y-%m-%dT%H:%M" };
    NaiveDateTime::parse_from_str(text, form).unwrap_or_else(|e| panic!("{text}: {e}"))
}

fn utc(text: &str) -> Ts {
    Ts(wall(text.trim_end_matches('Z')).and_utc().timestamp_micros())
}

fn hours(text: &str) -> Amount {
    Amount::parse(text, Unit::Hours).unwrap_or_else(|e| panic!("{text}: {e}"))
}

fn berlin() -> Zone {
    Zone::parse("Europe/Berlin").expect("a known zone")
}

/// Every day worked, in UTC, shop days from midnight: dates are then days and days are then dates.
fn plain() -> Calendar {
    Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT)
}

/// Monday to Friday, with closures from lines `first/last` or single days.
fn weekday_calendar(weekdays: Weekdays, closed: &[&str]) -> Calendar {
    let closures = closed.iter().map(|text| {
        let (first, last) = text.split_once('/').unwrap_or((text, text));
        Closure { name: Name::new("closed").expect("a name"), first: day(first).0, last: day(last).0 }
    });
    let shift = Shift {
        key: Key::new("early").expect("a key"),
        weekdays,
        starts: WallTime::parse("06:00").expect("a time"),
        ends: WallTime::parse("14:00").expect("a time"),
    };
    Calendar::new(CalendarSpec {
        revision: 1,
        zone: Zone::UTC,
        day_starts_at: WallTime::MIDNIGHT,
        shifts: vec![shift],
        closures: closures.collect(),
        extra_shifts: Vec::new(),
    })
    .expect("a calendar that keeps the rules")
}

fn unit(word: &str) -> CalendarUnit {
    match word {
        "day" => CalendarUnit::Day,
        "week" => CalendarUnit::Week,
        "month" => CalendarUnit::Month,
        "year" => CalendarUnit::Year,
        other => panic!("unit `{other}`"),
    }
}

/// `30 day` as an interval.
fn every(text: &str) -> Every {
    let (n, word) = text.split_once(' ').expect("number and unit");
    Every { n: n.parse().expect("a number"), unit: unit(word) }
}

/// A calendar clause from the last closing.
fn floating(text: &str) -> Clause {
    Clause::Calendar { every: every(text), counts_from: CountsFrom::LastClosing }
}

/// A calendar clause on the grid.
fn fixed(text: &str, base: &str) -> Clause {
    Clause::Calendar { every: every(text), counts_from: CountsFrom::Grid(day(base)) }
}

/// A recurrence clause.
fn recurring(rule: &str, from: &str) -> Clause {
    Clause::Recurrence(Recurrence::new(rule, day(from)).unwrap_or_else(|e| panic!("{rule}: {e}")))
}

/// A meter clause from the last closing.
fn run(every: &str) -> Clause {
    Clause::Meter { meter: METER, every: hours(every), counts_from: CountsFrom::LastClosing }
}

/// A meter clause on the grid.
fn run_fixed(every: &str, base: &str) -> Clause {
    Clause::Meter { meter: METER, every: hours(every), counts_from: CountsFrom::Grid(hours(base)) }
}

fn rule_of(clauses: &[Clause], combine: Combine, window: Window) -> IntervalRule {
    let closed_days = ClosedDays::Move;
    IntervalRule::new(RuleSpec { clauses: clauses.to_vec(), combine, window, closed_days })
        .expect("a rule that keeps the rules")
}

fn order_of(rule: IntervalRule) -> TaskInput {
    orders::order_of(1, rule)
}

/// An order whose rule combines by `earliest` with the default window.
fn task(clauses: &[Clause]) -> TaskInput {
    order_of(rule_of(clauses, Combine::Earliest, Window::default()))
}

/// What happened to an order, said one after the other.
trait Story: Sized {
    /// Closed at these instants.
    fn closed(self, at: &[&str]) -> Self;
    /// Stated as last done on a day, with the meter's count if known.
    fn stated(self, on: &str, count: Option<&str>) -> Self;
    /// The meter ran: from, to, hours.
    fn ran(self, stretches: &[(&str, &str, &str)]) -> Self;
    /// From a day on another rule is in effect.
    fn changed(self, on: &str, clauses: &[Clause]) -> Self;
    /// The row on a day under a calendar.
    fn row_under(&self, calendar: &Calendar, as_of: &str) -> PlanRow;
    /// The row on a day when every day is worked.
    fn row(&self, as_of: &str) -> PlanRow {
        self.row_under(&plain(), as_of)
    }
}

impl Story for TaskInput {
    fn closed(mut self, at: &[&str]) -> TaskInput {
        self.closings.extend(at.iter().map(|at| Closing { done_at: utc(at) }));
        self
    }

    fn stated(mut self, on: &str, count: Option<&str>) -> TaskInput {
        let counts = count.map(|count| (METER, hours(count))).into_iter().collect();
        self.last_done = Some(LastDone { day: day(on), counts });
        self
    }

    fn ran(mut self, stretches: &[(&str, &str, &str)]) -> TaskInput {
        let segment = |(from, to, ran): &(&str, &str, &str)| Segment {
            start: utc(from),
            end: utc(to),
            amount: hours(ran),
        };
        let history = History::from_segments(stretches.iter().map(segment));
        self.meters.insert(METER, MeterInput { unit: Unit::Hours, history, forecast: None });
        self
    }

    fn changed(mut self, on: &str, clauses: &[Clause]) -> TaskInput {
        let rule = rule_of(clauses, Combine::Earliest, Window::default());
        self.versions.push(RuleVersion { effective: day(on), rule });
        self
    }

    fn row_under(&self, calendar: &Calendar, as_of: &str) -> PlanRow {
        let mut input = self.clone();
        let rests = input.rests.clone();
        for meter in input.meters.values_mut() {
            let usage = UsageSummary::of(meter.history.runs(), calendar, day(as_of));
            let opening = meter.history.opening().map(|opening| opening.at);
            let (most, fleet) = (MaxPerHour::ONE_HOUR_AN_HOUR, Fleet::ASSUMED);
            let ground = Ground { most, fleet, work_days: None, planned: &Planned::default(), rests: &rests };
            meter.forecast = Some(Arc::new(MeterForecast::of(&usage, opening, ground, calendar)));
        }
        plan_task(&input, calendar, day(as_of)).expect("every month is loaded")
    }
}

/// The shop day of an instant when days are dates.
fn date(at: Option<Ts>) -> String {
    at.map(|at| plain().shop_day_of(at).to_string()).unwrap_or_default()
}
