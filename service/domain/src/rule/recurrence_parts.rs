//! The parts of a recurrence rule, read strictly as RFC 5545 (3.3.10) has them, as far as they mean something on days.

use super::CalendarUnit;
use super::recurrence::{FIRST_WITHIN_YEARS, RECURRENCE_COUNT_MAX, RECURRENCE_TEXT_MAX};
use crate::time::ShopDay;
use chrono::{NaiveDate, Weekday};
use std::fmt::Write as _;

/// Why a recurrence rule cannot be taken. Each text names the part, its value and the remedy.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecurrenceError {
    /// The base day is outside the years that may be stated.
    #[error("starts at {0}; give a day from 1970-01-01 to 2199-12-31")]
    BaseDay(ShopDay),
    /// More characters than any rule needs.
    #[error("is {0} characters long; give at most {RECURRENCE_TEXT_MAX}")]
    TooLong(usize),
    /// Something that is no part.
    #[error("has `{0}` where a part like FREQ=MONTHLY or BYDAY=1MO is needed")]
    NoPart(String),
    /// A part that a rule of days does not know.
    #[error("has the part {name}; {remedy}")]
    Unknown {
        /// The part's name.
        name: String,
        /// What to do.
        remedy: &'static str,
    },
    /// A part that is given twice.
    #[error("has {0} twice; give it once, with all its values in one list")]
    Twice(String),
    /// A part that has to be there.
    #[error("has no FREQ; begin it with FREQ=DAILY, WEEKLY, MONTHLY or YEARLY")]
    NoFrequency,
    /// A part with a value that it cannot have.
    #[error("has {name}={value}; {remedy}")]
    Value {
        /// The part's name.
        name: &'static str,
        /// Its value, cut to a readable length.
        value: String,
        /// What to do.
        remedy: String,
    },
    /// A rule that gives no day, or none for a very long time.
    #[error(
        "gives no day within {FIRST_WITHIN_YEARS} years of {from}: `{rule}`; such a day may not exist, or start it later"
    )]
    Never {
        /// The rule.
        rule: String,
        /// The day it starts at.
        from: ShopDay,
    },
    /// What the library that enumerates the dates refuses beyond all this.
    #[error("cannot be taken: `{rule}`: {why}; write it another way")]
    Refused {
        /// The rule.
        rule: String,
        /// What the library says.
        why: String,
    },
}

/// The parts of a rule. Lists are sorted, with each value once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Parts {
    pub(super) unit: CalendarUnit,
    pub(super) interval: u32,
    pub(super) count: Option<u32>,
    pub(super) until: Option<ShopDay>,
    pub(super) months: Vec<i32>,
    pub(super) weeks: Vec<i32>,
    pub(super) year_days: Vec<i32>,
    pub(super) month_days: Vec<i32>,
    pub(super) weekdays: Vec<Nth>,
    pub(super) positions: Vec<i32>,
    pub(super) week_start: Weekday,
}

/// A weekday: every one, or the n-th of its month or year, from the end where n is below 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Nth {
    /// 0 for every one.
    pub(super) nth: i32,
    /// Days from Monday.
    day: u8,
}

/// The weekdays by their names in the RFC, from Monday on.
const WEEKDAYS: [(&str, Weekday); 7] = [
    ("MO", Weekday::Mon),
    ("TU", Weekday::Tue),
    ("WE", Weekday::Wed),
    ("TH", Weekday::Thu),
    ("FR", Weekday::Fri),
    ("SA", Weekday::Sat),
    ("SU", Weekday::Sun),
];

/// The frequencies, with the unit that each counts.
const FREQUENCIES: [(&str, CalendarUnit); 4] = [
    ("DAILY", CalendarUnit::Day),
    ("WEEKLY", CalendarUnit::Week),
    ("MONTHLY", CalendarUnit::Month),
    ("YEARLY", CalendarUnit::Year),
];

impl Nth {
    pub(super) fn weekday(self) -> Weekday {
        WEEKDAYS[usize::from(self.day)].1
    }
}

/// A list of numbers that a part may hold, and with which frequencies.
struct Numbers {
    name: &'static str,
    most: i32,
    /// Whether numbers below 0 count from the end.
    from_end: bool,
    with: &'static [CalendarUnit],
}

