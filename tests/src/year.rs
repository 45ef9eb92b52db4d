//! A year of real duty: 202,038 reports of 2,481 machines, and the shop that cares for them.

use crate::oracle::data;
use chrono::DateTime;
use fettler_proto::v1::clause::Counts;
use fettler_proto::v1::shift_report::Statement;
use fettler_proto::v1::{
    CalendarClause, CalendarUnit, Clause, Combine, CountsFrom, IntervalRule, IntervalStatement, LastDone,
    MachineCard, MeterCard, MeterClause, MeterCount, MeterKind, ShiftReport, Shop, Site, Source, TaskCard,
};
use flate2::read::GzDecoder;
use prost_types::Timestamp;
use std::collections::BTreeMap;
use std::fs::File;

/// The file.
pub const FILE: &str = "nyc2013_public.csv.gz";
/// The site's time zone: that of the airports.
pub const ZONE: &str = "America/New_York";
/// The shop day before the year's first report, on which everything was done.
pub const LAST_DONE: &str = "2012-12-31";
/// Milliseconds in a hundredth of an hour, the file's smallest step.
const MS_PER_HUNDREDTH: i64 = 36_000;
/// Machines of one area.
const AREA: usize = 250;

/// One report of the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Leg {
    /// The machine.
    pub machine: String,
    /// The report's own name.
    pub report: String,
    /// First instant, in microseconds since 1970.
    pub start: i64,
    /// First instant after it.
    pub end: i64,
    /// How much was run, as the file says it.
    pub hours: String,
}

impl Leg {
    /// How much was run, in milliseconds.
    pub fn amount_ms(&self) -> i64 {
        let (whole, part) = self.hours.split_once('.').unwrap_or((&self.hours, "0"));
        let part = format!("{part:0<2}");
        let number = |text: &str| text.parse::<i64>().expect("digits");
        (number(whole) * 100 + number(&part)) * MS_PER_HUNDREDTH
    }

    /// The report as it is pushed.
    pub fn report(&self) -> ShiftReport {
        ShiftReport {
            source: "erp".into(),
            report_id: self.report.clone(),
            machine: self.machine.clone(),
            statement: Some(Statement::Interval(IntervalStatement {
                start: Some(timestamp(self.start)),
                end: Some(timestamp(self.end)),
                amount: self.hours.clone(),
                ..IntervalStatement::default()
            })),
            ..ShiftReport::default()
        }
    }
}

/// The wire's form of an instant.
pub fn timestamp(micros: i64) -> Timestamp {
    let nanos = i32::try_from(micros.rem_euclid(1_000_000) * 1_000).expect("below a second");
    Timestamp { seconds: micros.div_euclid(1_000_000), nanos }
}

/// The microseconds of the wire's form of an instant.
pub fn micros(at: &Timestamp) -> i64 {
    at.seconds * 1_000_000 + i64::from(at.nanos) / 1_000
}

/// The whole file, in its order: by machine and start.
pub fn legs() -> Vec<Leg> {
    let file = File::open(data(FILE)).expect("the year's file");
    let mut rows = csv::Reader::from_reader(GzDecoder::new(file));
    let instant = |text: &str| DateTime::parse_from_rfc3339(text).expect("RFC 3339").timestamp_micros();
    let legs: Vec<Leg> = rows
        .records()
        .map(|row| {
            let row = row.expect("a row");
            let [machine, report, start, end, hours] = [0, 1, 2, 3, 4].map(|i| row[i].to_owned());
            Leg { machine, report, start: instant(&start), end: instant(&end), hours }
        })
        .collect();
    assert_eq!(legs.len(), 202_038, "the file is whole");
    legs
}

/// The machines of some reports, in order.
pub fn machines(legs: &[Leg]) -> Vec<String> {
    let mut tags: Vec<String> = legs.iter().map(|leg| leg.machine.clone()).collect();
    tags.sort();
    tags.dedup();
    tags
}

/// What each machine ran in all, in milliseconds.
pub fn totals_ms(legs: &[Leg]) -> BTreeMap<String, i64> {
    let mut totals = BTreeMap::new();
    for leg in legs {
        *totals.entry(leg.machine.clone()).or_default() += leg.amount_ms();
    }
    totals
}

fn every_hours(every: u32, counts_from: CountsFrom) -> Clause {
    let clause =
        MeterClause { every: every.to_string(), counts_from: counts_from.into(), ..MeterClause::default() };
    Clause { counts: Some(Counts::Meter(clause)) }
}

fn every_days(every: i32, unit: CalendarUnit, base_day: &str) -> Clause {
    let counts_from = if base_day.is_empty() { CountsFrom::LastClosing } else { CountsFrom::Grid };
    let clause = CalendarClause {
        every,
        unit: unit.into(),
        counts_from: counts_from.into(),
        base_day: base_day.into(),
    };
    Clause { counts: Some(Counts::Calendar(clause)) }
}

/// The rules of the six tasks of every machine, by the task's key. `tests/oracle/crossings.py` holds the same.
pub fn rules() -> Vec<(&'static str, IntervalRule)> {
    let rule = |clauses: Vec<Clause>| IntervalRule { clauses, ..IntervalRule::default() };
    let (closing, grid) = (CountsFrom::LastClosing, CountsFrom::Grid);
    vec![
        ("filter", rule(vec![every_hours(250, closing)])),
        ("lube", rule(vec![every_hours(100, closing)])),
        ("look", rule(vec![every_days(30, CalendarUnit::Day, "")])),
        ("grease", rule(vec![every_hours(50, closing), every_days(90, CalendarUnit::Day, "")])),
        ("overhaul", rule(vec![every_hours(500, grid)])),
        (
            "belt",
            IntervalRule {
                combine: Combine::Latest.into(),
                ..rule(vec![every_hours(150, closing), every_days(4, CalendarUnit::Month, "")])
            },
        ),
    ]
}

/// The shop of these machines.
pub fn shop(machines: &[String]) -> Shop {
    let site =
        Site { key: "year".into(), name: "A year of duty".into(), zone: ZONE.into(), ..Site::default() };
    let erp = Source { name: "erp".into(), rank: 1, feeds: MeterKind::Operating.into() };
    let cards = machines.iter().enumerate().map(|(place, tag)| card(tag, place / AREA));
    Shop {
        site: Some(site),
        sources: vec![erp],
        people: vec!["Ada Kern".into()],
        machines: cards.collect(),
        sheets: vec![],
        items: Vec::new(),
    }
}

fn card(tag: &str, area: usize) -> MachineCard {
    let task = |key: &str, rule| TaskCard { key: key.into(), rule: Some(rule), ..TaskCard::default() };
    let done = |key: &str| LastDone {
        task: key.into(),
        day: LAST_DONE.into(),
        counts: vec![MeterCount { meter: String::new(), count: "0".into() }],
        ..LastDone::default()
    };
    MachineCard {
        tag: tag.into(),
        family: "duty".into(),
        area: format!("Hall {}", area + 1),
        meters: vec![MeterCard { kind: MeterKind::Operating.into(), ..MeterCard::default() }],
        tasks: rules().into_iter().map(|(key, rule)| task(key, rule)).collect(),
        last_done: rules().iter().map(|(key, _)| done(key)).collect(),
        ..MachineCard::default()
    }
}
