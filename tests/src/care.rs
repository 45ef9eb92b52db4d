//! Made-up years of reservoirs, filters and dryers, drawn by a seed, and what the planner says of them day by day.
//!
//! The years share no code with the models: levels, drops and water come from arithmetic of their own, with noise, refills,
//! a leak, a filter that clogs and a dryer that fails.

#[path = "../../service/domain/tests/common/orders.rs"]
mod orders;

use self::orders::order_of;
use crate::shuffle::Random;
use fettler_domain::calendar::{Calendar, WallTime, Zone};
use fettler_domain::forecast::{Fleet, UsageSummary};
use fettler_domain::ids::MeterId;
use fettler_domain::ledger::history::{History, Segment};
use fettler_domain::plan::{
    Closing, Counted, Fault, Ground, MeterForecast, MeterInput, ModelInput, PlanRow, TaskInput, plan_task,
};
use fettler_domain::planned::Planned;
use fettler_domain::quantity::{Amount, MaxPerHour, Unit};
use fettler_domain::reading::Value;
use fettler_domain::reading::course::Placed;
use fettler_domain::rule::model::{Cycle, Dew, Element, Fill, Level, Model};
use fettler_domain::rule::{Clause, ClosedDays, Combine, IntervalRule, RuleSpec, Window};
use fettler_domain::text::Key;
use fettler_domain::time::{MICROS_PER_DAY, MICROS_PER_HOUR, ShopDay, Ts};
use std::sync::Arc;

const METER: MeterId = MeterId(1);
/// The first day of each year: 1 January 2024, a Monday.
const FIRST: i64 = 19_723;
/// Weeks of a year.
const WEEKS: i64 = 52;
/// Hours that are run on each of five days of a week.
const HOURS_A_DAY: i64 = 16;

/// What came of one seed.
#[derive(Clone, Copy, Debug)]
pub struct Year {
    /// With how many readings after it began a leak of 30 % was told; none where it never was.
    pub leak: Option<u32>,
    /// Alarms in a year of a reservoir that had nothing.
    pub false_alarms: u32,
    /// Whether, on a morning before its limit was passed, a filter stood on the list of the coming week, and on that of what
    /// may well fall due in it.
    pub element: [bool; 2],
    /// Whether a dryer's failure was told before a bowl ran over.
    pub dryer: bool,
}

/// A year by its seed.
pub fn year(seed: u64) -> Year {
    let mut random = Random::new(seed);
    let begins = 18 + i64::try_from(random.below(20)).expect("few weeks");
    let (leak, _) = reservoir(&mut random, Some(begins));
    let (_, false_alarms) = reservoir(&mut random, None);
    Year { leak, false_alarms, element: element(&mut random), dryer: dryer(&mut random) }
}

/// A number from 0 to 1.
fn share(random: &mut Random) -> f64 {
    f64::from(u32::try_from(random.below(1_000_000)).expect("small")) / 1e6
}

fn between(random: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * share(random)
}

/// A number that scatters about 0 with a standard deviation of 1 (the sum of twelve).
fn scatter(random: &mut Random) -> f64 {
    (0..12).map(|_| share(random)).sum::<f64>() - 6.0
}

fn value(number: f64, step: f64) -> Value {
    Value::nearest((number / step).round() * step).expect("a value")
}

fn at(day: i64, hour: i64) -> Ts {
    Ts((FIRST + day) * MICROS_PER_DAY + hour * MICROS_PER_HOUR)
}

/// A machine's order with what is known of it so far.
struct Told {
    input: TaskInput,
    run: Vec<Segment>,
    calendar: Calendar,
}

