//! The store in memory knows no rounds.

use super::fake::{Fake, away};
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use fettler_domain::round::Round;
use fettler_domain::round::answer::{ChecksSaid, Recorded};
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use fettler_store::contract::{
    Caller, KeptHandover, MachineReady, MachineRound, Page, PageAsk, Result, RoundFilter, RoundHead, Rounds,
};

#[async_trait]
impl Rounds for Fake {
    async fn round(&self, _: SiteId, _: Ts) -> Result<RoundHead> {
        away()
    }

    async fn round_checks(
        &self,
        _: SiteId,
        _: &RoundFilter,
        _: PageAsk<(String, String)>,
    ) -> Result<(Round, Page<MachineRound, (String, String)>)> {
        away()
    }

    async fn readiness(
        &self,
        _: SiteId,
        _: Ts,
        _: Ts,
        _: PageAsk<(String, String)>,
    ) -> Result<(Round, Page<MachineReady, (String, String)>)> {
        away()
    }

    async fn record_checks(&self, _: &Caller, _: SiteId, _: &ChecksSaid) -> Result<(Round, Vec<Recorded>)> {
        away()
    }

    async fn end_round(
        &self,
        _: &Caller,
        _: SiteId,
        _: Option<Ts>,
        _: &Name,
        _: &str,
    ) -> Result<KeptHandover> {
        away()
    }

    async fn acknowledge(&self, _: &Caller, _: SiteId, _: i64, _: &Name) -> Result<KeptHandover> {
        away()
    }

    async fn handovers(&self, _: SiteId, _: bool, _: PageAsk<i64>) -> Result<Page<KeptHandover, i64>> {
        away()
    }
}
