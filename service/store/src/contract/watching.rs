//! What is asked to notice that a due list has changed.

use super::{DueFilter, OrderRecord, Result};
use async_trait::async_trait;
use fettler_domain::ids::{OrderNumber, SiteId};

/// The calls for whoever watches.
#[async_trait]
pub trait Watching: Send + Sync {
    /// How often a site was written to, by whichever service: what was read of it stands as long as this does, but for what time
    /// alone alters.
    async fn writes(&self, site: SiteId) -> Result<i64>;
    /// How many rows a part of the due list has.
    async fn due_count(&self, site: SiteId, filter: &DueFilter) -> Result<u64>;
    /// These orders with their closings, those that there are, by number.
    async fn these_orders(&self, site: SiteId, numbers: &[OrderNumber]) -> Result<Vec<OrderRecord>>;
}
