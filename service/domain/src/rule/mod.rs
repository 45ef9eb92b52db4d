//! Interval rules: the clauses that make a task due, how they combine, and the window around the due point.
//!
//! A rule is data that has been checked; [`occurrence`] holds the arithmetic of its clauses. Which closings a
//! task has had, what its meters show and which days are worked is the planner's business.

pub mod model;
pub mod occurrence;
mod recurrence;
mod recurrence_parts;
mod recurrence_words;

pub use recurrence::{
    FIRST_WITHIN_YEARS, RECURRENCE_COUNT_MAX, RECURRENCE_TEXT_MAX, Recurrence, RecurrenceSpec,
};
pub use recurrence_parts::RecurrenceError;

use crate::ids::MeterId;
use crate::quantity::{AMOUNT_MAX, Amount};
use crate::text::Key;
use crate::time::ShopDay;
use model::{Model, ModelError};
use serde::{Deserialize, Serialize};
use std::fmt;

/// The most clauses of a rule.
pub const CLAUSES_MAX: usize = 8;
/// The longest calendar interval, in days and part days of its unit: a hundred years.
pub const INTERVAL_YEARS_MAX: u32 = 100;
/// The widest window in percent: wider ones of neighbouring due points would overlap.
pub const WINDOW_PERCENT_MAX: u8 = 50;
/// The window in percent where a rule states none (common practice, no source).
pub const WINDOW_PERCENT_DEFAULT: u8 = 10;

/// The unit of a calendar interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CalendarUnit {
    /// Shop days.
    Day,
    /// Seven shop days.
    Week,
    /// Calendar months; a month end is clamped, always from the base.
    Month,
    /// Calendar years; 29 February is clamped, always from the base.
    Year,
}

impl CalendarUnit {
    /// The most of this unit that make one interval.
    pub const fn most(self) -> u32 {
        INTERVAL_YEARS_MAX
            * match self {
                CalendarUnit::Day => 366,
                CalendarUnit::Week => 52,
                CalendarUnit::Month => 12,
                CalendarUnit::Year => 1,
            }
    }

    /// The word for one.
    pub const fn word(self) -> &'static str {
        match self {
            CalendarUnit::Day => "day",
            CalendarUnit::Week => "week",
            CalendarUnit::Month => "month",
            CalendarUnit::Year => "year",
        }
    }
}

/// A calendar interval: every so many days, weeks, months or years.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Every {
    /// How many, at least 1.
    pub n: u32,
    /// Of what.
    pub unit: CalendarUnit,
}

impl fmt::Display for Every {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.n {
            1 => write!(f, "every {}", self.unit.word()),
            n => write!(f, "every {n} {}s", self.unit.word()),
        }
    }
}

/// What a clause counts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CountsFrom<B> {
    /// The last closing, whichever it was: every closing restarts the clause.
    LastClosing,
    /// A base day or base count: due points stand on a grid that no closing moves.
    Grid(B),
}

/// One reason for a task to become due.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Clause {
    /// Time on the calendar.
    Calendar {
        /// How often.
        every: Every,
        /// Counted from what.
        counts_from: CountsFrom<ShopDay>,
    },
    /// The count of a meter.
    Meter {
        /// Which meter.
        meter: MeterId,
        /// How much of it, in kept units.
        every: Amount,
        /// Counted from what.
        counts_from: CountsFrom<Amount>,
    },
    /// The days of a recurrence rule: a grid that no closing moves. Once it has no further day, it has ended.
    Recurrence(Recurrence),
    /// A reading out of limits at a test point: due at once, until a later closing.
    Reading {
        /// The point's key on the machine.
        point: Key,
        /// Whether readings that drift towards a limit say when it is expected.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        expects: bool,
    },
    /// What a model says of something that is used up or fills.
    Model {
        /// The model.
        model: Box<Model<MeterId>>,
    },
}

/// How the clauses of a rule combine.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Combine {
    /// Due as soon as one clause is.
    #[default]
    Earliest,
    /// Due when every clause is.
    Latest,
}

/// How far before its due point work may be done, and how far after it is not yet late; both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Window {
    /// A share of the interval: whole days (cut) on the calendar, exact on a meter. 0 is strict.
    Percent(u8),
    /// Stated widths; where one is left out, the default share of the interval stands in its place.
    Exact {
        /// Width of the window of clauses that give days, on either side, in days. 0 is strict.
        days: Option<u32>,
        /// Width of a meter clause's window on either side, in kept units.
        amount: Option<Amount>,
    },
}

