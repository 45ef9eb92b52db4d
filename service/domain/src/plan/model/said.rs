//! Clauses that wait for what readings tell: an element's pressure drop, a coolant, a neat oil, the air of an idle machine.
//!
//! What counts is what was read at the last closing, which is how it was left, and since. Limits and formulas are those of
//! [`crate::consumables`].

use super::super::clause::{calendar_point, meter_point};
use super::super::reader::Reader;
use super::super::row::{Base, ClauseState};
use super::super::state::State;
use super::{Act, Fault, Found, Modelled, Rate, Read, Start, Tells, amount, readings, sign_of, stated};
use crate::consumables::coolant::{Standing, Sump, adjust, strength_of_brix};
use crate::consumables::filters::drop_at_rated_flow_bar;
use crate::consumables::limits::{Reading, Verdict, judge};
use crate::ids::MeterId;
use crate::physics::measure::{Hours, Percent, Volume};
use crate::quantity::Amount;
use crate::reading::course::rounded;
use crate::reading::{PointUnit, Quantity, Value};
use crate::rule::model::{Coolant, Element, IdleAir, NeatOil};
use crate::rule::occurrence::{DueCount, due_count, due_period};
use crate::rule::{CalendarUnit, Every, IntervalRule};
use crate::statistics::median;
use crate::statistics::trend::{At, theil_sen};
use crate::text::Key;
use crate::time::{MICROS_PER_DAY, MICROS_PER_HOUR, Ts};

/// A flow counts for a pressure drop that was read within so long of it.
const TOGETHER: i64 = MICROS_PER_HOUR;
/// Readings that tell a trend.
const TREND_MIN: usize = 5;
/// The newest of them, from which the pace is taken (own choice).
const TREND_MAX: usize = 8;
/// How sure the slope's limits are between which eight chances in ten lie.
const EIGHT_IN_TEN: f64 = 0.8;
/// A limit that is more hours of run away than that is not in sight: some three years without a pause.
const HOURS_AHEAD: f64 = 26_000.0;
/// A drop below this part of what it was is a burst or missing element (own choice).
const FELL_SHARE: f64 = 0.6;
/// Readings before it, from which it is taken what it was.
const FELL_BEFORE: usize = 3;
/// What it was at least, in bar: below it a gauge's scatter is half of it (own choice).
const FELL_FROM_BAR: f64 = 0.05;
/// A flow above so many times what it should be, for a week, is a leak (common practice, no source).
const IDLE_TIMES: f64 = 1.25;
const IDLE_MICROS: i64 = 7 * MICROS_PER_DAY;
/// Readings from which a baseline is taken (common practice, no source).
const BASELINE: usize = 8;
/// Nitrite is read weekly, and every four weeks after three in a row below this (TRGS 611, section 5.3), in mg/L.
const NITRITE_CALM: f64 = 10.0;
const NITRITE_DAYS: (u32, u32) = (7, 28);
/// Of a neat oil: viscosity within so much of what it was, water below, flash point fallen by at most (common practice, no
/// source).
const VISCOSITY_SHARE: f64 = 0.1;
const WATER_PERCENT: f64 = 0.1;
const FLASH_K: f64 = 20.0;

/// Turns readings into the unit with a code.
fn into(code: &'static str) -> impl Fn(Value, PointUnit) -> Option<f64> {
    move |value, unit| unit.convert(value, PointUnit::parse(code)?).map(Value::to_f64)
}

/// What was read at the last closing and since.
fn since(read: Vec<Read>, state: &State) -> Vec<Read> {
    let since = state.last.map(|last| last.dealt_with);
    read.into_iter().filter(|read| since.is_none_or(|since| read.at >= since)).collect()
}

fn tells(what: Tells, value: f64, limit: f64, at: Ts) -> Fault {
    Fault::Reading { what, value: rounded(value), limit: rounded(limit), at }
}

fn at_of(fault: &Fault) -> Option<Ts> {
    if let Fault::Reading { at, .. } = fault { Some(*at) } else { None }
}

fn base_of(state: &State) -> Base {
    state.last.map_or(Base::Never, |last| last.base())
}

fn start_of(reader: &Reader<'_>, point: Option<&Key>, read: &[Read]) -> Option<Start> {
    let newest = read.last()?;
    Some(Start { at: newest.at, value: newest.shown, sign: sign_of(reader, point), read: true })
}

