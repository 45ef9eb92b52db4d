//! Intervals that follow a model, as tables such as `{ level = { … } }`.

use super::text::Plain;
use fettler_proto::v1 as pb;
use serde::{Deserialize, Serialize};

/// An interval that follows a model.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Model {
    /// A reservoir reaching its lower mark.
    Level(Box<Level>),
    /// A bowl reaching its drain level.
    Fill(Box<Fill>),
    /// A filter element reaching its limit.
    Element(Box<Element>),
    /// A water-mixed coolant.
    Coolant(Box<Coolant>),
    /// A neat oil.
    NeatOil(Box<NeatOil>),
    /// The air of an idle machine.
    IdleAir(Box<IdleAir>),
}

/// The words that a table may begin with.
pub(super) const MODELS: &[&str] = &["level", "fill", "element", "coolant", "neat_oil", "idle_air"];

/// `level = { … }`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Level {
    #[serde(skip_serializing_if = "String::is_empty")]
    meter: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    point: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    low_l: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    high_l: Option<Plain>,
    #[serde(skip_serializing_if = "String::is_empty")]
    doses_cm3: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    cycle_min: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cycle_count: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reserve_l: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pack_l: Option<Plain>,
    #[serde(skip_serializing_if = "String::is_empty")]
    oil: String,
}

/// `fill = { … }`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Fill {
    #[serde(skip_serializing_if = "String::is_empty")]
    meter: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    point: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    flow_l_min: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    line_bar: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    dew_point_c: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    water_class: Option<i32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bowl_bar: Option<Plain>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    ambient_c: Vec<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ambient_bar: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bowl_ml: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    drain_percent: Option<i32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    carry_over_ml_h: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    at_latest_days: Option<i32>,
}

/// `element = { … }`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Element {
    #[serde(skip_serializing_if = "String::is_empty")]
    meter: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    point: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    flow_point: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    rated_flow_l_min: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    change_at_bar: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    change_after_months: Option<i32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    change_after_h: Option<Plain>,
    #[serde(skip_serializing_if = "String::is_empty")]
    limits: String,
}

/// `coolant = { … }`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Coolant {
    #[serde(skip_serializing_if = "String::is_empty")]
    strength: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    refractometer_factor: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    wanted_percent: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    band_points: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    premix_percent: Option<Plain>,
    #[serde(skip_serializing_if = "Option::is_none")]
    sump_l: Option<Plain>,
    #[serde(skip_serializing_if = "String::is_empty")]
    ph: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    ph_first_fill: Option<Plain>,
    #[serde(skip_serializing_if = "String::is_empty")]
    nitrite: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    dip_slide: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    bands: String,
}

/// `neat_oil = { … }`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct NeatOil {
    #[serde(skip_serializing_if = "String::is_empty")]
    viscosity: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    viscosity_new_mm2_s: Option<Plain>,
    #[serde(skip_serializing_if = "String::is_empty")]
    water: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    flash: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    flash_new_c: Option<Plain>,
}

/// `idle_air = { … }`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct IdleAir {
    #[serde(skip_serializing_if = "String::is_empty")]
    point: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    baseline_l_min: Option<Plain>,
}

fn text(plain: Option<&Plain>) -> String {
    plain.map(|Plain(text)| text.clone()).unwrap_or_default()
}

fn plain(text: &str) -> Option<Plain> {
    (!text.is_empty()).then(|| Plain(text.to_owned()))
}

