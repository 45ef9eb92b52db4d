//! A recurrence rule in words, so that nobody has to read its parts: `every month on the first Monday`.

use super::recurrence_parts::{Nth, Parts, read_parts};
use super::{CalendarUnit, Every, Recurrence, RecurrenceSpec};
use chrono::{Datelike, NaiveDate, Weekday};
use std::fmt;

const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];
const WORKWEEK: [Weekday; 5] = [Weekday::Mon, Weekday::Tue, Weekday::Wed, Weekday::Thu, Weekday::Fri];

impl fmt::Display for Recurrence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.spec().fmt(f)
    }
}

impl fmt::Display for RecurrenceSpec {
    /// The rule in words: `every month on the first Monday, 12 times`; one that cannot be read stands as it is.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Ok(parts) = read_parts(&self.rule, self.from) else {
            return f.write_str(&self.rule);
        };
        write!(f, "{}", Every { n: parts.interval, unit: parts.unit })?;
        for words in limits(&parts, self.from.0) {
            write!(f, " {words}")?;
        }
        if let Some(count) = parts.count {
            write!(f, ", {}", if count == 1 { "once".to_owned() } else { format!("{count} times") })?;
        }
        if let Some(until) = parts.until {
            write!(f, ", until {}", until.0.format("%-d %b %Y"))?;
        }
        Ok(())
    }
}

/// Which days of a period are meant, from the widest stretch to the day.
fn limits(parts: &Parts, from: NaiveDate) -> Vec<String> {
    let mut words = Vec::new();
    if !parts.months.is_empty() {
        words.push(format!("in {}", listed(&parts.months, |month| month_name(*month))));
    }
    if !parts.weeks.is_empty() {
        words.push(format!("in the {} week", listed(&parts.weeks, |week| ordinal(*week))));
    }
    let mut days = Vec::new();
    if !parts.year_days.is_empty() {
        days.push(format!("the {} day of the year", listed(&parts.year_days, |day| ordinal(*day))));
    }
    if !parts.month_days.is_empty() {
        days.push(format!("the {} day of the month", listed(&parts.month_days, |day| ordinal(*day))));
    }
    if !parts.weekdays.is_empty() {
        days.push(weekdays(&parts.weekdays));
    }
    if days.is_empty() {
        days.extend(day_of_start(parts, from));
    }
    if !parts.positions.is_empty() {
        let of = if days.is_empty() {
            "of all its days".to_owned()
        } else {
            format!("of {}", days.join(" that is "))
        };
        words.push(format!("on the {} {of}", listed(&parts.positions, |position| ordinal(*position))));
    } else if !days.is_empty() {
        words.push(format!("on {}", days.join(" that is ")));
    }
    words
}

/// What a rule takes from the day it starts at, where it names no day itself (RFC 5545, 3.3.10).
fn day_of_start(parts: &Parts, from: NaiveDate) -> Option<String> {
    match parts.unit {
        CalendarUnit::Day => None,
        CalendarUnit::Week => Some(from.format("%A").to_string()),
        CalendarUnit::Year if !parts.weeks.is_empty() => Some(from.format("%A").to_string()),
        CalendarUnit::Year if parts.months.is_empty() => Some(from.format("%-d %B").to_string()),
        CalendarUnit::Month | CalendarUnit::Year => {
            let day = i32::try_from(from.day()).unwrap_or_default();
            Some(format!("the {} day of the month", ordinal(day)))
        }
    }
}

fn month_name(month: i32) -> String {
    let index = usize::try_from(month - 1).unwrap_or_default();
    MONTHS.get(index).copied().unwrap_or_default().to_owned()
}

fn weekdays(days: &[Nth]) -> String {
    let all = days.iter().map(|day| day.weekday());
    if days.iter().all(|day| day.nth == 0) && all.eq(WORKWEEK) {
        return "Monday to Friday".to_owned();
    }
    listed(days, |day| {
        let name = NAMES[day.weekday().num_days_from_monday() as usize];
        if day.nth == 0 { name.to_owned() } else { format!("the {} {name}", ordinal(day.nth)) }
    })
}

const NAMES: [&str; 7] = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"];

/// A list as people say it: `a, b and c`.
fn listed<T>(list: &[T], word: impl Fn(&T) -> String) -> String {
    let words: Vec<String> = list.iter().map(word).collect();
    match words.split_last() {
        Some((only, [])) => only.clone(),
        Some((end, before)) => format!("{} and {end}", before.join(", ")),
        None => String::new(),
    }
}

/// A place in words, from the end where it is below 0: `first`, `12th`, `last`, `third-last`.
fn ordinal(n: i32) -> String {
    let place = match n.unsigned_abs() {
        1 => "first".to_owned(),
        2 => "second".to_owned(),
        3 => "third".to_owned(),
        other => {
            let ending = match (other % 10, other % 100) {
                (1, hundred) if hundred != 11 => "st",
                (2, hundred) if hundred != 12 => "nd",
                (3, hundred) if hundred != 13 => "rd",
                _ => "th",
            };
            format!("{other}{ending}")
        }
    };
    match n {
        ..-1 => format!("{place}-last"),
        -1 => "last".to_owned(),
        _ => place,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::ShopDay;

    #[test]
    fn a_rule_is_said_in_words() {
        let check = |rule: &str, from: &str, expect: &str| {
            let from = ShopDay(from.parse().expect("a date"));
            assert_eq!(Recurrence::new(rule, from).expect(rule).to_string(), expect, "{rule}");
        };
        check("FREQ=DAILY", "2026-01-05", "every day");
        check("FREQ=WEEKLY;INTERVAL=2", "2026-01-05", "every 2 weeks on Monday");
        check("FREQ=WEEKLY;BYDAY=TU,MO", "2026-01-05", "every week on Monday and Tuesday");
        check("FREQ=MONTHLY", "2026-01-31", "every month on the 31st day of the month");
        check("FREQ=MONTHLY;BYDAY=1MO", "2026-01-05", "every month on the first Monday");
        check("FREQ=MONTHLY;BYMONTHDAY=-1", "2026-01-31", "every month on the last day of the month");
        let last = "every month on the last of Monday to Friday";
        check("FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-1", "2026-01-05", last);
        let friday = "every month on the 13th day of the month that is Friday, 3 times";
        check("FREQ=MONTHLY;BYMONTHDAY=13;BYDAY=FR;COUNT=3", "2026-01-05", friday);
        let quarters = "every month in March, June and September on the last Friday, until 31 Dec 2027";
        check("FREQ=MONTHLY;BYMONTH=3,6,9;BYDAY=-1FR;UNTIL=20271231", "2026-01-05", quarters);
        check("FREQ=YEARLY", "2024-02-29", "every year on 29 February");
        check("FREQ=YEARLY;BYMONTH=6", "2026-01-05", "every year in June on the 5th day of the month");
        check("FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO", "2026-01-05", "every year in the 20th week on Monday");
        check(
            "FREQ=YEARLY;BYYEARDAY=-2,112",
            "2026-01-05",
            "every year on the second-last and 112th day of the year",
        );
        check("FREQ=YEARLY;BYDAY=-3MO;COUNT=1", "2026-01-05", "every year on the third-last Monday, once");
    }
}
