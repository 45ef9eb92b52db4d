//! What a model tells, in words: why, from which inputs, by which source, what to do, and what to heed where the work is.

use super::fill::FULLER_TIMES;
use super::said::{FELL_SHARE, FLASH_K, IDLE_TIMES, VISCOSITY_PERCENT, WATER_PERCENT};
use super::told::{Act, Fault, Modelled, Tells};
use crate::calendar::Calendar;
use crate::consumables::limits::{PH_CHANGE, PH_MEASURES};
use crate::physics::measure::Hours;
use crate::reading::{Value, with_sign};
use crate::rule::model::{Coolant, Cycle, Dew, Element, Fill, Level, MONTHS, Model};
use crate::text::Key;
use crate::time::ShopDay;

/// Cautions of a reservoir; local codes and the builder's manual come first.
const OF_LEVEL: &[&str] = &[
    "switch off, lock out and tag before you reach in: pumps, springs and raised axes must have no energy left; local \
     codes and licensed practice come first",
    "only the oil on the machine's card goes in; keep it off the skin and wipe up what is spilt",
    "oil, rags and empty packs are waste for a licensed collector, never for a drain",
];
/// Cautions of a bowl.
const OF_FILL: &[&str] = &[
    "close and lock the supply valve, vent to 0 bar and look at the gauge before a bowl is unscrewed; local codes and the \
     builder's manual come first",
    "wear eye protection; no solvent on a polycarbonate bowl, and a crazed one is replaced",
    "condensate holds oil: collect it for a licensed collector, never into a drain",
];

/// Cautions of compressed air under pressure.
const OF_ELEMENT: &[&str] = &[
    "close and lock the supply valve, vent to 0 bar and look at the gauge before a housing is opened; local codes and the \
     builder's manual come first",
    "wear eye protection; the old element and its oil are waste for a licensed collector",
];
/// Cautions of a water-mixed coolant.
const OF_COOLANT: &[&str] = &[
    "keep coolant off the skin and out of the eyes: gloves, but never near turning parts; the supplier's safety data sheet \
     and local codes come first",
    "mix oil into water, never water into oil, and pour no concentrate straight into the sump; biocide only by trained \
     people",
    "used coolant is waste for a licensed collector, never for a drain",
];
/// Cautions of a neat oil.
const OF_NEAT_OIL: &[&str] = &[
    "neat oil burns: no sparks or flames, and the suppression stays armed; the supplier's safety data sheet, local codes and \
     licensed practice come first",
    "keep it off the skin; oil and rags are waste for a licensed collector",
];
/// Cautions of a search for leaks.
const OF_IDLE_AIR: &[&str] = &[
    "shut off, lock and vent a line before a fitting is opened; listen or use foam, never a hand; local codes and the \
     builder's manual come first",
    "wear eye protection",
];

/// What is to be heeded before the work that a model makes due.
pub fn cautions<M>(model: &Model<M>) -> &'static [&'static str] {
    match model {
        Model::Level(_) => OF_LEVEL,
        Model::Fill(_) => OF_FILL,
        Model::Element(_) => OF_ELEMENT,
        Model::Coolant(_) => OF_COOLANT,
        Model::NeatOil(_) => OF_NEAT_OIL,
        Model::IdleAir(_) => OF_IDLE_AIR,
    }
}

/// The clause of a model in words.
pub fn model_clause_in_words<M>(model: &Model<M>) -> String {
    let named = |point: &Option<Key>, what: &str| {
        point.as_ref().map_or_else(|| what.to_owned(), |point| format!("{what} {point}"))
    };
    match model {
        Model::Level(level) if level.reserve.0 > 0 => {
            format!("{} reaching {} L above its lower mark", named(&level.point, "level"), level.reserve)
        }
        Model::Level(level) => format!("{} reaching its lower mark", named(&level.point, "level")),
        Model::Fill(fill) => {
            let latest = match fill.at_latest_days {
                0 => String::new(),
                1 => ", at the latest every day".to_owned(),
                days => format!(", at the latest every {days} days"),
            };
            format!("{} reaching {} % of its bowl{latest}", named(&fill.point, "fill"), fill.drain_percent)
        }
        Model::Element(element) => format!("element {} reaching its limit", element.point),
        Model::Coolant(_) => format!("coolant, by {}", point_words(model)),
        Model::NeatOil(_) => format!("neat oil, by {}", point_words(model)),
        Model::IdleAir(idle) => format!("idle air {} staying above its baseline", idle.point),
    }
}

