//! Looking ahead: how often each task of a machine is expected to fall due, month by month.
//!
//! The planner itself is walked on. The machine's meters are given a future, a path of use at one chance throughout
//! ([`Pace`]), as though it had been reported; then the planner plans, the order that is due first is closed at its due
//! point together with what it covers, and the planner plans again, until the horizon. So an occurrence ahead is what
//! the due list would say on that day, closed days, rests, rule changes and covers included.
//!
//! Three paces are walked. For tasks that fall due more often the more is run, the count along the quick pace is the
//! count that is not exceeded with nine chances in ten, since along a path at one chance a threshold is reached exactly
//! at that quantile of its passage.

use super::Missing;
use super::cover::Covers;
use super::decide::decide_row;
use super::input::{Closing, MeterInput, Rest, TaskInput};
use super::reader::Reader;
use super::row::{DueKind, PlanRow};
use crate::calendar::Calendar;
use crate::forecast::{Days, HORIZON};
use crate::ids::{MeterId, TaskId};
use crate::ledger::history::{History, MissingMonth, Month, Segment};
use crate::time::{MICROS_PER_DAY, ShopDay, Ts};
use chrono::Datelike;
use std::collections::{BTreeMap, BTreeSet};

/// The most closings of one machine that are walked along one pace. A machine with ten tasks of a day reaches it in more
/// than a year; what lies beyond is not counted, and the answer says so.
pub const CLOSINGS_MAX: usize = 5_000;

/// How fast the meters are taken to run: along which quantile of when they reach anything.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Pace {
    /// Every threshold is reached when it is reached with one chance in ten.
    Quick,
    /// In the middle.
    Middle,
    /// With nine chances in ten.
    Slow,
}

impl Pace {
    /// All of them.
    pub const ALL: [Pace; 3] = [Pace::Quick, Pace::Middle, Pace::Slow];

    fn chance(self) -> f64 {
        match self {
            Pace::Quick => 0.1,
            Pace::Middle => 0.5,
            Pace::Slow => 0.9,
        }
    }
}

/// A machine with its open orders, each without the machine's meters and rests.
#[derive(Clone, Debug, PartialEq)]
pub struct WalkInput {
    /// Its open orders.
    pub orders: Vec<TaskInput>,
    /// Its meters.
    pub meters: BTreeMap<MeterId, MeterInput>,
    /// When it was laid up.
    pub rests: Vec<Rest>,
    /// Which of its tasks cover which.
    pub covers: Covers,
}

/// Why a task has no expected occurrences.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum WhyNone {
    /// Nobody has recorded when it was last done, or at what count.
    NeverRecorded,
    /// The machine rests, and nobody has said until when.
    Resting,
    /// Its rule gives no further due point.
    Ended,
}

/// How often a task falls due in a month, and from now to that month's end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MonthCount {
    /// The first day of the month.
    pub month: ShopDay,
    /// In it, at the middle pace.
    pub times: u32,
    /// From now to its end, at the middle pace.
    pub by_then: u32,
    /// From now to its end, not exceeded with nine chances in ten.
    pub by_then_p90: u32,
}

/// What is expected of one task.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TaskAhead {
    /// The task.
    pub task: TaskId,
    /// Each month from today's to that of the last day, cut off at that day.
    pub months: Vec<MonthCount>,
    /// How often it is done together with a larger task meanwhile, at the middle pace; these are not in `months`.
    pub with_larger: u32,
    /// Why there is nothing to expect, where that is so.
    pub none: Option<WhyNone>,
}

/// What is expected of a machine's tasks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LookAhead {
    /// Its tasks, in the order of their orders.
    pub tasks: Vec<TaskAhead>,
    /// Up to which day all is counted, where that is less than was asked for.
    pub cut_off: Option<ShopDay>,
}

