//! A bowl reaching its drain level.

use super::super::clause::{calendar_point, meter_point};
use super::super::reader::Reader;
use super::super::row::{Base, ClauseState};
use super::super::state::State;
use super::{
    Act, Fault, Found, Modelled, Rate, Read, Start, amount, readings, services, sign_of, stated, unbroken,
    whole_number,
};
use crate::ids::MeterId;
use crate::ledger::history::Month;
use crate::quantity::{Amount, Unit};
use crate::reading::course::rounded;
use crate::reading::{PointUnit, Quantity, Value};
use crate::rule::model::{Fill, MONTHS};
use crate::rule::occurrence::{DueCount, due_period};
use crate::rule::{CalendarUnit, Every, IntervalRule};
use crate::time::Ts;

/// The newest finds from which it is learnt how much more comes than computed.
const FINDS: usize = 5;
/// The longest stretch over which a fill is summed month by month; beyond it the rate of its last month stands.
const MONTHS_MAX: usize = 24;
/// A find above so many times what was computed, and above that by a part of the bowl, is a fault upstream (own choice).
pub(super) const FULLER_TIMES: f64 = 1.5;
const FULLER_PART: f64 = 0.1;

/// How fast the bowl fills in each month of the year, in mL in one of what its meter counts.
struct Rates([f64; MONTHS]);

impl Rates {
    fn of(fill: &Fill<MeterId>) -> Rates {
        let mut rates = [0.0; MONTHS];
        for (month, rate) in rates.iter_mut().enumerate() {
            // What a rule states was checked, so that it can be computed.
            let drops = fill.condensate(month).map_or(0.0, |found| found.condensate_ml_h);
            *rate = drops + fill.carry_over.to_f64();
        }
        Rates(rates)
    }

    fn in_month(&self, month: Month) -> f64 {
        self.0[usize::try_from(month.0.rem_euclid(12)).unwrap_or(0)]
    }
}

/// How far a bowl has filled at some instant.
#[derive(Clone, Copy)]
struct At {
    at: Ts,
    ml: f64,
}

/// From when it was emptied, or from what was read since, to its drain level.
pub(super) fn follow(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    fill: &Fill<MeterId>,
    state: &State,
) -> Found {
    let read = readings(reader, fill.point.as_ref(), |value, unit| millilitres(fill, value, unit));
    let rates = Rates::of(fill);
    let finds = finds(reader, fill, &rates, &read);
    let excess = learnt(&finds);
    let last = state.last;
    // What is read at the closing itself is what was found: the bowl is left empty.
    let since = &read[last.map_or(0, |last| read.partition_point(|read| read.at <= last.dealt_with))..];
    let newest = since.last().copied();
    let goal = fill.goal().to_f64();
    let found_full = unbroken(since, |read| read.value >= goal);
    let reached = found_full.first().map(|read| read.at);
    // What was found full confirms what was computed before: counting goes on from what was known until then, so that no
    // look takes back since when it was due.
    let counted_from = if last.is_some() || found_full.len() < since.len() {
        since[..since.len() - found_full.len()].last().copied()
    } else {
        newest
    };
    let start = counted_from.map(|read| At { at: read.at, ml: read.value });
    let start = start.or(last.map(|last| At { at: last.at, ml: 0.0 }));
    let Some(start) = start else {
        return Found { base: Base::Never, parts: Vec::new(), told: Modelled::default(), at_once: None };
    };
    let base = counted_from
        .map_or_else(|| last.map_or(Base::Never, |last| last.base()), |read| Base::Reading(read.at));
    let count = match (counted_from, last) {
        (None, Some(last)) => last.count(fill.meter, reader),
        _ => reader.h(fill.meter, start.at),
    };
    let due = count.and_then(|count| due_count(reader, fill, (&rates, excess), (start, count)));
    let mut parts: Vec<ClauseState> = Vec::new();
    if count.is_none() || due.is_some() {
        let counts = due.zip(count).map(|(due, count)| {
            let width = rule.window().width_in_amount(due - count);
            DueCount { opens: due - width, due, shuts: due + width }
        });
        let every = counts.zip(count).map_or(Amount::ZERO, |(counts, count)| counts.due - count);
        parts.push(meter_point(reader, (fill.meter, every), (base, count, Some(start.at)), counts));
    }
    if let Some(last) = last.filter(|_| fill.at_latest_days > 0) {
        let every = Every { n: fill.at_latest_days, unit: CalendarUnit::Day };
        let period = due_period(last.day, every, rule.window(), 1);
        parts.push(calendar_point(reader, rule, (last.base(), every, last.day), period, state));
    }
    // Dry air never fills it; then there is nothing to bring a can for.
    let read_in_it = found_full.last().map(|read| rounded(read.value));
    let acts = read_in_it.or(due.map(|_| fill.goal())).map(|millilitres| Act::Drain { millilitres });
    let month = Month::of(reader.calendar.start_of(reader.as_of));
    let rate = rates.in_month(month) + excess;
    let newest_find = finds.last().filter(|find| last.is_none_or(|last| find.at >= last.dealt_with));
    let told = Modelled {
        start: Some(start_told(reader, fill, start, newest)),
        rate: Some(rate_told(rate, excess, finds.len())),
        acts: acts.into_iter().collect(),
        faults: newest_find.and_then(|find| find.fault(fill)).into_iter().collect(),
        reached,
        waits: parts.is_empty(),
    };
    Found { base, parts, told, at_once: reached }
}

