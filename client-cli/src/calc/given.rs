//! What a calculator takes: texts read by the declaration of its inputs, every fault told with field, value and remedy.

use super::Calculator;
use fettler_domain::physics::measure::{Bounds, Impossible, OutOfBounds};

/// The longest list that an input takes.
const LIST_MAX: usize = 1_000;
/// How much of a value is repeated in a message, in characters.
const SHOWN_MAX: usize = 60;

/// An input as it is declared.
pub(crate) struct Input {
    /// Its name in CSV; the flag has `-` for `_`.
    pub(crate) name: &'static str,
    /// What it is.
    pub(crate) help: &'static str,
    /// How it is read.
    pub(crate) kind: Kind,
    /// What stands for it where it is missing.
    pub(crate) missing: Missing,
}

/// How an input is read.
#[derive(Clone, Copy)]
pub(crate) enum Kind {
    /// A number.
    Number(Bounds),
    /// A whole number.
    Whole(Bounds),
    /// Numbers apart by `;`.
    Numbers(Bounds),
    /// One of these words.
    Word(&'static [&'static str]),
    /// A text in a form of its own, such as this one.
    Text(&'static str),
}

/// What stands for an input that is missing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Missing {
    /// Nothing: it is needed.
    Needed,
    /// This value.
    Default(&'static str),
    /// It may be missing; what then happens.
    Means(&'static str),
}

impl Input {
    const fn new(name: &'static str, kind: Kind, help: &'static str) -> Input {
        Input { name, help, kind, missing: Missing::Needed }
    }

    /// A number within bounds.
    pub(crate) const fn number(name: &'static str, bounds: Bounds, help: &'static str) -> Input {
        Input::new(name, Kind::Number(bounds), help)
    }

    /// A whole number within bounds.
    pub(crate) const fn whole(name: &'static str, bounds: Bounds, help: &'static str) -> Input {
        Input::new(name, Kind::Whole(bounds), help)
    }

    /// A list of numbers within bounds.
    pub(crate) const fn numbers(name: &'static str, bounds: Bounds, help: &'static str) -> Input {
        Input::new(name, Kind::Numbers(bounds), help)
    }

    /// One of some words.
    pub(crate) const fn word(
        name: &'static str,
        words: &'static [&'static str],
        help: &'static str,
    ) -> Input {
        Input::new(name, Kind::Word(words), help)
    }

    /// A text in a form of its own.
    pub(crate) const fn text(name: &'static str, example: &'static str, help: &'static str) -> Input {
        Input::new(name, Kind::Text(example), help)
    }

    /// The same with a default.
    pub(crate) const fn default(mut self, value: &'static str) -> Input {
        self.missing = Missing::Default(value);
        self
    }

    /// The same, which may be missing.
    pub(crate) const fn may_be_missing(mut self, means: &'static str) -> Input {
        self.missing = Missing::Means(means);
        self
    }

    /// The flag, without its dashes.
    pub(crate) fn flag(&self) -> String {
        self.name.replace('_', "-")
    }

    /// The unit; empty for none.
    pub(crate) const fn unit(&self) -> &'static str {
        match self.kind {
            Kind::Number(bounds) | Kind::Whole(bounds) | Kind::Numbers(bounds) => bounds.unit(),
            Kind::Word(_) | Kind::Text(_) => "",
        }
    }

    /// Which values it takes, in words.
    pub(crate) fn takes(&self) -> String {
        match self.kind {
            Kind::Number(bounds) => bounds.to_string(),
            Kind::Whole(bounds) => format!("whole, {bounds}"),
            Kind::Numbers(bounds) => format!("numbers apart by ;, each {bounds}"),
            Kind::Word(words) => words.join(", "),
            Kind::Text(example) => format!("like {example}"),
        }
    }

    fn read(&self, text: &str) -> Result<Cell, Problem> {
        let told = |what: String| Problem { field: self.name, value: shown(text), text: what };
        let number = |text: &str, bounds: Bounds| {
            let number: f64 = text
                .trim()
                .parse()
                .map_err(|_| told(format!("`{}` is not a number; write it like 12.5", shown(text))))?;
            bounds.check(number).map_err(|error| told(error.to_string()))
        };
        Ok(match self.kind {
            Kind::Number(bounds) => Cell::Number(number(text, bounds)?),
            Kind::Whole(bounds) => {
                let whole = number(text, bounds)?;
                if whole.fract() != 0.0 {
                    return Err(told(format!("`{}` is not a whole number; give {bounds}", shown(text))));
                }
                Cell::Number(whole)
            }
            Kind::Numbers(bounds) => {
                let parts: Vec<&str> = text.split(';').collect();
                if parts.len() > LIST_MAX {
                    return Err(told(format!("has more than {LIST_MAX} numbers; give fewer")));
                }
                Cell::Numbers(parts.into_iter().map(|part| number(part, bounds)).collect::<Result<_, _>>()?)
            }
            Kind::Word(words) => match words.iter().find(|word| **word == text) {
                Some(word) => Cell::Text((*word).to_owned()),
                None => {
                    return Err(told(format!(
                        "`{}` is not known; give one of: {}",
                        shown(text),
                        words.join(", ")
                    )));
                }
            },
            Kind::Text(_) => Cell::Text(text.to_owned()),
        })
    }
}

