//! Clauses that wait for what readings tell: an element's pressure drop, a coolant, a neat oil, the air of an idle machine.
//!
//! What counts is what was read at the last closing, which is how it was left, and since. Limits and formulas are those of
//! [`crate::consumables`].

use super::super::clause::{calendar_point, meter_point};
use super::super::reader::Reader;
use super::super::row::{Base, ClauseState};
use super::super::state::State;
use super::{
    Act, Fault, Found, Modelled, Rate, Read, Start, Tells, amount, poured, readings, sign_of, stated,
    unbroken,
};
use crate::consumables::coolant::{Standing, Sump, adjust, strength_of_brix};
use crate::consumables::filters::drop_at_rated_flow_bar;
use crate::consumables::limits::{NITRITE_ACT_MG_L, NITRITE_WATCH_MG_L, Reading, Verdict, judge};
use crate::ids::MeterId;
use crate::physics::measure::{GRAIN, Hours, Percent, Volume};
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
pub(super) const FELL_SHARE: f64 = 0.6;
/// Readings before it, from which it is taken what it was.
const FELL_BEFORE: usize = 3;
/// What it was at least, in bar: below it a gauge's scatter is half of it (own choice).
const FELL_FROM_BAR: f64 = 0.05;
/// A flow above so many times what it should be, for a week, is a leak (common practice, no source).
pub(super) const IDLE_TIMES: f64 = 1.25;
const IDLE_MICROS: i64 = 7 * MICROS_PER_DAY;
/// Nitrite is read weekly, and every four weeks after three in a row that need no watch (TRGS 611, section 5.3).
const NITRITE_DAYS: (u32, u32) = (7, 28);
/// Of a neat oil: viscosity within so much of what it was, water below, flash point fallen by at most (common practice, no
/// source).
pub(super) const VISCOSITY_PERCENT: u8 = 10;
pub(super) const WATER_PERCENT: f64 = 0.1;
pub(super) const FLASH_K: u8 = 20;

/// Turns readings into the unit with a code.
pub(super) fn into(code: &'static str) -> impl Fn(Value, PointUnit) -> Option<f64> {
    move |value, unit| unit.convert(value, PointUnit::parse(code)?).map(Value::to_f64)
}

/// What was read at the last closing and since.
fn since(read: Vec<Read>, state: &State) -> Vec<Read> {
    let since = state.last.map(|last| last.dealt_with);
    read.into_iter().filter(|read| since.is_none_or(|since| read.at >= since)).collect()
}

/// The readings of a fluid, at the last closing and since; what was read before the fluid was changed tells nothing of it. An
/// addition alone takes no reading back: only another one shows what it did.
fn of_fluid(reader: &Reader<'_>, point: Option<&Key>, read: Vec<Read>, state: &State) -> Vec<Read> {
    let changed = poured(reader, point).iter().rfind(|poured| poured.change).map(|poured| poured.at);
    let new = read.into_iter().filter(|read| changed.is_none_or(|changed| read.at >= changed)).collect();
    since(new, state)
}

fn tells(what: Tells, value: f64, limit: f64, at: Ts) -> Fault {
    Fault::Reading { what, value: rounded(value), limit: rounded(limit), at, since: at }
}

/// What the newest of some bad readings tells, since the first of them; none where none is bad.
fn tell(run: &[Read], what: Tells, limit: f64) -> Option<Fault> {
    let (first, newest) = (run.first()?, run.last()?);
    let (value, limit) = (rounded(newest.value), rounded(limit));
    Some(Fault::Reading { what, value, limit, at: newest.at, since: first.at })
}

/// In the steps in which readings are kept, so that one that lies just at a limit is not decided by the last bits of a
/// fraction.
fn whole_steps(number: f64) -> i64 {
    Value::nearest(number).unwrap_or_default().0
}

fn since_of(fault: &Fault) -> Option<Ts> {
    if let Fault::Reading { since, .. } = fault { Some(*since) } else { None }
}

fn base_of(state: &State) -> Base {
    state.last.map_or(Base::Never, |last| last.base())
}

