//! The store in memory has nothing to watch.

use super::fake::{Fake, away};
use async_trait::async_trait;
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_store::contract::{DueFilter, OrderRecord, Result, Watching};

#[async_trait]
impl Watching for Fake {
    async fn writes(&self, _: SiteId) -> Result<i64> {
        away()
    }

    async fn due_count(&self, _: SiteId, _: &DueFilter) -> Result<u64> {
        away()
    }

    async fn these_orders(&self, _: SiteId, _: &[OrderNumber]) -> Result<Vec<OrderRecord>> {
        away()
    }
}
