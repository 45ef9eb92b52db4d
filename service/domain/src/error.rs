//! Errors by what the caller should do. The service maps each to its status in one place.

use serde::{Deserialize, Serialize};

/// A field that cannot be taken: where it stands, what is wrong with which value, and the remedy.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Violation {
    /// The field as a path: `shop.machines[2].tag`.
    pub field: String,
    /// The value and the remedy, lower case, no full stop.
    pub text: String,
}

impl Violation {
    /// A violation at a field.
    pub fn new(field: impl Into<String>, text: impl Into<String>) -> Violation {
        Violation { field: field.into(), text: text.into() }
    }
}

/// The reason, as programs read it, of what is not taken only because it looks like a slip ([`Error::AskedBack`]).
pub const ASKED_BACK: &str = "ASKED_BACK";
/// What may be meant by the fields that are asked back, as programs read it: a JSON object of lists of names, by field.
pub const MEANT: &str = "meant";

/// A field that can be taken and looks like a slip of the hand: it is asked back once, and taken as it was said where it is confirmed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Question {
    /// The field, with what is odd about it and how it is confirmed.
    pub odd: Violation,
    /// What may be meant, the nearest first.
    pub meant: Vec<String>,
}

impl Question {
    /// A question to which nothing is near.
    pub fn new(field: impl Into<String>, text: impl Into<String>) -> Question {
        Question { odd: Violation::new(field, text), meant: Vec::new() }
    }
}

/// Why an intention is refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Mend these fields and ask again.
    #[error("{}", join(.0))]
    Invalid(Vec<Violation>),
    /// Nothing is wrong but what looks like a slip: say it again, or confirm it.
    #[error("{}", join_asked(.0))]
    AskedBack(Vec<Question>),
    /// There is no such thing; `remedy` says how to find or make it.
    #[error("there is no {kind} {}; {remedy}", of_name(name))]
    NotFound {
        /// The noun: "machine".
        kind: &'static str,
        /// What was asked for; empty where there is none at all.
        name: String,
        /// What to do.
        remedy: String,
    },
    /// The thing exists, but stands in a way that does not allow this.
    #[error("{text}")]
    WrongState {
        /// A word that programs can read: `ORDER_NOT_OPEN`.
        reason: &'static str,
        /// What stands in the way: "order 1042".
        subject: String,
        /// What is wrong and what to do.
        text: String,
    },
    /// The caller may not do this; somebody else may.
    #[error("{text}")]
    NotAllowed {
        /// A word that programs can read: `MANAGER_ONLY`.
        reason: &'static str,
        /// What was asked for: "order 1042".
        subject: String,
        /// Who may, and what to do.
        text: String,
    },
    /// The request id was used before with another content.
    #[error("request id {0} was used before for another request; use a new one")]
    RequestReused(String),
}

impl Error {
    /// A single violation.
    pub fn invalid(field: impl Into<String>, text: impl Into<String>) -> Error {
        Error::Invalid(vec![Violation::new(field, text)])
    }

    /// No machine answers to a name.
    pub fn no_machine(name: impl Into<String>) -> Error {
        let remedy = "`fettler machine list` shows those there are".to_owned();
        Error::NotFound { kind: "machine", name: name.into(), remedy }
    }
}

/// A name as it was asked for; where none was, there is not one of its kind yet.
fn of_name(name: &str) -> String {
    if name.is_empty() { "yet".to_owned() } else { format!("`{name}`") }
}

fn join(violations: &[Violation]) -> String {
    violations.iter().map(told).collect::<Vec<_>>().join("; ")
}

fn join_asked(asked: &[Question]) -> String {
    asked.iter().map(|question| told(&question.odd)).collect::<Vec<_>>().join("; ")
}

fn told(Violation { field, text }: &Violation) -> String {
    match field.as_str() {
        "" => text.clone(),
        field => format!("{field}: {text}"),
    }
}
