//! The limits that stand beside the readings of a sump or reservoir because a model of its task states them: in words, with
//! their source, and which of them a reading is beyond.

use super::said::{FLASH_K, VISCOSITY_PERCENT, WATER_PERCENT, into, percent};
use crate::consumables::limits::{
    NITRITE_ACT_MG_L, PH_CHANGE, PH_MEASURES, Reading, STRENGTH_BAND_POINTS, Verdict, judge,
};
use crate::physics::measure::GRAIN;
use crate::reading::{Limits, PointUnit, Quantity, Value};
use crate::rule::model::{Coolant, Level, Model, NeatOil};
use crate::text::Key;

/// A limit in words, and where it comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Beside {
    /// The limit.
    pub text: String,
    /// Its source.
    pub source: String,
}

const PRACTICE: &str = "common practice, no source";

fn is(point: Option<&Key>, key: &Key) -> bool {
    point == Some(key)
}

/// The limits that a model states for a test point.
pub fn beside<M>(model: &Model<M>, point: &Key) -> Vec<Beside> {
    match model {
        Model::Coolant(of) => of_coolant(of, point),
        Model::NeatOil(of) => of_neat_oil(of, point),
        Model::Level(Level { point: Some(of), low, high, .. }) if of == point => {
            let text = format!("to stand between its marks, {low} and {high} L");
            vec![Beside { text, source: "the reservoir's marks as declared".into() }]
        }
        Model::Level(_) | Model::Fill(_) | Model::Element(_) | Model::IdleAir(_) => Vec::new(),
    }
}

fn of_coolant(of: &Coolant, point: &Key) -> Vec<Beside> {
    let mut all = Vec::new();
    let mut add = |text: String, source: &str| all.push(Beside { text, source: source.to_owned() });
    if let Some(wanted) = of.wanted.filter(|_| is(of.strength.as_ref(), point)) {
        let source = if of.band.is_some() { "as declared for this coolant" } else { PRACTICE };
        add(format!("{wanted} %, at most {} points off", of.band_points()), source);
    }
    if let Some(first) = of.ph_first.filter(|_| is(of.ph.as_ref(), point)) {
        let measures =
            format!("at most {PH_MEASURES} below its first fill's {first}, else the supplier's measures");
        add(measures, "DGUV Regel 109-003, annex 3");
        add(format!("at most {PH_CHANGE:.1} below it, else change and clean"), "from memory");
    }
    if is(of.nitrite.as_ref(), point) {
        let text =
            format!("at most {NITRITE_ACT_MG_L} mg/L, else change, change a part, or add an inhibitor");
        add(text, "TRGS 611, section 5.3");
    }
    if let Some(edition) = of.slide_bands().filter(|_| is(of.dip_slide.as_ref(), point)) {
        let bands = edition.limits;
        let text = format!(
            "below {} colonies in a millilitre; from there on review and correct, from {} on act at once",
            bands.good_below, bands.poor_from
        );
        add(text, edition.source);
    }
    all
}

fn of_neat_oil(of: &NeatOil, point: &Key) -> Vec<Beside> {
    let new = of.viscosity_new.filter(|_| is(of.viscosity.as_ref(), point));
    let viscosity = new.map(|new| format!("{new} mm²/s when new, at most {VISCOSITY_PERCENT} % off"));
    let water = is(of.water.as_ref(), point).then(|| format!("less than {WATER_PERCENT} % water"));
    let new = of.flash_new.filter(|_| is(of.flash.as_ref(), point));
    let flash = new.map(|new| format!("{new} °C when new, at most {FLASH_K} K lower"));
    let all = [viscosity, water, flash].into_iter().flatten();
    all.map(|text| Beside { text, source: PRACTICE.to_owned() }).collect()
}

/// Which limit of a model a reading of a test point is beyond, and what is to be done; none where it is within.
pub fn beyond<M>(model: &Model<M>, point: &Key, value: Value, unit: PointUnit) -> Option<String> {
    match model {
        Model::Coolant(of) => beyond_coolant(of, point, (value, unit)),
        Model::NeatOil(of) => beyond_neat_oil(of, point, (value, unit)),
        Model::Level(_) => {
            marks(model, point, unit)?.beyond(value).map(|beyond| beyond.in_words(unit.sign()))
        }
        Model::Fill(_) | Model::Element(_) | Model::IdleAir(_) => None,
    }
}

