//! What a verification found, as text, JSON and rows.

use crate::{
    args::OutputForm,
    csvout,
    exit::{Answer, Failure},
    render::table::Table,
    session::Session,
};
use fettler_domain::journal::Hash;
use fettler_domain::journal::export::{Finding, Place, Verdict};
use fettler_domain::journal::lineage::{Lineages, Opening};
use fettler_domain::journal::note::VerifierKey;
use fettler_domain::journal::proof::Head;
use serde_json::json;
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// The restores of a journal, in words.
pub(crate) fn restores(lineages: &Lineages) -> Vec<String> {
    lineages.openings().iter().map(Opening::words).collect()
}

/// What was verified and what is wrong.
pub(crate) struct Report {
    /// Which journal.
    pub(crate) origin: String,
    /// Its size and root, where they are known.
    pub(crate) head: Option<Head>,
    /// The key by which signatures were checked.
    pub(crate) key: Option<VerifierKey>,
    /// Whether that key was known from elsewhere.
    pub(crate) key_was_given: bool,
    /// Whether a checkpoint from elsewhere was.
    pub(crate) kept_was_given: bool,
    /// What could not be judged, in words.
    pub(crate) passed_over: Vec<String>,
    /// What held, in words.
    pub(crate) held: Vec<String>,
    /// The restores that the journal tells of, in words.
    pub(crate) restores: Vec<String>,
    /// What a restore left behind: where that shows, and what.
    pub(crate) gone: Vec<(String, String)>,
    /// What is wrong: where, and what.
    pub(crate) wrong: Vec<(String, String)>,
    /// How many more things are wrong.
    pub(crate) more: u64,
}

impl Report {
    /// Of a journal in which nothing was looked at yet.
    pub(crate) fn of(origin: String, head: Head) -> Report {
        Report {
            origin,
            head: Some(head),
            key: None,
            key_was_given: false,
            kept_was_given: false,
            passed_over: Vec::new(),
            held: Vec::new(),
            restores: Vec::new(),
            gone: Vec::new(),
            wrong: Vec::new(),
            more: 0,
        }
    }

    /// Of an exported file that was held against kept checkpoints of these names.
    pub(crate) fn of_export(verdict: Verdict, kept: &[String], key_was_given: bool) -> Report {
        let origin = verdict.checkpoint.as_ref().map(|checkpoint| checkpoint.origin.to_string());
        let (restores, key) = (restores(&verdict.lineages), verdict.key.clone());
        let of = Report::of(origin.unwrap_or_else(|| "unknown journal".to_owned()), verdict.read);
        let mut report = Report { key, key_was_given, kept_was_given: !kept.is_empty(), restores, ..of };
        let not_held: BTreeSet<Place> = verdict
            .findings
            .iter()
            .map(|found| found.place)
            .filter(|at| matches!(at, Place::Kept(_)))
            .collect();
        report.take(verdict, kept);
        let kept = kept.len();
        report.held = match kept - not_held.len() {
            0 => Vec::new(),
            1 if kept > 1 => vec!["it goes on from the other checkpoint that was kept".to_owned()],
            1 => vec!["it goes on from the checkpoint that was kept".to_owned()],
            many if many < kept => vec![format!("it goes on from {many} of the checkpoints that were kept")],
            many => vec![format!("it goes on from the {many} checkpoints that were kept")],
        };
        report
    }

    /// What reading every entry found besides.
    pub(crate) fn add(&mut self, verdict: Verdict) {
        self.take(verdict, &[]);
    }

    fn take(&mut self, verdict: Verdict, kept: &[String]) {
        let place = |finding: &Finding| match finding.place {
            Place::Kept(n) => kept.get(n).cloned().unwrap_or_else(|| finding.place.to_string()),
            Place::Header | Place::Entry(_) | Place::End => finding.place.to_string(),
        };
        for finding in verdict.findings {
            let told = if finding.is_restored { &mut self.gone } else { &mut self.wrong };
            told.push((place(&finding), finding.text));
        }
        self.more += verdict.more;
    }

