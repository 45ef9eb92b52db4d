//! A plan row: everything a list, `why` and an audit need to know of one open order, as data.

use super::model::Modelled;
use crate::forecast::{Basis, Likeness};
use crate::ids::{MachineId, MeterId, OrderNumber, TaskId};
use crate::quantity::{Amount, Unit};
use crate::reading::{Beyond, OutOfLimits, Value};
use crate::rule::model::Model;
use crate::rule::{Combine, Every, RecurrenceSpec};
use crate::text::Key;
use crate::time::{ShopDay, Ts};
use serde::{Deserialize, Serialize};
use serde_with::skip_serializing_none;
use std::borrow::Cow;

/// The part of the list in which a row stands. The numbers are stored and never change.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[repr(u8)]
pub enum Section {
    /// In order of the due point; what has no expected date yet stands last.
    Dated = 0,
    /// Nobody has stated when this was last done, or at what count.
    NeverRecorded = 1,
    /// On no list: the machine is resting, or the rule has ended.
    Unlisted = 2,
}

/// What kind of due point governs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DueKind {
    /// A meter has reached its threshold: the due instant is that crossing.
    Exact,
    /// A day of the calendar: due at the shop day's start.
    CalendarDay,
    /// A meter has not reached its threshold: the due instant is a forecast, or absent while nothing runs.
    Expected,
    /// Raised by somebody, a finding or a reading: due at once or on the day that was asked for.
    Raised,
    /// Never recorded, or hours not known.
    Unknown,
    /// The rule gives no further due point: the days of a recurrence rule have come to their end.
    Ended,
}

/// Where a clause counts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Base {
    /// Nothing: never recorded.
    Never,
    /// The last closing, done at this instant.
    Closing(Ts),
    /// What was stated to have been done before records began, on this day.
    Stated(ShopDay),
    /// A skipped due point, at this instant.
    Skip(Ts),
    /// The grid.
    Grid,
    /// A reading, at this instant.
    Reading(Ts),
    /// What was poured in at this instant.
    Poured(Ts),
}

/// A due point that a clause gives, with what it rests on.
#[skip_serializing_none]
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClauseState {
    /// What the clause counts from.
    pub base: Base,
    /// Its due instant; absent when not known and not expected.
    pub due: Option<Ts>,
    /// Its kind; never [`DueKind::Raised`], which is the order's.
    pub kind: DueKind,
    /// When its window opened or opens; absent until a meter has reached it.
    pub opens: Option<Ts>,
    /// The first instant at which it is late; absent until a meter has reached it.
    pub late: Option<Ts>,
    /// When its window opens by the forecast, where `opens` is absent.
    pub opens_expected: Option<Ts>,
    /// How sure `due` is, where the kind is [`DueKind::Expected`] and a date can be expected.
    pub ahead: Option<Ahead>,
    /// What is counted.
    pub counted: Counted,
}

/// How sure an expected due instant is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ahead {
    /// The instant by which it is due with a chance of one in ten; none beyond the horizon of ten years.
    pub p10: Option<Ts>,
    /// The instant by which it is due with a chance of nine in ten; none beyond the horizon.
    pub p90: Option<Ts>,
    /// The chance that it falls due before the shop day ends, in thousandths.
    pub today: u16,
}

impl ClauseState {
    /// Whether it waits for a reading out of limits, and none is.
    pub fn waits_for_reading(&self) -> bool {
        match &self.counted {
            Counted::Reading { first, .. } => first.is_none(),
            Counted::Model { told, .. } => told.waits && told.reached.is_none(),
            Counted::Calendar { .. } | Counted::Recurrence { .. } | Counted::Meter { .. } => false,
        }
    }

    /// The due points of which it is made: those of its model, or itself.
    pub fn parts(&self) -> &[ClauseState] {
        match &self.counted {
            Counted::Model { parts, .. } => parts,
            Counted::Calendar { .. }
            | Counted::Recurrence { .. }
            | Counted::Reading { .. }
            | Counted::Meter { .. } => std::slice::from_ref(self),
        }
    }

    /// Whether a reading beyond a stop limit makes it due.
    pub fn is_beyond_stop(&self) -> bool {
        matches!(self.counted, Counted::Reading { stop: true, .. })
    }
}