fn point_words<M>(model: &Model<M>) -> String {
    let points = model.points();
    let keys: Vec<&str> = points.iter().map(|(_, key)| key.as_str()).collect();
    keys.join(", ")
}

/// The sources of a model's formula and limits.
pub fn source<M>(model: &Model<M>) -> String {
    match model {
        Model::Element(element) => format!(
            "drop at rated flow by the square of the flow, fluid power handbooks; limits: {}; a drop below {FELL_SHARE} of what \
             it was is an alarm by own choice. The filter's maker overrides them",
            limits_source(element)
        ),
        Model::Coolant(coolant) => {
            let edition = coolant.slide_bands().map_or("", |edition| edition.source);
            format!(
                "strength and correction by mass balance; pH more than {PH_MEASURES} below its first fill by DGUV Regel \
                 109-003, annex 3, more than {PH_CHANGE} from memory; nitrite by TRGS 611, section 5.3; dip slides: {edition}. \
                 The supplier and the safety data sheet override them"
            )
        }
        Model::NeatOil(_) => format!(
            "viscosity within {VISCOSITY_PERCENT} %, water below {WATER_PERCENT} %, flash point no more than {FLASH_K} K lower: \
             common practice, no source. The supplier and the safety data sheet override them"
        ),
        Model::IdleAir(_) => format!(
            "a flow above {IDLE_TIMES} times its baseline for a week: common practice, no source. The builder's manual \
             overrides it"
        ),
        Model::Level(_) => {
            "use = outlets x dose x strokes an hour, arithmetic; a fault below 70 % or above 130 % of it is common practice, \
             no source; a fault by its own past is own choice. The builder's manual overrides it"
                .to_owned()
        }
        Model::Fill(_) => format!(
            "water balance of the air by Hyland and Wexler (ASHRAE Fundamentals, chapter 1), free air by ISO 8778, classes of \
             water by ISO 8573-1; drained half full and once a day is common practice, no source; a find above {FULLER_TIMES} \
             times what was computed is a fault by own choice. The builder's manual overrides it"
        ),
    }
}

/// Limits that no edition gives.
const AS_STATED: &str = "as stated";

/// Where the limits of an element come from: what is stated itself has no edition.
fn limits_source<M>(element: &Element<M>) -> String {
    let Some(edition) = element.limits() else { return String::new() };
    let own = [element.change_at.is_some(), element.months.is_some(), element.hours.is_some()];
    let of_edition = [true, true, edition.limits.hours.is_some()];
    if own.iter().zip(of_edition).all(|(own, of_edition)| *own || !of_edition) {
        AS_STATED.to_owned()
    } else if own.contains(&true) {
        format!("{AS_STATED}, the others {}", edition.source)
    } else {
        edition.source.to_owned()
    }
}

/// What a model was given, one text each.
pub fn inputs<M>(model: &Model<M>) -> Vec<String> {
    match model {
        Model::Level(level) => of_level(level),
        Model::Fill(fill) => of_fill(fill),
        Model::Element(element) => of_element(element),
        Model::Coolant(coolant) => of_coolant(coolant),
        Model::NeatOil(oil) => {
            let viscosity = oil.viscosity_new.map(|new| format!("{new} mm²/s when new"));
            viscosity
                .into_iter()
                .chain(oil.flash_new.map(|new| format!("flash point {new} °C when new")))
                .collect()
        }
        Model::IdleAir(idle) => vec![format!("baseline {} L/min", idle.baseline)],
    }
}

fn of_level<M>(level: &Level<M>) -> Vec<String> {
    let Level { low, high, doses, cycle, reserve, pack, oil, .. } = level;
    let mut all = vec![format!("marks at {low} and {high} L"), format!("a stroke of {doses} cm³")];
    all.push(match cycle {
        Cycle::Minutes(minutes) => format!("every {minutes} min of run"),
        Cycle::Count(count) => format!("every {count} counted"),
    });
    all.push(format!("reserve {reserve} L"));
    all.extend(pack.map(|pack| format!("packs of {pack} L")));
    all.extend((!oil.is_empty()).then(|| format!("oil {oil}")));
    all
}

