//! Rounds and handovers in words.

use super::{table::Table, words, wrap::lines};
use crate::times::{Teller, rfc3339};
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// Which round, and how far it is: "early shift, Wed 25 Nov 06:00 to 14:00: 12 of 31 checks done".
pub(crate) fn line(round: &pb::Round, done: usize, due: usize, teller: Teller) -> String {
    let start = teller.instant(round.shift_start.as_ref()).unwrap_or_default();
    let end = teller.clock(round.shift_end.as_ref()).unwrap_or_default();
    format!("{} shift, {start} to {end}\n{done} of {due} checks done\n", round.shift)
}

/// What the due list says of the round, handovers first; nothing where there is no check and no handover.
pub(crate) fn on_board(head: &pb::GetRoundResponse, teller: Teller, width: usize) -> String {
    let mut text = String::new();
    for handover in &head.handovers {
        text.push_str(&self::handover(handover, teller, width));
        let number = handover.handover;
        for part in lines(&format!("read it? `fettler round --acknowledge {number} --by NAME`"), width) {
            let _ = writeln!(text, "{part}");
        }
    }
    if head.due > 0 {
        let shift = head.round.as_ref().map(|round| round.shift.as_str()).unwrap_or_default();
        let findings = match head.findings {
            0 => String::new(),
            count => {
                format!(", {}", words::count(usize::try_from(count).unwrap_or(0), "finding", "findings"))
            }
        };
        let (due, machines, done) = (head.due, head.machines, head.done);
        let said =
            format!("round of the {shift} shift: {due} checks on {machines} machines, {done} done{findings}");
        for part in lines(&said, width) {
            let _ = writeln!(text, "{part}");
        }
    }
    text
}

/// A handover as the next shift reads it.
pub(crate) fn handover(handover: &pb::Handover, teller: Teller, width: usize) -> String {
    let shift = handover.round.as_ref().map(|round| round.shift.as_str()).unwrap_or_default();
    let at = teller.instant(handover.at.as_ref()).unwrap_or_default();
    let mut text = String::new();
    let mut push = |lead: &str, said: &str| {
        for (i, part) in lines(said, width.saturating_sub(lead.len())).into_iter().enumerate() {
            let lead = if i == 0 { lead.to_owned() } else { " ".repeat(lead.len()) };
            let _ = writeln!(text, "{lead}{part}");
        }
    };
    push("HANDOVER ", &format!("{} of the {shift} shift, {}, {at}", handover.handover, handover.by));
    push("  ", &format!("{} of {} checks done", handover.done, handover.due));
    if !handover.note.is_empty() {
        push("  ", &handover.note);
    }
    for line in &handover.findings {
        let order = if line.order > 0 { format!(" (order {})", line.order) } else { String::new() };
        push("  found: ", &format!("{} {}: {}{order}", line.machine, line.check, line.finding));
    }
    if handover.due > handover.done {
        push("  left open: ", &left_open(handover));
    }
    if !handover.acknowledged_by.is_empty() {
        let at = teller.instant(handover.acknowledged_at.as_ref()).unwrap_or_default();
        push("  ", &format!("read by {}, {at}", handover.acknowledged_by));
    }
    text
}

/// What is there of several texts, with a comma between them.
fn joined(texts: &[&str]) -> String {
    let there: Vec<&str> = texts.iter().copied().filter(|text| !text.is_empty()).collect();
    there.join(", ")
}

/// What was left open, machine by machine: a few checks by their titles, many by their number.
fn left_open(handover: &pb::Handover) -> String {
    let mut machines: Vec<(&str, Vec<&str>)> = Vec::new();
    for line in &handover.left_open {
        match machines.last_mut() {
            Some((machine, checks)) if *machine == line.machine => checks.push(&line.check),
            _ => machines.push((&line.machine, vec![&line.check])),
        }
    }
    let of = |(machine, checks): &(&str, Vec<&str>)| match checks.as_slice() {
        few @ ([_] | [_, _]) => format!("{machine} {}", few.join(" and ")),
        many => format!("{machine} {} checks", many.len()),
    };
    let mut parts: Vec<String> = machines.iter().map(of).collect();
    let listed = i32::try_from(handover.left_open.len()).unwrap_or(i32::MAX);
    let more = handover.due - handover.done - listed;
    if more > 0 {
        parts.push(format!("{more} more"));
    }
    parts.join("; ")
}

