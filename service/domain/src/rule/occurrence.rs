//! The arithmetic of a clause: its due points, their windows, and which of them a closing satisfies.
//!
//! Nothing here moves a day off a closed one; the planner does that, with the calendar.

use super::{CalendarUnit, Every, Recurrence, Window};
use crate::quantity::Amount;
use crate::time::ShopDay;
use chrono::Months;

impl Every {
    /// The day `times` intervals after `base`, counted from the base at once, so that the 31st comes back after a
    /// short month. It stops at the end of the year 2199.
    pub fn after(self, base: ShopDay, times: u32) -> ShopDay {
        let count = u64::from(self.n) * u64::from(times);
        let months = |count: u64| {
            let months = Months::new(u32::try_from(count).unwrap_or(u32::MAX));
            base.0.checked_add_months(months).map(ShopDay)
        };
        let days = |count: u64| base.0.checked_add_days(chrono::Days::new(count)).map(ShopDay);
        let day = match self.unit {
            CalendarUnit::Day => days(count),
            CalendarUnit::Week => days(count * 7),
            CalendarUnit::Month => months(count),
            CalendarUnit::Year => months(count * 12),
        };
        day.map_or(ShopDay::LAST, |day| day.min(ShopDay::LAST))
    }

    /// The fewest days that one interval can have.
    pub fn shortest_days(self) -> i64 {
        i64::from(self.n)
            * match self.unit {
                CalendarUnit::Day => 1,
                CalendarUnit::Week => 7,
                CalendarUnit::Month => 28,
                CalendarUnit::Year => 365,
            }
    }
}

/// A calendar due point with its window; all three days belong to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DuePeriod {
    /// The first day on which the work counts for this due point.
    pub opens: ShopDay,
    /// The due day.
    pub due: ShopDay,
    /// The last day on which the work is not late.
    pub shuts: ShopDay,
}

/// A meter's due point with its window; all three counts belong to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueCount {
    /// The least count at which the work counts for this due point.
    pub opens: Amount,
    /// The count at which it is due.
    pub due: Amount,
    /// The greatest count at which the work is not late.
    pub shuts: Amount,
}

/// The due point `times` calendar intervals after the base (1 is the first).
pub fn due_period(base: ShopDay, every: Every, window: Window, times: u32) -> DuePeriod {
    let due = every.after(base, times);
    let interval = due.days_since(every.after(base, times.saturating_sub(1)));
    let width = window.width_in_days(interval);
    DuePeriod { opens: due.plus_days(-width), due, shuts: due.plus_days(width) }
}

/// The due point on a day of a recurrence rule. Its interval is the shorter of the stretches to its neighbours, and its
/// window ends at the latest half way to them, so that no two windows overlap. A day without neighbours has no
/// interval: its window is as wide as stated, else that day alone.
pub fn recurrence_period(rule: &Recurrence, window: Window, due: ShopDay) -> DuePeriod {
    let before = rule.before(due).map(|before| due.days_since(before));
    let after = rule.next(due.plus_days(1)).map(|after| after.days_since(due));
    let width = match before.into_iter().chain(after).min() {
        Some(interval) => window.width_in_days(interval).min(interval / 2),
        None => window.width_in_days(0),
    };
    DuePeriod { opens: due.plus_days(-width), due, shuts: due.plus_days(width) }
}

/// The newest day of a recurrence rule whose window has opened on a day, if any has.
pub fn newest_recurrence_opened(rule: &Recurrence, window: Window, day: ShopDay) -> Option<ShopDay> {
    // Windows do not overlap, so only the next day after this one can have opened already.
    let ahead =
        rule.next(day.plus_days(1)).filter(|next| recurrence_period(rule, window, *next).opens <= day);
    ahead.or_else(|| rule.before(day.plus_days(1)))
}

/// The due point `times` meter intervals after the base (1 is the first).
pub fn due_count(base: Amount, every: Amount, window: Window, times: i64) -> DueCount {
    let due = Amount(base.0.saturating_add(every.0.saturating_mul(times)));
    let width = window.width_in_amount(every).0;
    DueCount { opens: Amount(due.0.saturating_sub(width)), due, shuts: Amount(due.0.saturating_add(width)) }
}

/// How many calendar intervals after the base the newest due point lies that `reached` holds for (0: none).
/// `reached` must hold for every due point before one that it holds for, and for none after `upto`.
pub fn newest_period(base: ShopDay, every: Every, upto: ShopDay, reached: impl Fn(u32) -> bool) -> u32 {
    let span = upto.days_since(base).max(0);
    // Months and years are at least their shortest, so this many intervals cannot have begun by then.
    let most = u32::try_from(span / every.shortest_days().max(1) + 2).unwrap_or(u32::MAX);
    let (mut low, mut high) = (0, most);
    while low < high {
        let middle = low + (high - low).div_ceil(2);
        if reached(middle) { low = middle } else { high = middle - 1 }
    }
    low
}

/// How many meter intervals after the base the newest due point lies whose window has opened at `count` (0: none).
pub fn newest_count_opened(base: Amount, every: Amount, window: Window, count: Amount) -> i64 {
    let width = due_count(base, every, window, 1);
    let margin = width.due.0 - width.opens.0;
    ((i128::from(count.0) + i128::from(margin) - i128::from(base.0)).div_euclid(i128::from(every.0)))
        .clamp(0, i128::from(i64::MAX))
        .try_into()
        .unwrap_or(i64::MAX)
}
