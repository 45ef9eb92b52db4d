//! Planned use: what the ERP means to run on a meter, shift by shift, for periods that it plans.
//!
//! A period is planned as a whole: what no shift of it holds, the meter is expected to stand. Outside of the periods
//! nothing is said, and hours are expected from the past. A shift belongs to the period that holds its start. None
//! of this is a fact about the past: it never counts, and moves expected dates alone.

use crate::error::{Error, Violation};
use crate::quantity::{Amount, MaxPerHour, Unit};
use crate::time::{MICROS_PER_DAY, MICROS_PER_HOUR, Ts};
use serde::{Deserialize, Serialize};

/// The most shifts of one statement: four a day for a year.
pub const SHIFTS_MAX: usize = 1_500;
/// The longest period of one statement, in days.
pub const PERIOD_DAYS_MAX: i64 = 366;
/// The longest shift, in days: as long as a report may be.
pub const SHIFT_DAYS_MAX: i64 = 31;

/// A stretch of time that is planned as a whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Period {
    /// Its first instant.
    pub from: Ts,
    /// The first instant after it.
    pub until: Ts,
}

/// A stretch for which it is known how much is to run in it: a planned shift, or the time between two.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct PlannedStretch {
    /// Its first instant.
    pub start: Ts,
    /// The first instant after it.
    pub end: Ts,
    /// What is to run in it; nothing says that the meter will stand.
    pub amount: Amount,
}

/// What is planned of one meter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Planned {
    /// In order, none touching another.
    periods: Vec<Period>,
    /// In order of their starts; those of several jobs may overlap.
    shifts: Vec<PlannedStretch>,
}

/// A shift as it is stated, before the meter and its unit are known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShiftSaid {
    /// Its first instant.
    pub start: Ts,
    /// The first instant after it.
    pub end: Ts,
    /// How much is to run, in the meter's unit.
    pub amount: String,
}

/// What is stated of a period.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Intent {
    /// These shifts run, and nothing else.
    Run(Vec<ShiftSaid>),
    /// Nothing is planned any more: hours are expected from the past again.
    Withdraw,
}

impl Planned {
    /// What is planned in these periods and shifts, in whatever order they are given.
    pub fn new(periods: Vec<Period>, mut shifts: Vec<PlannedStretch>) -> Planned {
        shifts.sort_unstable();
        Planned { periods: joined(periods), shifts }
    }

    /// The planned shifts, and the stretches of the periods that none of them holds, in which nothing runs.
    pub fn stretches(&self) -> impl Iterator<Item = PlannedStretch> + '_ {
        self.shifts.iter().copied().chain(self.periods.iter().flat_map(|period| self.gaps(*period)))
    }

    /// The end of what is planned, where that lies after an instant.
    pub fn ahead_of(&self, at: Ts) -> Option<Ts> {
        let ends = self.shifts.iter().map(|shift| shift.end);
        ends.chain(self.periods.iter().map(|period| period.until)).max().filter(|end| *end > at)
    }

    fn gaps(&self, period: Period) -> Vec<PlannedStretch> {
        let mut gaps = Vec::new();
        let mut from = period.from;
        let within = self.shifts.iter().filter(|s| s.end > period.from && s.start < period.until);
        let edges = within.map(|shift| (shift.start, shift.end)).chain([(period.until, period.until)]);
        for (start, end) in edges {
            if start > from {
                gaps.push(PlannedStretch { start: from, end: start, amount: Amount::ZERO });
            }
            from = from.max(end);
        }
        gaps
    }
}

/// Planned periods after another was planned: those that touch or overlap are one.
pub fn joined(mut periods: Vec<Period>) -> Vec<Period> {
    periods.sort_unstable();
    let mut joined: Vec<Period> = Vec::with_capacity(periods.len());
    for period in periods {
        match joined.last_mut().filter(|last| period.from <= last.until) {
            Some(last) => last.until = last.until.max(period.until),
            None => joined.push(period),
        }
    }
    joined
}

