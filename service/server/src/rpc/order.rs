//! Work orders.

use super::machine::machine_id;
use super::{Answer, Desk};
use crate::wire::{due, order, page};
use fettler_proto::v1;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::order_service_server::OrderService for Desk {
    async fn list_orders(&self, request: Request<v1::ListOrdersRequest>) -> Answer<v1::ListOrdersResponse> {
        self.read(request, |call, ask| async move {
            let filter = order::filter(&ask)?;
            let site = call.site(&ask.site).await?;
            if let Some(machine) = &filter.machine {
                machine_id(&call, &site, machine.as_str()).await?;
            }
            let (call, ask, filter, site) = (&call, &ask, &filter, &site);
            call.fit(page::ask(ask)?, |page| async move {
                let page = call.store.orders(site.site, filter, page).await?;
                let names = call.names(page.rows.iter().flat_map(order::people_of)).await?;
                let of = |record| order::order(record, &names, &site.calendar);
                let next_page_token = page::token(ask, page.next.as_ref());
                Ok(v1::ListOrdersResponse { orders: page.rows.iter().map(of).collect(), next_page_token })
            })
            .await
        })
        .await
    }

    async fn get_order(&self, request: Request<v1::GetOrderRequest>) -> Answer<v1::GetOrderResponse> {
        self.read(request, |call, ask| async move {
            let number = order::number(ask.order)?;
            let site = call.site(&ask.site).await?;
            let record = call.store.order(site.site, number).await?;
            let names = call.names(order::people_of(&record)).await?;
            Ok(v1::GetOrderResponse { order: Some(order::order(&record, &names, &site.calendar)) })
        })
        .await
    }

    async fn close_order(&self, request: Request<v1::CloseOrderRequest>) -> Answer<v1::CloseOrderResponse> {
        self.change("CloseOrder", request, |call, ask| async move {
            let said = order::closing(&ask, call.now())?;
            let site = call.site(&ask.site).await?;
            let ended = call.store.close(&call.caller, site.site, &said).await?;
            let names = call.names(order::people_of_ended(&ended)).await?;
            Ok(order::close_answer(&ended, &names, &site.calendar, call.now()))
        })
        .await
    }

    async fn skip_order(&self, request: Request<v1::SkipOrderRequest>) -> Answer<v1::SkipOrderResponse> {
        self.change("SkipOrder", request, |call, ask| async move {
            let (number, by, reason) = order::decided(ask.order, &ask.by, &ask.reason)?;
            let site = call.site(&ask.site).await?;
            let skip = call.store.skip(&call.caller, site.site, number, &by, &reason, ask.validate_only);
            let ended = skip.await?;
            let names = call.names(order::people_of_ended(&ended)).await?;
            Ok(order::skip_answer(&ended, &names, &site.calendar, call.now()))
        })
        .await
    }

    async fn raise_order(&self, request: Request<v1::RaiseOrderRequest>) -> Answer<v1::RaiseOrderResponse> {
        self.change("RaiseOrder", request, |call, ask| async move {
            let said = order::raised(&ask)?;
            let site = call.site(&ask.site).await?;
            let entry = call.store.raise(&call.caller, site.site, &said).await?;
            Ok(v1::RaiseOrderResponse { item: Some(due::own_item(&entry, &site.calendar, call.now())) })
        })
        .await
    }

    async fn undo_closing(
        &self,
        request: Request<v1::UndoClosingRequest>,
    ) -> Answer<v1::UndoClosingResponse> {
        self.change("UndoClosing", request, |call, ask| async move {
            let (number, by, reason) = order::decided(ask.order, &ask.by, &ask.reason)?;
            let site = call.site(&ask.site).await?;
            let undo = call.store.undo(&call.caller, site.site, number, &by, &reason, ask.validate_only);
            Ok(order::undo_answer(&undo.await?, &site.calendar, call.now()))
        })
        .await
    }
}
