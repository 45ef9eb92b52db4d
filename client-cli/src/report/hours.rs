//! What machines ran in the month.

use super::Section;
use super::facts::{Facts, Ran};
use super::legend::Marks;
use super::sheet::{Cell, Sheet};
use super::svg::{Axis, Bar, Fill, Said, bars};

/// How many machines a plot has at most, so that it fits a page of paper.
const MACHINES_MAX: usize = 40;

fn known(ran: &Ran) -> &'static str {
    match (ran.is_known, ran.hours > 0.0) {
        (true, _) => "all of the month",
        (false, true) => "to its last report",
        (false, false) => "nothing",
    }
}

fn bar(ran: &Ran) -> Bar {
    let text = match (ran.is_known, ran.hours > 0.0) {
        (true, _) => format!("{:.1} h", ran.hours),
        (false, true) => format!("{:.1} h so far", ran.hours),
        (false, false) => "not known".to_owned(),
    };
    let fill = if ran.is_known { Fill::Full } else { Fill::Hatched };
    Bar { label: ran.machine.tag.clone(), value: Some(ran.hours), text, fill }
}

/// Hours by machine.
pub(super) fn run(facts: &Facts) -> Section {
    let mut sheet = Sheet::new(
        "run_hours",
        "Run hours by machine",
        &[
            ("machine", "machine"),
            ("name", "name"),
            ("family", "family"),
            ("hours", "hours"),
            ("known", "known"),
        ],
    );
    for ran in &facts.machines {
        sheet.push([
            Cell::text(&ran.machine.tag),
            Cell::text(&ran.machine.name),
            Cell::text(&ran.machine.family),
            Cell::number_as(Some(ran.hours), format!("{:.1}", ran.hours)),
            Cell::text(known(ran)),
        ]);
    }
    let mut section = Section { title: "Run hours by machine", sheets: vec![sheet], ..Section::empty() };
    if facts.machines.is_empty() {
        section.rests.push("No machine is declared, so that there is nothing to draw.".to_owned());
        return section;
    }
    let sum: f64 = facts.machines.iter().map(|ran| ran.hours).sum();
    let whole = facts.machines.iter().filter(|ran| ran.is_known).count();
    section.says.push(format!(
        "{sum:.1} h on {} machines, from the reports that count: of each machine its hours in operation, or what it counts in their \
         place. Of {whole} the hours are known for all of the month{}.",
        facts.machines.len(),
        if facts.is_over() { "" } else { " so far" }
    ));
    if whole < facts.machines.len() {
        section.rests.push(
            "Hatched: the last report ended before the month did, as over a free weekend, or more is still to come, or the machine \
             counts no hours. What nobody has reported is not in it."
                .to_owned(),
        );
    }
    let most = facts.machines.iter().map(|ran| ran.hours).fold(0.0, f64::max);
    let axis = Axis { most, unit: "h", is_whole: false };
    for part in facts.machines.chunks(MACHINES_MAX) {
        let drawn: Vec<Bar> = part.iter().map(bar).collect();
        let desc =
            drawn.iter().map(|bar| format!("{} {}", bar.label, bar.text)).collect::<Vec<_>>().join(", ");
        let said = Said {
            title: "Run hours by machine",
            desc: &desc,
            marks: Marks {
                full: "run hours",
                hatched: "run hours, not known to the period's end",
                limits: "",
            },
        };
        section.plots.push((String::new(), bars(said, axis, None, &drawn)));
    }
    section
}