const ANY: &[CalendarUnit] =
    &[CalendarUnit::Day, CalendarUnit::Week, CalendarUnit::Month, CalendarUnit::Year];
const MONTHS: Numbers = Numbers { name: "BYMONTH", most: 12, from_end: false, with: ANY };
const WEEKS: Numbers = Numbers { name: "BYWEEKNO", most: 53, from_end: true, with: &[CalendarUnit::Year] };
const YEAR_DAYS: Numbers =
    Numbers { name: "BYYEARDAY", most: 366, from_end: true, with: &[CalendarUnit::Year] };
const MONTH_DAYS: Numbers = Numbers {
    name: "BYMONTHDAY",
    most: 31,
    from_end: true,
    with: &[CalendarUnit::Day, CalendarUnit::Month, CalendarUnit::Year],
};
const POSITIONS: Numbers = Numbers { name: "BYSETPOS", most: 366, from_end: true, with: ANY };

type Read<T> = Result<T, RecurrenceError>;

/// Reads the parts of a rule that starts at a day.
pub(super) fn read_parts(text: &str, from: ShopDay) -> Read<Parts> {
    let length = text.chars().count();
    if length > RECURRENCE_TEXT_MAX {
        return Err(RecurrenceError::TooLong(length));
    }
    let text = text.trim().to_ascii_uppercase();
    let text = text.strip_prefix("RRULE:").unwrap_or(&text);
    let mut given = Given::default();
    for part in text.split(';') {
        let (name, value) = part
            .split_once('=')
            .filter(|(_, value)| !value.is_empty())
            .ok_or_else(|| RecurrenceError::NoPart(shown(part)))?;
        given.take(name, value)?;
    }
    let unit = frequency(given.frequency.ok_or(RecurrenceError::NoFrequency)?)?;
    let parts = Parts {
        unit,
        interval: given.interval.map_or(Ok(1), |text| number("INTERVAL", text, unit.most()))?,
        count: given.count.map(|text| number("COUNT", text, RECURRENCE_COUNT_MAX)).transpose()?,
        until: given.until.map(|text| until(text, from)).transpose()?,
        months: numbers(&MONTHS, given.months, unit)?,
        weeks: numbers(&WEEKS, given.weeks, unit)?,
        year_days: numbers(&YEAR_DAYS, given.year_days, unit)?,
        month_days: numbers(&MONTH_DAYS, given.month_days, unit)?,
        weekdays: weekdays(given.weekdays, unit, given.weeks.is_some())?,
        positions: numbers(&POSITIONS, given.positions, unit)?,
        week_start: given.week_start.map_or(Ok(Weekday::Mon), week_start)?,
    };
    if let (Some(value), Some(_)) = (given.count, given.until) {
        return Err(wrong("COUNT", value, "give either COUNT or UNTIL".to_owned()));
    }
    if let Some(value) = given.positions
        && !parts.is_limited()
    {
        return Err(wrong("BYSETPOS", value, "give it beside another part, such as BYDAY=MO,TU".to_owned()));
    }
    Ok(parts)
}

/// The texts of the parts, as given.
#[derive(Default)]
struct Given<'t> {
    frequency: Option<&'t str>,
    interval: Option<&'t str>,
    count: Option<&'t str>,
    until: Option<&'t str>,
    months: Option<&'t str>,
    weeks: Option<&'t str>,
    year_days: Option<&'t str>,
    month_days: Option<&'t str>,
    weekdays: Option<&'t str>,
    positions: Option<&'t str>,
    week_start: Option<&'t str>,
}

impl<'t> Given<'t> {
    fn take(&mut self, name: &str, value: &'t str) -> Read<()> {
        let place = match name {
            "FREQ" => &mut self.frequency,
            "INTERVAL" => &mut self.interval,
            "COUNT" => &mut self.count,
            "UNTIL" => &mut self.until,
            "BYMONTH" => &mut self.months,
            "BYWEEKNO" => &mut self.weeks,
            "BYYEARDAY" => &mut self.year_days,
            "BYMONTHDAY" => &mut self.month_days,
            "BYDAY" => &mut self.weekdays,
            "BYSETPOS" => &mut self.positions,
            "WKST" => &mut self.week_start,
            "BYHOUR" | "BYMINUTE" | "BYSECOND" => {
                let remedy = "leave it out: what is due is due on a shop day, from its start on";
                return Err(RecurrenceError::Unknown { name: name.to_owned(), remedy });
            }
            _ => {
                let remedy = "leave it out, or give one of FREQ, INTERVAL, COUNT, UNTIL, BYMONTH, BYWEEKNO, BYYEARDAY, \
                    BYMONTHDAY, BYDAY, BYSETPOS, WKST";
                return Err(RecurrenceError::Unknown { name: shown(name), remedy });
            }
        };
        match place.replace(value) {
            None => Ok(()),
            Some(_) => Err(RecurrenceError::Twice(name.to_owned())),
        }
    }
}

