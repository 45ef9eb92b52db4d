//! Figures of care.

use super::{Answer, Desk};
use crate::wire::figures;
use fettler_proto::v1;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::figures_service_server::FiguresService for Desk {
    async fn get_figures(&self, request: Request<v1::GetFiguresRequest>) -> Answer<v1::GetFiguresResponse> {
        self.read(request, |call, ask| async move {
            let site = call.site(&ask.site).await?;
            let (ask, today) = (figures::ask(&ask)?, site.calendar.shop_day_of(call.now()));
            let periods = figures::periods(&ask, &site.calendar, call.now());
            let read = call.store.care(site.site, &ask.filter, &periods).await?;
            Ok(figures::answer(&ask, &read, &site.calendar, today))
        })
        .await
    }
}
