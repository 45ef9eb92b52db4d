//! The plain definition of the ledger: everything received, judged at once.
//!
//! This is the specification that the incremental judging is held to.

use super::absolute::{Contribution, Counter, Unread};
use super::declare::{Declarations, Meter, Replacement};
use super::fit::{fit, overlap, segment};
use super::history::Segment;
use super::report::{LENGTH_MAX_MICROS, Received, ReportId, ReportKey, Statement};
use super::row::{Feed, Reason, Rival, Row, Settlement};
use super::seat::{Moment, Seat, Turn, take};
use super::standing::stand;
use crate::ids::MeterId;
use crate::time::Ts;
use std::collections::BTreeMap;

/// The settlements in force: the last in the journal of each statement.
pub type Settlements = BTreeMap<ReportKey, Settlement>;

/// A ledger judged in full.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ledger {
    /// All rows, in the order of their keys.
    pub rows: BTreeMap<ReportKey, Row>,
    /// What the replacements of counters contribute, in the order of meter and time.
    pub replaced: BTreeMap<(MeterId, Ts), Contribution>,
}

impl Ledger {
    /// Everything that the meter counts.
    pub fn segments_of(&self, meter: MeterId) -> impl Iterator<Item = Segment> {
        let rows = self.rows.values().filter(move |row| row.meter == Some(meter));
        let replaced = self.replaced.range((meter, Ts(i64::MIN))..=(meter, Ts(i64::MAX)));
        rows.filter_map(|row| row.segment).chain(replaced.map(|(_, contribution)| contribution.segment))
    }
}

/// Judges everything received, as of an instant. The order of `received` and repeats in it change nothing.
pub fn judge_all(
    received: &[Received],
    settlements: &Settlements,
    declarations: &Declarations,
    as_of: Ts,
) -> Ledger {
    let mut intervals: BTreeMap<MeterId, Vec<Row>> = BTreeMap::new();
    let mut readings: BTreeMap<MeterId, Vec<Row>> = BTreeMap::new();
    let mut ledger = Ledger::default();
    for mut rows in by_report(received, settlements).into_values() {
        if let Some(place) = stand(&mut rows) {
            let mut row = rows.swap_remove(place);
            match take(&mut row, declarations, as_of) {
                Seat::Decided => rows.push(row),
                Seat::Interval(meter) => intervals.entry(meter).or_default().push(row),
                Seat::Reading(meter) => readings.entry(meter).or_default().push(row),
            }
        }
        ledger.rows.extend(rows.into_iter().map(|row| (row.key.clone(), row)));
    }
    for meter in declarations.meters() {
        let rows = judge_intervals(intervals.remove(&meter.id).unwrap_or_default(), meter, declarations);
        ledger.rows.extend(rows.into_iter().map(|row| (row.key.clone(), row)));
        let (rows, replaced) = judge_readings(readings.remove(&meter.id).unwrap_or_default(), meter);
        ledger.rows.extend(rows.into_iter().map(|row| (row.key.clone(), row)));
        ledger.replaced.extend(replaced.into_iter().map(|c| ((meter.id, c.at), c)));
    }
    ledger
}

/// The rows of each report, with their settlements, a statement received twice being one row.
fn by_report(received: &[Received], settlements: &Settlements) -> BTreeMap<ReportId, Vec<Row>> {
    let mut rows: BTreeMap<&ReportKey, Row> = BTreeMap::new();
    for one in received {
        let row = rows.entry(&one.key).or_insert_with(|| Row::unjudged(one.clone()));
        row.received_at = row.received_at.min(one.received_at);
        row.settlement = settlements.get(&one.key).copied();
    }
    let mut reports: BTreeMap<ReportId, Vec<Row>> = BTreeMap::new();
    for row in rows.into_values() {
        reports.entry(row.key.id()).or_default().push(row);
    }
    reports
}

