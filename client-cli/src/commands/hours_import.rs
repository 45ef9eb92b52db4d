//! `hours import`: files as other programs write them, read by a mapping.

use crate::{
    args::{OutputForm, import::ImportArgs},
    csvout,
    exit::{Answer, Complaint, Failure},
    import::{
        counters::{Counters, Delivery, Plan, Replacement},
        facts::{Fact, Facts, Shared},
        mapping::{self, Mapping},
        markup, shdr,
        streams::{self, Following, Unread},
        table,
        table_form::TableForm,
    },
    json,
    push::{
        input::{self, Batch},
        report,
        row::{Columns, Row},
        stream::Push,
        tally::{Tally, Telling},
    },
    render::words,
    session::Session,
    times,
};
use fettler_proto::v1 as pb;
use sha2::{Digest as _, Sha256};
use std::fmt::Write as _;
use tokio::sync::mpsc;
use uuid::Uuid;

/// The service's reason where it knows a request id with other content.
const REUSED: &str = "REQUEST_ID_REUSED";
/// The columns of what would be sent.
const HEADERS: [&str; 9] = ["place", "machine", "meter", "start", "end", "at", "amount", "unit", "report_id"];

/// Imports files. The answer is no when any row was held or refused, or anything is missing between them.
pub(super) async fn run(session: &Session, args: ImportArgs) -> Result<Answer, Failure> {
    match mapping::open(&args.mapping)? {
        Mapping::Table(form) => tables(session, &form, &args).await,
        Mapping::Streams(plan) => {
            let mut facts = Facts::default();
            let delivery = documents(&plan, &args.files, &mut facts)?;
            deliver_all(session, &plan, delivery, &facts, &args).await
        }
        Mapping::Shdr(plan) => {
            let mut facts = Facts::default();
            let mut counters = Counters::new(&plan);
            for file in &args.files {
                shdr::read(file, input::open(file)?, &mut counters, &mut facts)?;
            }
            let delivery = counters.deliver(None, &mut facts);
            deliver_all(session, &plan, delivery, &facts, &args).await
        }
    }
}

async fn tables(session: &Session, form: &TableForm, args: &ImportArgs) -> Result<Answer, Failure> {
    let facts = Shared::default();
    let mut opened = Vec::new();
    for file in &args.files {
        // Every header is looked at before anything is sent.
        opened.push(table::open(form, file, input::open(file)?)?);
    }
    let mut sending = Sending::begin(session, table::headers(form), &form.source, args.dry_run, args.all)?;
    for table in opened {
        let sent = sending.rows(table.rows(facts.clone())).await;
        if let Err(failure) = sent {
            sending.finish(&facts.lock())?;
            return Err(failure);
        }
    }
    let facts = facts.lock();
    sending.finish(&facts)
}

/// Reads documents in the order in which they are named.
fn documents(plan: &Plan, files: &[String], facts: &mut Facts) -> Result<Delivery, Failure> {
    let mut counters = Counters::new(plan);
    let mut following = Following::default();
    for file in files {
        let bytes = input::whole(file, markup::BYTES_MAX)?;
        let read = match streams::read(file, &bytes, &mut counters, facts) {
            Ok(read) => read,
            Err(Unread::Failed(failure)) => return Err(failure),
            Err(Unread::Fault(fault)) => {
                counters.fault(file, fault.line, "document", fault.why)?;
                continue;
            }
        };
        for (code, text) in &read.refusals {
            if code == "OUT_OF_RANGE" {
                let told = format!(
                    "the agent did not have what it was asked for ({code}: {text}); what lies there is not known"
                );
                facts.tell(Fact::Gap, file.as_str(), told);
            } else {
                counters.fault(
                    file,
                    1,
                    "document",
                    format!("the agent refused to answer: {code}: {text}; ask it again"),
                )?;
            }
        }
        following.take(file, &read, facts);
    }
    Ok(counters.deliver(None, facts))
}

async fn deliver_all(
    session: &Session,
    plan: &Plan,
    delivery: Delivery,
    facts: &Facts,
    args: &ImportArgs,
) -> Result<Answer, Failure> {
    let mut sending = Sending::begin(session, Columns::default(), &plan.source, args.dry_run, args.all)?;
    let sent = sending.deliver(plan, delivery).await;
    if let Err(failure) = sent {
        sending.finish(facts)?;
        return Err(failure);
    }
    sending.finish(facts)
}

/// What an import sends, or would send.
pub(super) struct Sending<'a> {
    session: &'a Session,
    tally: Tally,
    columns: Columns,
    is_dry: bool,
    all: bool,
    /// How many rows cannot be sent, and how many replacements were refused.
    left_out: u64,
    shown: u64,
}

