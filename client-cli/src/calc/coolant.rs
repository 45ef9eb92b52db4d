//! Calculators of water-mixed coolant.

use super::found::{Column, Found, Value};
use super::given::{Given, Input, Problem};
use super::{COOLANT, Calculator, WASTE};
use fettler_domain::consumables::coolant::{
    self, Losses, Standing, Sump, adjust, blend, make_up, standing, strength_of_brix,
};
use fettler_domain::consumables::limits::{DIP_SLIDE, Edition, Reading, Verdict, judge};
use fettler_domain::consumables::salt::{DAYS_MAX, ToppedUp};
use fettler_domain::physics::measure::{Bounds, Days, Dissolved, Percent, Volume, VolumePerDay};

const SUMP: Bounds = Bounds::above(0.0, 1e9, "L");
const STRENGTH: Bounds = Bounds::above(0.0, 100.0, "%");
const BRIX: Bounds = Bounds::closed(0.0, 100.0, "°Brix");
const FACTOR: Bounds = Bounds::above(0.0, 100.0, "");
const WHOLE_DAYS: Bounds = Bounds::closed(0.0, DAYS_MAX as f64, "days");
const VALUE: Bounds = Bounds::closed(0.0, 1e12, "");
/// A premix that a shop can make and pour where concentrate must not go in by itself, in per cent.
const PREMIX_PERCENT: f64 = 20.0;

const HEALTH: &str =
    "Biocide: trained people only, by its label. Rash, cough or wheeze: an occupational doctor, at once.";

/// Volume and strength at once.
pub(super) static CORRECTION: Calculator = Calculator {
    name: "coolant_correction",
    about: "what brings a sump to another volume and strength",
    formula: "c0 = Brix x factor; concentrate x = V1 c1 - V0 c0; water w = V1 - V0 - x\n\
              x < 0: drain D = (V0 c0 - V1 c1) / c0 first; w < 0: D = (V1 c1 - V0 c0 - (V1 - V0)) / (1 - c0)",
    inputs: &[
        Input::number("v0_l", Volume::BOUNDS, "what is in the sump"),
        Input::number("brix", BRIX, "reading of the refractometer"),
        Input::number("factor", FACTOR, "the product's own factor; it stands on its data sheet"),
        Input::number("v1_l", SUMP, "volume that is wanted"),
        Input::number("c1_pct", Percent::BOUNDS, "strength that is wanted"),
    ],
    results: &[
        Column::new("c0_pct", "%", "strength now"),
        Column::new("drain_l", "L", "drain first, the least that does"),
        Column::new("concentrate_l", "L", "concentrate to add"),
        Column::new("water_l", "L", "water to add"),
        Column::new("makeup_pct", "%", "strength of what is added, mixed before it goes in")
            .or("nothing is added"),
        Column::new("mix_ratio", "", "concentrate to water").or("no concentrate is added"),
    ],
    range: "a stirred sump, volumes that add up. Tramp oil falsifies the refractometer; titration settles doubt",
    source: "mass balance; the doubt about refractometers: DGUV Regel 109-003, section 7.1",
    cautions: &[COOLANT, WASTE],
    compute: correction,
};

fn correction(given: &Given) -> Result<Found, Problem> {
    let strength = strength_of_brix(given.number("brix"), given.number("factor"));
    let now = Sump {
        volume: given.measure("v0_l", Volume::litres)?,
        strength: strength.map_err(|error| given.problem("factor", error))?,
    };
    let wanted = Sump {
        volume: given.measure("v1_l", Volume::litres)?,
        strength: given.measure("c1_pct", Percent::new)?,
    };
    let found = coolant::correct(now, wanted).map_err(|error| given.problem("v1_l", error))?;
    let neat = found.concentrate.to_litres() > 0.0 && found.water.to_litres() == 0.0;
    let values = [
        now.strength.to_percent().into(),
        found.drain.to_litres().into(),
        found.concentrate.to_litres().into(),
        found.water.to_litres().into(),
        found.premix().map(Percent::to_percent).into(),
        found.parts_of_water().map_or_else(String::new, |parts| format!("1:{parts:.1}")).into(),
    ];
    Ok(Found::new(values).remark(neat.then(|| premix(now, wanted))))
}