/// Planned periods after one was taken out of them.
pub fn without(periods: &[Period], out: Period) -> Vec<Period> {
    let pieces = periods.iter().flat_map(|period| {
        let before = Period { from: period.from, until: period.until.min(out.from) };
        let after = Period { from: period.from.max(out.until), until: period.until };
        [before, after]
    });
    pieces.filter(|piece| piece.from < piece.until).collect()
}

/// Checks a period: it ends after it begins and is no longer than [`PERIOD_DAYS_MAX`].
pub fn checked_period(from: Ts, until: Ts) -> Result<Period, Violation> {
    let bad = |text: String| Violation::new("until", text);
    if until <= from {
        return Err(bad(format!("{until} is not after `from`, {from}; give the period's end")));
    }
    if until.micros_since(from) > PERIOD_DAYS_MAX * MICROS_PER_DAY {
        let text = format!("{until} is more than {PERIOD_DAYS_MAX} days after `from`; plan it in parts");
        return Err(bad(text));
    }
    Ok(Period { from, until })
}

/// Reads the shifts of a period for a meter of this unit that counts at most so much in an hour; tells every one that
/// cannot be.
pub fn checked_shifts(
    period: Period,
    said: &[ShiftSaid],
    unit: Unit,
    most: MaxPerHour,
) -> Result<Vec<PlannedStretch>, Error> {
    if said.len() > SHIFTS_MAX {
        let text = format!("has {} entries; give at most {SHIFTS_MAX}, or plan in parts", said.len());
        return Err(Error::invalid("shifts", text));
    }
    let mut wrong = Vec::new();
    let mut shifts: Vec<PlannedStretch> = Vec::with_capacity(said.len());
    for (index, shift) in said.iter().enumerate() {
        match checked_shift(period, shift, unit, most) {
            Err((field, text)) => wrong.push(Violation::new(format!("shifts[{index}].{field}"), text)),
            Ok(shift) => shifts.push(shift),
        }
    }
    let mut stretches: Vec<(Ts, Ts, usize)> =
        said.iter().enumerate().map(|(index, shift)| (shift.start, shift.end, index)).collect();
    stretches.sort_unstable();
    for pair in stretches.windows(2).filter(|pair| (pair[0].0, pair[0].1) == (pair[1].0, pair[1].1)) {
        let text =
            format!("is the stretch of shifts[{}] once more; give one with the sum of both", pair[0].2);
        wrong.push(Violation::new(format!("shifts[{}].start", pair[1].2), text));
    }
    if wrong.is_empty() {
        shifts.sort_unstable();
        return Ok(shifts);
    }
    wrong.sort_by(|a, b| a.field.cmp(&b.field));
    Err(Error::Invalid(wrong))
}

