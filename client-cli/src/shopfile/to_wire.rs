//! The file's tables as the contract's messages, with the checks that need more than one key.

use super::{
    checks, items,
    model::{Combine, CountsFrom, Feed, Kind, Machine, Meter, Point, Sheet, ShopFile, TakenBy, Task},
    rule::{Clause, Counts},
    text::{LastDone, MachineLastDone, Plain, Window},
};
use crate::render::words;
use fettler_proto::v1 as pb;

/// The whole shop. An error names the table and the remedy.
pub(super) fn shop(file: &ShopFile) -> Result<pb::Shop, String> {
    let sheets = file.sheet.iter().map(sheet).collect::<Result<_, _>>()?;
    let machines = file.machine.iter().map(|table| machine(table, &file.sheet)).collect::<Result<_, _>>()?;
    Ok(pb::Shop {
        site: Some(site(file)),
        sources: file
            .source
            .iter()
            .map(|source| pb::Source {
                name: source.name.clone(),
                rank: source.rank,
                feeds: source.feeds.map_or(pb::MeterKind::Unspecified, kind).into(),
            })
            .collect(),
        people: file.people.clone(),
        sheets,
        machines,
        items: file.item.iter().map(items::to_wire).collect(),
    })
}

fn site(file: &ShopFile) -> pb::Site {
    pb::Site {
        key: file.site.key.clone(),
        name: file.site.name.clone(),
        zone: file.site.zone.clone(),
        asks_pin: file.site.asks_pin,
        day_starts_at: file.site.day_starts_at.clone(),
        shifts: file
            .shift
            .iter()
            .map(|shift| pb::Shift {
                key: shift.key.clone(),
                days: shift.days.clone(),
                starts: shift.starts.clone(),
                ends: shift.ends.clone(),
            })
            .collect(),
        closures: file
            .closure
            .iter()
            .map(|closure| pb::Closure {
                name: closure.name.clone(),
                from: closure.from.clone(),
                to: closure.to.clone(),
            })
            .collect(),
        extra_shifts: file
            .extra_shift
            .iter()
            .map(|extra| pb::ExtraShift {
                date: extra.date.clone(),
                starts: extra.starts.clone(),
                ends: extra.ends.clone(),
            })
            .collect(),
    }
}

/// A test point. Its scale is written as one text, such as "0 to 16".
fn point_wire(place: &str, point: &Point) -> Result<pb::TestPoint, String> {
    let (possible_from, possible_to) = match point.possible.as_str() {
        "" => (String::new(), String::new()),
        text => {
            let ends = text.split_once(" to ").map(|(from, to)| (from.trim(), to.trim()));
            let ends = ends.filter(|(from, to)| !from.is_empty() && !to.is_empty());
            let (from, to) = ends.ok_or_else(|| {
                format!(
                    "{place}, point `{}`: possible `{text}` has no two ends; write it like \"0 to 16\"",
                    point.key
                )
            })?;
            (from.to_owned(), to.to_owned())
        }
    };
    let limit = |limit: &Option<Plain>| limit.as_ref().map(|Plain(text)| text.clone()).unwrap_or_default();
    Ok(pb::TestPoint {
        key: point.key.clone(),
        title: point.title.clone(),
        place: point.place.clone(),
        good: point.good.clone(),
        fluid: point.fluid.clone(),
        unit: point.unit.clone(),
        act_below: limit(&point.act_below),
        stop_below: limit(&point.stop_below),
        act_above: limit(&point.act_above),
        stop_above: limit(&point.stop_above),
        possible_from,
        possible_to,
        taken_by: match point.taken_by {
            None => pb::PointTaker::Unspecified,
            Some(TakenBy::Anyone) => pb::PointTaker::Anyone,
            Some(TakenBy::LicensedElectrician) => pb::PointTaker::LicensedElectrician,
        }
        .into(),
        cautions: point.cautions.clone(),
        reservoir: point.reservoir.clone(),
    })
}

fn sheet(table: &Sheet) -> Result<pb::TaskSheet, String> {
    let place = format!("sheet `{}`", table.key);
    if let Some(task) = table.task.iter().find(|task| task.last_done.is_some()) {
        return Err(format!(
            "{place}, task `{}`: a sheet belongs to no machine, so last_done means nothing; put it into the machine",
            task.key
        ));
    }
    Ok(pb::TaskSheet {
        key: table.key.clone(),
        title: table.title.clone(),
        tasks: table.task.iter().map(|t| task(&place, t)).collect::<Result<_, _>>()?,
        checks: table.check.iter().map(checks::to_wire).collect(),
    })
}

