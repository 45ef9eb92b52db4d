//! Planned work against its window: done in time, early, late, overdue, or still open inside it.

use crate::time::Ts;

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
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::MICROS_PER_DAY;

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
    }
}