    /// Of a service whose journal cannot be held against anything, for this reason.
    pub(crate) fn of_refusal(what: String) -> Report {
        let nothing = Head { size: 0, root: Hash([0; 32]) };
        Report {
            head: None,
            wrong: vec![("service".to_owned(), what)],
            ..Report::of("the service's journal".to_owned(), nothing)
        }
    }

    /// Whether nothing is wrong, and nothing that was signed is gone.
    pub(crate) fn is_whole(&self) -> bool {
        self.wrong.is_empty() && self.gone.is_empty()
    }

    /// What is wrong or gone.
    fn told(&self) -> impl Iterator<Item = &(String, String)> {
        self.wrong.iter().chain(&self.gone)
    }

    /// Shows it, and answers no where something is wrong.
    pub(crate) fn show(&self, session: &Session) -> Result<Answer, Failure> {
        let shown = match session.settings.output {
            OutputForm::Table => self.text(),
            OutputForm::Json => self.json(),
            OutputForm::Csv => csvout::text(&self.rows()),
        };
        session.out.data(&shown)?;
        if self.is_whole() {
            return Ok(Answer::Done);
        }
        Ok(Answer::No)
    }

    fn text(&self) -> String {
        let mut text = String::new();
        let verdict = match (self.wrong.as_slice(), self.gone.as_slice()) {
            ([], []) => "whole",
            // Nothing was altered; but not all that was signed is there, and the journal says why.
            ([], _) => "RESTORED",
            _ => "NOT WHOLE",
        };
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{verdict}: {}", self.origin);
        for (place, what) in self.told() {
            let _ = writeln!(text, "  {place}: {what}");
        }
        if self.more > 0 {
            let _ = writeln!(text, "  and {} more", self.more);
        }
        if let Some(head) = &self.head {
            let _ = writeln!(text, "  entries  {}", head.size);
            let _ = writeln!(text, "  root     {}", head.root.to_hex());
        }
        if let Some(key) = &self.key {
            let _ = writeln!(text, "  key      {key}");
        }
        for restored in &self.restores {
            let _ = writeln!(text, "  {restored}");
        }
        if self.wrong.is_empty() {
            for held in &self.held {
                let _ = writeln!(text, "  {held}");
            }
            for passed_over in &self.passed_over {
                let _ = writeln!(text, "  {passed_over}");
            }
            if !self.kept_was_given {
                text.push_str(if self.key_was_given {
                    "  no checkpoint from elsewhere was given: this may be an older journal than there is, or one that\n  \
                     somebody who has the signing key has written anew\n"
                } else {
                    "  neither a key nor a checkpoint from elsewhere was given: whoever wrote this anew could have signed it\n  \
                     with a key of their own\n"
                });
            }
        }
        text
    }

    fn json(&self) -> String {
        let told = |all: &[(String, String)]| -> Vec<_> {
            all.iter().map(|(place, what)| json!({"where": place, "what": what})).collect()
        };
        let value = json!({
            "whole": self.is_whole(),
            "origin": self.origin,
            "entries": self.head.as_ref().map(|head| head.size),
            "root": self.head.as_ref().map(|head| head.root.to_hex()),
            "key": self.key.as_ref().map(ToString::to_string),
            "key_was_given": self.key_was_given,
            "checkpoint_was_given": self.kept_was_given,
            "held": self.held,
            "passed_over": self.passed_over,
            "restores": self.restores,
            "gone": told(&self.gone),
            "wrong": told(&self.wrong),
            "more": self.more,
        });
        format!("{value:#}\n")
    }

    fn rows(&self) -> Table {
        let mut table = Table::new(["where", "what"]);
        for (place, what) in self.told() {
            table.push([place.clone(), what.clone()]);
        }
        table
    }
}
