//! The due list, and why an order stands on it.

use super::machine::{known_area, machine_id};
use super::{Answer, Call, Desk, ahead, read_since, watch};
use crate::status::Failure;
use crate::wire::due::{DueAsk, ExplainAsk};
use crate::wire::time::stamp;
use crate::wire::{due, machine, page};
use fettler_domain::time::{ShopDay, Ts};
use fettler_proto::{STALE_ROWS_COUNTED_MAX, v1};
use fettler_store::contract::{
    DueCursor, DueEntry, DueFilter, DuePart, PageAsk, STALE_COUNTED_MAX, SiteRecord,
};
use tonic::{Request, Response, async_trait};

const _: () =
    assert!(STALE_COUNTED_MAX as i64 == STALE_ROWS_COUNTED_MAX, "what the store counts is what is told");

/// Where a page of the whole list begins: the part's place among the parts asked for, and the key within it.
type ListCursor = (usize, Option<DueCursor>);

#[async_trait]
impl v1::due_service_server::DueService for Desk {
    type WatchDueStream = watch::Tellings;

    async fn list_due(&self, request: Request<v1::ListDueRequest>) -> Answer<v1::ListDueResponse> {
        self.read(request, |call, ask| async move {
            let site = call.site(&ask.site).await?;
            let wanted = due::ask(&ask, site.calendar.shop_day_of(call.now()))?;
            let filter = filter(&call, &site, &wanted).await?;
            let (call, ask, site, filter) = (&call, &ask, &site, &filter);
            call.fit(page::ask(ask)?, |page| async move {
                let mut answer =
                    if page.after.is_none() { head(call, site).await? } else { bare(call, site) };
                let next = fill(call, site, ask, filter, page, &mut answer.items).await?;
                answer.next_page_token = page::token(ask, next.as_ref());
                Ok(answer)
            })
            .await
        })
        .await
    }

    async fn explain_order(
        &self,
        request: Request<v1::ExplainOrderRequest>,
    ) -> Answer<v1::ExplainOrderResponse> {
        self.read(request, |call, ask| async move {
            let site = call.site(&ask.site).await?;
            let order = match due::explain_ask(&ask)? {
                ExplainAsk::Order(order) => order,
                ExplainAsk::Task(machine, task) => {
                    call.store.open_order(site.site, machine.as_str(), &task).await?
                }
            };
            let explained = call.store.explain(site.site, order, call.now()).await?;
            let since = read_since::of_clauses(&call, site.site, &explained).await?;
            let names = call.names(due::people_of(&explained, &since)).await?;
            Ok(due::explained(&explained, &since, &names, (&site.calendar, call.now())))
        })
        .await
    }

    async fn look_ahead(&self, request: Request<v1::LookAheadRequest>) -> Answer<v1::LookAheadResponse> {
        self.read(request, ahead::look).await
    }

    async fn watch_due(&self, request: Request<v1::WatchDueRequest>) -> Answer<Self::WatchDueStream> {
        Ok(Response::new(watch::start(self, request).await?))
    }
}

/// What of the list is asked for.
pub(super) async fn filter(call: &Call, site: &SiteRecord, ask: &DueAsk) -> Result<DueFilter, Failure> {
    let machine = match &ask.machine {
        None => None,
        Some(name) => Some(machine_id(call, site, name.as_str()).await?),
    };
    if let Some(area) = &ask.area {
        known_area(call, site, area).await?;
    }
    let before = site.calendar.end_of(ask.until);
    Ok(DueFilter { before, part: DuePart::Dated, machine, area: ask.area.clone() })
}

/// The site's name; its key where it has none.
pub(super) fn site_name(site: &SiteRecord) -> String {
    site.card.name.as_ref().map_or_else(|| site.card.key.to_string(), ToString::to_string)
}

/// The answer without its items.
fn bare(call: &Call, site: &SiteRecord) -> v1::ListDueResponse {
    v1::ListDueResponse {
        site: site.card.key.to_string(),
        site_name: site_name(site),
        zone: site.calendar.zone().name().to_owned(),
        shop_day: site.calendar.shop_day_of(call.now()).to_string(),
        as_of: Some(stamp(call.now())),
        ..Default::default()
    }
}

/// The first page's head: what must not start, what is held, and what is not up to date.
pub(super) async fn head(call: &Call, site: &SiteRecord) -> Result<v1::ListDueResponse, Failure> {
    let head = call.store.due_head(site.site, call.now()).await?;
    let names = call.names(head.forbidden.iter().filter_map(|machine| machine.by)).await?;
    let count = |count: u64| i64::try_from(count).unwrap_or(i64::MAX);
    Ok(v1::ListDueResponse {
        forbidden: head.forbidden.iter().map(|record| machine::machine(record, &names)).collect(),
        held_reports: count(head.held.held),
        stale_rows: head.stale.map_or(0, |(rows, _)| count(rows)),
        figures_pending: head.figures_pending,
        stale_since: head.stale.map(|(_, day): (u64, ShopDay)| day.to_string()).unwrap_or_default(),
        ..bare(call, site)
    })
}

/// The parts of the list that was asked for, in its order.
pub(super) fn parts(ask: &v1::ListDueRequest, now: Ts) -> Vec<(DuePart, v1::DueSection)> {
    let (dated, while_stopped) = if ask.sure {
        (DuePart::Sure, DuePart::WhileStoppedSure { now })
    } else {
        (DuePart::Dated, DuePart::WhileStopped { now })
    };
    let mut parts =
        vec![(dated, v1::DueSection::Dated), (DuePart::NeverRecorded, v1::DueSection::NeverRecorded)];
    if ask.while_stopped {
        parts.push((while_stopped, v1::DueSection::WhileStopped));
    }
    parts
}

/// Fills a page part by part: dated items, then never recorded ones, then, where asked for, what may be done while
/// its machine is stopped.
pub(super) async fn fill(
    call: &Call,
    site: &SiteRecord,
    ask: &v1::ListDueRequest,
    filter: &DueFilter,
    page: PageAsk<ListCursor>,
    items: &mut Vec<v1::DueItem>,
) -> Result<Option<ListCursor>, Failure> {
    let parts = parts(ask, call.now());
    let (first, mut after) = page.after.unwrap_or((0, None));
    let mut left = page.limit;
    for (place, (part, section)) in parts.into_iter().enumerate().skip(first) {
        if left == 0 {
            return Ok(Some((place, None)));
        }
        let of_part = DueFilter { part, ..filter.clone() };
        let found = call.store.due(site.site, &of_part, PageAsk { after, limit: left }).await?;
        let item = |entry: &DueEntry| v1::DueItem {
            // In its own order a part is cut off by the key that says so; a later key time tells why it is there.
            may_come_early: part == DuePart::Sure && entry.plan.key_time >= filter.before,
            ..due::item(entry, section, &site.calendar, call.now())
        };
        items.extend(found.rows.iter().map(item));
        if let Some(next) = found.next {
            return Ok(Some((place, Some(next))));
        }
        left = left.saturating_sub(u32::try_from(found.rows.len()).unwrap_or(left));
        after = None;
    }
    Ok(None)
}