/// What is expected of a machine's tasks from a shop day to another, both included. What is due already counts on the
/// first day. Jobs without a task, which are raised once, are left out.
pub fn look_ahead(
    machine: &WalkInput,
    calendar: &Calendar,
    as_of: ShopDay,
    until: ShopDay,
) -> Result<LookAhead, Missing> {
    let mut walks = Vec::with_capacity(Pace::ALL.len());
    for pace in Pace::ALL {
        walks.push(Walk::along(machine, pace, calendar, as_of, until)?);
    }
    let months = months(as_of, until);
    let of_task = |task: TaskId| {
        let counts = |walk: &Walk<'_>| -> Vec<u32> {
            let days = || walk.done.iter().filter(|done| done.task == task).map(|done| done.day);
            months
                .iter()
                .map(|month| of_length(days().filter(|day| first_of(*day) == *month).count()))
                .collect()
        };
        let by_pace: Vec<Vec<u32>> = walks.iter().map(counts).collect();
        let up_to = |counts: &[u32], place: usize| counts[..=place].iter().sum::<u32>();
        let of_month = |(place, month): (usize, &ShopDay)| MonthCount {
            month: *month,
            times: by_pace[1][place],
            by_then: up_to(&by_pace[1], place),
            by_then_p90: by_pace.iter().map(|counts| up_to(counts, place)).max().unwrap_or(0),
        };
        TaskAhead {
            task,
            months: months.iter().enumerate().map(of_month).collect(),
            with_larger: walks[1].with_larger.get(&task).copied().unwrap_or(0),
            none: walks[1].none(task),
        }
    };
    Ok(LookAhead {
        tasks: machine.orders.iter().filter_map(|order| order.task).map(of_task).collect(),
        cut_off: walks.iter().filter_map(|walk| walk.cut_off).min(),
    })
}

/// When a task is expected to be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Occurrence {
    /// The task.
    pub task: TaskId,
    /// The shop day.
    pub day: ShopDay,
}

/// When a machine's tasks are expected to be done along each of [`Pace::ALL`], from a shop day to another, both included; what
/// is due already is done on the first day, and what is done together with a larger task is left out.
pub fn occurrences(
    machine: &WalkInput,
    calendar: &Calendar,
    as_of: ShopDay,
    until: ShopDay,
) -> Result<[Vec<Occurrence>; 3], Missing> {
    let mut by_pace: [Vec<Occurrence>; 3] = Default::default();
    for (of_pace, pace) in by_pace.iter_mut().zip(Pace::ALL) {
        let done = Walk::along(machine, pace, calendar, as_of, until)?.done;
        *of_pace = done.into_iter().map(|Done { task, day }| Occurrence { task, day }).collect();
    }
    Ok(by_pace)
}

/// One machine on its way along one pace.
struct Walk<'a> {
    calendar: &'a Calendar,
    as_of: ShopDay,
    /// Whether the machine rests without an end in sight.
    resting: bool,
    orders: Vec<TaskInput>,
    /// How many closings of each were done in fact.
    in_fact: Vec<usize>,
    rows: Vec<PlanRow>,
    done: Vec<Done>,
    with_larger: BTreeMap<TaskId, u32>,
    cut_off: Option<ShopDay>,
}

/// A closing on the way.
struct Done {
    task: TaskId,
    day: ShopDay,
}