impl Window {
    /// No tolerance at all: due means due.
    pub const STRICT: Window = Window::Percent(0);

    /// Whether days have no tolerance. A strict due day is never moved later, though it may move earlier.
    pub fn is_strict_on_days(self) -> bool {
        matches!(self, Window::Percent(0) | Window::Exact { days: Some(0), .. })
    }

    /// The width on either side of a due day whose interval has so many days.
    pub fn width_in_days(self, interval_days: i64) -> i64 {
        match self {
            Window::Exact { days: Some(days), .. } => i64::from(days),
            Window::Percent(_) | Window::Exact { days: None, .. } => {
                interval_days * i64::from(self.percent()) / 100
            }
        }
    }

    /// The width on either side of a meter's due count; a share is cut to a whole kept unit, which is a millisecond of
    /// an hour meter.
    pub fn width_in_amount(self, every: Amount) -> Amount {
        match self {
            Window::Exact { amount: Some(amount), .. } => amount,
            Window::Percent(_) | Window::Exact { amount: None, .. } => {
                let width = i128::from(every.0) * i128::from(self.percent()) / 100;
                Amount(i64::try_from(width).unwrap_or(0))
            }
        }
    }

    /// The share of the interval, where no width is stated.
    fn percent(self) -> u8 {
        match self {
            Window::Percent(percent) => percent,
            Window::Exact { .. } => WINDOW_PERCENT_DEFAULT,
        }
    }
}

impl Default for Window {
    fn default() -> Window {
        Window::Percent(WINDOW_PERCENT_DEFAULT)
    }
}

/// What a calendar due day does when the shop does not work on it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ClosedDays {
    /// It moves back to the nearest day that is worked, or on to the next one where that would be no later than the last closing.
    #[default]
    Move,
    /// It stays where it is.
    Keep,
}

/// A rule as it is stated and stored, before it has been checked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RuleSpec {
    /// Why the task becomes due.
    pub clauses: Vec<Clause>,
    /// How the clauses combine.
    #[serde(default)]
    pub combine: Combine,
    /// The tolerance around the due point.
    #[serde(default)]
    pub window: Window,
    /// What a due day does that the shop does not work on.
    #[serde(default)]
    pub closed_days: ClosedDays,
}

/// An interval rule, checked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "RuleSpec", into = "RuleSpec")]
pub struct IntervalRule {
    spec: RuleSpec,
}

/// Why a rule cannot be taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RuleError {
    /// No clause.
    #[error("clauses is empty; give at least one, such as every 6 months")]
    NoClause,
    /// Too many clauses.
    #[error("clauses has {0} entries; give at most 8")]
    TooManyClauses(usize),
    /// Two clauses that say the same.
    #[error("clause {second} repeats clause {first}; leave one of them out")]
    Alike {
        /// The number of the first, from 1.
        first: usize,
        /// The number of the second, from 1.
        second: usize,
    },
    /// A calendar interval outside the bounds.
    #[error("clause {clause} is every {n} {unit}s; give a whole number from 1 to {most}")]
    EveryOutOfRange {
        /// The clause's number, from 1.
        clause: usize,
        /// What was given.
        n: u32,
        /// The unit's word.
        unit: &'static str,
        /// The most allowed.
        most: u32,
    },
    /// A meter interval that is not more than nothing, or too large.
    #[error("clause {clause} is every {every} kept units of its meter; give more than 0 and at most {}", AMOUNT_MAX.0)]
    AmountOutOfRange {
        /// The clause's number, from 1.
        clause: usize,
        /// What was given, in kept units.
        every: i64,
    },
    /// A base count that cannot be.
    #[error("clause {clause} counts from {base} kept units of its meter; give 0 to {}", AMOUNT_MAX.0)]
    BaseOutOfRange {
        /// The clause's number, from 1.
        clause: usize,
        /// What was given, in kept units.
        base: i64,
    },
    /// A base day outside the years that may be stated.
    #[error("clause {clause} counts from {base}; give a day from 1970-01-01 to 2199-12-31")]
    BaseDayOutOfRange {
        /// The clause's number, from 1.
        clause: usize,
        /// What was given.
        base: ShopDay,
    },
    /// A model that states what cannot be.
    #[error("{}", wrong.text)]
    Model {
        /// The clause's number, from 1.
        clause: usize,
        /// The model's word.
        word: &'static str,
        /// What is wrong with it.
        wrong: ModelError,
    },
    /// A window of more than half the interval.
    #[error("window is {0} percent of the interval; give 0 to 50")]
    PercentOutOfRange(u8),
    /// A stated window that is negative or wider than half a clause's interval.
    #[error(
        "window is wider than half the interval of clause {0}, or negative; give a narrower one, or 0 for none"
    )]
    WindowTooWide(usize),
}

