//! What a clause that follows a model states: a reservoir that is used up, a bowl that fills. The model itself is a
//! formula of [`crate::consumables`] or [`crate::physics`], the one that the calculators show too; how it learns from
//! readings is the planner's business.

mod air;
mod fluid;

pub use air::{Element, IdleAir, MONTHS_MAX};
pub use fluid::{Coolant, NeatOil};

use crate::consumables::reservoir::{Reservoir, Stroke};
use crate::physics::condensate::{Bowl, Condensate, bowl};
use crate::physics::measure::{
    AbsolutePressure, Days, FreeAir, GaugePressure, Hours, Impossible, Minutes, STANDARD_AMBIENT,
    Temperature, Volume, VolumePerDay,
};
use crate::physics::purity::dew_point_of_class;
use crate::reading::Value;
use crate::text::Key;
use serde::{Deserialize, Serialize};

/// The longest stretch after which a bowl is drained at the latest, in days: a year.
pub const AT_LATEST_DAYS_MAX: u32 = 366;
/// How full a bowl is drained where nothing is stated, in per cent (common practice, no source).
pub const DRAIN_PERCENT_DEFAULT: u8 = 50;
/// After how many days a bowl is drained at the latest where nothing is stated (common practice, no source).
pub const AT_LATEST_DAYS_DEFAULT: u32 = 1;
/// The months of a year.
pub const MONTHS: usize = 12;

/// What a clause follows. `M` says which meter: its number in a rule, its key in a declaration.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Model<M> {
    /// A reservoir reaching its lower mark.
    Level(Level<M>),
    /// A bowl reaching its drain level.
    Fill(Fill<M>),
    /// A filter element reaching the pressure drop at which it is changed.
    Element(Element<M>),
    /// A water-mixed coolant that is not as it should be, or is to be looked at.
    Coolant(Coolant),
    /// A neat oil that is not as it should be.
    NeatOil(NeatOil),
    /// A machine that takes more air than it should while it idles.
    IdleAir(IdleAir),
}

/// The reservoir of a central lubrication.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Level<M> {
    /// The meter by which its pump runs.
    pub meter: M,
    /// The test point at which its level is read: a volume, or per cent of the way between the marks.
    pub point: Option<Key>,
    /// What is in it at its lower mark, in L.
    pub low: Value,
    /// What is in it at its upper mark, in L.
    pub high: Value,
    /// Outlets and doses in cm³, such as `8x0.03+6x0.06`.
    pub doses: String,
    /// From stroke to stroke.
    pub cycle: Cycle,
    /// How much is still above the lower mark when it is due, in L.
    pub reserve: Value,
    /// What a pack of the lubricant holds, in L.
    pub pack: Option<Value>,
    /// The oil that goes in, such as `CGLP 68`; empty where it is not stated.
    pub oil: String,
}

/// From one stroke of a pump to the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cycle {
    /// So many minutes of run.
    Minutes(Value),
    /// So many of the meter's cycles or litres.
    Count(Value),
}

/// The bowl at a filter or regulator.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fill<M> {
    /// The meter whose hours air flows through.
    pub meter: M,
    /// The test point at which it is read how full the bowl was found: a volume, or per cent of the bowl.
    pub point: Option<Key>,
    /// The flow of free air, in L/min ANR.
    pub flow: Value,
    /// The pressure of the line, in bar(g).
    pub line: Value,
    /// How dry the air arrives.
    pub dew: Dew,
    /// The pressure in the bowl, in bar(g), where a regulator lies before it.
    pub behind_regulator: Option<Value>,
    /// The temperature of the bowl in °C: one for the whole year, or one for each month from January on.
    pub ambient: Vec<Value>,
    /// The ambient pressure, in bar(abs); the standard atmosphere where it is not stated.
    pub ambient_pressure: Option<Value>,
    /// What the bowl holds up to its mark, in mL.
    pub bowl: Value,
    /// How full it is drained, in per cent.
    pub drain_percent: u8,
    /// What comes as droplets past a full separator, in mL/h.
    pub carry_over: Value,
    /// After how many days it is drained at the latest; 0 for never.
    pub at_latest_days: u32,
}

/// How dry air arrives.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Dew {
    /// Its pressure dew point at the pressure of the line, in °C.
    Point(Value),
    /// Its class of water by ISO 8573-1, 1 to 6: the highest dew point that the class allows.
    Class(u8),
}

/// What is wrong with a model as it is stated.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ModelError {
    /// The field.
    pub field: &'static str,
    /// What is wrong with it, with the value and the remedy.
    pub text: String,
}

fn wrong(field: &'static str) -> impl Fn(String) -> ModelError {
    move |text| ModelError { field, text }
}