/// What is found from faults alone: the first of them makes it due at once.
fn of_faults(
    state: &State,
    start: Option<Start>,
    parts: Vec<ClauseState>,
    mut faults: Vec<Fault>,
    acts: Vec<Act>,
) -> Found {
    faults.sort_unstable_by_key(|fault| match fault {
        Fault::Reading { what, at, .. } => (Some(*what), Some(*at)),
        Fault::Use { .. } | Fault::Fuller { .. } => (None, None),
    });
    let at_once = faults.iter().filter_map(at_of).min();
    let waits = parts.is_empty();
    let told = Modelled { start, rate: None, acts, faults, reached: at_once, waits };
    Found { base: base_of(state), parts, told, at_once }
}

/// An element, by its drop at rated flow over the hours that were run, and at the latest by the calendar or its hours.
pub(super) fn element(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    of: &Element<MeterId>,
    state: &State,
) -> Found {
    let read = since(readings(reader, Some(&of.point), into("bar{diff}")), state);
    let start = start_of(reader, Some(&of.point), &read);
    let drops = at_rated_flow(reader, of, read);
    let limit = of.change_bar();
    let high = drops.iter().find(|drop| drop.value >= limit);
    let mut faults: Vec<Fault> = fell(&drops).into_iter().collect();
    faults.extend(high.map(|drop| tells(Tells::DropHigh, drop.value, limit, drop.at)));
    let mut parts = at_the_latest(reader, rule, of, state);
    let trend = if faults.is_empty() { trend(reader, rule, of, (&drops, limit), state) } else { None };
    let rate = trend.map(|(part, rate)| {
        parts.push(part);
        rate
    });
    let mut found = of_faults(state, start, parts, faults, vec![Act::Change]);
    found.told.rate = rate;
    found
}

/// The drops as they would be at rated flow; one read at too low a flow, or without it, tells nothing.
fn at_rated_flow(reader: &Reader<'_>, of: &Element<MeterId>, read: Vec<Read>) -> Vec<Read> {
    let Some((point, rated)) = of.flow_point.as_ref().zip(of.rated) else { return read };
    let flows = readings(reader, Some(point), |value, unit| {
        let code = if unit.quantity() == Quantity::FreeAir { "L/min{ANR}" } else { "L/min" };
        into(code)(value, unit)
    });
    let normal = |drop: Read| {
        let near = flows.iter().min_by_key(|flow| flow.at.micros_since(drop.at).abs())?;
        let together = near.at.micros_since(drop.at).abs() <= TOGETHER;
        let value = drop_at_rated_flow_bar(drop.value, near.value / rated.to_f64())?;
        together.then_some(Read { value, ..drop })
    };
    read.into_iter().filter_map(normal).collect()
}

/// The first drop that fell far below those before it.
fn fell(drops: &[Read]) -> Option<Fault> {
    let values: Vec<f64> = drops.iter().map(|drop| drop.value).collect();
    (FELL_BEFORE..drops.len()).find_map(|place| {
        let was = median(&values[place.saturating_sub(5)..place]);
        let now = drops[place];
        let fell = was >= FELL_FROM_BAR && now.value < FELL_SHARE * was;
        fell.then(|| tells(Tells::DropFell, now.value, was, now.at))
    })
}

fn at_the_latest(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    of: &Element<MeterId>,
    state: &State,
) -> Vec<ClauseState> {
    let (Some(last), Some(edition)) = (state.last, of.limits()) else { return Vec::new() };
    let mut parts = Vec::new();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some months, stated whole")]
    let months = of.months.unwrap_or(edition.limits.months as u32);
    let every = Every { n: months, unit: CalendarUnit::Month };
    let period = due_period(last.day, every, rule.window(), 1);
    parts.push(calendar_point(reader, rule, (last.base(), every, last.day), period, state));
    if let Some(hours) = of.hours.map(Value::to_f64).or(edition.limits.hours.map(Hours::to_hours)) {
        let every = amount(hours, reader.unit(of.meter));
        let from = last.count(of.meter, reader);
        let counts = from.map(|from| due_count(from, every, rule.window(), 1));
        parts.push(meter_point(reader, (of.meter, every), (last.base(), from, Some(last.at)), counts));
    }
    parts
}