fn shown(text: &str) -> String {
    text.chars().take(SHOWN_MAX).collect()
}

/// A fault of an input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Problem {
    /// The input.
    pub(crate) field: &'static str,
    /// The value as it was given; empty where it is missing.
    pub(crate) value: String,
    /// What is wrong and what to do.
    pub(crate) text: String,
}

#[derive(Clone, Debug, PartialEq)]
enum Cell {
    Number(f64),
    Numbers(Vec<f64>),
    Text(String),
    Missing,
}

/// The inputs of one computation.
pub(crate) struct Given {
    cells: Vec<(&'static str, Cell, String)>,
}

impl Given {
    /// Reads every input of a calculator; `text_of` gives what stands under a name. All faults are told at once.
    pub(crate) fn read(
        calculator: &Calculator,
        text_of: impl Fn(&Input) -> Option<String>,
    ) -> Result<Given, Vec<Problem>> {
        let mut cells = Vec::with_capacity(calculator.inputs.len());
        let mut problems = Vec::new();
        for input in calculator.inputs {
            let text = text_of(input).map(|text| text.trim().to_owned()).filter(|text| !text.is_empty());
            let text = match (text, input.missing) {
                (Some(text), _) => text,
                (None, Missing::Default(value)) => value.to_owned(),
                (None, Missing::Means(_)) => {
                    cells.push((input.name, Cell::Missing, String::new()));
                    continue;
                }
                (None, Missing::Needed) => {
                    problems.push(Problem::missing(input));
                    continue;
                }
            };
            match input.read(&text) {
                Ok(cell) => cells.push((input.name, cell, text)),
                Err(problem) => problems.push(problem),
            }
        }
        if problems.is_empty() { Ok(Given { cells }) } else { Err(problems) }
    }

    /// What was given or stands for it, as a text; empty where it is missing.
    pub(crate) fn said(&self, name: &str) -> &str {
        &self.cell(name).2
    }

    /// A number that is never missing.
    pub(crate) fn number(&self, name: &'static str) -> f64 {
        self.maybe(name).expect("the input is declared as a number with a value")
    }

    /// A number that may be missing.
    pub(crate) fn maybe(&self, name: &'static str) -> Option<f64> {
        match self.cell(name).1 {
            Cell::Number(number) => Some(number),
            Cell::Numbers(_) | Cell::Text(_) | Cell::Missing => None,
        }
    }

