//! Readings of a counter, judged in time order, and what they contribute to H.
//!
//! The stretch between two counted readings contributes their difference. Where the counter was replaced, the
//! stretch up to the replacement contributes up to the closing value, and counting goes on from the opening one.

use super::declare::Replacement;
use super::history::Segment;
use crate::quantity::{Amount, MaxPerHour};
use crate::time::Ts;

/// What one replacement of a counter contributes to H: the stretch from what was last known of the old counter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Contribution {
    /// The instant of the replacement, which names it among those of its meter.
    pub at: Ts,
    /// The stretch; a step of nothing when nothing was known before.
    pub segment: Segment,
}

/// Why a reading does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unread {
    /// It fell.
    Fell {
        /// What the counter showed before.
        from: Amount,
        /// What it is said to show.
        to: Amount,
    },
    /// It rose by more than the time allows.
    MoreThanTime {
        /// By how much it rose.
        amount: Amount,
        /// The most that fits, with a minute's grace.
        most: Amount,
    },
    /// Another reading of the same instant counts, and shows another value.
    OtherAtOnce,
}

/// A counter, walked in time order: what is last known of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counter {
    max: MaxPerHour,
    last: Option<Known>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Known {
    at: Ts,
    value: Amount,
    by_reading: bool,
}

impl Counter {
    /// A counter of which nothing is known.
    pub fn new(max: MaxPerHour) -> Counter {
        Counter { max, last: None }
    }

    /// Takes a reading if it follows on what is known, and gives what it contributes: nothing for the first one.
    pub fn read(&mut self, at: Ts, value: Amount) -> Result<Segment, Unread> {
        if let Some(last) = self.last {
            let amount = value - last.value;
            let most = self.max.capacity(at.micros_since(last.at)) + self.max.grace();
            if last.by_reading && last.at == at && value != last.value {
                return Err(Unread::OtherAtOnce);
            }
            if amount < Amount::ZERO {
                return Err(Unread::Fell { from: last.value, to: value });
            }
            if amount > most {
                return Err(Unread::MoreThanTime { amount, most });
            }
        }
        Ok(self.settle(at, value))
    }

    /// Takes a reading that a manager settled, without a test. Where it falls it contributes nothing.
    pub fn settle(&mut self, at: Ts, value: Amount) -> Segment {
        let segment = self.rise_to(at, value);
        self.last = Some(Known { at, value, by_reading: true });
        segment
    }

    /// Takes a replacement, which is a fact and not tested, and gives what the old counter contributes.
    pub fn replace(&mut self, replacement: &Replacement) -> Segment {
        let segment = self.rise_to(replacement.at, replacement.closing);
        self.last = Some(Known { at: replacement.at, value: replacement.opening, by_reading: false });
        segment
    }

    fn rise_to(&self, at: Ts, value: Amount) -> Segment {
        match self.last {
            Some(last) => Segment { start: last.at, end: at, amount: (value - last.value).max(Amount::ZERO) },
            None => Segment { start: at, end: at, amount: Amount::ZERO },
        }
    }
}
