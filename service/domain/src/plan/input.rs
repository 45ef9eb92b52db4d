//! What the planner is given of one task: everything it may depend on, and nothing else.

use super::laid_up::LaidUp;
use super::row::BearingDays;
use crate::calendar::Calendar;
use crate::fluid::Poured;
use crate::forecast::{Course, Days, Fleet, Hours, Likeness, Outlook, PlannedUse, UsageSummary, WorkDays};
use crate::ids::{MachineId, MeterId, OrderNumber, TaskId};
use crate::ledger::declare::Replacement;
use crate::ledger::history::History;
use crate::planned::{Planned, PlannedStretch};
use crate::quantity::{Amount, MaxPerHour, Unit};
use crate::reading::course::Placed;
use crate::reading::{Limits, OutOfLimits};
use crate::rule::IntervalRule;
use crate::text::Key;
use crate::time::{ShopDay, Ts};
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
    /// The instant from which that counts its days: the start of the shop day, or before it the end of what was told.
    pub from: Ts,
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
    /// When the machine was laid up: no part of the time over which its rate is taken.
    pub rests: &'a [Rest],
}

impl MeterForecast {
    /// The forecast as of the start of a shop day, from what was run before it.
    ///
    /// Where the meter's reports take days or weeks each, hours of the days since the last of them are untold, not idle: for
    /// as long as such a report mostly takes, the forecast is the one as of the end of what was told.
    pub fn of(
        usage: &UsageSummary,
        opening: Option<Ts>,
        ground: Ground<'_>,
        calendar: &Calendar,
    ) -> MeterForecast {
        let Ground { most, fleet, work_days, planned, rests } = ground;
        let as_of = usage.as_of();
        let start = calendar.start_of(as_of);
        let first_seen = calendar.start_of(UsageSummary::first_seen(as_of));
        let opening = opening.filter(|at| first_seen <= *at && *at <= start);
        let untold = usage.untold_days().unwrap_or(0);
        let told_until = calendar.start_of(as_of.plus_days(-untold));
        // Of the days of a rest it is known that nothing was run.
        let is_told = LaidUp::before(rests, start).is_after(told_until);
        let untold = if is_told { 0 } else { untold.min(usage.usual_length_days()) };
        let from = calendar.start_of(as_of.plus_days(-untold));
        let laid_up = LaidUp::before(rests, from);
        let own = usage.usage(most, opening, calendar, |at| at);
        let working = usage.usage(most, opening, calendar, |at| laid_up.moved(at));
        let shifted = usize::try_from(untold).ok().filter(|days| *days > 0);
        let shifted = shifted.and_then(|days| work_days.map(|work_days| work_days.earlier_by(days)));
        let of_calendar = shifted.as_ref().or(work_days).and_then(|work_days| work_days.course(&own, from));
        let days = if of_calendar.is_some() { BearingDays::Calendar } else { BearingDays::OwnWeek };
        let course = of_calendar.unwrap_or_else(|| {
            let by_weeks = usage.usage(most, opening, calendar, |at| laid_up.moved_by_weeks(at));
            Course::of_week(&by_weeks, from)
        });
        let plans = planned_use(planned, most, (from, start));
        let course = if plans.is_empty() { course } else { course.with_planned(&plans) };
        MeterForecast {
            outlook: Outlook::with_course(&working.statistics(from), &fleet.figures, course),
            from,
            most,
            reports: usage.reports() + u32::from(opening.is_some()),
            last_28_days: usage.ran_in(28),
            likeness: fleet.likeness,
            days,
            planned_to: planned.ahead_of(start),
        }
    }
}

/// What is planned after the second of two instants, in days from the first.
fn planned_use(planned: &Planned, most: MaxPerHour, (from, now): (Ts, Ts)) -> Vec<PlannedUse> {
    let stretches = planned.stretches().filter(|stretch| stretch.end > now);
    // Standing before now is not looked at: how far back it reaches depends on which past shifts are still known.
    let start = |stretch: PlannedStretch| match stretch.amount {
        Amount::ZERO => stretch.start.max(now),
        _ => stretch.start,
    };
    let of = |stretch: PlannedStretch| PlannedUse {
        start: Days::between(from, start(stretch)),
        end: Days::between(from, stretch.end),
        hours: Hours::of(stretch.amount, most),
    };
    stretches.map(of).collect()
}

/// A test point of the machine, where its readings say when a limit is expected.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PointInput {
    /// Its unit, a code.
    pub unit: String,
    /// The sign of its unit.
    pub sign: String,
    /// Its limits.
    pub limits: Limits,
    /// Its newest readings that stand and tell something, in its present unit, in whatever order.
    pub readings: Vec<Placed>,
}

/// What the models of a task's clauses learn from.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ModelInput {
    /// The test points that they name, with their newest readings.
    pub points: BTreeMap<Key, PointInput>,
    /// When the task was done, every closing that stands.
    pub closings: Vec<Ts>,
    /// What was poured into the sumps and reservoirs of those test points, by point, in whatever order.
    pub poured: BTreeMap<Key, Vec<Poured>>,
}

impl ModelInput {
    /// What was known at an instant.
    pub(super) fn before(&self, at: Ts) -> ModelInput {
        let then = |point: &PointInput| PointInput {
            readings: point.readings.iter().filter(|reading| reading.at < at).copied().collect(),
            ..point.clone()
        };
        let earlier = |poured: &Vec<Poured>| poured.iter().filter(|poured| poured.at < at).copied().collect();
        ModelInput {
            points: self.points.iter().map(|(key, point)| (key.clone(), then(point))).collect(),
            closings: self.closings.iter().filter(|closing| **closing < at).copied().collect(),
            poured: self.poured.iter().map(|(key, poured)| (key.clone(), earlier(poured))).collect(),
        }
    }
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
    /// What models of its rules learn from; none where no clause follows one.
    pub models: Option<Box<ModelInput>>,
    /// When the machine was laid up.
    pub rests: Vec<Rest>,
    /// The machine's meters: those that clauses count, and those by which a closed day is known to be opened.
    pub meters: BTreeMap<MeterId, MeterInput>,
    /// The fleet figures of the day.
    pub fleet_epoch: i64,
}
