//! What a verification found, as text, JSON and rows.

use crate::{
    args::OutputForm,
    csvout,
    exit::{Answer, Failure},
    render::table::Table,
    session::Session,
};
use fettler_domain::journal::export::Verdict;
use fettler_domain::journal::note::VerifierKey;
use fettler_domain::journal::proof::Head;
use serde_json::json;
use std::fmt::Write as _;

/// What was verified and what is wrong.
pub(crate) struct Report {
    /// Which journal.
    pub(crate) origin: String,
    /// Its size and root.
    pub(crate) head: Head,
    /// The key by which signatures were checked.
    pub(crate) key: Option<VerifierKey>,
    /// Whether that key was known from elsewhere.
    pub(crate) key_was_given: bool,
    /// What held, in words.
    pub(crate) held: Vec<String>,
    /// What is wrong: where, and what.
    pub(crate) wrong: Vec<(String, String)>,
    /// How many more things are wrong.
    pub(crate) more: u64,
}

impl Report {
    /// Of an exported file that was held against so many kept checkpoints.
    pub(crate) fn of_export(verdict: Verdict, kept: usize, key_was_given: bool) -> Report {
        let origin = verdict.checkpoint.map(|checkpoint| checkpoint.origin.to_string());
        let wrong = verdict.findings.into_iter().map(|finding| (finding.place.to_string(), finding.text));
        let held = match kept {
            0 => Vec::new(),
            1 => vec!["it goes on from the checkpoint that was kept".to_owned()],
            many => vec![format!("it goes on from the {many} checkpoints that were kept")],
        };
        Report {
            origin: origin.unwrap_or_else(|| "unknown journal".to_owned()),
            head: verdict.read,
            key: verdict.key,
            key_was_given,
            held,
            wrong: wrong.collect(),
            more: verdict.more,
        }
    }

    /// Whether nothing is wrong.
    pub(crate) fn is_whole(&self) -> bool {
        self.wrong.is_empty()
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
        let verdict = if self.is_whole() { "whole" } else { "NOT WHOLE" };
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{verdict}: {}", self.origin);
        for (place, what) in &self.wrong {
            let _ = writeln!(text, "  {place}: {what}");
        }
        if self.more > 0 {
            let _ = writeln!(text, "  and {} more", self.more);
        }
        let _ = writeln!(text, "  entries  {}", self.head.size);
        let _ = writeln!(text, "  root     {}", self.head.root.to_hex());
        if let Some(key) = &self.key {
            let _ = writeln!(text, "  key      {key}");
        }
        if self.is_whole() {
            for held in &self.held {
                let _ = writeln!(text, "  {held}");
            }
            if self.held.is_empty() && !self.key_was_given {
                text.push_str(
                    "  neither a key nor a checkpoint from elsewhere was given: somebody who has the signing key could\n  \
                     have written this anew\n",
                );
            }
        }
        text
    }

    fn json(&self) -> String {
        let wrong: Vec<_> =
            self.wrong.iter().map(|(place, what)| json!({"where": place, "what": what})).collect();
        let value = json!({
            "whole": self.is_whole(),
            "origin": self.origin,
            "entries": self.head.size,
            "root": self.head.root.to_hex(),
            "key": self.key.as_ref().map(ToString::to_string),
            "wrong": wrong,
            "more": self.more,
        });
        format!("{value:#}\n")
    }

    fn rows(&self) -> Table {
        let mut table = Table::new(["where", "what"]);
        for (place, what) in &self.wrong {
            table.push([place.clone(), what.clone()]);
        }
        table
    }
}
