//! How fast a fleet is planned afresh: machines of twenty tasks, each with a past of some eighty reports and orders
//! that fall due by hours, by days or by whichever comes first. Forecasts are made anew for each meter, as at the start
//! of a shop day. Nothing is read or written: the store's part stands in the load tool's figures.
//!
//! `cargo run --release --example replan -p fettler-domain` prints, with medians of five:
//!
//! * plans a second on one core, beside a floor below which no forecast of this kind is: three values of the incomplete
//!   gamma function for each plan, and the row itself copied;
//! * 50,000 machines at once on two threads, with the most memory that the program took;
//! * one report taken and its machine's twenty rows planned;
//! * how the time grows from 1,000 to 1,000,000 tasks.

#![expect(clippy::print_stdout, reason = "a benchmark prints its figures")]

use fettler_domain::calendar::{Calendar, WallTime, Zone};
use fettler_domain::forecast::{Fleet, UsageSummary};
use fettler_domain::ids::{MachineId, MeterId, OrderNumber, TaskId};
use fettler_domain::ledger::history::{History, Month, Segment};
use fettler_domain::plan::{
    Closing, Ground, MeterForecast, MeterInput, PlanRow, RuleVersion, TaskInput, plan_task,
};
use fettler_domain::planned::Planned;
use fettler_domain::quantity::{Amount, MaxPerHour, Unit};
use fettler_domain::rule::{
    CalendarUnit, Clause, ClosedDays, Combine, CountsFrom, Every, IntervalRule, RuleSpec, Window,
};
use fettler_domain::time::{MICROS_PER_DAY, MICROS_PER_HOUR, ShopDay, Ts};
use statrs::function::gamma::gamma_ur;
use std::collections::{BTreeMap, BTreeSet};
use std::hint::black_box;
use std::sync::Arc;
use std::time::{Duration, Instant};

const TASKS: i64 = 20;
const REPORTS: i64 = 80;
const FLEET: i64 = 50_000;
const RUNS: usize = 5;
/// 1 March 2026, in days since 1970.
const TODAY: i32 = 20_513;

type Failure = Box<dyn std::error::Error>;

/// A machine, as a service remembers it between two plans.
struct Machine {
    meter: MeterId,
    history: History,
    usage: UsageSummary,
    orders: Vec<TaskInput>,
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

fn every_day() -> Calendar {
    Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT)
}

fn machine(number: i64) -> Result<Machine, Failure> {
    let meter = MeterId(number);
    let segments: Vec<Segment> = (0..REPORTS).map(|ago| shift(number, ago)).collect();
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
            order: OrderNumber(number * TASKS + task),
            task: Some(TaskId(number * TASKS + task)),
            machine: MachineId(number),
            hazard: false,
            raised: None,
            versions: vec![RuleVersion { effective: ShopDay::from_days(0), rule: rule(meter, task)? }],
            closings: vec![Closing { done_at }],
            skips: Vec::new(),
            last_done: None,
            replaced: BTreeMap::new(),
            rests: Vec::new(),
            meters: BTreeMap::new(),
            fleet_epoch: 0,
            readings: Vec::new(),
            points: BTreeMap::new(),
        })
    });
    let orders = orders.collect::<Result<Vec<TaskInput>, Failure>>()?;
    let usage = UsageSummary::of(segments, &every_day(), ShopDay::from_days(TODAY));
    Ok(Machine { meter, history, usage, orders })
}

fn fleet(machines: i64) -> Result<Vec<Machine>, Failure> {
    (1..=machines).map(machine).collect()
}

/// Plans all orders of a machine, its forecast made anew; hands each row on.
fn plan(machine: &mut Machine, calendar: &Calendar, mut to: impl FnMut(PlanRow)) {
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
        match plan_task(order, calendar, as_of) {
            Ok(row) => to(row),
            Err(missing) => println!("months are missing: {missing:?}"),
        }
        std::mem::swap(&mut order.meters, &mut meters);
    }
    if let Some(input) = meters.remove(&machine.meter) {
        machine.history = input.history;
    }
}

fn plan_all(machines: &mut [Machine], calendar: &Calendar) -> Duration {
    let begin = Instant::now();
    for machine in machines {
        plan(machine, calendar, |row| drop(black_box(row)));
    }
    begin.elapsed()
}