impl Model {
    /// The word that its table begins with.
    pub(super) fn word(&self) -> &'static str {
        match self {
            Model::Level(_) => "level",
            Model::Fill(_) => "fill",
            Model::Element(_) => "element",
            Model::Coolant(_) => "coolant",
            Model::NeatOil(_) => "neat_oil",
            Model::IdleAir(_) => "idle_air",
        }
    }

    /// The table of a clause from the wire; none of one that follows no model.
    pub(super) fn from_wire(counts: &pb::clause::Counts) -> Option<Model> {
        use pb::clause::Counts;
        Some(match counts {
            Counts::Level(level) => Model::Level(Box::new(Level::from_wire(level))),
            Counts::Fill(fill) => Model::Fill(Box::new(Fill::from_wire(fill))),
            Counts::Element(element) => Model::Element(Box::new(Element::from_wire(element))),
            Counts::Coolant(coolant) => Model::Coolant(Box::new(Coolant::from_wire(coolant))),
            Counts::NeatOil(oil) => Model::NeatOil(Box::new(NeatOil::from_wire(oil))),
            Counts::IdleAir(idle) => Model::IdleAir(Box::new(IdleAir::from_wire(idle))),
            Counts::Calendar(_) | Counts::Meter(_) | Counts::Recurrence(_) | Counts::Reading(_) => {
                return None;
            }
        })
    }

    /// The clause for the wire.
    pub(super) fn to_wire(&self) -> pb::clause::Counts {
        match self {
            Model::Level(level) => pb::clause::Counts::Level(level.to_wire()),
            Model::Fill(fill) => pb::clause::Counts::Fill(fill.to_wire()),
            Model::Element(element) => pb::clause::Counts::Element(element.to_wire()),
            Model::Coolant(coolant) => pb::clause::Counts::Coolant(coolant.to_wire()),
            Model::NeatOil(oil) => pb::clause::Counts::NeatOil(oil.to_wire()),
            Model::IdleAir(idle) => pb::clause::Counts::IdleAir(idle.to_wire()),
        }
    }
}

impl Level {
    fn to_wire(&self) -> pb::LevelClause {
        pb::LevelClause {
            meter: self.meter.clone(),
            point: self.point.clone(),
            low_l: text(self.low_l.as_ref()),
            high_l: text(self.high_l.as_ref()),
            doses_cm3: self.doses_cm3.clone(),
            cycle_min: text(self.cycle_min.as_ref()),
            cycle_count: text(self.cycle_count.as_ref()),
            reserve_l: text(self.reserve_l.as_ref()),
            pack_l: text(self.pack_l.as_ref()),
            oil: self.oil.clone(),
        }
    }

    fn from_wire(clause: &pb::LevelClause) -> Level {
        Level {
            meter: clause.meter.clone(),
            point: clause.point.clone(),
            low_l: plain(&clause.low_l),
            high_l: plain(&clause.high_l),
            doses_cm3: clause.doses_cm3.clone(),
            cycle_min: plain(&clause.cycle_min),
            cycle_count: plain(&clause.cycle_count),
            reserve_l: plain(&clause.reserve_l),
            pack_l: plain(&clause.pack_l),
            oil: clause.oil.clone(),
        }
    }
}

impl Fill {
    fn to_wire(&self) -> pb::FillClause {
        pb::FillClause {
            meter: self.meter.clone(),
            point: self.point.clone(),
            flow_l_min: text(self.flow_l_min.as_ref()),
            line_bar: text(self.line_bar.as_ref()),
            dew_point_c: text(self.dew_point_c.as_ref()),
            water_class: self.water_class.unwrap_or_default(),
            bowl_bar: text(self.bowl_bar.as_ref()),
            ambient_c: self.ambient_c.iter().map(|Plain(text)| text.clone()).collect(),
            ambient_bar: text(self.ambient_bar.as_ref()),
            bowl_ml: text(self.bowl_ml.as_ref()),
            drain_percent: self.drain_percent.unwrap_or_default(),
            carry_over_ml_h: text(self.carry_over_ml_h.as_ref()),
            at_latest_days: self.at_latest_days,
        }
    }

    fn from_wire(clause: &pb::FillClause) -> Fill {
        Fill {
            meter: clause.meter.clone(),
            point: clause.point.clone(),
            flow_l_min: plain(&clause.flow_l_min),
            line_bar: plain(&clause.line_bar),
            dew_point_c: plain(&clause.dew_point_c),
            water_class: Some(clause.water_class).filter(|class| *class != 0),
            bowl_bar: plain(&clause.bowl_bar),
            ambient_c: clause.ambient_c.iter().filter_map(|text| plain(text)).collect(),
            ambient_bar: plain(&clause.ambient_bar),
            bowl_ml: plain(&clause.bowl_ml),
            drain_percent: Some(clause.drain_percent).filter(|percent| *percent != 0),
            carry_over_ml_h: plain(&clause.carry_over_ml_h),
            at_latest_days: clause.at_latest_days,
        }
    }
}