fn machine(table: &Machine, sheets: &[Sheet]) -> Result<pb::MachineCard, String> {
    let place = format!("machine `{}`", table.tag);
    let of_sheets =
        sheets.iter().filter(|sheet| table.sheets.contains(&sheet.key)).flat_map(|sheet| &sheet.task);
    for task in table.task.iter().chain(of_sheets) {
        units_agree(&place, task, &table.meter)?;
    }
    let mut last_done = Vec::new();
    if let Some(MachineLastDone::Tasks(tasks)) = &table.last_done {
        last_done.extend(tasks.iter().map(|(task, done)| done_wire(task, done)));
    }
    for task in &table.task {
        last_done.extend(task.last_done.iter().map(|done| done_wire(&task.key, done)));
    }
    Ok(pb::MachineCard {
        tag: table.tag.clone(),
        name: table.name.clone(),
        also_known_as: table.also_known_as.clone(),
        family: table.family.clone(),
        area: table.area.clone(),
        meters: table.meter.iter().map(meter).collect(),
        points: table.point.iter().map(|point| point_wire(&place, point)).collect::<Result<_, _>>()?,
        sheets: table.sheets.clone(),
        tasks: table.task.iter().map(|t| task(&place, t)).collect::<Result<_, _>>()?,
        last_done_now: table.last_done == Some(MachineLastDone::Now),
        last_done,
        checks: table.check.iter().map(checks::to_wire).collect(),
    })
}

/// Refuses an interval in a unit that the meter it means does not count. Only meters of the same file can be looked
/// at; the contract itself carries no unit with an interval.
fn units_agree(place: &str, task: &Task, meters: &[Meter]) -> Result<(), String> {
    for clause in task.every.iter().flat_map(|every| &every.0) {
        let Counts::Meter { unit, meter, .. } = &clause.counts else { continue };
        let meant = match meters {
            [only] if meter.is_empty() => Some(only),
            _ => meters.iter().find(|table| key_of(table) == meter.as_str()),
        };
        let counted = meant.map(|table| unit_of(table.kind));
        if let Some(counted) = counted.filter(|counted| counted != unit) {
            let (key, counted) = (meant.map(key_of).unwrap_or_default(), words::unit(counted));
            return Err(format!(
                "{place}, task `{}`: `{clause}` counts {}, but the meter `{key}` counts {counted}; name another meter",
                task.key,
                words::unit(*unit)
            ));
        }
    }
    Ok(())
}

fn key_of(meter: &Meter) -> &str {
    if meter.key.is_empty() { words::meter_kind(kind(meter.kind)) } else { &meter.key }
}

fn meter(table: &Meter) -> pb::MeterCard {
    let feed = match table.feed {
        None => pb::MeterFeed::Unspecified,
        Some(Feed::Intervals) => pb::MeterFeed::Intervals,
        Some(Feed::Readings) => pb::MeterFeed::Readings,
    };
    pb::MeterCard {
        key: table.key.clone(),
        kind: kind(table.kind).into(),
        feed: feed.into(),
        max_per_hour: table.max_per_hour.as_ref().map(|max| max.0.clone()).unwrap_or_default(),
    }
}

fn kind(kind: Kind) -> pb::MeterKind {
    match kind {
        Kind::Powered => pb::MeterKind::Powered,
        Kind::Operating => pb::MeterKind::Operating,
        Kind::Working => pb::MeterKind::Working,
        Kind::Loaded => pb::MeterKind::Loaded,
        Kind::CoolantPump => pb::MeterKind::CoolantPump,
        Kind::Cycles => pb::MeterKind::Cycles,
        Kind::Litres => pb::MeterKind::Litres,
    }
}

fn unit_of(kind: Kind) -> pb::Unit {
    match kind {
        Kind::Powered | Kind::Operating | Kind::Working | Kind::Loaded | Kind::CoolantPump => pb::Unit::Hours,
        Kind::Cycles => pb::Unit::Cycles,
        Kind::Litres => pb::Unit::Litres,
    }
}

fn done_wire(task: &str, done: &LastDone) -> pb::LastDone {
    pb::LastDone {
        machine: String::new(),
        task: task.to_owned(),
        day: done.day.clone(),
        counts: done
            .counts
            .iter()
            .map(|(meter, count)| pb::MeterCount { meter: meter.clone(), count: count.clone() })
            .collect(),
    }
}

fn task(place: &str, table: &Task) -> Result<pb::TaskCard, String> {
    let rule = rule(table).map_err(|error| format!("{place}, task `{}`: {error}", table.key))?;
    Ok(pb::TaskCard {
        key: table.key.clone(),
        title: table.title.clone(),
        place: table.place.clone(),
        rule,
        kit: table.kit.iter().map(|kit| kit.0.clone()).collect(),
        cautions: table.cautions.clone(),
        readings: table.readings.clone(),
        minutes: table.minutes,
        hazard: table.hazard,
        covers: table.covers.clone(),
        second_person: table.second_person,
        certificate: table.certificate,
        retire: table.retire,
        rule_from_day: table.rule_from.clone(),
        basis: table.basis.clone(),
        review: table.review.as_ref().map(super::review::to_wire),
    })
}

