//! Machines and people.

use super::{
    due::{Board, named},
    hours,
    table::Table,
    words,
    wrap::labelled,
};
use crate::times::rfc3339;
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// Machines as rows.
pub(crate) fn rows(machines: &[pb::Machine]) -> Table {
    let mut table =
        Table::new(["machine", "name", "family", "area", "state", "since", "by", "reason", "open_orders"]);
    for machine in machines {
        table.push([
            machine.tag.clone(),
            machine.name.clone(),
            machine.family.clone(),
            machine.area.clone(),
            words::machine_state(machine.state()).to_owned(),
            rfc3339(machine.since.as_ref()),
            machine.by.clone(),
            machine.reason.clone(),
            machine.open_orders.to_string(),
        ]);
    }
    table
}

/// Machines for people.
pub(crate) fn list(machines: &[pb::Machine], board: Board) -> String {
    let mut table = Table::new(["machine", "name", "area", "state", "open", "meters"]);
    for machine in machines {
        let meters: Vec<String> = machine.meters.iter().map(meter_words).collect();
        table.push([
            machine.tag.clone(),
            machine.name.clone(),
            machine.area.clone(),
            words::machine_state(machine.state()).to_owned(),
            machine.open_orders.to_string(),
            meters.join("; "),
        ]);
    }
    table.text(board.width, board.style)
}

fn meter_words(meter: &pb::Meter) -> String {
    format!("{} {} {}", meter.key, meter.counted, words::unit(meter.unit()))
}

/// How one machine stands.
pub(crate) fn standing(machine: &pb::Machine, board: Board) -> String {
    let mut out = board.style.heading(&named(&machine.tag, &machine.name));
    out.push('\n');
    let mut label = |name: &str, text: &str| out.push_str(&labelled(2, name, 14, text, board.width));
    label("family", &machine.family);
    label("area", &machine.area);
    let since = board.teller.instant(machine.since.as_ref());
    let state = words::machine_state(machine.state());
    let start = if machine.state() == pb::MachineState::Forbidden { "; must not start" } else { "" };
    match since {
        Some(since) => label("state", &format!("{state}{start}, since {since}")),
        None => label("state", &format!("{state}{start}")),
    }
    label("said by", &machine.by);
    label("because", &machine.reason);
    label("open orders", &machine.open_orders.to_string());
    out
}

/// One machine with its card.
pub(crate) fn card(answer: &pb::GetMachineResponse, board: Board) -> String {
    let Some(machine) = &answer.machine else { return "the service gave no machine\n".to_owned() };
    let mut out = standing(machine, board);
    let card = answer.card.clone().unwrap_or_default();
    out.push_str(&labelled(2, "also known as", 14, &card.also_known_as.join(", "), board.width));
    out.push_str(&labelled(2, "sheets", 14, &card.sheets.join(", "), board.width));
    if !machine.meters.is_empty() {
        let _ = write!(out, "\n{}\n", board.style.heading("METERS"));
        for meter in &machine.meters {
            out.push_str(&hours::meter(meter, board));
        }
    }
    if !card.points.is_empty() {
        let _ = write!(out, "\n{}\n", board.style.heading("TEST POINTS"));
        for point in &card.points {
            let sign = words::unit_sign(&point.unit);
            let unit = if sign.is_empty() { String::new() } else { format!(" [{sign}]") };
            let gap = (point.key.chars().count() + 2).max(14);
            out.push_str(&labelled(2, &point.key, gap, &format!("{}{unit}", point.title), board.width));
            out.push_str(&labelled(16, "where", 7, &point.place, board.width));
            out.push_str(&labelled(16, "good", 7, &point.good, board.width));
            out.push_str(&labelled(16, "fluid", 7, &point.fluid, board.width));
            out.push_str(&labelled(16, "limits", 7, &super::point::limits(point), board.width));
            if point.taken_by() == pb::PointTaker::LicensedElectrician {
                out.push_str(&labelled(16, "taker", 7, "a licensed electrician only", board.width));
            }
            for caution in &point.cautions {
                out.push_str(&labelled(16, "heed", 7, caution, board.width));
            }
        }
    }
    if !card.tasks.is_empty() {
        let _ = write!(out, "\n{}\n", board.style.heading("ITS OWN TASKS"));
        for task in &card.tasks {
            out.push_str(&labelled(2, &task.key, 14, &task.title, board.width));
        }
    }
    out
}

/// People as rows.
pub(crate) fn people(people: &[pb::Person]) -> Table {
    let mut table = Table::new(["number", "name", "added_at", "pin_set_at", "wrong_pins"]);
    for person in people {
        table.push([
            person.number.to_string(),
            person.name.clone(),
            rfc3339(person.added_at.as_ref()),
            rfc3339(person.pin_set_at.as_ref()),
            super::words::unless_zero(person.wrong_pins.into()),
        ]);
    }
    table
}
