//! Which oil a text names, and whether another may go in its place.
//!
//! A grade is a viscosity band of ISO 3448; the letters of a type say what the oil is made for. Two oils of one grade and
//! different letters are for their supplier to judge (common practice, no source).

use crate::physics::measure::Viscosity;
use crate::physics::viscosity::grade;
use std::fmt;

/// The types of oil that letters name (DIN 51502, DIN 51506 and ISO 6743, from memory): circulation and gears, hydraulics,
/// compressors, slideways and spindles, turbines.
#[rustfmt::skip]
const TYPES: [&str; 50] = [
    "AN", "C", "CL", "CLP", "CLPF", "CGLP", "CKB", "CKC", "CKD", "CKE", "CKS", "CKT", "CKTG", "CG", "CGL",
    "H", "HH", "HL", "HM", "HR", "HV", "HS", "HG", "HLP", "HLPD", "HVL", "HVLP", "HVLPD", "HETG", "HEES", "HEPG", "HEPR",
    "VB", "VBL", "VC", "VCL", "VDL", "DAA", "DAB", "DAG", "DAH", "DAJ",
    "G", "GA", "GB", "FC", "FD",
    "TD", "TSA", "TGA",
];
/// What follows a type after a hyphen: detergent, or what the base oil is (DIN 51502, from memory).
const ADDED: [&str; 6] = ["D", "F", "E", "PG", "HC", "SI"];
/// The least grade that a single letter announces: below it lie threads, fits and steels, `G 2`, `H7`, `C 22` (own choice).
const SINGLE_FROM: u16 = 32;

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
        let (mut letters, mut found, mut before) = ("", None, Announces::Nothing);
        for (index, word) in words.iter().enumerate() {
            let split = word.find(|c: char| c.is_ascii_digit()).unwrap_or(word.len());
            let (front, number) = word.split_at(split);
            let front = front.trim_end_matches('-');
            let announced = if front.is_empty() { before } else { Announces::of(front) };
            before = if number.is_empty() { announced } else { Announces::Nothing };
            if let Announces::Type(of) = announced
                && of.len() > 1
            {
                letters = of;
            }
            let Ok(number) = number.parse::<u16>() else { continue };
            let measured = words.get(index + 1).is_some_and(|unit| ["mm²", "mm2", "cSt"].contains(unit));
            let exact = || banded(number).filter(|grade| *grade == number);
            let grade = match announced {
                _ if measured => banded(number),
                Announces::Grade => exact(),
                Announces::Type(of) if of.len() > 1 => exact(),
                Announces::Type(of) => {
                    exact().filter(|grade| *grade >= SINGLE_FROM).inspect(|_| letters = of)
                }
                Announces::Nothing => None,
            };
            found = grade.or(found);
        }
        found.map(|grade| Oil { grade, letters: letters.to_owned() })
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

/// What letters say of the number after them.
#[derive(Clone, Copy)]
enum Announces<'a> {
    /// That it is a grade.
    Grade,
    /// That it is the grade of a type.
    Type(&'a str),
    /// Nothing.
    Nothing,
}

impl Announces<'_> {
    fn of(letters: &str) -> Announces<'_> {
        let mut parts = letters.split('-');
        if letters == "VG" || letters == "ISO-VG" {
            Announces::Grade
        } else if parts.next().is_some_and(|of| TYPES.contains(&of))
            && parts.all(|added| ADDED.contains(&added))
        {
            Announces::Type(letters)
        } else {
            Announces::Nothing
        }
    }
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
            ("SAE 30", "none"),
            ("engine oil SAE 30, 100 mm²/s", "VG 100"),
            ("CGLP 68 DIN 51502", "CGLP VG 68"),
            ("DIN 51517 CLP 220", "CLP VG 220"),
            ("CGLP DIN 51502 VG 68", "CGLP VG 68"),
            ("HLP 46 (ISO 11158)", "HLP VG 46"),
            ("way oil ISO-VG 68", "VG 68"),
            ("way oil VG68", "VG 68"),
            ("grease NLGI 2", "none"),
            ("bolt M10", "none"),
            ("hose DN 10", "none"),
            ("seal NBR 70", "none"),
            ("R 22", "none"),
            ("thread G 2", "none"),
            ("pin H7", "none"),
            ("G 68", "G VG 68"),
            ("CLP-PG 220", "CLP-PG VG 220"),
            ("hose DN 10 for CGLP 68", "CGLP VG 68"),
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
