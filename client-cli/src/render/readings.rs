//! Readings: what became of them, and as a list.

use super::{due::Board, order::dry, table::Table, words, wrap::labelled};
use crate::commands::readings_file::File;
use crate::times::rfc3339;
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// How many lines of a file are told one by one at most.
const LINES_TOLD_MAX: usize = 50;

/// A value with the sign of its unit, as it was said.
fn said_value(said: &pb::ReadingSaid) -> String {
    if said.unit.is_empty() { said.value.clone() } else { format!("{} {}", said.value, said.unit) }
}

/// A value with its unit as people write it.
pub(super) fn value(reading: &pb::PointReading) -> String {
    if reading.value.is_empty() {
        return format!("{} {}", reading.said_value, reading.said_unit);
    }
    with_sign(&reading.value, &reading.unit)
}

/// A number with its unit as people write it.
pub(super) fn with_sign(value: &str, unit: &str) -> String {
    let sign = words::unit_sign(unit);
    if sign.is_empty() { value.to_owned() } else { format!("{value} {sign}") }
}

/// How a reading stands to its limits, in words.
pub(super) fn standing(reading: &pb::PointReading) -> String {
    if reading.withdrawn_at.is_some() {
        return format!("withdrawn: {}", reading.withdrawn_reason);
    }
    match reading.verdict() {
        pb::ReadingVerdict::Good => "good".to_owned(),
        pb::ReadingVerdict::Act | pb::ReadingVerdict::Stop => reading.beyond.clone(),
        pb::ReadingVerdict::NotJudged | pb::ReadingVerdict::Unspecified => "not judged".to_owned(),
    }
}

/// What became of readings that were typed.
pub(crate) fn taken(
    said: &[pb::ReadingSaid],
    taken: &[pb::TakenReading],
    dry_run: bool,
    board: Board,
) -> String {
    let mut out = dry(dry_run);
    for (said, taken) in said.iter().zip(taken) {
        let head = format!("{} {}", said.machine, said.point);
        let mut line = |text: &str| out.push_str(&labelled(2, "", 2, text, board.width));
        match taken.outcome() {
            pb::ReadingOutcome::Taken | pb::ReadingOutcome::Duplicate => {
                let reading = taken.reading.clone().unwrap_or_default();
                let when = board.teller.instant(reading.at.as_ref()).unwrap_or_default();
                let known =
                    if taken.outcome() == pb::ReadingOutcome::Duplicate { ", told before" } else { "" };
                let told = format!("{head}  {}, {when}  (reading {}{known})", value(&reading), reading.entry);
                line(&told);
                let mut more = |label: &str, text: &str| {
                    out.push_str(&labelled(6, label, 8, text, board.width));
                };
                more("stands", &standing(&reading));
                if reading.withdrawn_at.is_some() {
                    let again =
                        format!("if it is so after all, take it again with --it-is-so {}", reading.point);
                    more("", &again);
                }
                for remark in taken.remarks.iter().skip(usize::from(!reading.beyond.is_empty())) {
                    more("heed", remark);
                }
            }
            pb::ReadingOutcome::AskedBack => {
                line(&format!("{head}  {}  ASKED BACK, nothing recorded", said_value(said)));
                for question in &taken.questions {
                    out.push_str(&labelled(
                        6,
                        "odd",
                        8,
                        &format!("{}: {}", question.field, question.text),
                        board.width,
                    ));
                }
                let unlicensed = |odd: &pb::ReadingQuestion| odd.oddity() == pb::ReadingOddity::NotLicensed;
                let remedy = if taken.questions.iter().any(unlicensed) {
                    "give the number of the electrician's record with --record".to_owned()
                } else {
                    format!("if it is so, say it again with --it-is-so {}", said.point)
                };
                out.push_str(&labelled(6, "then", 8, &remedy, board.width));
            }
            pb::ReadingOutcome::Refused | pb::ReadingOutcome::Unspecified => {
                line(&format!("{head}  {}  cannot be read, nothing recorded", said_value(said)));
                for problem in &taken.problems {
                    out.push_str(&labelled(
                        6,
                        "wrong",
                        8,
                        &format!("{}: {}", problem.field, problem.text),
                        board.width,
                    ));
                }
            }
        }
    }
    out
}