/// What to pour instead of neat concentrate: more is drained, and a premix takes its place.
fn premix(now: Sump, wanted: Sump) -> String {
    let rule = "concentrate does not go into the sump by itself";
    let (v0, c0) = (now.volume.to_litres(), now.strength.to_percent());
    let (v1, c1) = (wanted.volume.to_litres(), wanted.strength.to_percent());
    let drain = (v1 * c1 - v0 * c0 - PREMIX_PERCENT * (v1 - v0)) / (PREMIX_PERCENT - c0);
    if c0 < PREMIX_PERCENT && c1 < PREMIX_PERCENT && (0.0..=v0).contains(&drain) {
        let poured = v1 - v0 + drain;
        let concentrate = poured * PREMIX_PERCENT / 100.0;
        return format!(
            "{rule}: drain {drain:.1} L instead and pour {poured:.1} L of a premix of {PREMIX_PERCENT} % \
             ({concentrate:.1} L concentrate into {:.1} L water)",
            poured - concentrate
        );
    }
    format!("{rule}: mix it first with drained coolant or water, and see `fettler calc coolant_adjust`")
}

/// Strength alone.
pub(super) static ADJUST: Calculator = Calculator {
    name: "coolant_adjust",
    about: "the two ways to bring a sump to another strength: add, or swap",
    formula: "too weak: add X = V (ct - c0) / (ca - ct), or drain and add D = V (ct - c0) / (ca - c0)\n\
              too strong, with water: add W = V (c0 / ct - 1), or drain and add D = V (c0 - ct) / c0",
    inputs: &[
        Input::number("v_l", Volume::BOUNDS, "what is in the sump"),
        Input::number("c0_pct", Percent::BOUNDS, "strength now"),
        Input::number("target_pct", STRENGTH, "strength that is wanted"),
        Input::number("cadd_pct", Percent::BOUNDS, "strength of what is added")
            .may_be_missing("100 where the sump is too weak, 0 (water) where it is too strong"),
        Input::word("case", &["too_weak", "too_strong"], "how the sump stands")
            .may_be_missing("told from the figures"),
    ],
    results: &[
        Column::new("case", "", "how the sump stands").or("as wanted"),
        Column::new("add_only_l", "L", "too weak: add so much, the level rises").or("not too weak"),
        Column::new("swap_l", "L", "drain so much and add as much, the level stays"),
        Column::new("water_only_l", "L", "too strong: add so much, the level rises").or("not too strong"),
    ],
    range: "a stirred sump, volumes that add up; what is added must be stronger, or weaker, than the target",
    source: "mass balance (alligation rule)",
    cautions: &[COOLANT, WASTE],
    compute: adjustment,
};

fn adjustment(given: &Given) -> Result<Found, Problem> {
    let sump = Sump {
        volume: given.measure("v_l", Volume::litres)?,
        strength: given.measure("c0_pct", Percent::new)?,
    };
    let target = given.measure("target_pct", Percent::new)?;
    let standing = standing(sump.strength, target);
    let (word, usual) = match standing {
        Standing::TooWeak => ("too_weak", 100.0),
        Standing::TooStrong => ("too_strong", 0.0),
        Standing::AsWanted => ("", 0.0),
    };
    let said = given.text("case");
    if !said.is_empty() && said != word {
        return Err(given.problem(
            "case",
            fettler_domain::physics::measure::Impossible(format!(
                "`{said}` contradicts {} % now and {} % wanted; leave it out or mend the figures",
                sump.strength.to_percent(),
                target.to_percent()
            )),
        ));
    }
    let added = Percent::new(given.maybe("cadd_pct").unwrap_or(usual));
    let added = added.map_err(|error| given.problem("cadd_pct", error))?;
    let found = adjust(sump, target, added).map_err(|error| given.problem("cadd_pct", error))?;
    let add = |of: Standing| (standing == of).then(|| found.add.to_litres());
    let neat = (standing == Standing::TooWeak && added.to_percent() >= 100.0)
        .then(|| "concentrate does not go into the sump by itself: ask with --cadd-pct for a premix".into());
    Ok(Found::new([
        word.into(),
        add(Standing::TooWeak).into(),
        found.swap.to_litres().into(),
        add(Standing::TooStrong).into(),
    ])
    .remark(neat))
}

const EVAPORATION: Input =
    Input::number("evap_l_day", VolumePerDay::BOUNDS, "water that evaporates in a day");
const CARRY_OUT: Input =
    Input::number("carryout_l_day", VolumePerDay::BOUNDS, "mix that leaves with parts and chips in a day");

fn losses(given: &Given) -> Result<Losses, Problem> {
    Ok(Losses {
        evaporation: given.measure("evap_l_day", VolumePerDay::l_day)?,
        carry_out: given.measure("carryout_l_day", VolumePerDay::l_day)?,
    })
}

