//! Usage by shop day: what can be kept of a meter so that the forecast needs none of its reports.
//!
//! Amounts and counts are whole numbers, so reports may be counted and taken back in any order and the summary is the same.
//! It holds a number or two for each day on which a report ended; days that no statistic looks at one by one any more
//! are folded into their months. A day says when its reports ended to within half a day, which moves a rate by less
//! than half a part in a hundred.

use super::units::Hours;
use super::usage::{Reported, Usage};
use crate::calendar::Calendar;
use crate::ledger::history::{History, MissingMonth, Month, Segment};
use crate::quantity::{Amount, MaxPerHour};
use crate::time::{ShopDay, Ts};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How many days back the windows of a fleet's past look, each at a quarter of its own: so many are kept one by one.
pub const DAYS_KEPT: i64 = 13 * 28 + 91;

/// What ended on a day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct DayUse {
    /// What the reports that ended on it say, as counted.
    pub amount: Amount,
    /// How many there are.
    pub reports: u32,
}

/// What a meter counted, by the shop day on which its reports ended.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct UsageSummary {
    days: BTreeMap<ShopDay, DayUse>,
}

impl UsageSummary {
    /// A summary as it was kept.
    pub fn of_days(days: impl IntoIterator<Item = (ShopDay, DayUse)>) -> UsageSummary {
        UsageSummary { days: days.into_iter().filter(|(_, of_day)| of_day.reports > 0).collect() }
    }

    /// The summary of a history of which the months from `since` on are loaded; each month before counts as one report. Adjustments are no use. A forecast alone needs the last 91 days loaded, the figures of a fleet all
    /// that [`DAYS_KEPT`] says.
    pub fn of_history(
        history: &History,
        since: Month,
        calendar: &Calendar,
    ) -> Result<UsageSummary, MissingMonth> {
        let mut summary = UsageSummary::default();
        for (&month, &total) in history.months() {
            if month < since {
                // The first starts the clock and is in no rate; the others weigh as their middle does.
                let (start, end) = (month.start(), month.next().start());
                let is_first = summary.days.is_empty();
                let at = if is_first { end } else { Ts(start.0 + end.micros_since(start) / 2) };
                summary.count(calendar, at, total);
                continue;
            }
            let ended = |segment: &&Segment| {
                segment.start < segment.end && Month::of(segment.end.plus_micros(-1)) == month
            };
            for segment in history.segments_of(month)?.iter().filter(ended) {
                // What a segment ran before is in that month's total.
                let before = if segment.start < since.start() {
                    segment.counted_by(since.start())
                } else {
                    Amount::ZERO
                };
                summary.count(calendar, segment.end, segment.amount - before);
            }
        }
        Ok(summary)
    }

    /// The days in order, for keeping.
    pub fn days(&self) -> impl Iterator<Item = (ShopDay, DayUse)> + '_ {
        self.days.iter().map(|(day, of_day)| (*day, *of_day))
    }

    /// Counts a report.
    pub fn count(&mut self, calendar: &Calendar, end: Ts, amount: Amount) {
        let of_day = self.days.entry(day_of_end(calendar, end)).or_default();
        *of_day = DayUse { amount: of_day.amount + amount, reports: of_day.reports + 1 };
    }

    /// Takes back a report that was counted.
    pub fn take_back(&mut self, calendar: &Calendar, end: Ts, amount: Amount) {
        let day = day_of_end(calendar, end);
        if let Some(of_day) = self.days.get_mut(&day) {
            of_day.amount = of_day.amount - amount;
            of_day.reports = of_day.reports.saturating_sub(1);
            if of_day.reports == 0 {
                self.days.remove(&day);
            }
        }
    }

    /// Folds the days before those that are kept one by one into the last of them in each month. The first day stays, since
    /// it starts the machine's clock. A report that is counted or taken back later is to be folded alike, or the
    /// summary made anew.
    pub fn fold(&mut self, as_of: ShopDay) {
        let kept_from = as_of.plus_days(-DAYS_KEPT);
        let Some(first) = self.days.keys().next().copied() else { return };
        let old: Vec<ShopDay> =
            self.days.range(..kept_from).map(|(day, _)| *day).filter(|day| *day > first).collect();
        for pair in old.windows(2) {
            if same_month(pair[0], pair[1])
                && let Some(folded) = self.days.remove(&pair[0])
            {
                let last = self.days.entry(pair[1]).or_default();
                let reports = last.reports.saturating_add(folded.reports);
                *last = DayUse { amount: last.amount + folded.amount, reports };
            }
        }
    }

    /// The usage for the forecast, of a meter that counts at most so much in an hour. A day stands at its middle, the last at
    /// the instant to which hours are known.
    pub fn usage(&self, most: MaxPerHour, calendar: &Calendar, known_to: Option<Ts>) -> Usage {
        let last = known_to.map(|at| (day_of_end(calendar, at), at));
        Usage::of(self.days.iter().map(|(&day, of_day)| {
            let (start, end) = (calendar.start_of(day), calendar.end_of(day));
            let middle = Ts(start.0 + end.micros_since(start) / 2);
            let end = last.filter(|(of_last, _)| *of_last == day).map_or(middle, |(_, at)| at);
            Reported { end, hours: Hours::of(of_day.amount, most) }
        }))
    }
}

/// The shop day to which a report's end belongs: what ends as a day starts was run on the day before.
fn day_of_end(calendar: &Calendar, end: Ts) -> ShopDay {
    calendar.shop_day_of(end.plus_micros(-1))
}

fn same_month(a: ShopDay, b: ShopDay) -> bool {
    use chrono::Datelike as _;
    (a.0.year(), a.0.month()) == (b.0.year(), b.0.month())
}
