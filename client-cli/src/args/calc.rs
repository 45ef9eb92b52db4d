//! Arguments of `calc`: a command for each calculator, made from its declaration.

use crate::calc::given::{Input, Kind, Missing};
use crate::calc::{self, Calculator};
use clap::{Arg, ArgMatches, Args, Command, Error, FromArgMatches, Subcommand, error::ErrorKind};
use std::fmt::Write as _;

/// Arguments of `calc`.
#[derive(Debug, Args)]
pub(crate) struct CalcArgs {
    /// Which calculator, with its inputs; without one they are listed.
    #[command(subcommand)]
    pub(crate) calculation: Option<Calculation>,
}

/// A calculator and what was typed for it.
pub(crate) struct Calculation {
    /// The calculator.
    pub(crate) calculator: &'static Calculator,
    /// What was typed for each input, in their order.
    pub(crate) typed: Vec<Option<String>>,
    /// The file with many rows.
    pub(crate) csv: Option<String>,
}

impl std::fmt::Debug for Calculation {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Calculation")
            .field("calculator", &self.calculator.name)
            .field("typed", &self.typed)
            .field("csv", &self.csv)
            .finish()
    }
}

const CSV: &str = "csv";

impl Subcommand for Calculation {
    fn augment_subcommands(command: Command) -> Command {
        command.subcommands(calc::ALL.into_iter().map(command_of))
    }

    fn augment_subcommands_for_update(command: Command) -> Command {
        Calculation::augment_subcommands(command)
    }

    fn has_subcommand(name: &str) -> bool {
        calc::ALL.iter().any(|calculator| calculator.name == name)
    }
}

impl FromArgMatches for Calculation {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Calculation, Error> {
        let missing =
            || Error::raw(ErrorKind::MissingSubcommand, "name a calculator; `fettler calc` lists them");
        let (name, matches) = matches.subcommand().ok_or_else(missing)?;
        let calculator =
            calc::ALL.into_iter().find(|calculator| calculator.name == name).ok_or_else(missing)?;
        let typed = |input: &Input| matches.get_one::<String>(input.name).cloned();
        Ok(Calculation {
            calculator,
            typed: calculator.inputs.iter().map(typed).collect(),
            csv: matches.get_one::<String>(CSV).cloned(),
        })
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), Error> {
        *self = Calculation::from_arg_matches(matches)?;
        Ok(())
    }
}

fn command_of(calculator: &'static Calculator) -> Command {
    let hyphened = calculator.name.to_lowercase().replace('_', "-");
    let alias = (hyphened != calculator.name).then_some(hyphened);
    let csv = Arg::new(CSV)
        .long(CSV)
        .value_name("FILE")
        .help("Many rows: inputs from the columns of this file (- is stdin), results as CSV; a flag stands for a column that the file lacks");
    Command::new(calculator.name)
        .aliases(alias)
        .about(capital(calculator.about))
        .args(calculator.inputs.iter().map(flag_of))
        .arg(csv)
        .after_help(after_help(calculator))
}

fn flag_of(input: &'static Input) -> Arg {
    let value_name = match input.kind {
        Kind::Number(_) | Kind::Whole(_) => "N",
        Kind::Numbers(_) => "N;N",
        Kind::Word(_) => "WORD",
        Kind::Text(_) => "TEXT",
    };
    let missing = match input.missing {
        Missing::Needed => String::new(),
        Missing::Default(value) => format!(" [default: {value}]"),
        Missing::Means(means) => format!(" [if missing: {means}]"),
    };
    Arg::new(input.name).long(input.flag()).value_name(value_name).allow_negative_numbers(true).help(format!(
        "{}: {}{missing}",
        capital(input.help),
        input.takes()
    ))
}

fn after_help(calculator: &Calculator) -> String {
    let mut text = "Results:\n".to_owned();
    let longest = calculator.results.iter().map(|result| result.name.len()).max().unwrap_or(0);
    for result in calculator.results {
        let _ = write!(text, "  {:<longest$}  {}", result.name, result.what);
        if !result.unit.is_empty() {
            let _ = write!(text, " [{}]", result.unit);
        }
        if !result.absent.is_empty() {
            let _ = write!(text, " (empty: {})", result.absent);
        }
        text.push('\n');
    }
    text.push_str("\nFormula:\n");
    for line in calculator.formula.lines() {
        let _ = writeln!(text, "  {line}");
    }
    let _ = write!(text, "\nRange:\n  {}\n\nSource:\n  {}\n", calculator.range, calculator.source);
    if !calculator.cautions.is_empty() {
        text.push_str("\nCaution:\n");
        for caution in crate::render::calc::cautions(calculator) {
            let _ = writeln!(text, "  {caution}");
        }
    }
    text
}

/// A text that begins with a capital letter, unless it begins with a sign of its own such as K, s or ph_drop.
fn capital(text: &str) -> String {
    let first_word = text.split([',', ' ', ':']).next().unwrap_or(text);
    if first_word.len() < 2 || first_word.contains('_') {
        return text.to_owned();
    }
    let mut letters = text.chars();
    letters.next().into_iter().flat_map(char::to_uppercase).chain(letters).collect()
}
