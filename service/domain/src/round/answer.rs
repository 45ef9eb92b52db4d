//! What people say of checks.

use crate::error::Violation;
use crate::ids::{OrderNumber, PersonId};
use crate::reading::ask::Odd;
use crate::shop::check::{Cadence, CheckCard};
use crate::text::{ForeignName, Key, Name};
use crate::time::Ts;
use serde::{Deserialize, Serialize};

/// The most answers of one call: no machine has more checks.
pub const ANSWERS_MAX: usize = crate::shop::limits::CHECKS_MAX;

/// What somebody says of the checks of a machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChecksSaid {
    /// The machine, by any of its names.
    pub machine: ForeignName,
    /// The round's shift, where it is named.
    pub shift: Option<Ts>,
    /// Who says it.
    pub by: Name,
    /// What was seen.
    pub answers: Vec<AnswerSaid>,
}

/// What somebody says of one check.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AnswerSaid {
    /// The check.
    pub check: Key,
    /// When it was seen.
    pub at: Ts,
    /// The value, a plain decimal text, and its unit; an empty unit means the test point's own.
    pub value: Option<(String, String)>,
    /// What is wrong.
    pub finding: Option<String>,
    /// That the value is so, however odd it looks.
    pub confirmed: bool,
}

/// What was seen at a check, as it is kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AnswerRecord {
    /// The check.
    pub check: Key,
    /// Its title then.
    pub title: Name,
    /// When it was seen.
    pub at: Ts,
    /// Who saw it.
    pub by: PersonId,
    /// When it was entered.
    pub entered_at: Ts,
    /// The value as it was said, with its unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// The reading's journal entry.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<i64>,
    /// What was wrong: how the value stands to its limits, and what was said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finding: Option<String>,
    /// What was said to be wrong, where a value out of limits adds words of its own to the finding.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said: Option<String>,
    /// The work order for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order: Option<OrderNumber>,
}

impl AnswerRecord {
    /// A check that is not declared any more, as its answer tells it.
    pub fn as_check(&self) -> CheckCard {
        CheckCard {
            key: self.check.clone(),
            title: self.title.clone(),
            place: String::new(),
            good: String::new(),
            every: Cadence::Shift,
            point: None,
            cautions: Vec::new(),
            hazard: false,
            retire: false,
            start: None,
            minutes: None,
            since: None,
        }
    }

    /// Whether the same is said of the same instant.
    pub fn is_said_again(&self, said: &AnswerSaid, by: PersonId) -> bool {
        let value = said.value.as_ref().map(value_text);
        let finding = match &self.said {
            Some(_) => self.said == said.finding,
            None => said.finding.is_none() || self.finding == said.finding,
        };
        self.check == said.check && self.at == said.at && self.by == by && self.value == value && finding
    }
}

/// A value with its unit, as it was said.
pub fn value_text((value, unit): &(String, String)) -> String {
    format!("{value} {unit}").trim_end().to_owned()
}

/// Puts an answer in the place of an older one to the same check; a newer one stays, in whatever order they come.
pub fn keep(answers: &mut Vec<AnswerRecord>, answer: AnswerRecord) {
    match answers.iter_mut().find(|old| old.check == answer.check) {
        Some(old) if old.at > answer.at => {}
        Some(old) => *old = answer,
        None => answers.push(answer),
    }
}

/// What became of an answer.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Recorded {
    /// Whether it stands now.
    pub recorded: bool,
    /// Whether it stood already.
    pub duplicate: bool,
    /// What is odd about its value; nothing was recorded then.
    pub odd: Vec<Odd>,
    /// Why it cannot be taken.
    pub wrong: Vec<Violation>,
    /// The work order for it.
    pub order: Option<OrderNumber>,
    /// What whoever said it should know.
    pub remarks: Vec<String>,
}

/// The longest title of a work order, in characters.
const TITLE_MAX: usize = 120;

/// The title of the order that a finding raises, cut to what a title holds.
pub fn order_title(check: &str, finding: &str) -> String {
    let words: Vec<&str> = finding.split_whitespace().collect();
    let whole = format!("{check}: {}", words.join(" "));
    if whole.chars().count() <= TITLE_MAX {
        return whole;
    }
    let mut cut: String = whole.chars().take(TITLE_MAX - 1).collect();
    cut.push('…');
    cut
}