fn of_fill<M>(fill: &Fill<M>) -> Vec<String> {
    let mut all = vec![format!("{} L/min ANR at {} bar", fill.flow, fill.line)];
    all.push(match fill.dew {
        Dew::Point(dew_point) => format!("dew point {dew_point} °C"),
        Dew::Class(class) => format!("class {class} of water by ISO 8573-1"),
    });
    all.extend(fill.behind_regulator.map(|pressure| format!("bowl at {pressure} bar behind a regulator")));
    let months: Vec<String> = fill.ambient.iter().map(ToString::to_string).collect();
    let by_month = if months.len() == MONTHS { " by month" } else { "" };
    all.push(format!("bowl at {} °C{by_month}", months.join(" ")));
    all.push(format!("bowl of {} mL, drained at {} %", fill.bowl, fill.drain_percent));
    if fill.carry_over.0 > 0 {
        all.push(format!("{} mL/h carried over", fill.carry_over));
    }
    if fill.at_latest_days > 0 {
        let days = fill.at_latest_days;
        all.push(format!("at the latest after {days} {}", if days == 1 { "day" } else { "days" }));
    }
    all
}

fn of_element<M>(element: &Element<M>) -> Vec<String> {
    let mut all = vec![format!("changed at {} bar at rated flow", element.change_bar())];
    all.extend(element.rated.map(|rated| format!("rated flow {rated} L/min")));
    if let Some(edition) = element.limits() {
        let months = element.months.map_or(edition.limits.months, f64::from);
        all.push(format!("at the latest after {months} months"));
        let hours = element.hours.map(Value::to_f64).or(edition.limits.hours.map(Hours::to_hours));
        all.extend(hours.map(|hours| format!("at the latest after {hours} h")));
        all.extend((limits_source(element) != AS_STATED).then(|| format!("limits {}", edition.version)));
    }
    all
}

fn of_coolant(coolant: &Coolant) -> Vec<String> {
    let mut all = Vec::new();
    all.extend(
        coolant
            .wanted
            .map(|wanted| format!("{wanted} % wanted, give or take {} points", coolant.band_points())),
    );
    all.extend(coolant.factor.map(|factor| format!("refractometer factor {factor}")));
    all.extend(coolant.sump.map(|sump| format!("sump of {sump} L")));
    all.extend(coolant.ph_first.map(|first| format!("pH {first} at the first fill")));
    if let Some(edition) = coolant.slide_bands().filter(|_| coolant.dip_slide.is_some()) {
        all.push(format!("bands {}", edition.version));
    }
    all
}

/// What is to be done, one text each.
pub fn acts_in_words(told: &Modelled) -> Vec<String> {
    let when = if told.reached.is_some() || !told.faults.is_empty() { "" } else { "at its due level " };
    let each = told.acts.iter().map(|act| match act {
        Act::Refill { litres: Value(0), .. } => "it is full".to_owned(),
        Act::Refill { litres, packs: None } => format!("{when}refill about {litres} L, to its upper mark"),
        Act::Refill { litres, packs: Some((0, pack)) } => {
            format!("{when}refill about {litres} L, to its upper mark; a whole pack of {pack} L does not fit in")
        }
        Act::Refill { litres, packs: Some((packs, pack)) } => {
            format!(
                "{when}refill about {litres} L, to its upper mark: {packs} whole {} of {pack} L fit in",
                if *packs == 1 { "pack" } else { "packs" }
            )
        }
        Act::Change => "put in a new element".to_owned(),
        Act::Correct { swap, add, premix: Value(0), .. } => {
            format!("drain {swap} L and add as much water; or add {add} L of water where there is room")
        }
        Act::Correct { swap, add, premix, concentrate } => format!(
            "drain {swap} L and add as much of a {premix} % mix, {concentrate} L of concentrate in it; or add {add} L of that mix \
             where there is room"
        ),
        Act::Drain { millilitres } if told.reached.is_some() => {
            format!("empty it: {millilitres} mL were read")
        }
        Act::Drain { millilitres } => format!("empty it; about {millilitres} mL by then"),
    });
    each.collect()
}

/// What is not as it should be, where that is so.
pub fn fault_in_words(told: &Modelled, calendar: &Calendar, today: ShopDay) -> Option<String> {
    let all: Vec<String> = told.faults.iter().map(|fault| one_fault(*fault, calendar, today)).collect();
    (!all.is_empty()).then(|| all.join("; "))
}