/// Where the line through the drops over the hours of run reaches the limit.
fn trend(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    of: &Element<MeterId>,
    (drops, limit): (&[Read], f64),
    state: &State,
) -> Option<(ClauseState, Rate)> {
    // An element clogs faster towards its end: only the newest drops tell its pace.
    let drops = &drops[drops.len().saturating_sub(TREND_MAX)..];
    let newest = drops.last().filter(|_| drops.len() >= TREND_MIN)?;
    let unit = reader.unit(of.meter);
    let mut points = Vec::with_capacity(drops.len());
    for drop in drops {
        points.push(At { place: stated(reader.h(of.meter, drop.at)?, unit), reading: drop.value });
    }
    let line = theil_sen(&points, 0.95).ok()?;
    let now = points.last()?.place;
    let reaches = line.reaches(points.len(), now, limit, HOURS_AHEAD)?;
    let likely = theil_sen(&points, EIGHT_IN_TEN).ok()?.reaches(points.len(), now, limit, HOURS_AHEAD);
    let from = reader.h(of.meter, newest.at)?;
    let count = |place: f64| from + amount((place - now).max(0.0), unit);
    let due = count(reaches.expected);
    let begun = state.last.and_then(|last| last.count(of.meter, reader)).unwrap_or(from);
    let width = rule.window().width_in_amount(Amount((due - begun).0.max(0)));
    let base = (Base::Reading(newest.at), Some(from), Some(newest.at));
    let mut point = |due: Amount| {
        let counts = DueCount { opens: due - width, due, shuts: due + width };
        meter_point(reader, (of.meter, due - from), base, Some(counts))
    };
    let mut part = point(due);
    if let (Some(ahead), Some(likely)) = (&mut part.ahead, likely) {
        // Neither the pace nor the hours are sure: the earliest comes by the steeper line and much run.
        let (early, late) = (point(count(likely.earliest)), point(count(likely.latest)));
        ahead.p10 = early.ahead.map_or(early.due, |early| early.p10);
        ahead.p90 = late.ahead.map_or(late.due, |late| late.p90);
        ahead.today = early.ahead.map_or(ahead.today, |early| early.today.max(ahead.today));
    }
    let rate = Rate {
        value: rounded(line.slope * 1000.0),
        sign: "bar in 1000 h".to_owned(),
        readings: u32::try_from(drops.len()).unwrap_or(u32::MAX),
        percent: None,
    };
    Some((part, rate))
}

/// A water-mixed coolant: strength, pH, nitrite and dip slides, and when nitrite is to be read again.
pub(super) fn coolant(reader: &mut Reader<'_>, rule: &IntervalRule, of: &Coolant, state: &State) -> Found {
    let mut faults = Vec::new();
    let mut acts = Vec::new();
    let strength =
        since(readings(reader, of.strength.as_ref(), |value, unit| percent(of, value, unit)), state);
    if let (Some(read), Some(wanted)) = (strength.last(), of.wanted) {
        let wanted = wanted.to_f64();
        let off = read.value - wanted;
        if off.abs() > of.band_points() + crate::physics::measure::GRAIN {
            let what = if off < 0.0 { Tells::Weak } else { Tells::Strong };
            faults.push(tells(what, read.value, wanted, read.at));
            acts.extend(correction(of, read.value, wanted));
        }
    }
    let ph = since(readings(reader, of.ph.as_ref(), into("[pH]")), state);
    if let (Some(read), Some(first)) = (ph.last(), of.ph_first) {
        let first_fill = first.to_f64();
        let verdict = judge(&Reading::Ph { now: read.value, first_fill });
        let fallen = [(Verdict::ChangeAndClean, Tells::PhChange), (Verdict::SupplierMeasures, Tells::PhLow)];
        let fallen = fallen.into_iter().find(|(of, _)| *of == verdict);
        faults.extend(fallen.map(|(_, what)| tells(what, read.value, first_fill, read.at)));
    }
    let nitrite = readings(reader, of.nitrite.as_ref(), into("mg/L"));
    let parts: Vec<ClauseState> = nitrite_again(reader, rule, of, &nitrite, state).into_iter().collect();
    if let Some(read) = since(nitrite, state).last()
        && judge(&Reading::Nitrite(read.value)) == Verdict::ChangeOrInhibit
    {
        faults.push(tells(Tells::NitriteHigh, read.value, 20.0, read.at));
    }
    let slides = since(readings(reader, of.dip_slide.as_ref(), into("{CFU}/mL")), state);
    if let (Some(read), Some(edition)) = (slides.last(), of.slide_bands()) {
        let verdict = judge(&Reading::DipSlide(*edition, read.value));
        let many = [
            (Verdict::ActNow, Tells::SlideAct, edition.limits.poor_from),
            (Verdict::Review, Tells::SlideReview, edition.limits.good_below),
        ];
        let many = many.into_iter().find(|(of, ..)| *of == verdict);
        faults.extend(many.map(|(_, what, from)| tells(what, read.value, from, read.at)));
    }
    let start = start_of(reader, of.strength.as_ref(), &strength);
    of_faults(state, start, parts, faults, acts)
}

/// A strength in per cent: as it was read, or a refractometer's reading times the product's factor.
fn percent(of: &Coolant, value: Value, unit: PointUnit) -> Option<f64> {
    if unit.quantity() == Quantity::Refraction {
        let strength = strength_of_brix(value.to_f64(), of.factor?.to_f64()).ok()?;
        return Some(strength.to_percent());
    }
    into("%")(value, unit)
}

