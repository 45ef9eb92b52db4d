//! How often tasks are expected to fall due in the months ahead.

use super::Call;
use super::due::site_name;
use super::machine::{known_area, machine_id};
use crate::status::Failure;
use crate::wire::time::stamp;
use crate::wire::{ahead, page};
use fettler_proto::v1;
use fettler_store::contract::{AheadFilter, PageAsk};

/// Looks ahead.
pub(super) async fn look(call: Call, ask: v1::LookAheadRequest) -> Result<v1::LookAheadResponse, Failure> {
    let site = call.site(&ask.site).await?;
    let today = site.calendar.shop_day_of(call.now());
    let wanted = ahead::ask(&ask, today)?;
    let machine = match &wanted.machine {
        None => None,
        Some(name) => Some(machine_id(&call, &site, name.as_str()).await?),
    };
    if let Some(area) = &wanted.area {
        known_area(&call, &site, area).await?;
    }
    let filter = AheadFilter { until: wanted.until, machine, area: wanted.area };
    let asked: PageAsk<i64> = page::ask(&ask)?;
    let page = PageAsk { limit: ahead::machines(&ask, asked.limit), ..asked };
    let (call, ask, site, filter) = (&call, &ask, &site, &filter);
    call.fit(page, |page| async move {
        let found = call.store.look_ahead(site.site, filter, page, call.now()).await?;
        Ok(v1::LookAheadResponse {
            site: site.card.key.to_string(),
            site_name: site_name(site),
            zone: site.calendar.zone().name().to_owned(),
            shop_day: today.to_string(),
            until: filter.until.to_string(),
            as_of: Some(stamp(call.now())),
            tasks: found.rows.iter().flat_map(ahead::tasks).collect(),
            next_page_token: page::token(ask, found.next.as_ref()),
        })
    })
    .await
}