fn state(state: pb::CheckState) -> &'static str {
    match state {
        pb::CheckState::Unspecified => "?",
        pb::CheckState::Open => "open",
        pb::CheckState::Good => "good",
        pb::CheckState::Finding => "finding",
        pb::CheckState::Missed => "missed",
    }
}

/// The checks of a round, one a row.
pub(crate) fn checks(list: &pb::ListChecksResponse) -> Table {
    let mut table = Table::new(["area", "machine", "check", "title", "state", "seen", "order", "by", "at"]);
    for machine in &list.machines {
        for check in &machine.checks {
            let card = check.check.clone().unwrap_or_default();
            let answer = check.answer.clone().unwrap_or_default();
            table.push([
                machine.area.clone(),
                machine.machine.clone(),
                card.key,
                card.title,
                state(check.state()).to_owned(),
                joined(&[&answer.value, &answer.finding]),
                words::unless_zero(answer.order),
                answer.by,
                rfc3339(answer.at.as_ref()),
            ]);
        }
    }
    table
}

/// The checks of a round for people: by machine, narrow.
pub(crate) fn board(list: &pb::ListChecksResponse, teller: Teller, width: usize) -> String {
    let all = || list.machines.iter().flat_map(|machine| &machine.checks);
    let done = all().filter(|check| check.answer.is_some()).count();
    let mut text = line(&list.round.clone().unwrap_or_default(), done, all().count(), teller);
    for machine in &list.machines {
        let _ = writeln!(text, "\n{}: {} {}", machine.area, machine.machine, machine.name);
        if machine.state() == pb::MachineState::Forbidden {
            let _ = writeln!(text, "  MUST NOT START: {}", machine.reason);
        }
        for check in &machine.checks {
            let card = check.check.clone().unwrap_or_default();
            let answer = check.answer.clone().unwrap_or_default();
            let order = if answer.order > 0 { format!("order {}", answer.order) } else { String::new() };
            let at = teller.clock(answer.at.as_ref()).unwrap_or_default();
            let title = format!("{} ({})", card.title, card.key);
            let said = joined(&[&title, &answer.value, &answer.finding, &order, &answer.by, &at]);
            for (i, part) in lines(&said, width.saturating_sub(10)).into_iter().enumerate() {
                let lead = if i == 0 { state(check.state()) } else { "" };
                let _ = writeln!(text, "  {lead:<8}{part}");
            }
        }
    }
    text
}

/// What became of a line of a file of answers.
#[derive(Clone, Debug)]
pub(crate) enum Became {
    /// The service answered it.
    Answered(pb::RecordedCheck),
    /// The service refused it, with why; it was not recorded.
    Refused(String),
    /// The service did not answer: whether it was recorded is not known.
    Unknown,
    /// It was not recorded, as the file was stopped: before it was sent, or by a fault that is of no line.
    NotSent,
}

impl Became {
    /// Whether it stands.
    pub(crate) fn is_good(&self) -> bool {
        matches!(self, Became::Answered(recorded)
            if matches!(recorded.outcome(), pb::CheckOutcome::Recorded | pb::CheckOutcome::Duplicate))
    }

