//! The care of the invented machines. Intervals are starting values (common practice, no source); on a real
//! machine the builder's manual overrides them.

use fettler_proto::v1;

const BUILDER: &str = "the builder's manual, local codes and licensed practice come first";
const AIR: &str = "close and lock the supply valve, vent to 0 bar, look at the gauge, then unscrew the bowl";
const EYES: &str = "wear eye protection";
const LOCKOUT: &str =
    "switch off, lock out and tag: pressure, springs and raised axes must have no energy left";
const SKIN: &str = "keep coolant off the skin: gloves, but never near turning parts, and wash before eating";
const CABINET: &str = "the inside of the cabinet is for a licensed electrician only";

/// A task whose cautions end with who knows better.
struct Care {
    key: &'static str,
    title: &'static str,
    place: &'static str,
    hours: Option<&'static str>,
    calendar: Option<(i32, v1::CalendarUnit)>,
    /// Test points whose readings out of limits make it due.
    out_of_limits: &'static [&'static str],
    minutes: i32,
    hazard: bool,
    cautions: &'static [&'static str],
    kit: &'static [(&'static str, &'static str, &'static str)],
    readings: &'static [&'static str],
    covers: &'static [&'static str],
    certificate: bool,
}

const BARE: Care = Care {
    key: "",
    title: "",
    place: "",
    hours: None,
    calendar: None,
    out_of_limits: &[],
    minutes: 10,
    hazard: false,
    cautions: &[],
    kit: &[],
    readings: &[],
    covers: &[],
    certificate: false,
};

use v1::CalendarUnit::{Month, Week, Year};

const DRAIN_BOWL: Care = Care {
    key: "drain-bowl",
    title: "Empty the condensate bowl",
    place: "air inlet, below the regulator",
    hours: Some("80"),
    calendar: Some((2, Week)),
    cautions: &[AIR, EYES, "condensate holds oil: collect it, never into a drain"],
    kit: &[("condensate can", "1", "pcs")],
    readings: &["line-air"],
    ..BARE
};

const WAY_OIL: Care = Care {
    key: "way-oil",
    title: "Fill the way oil reservoir to its upper mark",
    place: "lubrication unit, rear",
    hours: Some("300"),
    minutes: 15,
    cautions: &["only oil of the grade on the reservoir's plate, and wipe up spills at once"],
    kit: &[("way oil VG 68", "2", "L"), ("lint-free cloth", "2", "pcs")],
    ..BARE
};

const CABINET_FILTER: Care = Care {
    key: "cabinet-filter",
    title: "Change the filter mat of the cabinet cooler",
    place: "cabinet door, outside",
    hours: Some("400"),
    calendar: Some((3, Month)),
    minutes: 15,
    cautions: &[CABINET],
    kit: &[("filter mat 250 x 250", "1", "pcs")],
    ..BARE
};

const COOLANT_CHECK: Care = Care {
    key: "coolant-check",
    title: "Check concentration and pH of the coolant, skim tramp oil",
    place: "clean tank",
    calendar: Some((1, Week)),
    minutes: 15,
    cautions: &[SKIN],
    kit: &[("pH strip", "1", "pcs")],
    readings: &["coolant-strength", "coolant-ph"],
    ..BARE
};

const COOLANT_CORRECT: Care = Care {
    key: "coolant-correct",
    title: "Correct the coolant, then read it again",
    place: "clean tank",
    out_of_limits: &["coolant-strength", "coolant-ph"],
    minutes: 30,
    cautions: &[
        SKIN,
        "mix oil into water, never water into oil, and pour no concentrate straight into the tank",
    ],
    kit: &[("coolant concentrate", "5", "L")],
    readings: &["coolant-strength"],
    ..BARE
};

const GUARD_TEST: Care = Care {
    key: "guard-test",
    title: "Test the stop button and the door interlock",
    place: "operator's side",
    calendar: Some((1, Month)),
    hazard: true,
    cautions: &[
        "a test that fails means the machine must not start: forbid it and call the licensed service",
    ],
    ..BARE
};

const WIPERS: Care = Care {
    key: "wipers",
    title: "Look at way wipers and covers; change torn ones",
    place: "both axes",
    calendar: Some((1, Month)),
    minutes: 20,
    cautions: &[LOCKOUT],
    kit: &[("way wiper set", "1", "pcs")],
    ..BARE
};

const SERVICE: Care = Care {
    key: "service",
    title: "Service at 800 hours: spindle, wipers, filters",
    place: "whole machine",
    hours: Some("800"),
    calendar: Some((1, Year)),
    minutes: 180,
    hazard: true,
    cautions: &[LOCKOUT, AIR, EYES],
    kit: &[("service kit", "1", "pcs")],
    readings: &["line-air"],
    covers: &["cabinet-filter", "wipers"],
    ..BARE
};

const PAPER: Care = Care {
    key: "filter-paper",
    title: "Set in a new roll of filter paper",
    place: "band filter",
    hours: Some("250"),
    minutes: 25,
    cautions: &[LOCKOUT, SKIN],
    kit: &[("filter paper roll", "1", "pcs")],
    ..BARE
};

const RECEIVER: Care = Care {
    key: "drain-receiver",
    title: "Drain the receiver and test the automatic drain",
    place: "receiver, lowest point",
    calendar: Some((1, Week)),
    cautions: &[EYES, "open slowly, the line is under pressure; condensate holds oil, collect it"],
    ..BARE
};