impl Told {
    fn of(model: Model<MeterId>) -> Told {
        let clause = Clause::Model { model: Box::new(model) };
        let spec = RuleSpec {
            clauses: vec![clause],
            combine: Combine::Earliest,
            window: Window::default(),
            closed_days: ClosedDays::Move,
        };
        let rule = IntervalRule::new(spec).expect("a rule that can be");
        let models = Some(Box::new(ModelInput::default()));
        let input = TaskInput { models, ..order_of(1, rule) };
        let calendar = Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT);
        Told { input, run: Vec::new(), calendar }
    }

    /// A day of run; gives its hours.
    fn runs(&mut self, day: i64) -> f64 {
        if day % 7 > 4 {
            return 0.0;
        }
        let amount = Amount(HOURS_A_DAY * Unit::Hours.per_unit());
        self.run.push(Segment { start: at(day, 0), end: at(day, HOURS_A_DAY), amount });
        f64::from(u32::try_from(HOURS_A_DAY).expect("few"))
    }

    fn reads(&mut self, point: &str, unit: &str, when: Ts, value: Value) {
        let models = self.input.models.as_mut().expect("models");
        let known = models.points.entry(Key::new(point).expect("a key")).or_default();
        unit.clone_into(&mut known.unit);
        unit.clone_into(&mut known.sign);
        known.readings.push(Placed { at: when, value });
    }

    fn closes(&mut self, when: Ts) {
        self.input.closings.push(Closing { done_at: when });
        self.input.models.as_mut().expect("models").closings.push(when);
    }

    /// What the planner says on the day after.
    fn row(&mut self, day: i64, expects: bool) -> PlanRow {
        let as_of = ShopDay::from_days(i32::try_from(FIRST + day + 1).expect("a day"));
        let history = History::from_segments(self.run.iter().copied());
        let forecast = expects.then(|| {
            let usage = UsageSummary::of(self.run.iter().copied(), &self.calendar, as_of);
            let (most, fleet) = (MaxPerHour::ONE_HOUR_AN_HOUR, Fleet::ASSUMED);
            let ground = Ground { most, fleet, work_days: None, planned: &Planned::default(), rests: &[] };
            Arc::new(MeterForecast::of(&usage, None, ground, &self.calendar))
        });
        self.input.meters.insert(METER, MeterInput { unit: Unit::Hours, history, forecast });
        plan_task(&self.input, &self.calendar, as_of).expect("every month is known")
    }
}

fn faults(row: &PlanRow) -> &[Fault] {
    let Counted::Model { told, .. } = &row.clauses[0].counted else { panic!("a model") };
    &told.faults
}

/// A reservoir of 2.2 L that is used by 3 mL in an hour, more or less by machine and week, read weekly on a scale of 0.01 L
/// with a scatter of 0.02 L, and refilled when it is low. With how many readings a leak was told, and how often one that was
/// none.
fn reservoir(random: &mut Random, leaks_from: Option<i64>) -> (Option<u32>, u32) {
    let litres = |text: &str| Value::parse(text).expect("a value");
    let mut told = Told::of(Model::Level(Level {
        meter: METER,
        point: Key::new("oil").ok(),
        low: litres("0.5"),
        high: litres("2.7"),
        doses: "8x0.03+6x0.06+4x0.1".into(),
        cycle: Cycle::Minutes(litres("20")),
        reserve: litres("0"),
        pack: None,
        oil: String::new(),
    }));
    told.closes(at(0, 0));
    let own = between(random, 0.85, 1.15);
    let (mut level, mut alarms, mut since) = (2.7, 0, 0);
    for week in 0..WEEKS {
        let leaks = leaks_from.is_some_and(|from| week >= from);
        let pace = own * (1.0 + 0.05 * scatter(random)) * if leaks { 1.3 } else { 1.0 };
        for day in 7 * week..7 * week + 7 {
            level -= 0.003 * pace * told.runs(day);
        }
        let day = 7 * week + 6;
        told.reads("oil", "L", at(day, 8), value(level + 0.02 * scatter(random), 0.01));
        since += u32::from(leaks);
        if !faults(&told.row(day, false)).is_empty() {
            if leaks {
                return (Some(since), alarms);
            }
            alarms += 1;
            level = 2.7;
            told.closes(at(day, 10));
        } else if level < 0.9 {
            level = 2.7 + 0.02 * scatter(random);
            told.closes(at(day, 10));
        }
    }
    (None, alarms)
}