/// Make-up.
pub(super) static MAKEUP: Calculator = Calculator {
    name: "coolant_makeup",
    about: "the make-up that keeps a sump's volume and strength",
    formula: "strength = c d / (e + d); volume = (e + d) x days; concentrate = c d x days; cycles = (e + d) / d",
    inputs: &[
        Input::number("v_l", SUMP, "what the sump holds; a loss beyond it is told")
            .may_be_missing("the losses are not held against it"),
        Input::number("c_pct", Percent::BOUNDS, "strength to keep"),
        EVAPORATION,
        CARRY_OUT,
        Input::number("days", Days::BOUNDS, "for how many days").default("1"),
    ],
    results: &[
        Column::new("makeup_pct", "%", "strength of the make-up").or("nothing is lost"),
        Column::new("makeup_l", "L", "how much of it"),
        Column::new("concentrate_l", "L", "the concentrate in it"),
        Column::new("water_l", "L", "the water in it"),
        Column::new("cycles", "", "how often the water's salts gather up").or("without end"),
    ],
    range: "steady losses; the rule of 60 % of the charge's strength holds for e/d = 0.67 alone",
    source: "mass balance",
    cautions: &[COOLANT],
    compute: |given| {
        let losses = losses(given)?;
        let found = make_up(given.measure("c_pct", Percent::new)?, losses, given.measure("days", Days::new)?);
        let lost = losses.evaporation.to_l_day() + losses.carry_out.to_l_day();
        let too_much = given.maybe("v_l").filter(|volume| lost > *volume).map(|volume| {
            format!("{lost} L are lost in a day, more than the {volume} L of the sump: look for a leak")
        });
        Ok(Found::new([
            found.strength.map(Percent::to_percent).into(),
            found.volume.to_litres().into(),
            found.concentrate.to_litres().into(),
            found.water.to_litres().into(),
            losses.cycles().into(),
        ])
        .remark(too_much))
    },
};

const DIP_SLIDE_TESTS: [&str; 2] = ["dipslide_hse_current", "dipslide_hse_2012"];

/// What readings mean.
pub(super) static LIMITS: Calculator = Calculator {
    name: "coolant_limits",
    about: "what a reading of a coolant, or of its water, means",
    formula: "nitrite: up to 10 mg/L ok, up to 20 watch weekly, more act; nitrate of the water: up to 50 mg/L ok\n\
              dip slide: below 1e4 (2012: 1e3) good, from 1e6 on act; pH: fallen by more than 0.5 measures, by more \
              than 1.0 change\n\
              strength: within 1 point ok",
    inputs: &[
        Input::word(
            "test",
            &["nitrite", "nitrate_water", DIP_SLIDE_TESTS[0], DIP_SLIDE_TESTS[1], "ph_drop", "conc_band"],
            "what was read",
        ),
        Input::number("value", VALUE, "the reading: mg/L, CFU/mL, pH or per cent"),
        Input::number(
            "reference",
            VALUE,
            "ph_drop: pH of the first fill; conc_band: strength as it should be",
        )
        .may_be_missing("needed for ph_drop and conc_band"),
    ],
    results: &[Column::new("verdict", "", "what it means")],
    range: "the supplier's and the builder's limits come before these. Editions of the dip slide's bands disagree, so \
            each is a test of its own. Exactly 10 mg/L nitrite is in neither clause of its source and told as ok",
    source: "TRGS 611, 5.2 and 5.3; UK HSE, hse.gov.uk/metalworking/bacterial.htm, current and of 2012; DGUV Regel \
             109-003, annex 3 (the fall by 1.0 from memory); band of 1 point: common practice, no source",
    cautions: &[HEALTH, COOLANT],
    compute: limits,
};

fn limits(given: &Given) -> Result<Found, Problem> {
    let value = given.number("value");
    let reference = |why| given.needed("reference", why);
    let slide = |version: &str| DIP_SLIDE.iter().find(|edition| version.ends_with(edition.version)).copied();
    let reading = match given.text("test") {
        "nitrite" => Reading::Nitrite(value),
        "nitrate_water" => Reading::NitrateOfWater(value),
        "ph_drop" => Reading::Ph { now: value, first_fill: reference("ph_drop")? },
        "conc_band" => Reading::Strength { now: value, wanted: reference("conc_band")? },
        version => {
            Reading::DipSlide(slide(version).expect("the declaration takes known editions alone"), value)
        }
    };
    let verdict = judge(&reading);
    Ok(Found::new([verdict.word().into()]).remark(differs(&reading, verdict)))
}

/// What other editions say, where they disagree.
fn differs(reading: &Reading, verdict: Verdict) -> Option<String> {
    let Reading::DipSlide(own, value) = reading else { return None };
    let other = |edition: &&Edition<_>| edition.version != own.version;
    let disagrees = |edition: &&Edition<_>| judge(&Reading::DipSlide(**edition, *value)) != verdict;
    let edition = DIP_SLIDE.iter().filter(other).find(disagrees)?;
    let word = judge(&Reading::DipSlide(*edition, *value)).word();
    Some(format!("another edition says {word}: {}", edition.source))
}

