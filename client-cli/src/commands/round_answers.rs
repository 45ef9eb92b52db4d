//! `round --answers`: what was seen at checks, from a file, with what became of each line.

use super::request_id_fresh;
use crate::{
    again::Again,
    args::OutputForm,
    exit::{Answer, Complaint, Failure},
    render::round::{self as shown, AnswerLine, Became},
    session::Session,
    table_file::{self, TableFile},
    times,
};
use chrono_tz::Tz;
use fettler_proto::v1 as pb;
use std::collections::BTreeMap;

/// The most answers of one call.
const ANSWERS_MAX: usize = 100;
/// The columns of a file of answers; the first two have to be.
const COLUMNS: [&str; 7] = ["machine", "check", "value", "unit", "finding", "at", "confirmed"];

/// A line of the file.
#[derive(Clone, Debug)]
struct Line {
    number: u64,
    said: pb::CheckSaid,
}

/// What was told so far.
#[derive(Default)]
struct Told {
    replies: Vec<pb::RecordChecksResponse>,
    rows: Vec<AnswerLine>,
}

/// Records the answers of a file, machine by machine. An answer that was recorded before is known again by its time.
///
/// Whatever stops it, the table says of every line whether it was recorded.
pub(super) async fn run(session: &Session, name: &str, text: &str, by: &str) -> Result<Answer, Failure> {
    let zone = session.zone().await?;
    let (mut told, mut stopped) = (Told::default(), None);
    for (machine, lines) in read(name, text, zone)? {
        // Answers of one time are of one round; the calendar is the service's.
        let of_one_time = lines.chunk_by(|one, next| one.said.at == next.said.at);
        for part in of_one_time.flat_map(|same| same.chunks(ANSWERS_MAX)) {
            if stopped.is_some() {
                told.add(&machine, part, &Became::NotSent);
            } else if let Err(failure) = record(session, &machine, by, part.to_vec(), &mut told).await {
                stopped = Some(failure);
            }
        }
    }
    told.rows.sort_by_key(|row| row.line);
    told.show(session)?;
    match stopped {
        Some(failure) => Err(failure.with_hint(
            "the list says of each line whether it was recorded; a line with a time is known again when the file is told again",
        )),
        None if told.rows.iter().all(|row| row.became.is_good()) => Ok(Answer::Done),
        None => Ok(Answer::No),
    }
}

impl Told {
    fn add(&mut self, machine: &str, lines: &[Line], became: &Became) {
        let row = |line: &Line| AnswerLine {
            line: line.number,
            machine: machine.to_owned(),
            check: line.said.check.clone(),
            became: became.clone(),
        };
        self.rows.extend(lines.iter().map(row));
    }

    fn show(&self, session: &Session) -> Result<(), Failure> {
        let table = shown::recorded(&self.rows);
        session.show_each(
            &self.replies,
            || table.text(session.settings.width, session.out.style()),
            || table.clone(),
        )?;
        if session.settings.output == OutputForm::Json {
            // What the service did not take has no answer of its own there.
            for row in self.rows.iter().filter(|row| !matches!(row.became, Became::Answered(_))) {
                session.out.note(&format!("{}\n", row.words()));
            }
        }
        Ok(())
    }
}

/// Records answers of one machine and one time. A call is taken whole or not at all, so lines that stand in its way are left out
/// and the others are said again. An error is of what no other line could mend.
async fn record(
    session: &Session,
    machine: &str,
    by: &str,
    mut lines: Vec<Line>,
    told: &mut Told,
) -> Result<(), Failure> {
    while !lines.is_empty() {
        let request = pb::RecordChecksRequest {
            site: session.site(),
            request_id: request_id_fresh().to_string(),
            machine: machine.to_owned(),
            shift_start: None,
            by: by.to_owned(),
            answers: lines.iter().map(|line| line.said.clone()).collect(),
        };
        let said = session
            .say(&request, Again::default(), |link, request| async move {
                link.rounds().record_checks(request).await
            })
            .await;
        match said {
            Ok(reply) => {
                for (line, recorded) in lines.iter().zip(&reply.recorded) {
                    let became = Became::Answered(recorded.clone());
                    told.add(machine, std::slice::from_ref(line), &became);
                }
                told.replies.push(reply);
                return Ok(());
            }
            Err(Failure::Refused(complaint)) => {
                let Some(faults) = in_the_way(&complaint, &lines) else {
                    // The fault is of no line, as of a person who is not known: it is told once, as the error.
                    told.add(machine, &lines, &Became::NotSent);
                    return Err(Failure::Refused(complaint));
                };
                let mut rest = Vec::new();
                for (place, line) in lines.into_iter().enumerate() {
                    match faults.get(&place) {
                        Some(why) => told.add(machine, &[line], &Became::Refused(why.clone())),
                        None => rest.push(line),
                    }
                }
                lines = rest;
            }
            Err(failure) => {
                told.add(machine, &lines, &Became::Unknown);
                return Err(failure);
            }
        }
    }
    Ok(())
}