/// The marks of a model's reservoir as limits of the test point that reads its level, in a unit of that: below the lower mark
/// and above the upper one something is to be done. None of other models and test points.
pub fn marks<M>(model: &Model<M>, point: &Key, unit: PointUnit) -> Option<Limits> {
    let Model::Level(Level { point: Some(of), low, high, .. }) = model else { return None };
    if of != point {
        return None;
    }
    let (low, high) = if unit.quantity() == Quantity::Share {
        // Per cent of the way from the lower to the upper mark.
        (Value::parse("0").ok()?, Value::parse("100").ok()?)
    } else {
        let litres = PointUnit::parse("L")?;
        (litres.convert(*low, unit)?, litres.convert(*high, unit)?)
    };
    Some(Limits { act_below: Some(low), act_above: Some(high), ..Limits::default() })
}

fn beyond_coolant(of: &Coolant, point: &Key, (value, unit): (Value, PointUnit)) -> Option<String> {
    let turned = |code| into(code)(value, unit);
    if let Some(wanted) = of.wanted.filter(|_| is(of.strength.as_ref(), point)) {
        let off = percent(of, value, unit)? - wanted.to_f64();
        let far = off.abs() > of.band_points() + GRAIN;
        let side = if off < 0.0 { "weaker" } else { "stronger" };
        return far.then(|| format!("{side} than {wanted} % by more than {} points", of.band_points()));
    }
    let reading = if is(of.ph.as_ref(), point) {
        Reading::Ph { now: turned("[pH]")?, first_fill: of.ph_first?.to_f64() }
    } else if is(of.nitrite.as_ref(), point) {
        Reading::Nitrite(turned("mg/L")?)
    } else if is(of.dip_slide.as_ref(), point) {
        Reading::DipSlide(*of.slide_bands()?, turned("{CFU}/mL")?)
    } else {
        return None;
    };
    let text = match judge(&reading) {
        Verdict::ChangeOrInhibit => {
            format!("above {NITRITE_ACT_MG_L} mg/L: change, change a part, or add an inhibitor")
        }
        Verdict::SupplierMeasures => {
            format!("fallen by more than {PH_MEASURES} since its first fill: the supplier's measures")
        }
        Verdict::ChangeAndClean => {
            format!("fallen by more than {PH_CHANGE:.1} since its first fill: change and clean")
        }
        Verdict::Review => "too many colonies: review and correct".to_owned(),
        Verdict::ActNow => "far too many colonies: act at once".to_owned(),
        Verdict::Ok
        | Verdict::WeeklyWatch
        | Verdict::BlendWater
        | Verdict::Good
        | Verdict::High
        | Verdict::Low => return None,
    };
    Some(text)
}

fn beyond_neat_oil(of: &NeatOil, point: &Key, (value, unit): (Value, PointUnit)) -> Option<String> {
    let turned = |code| into(code)(value, unit);
    if let Some(new) = of.viscosity_new.filter(|_| is(of.viscosity.as_ref(), point)) {
        let off = (turned("mm2/s")? / new.to_f64() - 1.0).abs() * 100.0;
        let far = off > f64::from(VISCOSITY_PERCENT) + GRAIN;
        return far.then(|| format!("more than {VISCOSITY_PERCENT} % off what it was when new"));
    }
    if is(of.water.as_ref(), point) {
        return (turned("%")? >= WATER_PERCENT).then(|| format!("{WATER_PERCENT} % of water or more"));
    }
    let new = of.flash_new.filter(|_| is(of.flash.as_ref(), point))?;
    let low = turned("Cel")? < new.to_f64() - f64::from(FLASH_K) - GRAIN;
    low.then(|| format!("flash point more than {FLASH_K} K below what it was when new"))
}

