//! Reports, held reports, settlements and meters.

use super::{due::Board, table::Table, words, wrap::labelled};
use crate::times::rfc3339;
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// What a report says, in one line of data: when, and how much.
struct Said {
    start: String,
    end: String,
    amount: String,
}

fn said(report: &pb::ShiftReport) -> Said {
    use pb::shift_report::Statement;
    match &report.statement {
        Some(Statement::Interval(interval)) => Said {
            start: rfc3339(interval.start.as_ref()),
            end: rfc3339(interval.end.as_ref()),
            amount: format!("{} {}", interval.amount, words::unit(interval.unit())),
        },
        Some(Statement::Reading(reading)) => Said {
            start: String::new(),
            end: rfc3339(reading.at.as_ref()),
            amount: format!("showed {} {}", reading.value, words::unit(reading.unit())),
        },
        Some(Statement::Withdrawal(_)) => {
            Said { start: String::new(), end: String::new(), amount: "withdrawn".to_owned() }
        }
        None => Said { start: String::new(), end: String::new(), amount: String::new() },
    }
}

/// Kept reports as rows.
pub(crate) fn reports(reports: &[pb::KeptReport]) -> Table {
    let mut table = Table::new([
        "source",
        "report_id",
        "revision",
        "machine",
        "meter",
        "start",
        "end",
        "said",
        "state",
        "reason",
        "digest",
    ]);
    for kept in reports {
        let reference = kept.report.clone().unwrap_or_default();
        let sent = kept.sent.clone().unwrap_or_default();
        let said = said(&sent);
        table.push([
            reference.source,
            reference.report_id,
            reference.revision.to_string(),
            if kept.machine.is_empty() { sent.machine } else { kept.machine.clone() },
            if kept.meter.is_empty() { sent.meter } else { kept.meter.clone() },
            said.start,
            said.end,
            said.amount,
            words::report_state(kept.state()).to_owned(),
            kept.reason.as_ref().map(|reason| words::held_code(reason.code()).to_owned()).unwrap_or_default(),
            reference.digest,
        ]);
    }
    table
}

/// Kept reports for people.
pub(crate) fn list(kept: &[pb::KeptReport], board: Board) -> String {
    let mut table = Table::new(["report", "machine", "meter", "from", "to", "said", "state"]);
    for report in kept {
        let row = &reports(std::slice::from_ref(report)).rows[0];
        let sent = report.sent.as_ref();
        let (start, end) = span(sent, board);
        let revision = if row[2] == "0" { String::new() } else { format!(" rev {}", row[2]) };
        let state = if row[9].is_empty() { row[8].clone() } else { format!("{}: {}", row[8], row[9]) };
        table.push([
            format!("{} {}{revision}", row[0], row[1]),
            row[3].clone(),
            row[4].clone(),
            start,
            end,
            row[7].clone(),
            state,
        ]);
    }
    table.text(board.width, board.style)
}

fn span(sent: Option<&pb::ShiftReport>, board: Board) -> (String, String) {
    use pb::shift_report::Statement;
    let tell = |time| board.teller.instant(time).unwrap_or_default();
    match sent.and_then(|sent| sent.statement.as_ref()) {
        Some(Statement::Interval(interval)) => (tell(interval.start.as_ref()), tell(interval.end.as_ref())),
        Some(Statement::Reading(reading)) => (String::new(), tell(reading.at.as_ref())),
        Some(Statement::Withdrawal(_)) | None => (String::new(), String::new()),
    }
}