/// The places of lines that stand in a call's way, each with why: all of them where there is no such machine. None where the fault
/// is of no line.
fn in_the_way(complaint: &Complaint, lines: &[Line]) -> Option<BTreeMap<usize, String>> {
    let is_machine = |field: &str| field == "machine";
    let no_machine = complaint.code.as_deref().is_some_and(|code| code.starts_with("NOT_FOUND"));
    let wrong_machine =
        !complaint.fields.is_empty() && complaint.fields.iter().all(|(field, _)| is_machine(field));
    if no_machine || wrong_machine {
        let field = complaint.fields.first().map(|(_, problem)| format!("machine: {problem}"));
        let why = field.unwrap_or_else(|| complaint.message.clone());
        return Some((0..lines.len()).map(|place| (place, why.clone())).collect());
    }
    let mut faults = BTreeMap::<usize, String>::new();
    for (field, problem) in &complaint.fields {
        let (place, rest) = field.strip_prefix("answers[")?.split_once(']')?;
        let place = place.parse().ok().filter(|place| *place < lines.len())?;
        let rest = rest.trim_start_matches('.');
        let words = if rest.is_empty() { problem.clone() } else { format!("{rest}: {problem}") };
        let all = faults.entry(place).or_default();
        if !all.is_empty() {
            all.push_str("; ");
        }
        all.push_str(&words);
    }
    (!faults.is_empty()).then_some(faults)
}

