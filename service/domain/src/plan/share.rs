//! How much of an interval has been used, as an exact fraction.

use super::row::{ClauseState, Counted};
use crate::rule::Combine;
use crate::time::ShopDay;
use std::cmp::Ordering;

/// A share of an interval: `used / whole`, with `whole` above 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Share {
    /// Days or kept units counted since the base.
    pub used: i64,
    /// Days or kept units of the whole interval.
    pub whole: i64,
}

impl Share {
    /// The share as a number, for showing.
    #[expect(clippy::cast_precision_loss, reason = "only shown, never stored or compared")]
    pub fn to_f64(self) -> f64 {
        self.used as f64 / self.whole as f64
    }

    /// The share in whole percent, cut.
    pub fn percent(self) -> i64 {
        self.used.saturating_mul(100) / self.whole
    }

    /// Compares with `tenths / 10`.
    pub fn cmp_tenths(self, tenths: i64) -> Ordering {
        (i128::from(self.used) * 10).cmp(&(i128::from(self.whole) * i128::from(tenths)))
    }
}

impl PartialOrd for Share {
    fn partial_cmp(&self, other: &Share) -> Option<Ordering> {
        let left = i128::from(self.used) * i128::from(other.whole);
        let right = i128::from(other.used) * i128::from(self.whole);
        Some(left.cmp(&right))
    }
}

/// The share of a clause's interval used by a shop day; none when its base is not known.
pub fn share_of_clause(clause: &ClauseState, today: ShopDay) -> Option<Share> {
    let (used, whole) = match &clause.counted {
        Counted::Calendar { from: Some(from), by_rule: Some(due), .. } => {
            (today.days_since(*from), due.days_since(*from))
        }
        // The first day of a rule has none before it: its stretch is from where the rule starts.
        Counted::Recurrence { rule, before, by_rule: Some(due), .. } => {
            let from = before.unwrap_or(rule.from);
            (today.days_since(from), due.days_since(from))
        }
        Counted::Meter { from: Some(from), every, h: Some(h), .. } => (h.0 - from.0, every.0),
        Counted::Calendar { .. }
        | Counted::Recurrence { .. }
        | Counted::Meter { .. }
        | Counted::Reading { .. }
        | Counted::Model { .. } => return None,
    };
    (whole > 0).then_some(Share { used, whole })
}

/// The share of a rule used: the largest of its clauses where the earliest governs, the smallest where the latest
/// does. A clause without data drops out of the former and leaves the latter unknown.
pub fn share_used(clauses: &[ClauseState], combine: Combine, today: ShopDay) -> Option<Share> {
    let shares = clauses.iter().map(|clause| share_of_clause(clause, today));
    let by = |a: &Share, b: &Share| a.partial_cmp(b).unwrap_or(Ordering::Equal);
    match combine {
        Combine::Earliest => shares.flatten().max_by(by),
        Combine::Latest => shares.collect::<Option<Vec<_>>>()?.into_iter().min_by(by),
    }
}
