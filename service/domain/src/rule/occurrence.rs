//! The arithmetic of a clause: its due points, their windows, and which of them a closing satisfies.
//!
//! Nothing here moves a day off a closed one; the planner does that, with the calendar.

use super::{CalendarUnit, Every, Window};
use crate::quantity::Amount;
use crate::time::ShopDay;
use chrono::Months;

/// The last shop day that is computed: the end of the years that may be stated.
pub(super) const LAST_DAY: i32 = 84_005;

impl Every {
    /// The day `times` intervals after `base`, counted from the base at once, so that the 31st comes back after a
    /// short month. It stops at the end of the year 2199.
    pub fn after(self, base: ShopDay, times: u32) -> ShopDay {
        let count = u64::from(self.n) * u64::from(times);
        let last = ShopDay::from_days(LAST_DAY);
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
        day.map_or(last, |day| day.min(last))
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
    let width = match window {
        Window::Percent(percent) => interval * i64::from(percent) / 100,
        Window::Exact { days, .. } => i64::from(days),
    };
    DuePeriod { opens: due.plus_days(-width), due, shuts: due.plus_days(width) }
}

/// The due point `times` meter intervals after the base (1 is the first).
pub fn due_count(base: Amount, every: Amount, window: Window, times: i64) -> DueCount {
    let due = Amount(base.0.saturating_add(every.0.saturating_mul(times)));
    let width = match window {
        // The share is cut to a whole kept unit, which is a millisecond of an hour meter.
        Window::Percent(percent) => {
            i64::try_from(i128::from(every.0) * i128::from(percent) / 100).unwrap_or(0)
        }
        Window::Exact { amount, .. } => amount.0,
    };
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