/// A filter whose drop at rated flow rises from 0.1 bar to its limit of 0.42 bar in 1,500 to 3,500 h, faster towards the
/// end, read weekly at some flow with a scatter of 3 %. Whether it stood on one of the lists that are pulled every morning, before
/// it was beyond: on that of the coming week, and on that of what may well fall due in it.
fn element(random: &mut Random) -> [bool; 2] {
    let point = |key: &str| Key::new(key).expect("a key");
    let mut told = Told::of(Model::Element(Element {
        meter: METER,
        point: point("drop"),
        flow_point: Some(point("flow")),
        rated: Value::parse("1000").ok(),
        change_at: Value::parse("0.42").ok(),
        months: None,
        hours: None,
        edition: String::new(),
    }));
    told.closes(at(0, 0));
    let (life, bend) = (between(random, 1_500.0, 3_500.0), between(random, 1.0, 1.6));
    let (mut ran, mut listed) = (0.0, [false; 2]);
    for day in 0..7 * WEEKS {
        let row = told.row(day - 1, true);
        let within = at(day + 7, 0);
        listed[0] |= row.due.is_some_and(|due| due <= within);
        listed[1] |= row.due.is_some() && row.sure_time() <= within;
        ran += told.runs(day);
        if ran >= life {
            return listed;
        }
        if day % 7 != 6 {
            continue;
        }
        let drop = 0.1 + 0.32 * (ran / life).powf(bend);
        let flow = between(random, 0.6, 1.0);
        let shown = drop * flow * flow * (1.0 + 0.03 * scatter(random));
        told.reads("drop", "bar{diff}", at(day, 8), value(shown, 0.005));
        told.reads("flow", "L/min{ANR}", at(day, 8), value(1_000.0 * flow, 5.0));
    }
    unreachable!("52 weeks of 80 h are 4,160 h, more than the longest life of 3,500 h")
}

/// What a cubic metre of air holds of water at some temperatures, in g (a table of saturated air, from memory).
const HOLDS: [(f64, f64); 9] = [
    (0.0, 4.85),
    (3.0, 5.95),
    (5.0, 6.80),
    (7.0, 7.75),
    (10.0, 9.40),
    (15.0, 12.83),
    (20.0, 17.3),
    (25.0, 23.0),
    (30.0, 30.4),
];

fn holds(celsius: f64) -> f64 {
    let above = HOLDS.iter().position(|(t, _)| *t >= celsius).unwrap_or(HOLDS.len() - 1).max(1);
    let ((t0, w0), (t1, w1)) = (HOLDS[above - 1], HOLDS[above]);
    w0 + (w1 - w0) * (celsius - t0) / (t1 - t0)
}

/// A bowl of 30 mL at 18 °C behind a dryer of class 4, drained every working day, whose dew point rises from 3 °C to 30 °C in 40 to
/// 90 days. Whether the find told it before the bowl was full.
fn dryer(random: &mut Random) -> bool {
    let stated = |text: &str| Value::parse(text).expect("a value");
    let mut told = Told::of(Model::Fill(Fill {
        meter: METER,
        point: Key::new("bowl").ok(),
        flow: stated("36"),
        line: stated("6"),
        dew: Dew::Class(4),
        behind_regulator: None,
        ambient: vec![stated("18")],
        ambient_pressure: None,
        bowl: stated("30"),
        drain_percent: 50,
        carry_over: stated("0"),
        at_latest_days: 1,
    }));
    told.closes(at(0, 0));
    let (fails, takes) = (between(random, 20.0, 60.0), between(random, 40.0, 90.0));
    let (mut dew_point, mut passed) = (3.0, 0.0);
    for day in 0..160 {
        let hours = told.runs(day);
        if passed >= fails {
            dew_point = f64::min(dew_point + 27.0 / takes, 30.0);
        }
        passed += 1.0;
        if hours <= 0.0 {
            continue;
        }
        // 36 L/min of free air are 0.31 m³/h in the line at 6 bar.
        let water = hours * 0.31 * (holds(dew_point) - holds(18.0)).max(0.0);
        told.reads("bowl", "mL", at(day, 20), value((water + 0.5 * scatter(random)).max(0.0), 1.0));
        told.closes(at(day, 20));
        if !faults(&told.row(day, false)).is_empty() {
            return water > 0.0 && water < 30.0;
        }
    }
    false
}