impl<M> Model<M> {
    /// The word for it in files, paths and messages.
    pub const fn word(&self) -> &'static str {
        match self {
            Model::Level(_) => "level",
            Model::Fill(_) => "fill",
            Model::Element(_) => "element",
            Model::Coolant(_) => "coolant",
            Model::NeatOil(_) => "neat_oil",
            Model::IdleAir(_) => "idle_air",
        }
    }

    /// Its meter.
    pub const fn meter(&self) -> Option<&M> {
        match self {
            Model::Level(level) => Some(&level.meter),
            Model::Fill(fill) => Some(&fill.meter),
            Model::Element(element) => Some(&element.meter),
            Model::Coolant(_) | Model::NeatOil(_) | Model::IdleAir(_) => None,
        }
    }

    /// Its test points, each with its field.
    pub fn points(&self) -> Vec<(&'static str, &Key)> {
        let named = match self {
            Model::Level(level) => vec![("point", level.point.as_ref())],
            Model::Fill(fill) => vec![("point", fill.point.as_ref())],
            Model::Element(element) => {
                vec![("point", Some(&element.point)), ("flow_point", element.flow_point.as_ref())]
            }
            Model::Coolant(coolant) => coolant.points().to_vec(),
            Model::NeatOil(oil) => oil.points().to_vec(),
            Model::IdleAir(idle) => vec![("point", Some(&idle.point))],
        };
        named.into_iter().filter_map(|(field, key)| Some((field, key?))).collect()
    }

    /// The same with another word for its meter.
    pub fn with_meter<N, E>(&self, of: impl FnOnce(&M) -> Result<N, E>) -> Result<Model<N>, E> {
        Ok(match self {
            Model::Level(level) => Model::Level(Level {
                meter: of(&level.meter)?,
                point: level.point.clone(),
                low: level.low,
                high: level.high,
                doses: level.doses.clone(),
                cycle: level.cycle,
                reserve: level.reserve,
                pack: level.pack,
                oil: level.oil.clone(),
            }),
            Model::Fill(fill) => Model::Fill(Fill {
                meter: of(&fill.meter)?,
                point: fill.point.clone(),
                flow: fill.flow,
                line: fill.line,
                dew: fill.dew,
                behind_regulator: fill.behind_regulator,
                ambient: fill.ambient.clone(),
                ambient_pressure: fill.ambient_pressure,
                bowl: fill.bowl,
                drain_percent: fill.drain_percent,
                carry_over: fill.carry_over,
                at_latest_days: fill.at_latest_days,
            }),
            Model::Element(element) => Model::Element(Element {
                meter: of(&element.meter)?,
                point: element.point.clone(),
                flow_point: element.flow_point.clone(),
                rated: element.rated,
                change_at: element.change_at,
                months: element.months,
                hours: element.hours,
                edition: element.edition.clone(),
            }),
            Model::Coolant(coolant) => Model::Coolant(coolant.clone()),
            Model::NeatOil(oil) => Model::NeatOil(oil.clone()),
            Model::IdleAir(idle) => Model::IdleAir(idle.clone()),
        })
    }

    /// Checks what it states.
    pub fn check(&self) -> Result<(), ModelError> {
        match self {
            Model::Level(level) => level.check(),
            Model::Fill(fill) => fill.check(),
            Model::Element(element) => element.check(),
            Model::Coolant(coolant) => coolant.check(),
            Model::NeatOil(oil) => oil.check(),
            Model::IdleAir(idle) => idle.check(),
        }
    }
}

impl<M> Level<M> {
    fn check(&self) -> Result<(), ModelError> {
        Volume::litres(self.low.to_f64()).map_err(|error| wrong("low_l")(error.to_string()))?;
        Volume::litres(self.high.to_f64()).map_err(|error| wrong("high_l")(error.to_string()))?;
        if self.low >= self.high {
            let text =
                format!("`{}` is not above the lower mark, `{}`; give a higher one", self.high, self.low);
            return Err(wrong("high_l")(text));
        }
        let stroke = Stroke::parse(&self.doses).map_err(|error| wrong("doses_cm3")(error.to_string()))?;
        if stroke.to_ml() <= 0.0 {
            let text = format!("`{}` gives nothing in a stroke; give doses like 8x0.03+6x0.06", self.doses);
            return Err(wrong("doses_cm3")(text));
        }
        let (Cycle::Minutes(cycle) | Cycle::Count(cycle)) = self.cycle;
        if cycle.0 <= 0 {
            let text = format!("`{cycle}` lies between two strokes; give more than 0, such as 20");
            return Err(wrong("cycle")(text));
        }
        let between = Value(self.high.0 - self.low.0);
        if self.reserve.0 < 0 || self.reserve >= between {
            let text = format!(
                "`{}` is no reserve between the marks; give 0 or more, and less than {between} L",
                self.reserve
            );
            return Err(wrong("reserve_l")(text));
        }
        if let Some(pack) = self.pack.filter(|pack| pack.0 <= 0) {
            return Err(wrong("pack_l")(format!("`{pack}` L is no pack; give more than 0, such as 1")));
        }
        Ok(())
    }

