//! What was read at a test point since a reading there made an order due: whether the work that is still to be recorded has helped.

use super::Call;
use crate::status::Failure;
use fettler_domain::ids::SiteId;
use fettler_domain::plan::Counted;
use fettler_store::contract::{Explained, KeptReading};

/// How many readings are told of a clause.
const TOLD_MAX: usize = 5;

/// For each clause of an order in its turn, the newest readings since the one by which it is due, the oldest first; none where no reading
/// made it due.
pub(super) async fn of_clauses(
    call: &Call,
    site: SiteId,
    explained: &Explained,
) -> Result<Vec<Vec<KeptReading>>, Failure> {
    let mut all = Vec::new();
    for clause in &explained.entry.plan.clauses {
        let Counted::Reading { point, first: Some(first), .. } = &clause.counted else {
            all.push(Vec::new());
            continue;
        };
        // Its newest readings that stand, by their time, however late they were entered.
        let mut since = call.store.point(site, explained.entry.machine.as_str(), point).await?.readings;
        since.retain(|kept| kept.record.at > first.at);
        all.push(since.split_off(since.len().saturating_sub(TOLD_MAX)));
    }
    Ok(all)
}
