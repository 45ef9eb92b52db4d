//! A reservoir reaching its lower mark.

use super::super::clause::meter_point;
use super::super::reader::Reader;
use super::super::row::{Base, ClauseState};
use super::super::state::State;
use super::{
    Act, Fault, Found, Modelled, Rate, Read, Start, amount, poured, readings, resolution, services, sign_of,
    stated, unbroken, unit_of, whole_number,
};
use crate::consumables::draw::{Against, Drawn, Learned, Look, learn};
use crate::consumables::reservoir::Supply;
use crate::fluid::{Poured, to_volume};
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
    let served = state.last.map(|last| last.dealt_with);
    let since = &read[served.map_or(0, |served| read.partition_point(|read| read.at < served))..];
    let newest = since.last().copied();
    let Some((start, base)) = start(reader, level, newest, state) else { return never(Base::Never) };
    let unit = reader.unit(level.meter);
    let full = level.reservoir(level.high.to_f64(), level.low).and_then(|reservoir| reservoir.supply());
    // What a rule states was checked, so that it can be computed.
    let Ok(full) = full else { return never(base) };

    let (looks, instants) = looks(reader, level, &read);
    let drawn = Drawn {
        formula: Volume(full.ml_h / 1000.0),
        between: Volume(level.high.to_f64() - level.low.to_f64()),
        grain: Volume(grain(reader, level, &read)),
        served: served.map(|served| instants.partition_point(|at| *at < served)),
    };
    let learned = learn(&looks, &drawn);
    let ml = learned.rate_l.map_or(full.ml_h, |litres| litres * 1000.0);
    let start = go_on(reader, level, start, ml, Ts::MAX);
    let base = if start.poured { Base::Poured(start.at) } else { base };
    let due = level.reservoir(start.litres, level.goal()).and_then(|reservoir| reservoir.supply());
    let Ok(due) = due else { return never(base) };
    let goal = level.goal().to_f64();
    let low_reads = unbroken(since, |read| read.value <= goal);
    let below = low_reads.first().map(|read| read.at);
    // What was read before enough was added tells of a level that is no more.
    let below = below.filter(|_| !start.poured || start.litres <= goal);
    let before = below.and_then(|below| {
        let known = since[..since.len() - low_reads.len()].last().copied();
        let (from, base) = self::start(reader, level, known, state)?;
        Some((go_on(reader, level, from, ml, below), base))
    });
    // A level that was read low confirms what was computed before: counting goes on from what was known until then, so
    // that no look takes back since when it was due.
    let part = match &before {
        Some((from, base)) => counted(reader, rule, level, (from, *base), (full.ml_h, ml)),
        None => counted(reader, rule, level, (&start, base), (full.ml_h, ml)),
    };
    let Some(part) = part else { return never(base) };
    let faults: Vec<Fault> = fault(&learned, &instants).into_iter().collect();
    let now = below.is_some() || !faults.is_empty();
    let shown = learned.fault.and_then(|fault| instants.get(fault.shown)).copied();
    Found {
        base,
        parts: vec![part],
        told: Modelled {
            start: Some(start.told(reader, level)),
            rate: Some(rate(ml, full.ml_h, &learned, unit)),
            acts: vec![refill(level, &due, now)],
            faults,
            reached: below,
            waits: false,
        },
        at_once: below.into_iter().chain(shown).min(),
    }
}

/// From what is in it to the reserve above its lower mark, at so much in one of what its meter counts: by the formula, and
/// as it is used.
fn counted(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    level: &Level<MeterId>,
    (from, base): (&From, Base),
    (formula, ml): (f64, f64),
) -> Option<ClauseState> {
    let unit = reader.unit(level.meter);
    let down_to =
        |mark: Value| level.reservoir(from.litres, mark).and_then(|reservoir| reservoir.supply()).ok();
    let (due, low) = (down_to(level.goal())?, down_to(level.low)?);
    let lasts = |supply: &Supply| supply.run_left.map_or(0.0, Hours::to_hours) * formula / ml;
    let counts = from.count.map(|count| {
        let (due, low) = (count + amount(lasts(&due), unit), count + amount(lasts(&low), unit));
        let whole = amount((level.high.to_f64() - level.goal().to_f64()) * 1000.0 / ml, unit);
        let width = rule.window().width_in_amount(whole);
        // The reserve is what may be used up without harm; without one, the window says how late it may be.
        let shuts = if level.reserve.0 > 0 { low.max(due) } else { due + width };
        DueCount { opens: due - width, due, shuts }
    });
    let every = amount(lasts(&due), unit);
    Some(meter_point(reader, (level.meter, every), (base, from.count, Some(from.at)), counts))
}

