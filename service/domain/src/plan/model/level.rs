//! A reservoir reaching its lower mark.

use super::super::clause::meter_point;
use super::super::reader::Reader;
use super::super::row::Base;
use super::super::state::State;
use super::{
    Act, Fault, Found, Modelled, Rate, Read, Start, amount, readings, resolution, services, sign_of, stated,
    unit_of,
};
use crate::consumables::draw::{Against, Drawn, Learned, Look, learn};
use crate::consumables::reservoir::Supply;
use crate::ids::MeterId;
use crate::physics::measure::{Hours, Volume};
use crate::quantity::Unit;
use crate::reading::course::rounded;
use crate::reading::{PointUnit, Quantity, Value};
use crate::rule::IntervalRule;
use crate::rule::model::Level;
use crate::rule::occurrence::DueCount;
use crate::time::Ts;

/// What is told of a level clause that has nothing to start from.
fn never(base: Base) -> Found {
    Found { base, parts: Vec::new(), told: Modelled::default(), at_once: None }
}

/// From what is in it, at the rate that was learnt or by the formula, to the reserve above its lower mark.
pub(super) fn follow(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    level: &Level<MeterId>,
    state: &State,
) -> Found {
    let read = readings(reader, level.point.as_ref(), |value, unit| litres(level, value, unit));
    let served = state.last.map(|last| last.at);
    let newest = read.last().copied().filter(|read| served.is_none_or(|served| read.at >= served));
    let Some((start, base)) = start(reader, level, newest, state) else { return never(Base::Never) };
    let unit = reader.unit(level.meter);
    let due = level.reservoir(start.litres, level.goal()).and_then(|reservoir| reservoir.supply());
    let low = level.reservoir(start.litres, level.low).and_then(|reservoir| reservoir.supply());
    // What a rule states was checked, so that both can be computed.
    let (Ok(due), Ok(low)) = (due, low) else { return never(base) };

    let (looks, instants) = looks(reader, level, &read);
    let drawn = Drawn {
        formula: Volume(due.ml_h / 1000.0),
        between: Volume(level.high.to_f64() - level.low.to_f64()),
        grain: Volume(grain(reader, level, &read)),
        served: served.map(|served| instants.partition_point(|at| *at < served)),
    };
    let learned = learn(&looks, &drawn);
    let ml = learned.rate_l.map_or(due.ml_h, |litres| litres * 1000.0);
    let lasts = |supply: &Supply| supply.run_left.map_or(0.0, Hours::to_hours) * supply.ml_h / ml;

    let count = start.count;
    let counts = count.map(|count| {
        let (due, low) = (count + amount(lasts(&due), unit), count + amount(lasts(&low), unit));
        let whole = amount((level.high.to_f64() - level.goal().to_f64()) * 1000.0 / ml, unit);
        let width = rule.window().width_in_amount(whole);
        // The reserve is what may be used up without harm; without one, the window says how late it may be.
        let shuts = if level.reserve.0 > 0 { low.max(due) } else { due + width };
        DueCount { opens: due - width, due, shuts }
    });
    let every = amount(lasts(&due), unit);
    let part = meter_point(reader, (level.meter, every), (base, count, Some(start.at)), counts);
    let below = newest.filter(|read| read.value <= level.goal().to_f64()).map(|read| read.at);
    let shown = learned.fault.and_then(|fault| instants.get(fault.shown)).copied();
    Found {
        base,
        parts: vec![part],
        told: Modelled {
            start: Some(start.told(reader, level)),
            rate: Some(rate(ml, due.ml_h, &learned, unit)),
            acts: vec![refill(level, &due)],
            faults: fault(&learned, &instants).into_iter().collect(),
            reached: below,
            waits: false,
        },
        at_once: below.into_iter().chain(shown).min(),
    }
}

/// What it starts from.
struct From {
    at: Ts,
    litres: f64,
    count: Option<crate::quantity::Amount>,
    read: Option<Read>,
}

impl From {
    fn told(&self, reader: &Reader<'_>, level: &Level<MeterId>) -> Start {
        match self.read {
            Some(read) => Start {
                at: read.at,
                value: read.shown,
                sign: sign_of(reader, level.point.as_ref()),
                read: true,
            },
            None => Start { at: self.at, value: level.high, sign: "L".to_owned(), read: false },
        }
    }
}