/// Judges the intervals of one meter, each against those before it in turn that count.
fn judge_intervals(rows: Vec<Row>, meter: &Meter, declarations: &Declarations) -> Vec<Row> {
    let in_turn: BTreeMap<Turn, Row> =
        rows.into_iter().filter_map(|row| Some((Turn::of(&row, declarations)?, row))).collect();
    let mut judged: Vec<Row> = Vec::with_capacity(in_turn.len());
    let mut counted: BTreeMap<Ts, Vec<usize>> = BTreeMap::new();
    for mut row in in_turn.into_values() {
        let Some(own) = segment(&row) else { continue };
        // A report covers at most 31 days, so none that began earlier reaches into this one.
        let near = counted.range(own.start.plus_micros(-LENGTH_MAX_MICROS)..own.end);
        let mut before: Vec<usize> = near.flat_map(|(_, places)| places).copied().collect();
        before.retain(|place| {
            segment(&judged[*place]).is_some_and(|s| overlap((s.start, s.end), (own.start, own.end)))
        });
        before.sort_unstable();
        let before: Vec<&Row> = before.into_iter().map(|place| &judged[place]).collect();
        match if row.settled_count() { Ok(()) } else { fit(&row, &before, meter.max) } {
            Ok(()) => {
                counted.entry(own.start).or_default().push(judged.len());
                row.count(own);
            }
            Err(reason) => row.hold(reason),
        }
        judged.push(row);
    }
    judged
}

/// Judges the readings of one meter in time order, the replacements of its counter between them.
fn judge_readings(rows: Vec<Row>, meter: &Meter) -> (Vec<Row>, Vec<Contribution>) {
    if meter.takes().feed == Feed::Interval {
        return (rows, Vec::new());
    }
    let mut walk = Walk::new(meter);
    let in_time: BTreeMap<Moment, Row> =
        rows.into_iter().filter_map(|row| Some((Moment::of(&row)?, row))).collect();
    let mut judged = Vec::with_capacity(in_time.len());
    for mut row in in_time.into_values() {
        walk.take(&mut row);
        judged.push(row);
    }
    (judged, walk.finish())
}

/// One walk over the readings and the replacements of a meter, in time order.
pub(super) struct Walk<'a> {
    counter: Counter,
    to_come: &'a [Replacement],
    contributions: Vec<Contribution>,
    last: Option<Rival>,
}

impl<'a> Walk<'a> {
    fn new(meter: &'a Meter) -> Walk<'a> {
        Walk {
            counter: Counter::new(meter.max),
            to_come: &meter.replacements,
            contributions: Vec::new(),
            last: None,
        }
    }

    /// A walk that goes on after a reading that counts, or from the beginning when there is none.
    pub(super) fn resume(meter: &'a Meter, after: Option<&Row>) -> Walk<'a> {
        let mut walk = Walk::new(meter);
        if let Some(row) = after
            && let Statement::Absolute { at, value, .. } = row.content.statement
        {
            walk.to_come = &walk.to_come[walk.to_come.partition_point(|r| r.at <= at)..];
            walk.counter.settle(at, value);
            walk.last = Some(Rival::of(&row.key));
        }
        walk
    }

    /// What the replacements up to the last reading contribute.
    pub(super) fn so_far(self) -> Vec<Contribution> {
        self.contributions
    }

    /// Takes the replacements up to and at an instant.
    fn replace_up_to(&mut self, at: Ts) {
        while let Some((first, rest)) = self.to_come.split_first()
            && first.at <= at
        {
            let segment = self.counter.replace(first);
            self.contributions.push(Contribution { at: first.at, segment });
            self.to_come = rest;
        }
    }

    /// Takes the next reading and sets what becomes of it.
    pub(super) fn take(&mut self, row: &mut Row) {
        let Statement::Absolute { at, value, .. } = row.content.statement else { return };
        self.replace_up_to(at);
        let taken = if row.settled_count() {
            Ok(self.counter.settle(at, value))
        } else {
            self.counter.read(at, value)
        };
        match taken {
            Ok(segment) => {
                self.last = Some(Rival::of(&row.key));
                row.count(segment);
            }
            Err(Unread::Fell { from, to }) => row.hold(Reason::Fell { from, to }),
            Err(Unread::MoreThanTime { amount, most }) => row.hold(Reason::MoreThanTime { amount, most }),
            Err(Unread::OtherAtOnce) => {
                let with = self.last.clone().unwrap_or_else(|| Rival::of(&row.key));
                row.hold(Reason::Conflict { with });
            }
        }
    }

    /// Takes the replacements after the last reading, and gives what all of them contribute.
    pub(super) fn finish(mut self) -> Vec<Contribution> {
        self.replace_up_to(Ts(i64::MAX));
        self.contributions
    }
}
