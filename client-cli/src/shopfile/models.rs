//! Intervals that follow a model, as tables: `{ level = { … } }` and `{ fill = { … } }`.

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
}

/// The words that a table may begin with.
pub(super) const MODELS: &[&str] = &["level", "fill"];

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
        }
    }

    /// The clause for the wire.
    pub(super) fn to_wire(&self) -> pb::clause::Counts {
        match self {
            Model::Level(level) => pb::clause::Counts::Level(level.to_wire()),
            Model::Fill(fill) => pb::clause::Counts::Fill(fill.to_wire()),
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

    /// The table of a clause from the wire.
    pub(super) fn from_wire(clause: &pb::LevelClause) -> Level {
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

    /// The table of a clause from the wire.
    pub(super) fn from_wire(clause: &pb::FillClause) -> Fill {
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