/// What a reading tells, and what to do about it.
fn told_in_words(what: Tells, value: Value, limit: Value) -> String {
    match what {
        Tells::FlashLow => format!("flash point {value} °C, below {limit} °C: it catches fire more easily"),
        Tells::SlideAct => format!("{value} CFU/mL, {limit} or more: act at once"),
        Tells::SlideReview => format!("{value} CFU/mL, {limit} or more: look into it and correct"),
        Tells::PhChange => {
            format!("pH {value}, more than {PH_CHANGE} below its first fill, {limit}: change and clean")
        }
        Tells::PhLow => {
            format!(
                "pH {value}, more than {PH_MEASURES} below its first fill, {limit}: the supplier's measures"
            )
        }
        Tells::NitriteHigh => {
            format!("nitrite {value} mg/L, above {limit}: change it, change a part, or add an inhibitor")
        }
        Tells::DropFell => {
            format!("its drop fell to {value} bar from {limit} bar: a burst or missing element, no good news")
        }
        Tells::DropHigh => format!("{value} bar at rated flow, {limit} bar or more"),
        Tells::WaterHigh => format!("{value} % of water, {limit} % or more"),
        Tells::ViscosityOff => format!("{value} mm²/s, more than {VISCOSITY_PERCENT} % off {limit} mm²/s"),
        Tells::IdleHigh => format!("{value} L/min, above {limit} L/min for a week: look for a leak"),
        Tells::Weak => format!("{value} % strong, too weak for {limit} %"),
        Tells::Strong => format!("{value} % strong, too strong for {limit} %"),
    }
}

fn one_fault(fault: Fault, calendar: &Calendar, today: ShopDay) -> String {
    let day = |at| calendar.weekday_in_words(calendar.shop_day_of(at), today);
    match fault {
        Fault::Reading { what, value, limit, at, since } => {
            let read = calendar.instant_in_words(at, today);
            let since = if since == at {
                String::new()
            } else {
                format!(", not as it should be since {}", calendar.instant_in_words(since, today))
            };
            format!("{}, read {read}{since}", told_in_words(what, value, limit))
        }
        Fault::Use { percent, since, own_past } => {
            let (of, since) = (if own_past { "what it used before" } else { "what it should" }, day(since));
            let look = if percent < 100 {
                "look for a blocked outlet or line, or a pump that fails"
            } else {
                "look for a leak"
            };
            format!("uses {percent} % of {of} since about {since}: {look}; a refill does not mend it")
        }
        Fault::Fuller { found, computed, at } => format!(
            "found with {found} mL on {}, {computed} mL computed: look at the dryer, the drain and the separator before it",
            day(at)
        ),
    }
}

/// Why a model's clause is due when it is.
pub(in crate::plan) fn model_in_words<M>(
    model: &Model<M>,
    told: &Modelled,
    why: Option<&str>,
    calendar: &Calendar,
    today: ShopDay,
) -> String {
    let mut words = Vec::new();
    words.extend(fault_in_words(told, calendar, today));
    let Some(start) = &told.start else {
        let nothing = match model {
            Model::Level(_) | Model::Fill(_) => "never recorded",
            Model::Element(_) | Model::Coolant(_) | Model::NeatOil(_) | Model::IdleAir(_) => {
                "nothing read so far"
            }
        };
        words.extend((told.faults.is_empty() && why.is_none()).then(|| nothing.to_owned()));
        words.extend(why.map(str::to_owned));
        return words.join("; ");
    };
    let at = calendar.instant_in_words(start.at, today);
    let shown = with_sign(start.value, &start.sign);
    let point = model.points().first().map_or("level", |(_, key): &(_, &Key)| key.as_str());
    words.push(match (start.read, told.reached) {
        (true, Some(reached)) if told.faults.is_empty() => {
            let since = if reached == start.at {
                String::new()
            } else {
                format!(" since {}", calendar.instant_in_words(reached, today))
            };
            format!("{point} {shown}, read {at}: it is reached{since}")
        }
        (true, _) => format!("{point} {shown}, read {at}"),
        (false, _) if start.poured => format!("{shown} after what was added {at}"),
        (false, _) => format!("{shown} from {at} on"),
    });
    words.extend(told.rate.as_ref().map(|rate| {
        let of = with_sign(rate.value, &rate.sign);
        match (rate.readings, rate.percent) {
            (0, _) => format!("{of} by the formula"),
            (readings, Some(percent)) => {
                format!("{of} from {readings} readings, {percent} % of the formula")
            }
            (readings, None) => format!("{of} from {readings} readings"),
        }
    }));
    words.extend(why.map(str::to_owned));
    words.extend(acts_in_words(told));
    words.join("; ")
}