impl<'a> Walk<'a> {
    fn along(
        machine: &WalkInput,
        pace: Pace,
        calendar: &'a Calendar,
        as_of: ShopDay,
        until: ShopDay,
    ) -> Result<Walk<'a>, Missing> {
        let meters = with_future(&machine.meters, pace, calendar, as_of, until)?;
        let orders: Vec<TaskInput> =
            machine.orders.iter().filter(|order| order.task.is_some()).cloned().collect();
        let mut walk = Walk {
            calendar,
            as_of,
            resting: machine.rests.iter().any(|rest| rest.until.is_none()),
            in_fact: orders.iter().map(|order| order.closings.len()).collect(),
            orders,
            rows: Vec::new(),
            done: Vec::new(),
            with_larger: BTreeMap::new(),
            cut_off: None,
        };
        let mut ground = (meters, machine.rests.clone());
        let all: BTreeSet<usize> = (0..walk.orders.len()).collect();
        walk.plan(&all, &mut ground)?;
        let end = calendar.end_of(until);
        loop {
            machine.covers.mark(&mut walk.rows);
            let Some((first, at)) = walk.next().filter(|(_, at)| *at < end) else { return Ok(walk) };
            if walk.done.len() == CLOSINGS_MAX {
                walk.cut_off = Some(calendar.shop_day_of(at).plus_days(-1));
                return Ok(walk);
            }
            let closed = walk.close(first, at, &machine.covers);
            walk.plan(&closed, &mut ground)?;
        }
    }

    /// Plans some of the orders afresh.
    fn plan(
        &mut self,
        places: &BTreeSet<usize>,
        (meters, rests): &mut (BTreeMap<MeterId, MeterInput>, Vec<Rest>),
    ) -> Result<(), Missing> {
        let mut missing = Vec::new();
        for place in places {
            let order = &mut self.orders[*place];
            std::mem::swap(&mut order.meters, meters);
            std::mem::swap(&mut order.rests, rests);
            let mut reader = Reader::new(order, self.calendar, self.as_of);
            let row = decide_row(&mut reader);
            match reader.finish(row) {
                Ok(row) if *place < self.rows.len() => self.rows[*place] = row,
                Ok(row) => self.rows.push(row),
                Err(months) => missing.extend(months),
            }
            std::mem::swap(&mut order.meters, meters);
            std::mem::swap(&mut order.rests, rests);
        }
        if missing.is_empty() { Ok(()) } else { Err(missing) }
    }

    /// The order that is to be closed next and when: the first due, of those that stand under no larger one.
    fn next(&self) -> Option<(usize, Ts)> {
        let standing = self.rows.iter().enumerate().filter(|(_, row)| {
            !self.resting
                && row.covered_by.is_none()
                && !matches!(row.kind, DueKind::Unknown | DueKind::Ended)
        });
        let when = standing.filter_map(|(place, row)| {
            // What a closing on the way did not move on, no further one would.
            let moved_on = self.closed_ahead(place) < row.due;
            row.due.filter(|_| moved_on).map(|due| (self.closed_at(place, due), place))
        });
        when.min().map(|(at, place)| (place, at))
    }

    /// When an order was closed on the way, if it was.
    fn closed_ahead(&self, place: usize) -> Option<Ts> {
        self.orders[place].closings.get(self.in_fact[place]).map(|closing| closing.done_at)
    }

    /// What is due before today is done today, and nothing before what was done last.
    fn closed_at(&self, place: usize, due: Ts) -> Ts {
        let order = &self.orders[place];
        let events = order.closings.iter().map(|c| c.done_at).chain(order.skips.iter().map(|skip| skip.at));
        let last = events.max().map(|at| at.plus_micros(1));
        due.max(self.calendar.start_of(self.as_of)).max(last.unwrap_or(Ts::MIN))
    }

    /// Closes an order and what it covers; gives the orders that are to be planned afresh.
    fn close(&mut self, place: usize, at: Ts, covers: &Covers) -> BTreeSet<usize> {
        let Some(task) = self.orders[place].task else { return BTreeSet::new() };
        self.done.push(Done { task, day: self.calendar.shop_day_of(at) });
        let mut closed = BTreeSet::from([place]);
        for (other, order) in self.orders.iter().enumerate() {
            if let Some(smaller) = order.task.filter(|smaller| covers.covers(task, *smaller)) {
                *self.with_larger.entry(smaller).or_default() += 1;
                closed.insert(other);
            }
        }
        for place in &closed {
            let order = &mut self.orders[*place];
            // Of what is done ahead the last counts alone; what was done in fact stays, for skips may stand between.
            order.closings.truncate(self.in_fact[*place]);
            order.closings.push(Closing { done_at: at });
            order.raised = None;
        }
        closed
    }

    /// Why there is nothing to expect of a task that was never closed on the way.
    fn none(&self, task: TaskId) -> Option<WhyNone> {
        let row = self.rows.iter().find(|row| row.task == Some(task))?;
        let met = self.with_larger.contains_key(&task) || self.done.iter().any(|done| done.task == task);
        match row.kind {
            _ if met => None,
            _ if self.resting => Some(WhyNone::Resting),
            DueKind::Unknown => Some(WhyNone::NeverRecorded),
            DueKind::Ended => Some(WhyNone::Ended),
            DueKind::Exact | DueKind::CalendarDay | DueKind::Expected | DueKind::Raised => None,
        }
    }
}

