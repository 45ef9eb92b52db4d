//! H(t): the amount a meter has accumulated up to an instant, and when it first reached a threshold.
//!
//! H(t) is the sum over the counted segments of `floor(amount x elapsed / length)`. Totals by UTC month are kept
//! beside the segments so that H costs one month's segments; a month that was not loaded is asked for by name.

use crate::quantity::Amount;
use crate::time::Ts;
use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// A UTC calendar month, as months since year 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Month(pub i32);

impl Month {
    /// The month that holds an instant.
    pub fn of(at: Ts) -> Month {
        let date = at.to_utc().date_naive();
        Month(date.year() * 12 + i32::try_from(date.month0()).unwrap_or(0))
    }

    /// The month's first instant.
    pub fn start(self) -> Ts {
        let month = u32::try_from(self.0.rem_euclid(12)).unwrap_or(0) + 1;
        let date = NaiveDate::from_ymd_opt(self.0.div_euclid(12), month, 1).unwrap_or_default();
        Ts(date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_micros())
    }

    /// The month after this one.
    #[must_use]
    pub fn next(self) -> Month {
        Month(self.0 + 1)
    }
}

/// One counted stretch: `amount` accumulated evenly over [start, end). With `start == end` it is a step at that
/// instant, the form of a booked adjustment, whose amount may be negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Segment {
    /// First instant.
    pub start: Ts,
    /// First instant after it.
    pub end: Ts,
    /// What was accumulated.
    pub amount: Amount,
}

impl Segment {
    /// What this segment contributes to H at `at`.
    pub fn counted_by(&self, at: Ts) -> Amount {
        if at >= self.end {
            return self.amount;
        }
        if at <= self.start {
            return Amount::ZERO;
        }
        let elapsed = i128::from(at.micros_since(self.start));
        let length = i128::from(self.end.micros_since(self.start));
        let share = (i128::from(self.amount.0) * elapsed).div_euclid(length);
        Amount(i64::try_from(share).unwrap_or(self.amount.0))
    }

    /// The months this segment contributes to, each with its share; the shares add up to the amount exactly.
    pub fn month_shares(&self) -> impl Iterator<Item = (Month, Amount)> + '_ {
        let last =
            if self.end > self.start { Month::of(self.end.plus_micros(-1)) } else { Month::of(self.end) };
        let mut month = Month::of(self.start);
        let mut before = Amount::ZERO;
        std::iter::from_fn(move || {
            if month > last {
                return None;
            }
            let upto = if month == last { self.amount } else { self.counted_by(month.next().start()) };
            let share = (month, upto - before);
            before = upto;
            month = month.next();
            Some(share)
        })
    }

    /// Whether the segment contributes inside the month.
    fn touches(&self, month: Month) -> bool {
        self.start < month.next().start() && (self.end > month.start() || self.start >= month.start())
    }
}

/// The history needs the segments of this month to answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MissingMonth(pub Month);

/// What one meter has counted: totals by month, and the segments of those months that were loaded.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct History {
    months: BTreeMap<Month, Amount>,
    segments: BTreeMap<Month, Vec<Segment>>,
    /// Whether every segment is loaded, so that a month without an entry has none.
    whole: bool,
    adjusted: BTreeSet<Month>,
    known_to: Option<Ts>,
    opening: Option<Opening>,
}

/// Where a meter that is fed by readings begins: what its counter showed beyond what has been counted, at the first
/// reading that counts. People state counts, and grids stand, in the counter's own values.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Opening {
    /// The instant of the first reading that counts.
    pub at: Ts,
    /// What the counter showed then, less what had been counted.
    pub value: Amount,
}

