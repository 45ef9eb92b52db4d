//! Planned use.

use super::machine::named;
use super::{Answer, Call, Desk};
use crate::status::Failure;
use crate::wire::planned::ListAsk;
use crate::wire::{page, planned};
use fettler_domain::ids::SiteId;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::{PageAsk, PlannedCursor, PlannedFilter};
use tonic::{Request, async_trait};

/// Where a page begins: the instant from which the first page looked, and the key within the list.
type ListCursor = (i64, PlannedCursor);

#[async_trait]
impl v1::planned_use_service_server::PlannedUseService for Desk {
    async fn plan_use(&self, request: Request<v1::PlanUseRequest>) -> Answer<v1::PlanUseResponse> {
        self.change("PlanUse", request, |call, ask| async move {
            let said = planned::said(&ask)?;
            let site = call.site(&ask.site).await?.site;
            let taken = call.store.plan_use(&call.caller, site, &said, ask.validate_only).await?;
            let (machine, _) = named(&call, site, &said.machine).await?;
            Ok(planned::taken(machine.tag.as_str(), &taken))
        })
        .await
    }

    async fn list_planned_use(
        &self,
        request: Request<v1::ListPlannedUseRequest>,
    ) -> Answer<v1::ListPlannedUseResponse> {
        self.read(request, |call, ask| async move {
            let wanted = planned::list_ask(&ask)?;
            let site = call.site(&ask.site).await?.site;
            let (call, ask, wanted) = (&call, &ask, &wanted);
            call.fit(page::ask(ask)?, |page| list(call, site, ask, wanted, page)).await
        })
        .await
    }
}

async fn list(
    call: &Call,
    site: SiteId,
    ask: &v1::ListPlannedUseRequest,
    wanted: &ListAsk,
    page: PageAsk<ListCursor>,
) -> Result<v1::ListPlannedUseResponse, Failure> {
    let is_first = page.after.is_none();
    let first_from = page.after.map(|(from, _)| Ts(from));
    let from = first_from.or(wanted.from).unwrap_or_else(|| call.now());
    let mut periods = Vec::new();
    let machine = match &wanted.machine {
        None => None,
        Some(name) => {
            let (found, _) = named(call, site, name.as_str()).await?;
            if is_first {
                periods = call.store.planned_periods(site, found.tag.as_str(), from).await?;
            }
            Some(found.machine)
        }
    };
    let filter = PlannedFilter { machine, from, until: wanted.until };
    let page = PageAsk { after: page.after.map(|(_, key)| key), limit: page.limit };
    let found = call.store.planned_shifts(site, &filter, page).await?;
    let next = found.next.map(|key| (from.0, key));
    Ok(v1::ListPlannedUseResponse {
        shifts: found.rows.iter().map(planned::kept).collect(),
        periods: periods.iter().map(planned::kept_period).collect(),
        next_page_token: page::token(ask, next.as_ref()),
    })
}
