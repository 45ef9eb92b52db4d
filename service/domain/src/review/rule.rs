//! Which clause of a declared rule is looked at, and how the rule reads with another interval.

use crate::quantity::{Amount, Unit};
use crate::rule::{CalendarUnit, Every};
use crate::shop::{ClauseCard, RuleCard};
use crate::text::Key;

/// Days of a month and of a year on average.
const MONTH_DAYS: f64 = 30.436_875;
const YEAR_DAYS: f64 = 365.2425;
/// Intervals are advised in so many digits.
const DIGITS: i32 = 2;

/// The clause that is looked at: the first that counts a meter, else the first of the calendar. Grids stand for dates that others
/// rely on, and are left alone.
#[derive(Clone, Debug, PartialEq)]
pub struct Reviewed {
    /// Its place in the rule.
    pub clause: usize,
    /// The meter it counts; none for the calendar.
    pub meter: Option<Key>,
    /// Its interval, in units of the meter or in days.
    pub interval: f64,
}

/// The clause of a rule that can be reviewed; none where it has none from the last closing on.
pub fn reviewed(card: &RuleCard) -> Option<Reviewed> {
    let meter = |(clause, card): (usize, &ClauseCard)| match card {
        ClauseCard::Meter { meter: Some(meter), every, grid_base: None } => {
            Some(Reviewed { clause, meter: Some(meter.clone()), interval: every.parse().ok()? })
        }
        ClauseCard::Meter { .. }
        | ClauseCard::Calendar { .. }
        | ClauseCard::Recurrence(_)
        | ClauseCard::Reading { .. }
        | ClauseCard::Model { .. } => None,
    };
    let calendar = |(clause, card): (usize, &ClauseCard)| match card {
        ClauseCard::Calendar { every, grid_base: None } => {
            Some(Reviewed { clause, meter: None, interval: days_of(*every) })
        }
        ClauseCard::Meter { .. }
        | ClauseCard::Calendar { .. }
        | ClauseCard::Recurrence(_)
        | ClauseCard::Reading { .. }
        | ClauseCard::Model { .. } => None,
    };
    let clauses = || card.clauses.iter().enumerate();
    clauses().find_map(meter).or_else(|| clauses().find_map(calendar)).filter(|found| found.interval > 0.0)
}

/// The mean length of a calendar interval in days.
fn days_of(every: Every) -> f64 {
    let unit = match every.unit {
        CalendarUnit::Day => 1.0,
        CalendarUnit::Week => 7.0,
        CalendarUnit::Month => MONTH_DAYS,
        CalendarUnit::Year => YEAR_DAYS,
    };
    // A month's mean length has no meaning below a day.
    (f64::from(every.n) * unit).round()
}

/// The rule with another interval in that clause. Calendar intervals become whole days, or whole weeks where they were weeks.
pub fn with_interval(card: &RuleCard, reviewed: &Reviewed, interval: f64) -> RuleCard {
    let mut card = card.clone();
    match card.clauses.get_mut(reviewed.clause) {
        Some(ClauseCard::Meter { every, .. }) => *every = shown(interval),
        Some(ClauseCard::Calendar { every, .. }) => *every = every_days(*every, interval),
        Some(ClauseCard::Recurrence(_) | ClauseCard::Reading { .. } | ClauseCard::Model { .. }) | None => {}
    }
    card
}

fn every_days(was: Every, days: f64) -> Every {
    let n = whole(days).max(1);
    if was.unit == CalendarUnit::Week && n.is_multiple_of(7) {
        return Every { n: n / 7, unit: CalendarUnit::Week };
    }
    Every { n, unit: CalendarUnit::Day }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "cut to what a day count holds, on purpose"
)]
fn whole(value: f64) -> u32 {
    value.clamp(0.0, 100_000.0) as u32
}

/// An interval cut to the digits in which intervals are advised: of a meter two digits, of the calendar whole days.
pub fn rounded(reviewed: &Reviewed, interval: f64) -> f64 {
    if reviewed.meter.is_none() {
        return f64::from(whole(interval + 1e-9)).max(1.0);
    }
    let step = 10_f64.powi(whole_log(interval) - DIGITS + 1);
    let cut = (interval / step + 1e-9).floor() * step;
    // What a meter counts is kept in thousandths at the finest; the text is what a rule will say.
    let cut = cut.max(0.001);
    shown(cut).parse().unwrap_or(cut)
}

#[expect(clippy::cast_possible_truncation, reason = "the logarithm of a number has three digits")]
fn whole_log(value: f64) -> i32 {
    value.max(1e-9).log10().floor() as i32
}

/// An interval as text, without more digits than it has.
pub fn shown(interval: f64) -> String {
    let text = format!("{interval:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// An amount in units, for ages.
#[expect(clippy::cast_precision_loss, reason = "kept amounts have 53 bits at most by their bound")]
pub fn in_units(amount: Amount, unit: Unit) -> f64 {
    amount.0 as f64 / unit.per_unit() as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rule::Combine;

    fn card(clauses: Vec<ClauseCard>) -> RuleCard {
        RuleCard { clauses, combine: Combine::Earliest, window: None, keep_closed_days: false }
    }

    fn months(n: u32, unit: CalendarUnit) -> ClauseCard {
        ClauseCard::Calendar { every: Every { n, unit }, grid_base: None }
    }

    fn hours(every: &str) -> ClauseCard {
        let meter = Key::new("operating").expect("a key");
        ClauseCard::Meter { meter: Some(meter), every: every.into(), grid_base: None }
    }

    #[test]
    fn the_meter_goes_before_the_calendar_and_only_it_changes() {
        let rule = card(vec![months(6, CalendarUnit::Month), hours("500")]);
        let found = reviewed(&rule).expect("a clause");
        assert_eq!((found.clause, found.interval), (1, 500.0));
        let changed = with_interval(&rule, &found, 410.0);
        assert_eq!(changed.clauses, [months(6, CalendarUnit::Month), hours("410")]);
        let weeks = card(vec![months(4, CalendarUnit::Week)]);
        let found = reviewed(&weeks).expect("a clause");
        assert_eq!(with_interval(&weeks, &found, 21.0).clauses, [months(3, CalendarUnit::Week)]);
        assert_eq!(with_interval(&weeks, &found, 25.0).clauses, [months(25, CalendarUnit::Day)]);
    }

    #[test]
    fn grids_and_readings_are_left_alone() {
        let grid = ClauseCard::Calendar {
            every: Every { n: 1, unit: CalendarUnit::Month },
            grid_base: Some(crate::time::ShopDay::FIRST),
        };
        let point = Key::new("air").expect("a key");
        assert_eq!(reviewed(&card(vec![grid, ClauseCard::Reading { point, expects: false }])), None);
    }

    #[test]
    fn intervals_are_cut_to_two_digits_or_whole_days() {
        let of = |meter: bool| Reviewed {
            clause: 0,
            meter: meter.then(|| Key::new("m").expect("a key")),
            interval: 1.0,
        };
        for (value, expect) in [(33.6, 33.0), (412.7, 410.0), (5.59, 5.5), (1000.0, 1000.0), (0.034_9, 0.034)]
        {
            let found = rounded(&of(true), value);
            assert!((found - expect).abs() < 1e-9, "{value}: {found}");
        }
        assert_eq!(shown(rounded(&of(true), 5.59)), "5.5");
        assert!(
            (rounded(&of(false), 27.9) - 27.0).abs() < 1e-9 && (rounded(&of(false), 0.2) - 1.0).abs() < 1e-9
        );
    }
}