const ELEMENT: Care = Care {
    key: "fine-filter",
    title: "Change the coalescing filter element",
    place: "after the dryer",
    hours: Some("1000"),
    calendar: Some((1, Year)),
    minutes: 30,
    cautions: &[AIR, EYES],
    kit: &[("coalescing element", "1", "pcs"), ("O-ring set", "1", "pcs")],
    ..BARE
};

const DRYER: Care = Care {
    key: "dryer-dew-point",
    title: "Read the dryer's pressure dew point, blow its condenser clean",
    place: "refrigerant dryer, front panel",
    calendar: Some((1, Month)),
    cautions: &[EYES, "blow with less than 2 bar (30 psi), never towards people"],
    readings: &["dew-point"],
    ..BARE
};

const RELIEF: Care = Care {
    key: "relief-valve",
    title: "Have the relief valve examined",
    place: "receiver, top",
    calendar: Some((1, Year)),
    minutes: 60,
    hazard: true,
    cautions: &["pressure vessels and relief valves are for licensed practice: ask for the certificate"],
    certificate: true,
    ..BARE
};

const PRE_FILTER: Care = Care {
    key: "pre-filter",
    title: "Change the pre-filter of the mist extractor",
    place: "lower drawer",
    hours: Some("500"),
    calendar: Some((3, Month)),
    minutes: 20,
    cautions: &[LOCKOUT, EYES, SKIN],
    kit: &[("pre-filter cassette", "1", "pcs")],
    ..BARE
};

const SCREEN: Care = Care {
    key: "screen",
    title: "Clean the chiller's screen, look at level and temperature",
    place: "chiller, intake side",
    calendar: Some((1, Week)),
    cautions: &[EYES, "the fan guard stays on, and the refrigerant circuit is for licensed practice"],
    readings: &["chiller-temperature"],
    ..BARE
};

const CONDENSER: Care = Care {
    key: "condenser",
    title: "Brush the chiller's condenser clean",
    place: "chiller, rear",
    hours: Some("700"),
    calendar: Some((6, Month)),
    minutes: 40,
    cautions: &[LOCKOUT, EYES],
    ..BARE
};

/// A task that is declared late and of which nobody knows when it was last done.
const BALANCE: Care = Care {
    key: "wheel-flange",
    title: "Look over wheel flange and guard, ring-test the wheel",
    place: "wheel head",
    calendar: Some((6, Month)),
    minutes: 45,
    hazard: true,
    cautions: &[LOCKOUT, EYES, "a wheel that does not ring clear is not mounted"],
    ..BARE
};

/// The task sheets.
pub(super) fn sheets() -> Vec<v1::TaskSheet> {
    let cutting =
        [DRAIN_BOWL, WAY_OIL, CABINET_FILTER, COOLANT_CHECK, COOLANT_CORRECT, GUARD_TEST, WIPERS, SERVICE];
    let grinding = [DRAIN_BOWL, PAPER, CABINET_FILTER, COOLANT_CHECK, COOLANT_CORRECT, GUARD_TEST];
    [
        sheet("cutting", "Care of lathes and machining centres", &cutting),
        sheet("grinding", "Care of grinding machines", &grinding),
        sheet("air", "Care of compressor and dryer", &[RECEIVER, ELEMENT, DRYER, RELIEF]),
        sheet("mist", "Care of mist extractors", &[PRE_FILTER]),
        sheet("chiller", "Care of chillers", &[SCREEN, CONDENSER]),
    ]
    .into()
}

/// The task that nobody has recorded.
pub(super) fn never_recorded() -> v1::TaskCard {
    card(&BALANCE)
}

fn sheet(key: &str, title: &str, tasks: &[Care]) -> v1::TaskSheet {
    v1::TaskSheet {
        key: key.into(),
        title: title.into(),
        tasks: tasks.iter().map(card).collect(),
        checks: super::rounds::checks(key),
    }
}

fn card(care: &Care) -> v1::TaskCard {
    let texts = |texts: &[&str]| texts.iter().map(|text| (*text).to_owned()).collect::<Vec<_>>();
    let mut cautions = texts(care.cautions);
    cautions.push(BUILDER.to_owned());
    let kit = care.kit.iter().map(|(item, quantity, unit)| v1::KitItem {
        item: (*item).into(),
        quantity: (*quantity).into(),
        unit: (*unit).into(),
        ..Default::default()
    });
    v1::TaskCard {
        key: care.key.into(),
        title: care.title.into(),
        place: care.place.into(),
        rule: Some(rule(care)),
        kit: kit.collect(),
        cautions,
        readings: texts(care.readings),
        minutes: care.minutes,
        hazard: care.hazard,
        covers: texts(care.covers),
        second_person: false,
        certificate: care.certificate,
        retire: false,
        rule_from_day: String::new(),
        basis: String::new(),
        review: None,
    }
}

fn rule(care: &Care) -> v1::IntervalRule {
    let hours = care.hours.map(|every| {
        v1::clause::Counts::Meter(v1::MeterClause { every: every.into(), ..Default::default() })
    });
    let calendar = care.calendar.map(|(every, unit)| {
        let unit = unit.into();
        v1::clause::Counts::Calendar(v1::CalendarClause { every, unit, ..Default::default() })
    });
    let readings = care.out_of_limits.iter().map(|point| {
        v1::clause::Counts::Reading(v1::ReadingClause { point: (*point).into(), expects: true })
    });
    let clauses =
        hours.into_iter().chain(calendar).chain(readings).map(|counts| v1::Clause { counts: Some(counts) });
    v1::IntervalRule { clauses: clauses.collect(), ..Default::default() }
}
