//! Where a standing report is to be judged, and what can be said of it without looking at any other.

use super::changes::Need;
use super::declare::Declarations;
use super::report::{Digest, LENGTH_MAX_MICROS, Received, Statement};
use super::row::{Feed, Impossible, Reason, Row, State};
use crate::ids::MeterId;
use crate::quantity::{AMOUNT_MAX, Amount};
use crate::text::ForeignName;
use crate::time::Ts;

/// What remains to be judged of a report after looking at it alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Seat {
    /// Nothing: its state is set.
    Decided,
    /// Whether its interval fits on this meter.
    Interval(MeterId),
    /// Whether its reading follows on those before it on this meter.
    Reading(MeterId),
}

/// Resolves the machine and the meter of a standing row, and sets its state where that needs no other report.
pub(super) fn take(row: &mut Row, declarations: &Declarations, as_of: Ts) -> Seat {
    let Some(sent) = row.form() else { return Seat::Decided };
    let content = &row.content;
    let meter = match declarations.resolve(&row.key.source, &content.machine, content.meter.as_ref()) {
        Ok(meter) => meter,
        Err((machine, reason)) => {
            (row.machine, row.meter) = (machine, None);
            row.hold(reason);
            return Seat::Decided;
        }
    };
    (row.machine, row.meter) = (Some(meter.machine), Some(meter.id));
    let takes = meter.takes();
    if sent.unit != takes.unit || (sent.feed == Feed::Interval && takes.feed == Feed::Absolute) {
        row.hold(Reason::WrongKind { takes, sent });
        return Seat::Decided;
    }
    if let Some(why) = impossible(&row.content.statement) {
        row.hold(Reason::Impossible { why });
        return Seat::Decided;
    }
    if let Statement::Interval { start, end, amount, .. } = row.content.statement {
        let most = meter.max.capacity(end.micros_since(start)) + meter.max.grace();
        if amount > most && !row.settled_count() {
            row.hold(Reason::MoreThanTime { amount, most });
            return Seat::Decided;
        }
    }
    let end = row.span().map_or(Ts::MIN, |(_, end)| end);
    if end > as_of {
        row.hold(Reason::Future { counts_from: end });
        return Seat::Decided;
    }
    match (sent.feed, takes.feed) {
        (Feed::Interval, _) => Seat::Interval(meter.id),
        (Feed::Absolute, Feed::Absolute) => Seat::Reading(meter.id),
        (Feed::Absolute, Feed::Interval) => {
            row.became(State::Check);
            Seat::Decided
        }
    }
}

/// What overlaps an arriving interval, when it may come to be judged beside it.
pub(super) fn window(arrival: &Received, declarations: &Declarations) -> Option<Need> {
    let Received { key, content, .. } = arrival;
    let Statement::Interval { start, end, .. } = content.statement else { return None };
    if impossible(&content.statement).is_some() {
        return None;
    }
    let meter = declarations.resolve(&key.source, &content.machine, content.meter.as_ref()).ok()?;
    (meter.feed == Feed::Interval).then_some(Need::Overlapping { meter: meter.id, from: start, to: end })
}

fn impossible(statement: &Statement) -> Option<Impossible> {
    let amount = match *statement {
        Statement::Interval { start, end, .. } if end <= start => return Some(Impossible::EndNotAfterStart),
        Statement::Interval { start, end, .. } if end.micros_since(start) > LENGTH_MAX_MICROS => {
            return Some(Impossible::Over31Days);
        }
        Statement::Interval { amount, .. } => amount,
        Statement::Absolute { value, .. } => value,
        Statement::Withdrawn => return None,
    };
    if amount < Amount::ZERO {
        Some(Impossible::Negative)
    } else if amount > AMOUNT_MAX {
        Some(Impossible::TooLarge)
    } else {
        None
    }
}

/// The place of an interval in the order in which a meter's reports are judged.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Turn {
    unsettled: bool,
    rank: u32,
    start: Ts,
    end: Ts,
    report: ForeignName,
    digest: Digest,
    source: ForeignName,
}

impl Turn {
    /// The turn of an interval; none for other statements.
    pub(super) fn of(row: &Row, declarations: &Declarations) -> Option<Turn> {
        let Statement::Interval { start, end, .. } = row.content.statement else { return None };
        Some(Turn {
            unsettled: !row.settled_count(),
            rank: declarations.rank(&row.key.source),
            start,
            end,
            report: row.key.report.clone(),
            digest: row.key.digest,
            source: row.key.source.clone(),
        })
    }
}

/// The place of a reading in time: those of one instant by settlement, digest, source and report.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Moment {
    pub(super) at: Ts,
    unsettled: bool,
    digest: Digest,
    source: ForeignName,
    report: ForeignName,
}

impl Moment {
    /// The moment of a reading; none for other statements.
    pub(super) fn of(row: &Row) -> Option<Moment> {
        let Statement::Absolute { at, .. } = row.content.statement else { return None };
        Some(Moment {
            at,
            unsettled: !row.settled_count(),
            digest: row.key.digest,
            source: row.key.source.clone(),
            report: row.key.report.clone(),
        })
    }
}
