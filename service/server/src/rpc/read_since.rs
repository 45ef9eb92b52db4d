//! What was read at a test point since a reading there made an order due: whether the work that is still to be recorded has helped.

use super::Call;
use crate::status::Failure;
use fettler_domain::ids::SiteId;
use fettler_domain::plan::Counted;
use fettler_store::contract::{Explained, KeptReading, PageAsk, ReadingFilter};

/// How many of a point's newest entries are looked through: some of them are of before, or withdrawn.
const LOOKED_AT: u32 = 50;
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
        let machine = Some(explained.entry.machine.to_string());
        let filter = ReadingFilter { machine, point: Some(point.clone()), out_of_limits: false };
        let newest = call.store.readings(site, &filter, PageAsk { after: None, limit: LOOKED_AT }).await?;
        let mut since = newest.rows;
        since.retain(|kept| kept.record.withdrawn.is_none() && kept.record.at > first.at);
        since.sort_by_key(|kept| (kept.record.at, kept.entry));
        all.push(since.split_off(since.len().saturating_sub(TOLD_MAX)));
    }
    Ok(all)
}