fn checked_shift(
    period: Period,
    said: &ShiftSaid,
    unit: Unit,
    most: MaxPerHour,
) -> Result<PlannedStretch, (&'static str, String)> {
    let ShiftSaid { start, end, amount } = said;
    let (start, end) = (*start, *end);
    if !(period.from..period.until).contains(&start) {
        let Period { from, until } = period;
        return Err(("start", format!("{start} lies outside of the period from {from} to {until}")));
    }
    if end <= start {
        return Err(("end", format!("{end} is not after the shift's start, {start}; give its end")));
    }
    if end.micros_since(start) > SHIFT_DAYS_MAX * MICROS_PER_DAY {
        let text = format!("{end} is more than {SHIFT_DAYS_MAX} days after the start; give several shifts");
        return Err(("end", text));
    }
    let bad = |text: String| ("amount", text);
    let read = Amount::parse(amount, unit).map_err(|error| bad(error.to_string()))?;
    if read < Amount::ZERO {
        return Err(bad(format!("`{amount}` is below zero; give 0 where the machine is to stand")));
    }
    let fits = i128::from(most.0) * i128::from(end.micros_since(start)) / i128::from(MICROS_PER_HOUR);
    if i128::from(read.0) > fits {
        let fits = Amount(i64::try_from(fits).unwrap_or(i64::MAX)).display(unit);
        return Err(bad(format!("`{amount}` is more than the stretch can hold; give at most {fits}")));
    }
    Ok(PlannedStretch { start, end, amount: read })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hour(hour: i64) -> Ts {
        Ts(1_790_000_000_000_000 / MICROS_PER_DAY * MICROS_PER_DAY + hour * MICROS_PER_HOUR)
    }

    fn period(from: i64, until: i64) -> Period {
        Period { from: hour(from), until: hour(until) }
    }

    fn stretch(start: i64, end: i64, hours: i64) -> PlannedStretch {
        PlannedStretch { start: hour(start), end: hour(end), amount: Amount(hours * Unit::Hours.per_unit()) }
    }

    #[test]
    fn what_no_shift_of_a_period_holds_stands() {
        // A night shift goes beyond the period to which it belongs; two jobs overlap.
        let shifts = vec![stretch(44, 52, 7), stretch(6, 14, 8), stretch(10, 16, 1)];
        let planned = Planned::new(vec![period(0, 24), period(24, 48)], shifts);
        let stand: Vec<_> = planned.stretches().filter(|stretch| stretch.amount == Amount::ZERO).collect();
        assert_eq!(stand, [stretch(0, 6, 0), stretch(16, 44, 0)]);
        assert_eq!(planned.ahead_of(hour(51)), Some(hour(52)));
        assert_eq!(planned.ahead_of(hour(52)), None);
        assert_eq!(
            Planned::new(vec![period(0, 5)], Vec::new()).stretches().collect::<Vec<_>>(),
            [stretch(0, 5, 0)]
        );
    }

    #[test]
    fn periods_join_and_part() {
        assert_eq!(
            joined(vec![period(5, 8), period(0, 2), period(2, 5), period(9, 10)]),
            [period(0, 8), period(9, 10)]
        );
        assert_eq!(without(&[period(0, 8), period(9, 10)], period(2, 9)), [period(0, 2), period(9, 10)]);
        assert_eq!(without(&[period(0, 8)], period(2, 3)), [period(0, 2), period(3, 8)]);
        assert_eq!(without(&[period(0, 8)], period(0, 8)), []);
    }

    #[test]
    fn every_shift_that_cannot_be_is_told() {
        let said = |start, end, amount: &str| ShiftSaid {
            start: hour(start),
            end: hour(end),
            amount: amount.into(),
        };
        let check = |shifts: &[ShiftSaid], expect: &[(&str, &str)]| {
            let most = MaxPerHour::ONE_HOUR_AN_HOUR;
            let told = match checked_shifts(period(0, 48), shifts, Unit::Hours, most) {
                Ok(shifts) => {
                    assert!(expect.is_empty(), "{shifts:?}");
                    return;
                }
                Err(Error::Invalid(wrong)) => wrong,
                Err(other) => panic!("{other}"),
            };
            assert_eq!(told.len(), expect.len(), "{told:?}");
            for (told, (field, text)) in told.iter().zip(expect) {
                assert!(told.field == *field && told.text.contains(text), "{told:?}");
            }
        };
        check(&[said(6, 14, "7.5"), said(22, 30, "8"), said(47, 55, "0")], &[]);
        check(
            &[said(6, 14, "8.5"), said(-1, 5, "1"), said(14, 14, "1"), said(14, 22, "-1"), said(14, 21, "x")],
            &[
                ("shifts[0].amount", "at most 8 h"),
                ("shifts[1].start", "outside of the period"),
                ("shifts[2].end", "not after"),
                ("shifts[3].amount", "below zero"),
                ("shifts[4].amount", "x"),
            ],
        );
        check(&[said(6, 14, "2"), said(6, 14, "3")], &[("shifts[1].start", "the stretch of shifts[0]")]);
        let many = vec![said(6, 14, "1"); SHIFTS_MAX + 1];
        check(&many, &[("shifts", "at most 1500")]);
    }

    #[test]
    fn a_period_has_an_end_within_a_year() {
        assert!(checked_period(hour(0), hour(0)).is_err());
        assert!(checked_period(hour(0), hour(24 * 366)).is_ok());
        assert!(checked_period(hour(0), hour(24 * 366 + 1)).unwrap_err().text.contains("366 days"));
    }
}
