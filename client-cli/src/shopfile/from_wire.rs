//! The contract's messages as the file's tables.

use super::{
    checks, items,
    model::{
        Closure, Combine, ExtraShift, Feed, Kind, Machine, Meter, Point, Sheet, Shift, ShopFile, Site,
        Source, TakenBy, Task,
    },
    rule::{Clause, Counts},
    text::{Kit, LastDone, MachineLastDone, OneOrMany, Plain, Window},
};
use fettler_proto::v1 as pb;
use std::collections::BTreeMap;

/// The whole file.
pub(super) fn shop(shop: &pb::Shop) -> ShopFile {
    let units = units(shop);
    let site = shop.site.clone().unwrap_or_default();
    ShopFile {
        people: shop.people.clone(),
        site: Site {
            key: site.key,
            name: site.name,
            zone: site.zone,
            day_starts_at: site.day_starts_at,
            asks_pin: site.asks_pin,
        },
        shift: site
            .shifts
            .into_iter()
            .map(|shift| Shift { key: shift.key, days: shift.days, starts: shift.starts, ends: shift.ends })
            .collect(),
        closure: site
            .closures
            .into_iter()
            .map(|closure| Closure { name: closure.name, from: closure.from, to: closure.to })
            .collect(),
        extra_shift: site
            .extra_shifts
            .into_iter()
            .map(|extra| ExtraShift { date: extra.date, starts: extra.starts, ends: extra.ends })
            .collect(),
        source: shop
            .sources
            .iter()
            .map(|source| Source {
                name: source.name.clone(),
                rank: source.rank,
                feeds: kind(source.feeds()),
            })
            .collect(),
        sheet: shop
            .sheets
            .iter()
            .map(|sheet| Sheet {
                key: sheet.key.clone(),
                title: sheet.title.clone(),
                task: sheet.tasks.iter().map(|card| task(card, &units)).collect(),
                check: sheet.checks.iter().map(checks::from_wire).collect(),
            })
            .collect(),
        machine: shop.machines.iter().map(|card| machine(card, &units)).collect(),
        item: shop.items.iter().map(items::from_wire).collect(),
    }
}

/// What each meter of a shop counts, by key; under the empty key what the only meters of its machines count, where
/// they agree.
pub(super) fn units(shop: &pb::Shop) -> BTreeMap<String, pb::Unit> {
    let mut units = BTreeMap::new();
    let mut only = Vec::new();
    for machine in &shop.machines {
        for meter in &machine.meters {
            units.insert(meter.key.clone(), unit_of(meter.kind()));
        }
        if let [meter] = machine.meters.as_slice() {
            only.push(unit_of(meter.kind()));
        }
    }
    if let Some(unit) = only.first().filter(|unit| only.iter().all(|other| other == *unit)) {
        units.insert(String::new(), *unit);
    }
    units
}

fn unit_of(kind: pb::MeterKind) -> pb::Unit {
    match kind {
        pb::MeterKind::Cycles => pb::Unit::Cycles,
        pb::MeterKind::Litres => pb::Unit::Litres,
        pb::MeterKind::Unspecified
        | pb::MeterKind::Powered
        | pb::MeterKind::Operating
        | pb::MeterKind::Working
        | pb::MeterKind::Loaded
        | pb::MeterKind::CoolantPump => pb::Unit::Hours,
    }
}

fn kind(kind: pb::MeterKind) -> Option<Kind> {
    Some(match kind {
        pb::MeterKind::Unspecified => return None,
        pb::MeterKind::Powered => Kind::Powered,
        pb::MeterKind::Operating => Kind::Operating,
        pb::MeterKind::Working => Kind::Working,
        pb::MeterKind::Loaded => Kind::Loaded,
        pb::MeterKind::CoolantPump => Kind::CoolantPump,
        pb::MeterKind::Cycles => Kind::Cycles,
        pb::MeterKind::Litres => Kind::Litres,
    })
}

fn machine(card: &pb::MachineCard, units: &BTreeMap<String, pb::Unit>) -> Machine {
    let stated: BTreeMap<String, LastDone> =
        card.last_done.iter().map(|done| (done.task.clone(), last_done(done))).collect();
    Machine {
        tag: card.tag.clone(),
        name: card.name.clone(),
        also_known_as: card.also_known_as.clone(),
        family: card.family.clone(),
        area: card.area.clone(),
        sheets: card.sheets.clone(),
        last_done: match (card.last_done_now, stated.is_empty()) {
            (true, _) => Some(MachineLastDone::Now),
            (false, false) => Some(MachineLastDone::Tasks(stated)),
            (false, true) => None,
        },
        // A meter without a kind is none: the service always states it.
        meter: card.meters.iter().filter_map(meter).collect(),
        point: card.points.iter().map(point).collect(),
        task: card.tasks.iter().map(|card| task(card, units)).collect(),
        check: card.checks.iter().map(checks::from_wire).collect(),
    }
}

