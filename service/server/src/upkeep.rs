//! The work between calls: rows of an earlier shop day computed afresh, and held reports judged again when their
//! time has come. It goes in bounded passes, so that no caller waits long behind it.

use crate::clock::Clock;
use fettler_store::contract::{Result, SiteRecord, Store};
use std::sync::Arc;
use std::time::Duration;
use tokio::time::{MissedTickBehavior, interval};
use tokio_util::sync::CancellationToken;

/// How often each site is looked at. The change of a shop day is noticed at most so much later.
const EVERY: Duration = Duration::from_secs(5);
/// Rows of one pass: a few milliseconds of writing.
const ROWS_PER_PASS: u32 = 500;

/// Keeps all sites up to date until the service stops.
pub async fn keep(store: Arc<dyn Store>, clock: Arc<dyn Clock>, stopping: CancellationToken) {
    let mut ticks = interval(EVERY);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = stopping.cancelled() => return,
            _ = ticks.tick() => {}
        }
        if let Err(error) = once(&*store, &*clock, &stopping).await {
            tracing::warn!(error = &error as &dyn std::error::Error, "upkeep failed; it is tried again");
        }
    }
}

/// Brings every site up to date, unless the service stops meanwhile. A site whose pass fails does not keep the others
/// from theirs; it is tried again the next time.
pub async fn once(store: &dyn Store, clock: &dyn Clock, stopping: &CancellationToken) -> Result<()> {
    for site in store.sites().await? {
        if let Err(error) = one(store, clock, stopping, &site).await {
            let (error, site) = (&error as &dyn std::error::Error, site.card.key.as_str());
            tracing::warn!(error, site, "upkeep of site {site} failed; it is tried again");
        }
    }
    Ok(())
}

async fn one(
    store: &dyn Store,
    clock: &dyn Clock,
    stopping: &CancellationToken,
    site: &SiteRecord,
) -> Result<()> {
    while !stopping.is_cancelled() {
        let pass = store.upkeep(site.site, clock.now(), ROWS_PER_PASS).await?;
        if pass.refreshed + pass.judged > 0 {
            let (refreshed, judged) = (pass.refreshed, pass.judged);
            tracing::debug!(site = site.card.key.as_str(), refreshed, judged, "upkeep");
        }
        if !pass.more {
            break;
        }
    }
    Ok(())
}
