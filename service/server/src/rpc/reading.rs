//! Readings and test points.

use super::machine::machine_id;
use super::{Answer, Desk};
use crate::wire::{page, reading};
use fettler_proto::v1;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::reading_service_server::ReadingService for Desk {
    async fn take_readings(
        &self,
        request: Request<v1::TakeReadingsRequest>,
    ) -> Answer<v1::TakeReadingsResponse> {
        self.change("TakeReadings", request, |call, ask| async move {
            let told = reading::told(&ask, call.now())?;
            let site = call.site(&ask.site).await?;
            let taken = call.store.take_readings(&call.caller, site.site, &told, ask.validate_only).await?;
            let names = call.names(reading::people_of_all(&taken)).await?;
            let taken = taken.iter().map(|taken| reading::taken(taken, &names)).collect();
            Ok(v1::TakeReadingsResponse { taken })
        })
        .await
    }

    async fn withdraw_reading(
        &self,
        request: Request<v1::WithdrawReadingRequest>,
    ) -> Answer<v1::WithdrawReadingResponse> {
        self.change("WithdrawReading", request, |call, ask| async move {
            let withdrawal = reading::withdrawal(&ask)?;
            let site = call.site(&ask.site).await?;
            let kept = call.store.withdraw_reading(&call.caller, site.site, &withdrawal).await?;
            let names = call.names(reading::people_of(&kept)).await?;
            Ok(v1::WithdrawReadingResponse { reading: Some(reading::reading(&kept, &names)) })
        })
        .await
    }

    async fn list_readings(
        &self,
        request: Request<v1::ListReadingsRequest>,
    ) -> Answer<v1::ListReadingsResponse> {
        self.read(request, |call, ask| async move {
            let filter = reading::filter(&ask)?;
            let site = call.site(&ask.site).await?;
            if let Some(machine) = &filter.machine {
                machine_id(&call, &site, machine).await?;
            }
            let (call, ask, filter, site) = (&call, &ask, &filter, &site);
            call.fit(page::ask(ask)?, |page| async move {
                let page = call.store.readings(site.site, filter, page).await?;
                let names = call.names(page.rows.iter().flat_map(reading::people_of)).await?;
                let readings = page.rows.iter().map(|kept| reading::reading(kept, &names)).collect();
                let next_page_token = page::token(ask, page.next.as_ref());
                Ok(v1::ListReadingsResponse { readings, next_page_token })
            })
            .await
        })
        .await
    }

    async fn explain_point(
        &self,
        request: Request<v1::ExplainPointRequest>,
    ) -> Answer<v1::ExplainPointResponse> {
        self.read(request, |call, ask| async move {
            let (machine, point) = reading::explain(&ask)?;
            let site = call.site(&ask.site).await?;
            let history = call.store.point(site.site, machine.as_str(), &point).await?;
            let names = call.names(history.readings.iter().flat_map(reading::people_of)).await?;
            Ok(reading::explained(&history, &names, &site.calendar, call.now()))
        })
        .await
    }
}
