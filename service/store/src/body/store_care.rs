//! The calls about advice and figures, each handed to the module that does it.

use super::store::SqlStore;
use super::{care, review, review_answer};
use crate::contract::{
    AdviceAnswer, AdviceAnswered, AdviceCursor, AdviceFilter, AdviceRecord, AdviceSubject, Caller, Care,
    CareFilter, CareRead, Page, PageAsk, Result,
};
use async_trait::async_trait;
use fettler_domain::figures::care::Period;
use fettler_domain::ids::SiteId;
use fettler_domain::time::Ts;

#[async_trait]
impl Care for SqlStore {
    async fn advice(
        &self,
        site: SiteId,
        filter: &AdviceFilter,
        page: PageAsk<AdviceCursor>,
        now: Ts,
    ) -> Result<Page<AdviceRecord, AdviceCursor>> {
        review::list(&mut *self.read().await?, site, filter, page, now).await
    }

    async fn advice_of(&self, site: SiteId, subject: &AdviceSubject, now: Ts) -> Result<AdviceRecord> {
        review::one(&mut *self.read().await?, site, subject, now).await
    }

    async fn answer_advice(
        &self,
        caller: &Caller,
        site: SiteId,
        answer: &AdviceAnswer,
        validate_only: bool,
    ) -> Result<AdviceAnswered> {
        let answer = answer.clone();
        self.queue
            .write(caller, move |tx| Box::pin(review_answer::answer(tx, site, answer, validate_only)))
            .await
    }

    async fn care(&self, site: SiteId, filter: &CareFilter, periods: &[Period]) -> Result<CareRead> {
        care::read(&mut *self.read().await?, site, filter, periods).await
    }
}
