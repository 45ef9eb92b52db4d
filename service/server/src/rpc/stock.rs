//! The shelf, what comes and goes, and what to buy.

use super::{Answer, Call, Desk};
use crate::status::Failure;
use crate::wire::{buy, page, stock};
use fettler_domain::time::ShopDay;
use fettler_proto::v1;
use fettler_store::contract::{PageAsk, StockDone, StockFilter, StockTold};
use tonic::{Request, async_trait};

#[async_trait]
impl v1::stock_service_server::StockService for Desk {
    async fn list_stock(&self, request: Request<v1::ListStockRequest>) -> Answer<v1::ListStockResponse> {
        self.read(request, |call, ask| async move {
            let wanted = stock::list_ask(&ask)?;
            let site = call.site(&ask.site).await?;
            let today = site.calendar.shop_day_of(call.now());
            let before = site.calendar.end_of(today.plus_days(i64::from(wanted.within_days)));
            let with_findings = ask.with_findings.then_some(today);
            let filter = StockFilter { item: wanted.item, with_findings, before };
            let (call, ask, filter, site) = (&call, &ask, &filter, site.site);
            call.fit(page::ask(ask)?, |page| async move {
                let found = call.store.stock(site, filter, page).await?;
                let items = found.rows.iter().map(|item| stock::item(item, today)).collect();
                let next_page_token = page::token(ask, found.next.as_ref());
                Ok(v1::ListStockResponse { items, shop_day: today.to_string(), next_page_token })
            })
            .await
        })
        .await
    }

    async fn receive_stock(
        &self,
        request: Request<v1::ReceiveStockRequest>,
    ) -> Answer<v1::ReceiveStockResponse> {
        self.change("ReceiveStock", request, |call, ask| async move {
            let done = told(&call, &ask.site, stock::received(&ask)?, ask.validate_only).await?;
            let (item, remarks, entry) = stock::done(&done.0, done.1);
            Ok(v1::ReceiveStockResponse { item, remarks, entry })
        })
        .await
    }

    async fn count_stock(&self, request: Request<v1::CountStockRequest>) -> Answer<v1::CountStockResponse> {
        self.change("CountStock", request, |call, ask| async move {
            let done = told(&call, &ask.site, stock::counted(&ask)?, ask.validate_only).await?;
            let (item, remarks, entry) = stock::done(&done.0, done.1);
            Ok(v1::CountStockResponse { item, remarks, entry })
        })
        .await
    }

    async fn issue_stock(&self, request: Request<v1::IssueStockRequest>) -> Answer<v1::IssueStockResponse> {
        self.change("IssueStock", request, |call, ask| async move {
            let done = told(&call, &ask.site, stock::issued(&ask)?, ask.validate_only).await?;
            let (item, remarks, entry) = stock::done(&done.0, done.1);
            Ok(v1::IssueStockResponse { item, remarks, entry })
        })
        .await
    }

    async fn withdraw_issue(
        &self,
        request: Request<v1::WithdrawIssueRequest>,
    ) -> Answer<v1::WithdrawIssueResponse> {
        self.change("WithdrawIssue", request, |call, ask| async move {
            let withdrawal = stock::withdrawal(&ask)?;
            let site = call.site(&ask.site).await?;
            let today = site.calendar.shop_day_of(call.now());
            let done = call.store.withdraw_issue(&call.caller, site.site, &withdrawal).await?;
            let (item, remarks, entry) = stock::done(&done, today);
            Ok(v1::WithdrawIssueResponse { item, remarks, entry })
        })
        .await
    }

    async fn record_purchase(
        &self,
        request: Request<v1::RecordPurchaseRequest>,
    ) -> Answer<v1::RecordPurchaseResponse> {
        self.change("RecordPurchase", request, |call, ask| async move {
            let done = told(&call, &ask.site, stock::ordered(&ask)?, ask.validate_only).await?;
            let (item, remarks, entry) = stock::done(&done.0, done.1);
            let purchase = done.0.purchase.unwrap_or(0);
            Ok(v1::RecordPurchaseResponse { item, remarks, entry, purchase })
        })
        .await
    }

    async fn cancel_purchase(
        &self,
        request: Request<v1::CancelPurchaseRequest>,
    ) -> Answer<v1::CancelPurchaseResponse> {
        self.change("CancelPurchase", request, |call, ask| async move {
            let done = told(&call, &ask.site, stock::cancelled(&ask)?, ask.validate_only).await?;
            let (item, remarks, entry) = stock::done(&done.0, done.1);
            Ok(v1::CancelPurchaseResponse { item, remarks, entry })
        })
        .await
    }

    async fn get_buy_list(&self, request: Request<v1::GetBuyListRequest>) -> Answer<v1::GetBuyListResponse> {
        self.read(request, |call, ask| async move {
            let site = call.site(&ask.site).await?;
            let today = site.calendar.shop_day_of(call.now());
            let wanted = buy::ask(&ask, today)?;
            let list = call.store.buy_list(site.site, &wanted.filter, call.now()).await?;
            let (ask, wanted, list) = (&ask, &wanted, &list);
            call.fit(page::ask(ask)?, |page: PageAsk<buy::BuyCursor>| async move {
                let (rows, next) = buy::page(list, wanted.order_by, page.after.as_ref(), page.limit);
                Ok(v1::GetBuyListResponse {
                    lines: rows.into_iter().map(|row| buy::line(row, list.until, today)).collect(),
                    shop_day: today.to_string(),
                    until_day: list.until.to_string(),
                    not_counted: list.not_counted.clone(),
                    next_page_token: page::token(ask, next.as_ref()),
                })
            })
            .await
        })
        .await
    }
}

/// Takes what is said of an item's stock; gives what came of it, and the shop day.
async fn told(
    call: &Call,
    site: &str,
    told: StockTold,
    validate_only: bool,
) -> Result<(StockDone, ShopDay), Failure> {
    let site = call.site(site).await?;
    let today = site.calendar.shop_day_of(call.now());
    Ok((call.store.change_stock(&call.caller, site.site, &told, validate_only).await?, today))
}