impl Element {
    fn to_wire(&self) -> pb::ElementClause {
        pb::ElementClause {
            meter: self.meter.clone(),
            point: self.point.clone(),
            flow_point: self.flow_point.clone(),
            rated_flow_l_min: text(self.rated_flow_l_min.as_ref()),
            change_at_bar: text(self.change_at_bar.as_ref()),
            change_after_months: self.change_after_months.unwrap_or_default(),
            change_after_h: text(self.change_after_h.as_ref()),
            limits: self.limits.clone(),
        }
    }

    fn from_wire(clause: &pb::ElementClause) -> Element {
        Element {
            meter: clause.meter.clone(),
            point: clause.point.clone(),
            flow_point: clause.flow_point.clone(),
            rated_flow_l_min: plain(&clause.rated_flow_l_min),
            change_at_bar: plain(&clause.change_at_bar),
            change_after_months: Some(clause.change_after_months).filter(|number| *number != 0),
            change_after_h: plain(&clause.change_after_h),
            limits: clause.limits.clone(),
        }
    }
}

impl Coolant {
    fn to_wire(&self) -> pb::CoolantClause {
        pb::CoolantClause {
            strength: self.strength.clone(),
            refractometer_factor: text(self.refractometer_factor.as_ref()),
            wanted_percent: text(self.wanted_percent.as_ref()),
            band_points: text(self.band_points.as_ref()),
            premix_percent: text(self.premix_percent.as_ref()),
            sump_l: text(self.sump_l.as_ref()),
            ph: self.ph.clone(),
            ph_first_fill: text(self.ph_first_fill.as_ref()),
            nitrite: self.nitrite.clone(),
            dip_slide: self.dip_slide.clone(),
            bands: self.bands.clone(),
        }
    }

    fn from_wire(clause: &pb::CoolantClause) -> Coolant {
        Coolant {
            strength: clause.strength.clone(),
            refractometer_factor: plain(&clause.refractometer_factor),
            wanted_percent: plain(&clause.wanted_percent),
            band_points: plain(&clause.band_points),
            premix_percent: plain(&clause.premix_percent),
            sump_l: plain(&clause.sump_l),
            ph: clause.ph.clone(),
            ph_first_fill: plain(&clause.ph_first_fill),
            nitrite: clause.nitrite.clone(),
            dip_slide: clause.dip_slide.clone(),
            bands: clause.bands.clone(),
        }
    }
}

impl NeatOil {
    fn to_wire(&self) -> pb::NeatOilClause {
        pb::NeatOilClause {
            viscosity: self.viscosity.clone(),
            viscosity_new_mm2_s: text(self.viscosity_new_mm2_s.as_ref()),
            water: self.water.clone(),
            flash: self.flash.clone(),
            flash_new_c: text(self.flash_new_c.as_ref()),
        }
    }

    fn from_wire(clause: &pb::NeatOilClause) -> NeatOil {
        NeatOil {
            viscosity: clause.viscosity.clone(),
            viscosity_new_mm2_s: plain(&clause.viscosity_new_mm2_s),
            water: clause.water.clone(),
            flash: clause.flash.clone(),
            flash_new_c: plain(&clause.flash_new_c),
        }
    }
}

impl IdleAir {
    fn to_wire(&self) -> pb::IdleAirClause {
        pb::IdleAirClause { point: self.point.clone(), baseline_l_min: text(self.baseline_l_min.as_ref()) }
    }

    fn from_wire(clause: &pb::IdleAirClause) -> IdleAir {
        IdleAir { point: clause.point.clone(), baseline_l_min: plain(&clause.baseline_l_min) }
    }
}
