//! Planned work against its window: done in time, early, late, overdue, or still open inside it.

use crate::statistics::number;
use crate::time::{MICROS_PER_DAY, Ts};

/// How an order ended, if it did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// It is open.
    Open,
    /// It was done at this instant.
    Closed(Ts),
    /// It was left out with a reason: skipped, or void.
    LeftOut,
}

/// A planned order: when it was due, its window, and how it ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Planned {
    /// When it was due.
    pub due: Ts,
    /// From when on it might be done.
    pub opens: Ts,
    /// From when on it was late.
    pub late: Ts,
    /// How it ended.
    pub end: End,
}

/// Where a planned order stands against its window.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// Done inside its window.
    OnTime,
    /// Done before its window opened.
    Early,
    /// Done after its window shut.
    Late,
    /// Not done, and its window has shut.
    Overdue,
    /// Not done, and its window is still open, or not yet.
    StillOpen,
}

impl Planned {
    /// Where it stands at an instant; nothing where it was left out.
    pub fn standing(&self, as_of: Ts) -> Option<Standing> {
        match self.end {
            End::LeftOut => None,
            End::Closed(done) if done < self.opens => Some(Standing::Early),
            End::Closed(done) if done >= self.late => Some(Standing::Late),
            End::Closed(_) => Some(Standing::OnTime),
            End::Open if as_of >= self.late => Some(Standing::Overdue),
            End::Open => Some(Standing::StillOpen),
        }
    }

    /// How many days after its due point it was done; below 0 where before.
    pub fn lateness_days(&self) -> Option<f64> {
        match self.end {
            End::Closed(done) => Some(days(done.micros_since(self.due))),
            End::Open | End::LeftOut => None,
        }
    }

    /// For how many days it has been due at an instant, where its window has shut and it was not done.
    pub fn overdue_days(&self, as_of: Ts) -> Option<f64> {
        (self.standing(as_of) == Some(Standing::Overdue)).then(|| days(as_of.micros_since(self.due)))
    }
}

#[expect(clippy::cast_precision_loss, reason = "microseconds of a century have 52 bits")]
fn days(micros: i64) -> f64 {
    micros as f64 / MICROS_PER_DAY as f64
}

/// Planned work that was due in a period.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Compliance {
    /// How many were due and not left out.
    pub due: usize,
    /// How many were done inside their windows: the numerator of the share.
    pub on_time: usize,
    /// How many were done before.
    pub early: usize,
    /// How many were done after.
    pub late: usize,
    /// How many are open though their windows have shut.
    pub overdue: usize,
    /// How many are open inside their windows.
    pub still_open: usize,
    /// How many were left out with a reason; they count nowhere else.
    pub left_out: usize,
    /// The mean age of the overdue, in days from their due points.
    pub overdue_days: Option<f64>,
    /// The mean of done - due over the done, in days; early ones count below 0.
    pub lateness_days: Option<f64>,
}

impl Compliance {
    /// The denominator of the share: due less what is still open inside its window.
    pub fn decided(&self) -> usize {
        self.due - self.still_open
    }

    /// The share that was done inside its window; none where nothing was decided.
    pub fn share(&self) -> Option<f64> {
        (self.decided() > 0).then(|| number(self.on_time) / number(self.decided()))
    }
}

/// Counts planned work as it stands at an instant. All of it was due in the period asked about.
pub fn compliance<'p>(planned: impl IntoIterator<Item = &'p Planned>, as_of: Ts) -> Compliance {
    let mut found = Compliance::default();
    let (mut ages, mut lateness) = (Vec::new(), Vec::new());
    for order in planned {
        let counted = match order.standing(as_of) {
            None => &mut found.left_out,
            Some(Standing::OnTime) => &mut found.on_time,
            Some(Standing::Early) => &mut found.early,
            Some(Standing::Late) => &mut found.late,
            Some(Standing::Overdue) => &mut found.overdue,
            Some(Standing::StillOpen) => &mut found.still_open,
        };
        *counted += 1;
        ages.extend(order.overdue_days(as_of));
        lateness.extend(order.lateness_days());
    }
    found.due = found.on_time + found.early + found.late + found.overdue + found.still_open;
    found.overdue_days = mean(&ages);
    found.lateness_days = mean(&lateness);
    found
}

/// The mean of some numbers; none of none.
pub fn mean(numbers: &[f64]) -> Option<f64> {
    (!numbers.is_empty()).then(|| numbers.iter().sum::<f64>() / number(numbers.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn order(end: End) -> Planned {
        let day = |day: i64| Ts(day * MICROS_PER_DAY);
        Planned { due: day(10), opens: day(9), late: day(12), end }
    }

    /// The window holds its first instant and not the one at which lateness begins.
    #[test]
    fn the_edges_of_a_window() {
        let day = |day: i64| Ts(day * MICROS_PER_DAY);
        let at = |end, as_of| order(end).standing(day(as_of));
        assert_eq!(at(End::Closed(day(9)), 30), Some(Standing::OnTime));
        assert_eq!(at(End::Closed(day(9).plus_micros(-1)), 30), Some(Standing::Early));
        assert_eq!(at(End::Closed(day(12).plus_micros(-1)), 30), Some(Standing::OnTime));
        assert_eq!(at(End::Closed(day(12)), 30), Some(Standing::Late));
        assert_eq!(at(End::Open, 11), Some(Standing::StillOpen));
        assert_eq!(at(End::Open, 12), Some(Standing::Overdue));
        assert_eq!(at(End::LeftOut, 12), None);
        assert_eq!(order(End::Open).overdue_days(day(13)), Some(3.0));
    }

    #[test]
    fn nothing_due_has_no_share() {
        let none = compliance(&[], Ts(0));
        assert_eq!((none.due, none.share(), none.lateness_days), (0, None, None));
        let open = compliance(&[order(End::Open)], Ts(0));
        assert_eq!((open.due, open.decided(), open.share()), (1, 0, None));
    }
}
