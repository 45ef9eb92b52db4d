//! Reading meters while months may be missing: a missing one is noted and the work goes on with a stand-in, so
//! that one pass names all it needs; the answer is then thrown away.
//!
//! Counts are the counter's own values where a meter is fed by readings: what was counted since the first of them,
//! and what the counter showed before.

use super::Missing;
use super::input::TaskInput;
use crate::calendar::Calendar;
use crate::ids::MeterId;
use crate::ledger::history::{History, MissingMonth};
use crate::quantity::{Amount, Unit};
use crate::rule::{ClosedDays, IntervalRule};
use crate::time::{MICROS_PER_DAY, ShopDay, Ts};

/// How far back the mean use is taken at most, in days: four whole weeks, so that weekends weigh what they should.
const MEAN_USE_DAYS: u32 = 28;

/// What a meter ran before the shop day, from which its future is expected.
#[derive(Clone, Copy, Debug)]
pub(super) struct RecentUse {
    /// H at the shop day's start.
    now: Amount,
    /// What ran in the 28 days before, without adjustments.
    pub(super) ran: Amount,
    /// On how many of those days the meter is known.
    pub(super) known_days: u32,
}

/// One planning pass over one order.
pub(super) struct Reader<'a> {
    pub(super) input: &'a TaskInput,
    pub(super) calendar: &'a Calendar,
    pub(super) as_of: ShopDay,
    missing: Missing,
}

impl<'a> Reader<'a> {
    pub(super) fn new(input: &'a TaskInput, calendar: &'a Calendar, as_of: ShopDay) -> Reader<'a> {
        Reader { input, calendar, as_of, missing: Vec::new() }
    }

    /// The answer, unless months were missing on the way to it.
    pub(super) fn finish<T>(mut self, answer: T) -> Result<T, Missing> {
        if self.missing.is_empty() {
            return Ok(answer);
        }
        self.missing.sort_unstable();
        self.missing.dedup();
        Err(self.missing)
    }

    /// The meter's history, if it has counted anything yet.
    pub(super) fn history(&self, meter: MeterId) -> Option<&'a History> {
        self.input.meters.get(&meter).map(|m| &m.history).filter(|history| history.known_to().is_some())
    }

    /// The meter's unit.
    pub(super) fn unit(&self, meter: MeterId) -> Unit {
        self.input.meters.get(&meter).map_or(Unit::Hours, |m| m.unit)
    }

    /// H at an instant, if the meter has counted anything yet.
    pub(super) fn h(&mut self, meter: MeterId, at: Ts) -> Option<Amount> {
        let history = self.history(meter)?;
        Some(self.note(meter, history.at(at)) + history.ahead())
    }

    /// When the meter reached a count, if it has, at or after `since`.
    pub(super) fn crossing(&mut self, meter: MeterId, count: Amount, since: Option<Ts>) -> Option<Ts> {
        let history = self.history(meter)?;
        let opening = history.opening().map(|opening| opening.at);
        // Where the counter stood beyond the count when it was first read, nothing is known of before.
        self.note(meter, history.crossing(count - history.ahead(), since.max(opening)))
    }

    /// What the meter ran in the 28 days before the shop day's start, and on how many days it is known.
    pub(super) fn recent_use(&mut self, meter: MeterId) -> Option<RecentUse> {
        let start = self.calendar.start_of(self.as_of);
        let now = self.h(meter, start)?;
        let from = start.plus_micros(-i64::from(MEAN_USE_DAYS) * MICROS_PER_DAY);
        // Both ends are read one by one, so that one pass names both months.
        self.h(meter, from)?;
        let history = self.history(meter)?;
        let ran = self.note(meter, history.run_between(from, start));
        let known_days = if ran > Amount::ZERO { self.known_days(meter, start)? } else { MEAN_USE_DAYS };
        Some(RecentUse { now, ran, known_days })
    }

    /// The shop days from the first run to where hours are known, at most those of the mean. Silence after that is
    /// no knowledge; a meter that has been known for longer is taken to stand still in it.
    fn known_days(&mut self, meter: MeterId, start: Ts) -> Option<u32> {
        let history = self.history(meter)?;
        let known_to = history.known_to()?.min(start);
        let last = self.calendar.shop_day_of(known_to.plus_micros(-1));
        let enough = last.plus_days(1 - i64::from(MEAN_USE_DAYS));
        if history.ran_before_month_of(self.calendar.start_of(enough)) {
            return Some(MEAN_USE_DAYS);
        }
        let first = self.note(meter, history.first_run())?;
        let days = last.days_since(self.calendar.shop_day_of(first)) + 1;
        u32::try_from(days.clamp(1, i64::from(MEAN_USE_DAYS))).ok()
    }

    /// When a count not yet reached is expected at the mean use; absent while nothing runs.
    pub(super) fn expected(&self, count: Amount, recent: RecentUse) -> Option<Ts> {
        if recent.ran <= Amount::ZERO {
            return None;
        }
        let over = i64::from(recent.known_days) * MICROS_PER_DAY;
        let ahead = i128::from((count - recent.now).0.max(0)) * i128::from(over);
        let used = i128::from(recent.ran.0);
        // Rounded up, as a crossing is the first microsecond that reaches the count.
        let micros = i64::try_from((ahead + used - 1) / used).ok()?;
        let at = self.calendar.start_of(self.as_of).plus_micros(micros);
        (at < Ts::MAX).then_some(at)
    }

    /// Where a due day goes that the shop does not work, for this machine: a past day on which it recorded hours
    /// is open. A strict due day never goes later.
    pub(super) fn moved(&mut self, due: ShopDay, last: Option<ShopDay>, rule: &IntervalRule) -> ShopDay {
        if rule.closed_days() == ClosedDays::Keep {
            return due;
        }
        let (calendar, as_of) = (self.calendar, self.as_of);
        let moved = calendar.move_off_closed(due, last, |day| day <= as_of && self.ran_on(day));
        if rule.window().is_strict_on_days() && moved > due { due } else { moved }
    }

    fn ran_on(&mut self, day: ShopDay) -> bool {
        let (start, end) = (self.calendar.start_of(day), self.calendar.end_of(day));
        let input = self.input;
        input.meters.keys().any(|meter| self.h(*meter, end) > self.h(*meter, start))
    }

    fn note<T: Default>(&mut self, meter: MeterId, answer: Result<T, MissingMonth>) -> T {
        answer.unwrap_or_else(|MissingMonth(month)| {
            self.missing.push((meter, month));
            T::default()
        })
    }
}
