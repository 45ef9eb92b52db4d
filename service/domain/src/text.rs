//! Bounded texts: what a name, a tag or a note may be. Lengths count characters, not bytes. A copy shares the text: a
//! batch of reports names each source and report many times over.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::sync::Arc;

/// Why a text cannot be taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TextError {
    /// Nothing was given where something is needed.
    #[error("is empty; give 1 to {max} characters")]
    Empty {
        /// The longest text allowed.
        max: usize,
    },
    /// Longer than allowed.
    #[error("has {len} characters; give at most {max}")]
    TooLong {
        /// Its length.
        len: usize,
        /// The longest allowed.
        max: usize,
    },
    /// A control character, or space at an end.
    #[error("has a control character or a space at its start or end; remove it")]
    Control,
    /// A key has a character that keys may not have.
    #[error("may hold only letters, digits, `.`, `-` and `_`; found `{0}`")]
    NotKey(char),
}

macro_rules! bounded_text {
    ($(#[$doc:meta])* $name:ident, $max:expr, $key:expr) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(Arc<str>);

        impl $name {
            /// The longest such text, in characters.
            pub const MAX: usize = $max;

            /// Takes a text that keeps the rules of this kind.
            pub fn new(text: impl Into<String>) -> Result<$name, TextError> {
                let text = text.into();
                check(&text, $max, $key)?;
                Ok($name(text.into()))
            }

            /// The text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
    };
}

bounded_text!(
    /// A key: a machine's tag, a task's or a site's short name. Letters, digits, `.`, `-`, `_`.
    Key, 40, true
);
bounded_text!(
    /// A name or title as people write it.
    Name, 120, false
);
bounded_text!(
    /// A name that another system gives: a source, a report id, a machine in the ERP.
    ForeignName, 120, false
);

/// The longest note, in characters.
pub const NOTE_MAX: usize = 4_000;

/// Takes a note: up to [`NOTE_MAX`] characters, line breaks and tabs allowed, other control characters not.
pub fn note(text: &str) -> Result<&str, TextError> {
    let len = text.chars().count();
    if len > NOTE_MAX {
        return Err(TextError::TooLong { len, max: NOTE_MAX });
    }
    if text.chars().any(|c| c.is_control() && !matches!(c, '\n' | '\t' | '\r')) {
        return Err(TextError::Control);
    }
    Ok(text)
}

/// Takes a text of one line: up to `max` characters, none of them a control character; it may be empty.
pub fn line(text: &str, max: usize) -> Result<&str, TextError> {
    let len = text.chars().count();
    if len > max {
        return Err(TextError::TooLong { len, max });
    }
    if text.chars().any(char::is_control) {
        return Err(TextError::Control);
    }
    Ok(text)
}

fn check(text: &str, max: usize, key: bool) -> Result<(), TextError> {
    if text.is_empty() {
        return Err(TextError::Empty { max });
    }
    let len = text.chars().count();
    if len > max {
        return Err(TextError::TooLong { len, max });
    }
    if text.trim() != text || text.chars().any(char::is_control) {
        return Err(TextError::Control);
    }
    if key && let Some(c) = text.chars().find(|c| !(c.is_alphanumeric() || matches!(c, '.' | '-' | '_'))) {
        return Err(TextError::NotKey(c));
    }
    Ok(())
}

/// The number of letters to insert, drop or change to turn one text into the other.
pub(crate) fn letters_apart(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], i + 1);
        for (j, to) in b.iter().enumerate() {
            let changed = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = changed.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}