fn start_told(reader: &Reader<'_>, fill: &Fill<MeterId>, start: At, newest: Option<Read>) -> Start {
    let (at, value, sign) = newest.map_or_else(
        || (start.at, Value(0), "mL".to_owned()),
        |read| (read.at, read.shown, sign_of(reader, fill.point.as_ref())),
    );
    Start { at, value, sign, read: newest.is_some(), poured: false }
}

fn rate_told(rate: f64, excess: f64, finds: usize) -> Rate {
    let by_formula = rate - excess;
    Rate {
        value: rounded(rate),
        sign: "mL/h".to_owned(),
        readings: if excess > 0.0 { u32::try_from(finds.min(FINDS)).unwrap_or(u32::MAX) } else { 0 },
        percent: (excess > 0.0 && by_formula > 0.0).then(|| whole_number(rate / by_formula * 100.0)),
    }
}

/// The count at which the bowl is as full as it is to be drained; none where it does not fill in this month.
fn due_count(
    reader: &mut Reader<'_>,
    fill: &Fill<MeterId>,
    (rates, excess): (&Rates, f64),
    (start, count): (At, Amount),
) -> Option<Amount> {
    let unit = reader.unit(fill.meter);
    let goal = fill.goal().to_f64();
    let today = reader.calendar.start_of(reader.as_of);
    let (mut month, mut ml, mut from) = (Month::of(start.at), start.ml, count);
    let mut left = MONTHS_MAX;
    loop {
        let rate = rates.in_month(month) + excess;
        let next = month.next().start();
        let ends = if next <= today && left > 0 { reader.h(fill.meter, next) } else { None };
        let gained = ends.map(|ends| stated(ends - from, unit).max(0.0) * rate);
        let (Some(ends), Some(gained)) = (ends, gained.filter(|gained| ml + gained < goal)) else {
            return (rate > 0.0).then(|| from + amount((goal - ml).max(0.0) / rate, unit));
        };
        (month, ml, from, left) = (month.next(), ml + gained, ends, left - 1);
    }
}

/// What was found in the bowl, and what was computed.
struct Find {
    at: Ts,
    found: f64,
    computed: f64,
    hours: f64,
}

impl Find {
    fn fault(&self, fill: &Fill<MeterId>) -> Option<Fault> {
        let more = self.found > FULLER_TIMES * self.computed
            && self.found > self.computed + FULLER_PART * fill.bowl.to_f64();
        more.then(|| Fault::Fuller {
            found: Value::nearest(self.found.round()).unwrap_or_default(),
            computed: Value::nearest(self.computed.round()).unwrap_or_default(),
            at: self.at,
        })
    }
}

/// What was found in the bowl at each reading that had a beginning.
fn finds(reader: &mut Reader<'_>, fill: &Fill<MeterId>, rates: &Rates, read: &[Read]) -> Vec<Find> {
    let served = services(reader);
    let mut instants: Vec<Ts> = served.iter().copied().chain(read.iter().map(|read| read.at)).collect();
    instants.sort_unstable();
    instants.dedup();
    // Only the newest are learnt from, each with the one before it.
    let wanted = read.iter().rev().nth(FINDS).map_or(Ts::MIN, |read| read.at);
    instants.retain(|at| *at >= wanted);
    let unit = reader.unit(fill.meter);
    let mut finds = Vec::new();
    let mut before: Option<At> = None;
    for at in instants {
        let value = read.iter().find(|read| read.at == at).map(|read| read.value);
        if let (Some(found), Some(start)) = (value, before)
            && let Some((hours, computed)) = gained(reader, fill, rates, (start, at), unit)
            && hours > 0.0
        {
            finds.push(Find { at, found, computed: computed + start.ml, hours });
        }
        let is_service = served.binary_search(&at).is_ok();
        before = Some(At { at, ml: value.filter(|_| !is_service).unwrap_or(0.0) });
    }
    finds
}

/// The hours between two instants and what drops into the bowl in them.
fn gained(
    reader: &mut Reader<'_>,
    fill: &Fill<MeterId>,
    rates: &Rates,
    (start, end): (At, Ts),
    unit: Unit,
) -> Option<(f64, f64)> {
    let mut month = Month::of(start.at);
    let mut from = reader.h(fill.meter, start.at)?;
    let (mut hours, mut ml) = (0.0, 0.0);
    for _ in 0..MONTHS_MAX {
        let until = month.next().start().min(end);
        let to = reader.h(fill.meter, until)?;
        let ran = stated(to - from, unit).max(0.0);
        hours += ran;
        ml += ran * rates.in_month(month);
        if until == end {
            return Some((hours, ml));
        }
        (month, from) = (month.next(), to);
    }
    None
}

/// How much more than computed drops into the bowl in an hour: the median of the newest finds, those still to come taken
/// as computed, so that one wild reading moves nothing. Never less than computed.
fn learnt(finds: &[Find]) -> f64 {
    let newest = finds.iter().rev().take(FINDS);
    let mut more: Vec<f64> =
        newest.map(|find| ((find.found - find.computed) / find.hours).max(0.0)).collect();
    more.resize(FINDS, 0.0);
    crate::statistics::median(&more)
}

/// A reading in mL: a volume, or per cent of the bowl.
fn millilitres(fill: &Fill<MeterId>, value: Value, unit: PointUnit) -> Option<f64> {
    if unit.quantity() == Quantity::Share {
        return Some(fill.bowl.to_f64() * value.to_f64() / 100.0);
    }
    unit.convert(value, PointUnit::parse("mL")?).map(Value::to_f64)
}
