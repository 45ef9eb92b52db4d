//! What was read of the store and the process, as figures.

use super::watch::Read;
use super::{SITES_MAX, process};
use fettler_domain::time::Ts;
use fettler_store::contract::{SILENT_AFTER_DAYS, SiteGauge};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use std::path::Path;
use std::sync::atomic::AtomicU64;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// A gauge of whole numbers that are not below 0.
type Count = Gauge<u64, AtomicU64>;
/// A gauge of seconds.
type Seconds = Gauge<f64, AtomicU64>;

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfSite {
    site: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfState {
    site: String,
    state: &'static str,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfSilence {
    site: String,
    days: String,
}

/// The label set of a figure that is there once, or not at all.
#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Alone {}

/// Figures that are set when somebody asks.
#[derive(Default)]
pub(super) struct Standing {
    orders: Family<OfState, Count>,
    hazard_late: Family<OfSite, Count>,
    held: Family<OfSite, Count>,
    waiting: Family<OfSite, Count>,
    stale_rows: Family<OfSite, Count>,
    machines: Family<OfState, Count>,
    silent: Family<OfSilence, Count>,
    unheard: Family<OfSite, Count>,
    entries: Family<OfSite, Count>,
    checkpoint: Family<OfSite, Seconds>,
    database: Count,
    log: Family<Alone, Count>,
    writing: Count,
    readers_open: Count,
    readers_busy: Count,
    under_way: Count,
    age: Family<Alone, Seconds>,
    failures: Counter,
    disk_free: Family<Alone, Count>,
    disk_size: Family<Alone, Count>,
    memory: Family<Alone, Count>,
    cpu: Family<Alone, Counter<f64, AtomicU64>>,
    files: Family<Alone, Count>,
    files_max: Family<Alone, Count>,
    started: Seconds,
    alone: Mutex<()>,
}

impl Standing {
    /// Figures in a registry, of a process that started at an instant.
    pub(super) fn registered(registry: &mut Registry, started: Ts) -> Standing {
        let own = Standing::default();
        own.register_sites(registry);
        own.register_store(registry);
        own.register_process(registry);
        own.started.set(seconds(started));
        own
    }

    fn register_sites(&self, registry: &mut Registry) {
        registry.register(
            "fettler_orders",
            "Open orders by where they stand: late, due, ahead, never_recorded",
            self.orders.clone(),
        );
        registry.register(
            "fettler_orders_hazard_late",
            "Late orders that can hurt somebody when left undone",
            self.hazard_late.clone(),
        );
        registry.register(
            "fettler_reports_held",
            "Reports that are held and do not count",
            self.held.clone(),
        );
        registry.register(
            "fettler_reports_waiting",
            "Held reports that wait to be judged again",
            self.waiting.clone(),
        );
        registry.register(
            "fettler_plan_rows_stale",
            "Rows of the due list computed for an earlier shop day or from other figures",
            self.stale_rows.clone(),
        );
        registry.register(
            "fettler_machines",
            "Machines by state: in_service, resting, forbidden, retired",
            self.machines.clone(),
        );
        registry.register(
            "fettler_meters_silent",
            "Meters of machines in service whose hours end at least so many days ago",
            self.silent.clone(),
        );
        registry.register(
            "fettler_meters_unheard",
            "Meters of machines in service of which nothing was ever reported",
            self.unheard.clone(),
        );
        registry.register("fettler_journal_entries", "Entries of a site's journal", self.entries.clone());
        registry.register_with_unit(
            "fettler_journal_checkpoint_timestamp",
            "When the newest checkpoint of a site's journal was made, since 1970",
            Unit::Seconds,
            self.checkpoint.clone(),
        );
    }

    fn register_store(&self, registry: &mut Registry) {
        let bytes = || Unit::Bytes;
        registry.register_with_unit(
            "fettler_database_size",
            "What the database takes, without its log",
            bytes(),
            self.database.clone(),
        );
        registry.register_with_unit(
            "fettler_database_log_size",
            "What the log of the database's file takes; not told of a database of its own",
            bytes(),
            self.log.clone(),
        );
        registry.register(
            "fettler_writer_calls",
            "Calls at the writer, waiting or written",
            self.writing.clone(),
        );
        registry.register(
            "fettler_reader_connections_open",
            "Open connections that read the store",
            self.readers_open.clone(),
        );
        registry.register(
            "fettler_reader_connections_busy",
            "Connections that read the store, at work",
            self.readers_busy.clone(),
        );
        registry.register("fettler_calls_under_way", "Calls that have not ended", self.under_way.clone());
        registry.register_with_unit(
            "fettler_figures_age",
            "How long ago the figures of sites and store were read",
            Unit::Seconds,
            self.age.clone(),
        );
        registry.register(
            "fettler_figures_failures",
            "Times that the figures of sites and store could not be read",
            self.failures.clone(),
        );
        registry.register_with_unit(
            "fettler_disk_free",
            "Room that is left to the service on the disk of its data folder",
            bytes(),
            self.disk_free.clone(),
        );
        registry.register_with_unit(
            "fettler_disk_size",
            "Room that the disk of the data folder has",
            bytes(),
            self.disk_size.clone(),
        );
    }

    /// The names are those by which every program that Prometheus watches tells these.
    fn register_process(&self, registry: &mut Registry) {
        registry.register_with_unit(
            "process_resident_memory",
            "Memory that is there for the process now",
            Unit::Bytes,
            self.memory.clone(),
        );
        registry.register_with_unit(
            "process_cpu",
            "Time of processors that the process took",
            Unit::Seconds,
            self.cpu.clone(),
        );
        registry.register("process_open_fds", "Open files and sockets", self.files.clone());
        registry.register("process_max_fds", "Files and sockets that may be open", self.files_max.clone());
        registry.register_with_unit(
            "process_start_time",
            "When the process started, since 1970",
            Unit::Seconds,
            self.started.clone(),
        );
    }

    /// Shows what was read. While what is given lives nobody else shows anything.
    pub(super) fn show(
        &self,
        read: Option<&Read>,
        failures: u64,
        under_way: usize,
        data: Option<&Path>,
    ) -> MutexGuard<'_, ()> {
        let alone = self.alone.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(read) = read {
            self.show_sites(&read.sites);
            self.show_store(read);
        }
        self.failures.inner().store(failures, std::sync::atomic::Ordering::Relaxed);
        self.under_way.set(under_way as u64);
        if let Some((free, size)) = data.and_then(process::disk) {
            self.disk_free.get_or_create(&Alone {}).set(free);
            self.disk_size.get_or_create(&Alone {}).set(size);
        }
        if let Some(taken) = process::taken() {
            self.memory.get_or_create(&Alone {}).set(taken.resident_bytes);
            let cpu = self.cpu.get_or_create(&Alone {});
            cpu.inc_by((taken.cpu_seconds - cpu.get()).max(0.0));
            self.files.get_or_create(&Alone {}).set(taken.open_files);
            if let Some(most) = taken.open_files_max {
                self.files_max.get_or_create(&Alone {}).set(most);
            }
        }
        alone
    }

    fn show_store(&self, read: &Read) {
        self.database.set(read.store.database_bytes);
        if let Some(bytes) = read.store.log_bytes {
            self.log.get_or_create(&Alone {}).set(bytes);
        }
        self.writing.set(read.store.writing);
        self.readers_open.set(read.store.readers_open);
        self.readers_busy.set(read.store.readers_busy);
        self.age.get_or_create(&Alone {}).set(read.at.elapsed().as_secs_f64());
    }

    fn show_sites(&self, sites: &[SiteGauge]) {
        self.forget_sites();
        for (place, gauge) in sites.iter().enumerate() {
            let site = if place < SITES_MAX { gauge.site.to_string() } else { "more".to_owned() };
            self.show_site(&site, gauge);
        }
    }

    /// A site that is gone is told of no more.
    fn forget_sites(&self) {
        self.orders.clear();
        self.machines.clear();
        self.silent.clear();
        self.checkpoint.clear();
        for family in
            [&self.hazard_late, &self.held, &self.waiting, &self.stale_rows, &self.unheard, &self.entries]
        {
            family.clear();
        }
    }

    /// Adds a site to what its label has already.
    fn show_site(&self, site: &str, gauge: &SiteGauge) {
        let of_state = |state| OfState { site: site.to_owned(), state };
        let of_site = OfSite { site: site.to_owned() };
        let (orders, machines) = (&gauge.orders, &gauge.machines);
        for (state, count) in [
            ("late", orders.late),
            ("due", orders.due),
            ("ahead", orders.ahead),
            ("never_recorded", orders.never_recorded),
        ] {
            self.orders.get_or_create(&of_state(state)).inc_by(count);
        }
        for (state, count) in [
            ("in_service", machines.in_service),
            ("resting", machines.resting),
            ("forbidden", machines.forbidden),
            ("retired", machines.retired),
        ] {
            self.machines.get_or_create(&of_state(state)).inc_by(count);
        }
        for (days, count) in SILENT_AFTER_DAYS.iter().zip(gauge.silent_meters) {
            let of = OfSilence { site: site.to_owned(), days: days.to_string() };
            self.silent.get_or_create(&of).inc_by(count);
        }
        for (family, count) in [
            (&self.hazard_late, orders.hazard_late),
            (&self.held, gauge.held),
            (&self.waiting, gauge.waiting),
            (&self.stale_rows, gauge.stale_rows),
            (&self.unheard, gauge.unheard_meters),
            (&self.entries, gauge.journal_entries),
        ] {
            family.get_or_create(&of_site).inc_by(count);
        }
        if let Some(at) = gauge.checkpoint_at {
            // Of several sites the one that waits longest.
            let shown = self.checkpoint.get_or_create(&of_site);
            let earlier = shown.get();
            shown.set(if earlier > 0.0 { earlier.min(seconds(at)) } else { seconds(at) });
        }
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "instants of thousands of years keep their seconds in a double"
)]
fn seconds(at: Ts) -> f64 {
    at.0 as f64 / 1e6
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::ids::SiteId;
    use prometheus_client::encoding::prometheus_text;

    #[test]
    fn beyond_the_most_sites_the_rest_is_one_series() {
        let mut registry = Registry::default();
        let standing = Standing::registered(&mut registry, Ts(0));
        let site = |number| SiteGauge { site: SiteId(number), held: 2, ..SiteGauge::default() };
        let most = u32::try_from(SITES_MAX).unwrap();
        let sites: Vec<SiteGauge> = (1..=most + 3).map(site).collect();
        for sites in [&sites[..], &sites[..1], &sites[..]] {
            standing.show_sites(sites);
        }
        let mut text = String::new();
        prometheus_text::encode(&mut text, &registry).unwrap();
        let held: Vec<&str> = text.lines().filter(|line| line.starts_with("fettler_reports_held{")).collect();
        assert_eq!(held.len(), SITES_MAX + 1);
        assert!(held.contains(&"fettler_reports_held{site=\"more\"} 6"), "{held:?}");
        assert!(held.contains(&"fettler_reports_held{site=\"100\"} 2"), "{held:?}");
    }
}
