//! The store in memory tells other systems nothing.

use super::fake::{Fake, away};
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use fettler_domain::outbound::BuyTold;
use fettler_domain::text::Key;
use fettler_domain::time::Ts;
use fettler_store::contract::{Caller, Outbound, OutboundEntry, Page, PageAsk, Result};

#[async_trait]
impl Outbound for Fake {
    async fn buy_compared_at(&self, _: SiteId) -> Result<Option<Ts>> {
        away()
    }

    async fn tell_outbound(&self, _: SiteId, _: Option<Vec<BuyTold>>, _: Ts) -> Result<bool> {
        away()
    }

    async fn outbound(&self, _: SiteId, _: PageAsk<i64>) -> Result<Page<OutboundEntry, i64>> {
        away()
    }

    async fn outbound_place(&self, _: SiteId, _: &Key) -> Result<i64> {
        away()
    }

    async fn acknowledge_outbound(&self, _: &Caller, _: SiteId, _: &Key, _: i64) -> Result<i64> {
        away()
    }
}