impl<'a> Sending<'a> {
    /// Begins; nothing is sent yet.
    pub(super) fn begin(
        session: &'a Session,
        columns: Columns,
        source: &str,
        is_dry: bool,
        all: bool,
    ) -> Result<Sending<'a>, Failure> {
        let form = session.settings.output;
        if is_dry && form == OutputForm::Csv {
            session.out.data(&csvout::line(HEADERS))?;
        }
        // What would be sent has rows of its own.
        let told = if is_dry { OutputForm::Table } else { form };
        let telling = Telling { form: told, width: session.settings.width, all };
        let tally = Tally::new(session.out.clone(), &telling, columns.clone(), source.to_owned())?;
        Ok(Sending { session, tally, columns, is_dry, all, left_out: 0, shown: 0 })
    }

    /// How many rows were settled, or shown.
    pub(super) fn settled(&self) -> u64 {
        self.tally.settled() + self.shown
    }

    /// Sends rows.
    pub(super) async fn rows(&mut self, mut rows: mpsc::Receiver<Batch>) -> Result<(), Failure> {
        if !self.is_dry {
            return Push::new(self.session, rows, &mut self.tally).run().await;
        }
        while let Some(batch) = rows.recv().await {
            match batch {
                Batch::Rows(rows) => rows.iter().try_for_each(|row| self.show(row))?,
                Batch::Broken(why) => return Err(Failure::usage(why)),
            }
        }
        Ok(())
    }

    /// Sends what counters said: replacements first, since values after them would be held without.
    pub(super) async fn deliver(&mut self, plan: &Plan, delivery: Delivery) -> Result<(), Failure> {
        for replacement in &delivery.replacements {
            self.replace(plan, replacement).await?;
        }
        self.rows(input::ready(delivery.rows)).await
    }

    async fn replace(&mut self, plan: &Plan, replacement: &Replacement) -> Result<(), Failure> {
        if self.is_dry {
            self.session.out.note(&format!(
                "{}: would record the replacement of {} {}: closing {}, opening {}\n",
                replacement.place,
                replacement.machine,
                replacement.meter,
                replacement.closing,
                replacement.opening
            ));
            return Ok(());
        }
        let by = plan.by.clone().unwrap_or_default();
        let (id, request) = replacement_request(self.session.site(), &plan.source, by, replacement);
        let sent = self
            .session
            .change(&request, id, |link, request| async move { link.hours().replace_counter(request).await })
            .await;
        match sent {
            Ok(_) => Ok(()),
            Err(Failure::Refused(complaint)) => {
                self.left_out += 1;
                self.session.out.note(&not_recorded(replacement, &complaint));
                Ok(())
            }
            Err(failure) => Err(failure),
        }
    }

    fn show(&mut self, row: &Row) -> Result<(), Failure> {
        let report = match &row.content {
            Ok(report) => report,
            Err(problems) => {
                let ack = pb::Acknowledgement {
                    outcome: pb::Outcome::Refused.into(),
                    problems: problems.clone(),
                    ..Default::default()
                };
                self.left_out += 1;
                self.session.out.note(&report::text(row, &ack, &self.columns, self.session.settings.width));
                return Ok(());
            }
        };
        self.shown += 1;
        let cells = cells(row, report);
        let shown = match self.session.settings.output {
            OutputForm::Json => json::line(report),
            OutputForm::Csv => csvout::line(cells.iter().map(String::as_str)),
            OutputForm::Table => words_of(&cells),
        };
        Ok(self.session.out.data(&shown)?)
    }

    /// Tells what was met and what became of the rows.
    pub(super) fn finish(&self, facts: &Facts) -> Result<Answer, Failure> {
        self.tally.clear_progress();
        let mut text = facts.text(self.all, self.session.settings.width);
        if self.is_dry {
            let (sent, left_out) = (words::grouped(self.shown), self.left_out);
            // Writing to a string cannot fail.
            let _ = writeln!(text, "{sent:>12}  reports would be sent, {left_out} could not");
        }
        if self.session.settings.output == OutputForm::Table {
            text.push('\n');
            self.session.out.data(&text)?;
        } else {
            self.session.out.note(&text);
        }
        if !self.is_dry {
            self.tally.finish()?;
        }
        let is_whole = self.tally.all_count() && self.left_out == 0 && !facts.has_left_out();
        Ok(if is_whole { Answer::Done } else { Answer::No })
    }
}