/// Two mixes for one between them.
pub(super) static ALLIGATION: Calculator = Calculator {
    name: "alligation",
    about: "how to mix a strength from a stronger and a weaker mix",
    formula: "parts of the stronger = target - low; parts of the weaker = high - target",
    inputs: &[
        Input::number("high_pct", Percent::BOUNDS, "strength of the stronger mix; concentrate is 100"),
        Input::number("low_pct", Percent::BOUNDS, "strength of the weaker mix; water is 0"),
        Input::number("target_pct", Percent::BOUNDS, "strength that is wanted"),
        Input::number("total_l", Volume::BOUNDS, "how much is wanted")
            .may_be_missing("the parts alone are told"),
    ],
    results: &[
        Column::new("parts_high", "", "parts of the stronger mix"),
        Column::new("parts_low", "", "parts of the weaker mix"),
        Column::new("high_l", "L", "how much of the stronger mix").or("no total was given"),
        Column::new("low_l", "L", "how much of the weaker mix").or("no total was given"),
    ],
    range: "any strengths with the target between them; volumes that add up",
    source: "alligation rule",
    cautions: &[COOLANT],
    compute: |given| {
        let percent = |name| given.measure(name, Percent::new);
        let (high, low, target) = (percent("high_pct")?, percent("low_pct")?, percent("target_pct")?);
        let total = given.maybe("total_l").map(Volume::litres).transpose();
        let total = total.map_err(|error| given.problem("total_l", error))?;
        let none = Volume::litres(0.0).map_err(|error| given.problem("total_l", error))?;
        let field = if high <= low { "high_pct" } else { "target_pct" };
        let found =
            blend(high, low, target, total.unwrap_or(none)).map_err(|error| given.problem(field, error))?;
        let litres = |volume: Volume| Value::from(total.is_some().then(|| volume.to_litres()));
        Ok(Found::new([
            found.parts_high.into(),
            found.parts_low.into(),
            litres(found.high),
            litres(found.low),
        ]))
    },
};

/// Salts.
pub(super) static SALT: Calculator = Calculator {
    name: "salt_buildup",
    about: "how hardness or chloride gathers in a sump that is topped up",
    formula: "each day C = (C (V - d) + s (e + d)) / V; topped up all the time C = C_end + (C0 - C_end) exp(-d t / V)\n\
              C_end = s (e + d) / d; without carry-out C = C0 + s e t / V; days to the limit from the latter two",
    inputs: &[
        Input::number("v_l", SUMP, "what the sump holds"),
        EVAPORATION,
        CARRY_OUT,
        Input::number("c0_mg_l", Dissolved::BOUNDS, "what is dissolved in it at the start"),
        Input::number("makeup_mg_l", Dissolved::BOUNDS, "what is dissolved in the make-up water"),
        Input::whole("days", WHOLE_DAYS, "for how many days").default("30"),
        Input::number("limit_mg_l", Dissolved::BOUNDS, "from where on to act")
            .may_be_missing("no limit is told"),
    ],
    results: &[
        Column::new("c_discrete_mg_l", "mg/L", "after those days, topped up once a day"),
        Column::new("c_continuous_mg_l", "mg/L", "after those days, topped up all the time"),
        Column::new("cycles", "", "how often the water's salts gather up").or("without end"),
        Column::new("c_steady_mg_l", "mg/L", "where it ends").or("without end"),
        Column::new("days_to_limit", "days", "days until the limit; 0 where it is reached")
            .or("never, or no limit"),
    ],
    range: "a constant volume; the concentrate's own salts are left out. Make-up 80 to 125 mg/L CaCO3 is preferred \
            (from memory), above 200 risks soap and splitting; sources disagree",
    source: "mass balance",
    cautions: &[WASTE],
    compute: salt,
};

fn salt(given: &Given) -> Result<Found, Problem> {
    let losses = losses(given)?;
    let limit = given.maybe("limit_mg_l").map(Dissolved::mg_l).transpose();
    let limit = limit.map_err(|error| given.problem("limit_mg_l", error))?;
    let start = given.measure("c0_mg_l", Dissolved::mg_l)?;
    let sump = ToppedUp {
        volume: given.measure("v_l", Volume::litres)?,
        losses,
        start,
        water: given.measure("makeup_mg_l", Dissolved::mg_l)?,
        limit: limit.unwrap_or(start),
    };
    let days = given.whole("days");
    let found = sump.after(days).map_err(|error| given.problem("v_l", error))?;
    let limit_in = limit.and(found.limit_in);
    Ok(Found::new([
        found.daily.to_mg_l().into(),
        found.steady_flow.to_mg_l().into(),
        losses.cycles().into(),
        found.end.map(Dissolved::to_mg_l).into(),
        limit_in.map(Days::to_days).into(),
    ]))
}
