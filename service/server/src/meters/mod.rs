//! The figures that operators watch, in the form that Prometheus reads.
//!
//! * this module: what is counted as it happens: calls and reports.
//! * `watch`: what has to be read from the store, read seldom and by one at a time.
//! * `standing`: those, as figures.
//! * `process`: what the system knows of the process.
//!
//! No figure names a machine, a person, a token or a site's key: sites stand by their numbers, and beyond `SITES_MAX` of them
//! the rest is one. So the number of series is bounded by the contract, not by the shop.

mod process;
mod standing;
mod watch;

use crate::clock::Clock;
use crate::traces::SpanCounts;
use fettler_proto::{Method, code_name, v1};
use fettler_store::contract::Store;
use prometheus_client::encoding::{EncodeLabelSet, prometheus_text};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};
use standing::Standing;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tonic::Code;
use watch::Watch;

/// The content type of the text.
pub const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";
/// The most sites with figures of their own; the others share one series, so that a large installation does not fill its watcher.
pub(crate) const SITES_MAX: usize = 100;
/// Upper bounds of the buckets of a call's duration, in seconds: from what memory answers to the longest that a call may take.
const CALL_SECONDS: [f64; 14] =
    [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 15.0, 60.0];
/// The same of an acknowledgement: from one flush of a good disk to what a sender takes for lost.
const ACKNOWLEDGEMENT_SECONDS: [f64; 12] =
    [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 5.0, 30.0];
/// What stands for calls that are not of the contract: health, reflection, and paths that there are not.
const OTHER: &str = "other";
/// Outcomes of reports, each there from the start, so that its rate is known when the first one comes.
const OUTCOMES: [(v1::Outcome, &str); 6] = [
    (v1::Outcome::Accepted, "accepted"),
    (v1::Outcome::Duplicate, "duplicate"),
    (v1::Outcome::Replaces, "replaces"),
    (v1::Outcome::Superseded, "superseded"),
    (v1::Outcome::Held, "held"),
    (v1::Outcome::Refused, "refused"),
];

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfCall {
    method: &'static str,
    code: &'static str,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfMethod {
    method: &'static str,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfOutcome {
    outcome: &'static str,
}

/// All figures of a running service.
pub struct Meters {
    registry: Registry,
    calls: Family<OfCall, Counter>,
    call_seconds: Family<OfMethod, Histogram, fn() -> Histogram>,
    reports: Family<OfOutcome, Counter>,
    acknowledgement_seconds: Histogram,
    spans: SpanCounts,
    standing: Standing,
    watch: Arc<Watch>,
    clock: Arc<dyn Clock>,
    /// Whose disk is looked at.
    data: Option<PathBuf>,
}

impl Meters {
    /// Figures of a service on a store; `data` is the folder whose disk is looked at.
    pub fn new(store: Arc<dyn Store>, clock: Arc<dyn Clock>, data: Option<PathBuf>) -> Meters {
        let mut registry = Registry::default();
        let calls = Family::default();
        let call_seconds =
            Family::new_with_constructor((|| Histogram::new(CALL_SECONDS)) as fn() -> Histogram);
        let reports = Family::default();
        let acknowledgement_seconds = Histogram::new(ACKNOWLEDGEMENT_SECONDS);
        let build = Info::new([("version", env!("CARGO_PKG_VERSION"))]);
        registry.register("fettler_build", "The program that runs", build);
        registry.register("fettler_calls", "Calls that ended, by method and gRPC code", calls.clone());
        registry.register_with_unit(
            "fettler_call_duration",
            "From a call's arrival until the last byte of its answer was taken; streams and refused calls are not timed",
            Unit::Seconds,
            call_seconds.clone(),
        );
        registry.register("fettler_reports", "Reports answered, by outcome", reports.clone());
        registry.register_with_unit(
            "fettler_report_acknowledgement_duration",
            "From a report's reading until it is durable and its acknowledgement is ready, for each report",
            Unit::Seconds,
            acknowledgement_seconds.clone(),
        );
        let spans = SpanCounts::default();
        spans.register(&mut registry);
        for (_, outcome) in OUTCOMES {
            drop(reports.get_or_create(&OfOutcome { outcome }));
        }
        let standing = Standing::registered(&mut registry, clock.now());
        let watch = Arc::new(Watch::new(store));
        Meters {
            registry,
            calls,
            call_seconds,
            reports,
            acknowledgement_seconds,
            spans,
            standing,
            watch,
            clock,
            data,
        }
    }

    /// Counts a call that has ended, timed where that tells something.
    pub(crate) fn call(&self, method: Option<Method>, code: Code, took: Option<Duration>) {
        let method = method.map_or(OTHER, Method::name);
        self.calls.get_or_create(&OfCall { method, code: code_name(code) }).inc();
        if let Some(took) = took.filter(|_| method != OTHER) {
            self.call_seconds.get_or_create(&OfMethod { method }).observe(took.as_secs_f64());
        }
    }

    /// Counts reports that were acknowledged, each of which took so long where it went to the store.
    pub(crate) fn reports(&self, told: &[v1::Acknowledgement], stored: usize, took: Duration) {
        for (outcome, word) in OUTCOMES {
            let count = told.iter().filter(|told| told.outcome() == outcome).count();
            if count > 0 {
                self.reports.get_or_create(&OfOutcome { outcome: word }).inc_by(count as u64);
            }
        }
        for _ in 0..stored {
            self.acknowledgement_seconds.observe(took.as_secs_f64());
        }
    }

    /// Where spans of traced calls are counted.
    pub(crate) fn spans(&self) -> SpanCounts {
        self.spans.clone()
    }

    /// All figures as text. `under_way` is how many calls are.
    pub async fn text(&self, under_way: usize) -> String {
        let read = self.watch.latest(self.clock.now()).await;
        let mut text = String::new();
        let _alone =
            self.standing.show(read.as_deref(), self.watch.failures(), under_way, self.data.as_deref());
        // A text in memory takes all that is written to it.
        let _ = prometheus_text::encode(&mut text, &self.registry);
        text
    }
}