/// The request to record a replacement, under an id that follows from the value that was reset alone. The closing is what
/// came before it in this set of files: of another set it may be another one, which must not take the place of what is
/// recorded, so it does not make another request.
fn replacement_request(
    site: String,
    source: &str,
    by: String,
    replacement: &Replacement,
) -> (Uuid, pb::ReplaceCounterRequest) {
    let Replacement { machine, meter, at, closing, opening, id, .. } = replacement;
    let named = [source, id, machine, meter].join("\n");
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&Sha256::digest(named.as_bytes())[..16]);
    let id = uuid::Builder::from_custom_bytes(bytes).into_uuid();
    let request = pb::ReplaceCounterRequest {
        site,
        request_id: id.to_string(),
        machine: machine.clone(),
        meter: meter.clone(),
        at: Some(times::to_wire(*at)),
        closing_value: closing.clone(),
        opening_value: opening.clone(),
        by,
    };
    (id, request)
}

/// Why a replacement was not recorded, in a line.
fn not_recorded(replacement: &Replacement, complaint: &Complaint) -> String {
    let place = &replacement.place;
    if complaint.code.as_deref().is_some_and(|code| code.ends_with(REUSED)) {
        let at = replacement.at.to_rfc3339();
        return format!(
            "{place}: a replacement at {at} is recorded already with another closing, opening or person; see `fettler hours replace`\n"
        );
    }
    format!("{place}: the replacement was not recorded: {}\n", complaint.line())
}

fn cells(row: &Row, report: &pb::ShiftReport) -> [String; 9] {
    use pb::shift_report::Statement;
    let none = String::new;
    let (start, end, at, amount, unit) = match &report.statement {
        Some(Statement::Interval(interval)) => {
            let (start, end) =
                (times::rfc3339(interval.start.as_ref()), times::rfc3339(interval.end.as_ref()));
            (start, end, none(), interval.amount.clone(), words::unit(interval.unit()).to_owned())
        }
        Some(Statement::Reading(reading)) => {
            let at = times::rfc3339(reading.at.as_ref());
            (none(), none(), at, reading.value.clone(), words::unit(reading.unit()).to_owned())
        }
        Some(Statement::Withdrawal(_)) | None => (none(), none(), none(), "withdrawn".to_owned(), none()),
    };
    let (machine, meter, id) = (report.machine.clone(), report.meter.clone(), report.report_id.clone());
    [row.whereabouts(), machine, meter, start, end, at, amount, unit, id]
}

fn words_of([place, machine, meter, start, end, at, amount, unit, id]: &[String; 9]) -> String {
    let when = if at.is_empty() { [start.as_str(), end].join(" to ") } else { format!("at {at}") };
    let said = [machine.as_str(), meter, &when, amount, unit];
    let said: Vec<&str> =
        said.into_iter().filter(|part| !part.trim().is_empty() && *part != " to ").collect();
    format!("{place}: {}, report {id}\n", said.join(" "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::DateTime;

    fn replacement() -> Replacement {
        Replacement {
            machine: "L-03".into(),
            meter: "operating".into(),
            at: DateTime::UNIX_EPOCH,
            closing: "12.5".into(),
            opening: "0".into(),
            id: "u/1/9/op".into(),
            place: "a.xml, line 3".into(),
        }
    }

    #[test]
    fn a_replacement_said_again_is_the_same_request() {
        let replacement = replacement();
        let (id, request) = replacement_request("north".into(), "hall", "Ada Kern".into(), &replacement);
        assert_eq!(
            replacement_request("north".into(), "hall", "Ada Kern".into(), &replacement),
            (id, request.clone())
        );
        assert_eq!(request.request_id, id.to_string());
        // RFC 9562, 5.8: version 8 is for ids of one's own making.
        assert_eq!(id.get_version_num(), 8);
        let requested = |of: &Replacement| replacement_request("north".into(), "hall", "Ada Kern".into(), of);
        // Under the same id with other content, the service refuses it.
        let (same, other) = requested(&Replacement { closing: "13".into(), ..replacement.clone() });
        assert_eq!((same, other.closing_value.as_str()), (id, "13"));
        for other in [
            Replacement { id: "u/1/10/op".into(), ..replacement.clone() },
            Replacement { machine: "L-04".into(), ..replacement.clone() },
            Replacement { meter: "loaded".into(), ..replacement.clone() },
        ] {
            assert_ne!(requested(&other).0, id, "{other:?}");
        }
    }

    #[test]
    fn another_closing_of_what_is_recorded_is_told_as_that() {
        let complaint =
            |code: &str| Complaint { code: Some(code.to_owned()), ..Complaint::new("no such person") };
        let told = not_recorded(&replacement(), &complaint("INVALID_ARGUMENT, REQUEST_ID_REUSED"));
        let begins = "a.xml, line 3: a replacement at 1970-01-01T00:00:00+00:00 is recorded already with another closing";
        assert!(told.starts_with(begins) && told.contains("`fettler hours replace`"), "{told}");
        let told = not_recorded(&replacement(), &complaint("NOT_FOUND, NOT_FOUND"));
        assert_eq!(told, "a.xml, line 3: the replacement was not recorded: no such person\n");
    }
}
