//! PINs: what they must look like, how often a wrong one is heard, and how a person was known in whose name something is said.
//!
//! The PIN itself is never seen here but to judge its form; its hash is made and compared outside.

use crate::error::Error;
use crate::ids::PersonId;
use crate::time::{MICROS_PER_MINUTE, Ts};
use serde::{Deserialize, Serialize};

/// The fewest digits of a PIN.
pub const DIGITS_MIN: usize = 6;
/// The most digits of a PIN.
pub const DIGITS_MAX: usize = 12;
/// After so many wrong PINs in a row none is heard for [`PAUSE_MICROS`].
pub const WRONG_IN_A_ROW: u32 = 5;
/// How long no PIN is heard then, in microseconds: 15 minutes, long enough that nobody tries one after the other at a tablet.
pub const PAUSE_MICROS: i64 = 15 * MICROS_PER_MINUTE;
/// After so many wrong PINs in a row none is heard until a new one is set (NIST SP 800-63B, 5.2.2: no more than 100). Who
/// guesses at six digits finds them so once in ten thousand times.
pub const WRONG_MAX: u32 = 100;

/// How a person was known in whose name something is said. Where neither holds, they were only named.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Known {
    /// Their PIN came with the call.
    #[serde(rename = "PIN")]
    Pin,
    /// The call came by a token of their own.
    #[serde(rename = "own token")]
    OwnToken,
}

impl Known {
    /// The word that stands in the journal.
    pub const fn word(self) -> &'static str {
        match self {
            Known::Pin => "PIN",
            Known::OwnToken => "own token",
        }
    }

    /// What a journal's word says; none for any other.
    pub fn from_word(word: &str) -> Option<Known> {
        [Known::Pin, Known::OwnToken].into_iter().find(|known| known.word() == word)
    }
}

/// A person in whose name something is said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Speaker {
    /// The person.
    pub person: PersonId,
    /// By what they are known; none when they are only named.
    pub known: Option<Known>,
}

/// Refuses a PIN that is none, or that is tried first by whoever guesses.
pub fn fit(field: &str, pin: &str) -> Result<(), Error> {
    let digits = pin.len();
    if !pin.bytes().all(|b| b.is_ascii_digit()) || !(DIGITS_MIN..=DIGITS_MAX).contains(&digits) {
        return Err(Error::invalid(field, format!("is no PIN; give {DIGITS_MIN} to {DIGITS_MAX} digits")));
    }
    let steps: Vec<i16> =
        pin.as_bytes().windows(2).map(|two| i16::from(two[1]) - i16::from(two[0])).collect();
    if steps.iter().all(|step| *step == steps[0] && step.abs() <= 1) {
        return Err(Error::invalid(
            field,
            "is one digit again and again, or counts up or down; give another",
        ));
    }
    Ok(())
}

/// The wrong PINs in a row that were said in a person's name.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wrong {
    /// How many.
    pub count: u32,
    /// When the last one was said.
    pub last: Option<Ts>,
}

/// Whether a PIN is heard now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hearing {
    /// It is.
    Open,
    /// Not before an instant.
    Pausing(Ts),
    /// Not until a new one is set.
    Shut,
}

impl Wrong {
    /// Whether a PIN is heard at an instant. A clock that was set back opens nothing.
    pub fn hearing(self, now: Ts) -> Hearing {
        if self.count >= WRONG_MAX {
            return Hearing::Shut;
        }
        let Some(last) = self.last.filter(|_| self.count > 0 && self.count.is_multiple_of(WRONG_IN_A_ROW))
        else {
            return Hearing::Open;
        };
        let until = last.plus_micros(PAUSE_MICROS);
        if now < until { Hearing::Pausing(until) } else { Hearing::Open }
    }

    /// With one more.
    #[must_use]
    pub fn and_another(self, now: Ts) -> Wrong {
        Wrong { count: self.count.saturating_add(1), last: Some(now) }
    }

    /// How many more are heard before a pause.
    pub fn left(self) -> u32 {
        WRONG_IN_A_ROW - self.count % WRONG_IN_A_ROW
    }
}

/// Why nothing is taken in a person's name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unproven<'a> {
    /// The site asks for a PIN, and none came.
    Needed {
        /// The site's key.
        site: &'a str,
    },
    /// They have none.
    NotSet,
    /// It is wrong; so many more are heard before a pause.
    Wrong(u32),
    /// None is heard at this instant.
    NotHeard(Hearing, Ts),
}