fn rule(table: &Task) -> Result<Option<pb::IntervalRule>, String> {
    let clauses = match &table.every {
        Some(every) if every.0.is_empty() => {
            return Err("`every` is an empty list; name at least one interval".to_owned());
        }
        Some(every) => &every.0,
        None => {
            let lonely = [
                ("counts_from", table.counts_from.is_some()),
                ("base", table.base.is_some()),
                ("combine", table.combine.is_some()),
                ("window", table.window.is_some()),
                ("keep_closed_days", table.keep_closed_days),
                ("rule_from", !table.rule_from.is_empty()),
            ];
            return match lonely.iter().find(|(_, there)| *there) {
                Some((key, _)) => Err(format!("`{key}` shapes an interval, but there is none; add `every`")),
                None => Ok(None),
            };
        }
    };
    let on_grid = table.counts_from == Some(CountsFrom::Grid);
    if table.base.is_some() && !on_grid {
        return Err(
            "`base` is where a grid starts, but nothing counts on one; add counts_from = \"grid\"".to_owned()
        );
    }
    let window = table.window.as_ref().map(|window| window_wire(&window.0, clauses)).transpose()?;
    let clauses =
        clauses.iter().map(|clause| clause_wire(clause, on_grid, table)).collect::<Result<_, _>>()?;
    let combine = match table.combine {
        None => pb::Combine::Unspecified,
        Some(Combine::Earliest) => pb::Combine::Earliest,
        Some(Combine::Latest) => pb::Combine::Latest,
    };
    Ok(Some(pb::IntervalRule {
        clauses,
        combine: combine.into(),
        window,
        keep_closed_days: table.keep_closed_days,
    }))
}

/// The parts of a window: one percentage, or days and a count, each at most once.
fn window_wire(parts: &[Window], clauses: &[Clause]) -> Result<pb::Window, String> {
    let twice = || {
        "`window` says one thing twice, or a percentage beside a width; give \"10 %\", or days and a count"
            .to_owned()
    };
    if let [Window::Percent(percent)] = parts {
        return Ok(pb::Window { width: Some(pb::window::Width::Percent(*percent)) });
    }
    let mut widths = pb::WindowWidths::default();
    for part in parts {
        match part {
            Window::Days(days) if widths.days.is_none() => widths.days = Some(*days),
            Window::Count(count, unit) if widths.count.is_empty() => {
                window_unit(*unit, clauses)?;
                widths.count.clone_from(count);
            }
            Window::Percent(_) | Window::Days(_) | Window::Count(..) => return Err(twice()),
        }
    }
    if parts.is_empty() {
        return Err(
            "`window` is an empty list; give \"10 %\", \"3 days\" or \"20 h\", or leave it out".to_owned()
        );
    }
    Ok(pb::Window { width: Some(pb::window::Width::Widths(widths)) })
}

/// Refuses a window in another unit than an interval's: the contract itself carries no unit with either.
fn window_unit(stated: pb::Unit, clauses: &[Clause]) -> Result<(), String> {
    let other = clauses.iter().find(|clause| match &clause.counts {
        Counts::Meter { unit, .. } => *unit != stated,
        Counts::Calendar { .. } | Counts::Recurrence(_) | Counts::Reading { .. } | Counts::Model(_) => false,
    });
    match other {
        None => Ok(()),
        Some(clause) => Err(format!(
            "`window` is stated in {}, but `{clause}` counts something else; give percent instead",
            words::unit(stated)
        )),
    }
}

/// A task's one `base` is a day for its calendar clauses or a count for its meter clauses, never both.
fn clause_wire(clause: &Clause, on_grid: bool, table: &Task) -> Result<pb::Clause, String> {
    let base = table.base.as_ref().map_or("", |base| base.0.as_str());
    if on_grid && clause.grid.is_none() && !base.is_empty() {
        let is_day = crate::times::day(base).is_ok();
        match &clause.counts {
            Counts::Recurrence(_) if !is_day => {
                return Err(format!(
                    "base `{base}` is no day for `{clause}`; write \"{clause} from 2026-01-01\""
                ));
            }
            Counts::Calendar { .. } if !is_day => {
                return Err(format!(
                    "base `{base}` is no day for `{clause}`; write \"{clause} on the grid from 2026-01-01\""
                ));
            }
            Counts::Meter { .. } if is_day => {
                return Err(format!(
                    "base `{base}` is no count for `{clause}`; write \"{clause} on the grid from 100\""
                ));
            }
            Counts::Calendar { .. }
            | Counts::Meter { .. }
            | Counts::Recurrence(_)
            | Counts::Reading { .. }
            | Counts::Model(_) => {}
        }
    }
    if matches!(clause.counts, Counts::Recurrence(_)) && clause.grid.is_none() && base.is_empty() {
        return Err(format!(
            "`{clause}` does not say at which day it starts; write \"{clause} from 2026-01-01\""
        ));
    }
    Ok(clause.to_wire(on_grid.then_some(base)))
}