/// What it starts from.
struct From {
    at: Ts,
    litres: f64,
    count: Option<crate::quantity::Amount>,
    read: Option<Read>,
    /// Whether it goes on from what was poured in since.
    poured: bool,
}

impl From {
    fn told(&self, reader: &Reader<'_>, level: &Level<MeterId>) -> Start {
        match self.read {
            _ if self.poured => {
                let value = rounded(self.litres);
                Start { at: self.at, value, sign: "L".to_owned(), read: false, poured: true }
            }
            Some(read) => Start {
                at: read.at,
                value: read.shown,
                sign: sign_of(reader, level.point.as_ref()),
                read: true,
                poured: false,
            },
            None => {
                Start { at: self.at, value: level.high, sign: "L".to_owned(), read: false, poured: false }
            }
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
        let in_it = state.last.filter(|last| last.dealt_with == read.at);
        let base = in_it.map_or(Base::Reading(read.at), |last| last.base());
        return Some((
            From { at: read.at, litres: read.value, count, read: Some(read), poured: false },
            base,
        ));
    }
    let last = state.last?;
    let count = last.count(level.meter, reader);
    let from = From { at: last.at, litres: level.high.to_f64(), count, read: None, poured: false };
    Some((from, last.base()))
}

/// What is in it after what was poured since: what was used until then is gone, what was added is in it, up to its upper
/// mark; after a change there is what went in. What was poured at the very instant of a reading or closing is in its level;
/// what was poured from `until` on is left out.
fn go_on(reader: &mut Reader<'_>, level: &Level<MeterId>, from: From, ml: f64, until: Ts) -> From {
    let (unit, high) = (reader.unit(level.meter), level.high.to_f64());
    let mut now = from;
    for poured in poured(reader, level.point.as_ref()) {
        if poured.at <= now.at || poured.at >= until {
            continue;
        }
        let known = reader.history(level.meter).is_some();
        let count = known.then(|| reader.h(level.meter, poured.at)).flatten();
        let run = count.zip(now.count).map_or(0.0, |(count, before)| stated(count - before, unit));
        let before = if poured.change { 0.0 } else { (now.litres - run * ml / 1000.0).max(0.0) };
        let litres = (before + to_volume(poured.amount).to_litres()).min(high.max(before));
        now = From { at: poured.at, litres, count, read: None, poured: true };
    }
    now
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
    let all_poured = poured(reader, level.point.as_ref());
    let changes: Vec<Ts> = all_poured.iter().filter(|poured| poured.change).map(|poured| poured.at).collect();
    let mut instants: Vec<Ts> = read.iter().map(|read| read.at).collect();
    // What was done before the first reading, or before it was first said how much went in, tells what it began with; all before that tells nothing.
    let first =
        read.first().map(|read| read.at).into_iter().chain(all_poured.first().map(|poured| poured.at));
    let first = first.min().unwrap_or(Ts::MAX);
    let before = served.partition_point(|at| *at < first).saturating_sub(1);
    instants.extend(served.iter().skip(before));
    instants.extend(changes.iter().filter(|at| **at >= first));
    instants.sort_unstable();
    instants.dedup();
    let unit = reader.unit(level.meter);
    let high = level.high.to_f64();
    let look = |place: usize, reader: &mut Reader<'_>| {
        let at = instants[place];
        let value = read.iter().find(|read| read.at == at).map(|read| read.value.max(0.0));
        let within = |poured: &&Poured| {
            poured.at <= at && place.checked_sub(1).is_none_or(|p| poured.at > instants[p])
        };
        let since: f64 =
            all_poured.iter().filter(within).map(|poured| to_volume(poured.amount).to_litres()).sum();
        let (change, service) = (changes.contains(&at), served.binary_search(&at).is_ok());
        let left = value.unwrap_or(if change { since.min(high) } else { high });
        // What was left less what was added is what was found; of a service that says nothing of it nobody knows.
        let added_then = all_poured.iter().any(|poured| poured.at == at);
        let found = (!change && (!service || added_then)).then_some(left - since);
        Some(Look {
            at: Hours(stated(reader.h(level.meter, at)?, unit)),
            found: found.map(Volume),
            left: Volume(left),
        })
    };
    let all: Option<Vec<Look>> = (0..instants.len()).map(|place| look(place, reader)).collect();
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

/// What fits in: now, where something is to be done at once, else when it will have fallen to its reserve.
fn refill(level: &Level<MeterId>, present: &Supply, now: bool) -> Act {
    let at_due = level.reservoir(level.goal().to_f64(), level.low).and_then(|reservoir| reservoir.supply());
    let of = |supply: &Supply| (supply.refill, supply.whole_packs);
    let (refill, packs) = at_due.ok().filter(|_| !now).as_ref().map_or_else(|| of(present), of);
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