/// Reads a file of answers, by machine in the order of the file.
fn read(name: &str, text: &str, zone: Tz) -> Result<Vec<(String, Vec<Line>)>, Failure> {
    let table = TableFile::open(name, text)?;
    table.only(&COLUMNS)?;
    let places = table.places(&COLUMNS, 2)?;
    let mut order: Vec<String> = Vec::new();
    let mut all: BTreeMap<String, Vec<Line>> = BTreeMap::new();
    let mut complaint = Complaint::new(format!("{name} has lines that cannot be read; nothing was recorded"));
    for (number, record) in table.lines() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                complaint.fields.push((format!("line {number}"), error));
                continue;
            }
        };
        let [machine, check, value, unit, finding, at, confirmed] =
            places.map(|place| table_file::cell(&record, place));
        let at = if at.is_empty() { Ok(None) } else { times::instant(&at, Some(zone)).map(Some) };
        match (at, table_file::yes_or_no(&confirmed)) {
            (Ok(at), Ok(confirmed)) => {
                if !all.contains_key(&machine) {
                    order.push(machine.clone());
                }
                let at = at.map(times::to_wire);
                let lines = all.entry(machine.clone()).or_default();
                if let Some(twin) = lines.iter().find(|line| line.said.check == check && line.said.at == at) {
                    let problem = format!(
                        "{machine} {check} is told in line {} too; keep one of them, or give each its time",
                        twin.number
                    );
                    complaint.fields.push((format!("line {number}"), problem));
                }
                let value = table_file::decimal(&value);
                lines.push(Line {
                    number,
                    said: pb::CheckSaid { check, at, value, unit, finding, confirmed },
                });
            }
            (Err(error), _) => complaint.fields.push((format!("line {number}, at"), error.to_string())),
            (_, Err(error)) => complaint.fields.push((format!("line {number}, confirmed"), error)),
        }
    }
    if !complaint.fields.is_empty() {
        return Err(Failure::Usage(complaint));
    }
    if order.is_empty() {
        return Err(Failure::usage(format!("{name} holds no answer; add a line for each")));
    }
    Ok(order.into_iter().map(|machine| (machine.clone(), all.remove(&machine).unwrap_or_default())).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_of_answers_is_read_by_machine() {
        let text = "machine,check,value,finding,at,confirmed\nL-03,air,6.1,,2026-11-25 05:50,\nL-01,leaks,,oil,,\n\
            L-03,leaks,,,2026-11-25T05:51:00+01:00,yes\n";
        let read = read("f.csv", text, chrono_tz::Europe::Berlin).unwrap();
        let machines: Vec<&str> = read.iter().map(|(machine, _)| machine.as_str()).collect();
        assert_eq!(machines, ["L-03", "L-01"]);
        let of = &read[0].1;
        assert_eq!((of[0].said.value.as_str(), of[1].said.confirmed), ("6.1", true));
        assert_eq!((of[0].number, of[1].number, read[1].1[0].number), (2, 4, 3));
        let seconds = |line: &Line| line.said.at.map_or(0, |at| at.seconds);
        assert_eq!(seconds(&of[1]) - seconds(&of[0]), 60);
        assert!(read[1].1[0].said.at.is_none());
    }

    #[test]
    fn a_file_of_answers_may_come_from_a_table_program() {
        let text = "\u{feff}machine;check;value;confirmed\r\nL-03;air;6,1;Yes\r\nL-03;leaks\r\n";
        let read = read("f.csv", text, chrono_tz::UTC).unwrap();
        let said: Vec<_> =
            read[0].1.iter().map(|line| (line.said.value.as_str(), line.said.confirmed)).collect();
        assert_eq!(said, [("6.1", true), ("", false)]);
    }

    #[test]
    fn lines_that_cannot_be_read_are_named_and_nothing_is_sent() {
        let told = |text: &str| match read("f.csv", text, chrono_tz::UTC) {
            Err(Failure::Usage(complaint)) => complaint.text(),
            other => panic!("{other:?}"),
        };
        let text = told("machine,check,at,confirmed\nL,a,yesterday,\nL,b,,perhaps\n");
        assert!(text.contains("line 2, at") && text.contains("line 3, confirmed"), "{text}");
        let text = told("machine,check,value\nL,a,6,1\n");
        assert!(
            text.contains("line 2: has 4 cells for 3 columns"),
            "a value is not cut at its comma: {text}"
        );
        let text = told("machine,check\nL,a\nM,a\nL,b\nL,a\n");
        assert!(text.contains("line 5: L a is told in line 2 too"), "{text}");
        assert!(told("machine,check,colour\n").contains("unknown column `colour`"));
        assert!(told("machine,value\n").contains("no column `check`"));
        assert!(told("machine,check\n").contains("holds no answer"));
    }

    #[test]
    fn a_refusal_is_laid_at_its_lines_or_stops_the_file() {
        let line = |number| Line { number, said: pb::CheckSaid::default() };
        let lines = [line(2), line(7)];
        let of = |code: &str, fields: &[(&str, &str)]| {
            let fields = fields.iter().map(|(field, text)| ((*field).to_owned(), (*text).to_owned()));
            let complaint = Complaint {
                fields: fields.collect(),
                code: Some(code.to_owned()),
                ..Complaint::new("it cannot be taken")
            };
            in_the_way(&complaint, &lines).map(|faults| faults.into_iter().collect::<Vec<_>>())
        };
        let both = of("NOT_FOUND", &[]).unwrap();
        assert_eq!(both.len(), 2, "no line of a machine that is not there is taken");
        let second = of(
            "INVALID_ARGUMENT",
            &[("answers[1].value", "`x` is no number"), ("answers[1].at", "is ahead")],
        );
        assert_eq!(second, Some(vec![(1, "value: `x` is no number; at: is ahead".to_owned())]));
        assert_eq!(of("INVALID_ARGUMENT", &[("by", "is not known")]), None);
        assert_eq!(of("PERMISSION_DENIED", &[]), None);
    }
}