impl History {
    /// A history whose segments are still to be loaded, month by month, with [`History::load`].
    /// `adjusted` names every month with an adjustment: only there can H stand higher within a month than at its end,
    /// or rise without run, so that all others are judged by their totals alone. `known_to` is the latest end of a
    /// counted report.
    pub fn from_totals(
        mut months: BTreeMap<Month, Amount>,
        adjusted: BTreeSet<Month>,
        known_to: Option<Ts>,
    ) -> History {
        for month in &adjusted {
            months.entry(*month).or_default();
        }
        History { months, adjusted, known_to, ..History::default() }
    }

    /// A history of a meter that has counted nothing yet: nothing of it is left to be loaded.
    pub fn unused() -> History {
        History { whole: true, ..History::default() }
    }

    /// A history with everything loaded.
    pub fn from_segments(all: impl IntoIterator<Item = Segment>) -> History {
        let mut history = History::unused();
        for segment in all {
            for (month, share) in segment.month_shares() {
                *history.months.entry(month).or_default() =
                    *history.months.get(&month).unwrap_or(&Amount::ZERO) + share;
                history.segments.entry(month).or_default().push(segment);
            }
            if segment.start == segment.end && segment.amount != Amount::ZERO {
                history.adjusted.extend(segment.month_shares().map(|(month, _)| month));
            }
            history.known_to = history.known_to.max(Some(segment.end));
        }
        history
    }

    /// Says where a meter that is fed by readings begins.
    #[must_use]
    pub fn with_opening(self, opening: Option<Opening>) -> History {
        History { opening, ..self }
    }

    /// Where a meter that is fed by readings begins; none on a meter that is fed by intervals.
    pub fn opening(&self) -> Option<Opening> {
        self.opening
    }

    /// What stands before the count in the counter's own values: nothing on a meter that is fed by intervals.
    pub fn ahead(&self) -> Amount {
        self.opening.map_or(Amount::ZERO, |opening| opening.value)
    }

    /// Gives the segments that touch `month`; those that do not are ignored.
    pub fn load(&mut self, month: Month, segments: impl IntoIterator<Item = Segment>) {
        let touching = segments.into_iter().filter(|s| s.touches(month)).collect();
        self.segments.insert(month, touching);
    }

    /// Whether the segments of a month are loaded.
    pub fn is_loaded(&self, month: Month) -> bool {
        self.whole || self.segments.contains_key(&month)
    }

    /// How many segments are loaded.
    pub fn loaded(&self) -> usize {
        self.segments.values().map(Vec::len).sum()
    }

    /// Takes a change of a month's total. A month may come to nothing and still hold hours that an adjustment cancels:
    /// it stays known.
    pub fn add_to_month(&mut self, month: Month, delta: Amount) {
        let total = self.months.entry(month).or_default();
        *total = *total + delta;
    }

    /// Takes one segment out of the months that are loaded, and puts one in. The totals are the caller's,
    /// [`History::add_to_month`].
    pub fn exchange(&mut self, before: Option<Segment>, after: Option<Segment>) {
        if let Some(segment) = before {
            for (month, _) in segment.month_shares() {
                if let Some(loaded) = self.segments.get_mut(&month)
                    && let Some(place) = loaded.iter().position(|other| *other == segment)
                {
                    loaded.swap_remove(place);
                }
            }
        }
        if let Some(segment) = after {
            for (month, _) in segment.month_shares() {
                if self.whole {
                    self.segments.entry(month).or_default().push(segment);
                } else if let Some(loaded) = self.segments.get_mut(&month) {
                    loaded.push(segment);
                }
            }
        }
    }

