//! What became of the rows: counts, the rows that need a look, and one record per row where a program listens.

use super::{
    report,
    row::{Columns, Row},
};
use crate::{
    args::OutputForm,
    csvout,
    exit::Failure,
    json,
    out::Out,
    render::{
        words::{self, grouped},
        wrap::lines,
    },
};
use fettler_proto::v1 as pb;
use std::{
    collections::BTreeSet,
    fmt::Write as _,
    time::{Duration, Instant},
};

/// How many rows that need a look are listed unless all are asked for.
const LISTED_MAX: u64 = 20;
/// How many things that are said besides are told.
const REMARKS_MAX: usize = 20;
/// Where more of them stand.
const REMARKS_MORE: &str = "`fettler hours held --reason same-revision` lists what lost its place to another content, `fettler hours list` \
                            names sources that are not declared";
/// How often progress is shown on a terminal.
const PROGRESS_EVERY: Duration = Duration::from_millis(250);
/// The outcomes in the order in which they are counted up.
const OUTCOMES: [pb::Outcome; 6] = [
    pb::Outcome::Accepted,
    pb::Outcome::Duplicate,
    pb::Outcome::Replaces,
    pb::Outcome::Superseded,
    pb::Outcome::Held,
    pb::Outcome::Refused,
];

/// Counts rows as they are settled.
pub(crate) struct Tally {
    out: Out,
    form: OutputForm,
    width: usize,
    columns: Columns,
    source: String,
    listed_max: u64,
    counts: [u64; OUTCOMES.len()],
    held_again: u64,
    listed: u64,
    unlisted: u64,
    displaced: u64,
    let_in: u64,
    /// What was said besides, each thing once, up to a bound.
    remarks: BTreeSet<String>,
    /// Of how many reports something else was said besides.
    remarked_more: u64,
    shown_at: Option<Instant>,
}

/// How rows are told.
pub(crate) struct Telling {
    /// In which form.
    pub(crate) form: OutputForm,
    /// How wide.
    pub(crate) width: usize,
    /// Whether every row that needs a look is listed.
    pub(crate) all: bool,
}

/// Whether an acknowledgement needs no look: nothing about the report is held or refused.
pub(crate) fn counts(ack: &pb::Acknowledgement) -> bool {
    match ack.outcome() {
        pb::Outcome::Accepted | pb::Outcome::Replaces | pb::Outcome::Superseded => true,
        pb::Outcome::Duplicate => ack.became() != pb::ReportState::Held,
        pb::Outcome::Held | pb::Outcome::Refused | pb::Outcome::Unspecified => false,
    }
}

impl Tally {
    /// Nothing counted yet.
    pub(crate) fn new(
        out: Out,
        telling: &Telling,
        columns: Columns,
        source: String,
    ) -> Result<Tally, Failure> {
        if telling.form == OutputForm::Csv {
            out.data(&csvout::line(report::HEADERS))?;
        }
        Ok(Tally {
            out,
            form: telling.form,
            width: telling.width,
            columns,
            source,
            listed_max: if telling.all { u64::MAX } else { LISTED_MAX },
            counts: [0; OUTCOMES.len()],
            held_again: 0,
            listed: 0,
            unlisted: 0,
            displaced: 0,
            let_in: 0,
            remarks: BTreeSet::new(),
            remarked_more: 0,
            shown_at: None,
        })
    }

    /// How many rows are settled.
    pub(crate) fn settled(&self) -> u64 {
        self.counts.iter().sum()
    }

    /// Whether every row counts.
    pub(crate) fn all_count(&self) -> bool {
        self.listed + self.unlisted == 0
    }

    /// Takes a row that the service acknowledged.
    pub(crate) fn acknowledged(&mut self, row: &Row, ack: &pb::Acknowledgement) -> Result<(), Failure> {
        self.count(ack);
        self.tell(row, ack)
    }

    /// Takes a row that could not be sent, because its line could not be read.
    pub(crate) fn unreadable(&mut self, row: &Row, problems: &[pb::FieldProblem]) -> Result<(), Failure> {
        let ack = pb::Acknowledgement {
            report: Some(pb::ReportReference { source: self.source.clone(), ..Default::default() }),
            outcome: pb::Outcome::Refused.into(),
            problems: problems.to_vec(),
            ..Default::default()
        };
        self.count(&ack);
        self.tell(row, &ack)
    }

    fn count(&mut self, ack: &pb::Acknowledgement) {
        if let Some(at) = OUTCOMES.iter().position(|outcome| *outcome == ack.outcome()) {
            self.counts[at] += 1;
        }
        if ack.outcome() == pb::Outcome::Duplicate && !counts(ack) {
            self.held_again += 1;
        }
        self.displaced += ack.displaced.len() as u64;
        self.let_in += ack.let_in.len() as u64;
        let mut is_more = false;
        for remark in &ack.remarks {
            if self.remarks.len() < REMARKS_MAX {
                self.remarks.insert(remark.clone());
            } else {
                is_more |= !self.remarks.contains(remark);
            }
        }
        self.remarked_more += u64::from(is_more);
        self.progress();
    }

