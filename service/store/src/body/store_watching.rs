//! The contract's calls for whoever watches, each handed to the module that does it.

use super::store::SqlStore;
use super::{head, orders, plan_reads};
use crate::contract::{DueFilter, OrderRecord, Result, Watching};
use async_trait::async_trait;
use fettler_domain::ids::{OrderNumber, SiteId};

#[async_trait]
impl Watching for SqlStore {
    async fn writes(&self, site: SiteId) -> Result<i64> {
        head::writes(&mut *self.read().await?, site).await
    }

    async fn due_count(&self, site: SiteId, filter: &DueFilter) -> Result<u64> {
        plan_reads::count(&mut *self.read().await?, site, filter).await
    }

    async fn these_orders(&self, site: SiteId, numbers: &[OrderNumber]) -> Result<Vec<OrderRecord>> {
        let mut found = orders::these(&mut *self.read().await?, site, numbers).await?;
        found.sort_by_key(|order| order.number);
        Ok(found)
    }
}