    /// The history as the reports tell it that had ended by an instant, whenever they came. What it counts up to that
    /// instant no report changes that ends later; how far it is known may.
    pub fn ended_by(&self, at: Ts) -> Result<History, MissingMonth> {
        let last = Month::of(at);
        let mut months: BTreeMap<Month, Amount> =
            self.months.range(..=last).map(|(month, share)| (*month, *share)).collect();
        if months.contains_key(&last) {
            // Whatever spans the instant reaches into its month.
            let of_last = self.segments_of(last)?;
            for spanning in of_last.iter().filter(|segment| segment.start <= at && segment.end > at) {
                for (month, share) in spanning.month_shares().take_while(|(month, _)| *month < last) {
                    let rest = months.get(&month).map_or(Amount::ZERO, |total| *total - share);
                    if rest == Amount::ZERO {
                        // Whether anything else stands in that month only its segments tell.
                        self.segments_of(month)?;
                    }
                    months.insert(month, rest);
                }
            }
            let ended = of_last.iter().filter(|segment| segment.end <= at);
            let shares = ended.clone().flat_map(Segment::month_shares);
            let total: Amount = shares.filter(|(month, _)| *month == last).map(|(_, share)| share).sum();
            if ended.count() == 0 {
                months.remove(&last);
            } else {
                months.insert(last, total);
            }
        }
        let loaded = self.segments.range(..=last);
        let ended = |of: &[Segment]| of.iter().filter(|segment| segment.end <= at).copied().collect();
        let segments: BTreeMap<Month, Vec<Segment>> = loaded.map(|(month, of)| (*month, ended(of))).collect();
        // Of a month that held nothing but a part of what spans the instant nothing is left.
        let is_left = |month: &Month, share: &Amount| {
            *share != Amount::ZERO || segments.get(month).is_none_or(|of| !of.is_empty())
        };
        months.retain(|month, share| is_left(month, share));
        let known_to = self.known_to.filter(|_| !months.is_empty()).map(|known_to| known_to.min(at));
        let adjusted = self.adjusted.range(..=last).copied().collect();
        Ok(History { months, segments, whole: self.whole, adjusted, known_to, opening: self.opening })
    }

    /// Says up to where the meter's hours are known.
    pub fn know_to(&mut self, known_to: Option<Ts>) {
        self.known_to = known_to;
    }

    /// Says where a meter that is fed by readings begins.
    pub fn open_at(&mut self, opening: Option<Opening>) {
        self.opening = opening;
    }

    /// Everything counted so far.
    pub fn total(&self) -> Amount {
        self.months.values().copied().sum()
    }

    /// The latest end of a counted report, or `None` when nothing has been counted.
    pub fn known_to(&self) -> Option<Ts> {
        self.known_to
    }

    /// The first month of which anything is counted.
    pub fn first_month(&self) -> Option<Month> {
        self.months.keys().next().copied()
    }

    /// From when on anything is counted; of a month whose segments are not loaded, its first instant.
    pub fn known_from(&self) -> Option<Ts> {
        let month = self.first_month()?;
        let first = self.segments.get(&month).and_then(|all| all.iter().map(|segment| segment.start).min());
        Some(first.unwrap_or_else(|| month.start()))
    }

    /// The months with an adjustment.
    pub fn adjusted(&self) -> &BTreeSet<Month> {
        &self.adjusted
    }

    /// The totals by month.
    pub fn months(&self) -> &BTreeMap<Month, Amount> {
        &self.months
    }

    /// H(at): everything counted up to the instant.
    pub fn at(&self, at: Ts) -> Result<Amount, MissingMonth> {
        let month = Month::of(at);
        let before: Amount = self.months.range(..month).map(|(_, share)| *share).sum();
        if !self.months.contains_key(&month) {
            return Ok(before);
        }
        let from = month.start();
        let within: Amount =
            self.segments_of(month)?.iter().map(|s| s.counted_by(at) - s.counted_by_before(from)).sum();
        Ok(before + within)
    }

    /// What H gained after `from` and up to `to` by run, without what adjustments gave or took.
    pub fn run_between(&self, from: Ts, to: Ts) -> Result<Amount, MissingMonth> {
        let mut run = self.at(to)? - self.at(from)?;
        for (&month, _) in self.months.range(Month::of(from)..=Month::of(to)) {
            if self.adjusted.contains(&month) {
                let steps = self.segments_of(month)?.iter().filter(|s| s.start == s.end);
                run = run - steps.filter(|s| from < s.end && s.end <= to).map(|s| s.amount).sum();
            }
        }
        Ok(run)
    }

