//! Clauses that follow a model, read and shown.

use super::fields::{Fields, SHORT_MAX, Said};
use super::reading::{optional_value, value_text};
use fettler_domain::reading::Value;
use fettler_domain::rule::model::{
    AT_LATEST_DAYS_DEFAULT, AT_LATEST_DAYS_MAX, Cycle, DRAIN_PERCENT_DEFAULT, Dew, Fill, Level, MONTHS, Model,
};
use fettler_domain::shop::ClauseCard;
use fettler_domain::text::Key;
use fettler_proto::v1;

/// A model as it is declared.
type Declared = Model<Option<Key>>;

/// The clause of a model.
pub fn clause(model: Declared) -> ClauseCard {
    ClauseCard::Model { model: Box::new(model) }
}

/// A value that has to be there.
fn value(fields: &mut Fields, field: &str, text: &str) -> Option<Value> {
    if text.is_empty() {
        fields.wrong(field, "is missing; give a plain decimal number such as 6.5");
        return None;
    }
    optional_value(fields, field, text).flatten()
}

/// A value, or nothing where it is left out.
fn value_or_none(fields: &mut Fields, field: &str, text: &str) -> Option<Value> {
    optional_value(fields, field, text).map(Option::unwrap_or_default)
}

/// One of two fields, which must not both be given.
fn one_of<T>(
    fields: &mut Fields,
    (first, other): (&str, &str),
    (one, two): (bool, bool),
    read: impl FnOnce(&mut Fields) -> Option<T>,
) -> Option<T> {
    if one == two {
        let text = if one { "stands beside" } else { "is missing, and so is" };
        fields.wrong(first, format!("{text} `{other}`; give one of the two"));
        return None;
    }
    read(fields)
}

/// Reads a reservoir.
pub fn level_said(fields: &mut Fields, said: &v1::LevelClause) -> Option<Declared> {
    let meter = fields.optional_key("meter", &said.meter);
    let point = fields.optional_key("point", &said.point);
    let low = value_or_none(fields, "low_l", &said.low_l);
    let high = value(fields, "high_l", &said.high_l);
    let doses = fields.required_line("doses_cm3", &said.doses_cm3, SHORT_MAX);
    let given = (!said.cycle_min.is_empty(), !said.cycle_count.is_empty());
    let cycle = one_of(fields, ("cycle_min", "cycle_count"), given, |fields| {
        if given.0 {
            return value(fields, "cycle_min", &said.cycle_min).map(Cycle::Minutes);
        }
        value(fields, "cycle_count", &said.cycle_count).map(Cycle::Count)
    });
    let reserve = value_or_none(fields, "reserve_l", &said.reserve_l);
    let pack = optional_value(fields, "pack_l", &said.pack_l);
    let oil = fields.line("oil", &said.oil, SHORT_MAX);
    Some(Model::Level(Level {
        meter: meter?,
        point: point?,
        low: low?,
        high: high?,
        doses: doses?,
        cycle: cycle?,
        reserve: reserve?,
        pack: pack?,
        oil: oil?,
    }))
}

