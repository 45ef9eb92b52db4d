//! What clauses state of a coolant: water-mixed, or neat oil.

use super::{ModelError, wrong};
use crate::consumables::limits::{DIP_SLIDE, DipSlideBands, Edition, STRENGTH_BAND_POINTS};
use crate::physics::measure::{Percent, Volume};
use crate::reading::Value;
use crate::text::Key;
use serde::{Deserialize, Serialize};

/// A water-mixed coolant.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Coolant {
    /// The test point of its strength: a share, or a refractometer's reading.
    pub strength: Option<Key>,
    /// The product's factor for a refractometer.
    pub factor: Option<Value>,
    /// How strong it should be, in per cent.
    pub wanted: Option<Value>,
    /// How far off it may be, in points; none takes the usual.
    pub band: Option<Value>,
    /// How strong the mix is that goes in, in per cent; none takes twice the wanted strength.
    pub premix: Option<Value>,
    /// What is in the sump, in L.
    pub sump: Option<Value>,
    /// The test point of its pH.
    pub ph: Option<Key>,
    /// Its pH at the first fill.
    pub ph_first: Option<Value>,
    /// The test point of its nitrite.
    pub nitrite: Option<Key>,
    /// The test point of its dip slides.
    pub dip_slide: Option<Key>,
    /// The edition of the dip slides' bands; empty for the first.
    pub bands: String,
}

/// A neat cutting oil.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NeatOil {
    /// The test point of its viscosity at 40 °C.
    pub viscosity: Option<Key>,
    /// Its viscosity when it was new, in mm²/s.
    pub viscosity_new: Option<Value>,
    /// The test point of the water in it, a share.
    pub water: Option<Key>,
    /// The test point of its flash point.
    pub flash: Option<Key>,
    /// Its flash point when it was new, in °C.
    pub flash_new: Option<Value>,
}

/// That a point is named without the value that it is compared with, or a value without its point.
fn together(
    (field, point): (&'static str, bool),
    (other, value): (&'static str, bool),
) -> Result<(), ModelError> {
    match (point, value) {
        (true, false) => Err(wrong(other)(format!("is missing; `{field}` is compared with it"))),
        (false, true) => Err(wrong(field)(format!("is missing; `{other}` is what it is compared with"))),
        (true, true) | (false, false) => Ok(()),
    }
}

impl Coolant {
    /// Its edition of the dip slides' bands; the first where it is not stated.
    pub fn slide_bands(&self) -> Option<&'static Edition<DipSlideBands>> {
        let is_meant = |of: &&Edition<DipSlideBands>| self.bands.is_empty() || of.version == self.bands;
        DIP_SLIDE.iter().find(is_meant)
    }

    /// How far off its strength may be, in points.
    pub fn band_points(&self) -> f64 {
        self.band.map_or(STRENGTH_BAND_POINTS, Value::to_f64)
    }

    pub(super) fn points(&self) -> [(&'static str, Option<&Key>); 4] {
        [
            ("strength", self.strength.as_ref()),
            ("ph", self.ph.as_ref()),
            ("nitrite", self.nitrite.as_ref()),
            ("dip_slide", self.dip_slide.as_ref()),
        ]
    }

    pub(super) fn check(&self) -> Result<(), ModelError> {
        if self.points().iter().all(|(_, point)| point.is_none()) {
            return Err(wrong("strength")(
                "names no test point; give one of strength, ph, nitrite or dip_slide".into(),
            ));
        }
        let has = self.strength.is_some();
        together(("strength", has), ("wanted_percent", self.wanted.is_some()))?;
        together(("strength", has), ("sump_l", self.sump.is_some()))?;
        together(("ph", self.ph.is_some()), ("ph_first_fill", self.ph_first.is_some()))?;
        for (field, share) in [("wanted_percent", self.wanted), ("premix_percent", self.premix)] {
            let wanted = share.map(|share| Percent::new(share.to_f64())).transpose();
            wanted.map_err(|error| wrong(field)(error.to_string()))?;
        }
        if let (Some(premix), Some(wanted)) = (self.premix, self.wanted)
            && premix <= wanted
        {
            let text =
                format!("`{premix}` % never makes {wanted} % of a weaker coolant; give a stronger mix");
            return Err(wrong("premix_percent")(text));
        }
        let sump = self.sump.map(|sump| Volume::litres(sump.to_f64())).transpose();
        sump.map_err(|error| wrong("sump_l")(error.to_string()))?;
        for (field, value) in [("refractometer_factor", self.factor), ("band_points", self.band)] {
            if let Some(value) = value.filter(|value| value.0 <= 0) {
                return Err(wrong(field)(format!("`{value}` is not possible; give more than 0")));
            }
        }
        if self.slide_bands().is_none() {
            let known: Vec<&str> = DIP_SLIDE.iter().map(|edition| edition.version).collect();
            let text = format!("`{}` is no edition of the bands; give {}", self.bands, known.join(" or "));
            return Err(wrong("bands")(text));
        }
        Ok(())
    }
}

impl NeatOil {
    pub(super) fn points(&self) -> [(&'static str, Option<&Key>); 3] {
        [
            ("viscosity", self.viscosity.as_ref()),
            ("water", self.water.as_ref()),
            ("flash", self.flash.as_ref()),
        ]
    }

    pub(super) fn check(&self) -> Result<(), ModelError> {
        if self.points().iter().all(|(_, point)| point.is_none()) {
            return Err(wrong("viscosity")(
                "names no test point; give one of viscosity, water or flash".into(),
            ));
        }
        together(
            ("viscosity", self.viscosity.is_some()),
            ("viscosity_new_mm2_s", self.viscosity_new.is_some()),
        )?;
        together(("flash", self.flash.is_some()), ("flash_new_c", self.flash_new.is_some()))
    }
}
