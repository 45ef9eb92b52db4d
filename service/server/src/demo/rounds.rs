//! Checks of the invented shop, and the round that the last shift walked: it found something, left something open, and handed over.

use anyhow::{Context as _, Result};
use fettler_domain::calendar::Calendar;
use fettler_domain::ids::SiteId;
use fettler_domain::round::answer::{AnswerSaid, ChecksSaid};
use fettler_domain::round::meant;
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::{MICROS_PER_HOUR, MICROS_PER_MINUTE, Ts};
use fettler_proto::v1;
use fettler_store::contract::{Caller, Store};

/// Where something was found.
const FOUND_ON: &str = "L-01";
/// Who walked.
const WALKER: &str = "Jo Lind";
/// How far back the last shift is looked for, in hours: over a long weekend.
const BACK_HOURS: i64 = 96;

fn check(key: &str, title: &str, good: &str) -> v1::CheckCard {
    v1::CheckCard { key: key.into(), title: title.into(), good: good.into(), ..Default::default() }
}

/// The checks of a sheet.
pub(super) fn checks(sheet: &str) -> Vec<v1::CheckCard> {
    let leaks = v1::CheckCard {
        hazard: true,
        cautions: vec!["oil and coolant make people fall: mark it and wipe it up at once".into()],
        ..check("leaks", "Leaks below and behind", "dry: no oil, coolant, water or hiss of air")
    };
    let air = v1::CheckCard {
        point: "line-air".into(),
        place: "panel meter of the service unit, outside".into(),
        ..check("air", "Air pressure at the panel meter", "6 bar; 5.5 to 7")
    };
    let bowls = v1::CheckCard {
        cautions: vec!["vent to 0 bar and look at the gauge before a bowl is unscrewed".into()],
        ..check("bowls", "Condensate bowls", "empty and clear")
    };
    let doors = v1::CheckCard {
        hazard: true,
        ..check("doors", "Doors, covers and vision panel", "closed, whole, no crack; else stop use")
    };
    let coolant = check("coolant", "Coolant level, look and smell", "at its mark, no smell, no oil film");
    let lube = check("lube", "Way oil level", "near its upper mark");
    let floor = check("floor", "Floor around it", "free of hoses, chips and oil");
    let alarms = check("alarms", "Alarm list of the control", "empty; note number and text");
    let week = v1::CheckCard {
        every: v1::Cadence::Week.into(),
        ..check("extinguisher", "Fire extinguisher", "in its place, sealed, pressure within its mark")
    };
    match sheet {
        "cutting" | "grinding" => vec![air, bowls, lube, coolant, leaks, doors, floor, alarms, week],
        "air" => vec![check("drains", "Condensate drains", "each opens and shuts"), leaks, alarms],
        "mist" => vec![check("runs", "Extractor", "runs and pulls; no rags or cardboard about")],
        "chiller" => vec![check("level", "Level of the fluid", "at its mark, clear"), leaks, alarms],
        _ => Vec::new(),
    }
}

fn caller(now: Ts) -> Caller {
    Caller { token: None, method: "Demo", request: None, now, person: None, as_manager: true }
}

/// The first instant of the last shift that has ended.
pub(super) fn last_shift(calendar: &Calendar, now: Ts) -> Option<Ts> {
    let ended = |back: i64| {
        let round = meant(calendar, now.plus_micros(-back * MICROS_PER_HOUR))?;
        (round.end < now).then_some(round.start)
    };
    (1..=BACK_HOURS).find_map(ended)
}

/// The round of the shift that starts at an instant, walked on two machines and handed over at `now`.
pub(super) async fn tell(store: &dyn Store, site: SiteId, shift: Ts, now: Ts) -> Result<()> {
    let seen = shift.plus_micros(12 * MICROS_PER_MINUTE);
    let good = |check: &str| -> Result<AnswerSaid> {
        let check = Key::new(check)?;
        Ok(AnswerSaid { check, at: seen, value: None, finding: None, confirmed: false })
    };
    let by = Name::new(WALKER)?;
    for machine in [FOUND_ON, "L-02"] {
        let mut answers =
            vec![good("bowls")?, good("lube")?, good("coolant")?, good("doors")?, good("floor")?];
        answers.push(AnswerSaid { value: Some(("6.1".into(), String::new())), ..good("air")? });
        let leaks = (machine == FOUND_ON).then(|| "coolant drips from the hose at the rear".to_owned());
        answers.push(AnswerSaid { finding: leaks, ..good("leaks")? });
        let said =
            ChecksSaid { machine: ForeignName::new(machine)?, shift: Some(shift), by: by.clone(), answers };
        store.record_checks(&caller(now), site, &said).await?;
    }
    let note = "hose of L-01 is taped, a new one is on order; grinding was not walked, the hall was full";
    store.end_round(&caller(now), site, Some(shift), &by, note).await.context("no handover")?;
    Ok(())
}
