//! The invented shop: two shifts, three people, eleven machines in four areas.

use super::care::{never_recorded, sheets};
use super::gauges::points;
use chrono::NaiveDate;
use fettler_proto::v1;

/// A machine of the invented shop.
pub(super) struct Machine {
    /// Its tag.
    pub(super) tag: &'static str,
    name: &'static str,
    family: &'static str,
    area: &'static str,
    sheet: &'static str,
    /// What it runs in a shift of eight hours, in hundredths of an hour; 0 for one with a counter only.
    pub(super) usual: i64,
}

/// The machines.
pub(super) const MACHINES: [Machine; 11] = [
    machine("MC-01", "Machining centre 1", "machining centre", "milling", "cutting", 610),
    machine("MC-02", "Machining centre 2", "machining centre", "milling", "cutting", 540),
    machine("MC-03", "Machining centre 3", "machining centre", "milling", "cutting", 480),
    machine("L-01", "Lathe 1", "lathe", "turning", "cutting", 520),
    machine("L-02", "Lathe 2", "lathe", "turning", "cutting", 430),
    machine("L-03", "Lathe 3", "lathe", "turning", "cutting", 350),
    machine("TG-01", "Tool grinder", "tool grinder", "grinding", "grinding", 560),
    machine("SG-01", "Surface grinder", "surface grinder", "grinding", "grinding", 300),
    machine("ME-01", "Mist extractor", "mist extractor", "grinding", "mist", 700),
    machine("CH-01", "Chiller", "chiller", "utilities", "chiller", 680),
    machine(COUNTER_ONLY, "Compressor with dryer", "compressor", "utilities", "air", 0),
];

/// The machine that has an hour counter and sends no shift reports.
pub(super) const COUNTER_ONLY: &str = "AC-01";

const fn machine(
    tag: &'static str,
    name: &'static str,
    family: &'static str,
    area: &'static str,
    sheet: &'static str,
    usual: i64,
) -> Machine {
    Machine { tag, name, family, area, sheet, usual }
}

/// The site's key.
pub(super) const SITE: &str = "demo";

fn site(saturdays: &[NaiveDate]) -> v1::Site {
    let days = ["mon", "tue", "wed", "thu", "fri"];
    let shift = |key: &str, starts: &str, ends: &str| v1::Shift {
        key: key.into(),
        days: days.map(str::to_owned).to_vec(),
        starts: starts.into(),
        ends: ends.into(),
    };
    v1::Site {
        asks_pin: None,
        key: SITE.into(),
        name: "An invented machine shop".into(),
        zone: "Europe/Berlin".into(),
        day_starts_at: "06:00".into(),
        shifts: vec![shift("early", "06:00", "14:00"), shift("late", "14:00", "22:00")],
        closures: Vec::new(),
        extra_shifts: saturdays
            .iter()
            .map(|date| v1::ExtraShift {
                date: date.to_string(),
                starts: "06:00".into(),
                ends: "12:00".into(),
            })
            .collect(),
    }
}

/// The shop as it is declared on the first day; everything counts from then.
pub(super) fn first(saturdays: &[NaiveDate]) -> v1::Shop {
    let source =
        |name: &str, rank, feeds: v1::MeterKind| v1::Source { name: name.into(), rank, feeds: feeds.into() };
    v1::Shop {
        site: Some(site(saturdays)),
        sources: vec![
            source("erp", 1, v1::MeterKind::Operating),
            source("walk-round", 2, v1::MeterKind::Loaded),
        ],
        people: ["Ada Kern", "Ben Holt", "Jo Lind"].map(str::to_owned).to_vec(),
        sheets: sheets(),
        machines: MACHINES.iter().map(card).collect(),
        ..Default::default()
    }
}

/// What was added later: a task on a machine, of which nobody knows when it was last done, and what is on the shelf.
pub(super) fn later() -> v1::Shop {
    let machine =
        v1::MachineCard { tag: "SG-01".into(), tasks: vec![never_recorded()], ..Default::default() };
    v1::Shop {
        site: Some(v1::Site { key: SITE.into(), ..Default::default() }),
        machines: vec![machine],
        items: super::shelf::items(),
        ..Default::default()
    }
}

fn card(machine: &Machine) -> v1::MachineCard {
    let (kind, feed) = if machine.tag == COUNTER_ONLY {
        (v1::MeterKind::Loaded, v1::MeterFeed::Readings)
    } else {
        (v1::MeterKind::Operating, v1::MeterFeed::Intervals)
    };
    v1::MachineCard {
        tag: machine.tag.into(),
        name: machine.name.into(),
        also_known_as: vec![format!("WC-{}", machine.tag.replace('-', ""))],
        family: machine.family.into(),
        area: machine.area.into(),
        meters: vec![v1::MeterCard { kind: kind.into(), feed: feed.into(), ..Default::default() }],
        points: points(machine.sheet),
        sheets: vec![machine.sheet.into()],
        last_done_now: true,
        ..Default::default()
    }
}