/// The newest reading since the last closing, or that closing, which filled it to its upper mark.
fn start(
    reader: &mut Reader<'_>,
    level: &Level<MeterId>,
    newest: Option<Read>,
    state: &State,
) -> Option<(From, Base)> {
    if let Some(read) = newest {
        let count = reader.history(level.meter).is_some().then(|| reader.h(level.meter, read.at)).flatten();
        let base =
            state.last.filter(|last| last.at == read.at).map_or(Base::Reading(read.at), |last| last.base());
        return Some((From { at: read.at, litres: read.value, count, read: Some(read) }, base));
    }
    let last = state.last?;
    let count = last.count(level.meter, reader);
    let from = From { at: last.at, litres: level.high.to_f64(), count, read: None };
    Some((from, last.base()))
}

/// A reading in L: a volume, or per cent of the way from the lower to the upper mark.
fn litres(level: &Level<MeterId>, value: Value, unit: PointUnit) -> Option<f64> {
    if unit.quantity() == Quantity::Share {
        let (low, high) = (level.low.to_f64(), level.high.to_f64());
        return Some(low + (high - low) * value.to_f64() / 100.0);
    }
    unit.convert(value, PointUnit::parse("L")?).map(Value::to_f64)
}

/// What the gauge can tell apart, in L, as far as its readings show.
fn grain(reader: &Reader<'_>, level: &Level<MeterId>, read: &[Read]) -> f64 {
    let step = resolution(&read.iter().map(|read| read.shown).collect::<Vec<Value>>());
    let turned = |value: Value| litres(level, value, unit_of(reader, level.point.as_ref())?);
    turned(step).zip(turned(Value(0))).map_or(0.0, |(step, none)| step - none)
}

/// The looks at it and its services, with their instants.
fn looks(reader: &mut Reader<'_>, level: &Level<MeterId>, read: &[Read]) -> (Vec<Look>, Vec<Ts>) {
    let served = services(reader);
    let mut instants: Vec<Ts> = read.iter().map(|read| read.at).collect();
    // What was done before the first reading tells what it began with; all before that tells nothing.
    let first = instants.first().copied().unwrap_or(Ts::MAX);
    let before = served.partition_point(|at| *at < first).saturating_sub(1);
    instants.extend(served.iter().skip(before));
    instants.sort_unstable();
    instants.dedup();
    let unit = reader.unit(level.meter);
    let look = |at: Ts, reader: &mut Reader<'_>| {
        let value = read.iter().find(|read| read.at == at).map(|read| Volume(read.value.max(0.0)));
        let is_service = served.binary_search(&at).is_ok();
        Some(Look {
            at: Hours(stated(reader.h(level.meter, at)?, unit)),
            found: value.filter(|_| !is_service),
            left: value.unwrap_or(Volume(level.high.to_f64())),
        })
    };
    let all: Option<Vec<Look>> = instants.iter().map(|at| look(*at, reader)).collect();
    all.map_or_else(|| (Vec::new(), Vec::new()), |all| (all, instants))
}

fn rate(ml: f64, formula: f64, learned: &Learned, unit: Unit) -> Rate {
    let of_one = match unit {
        Unit::Hours => "h",
        Unit::Cycles => "cycle",
        Unit::Litres => "L",
    };
    Rate {
        value: rounded(ml),
        sign: format!("mL/{of_one}"),
        readings: learned.rate_l.map_or(0, |_| u32::try_from(learned.stretches + 1).unwrap_or(u32::MAX)),
        percent: learned.rate_l.map(|_| percent(ml / formula)),
    }
}

fn refill(level: &Level<MeterId>, due: &Supply) -> Act {
    // What fits in once it has fallen to its reserve.
    let at_due = level.reservoir(level.goal().to_f64(), level.low).and_then(|reservoir| reservoir.supply());
    let (refill, packs) = at_due.map_or((due.refill, due.whole_packs), |s| (s.refill, s.whole_packs));
    Act::Refill {
        litres: Value::nearest(refill.to_litres()).unwrap_or_default(),
        packs: level.pack.map(|pack| (whole_number(packs), pack)),
    }
}

fn fault(learned: &Learned, instants: &[Ts]) -> Option<Fault> {
    let fault = learned.fault?;
    let own_past = fault.against == Against::OwnPast;
    Some(Fault::Use { percent: percent(fault.share), since: *instants.get(fault.since)?, own_past })
}

fn percent(share: f64) -> u32 {
    whole_number(share * 100.0)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a cast of a float saturates")]
fn whole_number(number: f64) -> u32 {
    number.round() as u32
}