impl Unproven<'_> {
    /// The refusal, which names the field that names the person, and what to do. The name itself stays out of the words,
    /// as they go to logs.
    pub fn refusal(self, field: &str, name: &str) -> Error {
        let own = "or come with a token of theirs (`fettlerd token add … --person NAME`)";
        let set = "a manager sets one with `fettler person pin NAME`";
        let (reason, text) = match self {
            Unproven::Needed { site } => (
                "PIN_NEEDED",
                format!(
                    "`{field}` names a person, and site {site} asks for their PIN; send it as metadata `fettler-pin`, {own}"
                ),
            ),
            Unproven::NotSet => {
                ("PIN_NOT_SET", format!("a PIN came for the person in `{field}`, who has none; {set}, {own}"))
            }
            Unproven::Wrong(left) => (
                "PIN_WRONG",
                format!(
                    "the PIN is not that of the person in `{field}`; {left} more before a pause of 15 minutes; {set}"
                ),
            ),
            Unproven::NotHeard(Hearing::Pausing(until), now) => (
                "PIN_PAUSED",
                format!(
                    "too many wrong PINs were given for the person in `{field}`; none is heard for another {}; wait, {own}, or {set}",
                    until.ahead_in_words(now)
                ),
            ),
            Unproven::NotHeard(Hearing::Shut | Hearing::Open, _) => (
                "PIN_SHUT",
                format!(
                    "{WRONG_MAX} wrong PINs in a row were given for the person in `{field}`; none is heard until {set}"
                ),
            ),
        };
        Error::NotAllowed { reason, subject: format!("person {name}"), text }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pin_is_six_to_twelve_digits_and_not_the_first_guess() {
        for pin in ["271828", "000001", "112233", "135790", "271828182845"] {
            assert_eq!(fit("pin", pin), Ok(()), "{pin}");
        }
        for pin in
            ["", "27182", "2718281828459", "27182a", "２７１８２８", "000000", "123456", "987654", "01234567"]
        {
            assert!(fit("pin", pin).is_err(), "{pin}");
        }
    }

    #[test]
    fn five_wrong_ones_make_a_pause_and_a_hundred_an_end() {
        let at = |minutes: i64| Ts(1_795_600_200_000_000 + minutes * MICROS_PER_MINUTE);
        let wrong = |count| Wrong { count, last: Some(at(0)) };
        let check = |count, minutes, expect| assert_eq!(wrong(count).hearing(at(minutes)), expect, "{count}");
        assert_eq!(Wrong::default().hearing(at(0)), Hearing::Open);
        for count in [1, 4, 6, 9] {
            check(count, 0, Hearing::Open);
        }
        for count in [5, 10, 95] {
            check(count, 0, Hearing::Pausing(at(15)));
            check(count, -60, Hearing::Pausing(at(15)));
            check(count, 14, Hearing::Pausing(at(15)));
            check(count, 15, Hearing::Open);
        }
        check(100, 1_000_000, Hearing::Shut);
        assert_eq!([0, 1, 4, 5, 6].map(|count| wrong(count).left()), [5, 4, 1, 5, 4]);
        assert_eq!(wrong(4).and_another(at(3)), Wrong { count: 5, last: Some(at(3)) });
    }

    #[test]
    fn words_of_the_journal_are_read_as_they_are_written() {
        for known in [Known::Pin, Known::OwnToken] {
            assert_eq!(Known::from_word(known.word()), Some(known));
            assert_eq!(serde_json::to_value(known).unwrap(), known.word());
        }
        assert_eq!(Known::from_word("named"), None);
    }

    #[test]
    fn a_refusal_names_field_and_remedy_and_keeps_the_name_to_itself() {
        let pausing = Hearing::Pausing(Ts(0));
        for (why, reason) in [
            (Unproven::Needed { site: "north" }, "PIN_NEEDED"),
            (Unproven::NotSet, "PIN_NOT_SET"),
            (Unproven::Wrong(4), "PIN_WRONG"),
            (Unproven::NotHeard(pausing, Ts(0)), "PIN_PAUSED"),
            (Unproven::NotHeard(Hearing::Shut, Ts(0)), "PIN_SHUT"),
        ] {
            let Error::NotAllowed { reason: said, subject, text } = why.refusal("done_by", "Ada Kern") else {
                panic!("{why:?}");
            };
            assert_eq!((said, subject.as_str()), (reason, "person Ada Kern"));
            assert!(text.contains("`done_by`") && !text.contains("Ada"), "{text}");
            assert!(
                text.contains("PIN") && (text.contains("fettler person pin") || text.contains("--person"))
            );
        }
    }
}
