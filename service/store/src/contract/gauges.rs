//! What operators watch: counts of a site, and how the store itself is doing. Nothing here names a machine or a person.

use super::Result;
use async_trait::async_trait;
use fettler_domain::ids::SiteId;
use fettler_domain::time::Ts;

/// Counts of one site at an instant.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SiteGauge {
    /// The site.
    pub site: SiteId,
    /// Open orders, by where they stand.
    pub orders: OrderGauge,
    /// Held reports.
    pub held: u64,
    /// Held reports that wait to be judged again.
    pub waiting: u64,
    /// Plan rows computed for an earlier shop day or from other figures.
    pub stale_rows: u64,
    /// Machines by state: in service, resting, forbidden, retired.
    pub machines: MachineGauge,
    /// Meters of machines in service that have hours, by how long ago those end; see [`SILENT_AFTER_DAYS`].
    pub silent_meters: [u64; SILENT_AFTER_DAYS.len()],
    /// Meters of machines in service of which nothing was ever reported.
    pub unheard_meters: u64,
    /// Entries of the site's journal.
    pub journal_entries: u64,
    /// When the newest checkpoint of its journal was made; none where there is none.
    pub checkpoint_at: Option<Ts>,
}

/// Open orders by where they stand; each is counted once, but for `hazard_late`, which are late ones again.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OrderGauge {
    /// Their window is shut.
    pub late: u64,
    /// Of these, those that can hurt somebody when left undone.
    pub hazard_late: u64,
    /// Their due point is reached, or was expected before now, and their window is not known to be shut.
    pub due: u64,
    /// Their due point lies ahead.
    pub ahead: u64,
    /// Nobody has recorded when they were last done.
    pub never_recorded: u64,
}

/// Machines by state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MachineGauge {
    /// Running and cared for.
    pub in_service: u64,
    /// Laid up.
    pub resting: u64,
    /// Must not start.
    pub forbidden: u64,
    /// Gone for good.
    pub retired: u64,
}

/// After how many whole days without hours a meter is counted as silent; one that is silent for seven is counted in each.
pub const SILENT_AFTER_DAYS: [u8; 3] = [1, 3, 7];

/// How the store itself is doing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StoreGauge {
    /// What the database takes, without its log.
    pub database_bytes: u64,
    /// What the log takes that a file's changes go into first; none where the log is the database's own business.
    pub log_bytes: Option<u64>,
    /// Calls that wait for the writer or are being written.
    pub writing: u64,
    /// Connections that read, open.
    pub readers_open: u64,
    /// Of these, at work.
    pub readers_busy: u64,
}

/// What operators watch.
#[async_trait]
pub trait Gauges {
    /// Counts of a site. What they cost grows with the orders that are due and, less, with those that are not; ask seldom.
    async fn site_gauge(&self, site: SiteId, now: Ts) -> Result<SiteGauge>;
    /// How the store is doing; cheap.
    async fn store_gauge(&self) -> Result<StoreGauge>;
}