    /// Whether anything was run before the month of `until`, as far as the totals tell.
    pub fn ran_before_month_of(&self, until: Ts) -> bool {
        let mut before = self.months.range(..Month::of(until));
        before.any(|(month, share)| *share > Amount::ZERO && !self.adjusted.contains(month))
    }

    /// The start of the first stretch in which anything was run.
    pub fn first_run(&self) -> Result<Option<Ts>, MissingMonth> {
        for (&month, &share) in &self.months {
            if share == Amount::ZERO && !self.adjusted.contains(&month) {
                continue;
            }
            let run = self.segments_of(month)?.iter().filter(|s| s.start < s.end && s.amount > Amount::ZERO);
            if let Some(first) = run.map(|s| s.start).min() {
                return Ok(Some(first));
            }
        }
        Ok(None)
    }

    /// The first microsecond at or after `since` with H >= `threshold`; without `since`, of all that was counted.
    /// `None` when it has not been reached. What was reached stays reached, whatever an adjustment takes away later.
    pub fn crossing(&self, threshold: Amount, since: Option<Ts>) -> Result<Option<Ts>, MissingMonth> {
        let Some(since) = since.or_else(|| self.months.keys().next().map(|month| month.start())) else {
            return Ok(None);
        };
        let first = Month::of(since);
        let mut before: Amount = self.months.range(..first).map(|(_, share)| *share).sum();
        if before >= threshold && !self.adjusted.contains(&first) {
            return Ok(Some(since));
        }
        for (&month, &share) in self.months.range(first..) {
            let adjusted = self.adjusted.contains(&month);
            let after = before + share;
            if after >= threshold || adjusted {
                let from = since.max(month.start());
                if let Some(at) = self.crossing_in(month, from, threshold - before)? {
                    return Ok(Some(at));
                }
            }
            // What ends with the month counts from the next one's first instant, unless a step of that instant takes
            // it away again; then that month is searched in its turn.
            if after >= threshold && !self.adjusted.contains(&month.next()) {
                return Ok(Some(month.next().start()));
            }
            before = after;
        }
        Ok(None)
    }

    /// The stretches of run in the months that are loaded, each once, without adjustments.
    pub fn runs(&self) -> impl Iterator<Item = Segment> + '_ {
        self.segments.iter().flat_map(|(&month, segments)| {
            let ends_here = move |s: &&Segment| s.start < s.end && Month::of(s.end.plus_micros(-1)) == month;
            segments.iter().filter(ends_here).copied()
        })
    }

    /// The segments that touch a month.
    pub(crate) fn segments_of(&self, month: Month) -> Result<&[Segment], MissingMonth> {
        match self.segments.get(&month) {
            Some(segments) => Ok(segments),
            None if self.whole => Ok(&[]),
            None => Err(MissingMonth(month)),
        }
    }

    /// The first microsecond of `month`, from `from` on, at which the month's own count reaches `wanted`.
    fn crossing_in(&self, month: Month, from: Ts, wanted: Amount) -> Result<Option<Ts>, MissingMonth> {
        let segments = self.segments_of(month)?;
        let (start, until) = (month.start(), month.next().start());
        let stood: Amount = segments.iter().map(|s| s.counted_by_before(start)).sum();
        // Between two steps the count only rises, so each stretch is searched by halving.
        let at_once = segments.iter().filter(|s| s.start == s.end).map(|s| s.end);
        let mut stops: Vec<Ts> = at_once.filter(|at| *at > from).chain([until]).collect();
        stops.sort_unstable();
        let mut low = from;
        for stop in stops {
            let high = stop.plus_micros(-1);
            if low <= high && counted(segments, high) - stood >= wanted {
                return Ok(Some(first_at(segments.to_vec(), low, high, wanted + stood)));
            }
            low = stop;
        }
        Ok(None)
    }
}