fn wrong(name: &'static str, value: &str, remedy: String) -> RecurrenceError {
    RecurrenceError::Value { name, value: shown(value), remedy }
}

/// A value cut to a readable length.
fn shown(value: &str) -> String {
    value.chars().take(40).collect()
}

fn frequency(text: &str) -> Read<CalendarUnit> {
    let found = FREQUENCIES.iter().find(|(word, _)| *word == text);
    found.map(|(_, unit)| *unit).ok_or_else(|| {
        let remedy = "give DAILY, WEEKLY, MONTHLY or YEARLY: what is due is due on a shop day";
        wrong("FREQ", text, remedy.to_owned())
    })
}

fn number(name: &'static str, text: &str, most: u32) -> Read<u32> {
    let found =
        text.parse().ok().filter(|n| (1..=most).contains(n) && text.bytes().all(|b| b.is_ascii_digit()));
    found.ok_or_else(|| wrong(name, text, format!("give a whole number from 1 to {most}")))
}

fn until(text: &str, from: ShopDay) -> Read<ShopDay> {
    let digits = text.len() == 8 && text.bytes().all(|b| b.is_ascii_digit());
    let day = NaiveDate::parse_from_str(text, "%Y%m%d").ok().filter(|_| digits).map(ShopDay);
    let day = day.filter(|day| *day <= ShopDay::LAST);
    let day = day.ok_or_else(|| {
        let remedy =
            "give the last day as eight digits, such as 20261231, at most 21991231; a shop day has no time";
        wrong("UNTIL", text, remedy.to_owned())
    })?;
    if day < from {
        return Err(wrong(
            "UNTIL",
            text,
            format!("give a day that is not before {from}, at which the rule starts"),
        ));
    }
    Ok(day)
}

/// A whole number, with its sign if it has one.
fn signed(text: &str) -> Option<i32> {
    let digits = text.strip_prefix(['+', '-']).unwrap_or(text);
    let plain = (1..=3).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit());
    if plain { text.parse().ok() } else { None }
}

fn numbers(kind: &Numbers, text: Option<&str>, unit: CalendarUnit) -> Read<Vec<i32>> {
    let Some(text) = text else { return Ok(Vec::new()) };
    only_with(kind.name, text, unit, kind.with)?;
    let lowest = if kind.from_end { -kind.most } else { 1 };
    let one = |entry: &str| {
        signed(entry).filter(|n| *n != 0 && (lowest..=kind.most).contains(n)).ok_or_else(|| {
            let end = if kind.from_end { ", or below 0 to count from the end" } else { "" };
            wrong(kind.name, entry, format!("give whole numbers from 1 to {}{end}", kind.most))
        })
    };
    Ok(sorted(text.split(',').map(one).collect::<Read<Vec<i32>>>()?))
}

fn only_with(name: &'static str, value: &str, unit: CalendarUnit, with: &[CalendarUnit]) -> Read<()> {
    if with.contains(&unit) {
        return Ok(());
    }
    let words: Vec<&str> =
        FREQUENCIES.iter().filter(|(_, unit)| with.contains(unit)).map(|(word, _)| *word).collect();
    Err(wrong(name, value, format!("leave it out, or give it with FREQ={}", words.join(" or FREQ="))))
}

/// The n-th weekdays of a month: what the crate takes of the RFC's range of -5 to 5.
const NTH_OF_MONTH: std::ops::RangeInclusive<i32> = -4..=5;
/// The n-th weekdays of a year.
const NTH_OF_YEAR: std::ops::RangeInclusive<i32> = -52..=53;