/// What became of the lines of a file: how many of each, and those that need a look.
pub(crate) fn file(name: &str, file: &File, taken: &[pb::TakenReading], dry_run: bool) -> String {
    let count = |outcome: pb::ReadingOutcome| taken.iter().filter(|one| one.outcome() == outcome).count();
    let mut out = dry(dry_run);
    let _ = writeln!(out, "READINGS of {name}");
    let unreadable = count(pb::ReadingOutcome::Refused) + file.faults.len();
    for (label, count) in [
        ("taken", count(pb::ReadingOutcome::Taken)),
        ("told before", count(pb::ReadingOutcome::Duplicate)),
        ("asked back", count(pb::ReadingOutcome::AskedBack)),
        ("cannot be read", unreadable),
    ] {
        let _ = writeln!(out, "  {label:<16}{count}");
    }
    let mut told: Vec<String> = file.faults.iter().map(|(place, text)| format!("{place}: {text}")).collect();
    for (line, taken) in file.lines.iter().zip(taken) {
        let head = format!(
            "line {}: {} {} {}",
            line.number,
            line.said.machine,
            line.said.point,
            said_value(&line.said)
        );
        let problems = taken.problems.iter().map(|problem| format!("{}: {}", problem.field, problem.text));
        let questions = taken.questions.iter().map(|odd| {
            format!("{}: {}; if it is so, put yes into the column confirmed", odd.field, odd.text)
        });
        let remarks = taken.remarks.iter().map(String::clone);
        let all: Vec<String> = problems.chain(questions).chain(remarks).collect();
        if !all.is_empty() {
            told.push(format!("{head}\n    {}", all.join("\n    ")));
        }
    }
    for text in told.iter().take(LINES_TOLD_MAX) {
        let _ = writeln!(out, "{text}");
    }
    if told.len() > LINES_TOLD_MAX {
        let _ = writeln!(out, "and {} lines more; --output csv tells every one", told.len() - LINES_TOLD_MAX);
    }
    out
}

/// What became of readings, as rows.
pub(crate) fn taken_rows(said: &[pb::ReadingSaid], taken: &[pb::TakenReading]) -> Table {
    let mut table =
        Table::new(["machine", "point", "value", "unit", "at", "outcome", "reading", "stands", "told"]);
    for (said, taken) in said.iter().zip(taken) {
        let reading = taken.reading.clone().unwrap_or_default();
        let outcome = match taken.outcome() {
            pb::ReadingOutcome::Taken => "taken",
            pb::ReadingOutcome::Duplicate => "told before",
            pb::ReadingOutcome::AskedBack => "asked back",
            pb::ReadingOutcome::Refused | pb::ReadingOutcome::Unspecified => "cannot be read",
        };
        let questions = taken.questions.iter().map(|odd| format!("{}: {}", odd.field, odd.text));
        let problems = taken.problems.iter().map(|problem| format!("{}: {}", problem.field, problem.text));
        let told: Vec<String> = questions.chain(problems).chain(taken.remarks.iter().cloned()).collect();
        let stands = taken.reading.as_ref().map(standing).unwrap_or_default();
        table.push([
            said.machine.clone(),
            said.point.clone(),
            said.value.clone(),
            said.unit.clone(),
            rfc3339(reading.at.as_ref().or(said.at.as_ref())),
            outcome.to_owned(),
            taken.reading.as_ref().map(|reading| reading.entry.to_string()).unwrap_or_default(),
            stands,
            told.join("; "),
        ]);
    }
    table
}

/// Readings as a list for people.
pub(crate) fn list(readings: &[pb::PointReading], board: Board) -> String {
    if readings.is_empty() {
        return "no readings\n".to_owned();
    }
    let mut table = Table::new(["reading", "machine", "point", "value", "read", "stands"]);
    for reading in readings {
        table.push([
            reading.entry.to_string(),
            reading.machine.clone(),
            reading.point.clone(),
            value(reading),
            board.teller.instant(reading.at.as_ref()).unwrap_or_default(),
            standing(reading),
        ]);
    }
    table.text(board.width, board.style)
}

/// Readings as rows.
pub(crate) fn rows(readings: &[pb::PointReading]) -> Table {
    let mut table = Table::new([
        "reading",
        "machine",
        "point",
        "value",
        "unit",
        "at",
        "by",
        "stands",
        "said_value",
        "said_unit",
        "closing",
        "withdrawn_at",
        "note",
    ]);
    for reading in readings {
        table.push([
            reading.entry.to_string(),
            reading.machine.clone(),
            reading.point.clone(),
            reading.value.clone(),
            reading.unit.clone(),
            rfc3339(reading.at.as_ref()),
            reading.by.clone(),
            standing(reading),
            reading.said_value.clone(),
            reading.said_unit.clone(),
            if reading.closing == 0 { String::new() } else { reading.closing.to_string() },
            rfc3339(reading.withdrawn_at.as_ref()),
            reading.note.clone(),
        ]);
    }
    table
}

/// A reading that was withdrawn.
pub(crate) fn withdrawn(reading: &pb::PointReading, board: Board) -> String {
    let when = board.teller.instant(reading.at.as_ref()).unwrap_or_default();
    let mut out = format!(
        "READING {}\n  {} {}  {}, {when}\n",
        reading.entry,
        reading.machine,
        reading.point,
        value(reading)
    );
    out.push_str(&labelled(2, "stands", 8, &standing(reading), board.width));
    out
}
