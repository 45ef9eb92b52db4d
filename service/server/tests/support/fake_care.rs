//! Nothing of advice and figures: the store in memory is away for that.

use super::fake::{Fake, away};
use async_trait::async_trait;
use fettler_domain::figures::care::Period;
use fettler_domain::ids::SiteId;
use fettler_domain::time::Ts;
use fettler_store::contract::{
    AdviceAnswer, AdviceAnswered, AdviceCursor, AdviceFilter, AdviceRecord, AdviceSubject, Caller, Care,
    CareFilter, CareRead, Page, PageAsk, Result,
};

#[async_trait]
impl Care for Fake {
    async fn advice(
        &self,
        _: SiteId,
        _: &AdviceFilter,
        _: PageAsk<AdviceCursor>,
        _: Ts,
    ) -> Result<Page<AdviceRecord, AdviceCursor>> {
        away()
    }

    async fn advice_of(&self, _: SiteId, _: &AdviceSubject, _: Ts) -> Result<AdviceRecord> {
        away()
    }

    async fn answer_advice(
        &self,
        _: &Caller,
        _: SiteId,
        _: &AdviceAnswer,
        _: bool,
    ) -> Result<AdviceAnswered> {
        away()
    }

    async fn care(&self, _: SiteId, _: &CareFilter, _: &[Period]) -> Result<CareRead> {
        away()
    }
}
