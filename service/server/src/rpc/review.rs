//! The review of intervals.

use super::{Answer, Desk};
use crate::wire::{page, review, shop_out};
use fettler_proto::v1;
use fettler_store::contract::PageAsk;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::review_service_server::ReviewService for Desk {
    async fn list_advice(&self, request: Request<v1::ListAdviceRequest>) -> Answer<v1::ListAdviceResponse> {
        self.read(request, |call, ask| async move {
            let (site, filter, now) = (call.site(&ask.site).await?.site, review::filter(&ask)?, call.now());
            let page: PageAsk<_> = page::ask(&ask)?;
            let page = PageAsk { limit: page.limit.min(review::TASKS_AT_ONCE), ..page };
            let found = call.store.advice(site, &filter, page, now).await?;
            let looked_at = i32::try_from(found.rows.len()).unwrap_or(i32::MAX);
            let shown = found.rows.iter().filter(|record| ask.all || review::speaks(record));
            let advice = shown.map(review::advice).collect();
            let next_page_token = page::token(&ask, found.next.as_ref());
            Ok(v1::ListAdviceResponse { advice, looked_at, next_page_token })
        })
        .await
    }

    async fn get_advice(&self, request: Request<v1::GetAdviceRequest>) -> Answer<v1::GetAdviceResponse> {
        self.read(request, |call, ask| async move {
            let site = call.site(&ask.site).await?.site;
            let found = call.store.advice_of(site, &review::subject(&ask)?, call.now()).await?;
            Ok(v1::GetAdviceResponse { advice: Some(review::advice(&found)) })
        })
        .await
    }

    async fn answer_advice(
        &self,
        request: Request<v1::AnswerAdviceRequest>,
    ) -> Answer<v1::AnswerAdviceResponse> {
        self.change("AnswerAdvice", request, |call, ask| async move {
            let (site, answer) = (call.site(&ask.site).await?.site, review::answer(&ask)?);
            let done = call.store.answer_advice(&call.caller, site, &answer, ask.validate_only).await?;
            let (advice, changes) = (Some(review::advice(&done.advice)), shop_out::changes(&done.changes));
            Ok(v1::AnswerAdviceResponse { advice, changes, entry: done.entry })
        })
        .await
    }
}