/// The meters as though the path of a pace had been reported up to the end of a day.
fn with_future(
    meters: &BTreeMap<MeterId, MeterInput>,
    pace: Pace,
    calendar: &Calendar,
    as_of: ShopDay,
    until: ShopDay,
) -> Result<BTreeMap<MeterId, MeterInput>, Missing> {
    let mut ahead = BTreeMap::new();
    let mut missing = Vec::new();
    for (meter, input) in meters {
        let mut input = input.clone();
        match run_on(&mut input, pace, calendar.start_of(as_of), calendar.end_of(until)) {
            Ok(()) => {
                ahead.insert(*meter, input);
            }
            Err(MissingMonth(month)) => missing.push((*meter, month)),
        }
    }
    if missing.is_empty() { Ok(ahead) } else { Err(missing) }
}

/// Lets a meter run on along the path of a pace, from the start of the shop day: day by day to an end, and in one stretch
/// from there to the forecast's horizon, so that what is not due by the end is due later and not never. What is known
/// beyond the start stays as it is; the path goes on from there once it leads further.
fn run_on(input: &mut MeterInput, pace: Pace, start: Ts, end: Ts) -> Result<(), MissingMonth> {
    let Some(forecast) = input.forecast.take() else { return Ok(()) };
    let history = &mut input.history;
    let Some(known_to) = history.known_to() else { return Ok(()) };
    let at_start = history.at(start)?;
    let days = u32::try_from(end.micros_since(start) / MICROS_PER_DAY + 1).unwrap_or(0);
    // The outlook counts its days from the end of what was told, which may lie before the start.
    let untold = Days::between(forecast.from, start).0;
    let ends: Vec<Days> = (1..=days).map(|day| Days(untold + f64::from(day))).chain([HORIZON]).collect();
    let last = Month::of(HORIZON.after(start));
    let mut month = Month::of(start);
    while month <= last {
        if !history.is_loaded(month) {
            if history.months().contains_key(&month) {
                return Err(MissingMonth(month));
            }
            history.load(month, []);
        }
        month = month.next();
    }
    let (mut from, mut ran) = (start.max(known_to), history.total());
    for (end, hours) in ends.iter().zip(forecast.outlook.path(pace.chance(), ends.iter().copied())) {
        let (end, reached) = (end.after(forecast.from), at_start + hours.amount(forecast.most));
        if end > from && reached > ran {
            count(history, Segment { start: from, end, amount: reached - ran });
            ran = reached;
        }
        from = from.max(end);
    }
    Ok(())
}

/// Counts a stretch ahead.
fn count(history: &mut History, segment: Segment) {
    for (month, share) in segment.month_shares() {
        history.add_to_month(month, share);
    }
    history.exchange(None, Some(segment));
    history.know_to(history.known_to().max(Some(segment.end)));
}

/// The first days of the months that hold a day from the first to the last.
fn months(first: ShopDay, last: ShopDay) -> Vec<ShopDay> {
    let mut months = vec![first_of(first)];
    while let Some(month) =
        months.last().map(|month| first_of(month.plus_days(31))).filter(|month| *month <= last)
    {
        months.push(month);
    }
    months
}

fn first_of(day: ShopDay) -> ShopDay {
    day.plus_days(-i64::from(day.0.day0()))
}

fn of_length(length: usize) -> u32 {
    u32::try_from(length).unwrap_or(u32::MAX)
}