fn point(card: &pb::TestPoint) -> Point {
    let limit = |text: &str| (!text.is_empty()).then(|| Plain(text.to_owned()));
    let possible = match (card.possible_from.as_str(), card.possible_to.as_str()) {
        ("", "") => String::new(),
        (from, to) => format!("{from} to {to}"),
    };
    Point {
        key: card.key.clone(),
        title: card.title.clone(),
        place: card.place.clone(),
        good: card.good.clone(),
        fluid: card.fluid.clone(),
        reservoir: card.reservoir.clone(),
        unit: card.unit.clone(),
        act_below: limit(&card.act_below),
        stop_below: limit(&card.stop_below),
        act_above: limit(&card.act_above),
        stop_above: limit(&card.stop_above),
        possible,
        taken_by: match card.taken_by() {
            pb::PointTaker::Unspecified | pb::PointTaker::Anyone => None,
            pb::PointTaker::LicensedElectrician => Some(TakenBy::LicensedElectrician),
        },
        cautions: card.cautions.clone(),
    }
}

fn last_done(done: &pb::LastDone) -> LastDone {
    LastDone {
        day: done.day.clone(),
        counts: done.counts.iter().map(|count| (count.meter.clone(), count.count.clone())).collect(),
    }
}

fn meter(card: &pb::MeterCard) -> Option<Meter> {
    Some(Meter {
        key: card.key.clone(),
        kind: kind(card.kind())?,
        feed: match card.feed() {
            pb::MeterFeed::Unspecified => None,
            pb::MeterFeed::Intervals => Some(Feed::Intervals),
            pb::MeterFeed::Readings => Some(Feed::Readings),
        },
        max_per_hour: Some(card.max_per_hour.clone()).filter(|max| !max.is_empty()).map(Plain),
    })
}

/// A window's parts; a count stands in the unit of the meter clauses, which is one.
fn window_parts(window: &pb::Window, clauses: &[Clause]) -> Vec<Window> {
    match &window.width {
        None => Vec::new(),
        Some(pb::window::Width::Percent(percent)) => vec![Window::Percent(*percent)],
        Some(pb::window::Width::Widths(widths)) => {
            let unit = clauses.iter().find_map(|clause| match &clause.counts {
                Counts::Meter { unit, .. } => Some(*unit),
                Counts::Calendar { .. }
                | Counts::Recurrence(_)
                | Counts::Reading { .. }
                | Counts::Model(_) => None,
            });
            let count = Some(widths.count.clone()).filter(|count| !count.is_empty());
            let count = count.map(|count| Window::Count(count, unit.unwrap_or(pb::Unit::Hours)));
            widths.days.map(Window::Days).into_iter().chain(count).collect()
        }
    }
}

fn task(card: &pb::TaskCard, units: &BTreeMap<String, pb::Unit>) -> Task {
    let rule = card.rule.clone().unwrap_or_default();
    let clauses: Vec<Clause> =
        rule.clauses.iter().filter_map(|clause| Clause::from_wire(clause, units)).collect();
    let window = rule.window.as_ref().map(|window| window_parts(window, &clauses)).unwrap_or_default();
    Task {
        key: card.key.clone(),
        title: card.title.clone(),
        place: card.place.clone(),
        every: Some(OneOrMany(clauses)).filter(|every| !every.0.is_empty()),
        // Each clause says itself where it counts from, so that clauses that differ come out right.
        counts_from: None,
        base: None,
        combine: match rule.combine() {
            pb::Combine::Unspecified => None,
            pb::Combine::Earliest => Some(Combine::Earliest),
            pb::Combine::Latest => Some(Combine::Latest),
        },
        window: Some(OneOrMany(window)).filter(|window| !window.0.is_empty()),
        rule_from: card.rule_from_day.clone(),
        basis: card.basis.clone(),
        keep_closed_days: rule.keep_closed_days,
        kit: card.kit.iter().cloned().map(Kit).collect(),
        cautions: card.cautions.clone(),
        readings: card.readings.clone(),
        minutes: card.minutes,
        hazard: card.hazard,
        covers: card.covers.clone(),
        second_person: card.second_person,
        certificate: card.certificate,
        retire: card.retire,
        review: card.review.as_ref().map(super::review::from_wire),
        last_done: None,
    }
}
