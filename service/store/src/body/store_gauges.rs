//! The contract's calls about what operators watch, each handed to the module that does it.

use super::store::SqlStore;
use super::{dialect, gauges};
use crate::contract::{Gauges, Result, SiteGauge, StoreGauge};
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use fettler_domain::time::Ts;

#[async_trait]
impl Gauges for SqlStore {
    async fn site_gauge(&self, site: SiteId, now: Ts) -> Result<SiteGauge> {
        gauges::of_site(&mut *self.read().await?, site, now).await
    }

    async fn store_gauge(&self) -> Result<StoreGauge> {
        let database_bytes = gauges::database_bytes(&self.readers).await?;
        let readers_open = u64::from(self.readers.size());
        // Both numbers move while they are read.
        let idle = u64::try_from(self.readers.num_idle()).unwrap_or(u64::MAX);
        Ok(StoreGauge {
            database_bytes,
            log_bytes: dialect::log_bytes(&self.readers),
            writing: self.queue.writing(),
            readers_open,
            readers_busy: readers_open.saturating_sub(idle),
        })
    }
}
