//! Rounds: walked, ended, handed over.

use super::machine::{known_area, named};
use super::{Answer, Desk};
use crate::wire::{page, round};
use fettler_proto::v1;
use fettler_store::contract::PageAsk;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::round_service_server::RoundService for Desk {
    async fn get_round(&self, request: Request<v1::GetRoundRequest>) -> Answer<v1::GetRoundResponse> {
        self.read(request, |call, ask| async move {
            let at = round::at(ask.at.as_ref(), call.now())?;
            let site = call.site(&ask.site).await?;
            let head = call.store.round(site.site, at).await?;
            let names = call.names(head.handovers.iter().flat_map(round::people_of_handover)).await?;
            Ok(round::head(&head, &names, site.calendar.zone().name(), call.now()))
        })
        .await
    }

    async fn list_checks(&self, request: Request<v1::ListChecksRequest>) -> Answer<v1::ListChecksResponse> {
        self.read(request, |call, ask| async move {
            let (mut filter, machine) = round::filter(&ask, call.now())?;
            let site = call.site(&ask.site).await?;
            if let Some(name) = machine {
                let (record, _) = named(&call, site.site, name.as_str()).await?;
                filter.machine = Some(record.tag);
            }
            if let Some(area) = &filter.area {
                known_area(&call, &site, area).await?;
            }
            let (call, ask, filter, site) = (&call, &ask, &filter, site.site);
            call.fit(page::ask(ask)?, |page: PageAsk<(String, String)>| async move {
                let (of, page) = call.store.round_checks(site, filter, page).await?;
                let names = call.names(round::people_of(&page.rows)).await?;
                let machines = page.rows.iter().map(|row| round::machine(row, &of, &names, call.now()));
                Ok(v1::ListChecksResponse {
                    machines: machines.collect(),
                    round: Some(round::round(&of)),
                    next_page_token: page::token(ask, page.next.as_ref()),
                })
            })
            .await
        })
        .await
    }

    async fn list_readiness(
        &self,
        request: Request<v1::ListReadinessRequest>,
    ) -> Answer<v1::ListReadinessResponse> {
        self.read(request, |call, ask| async move {
            let at = round::at(ask.at.as_ref(), call.now())?;
            let site = call.site(&ask.site).await?.site;
            let (call, ask) = (&call, &ask);
            call.fit(page::ask(ask)?, |page: PageAsk<(String, String)>| async move {
                let (of, page) = call.store.readiness(site, at, call.now(), page).await?;
                let machines = page.rows.iter().map(round::ready).collect();
                let next_page_token = page::token(ask, page.next.as_ref());
                Ok(v1::ListReadinessResponse { machines, round: Some(round::round(&of)), next_page_token })
            })
            .await
        })
        .await
    }

    async fn record_checks(
        &self,
        request: Request<v1::RecordChecksRequest>,
    ) -> Answer<v1::RecordChecksResponse> {
        self.change("RecordChecks", request, |call, ask| async move {
            let said = round::said(&ask, call.now())?;
            let site = call.site(&ask.site).await?;
            let (of, became) = call.store.record_checks(&call.caller, site.site, &said).await?;
            let answers = ask.answers.iter().zip(&became);
            let recorded = answers.map(|(said, became)| round::recorded(&said.check, became)).collect();
            Ok(v1::RecordChecksResponse { recorded, round: Some(round::round(&of)) })
        })
        .await
    }

    async fn end_round(&self, request: Request<v1::EndRoundRequest>) -> Answer<v1::EndRoundResponse> {
        self.change("EndRound", request, |call, ask| async move {
            let (shift, by, note) = round::ending(&ask)?;
            let site = call.site(&ask.site).await?;
            let kept = call.store.end_round(&call.caller, site.site, shift, &by, &note).await?;
            let names = call.names(round::people_of_handover(&kept)).await?;
            Ok(v1::EndRoundResponse { handover: Some(round::handover(&kept, &names)) })
        })
        .await
    }

    async fn acknowledge_handover(
        &self,
        request: Request<v1::AcknowledgeHandoverRequest>,
    ) -> Answer<v1::AcknowledgeHandoverResponse> {
        self.change("AcknowledgeHandover", request, |call, ask| async move {
            let (handover, by) = round::acknowledgement(&ask)?;
            let site = call.site(&ask.site).await?;
            let kept = call.store.acknowledge(&call.caller, site.site, handover, &by).await?;
            let names = call.names(round::people_of_handover(&kept)).await?;
            Ok(v1::AcknowledgeHandoverResponse { handover: Some(round::handover(&kept, &names)) })
        })
        .await
    }

    async fn list_handovers(
        &self,
        request: Request<v1::ListHandoversRequest>,
    ) -> Answer<v1::ListHandoversResponse> {
        self.read(request, |call, ask| async move {
            let site = call.site(&ask.site).await?.site;
            let (call, ask) = (&call, &ask);
            call.fit(page::ask(ask)?, |page: PageAsk<i64>| async move {
                let page = call.store.handovers(site, ask.only_open, page).await?;
                let names = call.names(page.rows.iter().flat_map(round::people_of_handover)).await?;
                let handovers = page.rows.iter().map(|kept| round::handover(kept, &names)).collect();
                let next_page_token = page::token(ask, page.next.as_ref());
                Ok(v1::ListHandoversResponse { handovers, next_page_token })
            })
            .await
        })
        .await
    }
}
