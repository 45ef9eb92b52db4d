//! The contract's calls about rounds, each handed to the module that does it.

use super::store::SqlStore;
use super::{handovers, round_reads, rounds};
use crate::contract::{
    Caller, KeptHandover, MachineReady, MachineRound, Page, PageAsk, Result, RoundFilter, RoundHead, Rounds,
};
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use fettler_domain::round::Round;
use fettler_domain::round::answer::{ChecksSaid, Recorded};
use fettler_domain::text::Name;
use fettler_domain::time::Ts;

#[async_trait]
impl Rounds for SqlStore {
    async fn round(&self, site: SiteId, at: Ts) -> Result<RoundHead> {
        round_reads::head(&mut *self.read().await?, site, at).await
    }

    async fn round_checks(
        &self,
        site: SiteId,
        filter: &RoundFilter,
        page: PageAsk<(String, String)>,
    ) -> Result<(Round, Page<MachineRound, (String, String)>)> {
        round_reads::checks(&mut *self.read().await?, site, filter, page).await
    }

    async fn readiness(
        &self,
        site: SiteId,
        at: Ts,
        now: Ts,
        page: PageAsk<(String, String)>,
    ) -> Result<(Round, Page<MachineReady, (String, String)>)> {
        round_reads::ready(&mut *self.read().await?, site, at, now, page).await
    }

    async fn record_checks(
        &self,
        caller: &Caller,
        site: SiteId,
        said: &ChecksSaid,
    ) -> Result<(Round, Vec<Recorded>)> {
        let said = said.clone();
        self.queue.write(caller, move |tx| Box::pin(rounds::record(tx, site, said))).await
    }

    async fn end_round(
        &self,
        caller: &Caller,
        site: SiteId,
        shift: Option<Ts>,
        by: &Name,
        note: &str,
    ) -> Result<KeptHandover> {
        let ask = handovers::Ending { shift, by: by.clone(), note: note.to_owned() };
        self.queue.write(caller, move |tx| Box::pin(handovers::end(tx, site, ask))).await
    }

    async fn acknowledge(
        &self,
        caller: &Caller,
        site: SiteId,
        handover: i64,
        by: &Name,
    ) -> Result<KeptHandover> {
        let by = by.clone();
        self.queue.write(caller, move |tx| Box::pin(handovers::acknowledge(tx, site, handover, by))).await
    }

    async fn handovers(
        &self,
        site: SiteId,
        only_open: bool,
        page: PageAsk<i64>,
    ) -> Result<Page<KeptHandover, i64>> {
        handovers::list(&mut *self.read().await?, site, only_open, page).await
    }
}
