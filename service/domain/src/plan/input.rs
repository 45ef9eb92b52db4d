//! What the planner is given of one task: everything it may depend on, and nothing else.

use super::row::BearingDays;
use crate::calendar::Calendar;
use crate::forecast::{Course, Days, Fleet, Hours, Likeness, Outlook, PlannedUse, Reported, Usage, WorkDays};
use crate::ids::{MachineId, MeterId, OrderNumber, TaskId};
use crate::ledger::declare::Replacement;
use crate::ledger::history::History;
use crate::planned::{Planned, PlannedStretch};
use crate::quantity::{Amount, MaxPerHour, Unit};
use crate::reading::course::Placed;
use crate::reading::{Limits, OutOfLimits};
use crate::rule::IntervalRule;
use crate::text::Key;
use crate::time::{MICROS_PER_DAY, ShopDay, Ts};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A rule and the day from which it is in effect.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RuleVersion {
    /// The first shop day on which it is in effect.
    pub effective: ShopDay,
    /// The rule.
    pub rule: IntervalRule,
}

/// A closing of the task, its own or one that covered it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Closing {
    /// When the work was done.
    pub done_at: Ts,
}

/// A skip of the task's order: the next counts from the skipped due point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Skip {
    /// When it was decided.
    pub at: Ts,
}

/// What was stated to have been done before records began.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastDone {
    /// The day.
    pub day: ShopDay,
    /// The count that each meter showed, where it is known.
    pub counts: BTreeMap<MeterId, Amount>,
}

/// A time for which the machine was laid up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Rest {
    /// Its first instant.
    pub from: Ts,
    /// Its end, once known.
    pub until: Option<Ts>,
}

/// A meter of the machine as the planner needs it.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterInput {
    /// Its unit.
    pub unit: Unit,
    /// What it has counted.
    pub history: History,
    /// What is expected of it as of the start of the shop day; without it no date is expected.
    pub forecast: Option<Arc<MeterForecast>>,
}

/// What is expected of a meter as of the start of a shop day, made once for all tasks that count it.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterForecast {
    /// Its time ahead.
    pub outlook: Outlook,
    /// The most it counts in an hour of the clock, by which its amounts are hours.
    pub most: MaxPerHour,
    /// How many reports that rests on.
    pub reports: u32,
    /// What ran in the 28 days before.
    pub last_28_days: Amount,
    /// Whose past stands beside its own.
    pub likeness: Likeness,
    /// Which days are taken to bear its hours.
    pub days: BearingDays,
    /// Until when its use is planned; none where no plan lies ahead.
    pub planned_to: Option<Ts>,
}

/// What a meter's forecast rests on beside its own reports.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ground<'a> {
    /// The most it counts in an hour of the clock.
    pub most: MaxPerHour,
    /// The figures of machines like its own.
    pub fleet: Fleet,
    /// The days on which the site works, where its calendar says.
    pub work_days: Option<&'a WorkDays>,
    /// What is planned.
    pub planned: &'a Planned,
}

impl MeterForecast {
    /// The forecast as of the start of a shop day, from the reports that had ended by then, in whatever order they come.
    pub fn of(
        reports: impl IntoIterator<Item = (Ts, Amount)>,
        ground: Ground<'_>,
        calendar: &Calendar,
        as_of: ShopDay,
    ) -> MeterForecast {
        let Ground { most, fleet, work_days, planned } = ground;
        let start = calendar.start_of(as_of);
        let since = start.plus_micros(-28 * MICROS_PER_DAY);
        let mut last_28_days = Amount::ZERO;
        let mut count = 0;
        let ended = reports.into_iter().filter(|(end, _)| *end <= start);
        let usage = Usage::of(ended.map(|(end, amount)| {
            count += 1;
            if end > since {
                last_28_days = last_28_days + amount;
            }
            Reported { end, hours: Hours::of(amount, most) }
        }));
        let of_calendar = work_days.and_then(|work_days| work_days.course(&usage, start));
        let days = if of_calendar.is_some() { BearingDays::Calendar } else { BearingDays::OwnWeek };
        let course = of_calendar.unwrap_or_else(|| Course::of_week(&usage, start));
        let plans = planned_use(planned, most, start);
        let course = if plans.is_empty() { course } else { course.with_planned(&plans) };
        let outlook = Outlook::with_course(&usage.statistics(start), &fleet.figures, course);
        let planned_to = planned.ahead_of(start);
        MeterForecast {
            outlook,
            most,
            reports: count,
            last_28_days,
            likeness: fleet.likeness,
            days,
            planned_to,
        }
    }
}

/// What is planned, in days from an instant.
fn planned_use(planned: &Planned, most: MaxPerHour, now: Ts) -> Vec<PlannedUse> {
    let stretches = planned.stretches().filter(|stretch| stretch.end > now);
    let of = |stretch: PlannedStretch| PlannedUse {
        start: Days::between(now, stretch.start),
        end: Days::between(now, stretch.end),
        hours: Hours::of(stretch.amount, most),
    };
    stretches.map(of).collect()
}

/// A test point of the machine, where its readings say when a limit is expected.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PointInput {
    /// The sign of its unit.
    pub sign: String,
    /// Its limits.
    pub limits: Limits,
    /// Its newest readings that stand and tell something, in its present unit, in whatever order.
    pub readings: Vec<Placed>,
}

/// One open order with all that its plan depends on. The order of the lists does not matter.
#[derive(Clone, Debug, PartialEq)]
pub struct TaskInput {
    /// The open order.
    pub order: OrderNumber,
    /// Its task; absent for an unplanned job.
    pub task: Option<TaskId>,
    /// The machine.
    pub machine: MachineId,
    /// Whether leaving it undone can hurt somebody.
    pub hazard: bool,
    /// When this order is due because somebody, a finding or a reading raised it, if so.
    pub raised: Option<Ts>,
    /// The rule's versions in the order in which they were saved; of two for one day the later saved counts.
    pub versions: Vec<RuleVersion>,
    /// Closings that stand. Those before the last one, and before the last one ahead of the first skip, may be
    /// left out.
    pub closings: Vec<Closing>,
    /// Skips that stand.
    pub skips: Vec<Skip>,
    /// What was stated to have been done before records began.
    pub last_done: Option<LastDone>,
    /// Where counters of the machine's meters were replaced: a count stated for a later day is the new counter's.
    pub replaced: BTreeMap<MeterId, Vec<Replacement>>,
    /// Readings out of limits that stand, at the test points that its rules wait for.
    pub readings: Vec<OutOfLimits>,
    /// The test points of which its rules expect when a limit is reached.
    pub points: BTreeMap<Key, PointInput>,
    /// When the machine was laid up.
    pub rests: Vec<Rest>,
    /// The machine's meters: those that clauses count, and those by which a closed day is known to be opened.
    pub meters: BTreeMap<MeterId, MeterInput>,
    /// The fleet figures of the day.
    pub fleet_epoch: i64,
}
