//! Which statement stands for a report: the highest revision, and in it one content.

use super::report::{Digest, Statement};
use super::row::{Reason, Row, Settlement, State};

/// Decides among all the rows of one report, and returns the place of the one that is to be judged, if any.
///
/// The highest revision stands even when it is held, dropped or withdrawn. Within it a content settled as `count`
/// goes first, then the smallest digest that was not dropped. The states of all other rows are set here.
pub fn stand(rows: &mut [Row]) -> Option<usize> {
    let highest = rows.iter().map(|row| row.key.revision).max()?;
    let standing: Option<(bool, Digest)> = rows
        .iter()
        .filter(|row| row.key.revision == highest && row.settlement != Some(Settlement::Drop))
        .map(|row| (!row.settled_count(), row.key.digest))
        .min();
    let mut to_judge = None;
    for (place, row) in rows.iter_mut().enumerate() {
        (row.machine, row.meter) = (None, None);
        if row.key.revision < highest {
            row.became(State::Superseded);
        } else if row.settlement == Some(Settlement::Drop) {
            row.became(State::Dropped);
        } else {
            match standing {
                Some((_, stands)) if stands != row.key.digest => row.hold(Reason::SameRevision { stands }),
                _ if row.content.statement == Statement::Withdrawn => row.became(State::Withdrawn),
                _ => to_judge = Some(place),
            }
        }
    }
    to_judge
}
