//! What became of a report: its state, and the reason as data where it does not count.

use super::history::Segment;
use super::report::{Content, Digest, Received, ReportKey, Statement};
use crate::ids::{MachineId, MeterId};
use crate::quantity::{Amount, Unit};
use crate::text::ForeignName;
use crate::time::Ts;
use serde::{Deserialize, Serialize};

/// What became of a report.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// It counts.
    Counted,
    /// It does not count, for its reason, until that is settled or goes away.
    Held,
    /// A newer revision stands in its place.
    Superseded,
    /// A manager took it out.
    Dropped,
    /// It withdraws the report; nothing of the report counts.
    Withdrawn,
    /// A reading of a counter on a meter that is fed by intervals: kept beside the count, never in it.
    Check,
}

/// A manager's decision on one statement.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Settlement {
    /// It counts, before all others, without the test of fitting.
    Count,
    /// It does not count, and another content of the same revision may stand.
    Drop,
}

/// The report that is in the way.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Rival {
    /// Its source.
    pub source: ForeignName,
    /// Its id.
    pub report: ForeignName,
    /// Its revision.
    pub revision: u32,
}

impl Rival {
    /// The report with this key.
    pub fn of(key: &ReportKey) -> Rival {
        Rival { source: key.source.clone(), report: key.report.clone(), revision: key.revision }
    }
}

/// How a meter is fed, or in which form a report states.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Feed {
    /// Amounts over stretches of time.
    Interval,
    /// Readings of a counter.
    Absolute,
}

/// A unit and a form of statement.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Form {
    /// The unit.
    pub unit: Unit,
    /// The form.
    pub feed: Feed,
}

/// What makes a statement impossible whatever else is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Impossible {
    /// The amount or value is below zero.
    Negative,
    /// The end is not after the start.
    EndNotAfterStart,
    /// It covers more than 31 days.
    Over31Days,
    /// The amount or value is larger than a meter can hold.
    TooLarge,
}

/// Why a report is held.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(tag = "reason", rename_all = "snake_case")]
pub enum Reason {
    /// No machine answers to the name.
    UnknownMachine {
        /// The machine as sent.
        name: ForeignName,
    },
    /// The machine has no such meter, or it does not follow which one is meant.
    UnknownMeter {
        /// The machine as sent.
        machine: ForeignName,
        /// The meter as sent.
        meter: Option<ForeignName>,
    },
    /// The meter takes another unit or another form.
    WrongKind {
        /// What the meter takes.
        takes: Form,
        /// What was sent.
        sent: Form,
    },
    /// It cannot be true.
    Impossible {
        /// Why not.
        why: Impossible,
    },
    /// More was accumulated than the time allows, a minute's grace included.
    MoreThanTime {
        /// What was stated, or follows from the counter.
        amount: Amount,
        /// The most that fits the time, with the grace.
        most: Amount,
    },
    /// It overlaps a counted report of another source, or a counted reading of the same instant says otherwise.
    Conflict {
        /// The first report that is in the way.
        with: Rival,
    },
    /// It overlaps counted reports of its own source, and together they say more than the time allows.
    Overlap {
        /// The first report in the first stretch that is overfull.
        with: Rival,
    },
    /// The same revision came with another content, and that one stands.
    SameRevision {
        /// Digest of the content that stands.
        stands: Digest,
    },
    /// It speaks of time that has not passed.
    Future {
        /// The instant from which it can count: its end.
        counts_from: Ts,
    },
    /// The counter fell, and no replacement of it is recorded in between.
    Fell {
        /// What it showed before.
        from: Amount,
        /// What it is said to show.
        to: Amount,
    },
}

impl Reason {
    /// The word of the reason, the same as in its serialised form.
    pub const fn word(&self) -> &'static str {
        match self {
            Reason::UnknownMachine { .. } => "unknown_machine",
            Reason::UnknownMeter { .. } => "unknown_meter",
            Reason::WrongKind { .. } => "wrong_kind",
            Reason::Impossible { .. } => "impossible",
            Reason::MoreThanTime { .. } => "more_than_time",
            Reason::Conflict { .. } => "conflict",
            Reason::Overlap { .. } => "overlap",
            Reason::SameRevision { .. } => "same_revision",
            Reason::Future { .. } => "future",
            Reason::Fell { .. } => "fell",
        }
    }

    /// Whether an interval held for it is judged again when those before it in turn change.
    pub(super) const fn rests_on_others(&self) -> bool {
        matches!(self, Reason::Conflict { .. } | Reason::Overlap { .. })
    }
}

/// A report in the ledger, with what became of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Row {
    /// How the report is known.
    pub key: ReportKey,
    /// What it says.
    pub content: Content,
    /// When it first came in. It decides nothing.
    pub received_at: Ts,
    /// What a manager decided, last.
    pub settlement: Option<Settlement>,
    /// The machine it was resolved to; only of the statement that stands for its report.
    pub machine: Option<MachineId>,
    /// The meter it was resolved to; only of the statement that stands for its report.
    pub meter: Option<MeterId>,
    /// What became of it.
    pub state: State,
    /// Why it is held; always with [`State::Held`], never otherwise.
    pub reason: Option<Reason>,
    /// What it contributes to H; always with [`State::Counted`], never otherwise. For a reading of a counter: from
    /// the counted reading before it; a step of nothing for the first one.
    pub segment: Option<Segment>,
}

impl Row {
    /// A row that has not been judged: superseded until it is found to stand.
    pub fn unjudged(received: Received) -> Row {
        Row {
            key: received.key,
            content: received.content,
            received_at: received.received_at,
            settlement: None,
            machine: None,
            meter: None,
            state: State::Superseded,
            reason: None,
            segment: None,
        }
    }

    /// Whether it counts.
    pub fn counts(&self) -> bool {
        self.state == State::Counted
    }

    /// Whether a manager decided that it counts.
    pub fn settled_count(&self) -> bool {
        self.settlement == Some(Settlement::Count)
    }

    /// The stretch it speaks of: [start, end), or the instant of a reading twice. None for a withdrawal.
    pub fn span(&self) -> Option<(Ts, Ts)> {
        match self.content.statement {
            Statement::Interval { start, end, .. } => Some((start, end)),
            Statement::Absolute { at, .. } => Some((at, at)),
            Statement::Withdrawn => None,
        }
    }

    /// The form of its statement. None for a withdrawal.
    pub fn form(&self) -> Option<Form> {
        match self.content.statement {
            Statement::Interval { unit, .. } => Some(Form { unit, feed: Feed::Interval }),
            Statement::Absolute { unit, .. } => Some(Form { unit, feed: Feed::Absolute }),
            Statement::Withdrawn => None,
        }
    }

    /// Whether it is a reading whose verdict rests on those before it.
    pub(super) fn rests_on_readings(&self) -> bool {
        let follows = |reason: &Reason| {
            matches!(reason, Reason::Conflict { .. } | Reason::Fell { .. } | Reason::MoreThanTime { .. })
        };
        self.counts() || self.reason.as_ref().is_some_and(follows)
    }

    pub(super) fn became(&mut self, state: State) {
        self.state = state;
        self.reason = None;
        self.segment = None;
    }

    pub(super) fn hold(&mut self, reason: Reason) {
        self.became(State::Held);
        self.reason = Some(reason);
    }

    pub(super) fn count(&mut self, segment: Segment) {
        self.became(State::Counted);
        self.segment = Some(segment);
    }
}