    fn words(&self) -> &'static str {
        match self {
            Became::Answered(recorded) => match recorded.outcome() {
                pb::CheckOutcome::Unspecified => "?",
                pb::CheckOutcome::Recorded => "recorded",
                pb::CheckOutcome::Duplicate => "told before",
                pb::CheckOutcome::AskedBack => "asked back",
                pb::CheckOutcome::Refused => "refused",
            },
            Became::Refused(_) => "refused",
            Became::Unknown => "not known",
            Became::NotSent => "not recorded",
        }
    }

    fn remarks(&self) -> String {
        match self {
            Became::Answered(recorded) => {
                let questions = recorded.questions.iter().map(|question| question.text.clone());
                let problems = recorded.problems.iter();
                let problems =
                    problems.map(|problem| format!("{}: {}", without_place(&problem.field), problem.text));
                recorded
                    .remarks
                    .iter()
                    .cloned()
                    .chain(questions)
                    .chain(problems)
                    .collect::<Vec<_>>()
                    .join("; ")
            }
            Became::Refused(why) => why.clone(),
            Became::Unknown => "no answer came: it may or may not have been recorded".to_owned(),
            Became::NotSent => "the file was stopped; the error says why".to_owned(),
        }
    }
}

/// A field of an answer without its place in the call, which is not that in the file.
fn without_place(field: &str) -> &str {
    field.strip_prefix("answers[").and_then(|rest| rest.split_once("].")).map_or(field, |(_, field)| field)
}

/// A line of a file of answers, with what became of it.
#[derive(Clone, Debug)]
pub(crate) struct AnswerLine {
    /// Its number in the file.
    pub(crate) line: u64,
    /// The machine as it is named there.
    pub(crate) machine: String,
    /// The check.
    pub(crate) check: String,
    /// What became of it.
    pub(crate) became: Became,
}

impl AnswerLine {
    /// It in one line.
    pub(crate) fn words(&self) -> String {
        let AnswerLine { line, machine, check, became } = self;
        format!("line {line}, {machine} {check}: {}: {}", became.words(), became.remarks())
    }
}

/// What became of answers, one a row.
pub(crate) fn recorded(answers: &[AnswerLine]) -> Table {
    let mut table = Table::new(["line", "machine", "check", "outcome", "order", "remarks"]);
    for AnswerLine { line, machine, check, became } in answers {
        let order = match became {
            Became::Answered(recorded) => recorded.order,
            Became::Refused(_) | Became::Unknown | Became::NotSent => 0,
        };
        table.push([
            line.to_string(),
            machine.clone(),
            check.clone(),
            became.words().to_owned(),
            words::unless_zero(order),
            became.remarks(),
        ]);
    }
    table
}

/// Handovers, one a row.
pub(crate) fn handovers(list: &[pb::Handover]) -> Table {
    let mut table = Table::new([
        "handover", "shift", "shop_day", "by", "at", "done", "due", "findings", "read_by", "note",
    ]);
    for handover in list {
        let round = handover.round.clone().unwrap_or_default();
        table.push([
            handover.handover.to_string(),
            round.shift,
            round.shop_day,
            handover.by.clone(),
            rfc3339(handover.at.as_ref()),
            handover.done.to_string(),
            handover.due.to_string(),
            handover.findings.len().to_string(),
            handover.acknowledged_by.clone(),
            handover.note.clone(),
        ]);
    }
    table
}

/// What stands under every list of starts.
pub(crate) const START: &str = "Reminders, not permission: a step that fails means that the machine must not\n\
    start, and the builder's manual rules.";

/// How machines stand before a shift, one a row; times are told for people where there is a teller.
pub(crate) fn ready(machines: &[pb::MachineReadiness], teller: Option<Teller>) -> Table {
    let mut table = Table::new(["area", "machine", "stands", "ready", "begin_by", "why"]);
    for of in machines {
        let told = |at: Option<&prost_types::Timestamp>| match teller {
            Some(teller) => teller.clock(at).unwrap_or_default(),
            None => rfc3339(at),
        };
        let stands = match of.readiness() {
            pb::Readiness::Unspecified => "?",
            pb::Readiness::Warm => "warm",
            pb::Readiness::Armed => "armed",
            pb::Readiness::Cold => "cold",
            pb::Readiness::MustNotStart => "must not start",
            pb::Readiness::Resting => "resting",
        };
        table.push([
            of.area.clone(),
            of.machine.clone(),
            stands.to_owned(),
            told(of.ready_at.as_ref()),
            told(of.begin_by.as_ref()),
            of.why.clone(),
        ]);
    }
    table
}
