//! The store in memory counts nothing.

use super::fake::{Fake, away};
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use fettler_domain::time::Ts;
use fettler_store::contract::{Gauges, Result, SiteGauge, StoreGauge};

#[async_trait]
impl Gauges for Fake {
    async fn site_gauge(&self, _: SiteId, _: Ts) -> Result<SiteGauge> {
        away()
    }

    async fn store_gauge(&self) -> Result<StoreGauge> {
        away()
    }
}