/// Reads a bowl.
pub fn fill_said(fields: &mut Fields, said: &v1::FillClause) -> Option<Declared> {
    let meter = fields.optional_key("meter", &said.meter);
    let point = fields.optional_key("point", &said.point);
    let flow = value(fields, "flow_l_min", &said.flow_l_min);
    let line = value(fields, "line_bar", &said.line_bar);
    let given = (!said.dew_point_c.is_empty(), said.water_class != 0);
    let dew = one_of(fields, ("dew_point_c", "water_class"), given, |fields| {
        if given.0 {
            return value(fields, "dew_point_c", &said.dew_point_c).map(Dew::Point);
        }
        let class = fields.number("water_class", said.water_class, 1, 6)?;
        u8::try_from(class).ok().map(Dew::Class)
    });
    let behind_regulator = optional_value(fields, "bowl_bar", &said.bowl_bar);
    let ambient = fields.each("ambient_c", &said.ambient_c, MONTHS, |fields, text| value(fields, "", text));
    let ambient_pressure = optional_value(fields, "ambient_bar", &said.ambient_bar);
    let bowl = value(fields, "bowl_ml", &said.bowl_ml);
    let drain = match said.drain_percent {
        0 => Some(u32::from(DRAIN_PERCENT_DEFAULT)),
        percent => fields.number("drain_percent", percent, 1, 100),
    };
    let carry_over = value_or_none(fields, "carry_over_ml_h", &said.carry_over_ml_h);
    let at_latest_days = at_latest(fields, said.at_latest_days);
    Some(Model::Fill(Fill {
        meter: meter?,
        point: point?,
        flow: flow?,
        line: line?,
        dew: dew?,
        behind_regulator: behind_regulator?,
        ambient,
        ambient_pressure: ambient_pressure?,
        bowl: bowl?,
        drain_percent: u8::try_from(drain?).ok()?,
        carry_over: carry_over?,
        at_latest_days: at_latest_days?,
    }))
}

fn at_latest(fields: &mut Fields, said: Option<i32>) -> Said<u32> {
    match said {
        None => Some(AT_LATEST_DAYS_DEFAULT),
        Some(days) => fields.number("at_latest_days", days, 0, AT_LATEST_DAYS_MAX),
    }
}

/// Shows a model as it is declared.
pub fn counts(model: &Declared) -> v1::clause::Counts {
    match model {
        Model::Level(level) => v1::clause::Counts::Level(level_shown(level)),
        Model::Fill(fill) => v1::clause::Counts::Fill(fill_shown(fill)),
    }
}

fn key_text(key: Option<&Key>) -> String {
    key.map(Key::to_string).unwrap_or_default()
}

/// A value that may be left out where it is nothing.
fn unless_none(value: Value) -> String {
    value_text(Some(value).filter(|value| value.0 != 0))
}

fn level_shown(level: &Level<Option<Key>>) -> v1::LevelClause {
    let (cycle_min, cycle_count) = match level.cycle {
        Cycle::Minutes(minutes) => (minutes.to_string(), String::new()),
        Cycle::Count(count) => (String::new(), count.to_string()),
    };
    v1::LevelClause {
        meter: key_text(level.meter.as_ref()),
        point: key_text(level.point.as_ref()),
        low_l: unless_none(level.low),
        high_l: level.high.to_string(),
        doses_cm3: level.doses.clone(),
        cycle_min,
        cycle_count,
        reserve_l: unless_none(level.reserve),
        pack_l: value_text(level.pack),
        oil: level.oil.clone(),
    }
}

fn fill_shown(fill: &Fill<Option<Key>>) -> v1::FillClause {
    let (dew_point_c, water_class) = match fill.dew {
        Dew::Point(dew_point) => (dew_point.to_string(), 0),
        Dew::Class(class) => (String::new(), i32::from(class)),
    };
    let days = i32::try_from(fill.at_latest_days).unwrap_or(i32::MAX);
    v1::FillClause {
        meter: key_text(fill.meter.as_ref()),
        point: key_text(fill.point.as_ref()),
        flow_l_min: fill.flow.to_string(),
        line_bar: fill.line.to_string(),
        dew_point_c,
        water_class,
        bowl_bar: value_text(fill.behind_regulator),
        ambient_c: fill.ambient.iter().map(Value::to_string).collect(),
        ambient_bar: value_text(fill.ambient_pressure),
        bowl_ml: fill.bowl.to_string(),
        drain_percent: if fill.drain_percent == DRAIN_PERCENT_DEFAULT {
            0
        } else {
            fill.drain_percent.into()
        },
        carry_over_ml_h: unless_none(fill.carry_over),
        at_latest_days: (fill.at_latest_days != AT_LATEST_DAYS_DEFAULT).then_some(days),
    }
}