fn median(mut took: Vec<Duration>) -> Duration {
    took.sort();
    took[took.len() / 2]
}

#[expect(clippy::cast_precision_loss, reason = "counts of some millions")]
fn a_second(times: usize, took: Duration) -> f64 {
    times as f64 / took.as_secs_f64()
}

/// Three values of the gamma function for each row that has a forecast, and every row copied.
fn floor(rows: &[PlanRow]) -> Duration {
    let begin = Instant::now();
    for (n, row) in (0_u32..).zip(rows) {
        if row.chance_today.is_some() {
            let shape = 2.0 + f64::from(n % 50);
            for part in [0.7, 1.0, 1.4] {
                black_box(gamma_ur(black_box(shape), shape * part));
            }
        }
        black_box(row.clone());
    }
    begin.elapsed()
}

/// The most memory that this program has taken, in MiB; none where the system does not say.
fn memory_mib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    line.trim().trim_end_matches("kB").trim().parse::<u64>().ok().map(|kib| kib / 1024)
}

fn on_one_core(calendar: &Calendar) -> Result<(), Failure> {
    let mut machines = fleet(2_500)?;
    let mut rows = Vec::new();
    for machine in &mut machines {
        plan(machine, calendar, |row| rows.push(row));
    }
    let expected = rows.iter().filter(|row| row.chance_today.is_some()).count();
    let took = median((0..RUNS).map(|_| plan_all(&mut machines, calendar)).collect());
    let least = median((0..RUNS).map(|_| floor(&rows)).collect());
    println!(
        "{} plans, {expected} of them with a forecast: {:.0}/s on one core (aim 150000/s); floor {:.0}/s",
        rows.len(),
        a_second(rows.len(), took),
        a_second(rows.len(), least),
    );
    Ok(())
}

fn one_report(calendar: &Calendar) -> Result<(), Failure> {
    let mut machine = machine(7)?;
    let took = (0..1_000).map(|n| {
        let begin = Instant::now();
        let start = Ts(i64::from(TODAY) * MICROS_PER_DAY - 9 * MICROS_PER_HOUR + n);
        let segment = Segment { start, end: start.plus_micros(60_000_000), amount: Amount(30_000) };
        machine.history.exchange(None, Some(segment));
        machine.history.add_to_month(Month::of(segment.end), segment.amount);
        machine.usage.count(calendar, segment);
        plan(&mut machine, calendar, |row| drop(black_box(row)));
        begin.elapsed()
    });
    println!("one report taken, its machine's {TASKS} rows planned: {:?} (aim 1 ms)", median(took.collect()));
    Ok(())
}

fn growth(calendar: &Calendar) -> Result<(), Failure> {
    println!("   tasks   one thread    plans/s");
    for machines in [50, 150, 500, 1_500, 5_000, 15_000, FLEET] {
        let mut all = fleet(machines)?;
        let took = median((0..RUNS).map(|_| plan_all(&mut all, calendar)).collect());
        let tasks = usize::try_from(machines * TASKS)?;
        println!("{tasks:>8} {:>9.1} ms {:>10.0}", took.as_secs_f64() * 1e3, a_second(tasks, took));
    }
    Ok(())
}

fn whole_fleet(calendar: &Calendar) -> Result<(), Failure> {
    let mut machines = fleet(FLEET)?;
    let half = machines.len() / 2;
    let took = (0..RUNS).map(|_| {
        let begin = Instant::now();
        let (first, second) = machines.split_at_mut(half);
        std::thread::scope(|threads| {
            threads.spawn(|| plan_all(first, calendar));
            plan_all(second, calendar);
        });
        begin.elapsed()
    });
    let took = median(took.collect());
    let memory = memory_mib().map_or("not known".to_owned(), |mib| format!("{mib} MiB"));
    println!("{FLEET} machines of {TASKS} tasks on two threads: {took:.2?} (aim 15 s), most memory {memory}");
    Ok(())
}

fn main() -> Result<(), Failure> {
    let calendar = every_day();
    on_one_core(&calendar)?;
    one_report(&calendar)?;
    whole_fleet(&calendar)?;
    growth(&calendar)
}