fn weekdays(text: Option<&str>, unit: CalendarUnit, of_weeks: bool) -> Read<Vec<Nth>> {
    let Some(text) = text else { return Ok(Vec::new()) };
    let one = |entry: &str| {
        let no = |remedy: String| wrong("BYDAY", entry, remedy);
        let (nth, word) = entry.split_at_checked(entry.len().saturating_sub(2)).unwrap_or(("", ""));
        let day = (0..).zip(WEEKDAYS).find(|(_, (name, _))| *name == word).map(|(day, _)| day);
        let day = day.ok_or_else(|| no("give MO, TU, WE, TH, FR, SA or SU".to_owned()))?;
        if nth.is_empty() {
            return Ok(Nth { nth: 0, day });
        }
        let range = match unit {
            CalendarUnit::Month => NTH_OF_MONTH,
            CalendarUnit::Year if !of_weeks => NTH_OF_YEAR,
            CalendarUnit::Day | CalendarUnit::Week | CalendarUnit::Year => {
                return Err(no(format!(
                    "give {word} alone, or with FREQ=MONTHLY or, without BYWEEKNO, FREQ=YEARLY"
                )));
            }
        };
        let nth = signed(nth).filter(|n| *n != 0 && range.contains(n)).ok_or_else(|| {
            no(format!(
                "give 1{word} to {}{word}, or -1{word} to {}{word} from the end",
                range.end(),
                range.start()
            ))
        })?;
        Ok(Nth { nth, day })
    };
    Ok(sorted(text.split(',').map(one).collect::<Read<Vec<Nth>>>()?))
}

fn week_start(text: &str) -> Read<Weekday> {
    let found = WEEKDAYS.iter().find(|(name, _)| *name == text).map(|(_, day)| *day);
    found.ok_or_else(|| wrong("WKST", text, "give MO, TU, WE, TH, FR, SA or SU".to_owned()))
}

fn sorted<T: Ord>(mut list: Vec<T>) -> Vec<T> {
    list.sort_unstable();
    list.dedup();
    list
}

impl Parts {
    /// Whether a part says which days of a period are meant.
    pub(super) fn is_limited(&self) -> bool {
        let lists = [&self.months, &self.weeks, &self.year_days, &self.month_days];
        lists.iter().any(|list| !list.is_empty()) || !self.weekdays.is_empty()
    }

    /// The rule in the form of the RFC, the same for every way of writing it.
    pub(super) fn text(&self) -> String {
        let mut text = self.of_the_crate();
        if let Some(until) = self.until {
            let _ = write!(text, ";UNTIL={}", until.0.format("%Y%m%d"));
        }
        text
    }

    /// The rule without UNTIL, which the crate takes as an instant.
    pub(super) fn of_the_crate(&self) -> String {
        let frequency = FREQUENCIES.iter().find(|(_, unit)| *unit == self.unit).map_or("", |(word, _)| word);
        let mut text = format!("FREQ={frequency}");
        let mut part = |name: &str, value: String| {
            if !value.is_empty() {
                let _ = write!(text, ";{name}={value}");
            }
        };
        part("INTERVAL", Some(self.interval).filter(|n| *n > 1).map_or_else(String::new, |n| n.to_string()));
        part("COUNT", self.count.map_or_else(String::new, |n| n.to_string()));
        let list = |numbers: &[i32]| numbers.iter().map(ToString::to_string).collect::<Vec<_>>().join(",");
        part(MONTHS.name, list(&self.months));
        part(WEEKS.name, list(&self.weeks));
        part(YEAR_DAYS.name, list(&self.year_days));
        part(MONTH_DAYS.name, list(&self.month_days));
        let of = |Nth { nth, day }: &Nth| {
            let name = WEEKDAYS[usize::from(*day)].0;
            if *nth == 0 { name.to_owned() } else { format!("{nth}{name}") }
        };
        part("BYDAY", self.weekdays.iter().map(of).collect::<Vec<_>>().join(","));
        part(POSITIONS.name, list(&self.positions));
        let start = WEEKDAYS.iter().find(|(_, day)| *day == self.week_start && *day != Weekday::Mon);
        part("WKST", start.map_or_else(String::new, |(name, _)| (*name).to_owned()));
        text
    }
}
