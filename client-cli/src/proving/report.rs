//! What a verification found, as text, JSON and rows.

use crate::{
    args::OutputForm,
    csvout,
    exit::{Answer, Failure},
    render::table::Table,
    session::Session,
};
use fettler_domain::journal::export::{Finding, Verdict};
use fettler_domain::journal::lineage::{Lineages, Opening};
use fettler_domain::journal::note::VerifierKey;
use fettler_domain::journal::proof::Head;
use serde_json::json;
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
    /// Of an exported file that was held against so many kept checkpoints.
    pub(crate) fn of_export(verdict: Verdict, kept: usize, key_was_given: bool) -> Report {
        let origin = verdict.checkpoint.map(|checkpoint| checkpoint.origin.to_string());
        let restores = restores(&verdict.lineages);
        let (gone, wrong): (Vec<Finding>, Vec<Finding>) =
            verdict.findings.into_iter().partition(|finding| finding.is_restored);
        let told = |findings: Vec<Finding>| {
            findings.into_iter().map(|finding| (finding.place.to_string(), finding.text)).collect()
        };
        let held = match kept - gone.len().min(kept) {
            0 => Vec::new(),
            1 if kept > 1 => vec!["it goes on from the other checkpoint that was kept".to_owned()],
            1 => vec!["it goes on from the checkpoint that was kept".to_owned()],
            many if many < kept => vec![format!("it goes on from {many} of the checkpoints that were kept")],
            many => vec![format!("it goes on from the {many} checkpoints that were kept")],
        };
        Report {
            origin: origin.unwrap_or_else(|| "unknown journal".to_owned()),
            head: Some(verdict.read),
            key: verdict.key,
            key_was_given,
            held,
            restores,
            gone: told(gone),
            wrong: told(wrong),
            more: verdict.more,
        }
    }

    /// Of a service whose journal cannot be held against anything, for this reason.
    pub(crate) fn of_refusal(what: String) -> Report {
        Report {
            origin: "the service's journal".to_owned(),
            head: None,
            key: None,
            key_was_given: false,
            held: Vec::new(),
            restores: Vec::new(),
            gone: Vec::new(),
            wrong: vec![("service".to_owned(), what)],
            more: 0,
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
            if self.held.is_empty() && self.gone.is_empty() && !self.key_was_given {
                text.push_str(
                    "  neither a key nor a checkpoint from elsewhere was given: somebody who has the signing key could\n  \
                     have written this anew\n",
                );
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
            "held": self.held,
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
