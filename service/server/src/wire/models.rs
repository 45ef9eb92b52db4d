//! Clauses that follow a model, read and shown.

use super::fields::{Fields, SHORT_MAX, Said};
use super::reading::{optional_value, value_text};
use fettler_domain::reading::Value;
use fettler_domain::rule::model::{
    AT_LATEST_DAYS_DEFAULT, AT_LATEST_DAYS_MAX, Coolant, Cycle, DRAIN_PERCENT_DEFAULT, Dew, Element, Fill,
    IdleAir, Level, MONTHS, MONTHS_MAX, Model, NeatOil,
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

/// Reads a filter element.
pub fn element_said(fields: &mut Fields, said: &v1::ElementClause) -> Option<Declared> {
    let meter = fields.optional_key("meter", &said.meter);
    let point = fields.key("point", &said.point);
    let flow_point = fields.optional_key("flow_point", &said.flow_point);
    let rated = optional_value(fields, "rated_flow_l_min", &said.rated_flow_l_min);
    let change_at = optional_value(fields, "change_at_bar", &said.change_at_bar);
    let months = match said.change_after_months {
        0 => Some(None),
        months => fields.number("change_after_months", months, 1, MONTHS_MAX).map(Some),
    };
    let hours = optional_value(fields, "change_after_h", &said.change_after_h);
    let edition = fields.line("limits", &said.limits, SHORT_MAX);
    Some(Model::Element(Element {
        meter: meter?,
        point: point?,
        flow_point: flow_point?,
        rated: rated?,
        change_at: change_at?,
        months: months?,
        hours: hours?,
        edition: edition?,
    }))
}

/// Reads a water-mixed coolant.
pub fn coolant_said(fields: &mut Fields, said: &v1::CoolantClause) -> Option<Declared> {
    let [strength, ph, nitrite, dip_slide] = [
        ("strength", &said.strength),
        ("ph", &said.ph),
        ("nitrite", &said.nitrite),
        ("dip_slide", &said.dip_slide),
    ]
    .map(|(field, key)| fields.optional_key(field, key));
    let [factor, wanted, band, premix, sump, ph_first] = [
        ("refractometer_factor", &said.refractometer_factor),
        ("wanted_percent", &said.wanted_percent),
        ("band_points", &said.band_points),
        ("premix_percent", &said.premix_percent),
        ("sump_l", &said.sump_l),
        ("ph_first_fill", &said.ph_first_fill),
    ]
    .map(|(field, text)| optional_value(fields, field, text));
    let bands = fields.line("bands", &said.bands, SHORT_MAX);
    Some(Model::Coolant(Coolant {
        strength: strength?,
        factor: factor?,
        wanted: wanted?,
        band: band?,
        premix: premix?,
        sump: sump?,
        ph: ph?,
        ph_first: ph_first?,
        nitrite: nitrite?,
        dip_slide: dip_slide?,
        bands: bands?,
    }))
}

/// Reads a neat oil.
pub fn neat_oil_said(fields: &mut Fields, said: &v1::NeatOilClause) -> Option<Declared> {
    let viscosity = fields.optional_key("viscosity", &said.viscosity);
    let viscosity_new = optional_value(fields, "viscosity_new_mm2_s", &said.viscosity_new_mm2_s);
    let water = fields.optional_key("water", &said.water);
    let flash = fields.optional_key("flash", &said.flash);
    let flash_new = optional_value(fields, "flash_new_c", &said.flash_new_c);
    Some(Model::NeatOil(NeatOil {
        viscosity: viscosity?,
        viscosity_new: viscosity_new?,
        water: water?,
        flash: flash?,
        flash_new: flash_new?,
    }))
}

/// Reads the air of an idle machine.
pub fn idle_air_said(fields: &mut Fields, said: &v1::IdleAirClause) -> Option<Declared> {
    let point = fields.key("point", &said.point);
    let baseline = optional_value(fields, "baseline_l_min", &said.baseline_l_min);
    Some(Model::IdleAir(IdleAir { point: point?, baseline: baseline? }))
}

/// Shows a model as it is declared.
pub fn counts(model: &Declared) -> v1::clause::Counts {
    match model {
        Model::Level(level) => v1::clause::Counts::Level(level_shown(level)),
        Model::Fill(fill) => v1::clause::Counts::Fill(fill_shown(fill)),
        Model::Element(element) => v1::clause::Counts::Element(element_shown(element)),
        Model::Coolant(coolant) => v1::clause::Counts::Coolant(coolant_shown(coolant)),
        Model::NeatOil(oil) => v1::clause::Counts::NeatOil(v1::NeatOilClause {
            viscosity: key_text(oil.viscosity.as_ref()),
            viscosity_new_mm2_s: value_text(oil.viscosity_new),
            water: key_text(oil.water.as_ref()),
            flash: key_text(oil.flash.as_ref()),
            flash_new_c: value_text(oil.flash_new),
        }),
        Model::IdleAir(idle) => v1::clause::Counts::IdleAir(v1::IdleAirClause {
            point: idle.point.to_string(),
            baseline_l_min: value_text(idle.baseline),
        }),
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

fn element_shown(element: &Element<Option<Key>>) -> v1::ElementClause {
    v1::ElementClause {
        meter: key_text(element.meter.as_ref()),
        point: element.point.to_string(),
        flow_point: key_text(element.flow_point.as_ref()),
        rated_flow_l_min: value_text(element.rated),
        change_at_bar: value_text(element.change_at),
        change_after_months: element.months.and_then(|months| i32::try_from(months).ok()).unwrap_or_default(),
        change_after_h: value_text(element.hours),
        limits: element.edition.clone(),
    }
}

fn coolant_shown(coolant: &Coolant) -> v1::CoolantClause {
    v1::CoolantClause {
        strength: key_text(coolant.strength.as_ref()),
        refractometer_factor: value_text(coolant.factor),
        wanted_percent: value_text(coolant.wanted),
        band_points: value_text(coolant.band),
        premix_percent: value_text(coolant.premix),
        sump_l: value_text(coolant.sump),
        ph: key_text(coolant.ph.as_ref()),
        ph_first_fill: value_text(coolant.ph_first),
        nitrite: key_text(coolant.nitrite.as_ref()),
        dip_slide: key_text(coolant.dip_slide.as_ref()),
        bands: coolant.bands.clone(),
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