/// How to bring it to its strength with a premix, never with concentrate alone, or with water.
fn correction(of: &Coolant, now: f64, wanted: f64) -> Option<Act> {
    let premix = if now < wanted { of.premix.map_or(2.0 * wanted, Value::to_f64).min(100.0) } else { 0.0 };
    let sump = Sump { volume: Volume::litres(of.sump?.to_f64()).ok()?, strength: Percent::new(now).ok()? };
    let found = adjust(sump, Percent::new(wanted).ok()?, Percent::new(premix).ok()?).ok()?;
    if found.standing == Standing::AsWanted {
        return None;
    }
    let swap = found.swap.to_litres();
    Some(Act::Correct {
        swap: rounded(swap),
        add: rounded(found.add.to_litres()),
        premix: rounded(premix),
        concentrate: rounded(swap * premix / 100.0),
    })
}

/// When nitrite is to be read again: a week after it was read, four weeks after three in a row that were low.
fn nitrite_again(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    of: &Coolant,
    read: &[Read],
    state: &State,
) -> Option<ClauseState> {
    of.nitrite.as_ref()?;
    let calm = read.len() >= 3 && read[read.len() - 3..].iter().all(|read| read.value < NITRITE_CALM);
    let every = Every { n: if calm { NITRITE_DAYS.1 } else { NITRITE_DAYS.0 }, unit: CalendarUnit::Day };
    let (base, day) = match (read.last(), state.last) {
        (Some(newest), _) => (Base::Reading(newest.at), reader.calendar.shop_day_of(newest.at)),
        (None, Some(last)) => (last.base(), last.day),
        (None, None) => return None,
    };
    let period = due_period(day, every, rule.window(), 1);
    Some(calendar_point(reader, rule, (base, every, day), period, state))
}

/// A neat oil: viscosity, water and flash point against what they were when it was new.
pub(super) fn neat_oil(reader: &Reader<'_>, of: &NeatOil, state: &State) -> Found {
    let newest = |point: Option<&Key>, code| since(readings(reader, point, into(code)), state).pop();
    let mut faults = Vec::new();
    let viscosity = newest(of.viscosity.as_ref(), "mm2/s");
    if let (Some(read), Some(new)) = (viscosity, of.viscosity_new.map(Value::to_f64))
        && (read.value - new).abs() > VISCOSITY_SHARE * new
    {
        faults.push(tells(Tells::ViscosityOff, read.value, new, read.at));
    }
    let water = newest(of.water.as_ref(), "%");
    faults.extend(
        water
            .filter(|read| read.value >= WATER_PERCENT)
            .map(|read| tells(Tells::WaterHigh, read.value, WATER_PERCENT, read.at)),
    );
    let flash = newest(of.flash.as_ref(), "Cel");
    if let (Some(read), Some(new)) = (flash, of.flash_new.map(Value::to_f64))
        && read.value < new - FLASH_K
    {
        faults.push(tells(Tells::FlashLow, read.value, new - FLASH_K, read.at));
    }
    let shown = [(of.viscosity.as_ref(), viscosity), (of.water.as_ref(), water), (of.flash.as_ref(), flash)];
    let start = shown.into_iter().find_map(|(point, read)| start_of(reader, point, &[read?]));
    of_faults(state, start, Vec::new(), faults, Vec::new())
}

/// An idle machine that has taken more air than it should for a week.
pub(super) fn idle_air(reader: &Reader<'_>, of: &IdleAir, state: &State) -> Found {
    let all = readings(reader, Some(&of.point), |value, unit| {
        let code = if unit.quantity() == Quantity::FreeAir { "L/min{ANR}" } else { "L/min" };
        into(code)(value, unit)
    });
    let read = since(all, state);
    let first: Vec<f64> = read.iter().take(BASELINE).map(|read| read.value).collect();
    let learnt = (first.len() == BASELINE).then(|| median(&first));
    let limit = of.baseline.map(Value::to_f64).or(learnt).map(|baseline| IDLE_TIMES * baseline);
    let mut faults = Vec::new();
    if let Some(limit) = limit {
        // The newest readings that all lie above it, and the one with which they had lasted a week.
        let begun = read.iter().rposition(|read| read.value <= limit).map_or(0, |calm| calm + 1);
        let high = read.get(begun..).unwrap_or_default();
        let from = high.first().map(|first| first.at.plus_micros(IDLE_MICROS));
        let lasted = high.iter().find(|read| from.is_some_and(|from| read.at >= from));
        faults.extend(lasted.map(|read| tells(Tells::IdleHigh, read.value, limit, read.at)));
    }
    let start = start_of(reader, Some(&of.point), &read);
    of_faults(state, start, Vec::new(), faults, Vec::new())
}
