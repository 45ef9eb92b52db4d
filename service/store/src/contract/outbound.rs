//! What other systems book, in the order in which it is told.

use super::{Caller, Page, PageAsk, Result};
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use fettler_domain::outbound::{BuyTold, Told};
use fettler_domain::text::Key;
use fettler_domain::time::Ts;

/// Something that was told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutboundEntry {
    /// Its number on the site: they rise in the order of telling.
    pub number: i64,
    /// The lineage of the journal when it was told.
    pub lineage: u32,
    /// When it was told first.
    pub told_at: Ts,
    /// What it says.
    pub told: Told,
}

/// The calls about what other systems book.
#[async_trait]
pub trait Outbound: Send + Sync {
    /// When the buy list was compared last; none before it was.
    async fn buy_compared_at(&self, site: SiteId) -> Result<Option<Ts>>;
    /// Tells what was closed and undone since, and, where it is given, what the buy list says otherwise than it was told to. Where
    /// that is nothing, nothing is written. True when there is more than was told at once.
    async fn tell_outbound(&self, site: SiteId, lines: Option<Vec<BuyTold>>, now: Ts) -> Result<bool>;
    /// What was told after a number.
    async fn outbound(&self, site: SiteId, page: PageAsk<i64>) -> Result<Page<OutboundEntry, i64>>;
    /// Up to where a reader has booked; 0 for one that has not.
    async fn outbound_place(&self, site: SiteId, reader: &Key) -> Result<i64>;
    /// Says that a reader has booked all up to a number; gives up to where it has. A lower number than before changes nothing.
    async fn acknowledge_outbound(
        &self,
        caller: &Caller,
        site: SiteId,
        reader: &Key,
        through: i64,
    ) -> Result<i64>;
}
