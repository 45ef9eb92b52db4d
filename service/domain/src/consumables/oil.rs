//! Which oil a text names, and whether another may go in its place.
//!
//! A grade is a viscosity band of ISO 3448; the letters of a type say what the oil is made for. Two oils of one grade and
//! different letters are for their supplier to judge (common practice, no source).

use crate::physics::measure::Viscosity;
use crate::physics::viscosity::grade;
use std::fmt;

/// The letters before the number that are no type: they announce the grade alone.
const NO_TYPE: [&str; 2] = ["VG", "ISO"];
/// The most letters of a type.
const TYPE_MAX: usize = 6;

/// The oil that a text names, as far as it does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Oil {
    /// The number of its ISO viscosity grade.
    pub grade: u16,
    /// The letters of its type, such as `CGLP`; empty where none are named.
    pub letters: String,
}

/// Why an oil must not go in the place of another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unlike {
    /// Another viscosity grade.
    Grade,
    /// The same grade and another type.
    Letters,
}

impl Oil {
    /// The oil that a text names: `CGLP 68`, `way oil ISO VG 68`, `HLP46`, `68 mm²/s`. None where it names no grade.
    pub fn named(text: &str) -> Option<Oil> {
        let words: Vec<&str> =
            text.split([' ', ',', ';', '(', ')', '/']).filter(|word| !word.is_empty()).collect();
        let mut letters = String::new();
        let mut found = None;
        for (index, word) in words.iter().enumerate() {
            let split = word.find(|c: char| c.is_ascii_digit()).unwrap_or(word.len());
            let (front, number) = word.split_at(split);
            let front = front.trim_end_matches('-');
            if is_type(front) && !NO_TYPE.contains(&front) {
                front.clone_into(&mut letters);
            }
            let Ok(number) = number.parse::<u16>() else { continue };
            let announced = is_type(front) || (front.is_empty() && index > 0 && is_type(words[index - 1]));
            let measured = words.get(index + 1).is_some_and(|unit| ["mm²", "mm2", "cSt"].contains(unit));
            if (announced || measured) && front.chars().all(|c| c.is_ascii_uppercase() || c == '-') {
                found = banded(number).or(found);
            }
        }
        // Letters that announce no grade are a word in capitals, not a type.
        found.map(|grade| Oil { grade, letters })
    }

    /// Why this oil must not go where `card` is to be; none where it may. Letters that one of them does not name are not
    /// compared.
    pub fn unlike(&self, card: &Oil) -> Option<Unlike> {
        if self.grade != card.grade {
            return Some(Unlike::Grade);
        }
        let both = !self.letters.is_empty() && !card.letters.is_empty();
        (both && self.letters != card.letters).then_some(Unlike::Letters)
    }
}

fn is_type(word: &str) -> bool {
    let plain = word.chars().all(|c| c.is_ascii_uppercase() || c == '-');
    (1..=TYPE_MAX).contains(&word.len()) && plain && word.starts_with(|c: char| c.is_ascii_uppercase())
}

/// The grade whose band holds a viscosity at 40 °C.
fn banded(number: u16) -> Option<u16> {
    grade(Viscosity::mm2_s(f64::from(number)).ok()?).grade.map(|grade| grade.number)
}

impl fmt::Display for Oil {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.letters.is_empty() {
            write!(f, "{} ", self.letters)?;
        }
        write!(f, "VG {}", self.grade)
    }
}

impl fmt::Display for Unlike {
    /// What to do about it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Unlike::Grade => "another viscosity grade of ISO 3448; take the oil of the card",
            Unlike::Letters => {
                "the same viscosity grade and another type; ask the supplier whether it may go in, and write the type \
                 that may"
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(text: &str) -> String {
        Oil::named(text).map_or_else(|| "none".to_owned(), |oil| oil.to_string())
    }

    /// The bands of ISO 3448: 10 % about the middle, so that 70 mm²/s is VG 68 and 40 mm²/s is none.
    #[test]
    fn an_oil_is_named_by_its_grade_its_type_or_its_viscosity() {
        for (text, oil) in [
            ("way oil VG 68", "VG 68"),
            ("way oil ISO VG 68", "VG 68"),
            ("CGLP 68", "CGLP VG 68"),
            ("slideway oil CGLP ISO VG 220", "CGLP VG 220"),
            ("HLP46", "HLP VG 46"),
            ("HLP-D 46", "HLP-D VG 46"),
            ("oil, 70 mm²/s at 40 °C", "VG 68"),
            ("oil, 40 mm²/s at 40 °C", "none"),
            ("filter mat 250 x 250", "none"),
            ("lint-free cloth", "none"),
            ("VG 40", "none"),
        ] {
            assert_eq!(told(text), oil, "{text}");
        }
    }

    #[test]
    fn another_grade_and_another_type_are_told_apart() {
        let unlike = |poured: &str, card: &str| {
            Oil::named(poured).expect(poured).unlike(&Oil::named(card).expect(card))
        };
        assert_eq!(unlike("way oil VG 68", "CGLP 68"), None);
        assert_eq!(unlike("CGLP 220", "CGLP 68"), Some(Unlike::Grade));
        assert_eq!(unlike("HLP 68", "CGLP 68"), Some(Unlike::Letters));
    }
}