fn start_of(reader: &Reader<'_>, point: Option<&Key>, read: &[Read]) -> Option<Start> {
    let newest = read.last()?;
    Some(Start {
        at: newest.at,
        value: newest.shown,
        sign: sign_of(reader, point),
        read: true,
        poured: false,
    })
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
        Fault::Reading { what, since, .. } => (Some(*what), Some(*since)),
        Fault::Use { .. } | Fault::Fuller { .. } => (None, None),
    });
    let at_once = faults.iter().filter_map(since_of).min();
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
    let high = drops.iter().position(|drop| drop.value >= limit);
    let mut faults: Vec<Fault> = fell(&drops).into_iter().collect();
    // What is read at the limit confirms what the drops before it told: it takes nothing back of since when it was due.
    let so_far = &drops[..high.unwrap_or(drops.len())];
    let trend = if faults.is_empty() { trend(reader, rule, of, (so_far, limit), state) } else { None };
    faults.extend(high.map(|high| tells(Tells::DropHigh, drops[high].value, limit, drops[high].at)));
    let mut parts = at_the_latest(reader, rule, of, state);
    let rate = trend.map(|(part, rate)| {
        parts.push(part);
        rate
    });
    let is_told = faults.is_empty();
    let mut found = of_faults(state, start, parts, faults, vec![Act::Change]);
    found.told.rate = rate.filter(|_| is_told);
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
    let strength = readings(reader, of.strength.as_ref(), |value, unit| percent(of, value, unit));
    let strength = of_fluid(reader, of.strength.as_ref(), strength, state);
    if let Some(wanted) = of.wanted.map(Value::to_f64) {
        let band = of.band_points() + GRAIN;
        let off = unbroken(&strength, |read| (read.value - wanted).abs() > band);
        if let Some(newest) = off.last() {
            let what = if newest.value < wanted { Tells::Weak } else { Tells::Strong };
            faults.extend(tell(off, what, wanted));
            acts.extend(correction(of, newest.value, wanted));
        }
    }
    if let Some(first_fill) = of.ph_first.map(Value::to_f64) {
        let ph = readings(reader, of.ph.as_ref(), into("[pH]"));
        let ph = of_fluid(reader, of.ph.as_ref(), ph, state);
        let fallen = [
            (Verdict::ChangeAndClean, Tells::PhChange, first_fill),
            (Verdict::SupplierMeasures, Tells::PhLow, first_fill),
        ];
        faults.extend(judged(&ph, |now| judge(&Reading::Ph { now, first_fill }), &fallen));
    }
    let nitrite = readings(reader, of.nitrite.as_ref(), into("mg/L"));
    let parts: Vec<ClauseState> = nitrite_again(reader, rule, of, &nitrite, state).into_iter().collect();
    let high = [(Verdict::ChangeOrInhibit, Tells::NitriteHigh, NITRITE_ACT_MG_L)];
    let nitrite = of_fluid(reader, of.nitrite.as_ref(), nitrite, state);
    faults.extend(judged(&nitrite, |mg_l| judge(&Reading::Nitrite(mg_l)), &high));
    if let Some(edition) = of.slide_bands() {
        let slides = readings(reader, of.dip_slide.as_ref(), into("{CFU}/mL"));
        let slides = of_fluid(reader, of.dip_slide.as_ref(), slides, state);
        let many = [
            (Verdict::ActNow, Tells::SlideAct, edition.limits.poor_from),
            (Verdict::Review, Tells::SlideReview, edition.limits.good_below),
        ];
        faults.extend(judged(&slides, |count| judge(&Reading::DipSlide(*edition, count)), &many));
    }
    let start = start_of(reader, of.strength.as_ref(), &strength);
    of_faults(state, start, parts, faults, acts)
}

/// What the newest reading is by its verdict, since the first of those whose verdict is one of the bad ones.
fn judged(read: &[Read], verdict: impl Fn(f64) -> Verdict, bad: &[(Verdict, Tells, f64)]) -> Option<Fault> {
    let told = |read: &Read| bad.iter().find(|(of, ..)| *of == verdict(read.value));
    let run = unbroken(read, |read| told(read).is_some());
    let (_, what, limit) = told(run.last()?)?;
    tell(run, *what, *limit)
}

/// A strength in per cent: as it was read, or a refractometer's reading times the product's factor.
pub(super) fn percent(of: &Coolant, value: Value, unit: PointUnit) -> Option<f64> {
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
    let calm = read.len() >= 3 && read[read.len() - 3..].iter().all(|read| read.value < NITRITE_WATCH_MG_L);
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
    let of_point =
        |point: Option<&Key>, code| of_fluid(reader, point, readings(reader, point, into(code)), state);
    let [viscosity, water, flash] = [
        of_point(of.viscosity.as_ref(), "mm2/s"),
        of_point(of.water.as_ref(), "%"),
        of_point(of.flash.as_ref(), "Cel"),
    ];
    let mut faults = Vec::new();
    if let Some(new) = of.viscosity_new {
        let off = |read: &Read| {
            (whole_steps(read.value) - new.0).abs() * 100 > new.0 * i64::from(VISCOSITY_PERCENT)
        };
        faults.extend(tell(unbroken(&viscosity, off), Tells::ViscosityOff, new.to_f64()));
    }
    let wet = unbroken(&water, |read| read.value >= WATER_PERCENT);
    faults.extend(tell(wet, Tells::WaterHigh, WATER_PERCENT));
    if let Some(new) = of.flash_new {
        let least = new.to_f64() - f64::from(FLASH_K);
        let low = |read: &Read| whole_steps(read.value) < whole_steps(least);
        faults.extend(tell(unbroken(&flash, low), Tells::FlashLow, least));
    }
    let shown = [(&of.viscosity, &viscosity), (&of.water, &water), (&of.flash, &flash)];
    let start = shown.into_iter().find_map(|(point, read)| start_of(reader, point.as_ref(), read));
    of_faults(state, start, Vec::new(), faults, Vec::new())
}

/// An idle machine that has taken more air than it should for a week.
pub(super) fn idle_air(reader: &Reader<'_>, of: &IdleAir, state: &State) -> Found {
    let all = readings(reader, Some(&of.point), |value, unit| {
        let code = if unit.quantity() == Quantity::FreeAir { "L/min{ANR}" } else { "L/min" };
        into(code)(value, unit)
    });
    let read = since(all, state);
    let limit = IDLE_TIMES * of.baseline.to_f64();
    // With which of the readings that lie above it one after the other they had lasted a week.
    let high = unbroken(&read, |read| read.value > limit);
    let from = high.first().map(|first| first.at.plus_micros(IDLE_MICROS));
    let lasted = high.iter().find(|read| from.is_some_and(|from| read.at >= from));
    let faults = lasted.map(|read| tells(Tells::IdleHigh, read.value, limit, read.at)).into_iter().collect();
    let start = start_of(reader, Some(&of.point), &read);
    of_faults(state, start, Vec::new(), faults, Vec::new())
}
