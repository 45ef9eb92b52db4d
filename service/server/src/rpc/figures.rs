//! Figures of care.

use super::{Answer, Desk};
use crate::wire::figures;
use fettler_domain::figures::group::{groups, periods};
use fettler_proto::v1;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::figures_service_server::FiguresService for Desk {
    async fn get_figures(&self, request: Request<v1::GetFiguresRequest>) -> Answer<v1::GetFiguresResponse> {
        self.read(request, |call, ask| async move {
            let site = call.site(&ask.site).await?;
            let today = site.calendar.shop_day_of(call.now());
            let ask = figures::ask(&ask, today)?;
            let periods = periods(ask.by, ask.days, &site.calendar, call.now());
            let read = call.store.care(site.site, &ask.filter, &periods).await?;
            let of_one_task = ask.filter.task.is_some();
            let groups = groups(ask.by, of_one_task, &read.orders, &read.runs, &site.calendar);
            Ok(figures::answer(&ask, &groups, today))
        })
        .await
    }
}