/// The strength's usual band is the one that the calculators use.
const _: () = assert!(STRENGTH_BAND_POINTS == 1.0);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::MeterId;

    fn key(text: &str) -> Key {
        Key::new(text).expect("a key")
    }

    fn value(text: &str) -> Value {
        Value::parse(text).expect("a value")
    }

    fn coolant() -> Model<MeterId> {
        Model::Coolant(Coolant {
            strength: Some(key("strength")),
            factor: Some(value("1.5")),
            wanted: Some(value("8")),
            band: None,
            premix: None,
            sump: Some(value("200")),
            ph: Some(key("ph")),
            ph_first: Some(value("9.2")),
            nitrite: Some(key("nitrite")),
            dip_slide: Some(key("slide")),
            bands: String::new(),
        })
    }

    fn found(point: &str, read: &str, unit: &str) -> Option<String> {
        beyond(&coolant(), &key(point), value(read), PointUnit::parse(unit).expect("a unit"))
    }

    /// The values are those of the sources that the limits cite: TRGS 611, section 5.3 (nitrite above 20 mg/L), DGUV Regel
    /// 109-003, annex 3 (a pH fallen by more than 0.5), and the UK Health and Safety Executive's page on bacteria (good below
    /// 10 000, poor from 1 000 000 colony-forming units in a millilitre). A fall by more than 1.0 is from memory.
    #[test]
    fn readings_are_judged_by_the_published_limits() {
        for (point, unit, good, bad) in [
            ("nitrite", "mg/L", "20", "20.5"),
            ("ph", "[pH]", "8.7", "8.6"),
            ("slide", "{CFU}/mL", "9999", "10000"),
            ("strength", "%", "7", "6.9"),
        ] {
            assert_eq!(found(point, good, unit), None, "{point} {good}");
            assert!(found(point, bad, unit).is_some(), "{point} {bad}");
        }
        assert!(found("ph", "8.1", "[pH]").expect("far").ends_with("change and clean"));
        assert!(found("slide", "1000000", "{CFU}/mL").expect("many").ends_with("act at once"));
        let sources: Vec<String> = ["nitrite", "ph", "slide", "strength"]
            .into_iter()
            .flat_map(|point| beside(&coolant(), &key(point)))
            .map(|beside| beside.source)
            .collect();
        for source in
            ["TRGS 611, section 5.3", "DGUV Regel 109-003, annex 3", "Health and Safety Executive", PRACTICE]
        {
            assert!(sources.iter().any(|said| said.contains(source)), "{source}: {sources:?}");
        }
        assert!(beside(&coolant(), &key("other")).is_empty());
    }

    /// A level in litres, in millilitres and in per cent of the way between the marks.
    #[test]
    fn a_level_is_judged_by_the_marks_of_its_reservoir() {
        let level: Model<MeterId> = Model::Level(Level {
            meter: MeterId(1),
            point: Some(key("oil")),
            low: value("0.5"),
            high: value("2.7"),
            doses: "10x0.1".into(),
            cycle: crate::rule::model::Cycle::Minutes(value("2")),
            reserve: value("0"),
            pack: None,
            oil: String::new(),
        });
        let told = |read: &str, unit: &str| {
            beyond(&level, &key("oil"), value(read), PointUnit::parse(unit).expect("a unit"))
        };
        assert_eq!(told("0.3", "L").as_deref(), Some("below its limit of 0.5 L"));
        assert_eq!(told("300", "mL").as_deref(), Some("below its limit of 500 mL"));
        assert_eq!(told("-1", "%").as_deref(), Some("below its limit of 0 %"));
        assert_eq!(told("2.8", "L").as_deref(), Some("above its limit of 2.7 L"));
        assert_eq!((told("0.5", "L"), told("2.7", "L"), told("100", "%")), (None, None, None));
        assert_eq!(beyond(&level, &key("other"), value("0.3"), PointUnit::parse("L").expect("L")), None);
    }

    /// By the product's factor: 5.0 by 1.5 is 7.5 % (worked example of a coolant supplier).
    #[test]
    fn a_refractometer_is_read_by_its_factor() {
        assert_eq!(found("strength", "5", "{Brix}"), None);
        assert!(found("strength", "4.5", "{Brix}").expect("6.75 %").starts_with("weaker"));
    }
}
