//! Fluids.

use super::due::site_name;
use super::{Answer, Desk};
use crate::wire::{fluid, page};
use fettler_proto::v1;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::fluid_service_server::FluidService for Desk {
    async fn record_fluid(
        &self,
        request: Request<v1::RecordFluidRequest>,
    ) -> Answer<v1::RecordFluidResponse> {
        self.change("RecordFluid", request, |call, ask| async move {
            let said = fluid::told(&ask, call.now())?;
            let site = call.site(&ask.site).await?;
            let done = call.store.record_fluid(&call.caller, site.site, &said, ask.validate_only).await?;
            let names = call.names(fluid::people_of(&done.kept)).await?;
            Ok(fluid::recorded(done, &names))
        })
        .await
    }

    async fn withdraw_fluid(
        &self,
        request: Request<v1::WithdrawFluidRequest>,
    ) -> Answer<v1::WithdrawFluidResponse> {
        self.change("WithdrawFluid", request, |call, ask| async move {
            let withdrawal = fluid::withdrawal(&ask)?;
            let site = call.site(&ask.site).await?;
            let done = call.store.withdraw_fluid(&call.caller, site.site, &withdrawal).await?;
            let names = call.names(fluid::people_of(&done.kept)).await?;
            Ok(fluid::withdrawn(done, &names))
        })
        .await
    }

    async fn get_fluid_record(
        &self,
        request: Request<v1::GetFluidRecordRequest>,
    ) -> Answer<v1::GetFluidRecordResponse> {
        self.read(request, |call, ask| async move {
            let filter = fluid::filter(&ask)?;
            let site = call.site(&ask.site).await?;
            let (call, ask, filter, site) = (&call, &ask, &filter, &site);
            call.fit(page::ask(ask)?, |page| async move {
                let book = call.store.fluid_book(site.site, filter, page).await?;
                let names = call.names(fluid::people_of_book(&book)).await?;
                let next_page_token = page::token(ask, book.lines.next.as_ref());
                let answer = fluid::book(&book, &names, &site.calendar, call.now());
                Ok(v1::GetFluidRecordResponse { next_page_token, site_name: site_name(site), ..answer })
            })
            .await
        })
        .await
    }
}
