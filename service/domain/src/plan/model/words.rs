//! What a model tells, in words: why, from which inputs, by which source, what to do, and what to heed where the work is.

use super::told::{Act, Fault, Modelled};
use crate::calendar::Calendar;
use crate::reading::with_sign;
use crate::rule::model::{Cycle, Dew, Fill, Level, MONTHS, Model};
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

/// What is to be heeded before the work that a model makes due.
pub fn cautions<M>(model: &Model<M>) -> &'static [&'static str] {
    match model {
        Model::Level(_) => OF_LEVEL,
        Model::Fill(_) => OF_FILL,
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
    }
}

/// The sources of a model's formula and limits.
pub fn source<M>(model: &Model<M>) -> &'static str {
    match model {
        Model::Level(_) => {
            "use = outlets x dose x strokes an hour, arithmetic; a fault below 70 % or above 130 % of it is common practice, \
             no source. The builder's manual overrides it"
        }
        Model::Fill(_) => {
            "water balance of the air by Hyland and Wexler (ASHRAE Fundamentals, chapter 1), free air by ISO 8778, classes of \
             water by ISO 8573-1; drained half full and once a day is common practice, no source. The builder's manual \
             overrides it"
        }
    }
}

/// What a model was given, one text each.
pub fn inputs<M>(model: &Model<M>) -> Vec<String> {
    match model {
        Model::Level(level) => of_level(level),
        Model::Fill(fill) => of_fill(fill),
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

/// What is to be done, one text each.
pub fn acts_in_words(told: &Modelled) -> Vec<String> {
    let each = told.acts.iter().map(|act| match act {
        Act::Refill { litres, packs: None } => format!("refill {litres} L"),
        Act::Refill { litres, packs: Some((0, pack)) } => {
            format!("refill {litres} L; a whole pack of {pack} L does not fit in")
        }
        Act::Refill { litres, packs: Some((packs, pack)) } => {
            format!(
                "refill {litres} L: {packs} whole {} of {pack} L fit in",
                if *packs == 1 { "pack" } else { "packs" }
            )
        }
        Act::Drain { millilitres } => format!("empty it; about {millilitres} mL by then"),
    });
    each.collect()
}

/// What is not as it should be, where that is so.
pub fn fault_in_words(told: &Modelled, calendar: &Calendar, today: ShopDay) -> Option<String> {
    let day = |at| calendar.weekday_in_words(calendar.shop_day_of(at), today);
    Some(match told.fault? {
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
    })
}

/// Why a model's clause is due when it is.
pub(in crate::plan) fn model_in_words<M>(
    model: &Model<M>,
    told: &Modelled,
    why: Option<&str>,
    calendar: &Calendar,
    today: ShopDay,
) -> String {
    let Some(start) = &told.start else { return "never recorded".to_owned() };
    let mut words = Vec::new();
    words.extend(fault_in_words(told, calendar, today));
    let at = calendar.instant_in_words(start.at, today);
    let shown = with_sign(start.value, &start.sign);
    let point = model.points().first().map_or("level", |(_, key): &(_, &Key)| key.as_str());
    words.push(match (start.read, told.reached) {
        (true, Some(reached)) if reached == start.at => format!("{point} {shown}, read {at}: it is reached"),
        (true, _) => format!("{point} {shown}, read {at}"),
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
