//! What has to be read from the store: by one reader at a time, seldom, and never while somebody waits for it longer than a moment.

use fettler_domain::time::Ts;
use fettler_store::contract::{Result, SiteGauge, Store, StoreGauge};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tokio::sync::watch;
use tokio::time::timeout;

/// The store is asked at most so often.
pub(super) const EVERY: Duration = Duration::from_secs(5);
/// Reading takes at most one part of so many of the time: what takes a second at a million open orders is read every hundred
/// seconds.
const SHARE: u32 = 100;
/// How long whoever asks waits for what is being read; after that they get what was read before.
const PATIENCE: Duration = Duration::from_secs(2);

/// What was read, and when.
#[derive(Debug)]
pub(super) struct Read {
    /// When the reading began.
    pub(super) at: Instant,
    /// How long it took.
    pub(super) took: Duration,
    /// Each site, by number.
    pub(super) sites: Vec<SiteGauge>,
    /// The store.
    pub(super) store: StoreGauge,
}

impl Read {
    /// Whether it is time to read again.
    fn is_old(&self, now: Instant) -> bool {
        now.saturating_duration_since(self.at) >= EVERY.max(self.took * SHARE)
    }
}

/// Reads on demand.
pub(super) struct Watch {
    store: Arc<dyn Store>,
    last: watch::Sender<Option<Arc<Read>>>,
    is_reading: AtomicBool,
    failures: AtomicU64,
}

impl Watch {
    pub(super) fn new(store: Arc<dyn Store>) -> Watch {
        Watch {
            store,
            last: watch::Sender::new(None),
            is_reading: AtomicBool::new(false),
            failures: AtomicU64::new(0),
        }
    }

    /// How often reading failed.
    pub(super) fn failures(&self) -> u64 {
        self.failures.load(Ordering::Relaxed)
    }

    /// What was read last; where that is old it is read again, for which nobody waits longer than [`PATIENCE`]. None before
    /// anything was read.
    pub(super) async fn latest(self: &Arc<Watch>, now: Ts) -> Option<Arc<Read>> {
        let mut news = self.last.subscribe();
        let is_old = news.borrow_and_update().as_ref().is_none_or(|read| read.is_old(Instant::now()));
        if is_old {
            if !self.is_reading.swap(true, Ordering::SeqCst) {
                tokio::spawn(self.clone().read_again(now));
            }
            // What is not there in time is there the next time.
            let _ = timeout(PATIENCE, news.changed()).await;
        }
        news.borrow().clone()
    }

    /// Goes on when whoever asked has left, so that one who asks and leaves makes nobody read twice.
    async fn read_again(self: Arc<Watch>, now: Ts) {
        let at = Instant::now();
        let read = self.read(now).await;
        match read {
            Ok((sites, store)) => {
                self.last.send_replace(Some(Arc::new(Read { at, took: at.elapsed(), sites, store })));
            }
            Err(error) => {
                self.failures.fetch_add(1, Ordering::Relaxed);
                tracing::debug!(%error, "figures were not read; those of before stand");
                // Whoever waits gets those.
                self.last.send_modify(|_| {});
            }
        }
        self.is_reading.store(false, Ordering::SeqCst);
    }

    async fn read(&self, now: Ts) -> Result<(Vec<SiteGauge>, StoreGauge)> {
        let store = self.store.store_gauge().await?;
        let mut sites = Vec::new();
        for site in self.store.sites().await? {
            sites.push(self.store.site_gauge(site.site, now).await?);
        }
        sites.sort_unstable_by_key(|gauge| gauge.site);
        Ok((sites, store))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_took_long_is_read_seldom() {
        let at = Instant::now();
        let old_after = |took_millis: u64| {
            let took = Duration::from_millis(took_millis);
            let read = Read { at, took, sites: Vec::new(), store: StoreGauge::default() };
            (1_u64..1_000).find(|secs| read.is_old(at + Duration::from_secs(*secs)))
        };
        assert_eq!([1, 50, 51, 1_000].map(old_after), [Some(5), Some(5), Some(6), Some(100)]);
    }
}