fn counted(segments: &[Segment], at: Ts) -> Amount {
    segments.iter().map(|s| s.counted_by(at)).sum()
}

/// The first microsecond from `low` to `high` at which the segments count at least `wanted`, as they do at `high`.
fn first_at(mut segments: Vec<Segment>, mut low: Ts, mut high: Ts, wanted: Amount) -> Ts {
    // What ended before the stretch that is left counts whole and what starts after it counts nothing: neither is
    // looked at again.
    let mut whole = Amount::ZERO;
    while low < high {
        let middle = Ts(low.0 + (high.0 - low.0) / 2);
        if whole + counted(&segments, middle) >= wanted {
            high = middle;
        } else {
            low = middle.plus_micros(1);
        }
        segments.retain(|s| {
            let ended = s.end <= low;
            whole = if ended { whole + s.amount } else { whole };
            !ended && (s.start < high || s.end <= high)
        });
    }
    low
}

impl Segment {
    /// What was counted before the month that starts at `from`: a step exactly at `from` belongs to that month.
    fn counted_by_before(&self, from: Ts) -> Amount {
        if self.start == self.end && self.end == from { Amount::ZERO } else { self.counted_by(from) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::{MICROS_PER_DAY, MICROS_PER_HOUR};

    fn hours(start: i64, end: i64, ms: i64) -> Segment {
        Segment { start: Ts(start * MICROS_PER_HOUR), end: Ts(end * MICROS_PER_HOUR), amount: Amount(ms) }
    }

    #[test]
    fn shares_of_months_add_up_and_h_is_the_sum_of_floors() {
        let long = Segment {
            start: Ts(20 * MICROS_PER_DAY),
            end: Ts(50 * MICROS_PER_DAY),
            amount: Amount(1_000_003),
        };
        let shares: Vec<_> = long.month_shares().collect();
        assert_eq!(shares.len(), 2);
        assert_eq!(shares.iter().map(|s| s.1).sum::<Amount>(), long.amount);
        let history = History::from_segments([long, hours(600, 608, 7 * 3_600_000 + 1)]);
        for at in [0, 500, 600, 604, 700, 744, 745, 1000, 1200, 5000] {
            let at = Ts(at * MICROS_PER_HOUR + 17);
            let expect = long.counted_by(at) + hours(600, 608, 7 * 3_600_000 + 1).counted_by(at);
            assert_eq!(history.at(at), Ok(expect), "{at}");
        }
    }

    #[test]
    fn a_crossing_is_the_first_microsecond_that_reaches_the_threshold() {
        let history = History::from_segments([hours(0, 8, 8 * 3_600_000), hours(800, 808, 4 * 3_600_000)]);
        for threshold in [1, 2, 999, 3_600_000, 28_800_000, 28_800_001, 43_200_000] {
            let at = history.crossing(Amount(threshold), None).expect("loaded").expect("reached");
            assert!(history.at(at).expect("loaded") >= Amount(threshold));
            assert!(history.at(at.plus_micros(-1)).expect("loaded") < Amount(threshold), "{threshold}");
        }
        assert_eq!(history.crossing(Amount(43_200_001), None), Ok(None));
    }

    #[test]
    fn a_step_counts_from_its_instant_and_a_month_not_loaded_is_named() {
        let step =
            Segment { start: Ts(5 * MICROS_PER_HOUR), end: Ts(5 * MICROS_PER_HOUR), amount: Amount(-100) };
        let history = History::from_segments([hours(0, 8, 1_000), step]);
        assert_eq!(history.at(Ts(8 * MICROS_PER_HOUR)), Ok(Amount(900)));
        assert_eq!(history.at(Ts(4 * MICROS_PER_HOUR)), Ok(Amount(500)));
        let bare = History::from_totals(history.months().clone(), BTreeSet::new(), history.known_to());
        assert_eq!(bare.at(Ts(1)), Err(MissingMonth(Month::of(Ts(1)))));
    }
}