    fn tell(&mut self, row: &Row, ack: &pb::Acknowledgement) -> Result<(), Failure> {
        let needs_a_look = !counts(ack);
        let listed = needs_a_look && self.listed < self.listed_max;
        self.listed += u64::from(listed);
        self.unlisted += u64::from(needs_a_look && !listed);
        match self.form {
            OutputForm::Json => self.out.data(&json::line(ack))?,
            OutputForm::Csv => {
                let cells = report::cells(row, ack, &self.columns);
                self.out.data(&csvout::line(cells.iter().map(String::as_str)))?;
            }
            OutputForm::Table if listed => {
                self.clear_progress();
                self.out.data(&report::text(row, ack, &self.columns, self.width))?;
            }
            OutputForm::Table => {}
        }
        Ok(())
    }

    fn progress(&mut self) {
        if !self.out.is_watched() || self.shown_at.is_some_and(|at| at.elapsed() < PROGRESS_EVERY) {
            return;
        }
        self.shown_at = Some(Instant::now());
        self.out.note(&format!("\r{} rows settled", grouped(self.settled())));
    }

    /// Takes the progress line off the terminal, so that something else can stand there.
    pub(crate) fn clear_progress(&self) {
        if self.shown_at.is_some() {
            self.out.note("\r\u{1b}[K");
        }
    }

    /// Tells the counts: on stdout for people, on stderr where stdout carries a record per row.
    pub(crate) fn finish(&self) -> Result<(), Failure> {
        self.clear_progress();
        let text = self.summary();
        if self.form == OutputForm::Table {
            self.out.data(&text)?;
        } else {
            self.out.note(&text);
        }
        Ok(())
    }

    fn summary(&self) -> String {
        let mut text = String::new();
        if self.form == OutputForm::Table {
            if self.unlisted > 0 {
                let _ = writeln!(
                    text,
                    "{} more held or refused rows; list them with --all",
                    grouped(self.unlisted)
                );
            }
            if self.listed > 0 {
                text.push('\n');
            }
        }
        let _ = writeln!(text, "{:<12}{:>12}", "rows", grouped(self.settled()));
        for (outcome, count) in OUTCOMES.iter().zip(self.counts) {
            if count > 0 {
                let _ = writeln!(text, "{:<12}{:>12}", words::outcome(*outcome), grouped(count));
            }
        }
        for (count, meaning) in [
            (
                self.held_again,
                ["duplicate repeats a report that is held", "duplicates repeat a report that is held"],
            ),
            (
                self.displaced,
                ["report counted before and does not now", "reports counted before and do not now"],
            ),
            (
                self.let_in,
                ["report was held before and counts now", "reports were held before and count now"],
            ),
        ] {
            if count > 0 {
                let _ = writeln!(text, "{} {}", grouped(count), meaning[usize::from(count != 1)]);
            }
        }
        for remark in &self.remarks {
            let _ = writeln!(text, "{}", lines(remark, self.width).join("\n"));
        }
        // JSON has told all of them, each with its report.
        if self.remarked_more > 0 && self.form != OutputForm::Json {
            let reports = if self.remarked_more == 1 { "report has" } else { "reports have" };
            let more = format!("{} more {reports} such remarks: {REMARKS_MORE}", grouped(self.remarked_more));
            let _ = writeln!(text, "{}", lines(&more, self.width).join("\n"));
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::origin::Given;

    #[test]
    fn what_is_said_of_many_reports_is_told_of_some_and_where_the_rest_stands() {
        let told = |form: OutputForm, reports: usize| {
            let telling = Telling { form, width: 400, all: false };
            let out = Out::standard(&Given::default());
            let mut tally = Tally::new(out, &telling, Columns::default(), "erp".to_owned()).unwrap();
            for report in 0..reports {
                let own = format!("report r{report:03} came before with other content");
                let remarks = vec!["the source is not declared".to_owned(), own];
                tally.count(&pb::Acknowledgement { remarks, ..Default::default() });
            }
            tally.summary()
        };
        let few = told(OutputForm::Table, REMARKS_MAX - 1);
        assert_eq!(few.matches("came before").count(), REMARKS_MAX - 1, "{few}");
        assert!(!few.contains("more report"), "{few}");
        let many = told(OutputForm::Table, REMARKS_MAX + 4);
        assert_eq!(many.matches("is not declared\n").count(), 1, "{many}");
        assert!(many.ends_with(&format!("\n5 more reports have such remarks: {REMARKS_MORE}\n")), "{many}");
        assert!(!told(OutputForm::Json, REMARKS_MAX + 4).contains("more report"));
    }

    #[test]
    fn what_needs_a_look() {
        let ack = |outcome: pb::Outcome, became: pb::ReportState| pb::Acknowledgement {
            outcome: outcome.into(),
            became: became.into(),
            ..Default::default()
        };
        assert!(counts(&ack(pb::Outcome::Accepted, pb::ReportState::Unspecified)));
        assert!(counts(&ack(pb::Outcome::Duplicate, pb::ReportState::Counted)));
        assert!(!counts(&ack(pb::Outcome::Duplicate, pb::ReportState::Held)));
        assert!(!counts(&ack(pb::Outcome::Held, pb::ReportState::Unspecified)));
        assert!(!counts(&ack(pb::Outcome::Refused, pb::ReportState::Unspecified)));
    }
}