impl Ahead {
    /// The same where nothing is due before an instant, for a shop day that ends at `day_ends`.
    pub(super) fn not_before(self, floor: Ts, day_ends: Ts) -> Ahead {
        let raise = |at: Option<Ts>| at.map(|at| at.max(floor));
        let today = if floor < day_ends { self.today } else { 0 };
        Ahead { p10: raise(self.p10), p90: raise(self.p90), today }
    }
}

/// What the expected due instant of a meter rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Expectation {
    /// Its own reports, or those of machines like it.
    pub basis: Basis,
    /// How many reports of its own.
    pub reports: u32,
    /// What ran in the 28 days before the shop day's start.
    pub last_28_days: Amount,
    /// The mean expected in a day, all days alike.
    pub per_day: Amount,
    /// How far the mean itself is in doubt: its standard deviation, in hundredths of it.
    pub doubt_percent: u32,
    /// Whether reports have stayed away for unusually long.
    pub silent: bool,
    /// Whose past stands beside its own.
    #[serde(default)]
    pub likeness: Likeness,
    /// Which days are taken to bear its hours.
    #[serde(default)]
    pub days: BearingDays,
    /// Until when its use is planned; none where no plan lies ahead.
    #[serde(default)]
    pub planned_to: Option<Ts>,
}

/// Which days of the time ahead are taken to bear a meter's hours.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BearingDays {
    /// Those of a week as its own past shows it; all alike where that shows none.
    #[default]
    OwnWeek,
    /// Those on which the site works.
    Calendar,
}

/// A limit towards which readings drift.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reaching {
    /// The last reading.
    pub value: Value,
    /// The sign of its unit.
    pub sign: String,
    /// The limit.
    pub limit: Beyond,
    /// How many readings tell it.
    pub readings: u32,
}

/// What a clause counts, and how far it has come.
#[skip_serializing_none]
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Counted {
    /// Days.
    Calendar {
        /// The interval.
        every: Every,
        /// The day counted from: of the last closing, stated, skipped, or the grid's base.
        from: Option<ShopDay>,
        /// The due day by the rule alone.
        by_rule: Option<ShopDay>,
        /// The due day after the move off closed days.
        day: Option<ShopDay>,
        /// The last day on which it is not late.
        shuts: Option<ShopDay>,
    },
    /// The days of a recurrence rule.
    Recurrence {
        /// The rule.
        rule: RecurrenceSpec,
        /// The newest of its days that is satisfied or skipped; absent before the first.
        before: Option<ShopDay>,
        /// The due day by the rule alone; absent once the rule has ended.
        by_rule: Option<ShopDay>,
        /// The due day after the move off closed days.
        day: Option<ShopDay>,
        /// The last day on which it is not late.
        shuts: Option<ShopDay>,
    },
    /// A reading out of limits.
    Reading {
        /// The test point's key.
        point: Key,
        /// The first out of limits since what the clause counts from; absent while none is.
        first: Option<OutOfLimits>,
        /// The newest of them, where there are several.
        newest: Option<OutOfLimits>,
        /// Whether any of them is beyond a stop limit.
        stop: bool,
        /// Whether a drift towards a limit says when it is expected.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        expects: bool,
        /// The limit towards which the readings drift, while none is out.
        reaching: Option<Reaching>,
    },
    /// What a model says.
    Model {
        /// The model.
        model: Box<Model<MeterId>>,
        /// What it starts from, how fast it goes and what it finds.
        told: Box<Modelled>,
        /// Which of its parts governs; none where a reading says that it is due.
        governing: Option<usize>,
        /// The due points that it gives: a count of a meter, a day at the latest.
        parts: Vec<ClauseState>,
    },
    /// A meter.
    Meter {
        /// The meter.
        meter: MeterId,
        /// Its unit.
        unit: Unit,
        /// The interval.
        every: Amount,
        /// The count counted from: at the last closing, stated, skipped, or the due point before on the grid.
        from: Option<Amount>,
        /// The count at which it is due.
        threshold: Option<Amount>,
        /// H: everything counted so far; absent when nothing has been.
        h: Option<Amount>,
        /// The latest instant to which hours are known.
        known_to: Option<Ts>,
        /// What an expected due instant rests on; absent where none is expected.
        expectation: Option<Expectation>,
    },
}