/// Held reports for people: each with its reason in full and the commands that settle it.
pub(crate) fn held(answer: &pb::ListHeldReportsResponse, board: Board) -> String {
    let mut out = String::new();
    for kept in &answer.reports {
        let reference = kept.report.clone().unwrap_or_default();
        let sent = kept.sent.clone().unwrap_or_default();
        let (start, end) = span(Some(&sent), board);
        let revision = if reference.revision == 0 {
            String::new()
        } else {
            format!(", revision {}", reference.revision)
        };
        out.push_str(
            &board.style.heading(&format!("{} {}{revision}", reference.source, reference.report_id)),
        );
        out.push('\n');
        let mut label = |name: &str, text: &str| out.push_str(&labelled(2, name, 10, text, board.width));
        label("machine", &format!("{} {}", sent.machine, sent.meter));
        label("said", &said(&sent).amount);
        label("stretch", &if start.is_empty() { end } else { format!("{start} to {end}") });
        if let Some(reason) = &kept.reason {
            label("held", &format!("{}: {}", words::held_code(reason.code()), reason.text));
            if let Some(against) = &reason.against {
                label("against", &format!("{} {}", against.source, against.report_id));
            }
            if let Some(from) = board.teller.instant(reason.counts_from.as_ref()) {
                label("counts", &format!("from {from} on"));
            }
        }
        out.push('\n');
    }
    let number = usize::try_from(answer.held).unwrap_or(usize::MAX);
    let _ = writeln!(out, "{} held and not counted", words::count(number, "report", "reports"));
    if answer.waiting > 0 {
        let number = usize::try_from(answer.waiting).unwrap_or(usize::MAX);
        let _ = writeln!(out, "{} to be judged again", words::count(number, "report waits", "reports wait"));
    }
    if !answer.reports.is_empty() {
        out.push_str("settle one: fettler hours settle SOURCE REPORT count|drop --by NAME\n");
    }
    out
}

/// What came of a settlement.
pub(crate) fn settled(answer: &pb::SettleReportResponse, board: Board) -> String {
    let mut out =
        answer.report.as_ref().map(|kept| list(std::slice::from_ref(kept), board)).unwrap_or_default();
    for (word, references) in [("no longer counts", &answer.displaced), ("counts now", &answer.let_in)] {
        for reference in references {
            out.push_str(&labelled(
                0,
                word,
                18,
                &format!("{} {}", reference.source, reference.report_id),
                board.width,
            ));
        }
    }
    out
}

/// What became of one pushed report.
pub(crate) fn acknowledged(ack: &pb::Acknowledgement, board: Board) -> String {
    let report = ack.report.clone().unwrap_or_default();
    let mut text = format!("{} {}: {}", report.source, report.report_id, words::outcome(ack.outcome()));
    if ack.became() != pb::ReportState::Unspecified {
        let _ = write!(text, " of one that is {}", words::report_state(ack.became()));
    }
    let mut out = labelled(0, "", 0, &text, board.width);
    if let Some(reason) = &ack.reason {
        out.push_str(&labelled(2, words::held_code(reason.code()), 16, &reason.text, board.width));
    }
    for problem in &ack.problems {
        out.push_str(&labelled(2, &problem.field, 16, &problem.text, board.width));
    }
    out
}

/// Meters as rows.
pub(crate) fn meters(meters: &[pb::Meter]) -> Table {
    let mut table = Table::new([
        "machine",
        "meter",
        "kind",
        "feed",
        "counted",
        "unit",
        "known_to",
        "max_per_hour",
        "last_reading",
        "gap",
    ]);
    for meter in meters {
        table.push([
            meter.machine.clone(),
            meter.key.clone(),
            words::meter_kind(meter.kind()).to_owned(),
            words::feed(meter.feed()).to_owned(),
            meter.counted.clone(),
            words::unit(meter.unit()).to_owned(),
            rfc3339(meter.known_to.as_ref()),
            meter.max_per_hour.clone(),
            meter.last_reading.clone(),
            meter.gap.clone(),
        ]);
    }
    table
}

/// One meter for people.
pub(crate) fn meter(meter: &pb::Meter, board: Board) -> String {
    let sign = words::unit(meter.unit());
    let known = board.teller.instant(meter.known_to.as_ref());
    let mut out = format!("{} {}: {} {sign}\n", meter.machine, meter.key, meter.counted);
    let mut label = |name: &str, text: &str| out.push_str(&labelled(2, name, 14, text, board.width));
    label("kind", &format!("{}, fed by {}", words::meter_kind(meter.kind()), words::feed(meter.feed())));
    label("known to", known.as_deref().unwrap_or("nothing counted yet"));
    if !meter.last_reading.is_empty() {
        label("last reading", &format!("{} {sign}", meter.last_reading));
    }
    if !meter.gap.is_empty() {
        label("gap", &format!("{} {sign} between the last reading and what was counted then", meter.gap));
    }
    out
}
