//! Reads a due list for those who watch it: as it is listed, whole, up to a bound.

use super::list::List;
use crate::rpc::{Call, Desk, due};
use crate::status::Failure;
use crate::wire::due as wire_due;
use crate::wire::page::PAGE_SIZE_MAX;
use fettler_domain::error::Error;
use fettler_proto::v1;
use fettler_store::contract::{Caller, DueFilter, PageAsk, SiteRecord};
use std::sync::Arc;

/// Items of a watched list that are told; of more it is told how many there are.
const ITEMS_MAX: u32 = PAGE_SIZE_MAX;

/// A call of the service itself, at its present moment.
pub(super) fn call(desk: &Desk) -> Call {
    let now = desk.clock.now();
    let caller =
        Caller { token: None, method: "WatchDue", request: None, now, person: None, as_manager: false };
    // Nothing is told of it when it ends: it is nobody's.
    let (meters, note) = (desk.meters.clone(), Arc::default());
    Call { store: desk.store.clone(), notary: desk.notary.clone(), caller, record: None, meters, note }
}

/// The site of a list.
pub(super) async fn site(desk: &Desk, ask: &v1::ListDueRequest) -> Result<SiteRecord, Failure> {
    let remedy = "list the sites".to_owned();
    let missing = || Error::NotFound { kind: "site", name: ask.site.clone(), remedy };
    Ok(desk.store.site(&ask.site).await?.ok_or_else(missing)?)
}

/// The list.
pub(super) async fn list(desk: &Desk, ask: &v1::ListDueRequest) -> Result<List, Failure> {
    let (call, site) = (call(desk), site(desk, ask).await?);
    let today = site.calendar.shop_day_of(call.now());
    let mut ask = ask.clone();
    // Days are text that sorts as they do. One that has passed while the list is watched is today.
    if ask.until < today.to_string() {
        ask.until = String::new();
    }
    let wanted = wire_due::ask(&ask, today)?;
    let filter = due::filter(&call, &site, &wanted).await?;
    let found = due::head(&call, &site).await?;
    let mut items = Vec::new();
    let page = PageAsk { after: None, limit: ITEMS_MAX };
    let more = due::fill(&call, &site, &ask, &filter, page, &mut items).await?;
    let all = if more.is_some() { count(&call, &site, &ask, &filter).await? } else { 0 };
    let shown = u64::try_from(items.len()).unwrap_or(u64::MAX);
    let head = v1::DueHead {
        forbidden: found.forbidden,
        held_reports: found.held_reports,
        stale_rows: found.stale_rows,
        stale_since: found.stale_since,
        figures_pending: found.figures_pending,
        not_shown: i64::try_from(all.saturating_sub(shown)).unwrap_or(i64::MAX),
    };
    let frame = v1::WatchDueResponse {
        site: found.site,
        site_name: found.site_name,
        zone: found.zone,
        shop_day: found.shop_day,
        ..Default::default()
    };
    Ok(List::new((site, call.now()), frame, head, items))
}

/// How many items the whole list has.
async fn count(
    call: &Call,
    site: &SiteRecord,
    ask: &v1::ListDueRequest,
    filter: &DueFilter,
) -> Result<u64, Failure> {
    let mut all = 0;
    for (part, _) in due::parts(ask, call.now()) {
        all += call.store.due_count(site.site, &DueFilter { part, ..filter.clone() }).await?;
    }
    Ok(all)
}
