//! Reading meters while months may be missing: a missing one is noted and the work goes on with a stand-in, so
//! that one pass names all it needs; the answer is then thrown away.
//!
//! Counts are the counter's own values where a meter is fed by readings: what was counted since the first of them,
//! and what the counter showed before.

use super::Missing;
use super::input::{MeterForecast, MeterInput, TaskInput};
use super::row::{Ahead, Expectation};
use crate::calendar::Calendar;
use crate::forecast::{Days, Due, Hours, Quantiles};
use crate::ids::MeterId;
use crate::ledger::history::{History, MissingMonth};
use crate::quantity::{Amount, Unit};
use crate::rule::{ClosedDays, IntervalRule};
use crate::time::{ShopDay, Ts};
use std::collections::BTreeMap;

/// What is expected of a meter, as of the start of a shop day.
#[derive(Clone, Copy, Debug)]
pub(super) struct Forecast<'a> {
    of: &'a MeterForecast,
    /// H at the start.
    now: Amount,
    start: Ts,
    /// The end of the shop day.
    ends: Ts,
}

impl Forecast<'_> {
    /// When a count that was not reached by the start is expected, and how surely.
    pub(super) fn expected(&self, count: Amount) -> (Option<Ts>, Ahead) {
        let remaining = Hours::of(count - self.now, self.of.most);
        let at = |days: Option<Days>| days.map(|days| days.after(self.of.from).max(self.start));
        match self.of.outlook.due(remaining) {
            // Reached since the start of the day, or before the base from which it counts anew.
            Due::Reached => {
                let ahead = Ahead { p10: Some(self.start), p90: Some(self.start), today: CERTAIN };
                (Some(self.start), ahead)
            }
            Due::Ahead(Quantiles { p10, p50, p90 }) => {
                let day = Days::between(self.of.from, self.ends);
                let today = thousandths(self.of.outlook.chance_within(remaining, day));
                (at(p50), Ahead { p10: at(p10), p90: at(p90), today })
            }
        }
    }

    /// What that rests on.
    pub(super) fn expectation(&self) -> Expectation {
        let MeterForecast { outlook, from: _, most, reports, last_28_days, likeness, days, planned_to } =
            self.of;
        Expectation {
            basis: outlook.basis,
            reports: *reports,
            last_28_days: *last_28_days,
            per_day: outlook.rate.mean.amount(*most),
            doubt_percent: whole(outlook.rate.doubt.sqrt() * 100.0),
            silent: outlook.silent,
            likeness: *likeness,
            days: *days,
            planned_to: *planned_to,
        }
    }
}

/// A chance of one, in thousandths.
pub(super) const CERTAIN: u16 = 1_000;

fn thousandths(chance: f64) -> u16 {
    u16::try_from(whole(chance * f64::from(CERTAIN))).unwrap_or(CERTAIN)
}

/// The nearest whole number from 0 on.
fn whole(number: f64) -> u32 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a cast of a float saturates"
    )]
    let whole = number.round() as u32;
    whole
}

/// One planning pass over one order.
pub(super) struct Reader<'a> {
    pub(super) input: &'a TaskInput,
    pub(super) calendar: &'a Calendar,
    pub(super) as_of: ShopDay,
    /// Readings from this instant on do not count.
    pub(super) until: Option<Ts>,
    missing: Missing,
}

impl<'a> Reader<'a> {
    pub(super) fn new(input: &'a TaskInput, calendar: &'a Calendar, as_of: ShopDay) -> Reader<'a> {
        Reader { input, calendar, as_of, until: None, missing: Vec::new() }
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

    /// The order as it stood at an instant in the past: what had ended by then was run, and nothing was expected.
    pub(super) fn input_by(&mut self, at: Ts) -> TaskInput {
        let input = self.input;
        let meters = input.meters.iter().map(|(meter, known)| {
            let history = self.note(*meter, known.history.ended_by(at));
            (*meter, MeterInput { unit: known.unit, history, forecast: None })
        });
        let meters = meters.collect();
        TaskInput {
            // Who raised the open order said nothing of those before it.
            raised: None,
            versions: input.versions.clone(),
            closings: Vec::new(),
            skips: Vec::new(),
            last_done: input.last_done.clone(),
            replaced: input.replaced.clone(),
            readings: input.readings.iter().filter(|reading| reading.at < at).cloned().collect(),
            // No limit that readings drift to was expected either.
            points: BTreeMap::new(),
            models: input.models.as_ref().map(|models| Box::new(models.before(at))),
            rests: input.rests.clone(),
            meters,
            ..*input
        }
    }

    /// Takes over what another reader of the same meters missed.
    pub(super) fn miss(&mut self, other: Reader<'_>) {
        self.missing.extend(other.missing);
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

    /// What stands between the present counter's values on a day and those that go on from the first counter: what
    /// each counter that was replaced until then showed last, less where the next began.
    pub(super) fn replaced_by(&self, meter: MeterId, day: ShopDay) -> Amount {
        let opening = self.history(meter).and_then(History::opening);
        let (end, replaced) = (self.calendar.end_of(day), self.input.replaced.get(&meter));
        // The values go on from the counter that was read first: one replaced before that is not known of.
        let within = |at: Ts| at < end && opening.is_none_or(|opening| opening.at < at);
        replaced.into_iter().flatten().filter(|r| within(r.at)).map(|r| r.closing - r.opening).sum()
    }

    /// When the meter reached a count, if it has, at or after `since`.
    pub(super) fn crossing(&mut self, meter: MeterId, count: Amount, since: Option<Ts>) -> Option<Ts> {
        let history = self.history(meter)?;
        let opening = history.opening().map(|opening| opening.at);
        // Where the counter stood beyond the count when it was first read, nothing is known of before.
        self.note(meter, history.crossing(count - history.ahead(), since.max(opening)))
    }

    /// What is expected of a meter that has counted something, with H at the start of the shop day, as of which every
    /// forecast stands.
    pub(super) fn forecast(&mut self, meter: MeterId) -> Option<Forecast<'a>> {
        let start = self.calendar.start_of(self.as_of);
        let now = self.h(meter, start)?;
        let of = self.input.meters.get(&meter)?.forecast.as_ref()?;
        Some(Forecast { of, now, start, ends: self.calendar.end_of(self.as_of) })
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