/// Why an order is due later than its clauses alone would have it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HeldUntil {
    /// A changed rule took effect on this day; what it makes due is not due before.
    Change(ShopDay),
    /// The machine rested; what fell due meanwhile is due on the day the rest ended.
    RestEnd(ShopDay),
}

/// What a row was computed from and by. A row whose stamp differs from the present one is stale.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Stamp {
    /// The shop day as of whose start the forecast stands.
    pub as_of: ShopDay,
    /// The fleet figures used.
    pub fleet_epoch: i64,
    /// The calendar's revision.
    pub calendar_revision: i64,
    /// The version of the time zone data.
    pub zone_data: Cow<'static, str>,
    /// The planner's version.
    pub planner: u32,
}

/// The plan of one open order.
#[skip_serializing_none]
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanRow {
    /// The order.
    pub order: OrderNumber,
    /// The task it is an occurrence of; absent for an unplanned job.
    pub task: Option<TaskId>,
    /// The machine.
    pub machine: MachineId,
    /// The part of the list in which it stands.
    pub section: Section,
    /// What it is ordered by within its section.
    pub key_time: Ts,
    /// When it is or was due; the median of the forecast where the kind is expected.
    pub due: Option<Ts>,
    /// What kind of due point that is.
    pub kind: DueKind,
    /// The clause that governs, as an index into `clauses`.
    pub governing: Option<usize>,
    /// When work on it began or begins to count; absent until a meter has reached it.
    pub opens: Option<Ts>,
    /// The first instant at which it is late; absent until a meter has reached it.
    pub late: Option<Ts>,
    /// When work on it begins to count by the forecast, where `opens` is absent or later: the latest that can be.
    pub opens_expected: Option<Ts>,
    /// The instant by which it is due with a chance of one in ten; absent unless a forecast has a part in when it is due.
    pub p10: Option<Ts>,
    /// The median of the due instant, where it is a forecast.
    pub p50: Option<Ts>,
    /// The instant by which it is due with a chance of nine in ten.
    pub p90: Option<Ts>,
    /// The chance that it falls due before the shop day ends, in thousandths, where a forecast has a part in that.
    pub chance_today: Option<u16>,
    /// How the clauses combine.
    pub combine: Combine,
    /// Every clause of the rule that applies.
    pub clauses: Vec<ClauseState>,
    /// The day from which the rule that applies is in effect; absent for an unplanned job.
    pub rule_effective: Option<ShopDay>,
    /// Why it is due later than its clauses alone would have it.
    pub held_until: Option<HeldUntil>,
    /// The order under which it is shown, because its task covers this one's.
    pub covered_by: Option<OrderNumber>,
    /// Whether leaving it undone can hurt somebody.
    pub hazard: bool,
    /// What it was computed from and by.
    pub stamp: Stamp,
}

impl PlanRow {
    /// When work on it begins to count, as far as that is known or expected: the earlier of both.
    pub fn opening(&self) -> Option<Ts> {
        self.opens_expected.or(self.opens)
    }

    /// Whether hours that are not known yet may shut its window before `late`, which then is the latest that can be.
    pub fn may_be_late_before(&self) -> bool {
        let comes_first = |at: Option<Ts>| at.is_some_and(|at| self.late.is_none_or(|late| at < late));
        let open = |part: &ClauseState| {
            let due = part.ahead.and_then(|ahead| ahead.p10).or(part.due);
            part.late.is_none() && matches!(part.kind, DueKind::Exact | DueKind::Expected) && comes_first(due)
        };
        self.kind != DueKind::Raised
            && self.combine == Combine::Earliest
            && self
                .clauses
                .iter()
                .any(|clause| !clause.waits_for_reading() && clause.parts().iter().any(open))
    }

    /// The instant by which it is due with a chance of one in ten, where a forecast has a part in that; else its key time.
    /// A list in this order, cut off at it, names what may well fall due early.
    pub fn sure_time(&self) -> Ts {
        self.p10.unwrap_or(self.key_time)
    }
}
