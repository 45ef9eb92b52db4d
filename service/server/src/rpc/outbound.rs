//! What other systems book. Whoever asks has it told what was closed since; the buy list is compared every few minutes.

use super::{Answer, Call, Desk};
use crate::status::{Failure, Then};
use crate::wire::outbound::{self, Ask, From};
use fettler_domain::ids::SiteId;
use fettler_domain::outbound::{BUY_EVERY_MICROS, BuyTold};
use fettler_domain::shelf::buy::HORIZON_DAYS_DEFAULT;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::{BuyFilter, OutboundEntry, Page, SiteRecord};
use std::time::Duration;
use tokio::time::{Instant, sleep};
use tonic::{Request, async_trait};

/// How often somebody who waits has it looked at whether the site was written to.
const LOOK_EVERY: Duration = Duration::from_secs(1);

#[async_trait]
impl v1::outbound_service_server::OutboundService for Desk {
    async fn get_outbound(
        &self,
        request: Request<v1::GetOutboundRequest>,
    ) -> Answer<v1::GetOutboundResponse> {
        let desk = self.clone();
        self.read(request, |call, ask| async move {
            let wanted = outbound::ask(&ask)?;
            let site = call.site(&ask.site).await?;
            let after = match &wanted.from {
                From::Reader(reader) => call.store.outbound_place(site.site, reader).await?,
                From::Number(number) => told_number(&call, site.site, *number).await?,
            };
            let (found, site) = waited(&desk, &call, site, &wanted, after).await?;
            let names = call.names(found.rows.iter().flat_map(outbound::people_of)).await?;
            let entry = |entry| outbound::entry(entry, &site.card.key, &names, &site.calendar);
            Ok(v1::GetOutboundResponse {
                entries: found.rows.iter().map(entry).collect(),
                through: found.rows.last().map_or(after, |entry| entry.number),
                more: found.next.is_some(),
                zone: site.calendar.zone().name().to_owned(),
            })
        })
        .await
    }

    async fn acknowledge_outbound(
        &self,
        request: Request<v1::AcknowledgeOutboundRequest>,
    ) -> Answer<v1::AcknowledgeOutboundResponse> {
        self.change("AcknowledgeOutbound", request, |call, ask| async move {
            let (reader, through) = outbound::acknowledged(&ask)?;
            let site = call.site(&ask.site).await?.site;
            let through = call.store.acknowledge_outbound(&call.caller, site, &reader, through).await?;
            Ok(v1::AcknowledgeOutboundResponse { reader: reader.to_string(), through })
        })
        .await
    }
}

/// A number that was told, or 0. Whoever asked after a later one would wait for entries that they then miss. The last entry that was
/// told is never forgotten, so there is one from each such number on.
async fn told_number(call: &Call, site: SiteId, number: i64) -> Result<i64, Failure> {
    if number > 0 && call.store.outbound(site, outbound::page_after(number - 1, 1)).await?.rows.is_empty() {
        return Err(outbound::not_told(number).into());
    }
    Ok(number)
}

/// The entries after a number, once there is one or the caller has waited long enough; and the site as it is declared then.
async fn waited(
    desk: &Desk,
    call: &Call,
    mut site: SiteRecord,
    wanted: &Ask,
    after: i64,
) -> Result<(Page<OutboundEntry, i64>, SiteRecord), Failure> {
    let until = Instant::now() + wanted.wait;
    let mut writes = call.store.writes(site.site).await?;
    loop {
        let found = now(desk, call, &site, wanted, after).await?;
        if !found.rows.is_empty() {
            return Ok((found, site));
        }
        // Telling may have written.
        let mut seen = writes;
        while seen == writes {
            if Instant::now() >= until {
                return Ok((found, site));
            }
            tokio::select! {
                () = desk.stopping.cancelled() => return Err(Failure::Stopping(Then::AskAgain)),
                () = sleep(LOOK_EVERY.min(until.saturating_duration_since(Instant::now()))) => {}
            }
            seen = call.store.writes(site.site).await?;
        }
        writes = seen;
        site = call.site(site.card.key.as_str()).await?;
    }
}

/// The entries after a number, with all that can be told now.
async fn now(
    desk: &Desk,
    call: &Call,
    site: &SiteRecord,
    wanted: &Ask,
    after: i64,
) -> Result<Page<OutboundEntry, i64>, Failure> {
    let now = desk.clock.now();
    let lines = lines(call, site, now).await?;
    let mut more = call.store.tell_outbound(site.site, lines, now).await?;
    loop {
        let found = call.store.outbound(site.site, outbound::page_after(after, wanted.limit)).await?;
        // What was not told yet may belong to this page.
        if !more || found.next.is_some() {
            return Ok(found);
        }
        more = call.store.tell_outbound(site.site, None, now).await?;
    }
}

/// The lines of the buy list; none where it was compared a moment ago.
async fn lines(call: &Call, site: &SiteRecord, now: Ts) -> Result<Option<Vec<BuyTold>>, Failure> {
    let compared = call.store.buy_compared_at(site.site).await?;
    if compared.is_some_and(|at| now.micros_since(at) < BUY_EVERY_MICROS) {
        return Ok(None);
    }
    let today = site.calendar.shop_day_of(now);
    let filter = BuyFilter { until: today.plus_days(HORIZON_DAYS_DEFAULT), item: None };
    let list = call.store.buy_list(site.site, &filter, now).await?;
    Ok(Some(list.lines.iter().map(|line| outbound::told(line, list.until, today)).collect()))
}
