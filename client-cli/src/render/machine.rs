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
pub(crate) fn people_rows(people: &[pb::Person]) -> Table {
    let mut table =
        Table::new(["number", "name", "added_at", "pin_set_at", "wrong_pins", "pin_paused_until"]);
    for person in people {
        table.push([
            person.number.to_string(),
            person.name.clone(),
            rfc3339(person.added_at.as_ref()),
            rfc3339(person.pin_set_at.as_ref()),
            super::words::unless_zero(person.wrong_pins.into()),
            rfc3339(person.pin_paused_until.as_ref()),
        ]);
    }
    table
}

/// After so many wrong PINs none is heard until a new one is set.
const WRONG_MAX: i32 = 100;

/// People for people.
pub(crate) fn people(people: &[pb::Person], board: Board) -> String {
    let told = |at: Option<&prost_types::Timestamp>| board.teller.instant(at).unwrap_or_default();
    let mut table = Table::new(["name", "added", "PIN", "number"]);
    for person in people {
        let wrong = match person.wrong_pins {
            0 => String::new(),
            1 => ", 1 wrong since".to_owned(),
            wrong => format!(", {wrong} wrong since"),
        };
        let pin = match (&person.pin_set_at, &person.pin_paused_until) {
            (None, _) => "none".to_owned(),
            (Some(_), Some(until)) => format!("paused until {}{wrong}", told(Some(until))),
            (Some(_), None) if person.wrong_pins >= WRONG_MAX => {
                "not heard until a new one is set".to_owned()
            }
            (Some(at), None) => format!("set {}{wrong}", told(Some(at))),
        };
        table.push([person.name.clone(), told(person.added_at.as_ref()), pin, person.number.to_string()]);
    }
    table.text(board.width, board.style)
}

#[cfg(test)]
mod people_tests {
    use super::*;
    use crate::{out::Style, times::Teller};

    #[test]
    fn people_are_told_with_how_their_pins_stand() {
        let at = |seconds| Some(prost_types::Timestamp { seconds, nanos: 0 });
        let now = chrono::DateTime::from_timestamp(1_764_060_000, 0).expect("an instant");
        let board =
            Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 100, style: Style::PLAIN };
        let person = |name: &str, pin_set_at, wrong_pins, pin_paused_until| pb::Person {
            name: name.into(),
            added_at: at(1_764_000_000),
            pin_set_at,
            wrong_pins,
            pin_paused_until,
            ..Default::default()
        };
        let set = at(1_764_050_000);
        let shown = people(
            &[
                person("Ada", None, 0, None),
                person("Ben", set, 0, None),
                person("Cem", set, 5, at(1_764_060_600)),
                person("Dan", set, 100, None),
                person("Eve", set, 1, None),
            ],
            board,
        );
        for expect in [
            "name",
            "PIN",
            "none",
            "paused until",
            "5 wrong since",
            "not heard until a new one is set",
            "1 wrong since",
        ] {
            assert!(shown.contains(expect), "{expect} in:\n{shown}");
        }
        assert!(!shown.contains("added_at") && !shown.contains('Z'), "{shown}");
    }
}