impl IntervalRule {
    /// Checks a stated rule.
    pub fn new(mut spec: RuleSpec) -> Result<IntervalRule, RuleError> {
        if spec.clauses.is_empty() {
            return Err(RuleError::NoClause);
        }
        if spec.clauses.len() > CLAUSES_MAX {
            return Err(RuleError::TooManyClauses(spec.clauses.len()));
        }
        if let Window::Percent(percent) = spec.window
            && percent > WINDOW_PERCENT_MAX
        {
            return Err(RuleError::PercentOutOfRange(percent));
        }
        for (i, clause) in spec.clauses.iter().enumerate() {
            check_clause(i + 1, clause, spec.window)?;
            if let Some(first) = spec.clauses[..i].iter().position(|other| other == clause) {
                return Err(RuleError::Alike { first: first + 1, second: i + 1 });
            }
        }
        // A list that was read has room for four clauses, and a site may have a million rules of one.
        spec.clauses.shrink_to_fit();
        Ok(IntervalRule { spec })
    }

    /// The clauses, in the order in which they were stated.
    pub fn clauses(&self) -> &[Clause] {
        &self.spec.clauses
    }

    /// How the clauses combine.
    pub fn combine(&self) -> Combine {
        self.spec.combine
    }

    /// The tolerance around the due point.
    pub fn window(&self) -> Window {
        self.spec.window
    }

    /// What a due day does that the shop does not work on.
    pub fn closed_days(&self) -> ClosedDays {
        self.spec.closed_days
    }
}

fn check_clause(number: usize, clause: &Clause, window: Window) -> Result<(), RuleError> {
    match *clause {
        // A rule's own days may lie close together: its windows then end half way to the neighbour.
        Clause::Recurrence(_) | Clause::Reading { .. } => {}
        Clause::Model { ref model } => {
            let word = model.word();
            model.check().map_err(|wrong| RuleError::Model { clause: number, word, wrong })?;
        }
        Clause::Calendar { every, counts_from } => {
            let most = every.unit.most();
            if every.n < 1 || every.n > most {
                let unit = every.unit.word();
                return Err(RuleError::EveryOutOfRange { clause: number, n: every.n, unit, most });
            }
            if let CountsFrom::Grid(base) = counts_from
                && !(ShopDay::FIRST..=ShopDay::LAST).contains(&base)
            {
                return Err(RuleError::BaseDayOutOfRange { clause: number, base });
            }
            if let Window::Exact { days: Some(days), .. } = window
                && i64::from(days) * 2 > every.shortest_days()
            {
                return Err(RuleError::WindowTooWide(number));
            }
        }
        Clause::Meter { every, counts_from, .. } => {
            if every <= Amount::ZERO || every > AMOUNT_MAX {
                return Err(RuleError::AmountOutOfRange { clause: number, every: every.0 });
            }
            if let CountsFrom::Grid(base) = counts_from
                && !(Amount::ZERO..=AMOUNT_MAX).contains(&base)
            {
                return Err(RuleError::BaseOutOfRange { clause: number, base: base.0 });
            }
            if let Window::Exact { amount: Some(amount), .. } = window
                && (amount < Amount::ZERO || amount.0 > every.0 / 2)
            {
                return Err(RuleError::WindowTooWide(number));
            }
        }
    }
    Ok(())
}

impl TryFrom<RuleSpec> for IntervalRule {
    type Error = RuleError;
    fn try_from(spec: RuleSpec) -> Result<IntervalRule, RuleError> {
        IntervalRule::new(spec)
    }
}

impl From<IntervalRule> for RuleSpec {
    fn from(rule: IntervalRule) -> RuleSpec {
        rule.spec
    }
}