    /// What is in it when it is due, in L.
    pub fn goal(&self) -> Value {
        Value(self.low.0 + self.reserve.0)
    }

    /// The reservoir with so much in it, as the calculator of reservoirs takes it; its lower mark at `low`. An hour of run
    /// stands for one of what the meter counts.
    pub fn reservoir(&self, now: f64, low: Value) -> Result<Reservoir, Impossible> {
        let minutes = match self.cycle {
            Cycle::Minutes(minutes) => minutes.to_f64(),
            Cycle::Count(count) => count.to_f64() * 60.0,
        };
        Ok(Reservoir {
            low: Volume::litres(low.to_f64())?,
            high: Volume::litres(self.high.to_f64())?,
            now: Volume::litres(now.max(0.0))?,
            stroke: Stroke::parse(&self.doses)?,
            cycle: Minutes::new(minutes)?,
            run_per_day: Hours::new(0.0)?,
            extra: VolumePerDay::l_day(0.0)?,
            reserve: Days::new(0.0)?,
            pack: Volume::litres(self.pack.map_or(0.0, Value::to_f64))?,
        })
    }
}

impl<M> Fill<M> {
    fn check(&self) -> Result<(), ModelError> {
        if self.ambient.len() != 1 && self.ambient.len() != MONTHS {
            let text = format!(
                "has {} temperatures; give one for the whole year, or twelve from January on",
                self.ambient.len()
            );
            return Err(wrong("ambient_c")(text));
        }
        if self.bowl.0 <= 0 {
            return Err(wrong("bowl_ml")(format!("`{}` mL is no bowl; give more than 0", self.bowl)));
        }
        if !(1..=100).contains(&self.drain_percent) {
            let text = format!("`{}` is no share of a bowl; give 1 to 100 percent", self.drain_percent);
            return Err(wrong("drain_percent")(text));
        }
        if self.carry_over.0 < 0 {
            return Err(wrong("carry_over_ml_h")(format!(
                "`{}` is below 0; give 0 or more",
                self.carry_over
            )));
        }
        if self.at_latest_days > AT_LATEST_DAYS_MAX {
            let text =
                format!("`{}` is out of bounds; give 0 to {AT_LATEST_DAYS_MAX} days", self.at_latest_days);
            return Err(wrong("at_latest_days")(text));
        }
        if let Dew::Class(class) = self.dew
            && dew_point_of_class(class).is_none()
        {
            let text = format!("`{class}` is no class with a dew point; give 1 to 6 of ISO 8573-1");
            return Err(wrong("water_class")(text));
        }
        FreeAir::l_min(self.flow.to_f64()).map_err(|error| wrong("flow_l_min")(error.to_string()))?;
        for month in 0..MONTHS {
            self.condensate(month).map_err(|error| wrong("line_bar")(error.to_string()))?;
        }
        Ok(())
    }

    /// The temperature of the bowl in a month, counted from 0.
    pub fn ambient_in(&self, month: usize) -> Value {
        let own = self.ambient.get(month).filter(|_| self.ambient.len() == MONTHS);
        own.or(self.ambient.first()).copied().unwrap_or(Value(20_000_000))
    }

    /// The water that drops into the bowl in a month, counted from 0, by the formula that the calculator of bowls shows.
    pub fn condensate(&self, month: usize) -> Result<Condensate, Impossible> {
        let ambient = match self.ambient_pressure {
            None => STANDARD_AMBIENT,
            Some(ambient) => AbsolutePressure::bar(ambient.to_f64())?,
        };
        let absolute = |gauge: Value| GaugePressure::bar(gauge.to_f64())?.absolute(ambient);
        let dew_point = match self.dew {
            Dew::Point(dew_point) => Temperature::celsius(dew_point.to_f64())?,
            Dew::Class(class) => dew_point_of_class(class)
                .ok_or_else(|| Impossible(format!("class {class} has no dew point")))?,
        };
        bowl(&Bowl {
            flow: FreeAir::l_min(self.flow.to_f64())?,
            dew_point,
            dew_point_at: absolute(self.line)?,
            pressure: absolute(self.behind_regulator.unwrap_or(self.line))?,
            temperature: Temperature::celsius(self.ambient_in(month).to_f64())?,
            volume: Volume::millilitres(self.bowl.to_f64())?,
        })
    }

    /// How much is in the bowl when it is drained, in mL.
    pub fn goal(&self) -> Value {
        Value(self.bowl.0 / 100 * i64::from(self.drain_percent))
    }
}
