//! Made-up machines of twenty tasks, each with a past of some eighty reports and orders that fall due by hours, by days or by
//! whichever comes first; and how they are planned afresh: forecasts made anew for each meter, as at the start of a shop day.

#[path = "../../tests/common/orders.rs"]
mod orders;

use fettler_domain::calendar::{Calendar, WallTime, Zone};
use fettler_domain::forecast::{Fleet, UsageSummary};
use fettler_domain::ids::{MachineId, MeterId};
use fettler_domain::ledger::history::{History, Month, Segment};
use fettler_domain::plan::{Closing, Ground, MeterForecast, MeterInput, PlanRow, TaskInput, plan_task};
use fettler_domain::planned::Planned;
use fettler_domain::quantity::{Amount, MaxPerHour, Unit};
use fettler_domain::rule::{
    CalendarUnit, Clause, ClosedDays, Combine, CountsFrom, Every, IntervalRule, RuleSpec, Window,
};
use fettler_domain::time::{MICROS_PER_DAY, MICROS_PER_HOUR, ShopDay, Ts};
use std::collections::{BTreeMap, BTreeSet};
use std::hint::black_box;
use std::sync::Arc;

/// How many tasks a machine has.
pub(crate) const TASKS: i64 = 20;
const REPORTS: i64 = 80;
/// 1 March 2026, in days since 1970.
pub(crate) const TODAY: i32 = 20_513;

pub(crate) type Failure = Box<dyn std::error::Error>;

/// A machine, as a service remembers it between two plans.
pub(crate) struct Machine {
    meter: MeterId,
    pub(crate) history: History,
    pub(crate) usage: UsageSummary,
    pub(crate) orders: Vec<TaskInput>,
}

/// The rule of the so-and-so-many-th task: by hours, by days, or by whichever comes first.
fn rule(meter: MeterId, task: i64) -> Result<IntervalRule, Failure> {
    let counts_from = CountsFrom::LastClosing;
    let hours = Amount(3_600_000 * 40 * (1 + task % 9));
    let by_hours = Clause::Meter { meter, every: hours, counts_from };
    let every = Every { n: u32::try_from(7 * (1 + task % 5))?, unit: CalendarUnit::Day };
    let by_days = Clause::Calendar { every, counts_from: CountsFrom::LastClosing };
    let clauses = match task % 4 {
        0 => vec![by_days],
        1 => vec![by_hours, by_days],
        _ => vec![by_hours],
    };
    let (combine, window, closed_days) = (Combine::Earliest, Window::default(), ClosedDays::Move);
    Ok(IntervalRule::new(RuleSpec { clauses, combine, window, closed_days })?)
}

/// The shift that ended so many reports ago: some of them long, some short, two or three days apart.
fn shift(number: i64, ago: i64) -> Segment {
    let apart = 2 * MICROS_PER_DAY + (number % 24) * MICROS_PER_HOUR;
    let start = Ts(i64::from(TODAY) * MICROS_PER_DAY - ago * apart - 10 * MICROS_PER_HOUR);
    let ran = 2 + (number + ago) % 7;
    Segment { start, end: start.plus_micros(8 * MICROS_PER_HOUR), amount: Amount(ran * 3_600_000) }
}

/// Every day worked, in UTC.
pub(crate) fn every_day() -> Calendar {
    Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT)
}

/// A machine.
pub(crate) fn machine(number: i64) -> Result<Machine, Failure> {
    let meter = MeterId(number);
    let segments: Vec<Segment> = (0..REPORTS).rev().map(|ago| shift(number, ago)).collect();
    let whole = History::from_segments(segments.iter().copied());
    let mut history = History::from_totals(whole.months().clone(), BTreeSet::new(), whole.known_to());
    // As planning asks for them: the months in which orders were closed, and those since.
    let today = Month::of(Ts(i64::from(TODAY) * MICROS_PER_DAY));
    for month in [Month(today.0 - 2), Month(today.0 - 1), today] {
        history.load(month, segments.iter().copied());
    }
    let orders = (0..TASKS).map(|task| {
        let done_at = Ts((i64::from(TODAY) - 1 - (number + task) % 40) * MICROS_PER_DAY);
        Ok(TaskInput {
            machine: MachineId(number),
            closings: vec![Closing { done_at }],
            ..orders::order_of(number * TASKS + task, rule(meter, task)?)
        })
    });
    let mut orders = orders.collect::<Result<Vec<TaskInput>, Failure>>()?;
    // A service loads them into as much room as they take.
    orders.shrink_to_fit();
    let usage = UsageSummary::of(segments, &every_day(), ShopDay::from_days(TODAY));
    Ok(Machine { meter, history, usage, orders })
}

/// So many machines.
pub(crate) fn fleet(machines: i64) -> Result<Vec<Machine>, Failure> {
    (1..=machines).map(machine).collect()
}

/// Plans all orders of a machine, its forecast made anew; hands each row on.
pub(crate) fn plan(machine: &mut Machine, calendar: &Calendar, mut to: impl FnMut(PlanRow)) {
    let as_of = ShopDay::from_days(TODAY);
    let planned = Planned::default();
    let most = MaxPerHour::ONE_HOUR_AN_HOUR;
    let ground = Ground { most, fleet: Fleet::ASSUMED, work_days: None, planned: &planned, rests: &[] };
    let forecast = MeterForecast::of(&machine.usage, None, ground, calendar);
    let history = std::mem::take(&mut machine.history);
    let input = MeterInput { unit: Unit::Hours, history, forecast: Some(Arc::new(forecast)) };
    let mut meters = BTreeMap::from([(machine.meter, input)]);
    for order in &mut machine.orders {
        std::mem::swap(&mut order.meters, &mut meters);
        to(plan_task(order, calendar, as_of).expect("every month that planning asks for is loaded"));
        std::mem::swap(&mut order.meters, &mut meters);
    }
    if let Some(input) = meters.remove(&machine.meter) {
        machine.history = input.history;
    }
}

/// Plans the orders of all machines.
pub(crate) fn plan_all(machines: &mut [Machine], calendar: &Calendar) {
    for machine in machines {
        plan(machine, calendar, |row| drop(black_box(row)));
    }
}
