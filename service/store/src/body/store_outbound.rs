//! The contract's calls about what other systems book, each handed to the module that does it.

use super::outbound;
use super::store::SqlStore;
use crate::contract::{Caller, Outbound, OutboundEntry, Page, PageAsk, Result};
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use fettler_domain::outbound::BuyTold;
use fettler_domain::text::Key;
use fettler_domain::time::Ts;

#[async_trait]
impl Outbound for SqlStore {
    async fn buy_compared_at(&self, site: SiteId) -> Result<Option<Ts>> {
        outbound::compared_at(&mut *self.read().await?, site).await
    }

    async fn tell_outbound(&self, site: SiteId, lines: Option<Vec<BuyTold>>, now: Ts) -> Result<bool> {
        if lines.is_none() && !outbound::is_behind(&mut *self.read().await?, site).await? {
            return Ok(false);
        }
        let caller = Caller {
            token: None,
            method: "TellOutbound",
            request: None,
            now,
            person: None,
            as_manager: true,
        };
        self.queue.write(&caller, move |tx| Box::pin(outbound::tell(tx, site, lines))).await
    }

    async fn outbound(&self, site: SiteId, page: PageAsk<i64>) -> Result<Page<OutboundEntry, i64>> {
        outbound::list(&mut *self.read().await?, site, page).await
    }

    async fn outbound_place(&self, site: SiteId, reader: &Key) -> Result<i64> {
        outbound::place(&mut *self.read().await?, site, reader).await
    }

    async fn acknowledge_outbound(
        &self,
        caller: &Caller,
        site: SiteId,
        reader: &Key,
        through: i64,
    ) -> Result<i64> {
        let reader = reader.clone();
        self.queue.write(caller, move |tx| Box::pin(outbound::acknowledge(tx, site, reader, through))).await
    }
}
