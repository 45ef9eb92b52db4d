//! What the walker sees and types. Lines fit a small screen; every prompt names its keys.

use crate::render::{words, wrap};
use fettler_proto::v1 as pb;
use std::{
    fmt::Write as _,
    io::{self, BufRead as _},
    thread,
};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

/// Where texts under a check stand.
const INDENT: &str = "  ";

/// What was typed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Typed {
    /// The Enter key alone.
    Enter,
    /// It is as it should be, in so many letters.
    Good,
    /// A value and its unit.
    Value(String, String),
    /// Something is wrong; what, where it was said at once.
    Finding(String),
    /// Later.
    Later,
    /// Back to the check before.
    Back,
    /// End the round.
    End,
    /// Leave.
    Leave,
    /// Which keys there are.
    Help,
    /// None of these.
    Unknown,
}

/// Reads what was typed. A comma is a decimal point, as keypads have it.
pub(crate) fn typed(line: &str) -> Typed {
    let line = line.trim();
    match line.to_lowercase().as_str() {
        "" => return Typed::Enter,
        "y" | "ok" | "yes" => return Typed::Good,
        "f" => return Typed::Finding(String::new()),
        "s" => return Typed::Later,
        "b" => return Typed::Back,
        "e" => return Typed::End,
        "q" => return Typed::Leave,
        "?" | "h" => return Typed::Help,
        _ => {}
    }
    if let Some(what) = line.strip_prefix("f ").or_else(|| line.strip_prefix("F ")) {
        return Typed::Finding(what.trim().to_owned());
    }
    let digits = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '-' | '+');
    let end = line.find(|c: char| !digits(c)).unwrap_or(line.len());
    let (number, unit) = line.split_at(end);
    // A digit that was missed leaves its point at the end.
    if !number.bytes().any(|b| b.is_ascii_digit()) || number.ends_with(['.', ',']) {
        return Typed::Unknown;
    }
    Typed::Value(number.trim_start_matches('+').replace(',', "."), unit.trim().to_owned())
}

/// The keys, once.
pub(super) const KEYS: &str = "Enter or y  as it should be\n6.1         a value, where one is asked\n\
    f           something is wrong: raises a work order\ns           later, at the end of the walk\nb           back to the one before\n\
    e           end the round with a handover\nq           leave; the next walk goes on here\n";

/// How far the walk is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Progress {
    /// Answered.
    pub(super) done: usize,
    /// In all.
    pub(super) due: usize,
}

/// Lines as they are typed, read beside everything else.
pub(crate) fn lines() -> UnboundedReceiver<String> {
    let (typed, lines) = unbounded_channel();
    thread::spawn(move || {
        for line in io::stdin().lock().lines() {
            let Ok(line) = line else { return };
            if typed.send(line).is_err() {
                return;
            }
        }
    });
    lines
}

/// A machine's heading: shown when the walk comes to it.
pub(super) fn heading(machine: &pb::RoundMachine, progress: Progress, width: usize) -> String {
    let area = if machine.area.is_empty() { "no area" } else { &machine.area };
    let mut text = format!("\n== {area}: {} {}\n", machine.machine, machine.name);
    if machine.state() == pb::MachineState::Forbidden {
        push(&mut text, &format!("MUST NOT START: {}", machine.reason), "", width);
    }
    let _ = writeln!(text, "{} of {} done", progress.done, progress.due);
    text
}

/// A check, its number of how many there are, and what may be typed.
pub(super) fn question(check: &pb::RoundCheck, (number, of): (usize, usize), width: usize) -> String {
    let card = check.check.clone().unwrap_or_default();
    let mut text = format!("\n[{number} of {of}] ");
    text.push_str(&wrap::lines(&card.title, width.saturating_sub(14)).join("\n"));
    text.push('\n');
    for (label, said) in [("where  ", &card.place), ("good   ", &card.good)] {
        if !said.is_empty() {
            push(&mut text, said, label, width);
        }
    }
    if let Some(point) = &check.point
        && let Some(limits) = limits(point)
    {
        push(&mut text, &limits, "limits ", width);
    }
    for caution in &card.cautions {
        push(&mut text, caution, "!      ", width);
    }
    text.push_str(&prompt(check));
    text
}

/// What may be typed.
pub(super) fn prompt(check: &pb::RoundCheck) -> String {
    match &check.point {
        Some(point) if point.unit.is_empty() => "value, f finding, s later, q leave > ".to_owned(),
        Some(point) => format!("{}, f finding, s later, q leave > ", words::unit_sign(&point.unit)),
        None => "Enter good, f finding, s later, q leave > ".to_owned(),
    }
}

/// The first limits of a point.
fn limits(point: &pb::TestPoint) -> Option<String> {
    let unit = words::unit_sign(&point.unit);
    match (point.act_below.as_str(), point.act_above.as_str()) {
        ("", "") => None,
        (low, "") => Some(format!("{low} {unit} or more")),
        ("", high) => Some(format!("{high} {unit} or less")),
        (low, high) => Some(format!("{low} to {high} {unit}")),
    }
}

fn push(text: &mut String, said: &str, label: &str, width: usize) {
    let room = width.saturating_sub(INDENT.len() + label.len()).max(20);
    for (i, line) in wrap::lines(said, room).into_iter().enumerate() {
        let lead = if i == 0 { label.to_owned() } else { " ".repeat(label.len()) };
        let _ = writeln!(text, "{INDENT}{lead}{line}");
    }
}

/// Something to be told between two questions.
pub(super) fn remark(said: &str, width: usize) -> String {
    let mut text = String::new();
    push(&mut text, said, "-> ", width);
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_gloves_type_is_understood() {
        let value = |number: &str, unit: &str| Typed::Value(number.into(), unit.into());
        for (line, expect) in [
            ("", Typed::Enter),
            (" Y ", Typed::Good),
            ("6,1", value("6.1", "")),
            ("6,l", Typed::Unknown),
            ("6.1 bar", value("6.1", "bar")),
            ("+3°C", value("3", "°C")),
            ("-4", value("-4", "")),
            ("f", Typed::Finding(String::new())),
            ("f oil below the door", Typed::Finding("oil below the door".into())),
            ("q", Typed::Leave),
            ("?", Typed::Help),
            ("fq", Typed::Unknown),
            ("-", Typed::Unknown),
        ] {
            assert_eq!(typed(line), expect, "{line}");
        }
    }

    #[test]
    fn no_line_is_wider_than_the_screen() {
        let check = pb::CheckCard {
            title: "Air pressure at the panel meter of the service unit, with the pump at rest".into(),
            place: "service unit, behind the left door, beside the main switch and below the regulator"
                .into(),
            good: "6 bar; 5.5 to 7".into(),
            cautions: vec![
                "shut off and lock the air supply, vent to 0 bar and look at the gauge first".into(),
            ],
            ..Default::default()
        };
        let point = pb::TestPoint {
            unit: "bar".into(),
            act_below: "5.5".into(),
            act_above: "7".into(),
            ..Default::default()
        };
        let check = pb::RoundCheck { check: Some(check), point: Some(point), ..Default::default() };
        for width in [40, 60, 80] {
            let text = question(&check, (12, 31), width);
            let longest = text.lines().map(|line| line.chars().count()).max().unwrap();
            assert!(longest <= width.max(44), "{width}: {longest}\n{text}");
            assert!(
                text.contains("[12 of 31] ") && text.ends_with("bar, f finding, s later, q leave > "),
                "{text}"
            );
            assert!(text.contains("limits 5.5 to 7 bar"), "{text}");
        }
    }
}
