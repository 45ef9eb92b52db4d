//! The work between calls: rows of an earlier shop day computed afresh, and held reports judged again when their
//! time has come. It goes in bounded passes, so that no caller waits long behind it.

use crate::clock::Clock;
use fettler_store::contract::{Result, SiteRecord, Store};
use std::sync::Arc;
use std::time::Duration;
use tokio::time::{MissedTickBehavior, interval};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

/// How often each site is looked at. The change of a shop day is noticed at most so much later.
const EVERY: Duration = Duration::from_secs(5);
/// Rows of one pass: a few milliseconds of writing.
const ROWS_PER_PASS: u32 = 500;
/// The duty that one of several services on a database has, as the store knows it.
const DUTY: &str = "upkeep";
/// How long a service has the duty after it was last seen at it, in microseconds: a few looks, so that another takes over
/// soon after it is gone.
const LEASE_MICROS: i64 = 20_000_000;

/// Keeps all sites up to date until the service stops.
pub async fn keep(store: Arc<dyn Store>, clock: Arc<dyn Clock>, stopping: CancellationToken) {
    let holder = own_name();
    let mut ticks = interval(EVERY);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = stopping.cancelled() => return,
            _ = ticks.tick() => {}
        }
        if let Err(error) = once(&*store, &*clock, &holder, &stopping).await {
            tracing::warn!(error = &error as &dyn std::error::Error, "upkeep failed; it is tried again");
        }
    }
}

/// What this process is called among those that share a database.
#[expect(clippy::disallowed_methods, reason = "it names a process, and nothing that is kept")]
fn own_name() -> String {
    Uuid::new_v4().to_string()
}

/// Brings every site up to date that no other service sees to, unless the service stops meanwhile. A site whose pass fails does not keep the others
/// from theirs; it is tried again the next time.
pub async fn once(
    store: &dyn Store,
    clock: &dyn Clock,
    holder: &str,
    stopping: &CancellationToken,
) -> Result<()> {
    for site in store.sites().await? {
        if let Err(error) = one(store, clock, holder, stopping, &site).await {
            let (error, site) = (&error as &dyn std::error::Error, site.card.key.as_str());
            tracing::warn!(error, site, "upkeep of site {site} failed; it is tried again");
        }
    }
    Ok(())
}

async fn one(
    store: &dyn Store,
    clock: &dyn Clock,
    holder: &str,
    stopping: &CancellationToken,
    site: &SiteRecord,
) -> Result<()> {
    while !stopping.is_cancelled() {
        let now = clock.now();
        if !store.lease(site.site, DUTY, holder, now, now.plus_micros(LEASE_MICROS)).await? {
            break;
        }
        let pass = store.upkeep(site.site, now, ROWS_PER_PASS).await?;
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
