//! A checkpoint of each journal at the change of its shop day, where anything was written since the last one.

use super::Notary;
use crate::clock::Clock;
use crate::status::Failure;
use fettler_domain::ids::SiteId;
use fettler_domain::time::{ShopDay, Ts};
use fettler_store::contract::{PageAsk, SiteRecord, Store};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::{MissedTickBehavior, interval};
use tokio_util::sync::CancellationToken;

/// How often the days are looked at: a checkpoint comes at most so much after its day's start.
const EVERY: Duration = Duration::from_mins(1);

/// A journal, and how its days are told.
struct Journal {
    site: SiteId,
    of: Option<SiteRecord>,
}

impl Journal {
    /// The day of an instant: the site's shop day, or for the installation the day in UTC.
    fn day(&self, at: Ts) -> ShopDay {
        match &self.of {
            Some(record) => record.calendar.shop_day_of(at),
            None => ShopDay(at.to_utc().date_naive()),
        }
    }
}

/// Sees to it until the service stops.
pub async fn keep(
    notary: Arc<Notary>,
    store: Arc<dyn Store>,
    clock: Arc<dyn Clock>,
    stopping: CancellationToken,
) {
    if !notary.signs() {
        return;
    }
    let mut days = BTreeMap::new();
    let mut ticks = interval(EVERY);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = stopping.cancelled() => return,
            _ = ticks.tick() => {}
        }
        if let Err(error) = once(&notary, &*store, clock.now(), &mut days).await {
            tracing::warn!(
                error = &error as &dyn std::error::Error,
                "a checkpoint failed; it is tried again"
            );
        }
    }
}

/// Looks at each journal once. `days` remembers the day for which a journal was seen to.
pub async fn once(
    notary: &Notary,
    store: &dyn Store,
    now: Ts,
    days: &mut BTreeMap<SiteId, ShopDay>,
) -> Result<(), Failure> {
    let sites =
        store.sites().await?.into_iter().map(|record| Journal { site: record.site, of: Some(record) });
    let mut failed = Ok(());
    for journal in [Journal { site: SiteId::INSTALLATION, of: None }].into_iter().chain(sites) {
        let day = journal.day(now);
        if days.get(&journal.site) == Some(&day) {
            continue;
        }
        match of_the_day(notary, store, &journal, day, now).await {
            Ok(()) => drop(days.insert(journal.site, day)),
            Err(error) => failed = Err(error),
        }
    }
    failed
}

async fn of_the_day(
    notary: &Notary,
    store: &dyn Store,
    journal: &Journal,
    day: ShopDay,
    now: Ts,
) -> Result<(), Failure> {
    let page = store.checkpoints(journal.site, PageAsk { after: None, limit: 1 }).await?;
    let head = store.journal_head(journal.site).await?;
    let size = head.size;
    // The first of a lineage does not wait for the next day.
    let stands = page.rows.first().is_some_and(|kept| {
        kept.lineage == head.lineage && (journal.day(kept.made_at) == day || kept.head.size == size)
    });
    if size > 0 && !stands {
        let signed = notary.checkpoint(store, journal.site, now).await?;
        tracing::info!(journal = %signed.checkpoint.origin, size, "checkpoint {} at {size} entries", signed.checkpoint.origin);
    }
    Ok(())
}