    /// A whole number that is never missing.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "whole inputs are declared within bounds that fit"
    )]
    pub(crate) fn whole(&self, name: &'static str) -> u32 {
        self.number(name) as u32
    }

    /// A number that this computation needs, though others do without it.
    pub(crate) fn needed(&self, name: &'static str, why: &str) -> Result<f64, Problem> {
        self.maybe(name).ok_or_else(|| Problem {
            field: name,
            value: String::new(),
            text: format!("is missing; {why} needs it"),
        })
    }

    /// A measure that is never missing.
    pub(crate) fn measure<T>(
        &self,
        name: &'static str,
        of: impl Fn(f64) -> Result<T, OutOfBounds>,
    ) -> Result<T, Problem> {
        of(self.number(name)).map_err(|error| self.problem(name, error))
    }

    /// A measure that this computation needs, though others do without it.
    pub(crate) fn needed_measure<T>(
        &self,
        name: &'static str,
        of: impl Fn(f64) -> Result<T, OutOfBounds>,
        why: &str,
    ) -> Result<T, Problem> {
        of(self.needed(name, why)?).map_err(|error| self.problem(name, error))
    }

    /// Numbers that are never missing.
    pub(crate) fn numbers(&self, name: &'static str) -> &[f64] {
        match &self.cell(name).1 {
            Cell::Numbers(numbers) => numbers,
            Cell::Number(_) | Cell::Text(_) | Cell::Missing => &[],
        }
    }

    /// A word or text; empty where it is missing.
    pub(crate) fn text(&self, name: &'static str) -> &str {
        match &self.cell(name).1 {
            Cell::Text(text) => text,
            Cell::Number(_) | Cell::Numbers(_) | Cell::Missing => "",
        }
    }

    /// What the domain says of an input.
    pub(crate) fn problem(&self, name: &'static str, error: impl Into<Impossible>) -> Problem {
        Problem { field: name, value: shown(self.said(name)), text: error.into().0 }
    }

    fn cell(&self, name: &str) -> &(&'static str, Cell, String) {
        self.cells.iter().find(|(other, ..)| *other == name).expect("the input is declared")
    }
}

impl Problem {
    /// What is wrong, with the value where the words do not repeat it.
    pub(crate) fn whole(&self) -> String {
        if self.value.is_empty() || self.text.contains(&self.value) {
            return self.text.clone();
        }
        format!("`{}`: {}", self.value, self.text)
    }

    /// That an input is missing.
    pub(crate) fn missing(input: &Input) -> Problem {
        Problem {
            field: input.name,
            value: String::new(),
            text: format!("is missing; give {} ({})", input.help, input.takes()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    static INPUTS: [Input; 5] = [
        Input::number("n", Bounds::closed(0.0, 10.0, "L"), "a number"),
        Input::whole("w", Bounds::closed(0.0, 10.0, ""), "a whole number").default("3"),
        Input::numbers("list", Bounds::closed(0.0, 10.0, ""), "numbers").default("1;2"),
        Input::word("word", &["one", "two"], "a word").may_be_missing("neither"),
        Input::number("free", Bounds::above(0.0, 10.0, ""), "a number").may_be_missing("not computed"),
    ];
    fn read(texts: &[(&str, &str)]) -> Result<Given, Vec<Problem>> {
        let calculator = Calculator { inputs: &INPUTS, ..super::super::tests::bare() };
        let find = |input: &Input| texts.iter().find(|(name, _)| *name == input.name);
        Given::read(&calculator, |input| find(input).map(|(_, text)| (*text).to_owned()))
    }

    #[test]
    fn defaults_stand_for_what_is_missing_or_empty() {
        let given = read(&[("n", " 2.5 "), ("w", " ")]).unwrap_or_else(|p| panic!("{p:?}"));
        assert_eq!((given.maybe("n"), given.whole("w")), (Some(2.5), 3));
        assert_eq!(
            (given.numbers("list"), given.text("word"), given.maybe("free")),
            (&[1.0, 2.0][..], "", None)
        );
        assert!(given.needed("free", "this").is_err());
    }

    #[test]
    fn every_fault_is_told_with_field_value_and_remedy() {
        let told = |texts: &[(&str, &str)]| -> Vec<String> {
            let problems = read(texts).err().unwrap_or_default();
            problems.into_iter().map(|p| format!("{}: {}", p.field, p.text)).collect()
        };
        assert_eq!(
            told(&[("w", "2.5"), ("list", "1;x"), ("word", "three"), ("free", "0")]),
            [
                "n: is missing; give a number (0 to 10 L)",
                "w: `2.5` is not a whole number; give 0 to 10",
                "list: `x` is not a number; write it like 12.5",
                "word: `three` is not known; give one of: one, two",
                "free: `0` is not possible; give more than 0, up to 10",
            ]
        );
        for bad in ["NaN", "inf", "-inf", "1,5", "0x1", "11"] {
            assert_eq!(told(&[("n", bad)]).len(), 1, "{bad}");
        }
    }
}
