//! How spans leave: a bounded queue that takes what there is room for and drops the rest, and one task that sends it in batches. What
//! a collector does or does not do is seen here alone.

use super::settings::Collector;
use crate::status::spans::{may_pass, unanswered};
use fettler_proto::code_name;
use opentelemetry_proto::tonic::collector::trace::v1::ExportTraceServiceRequest;
use opentelemetry_proto::tonic::collector::trace::v1::trace_service_client::TraceServiceClient;
use opentelemetry_proto::transform::common::tonic::ResourceAttributesWithSchema;
use opentelemetry_proto::transform::trace::tonic::group_spans_by_resource_and_scope;
use opentelemetry_sdk::Resource;
use opentelemetry_sdk::error::OTelSdkResult;
use opentelemetry_sdk::trace::{Span, SpanData, SpanProcessor};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep, timeout, timeout_at};
use tokio_util::sync::CancellationToken;
use tonic::Status;
use tonic::transport::Channel;

/// How many spans may wait; those of some hundred calls. More are dropped: memory is the service's, traces are not.
const WAITING_MAX: usize = 2_048;
/// How many spans are sent at once.
const BATCH_MAX: usize = 512;
/// How long spans wait for others to be sent with them.
const GATHER: Duration = Duration::from_secs(1);
/// How long a collector may take to answer.
const ANSWER_WITHIN: Duration = Duration::from_secs(5);
/// How long is waited before a batch is sent again, each time; then it is dropped. A collector that is started anew is back by then.
const AGAIN_AFTER: [Duration; 2] = [Duration::from_secs(1), Duration::from_secs(3)];
/// How long the last spans may take once the service stops.
const LAST_SPANS: Duration = Duration::from_secs(2);
/// How often it is told that spans were dropped.
const TOLD_EVERY: Duration = Duration::from_mins(1);
/// How much of what a collector says is told.
const SAID_CHARS_MAX: usize = 200;

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfOutcome {
    outcome: &'static str,
}

/// What became of spans.
#[derive(Clone, Debug)]
pub struct SpanCounts {
    family: Family<OfOutcome, Counter>,
    sent: Counter,
    dropped: Counter,
}

impl Default for SpanCounts {
    fn default() -> SpanCounts {
        let family = Family::<OfOutcome, Counter>::default();
        let of = |outcome| family.get_or_create(&OfOutcome { outcome }).clone();
        SpanCounts { sent: of("sent"), dropped: of("dropped"), family }
    }
}

impl SpanCounts {
    /// Registers them as a figure.
    pub(crate) fn register(&self, registry: &mut prometheus_client::registry::Registry) {
        let help = "Spans of traced calls that a collector took, and that were dropped";
        registry.register("fettler_trace_spans", help, self.family.clone());
    }
}

/// Takes spans that have ended.
#[derive(Debug)]
pub(super) struct Queue {
    waiting: mpsc::Sender<SpanData>,
    counts: SpanCounts,
}

impl SpanProcessor for Queue {
    fn on_start(&self, _: &mut Span, _: &opentelemetry::Context) {}

    fn on_end(&self, span: SpanData) {
        if self.waiting.try_send(span).is_err() {
            self.counts.dropped.inc();
        }
    }

    fn force_flush(&self) -> OTelSdkResult {
        Ok(())
    }

    fn shutdown_with_timeout(&self, _: Duration) -> OTelSdkResult {
        // Sending ends with the service, not with the library's provider.
        Ok(())
    }
}

/// Starts the task that sends.
pub(super) fn start(collector: &Collector, resource: &Resource, counts: SpanCounts) -> (Queue, Sending) {
    let (sender, waiting) = mpsc::channel(WAITING_MAX);
    let ending = CancellationToken::new();
    let sending = Sender {
        client: TraceServiceClient::new(collector.endpoint.connect_lazy()),
        resource: resource.into(),
        told: Told { dropped: counts.dropped.get(), at: None },
        counts: counts.clone(),
        why: None,
        ending: ending.clone(),
    };
    let running = tokio::spawn(sending.run(waiting));
    (Queue { waiting: sender, counts }, Sending { ending, running })
}

/// Sending under way.
pub(crate) struct Sending {
    ending: CancellationToken,
    running: JoinHandle<()>,
}

impl Sending {
    /// Sends what waits, as far as that is done within [`LAST_SPANS`] and by that instant.
    pub(crate) async fn end(mut self, by: Instant) {
        self.ending.cancel();
        let by = by.min(Instant::now() + LAST_SPANS);
        if timeout_at(by, &mut self.running).await.is_err() {
            // What was sent without an answer may have come all the same.
            self.running.abort();
            tracing::warn!("the collector of traces did not take the last spans in time");
        }
    }
}

/// What was told of dropped spans, and when.
struct Told {
    dropped: u64,
    at: Option<Instant>,
}

struct Sender {
    client: TraceServiceClient<Channel>,
    resource: ResourceAttributesWithSchema,
    counts: SpanCounts,
    told: Told,
    /// Why a batch was dropped last.
    why: Option<String>,
    ending: CancellationToken,
}

impl Sender {
    async fn run(mut self, mut waiting: mpsc::Receiver<SpanData>) {
        let ending = self.ending.clone();
        let mut batch = Vec::with_capacity(BATCH_MAX);
        while !ending.is_cancelled() {
            tokio::select! {
                some = waiting.recv_many(&mut batch, BATCH_MAX) => if some == 0 { break },
                () = ending.cancelled() => break,
            }
            // Others come in a moment, and are sent with them.
            let full = async {
                while batch.len() < BATCH_MAX {
                    let room = BATCH_MAX - batch.len();
                    if waiting.recv_many(&mut batch, room).await == 0 {
                        break;
                    }
                }
            };
            tokio::select! {
                () = full => {}
                () = sleep(GATHER) => {}
                () = ending.cancelled() => {}
            }
            self.send(&mut batch).await;
            self.tell();
        }
        waiting.close();
        while waiting.recv_many(&mut batch, BATCH_MAX).await > 0 {
            self.send(&mut batch).await;
        }
        self.told.at = None;
        self.tell();
    }

    /// Sends a batch, again where that may help.
    async fn send(&mut self, batch: &mut Vec<SpanData>) {
        let spans = batch.len() as u64;
        let resource_spans = group_spans_by_resource_and_scope(std::mem::take(batch), &self.resource);
        let request = ExportTraceServiceRequest { resource_spans };
        let mut again_after = AGAIN_AFTER.into_iter();
        loop {
            let why = match self.sent(request.clone()).await {
                Ok(rejected) => {
                    let rejected = rejected.min(spans);
                    self.counts.sent.inc_by(spans - rejected);
                    self.counts.dropped.inc_by(rejected);
                    return;
                }
                Err(why) => why,
            };
            let wait = again_after.next().filter(|_| may_pass(why.code()) && !self.ending.is_cancelled());
            let Some(wait) = wait else {
                self.counts.dropped.inc_by(spans);
                self.why = Some(told(&why));
                return;
            };
            tokio::select! {
                () = sleep(wait) => {}
                () = self.ending.cancelled() => {}
            }
        }
    }

    /// Sends once; how many spans the collector would not have.
    async fn sent(&mut self, request: ExportTraceServiceRequest) -> Result<u64, Status> {
        let answer = timeout(ANSWER_WITHIN, self.client.export(request)).await;
        let answer = answer.map_err(|_| unanswered())??;
        let Some(partly) = answer.into_inner().partial_success else { return Ok(0) };
        let rejected = u64::try_from(partly.rejected_spans).unwrap_or(0);
        if rejected > 0 {
            self.why = Some(cut(&format!("the collector would not have them: {}", partly.error_message)));
        }
        Ok(rejected)
    }

    /// Tells of dropped spans, seldom.
    fn tell(&mut self) {
        let dropped = self.counts.dropped.get();
        let spans = dropped - self.told.dropped;
        let is_time = self.told.at.is_none_or(|at| at.elapsed() >= TOLD_EVERY);
        if spans > 0 && is_time {
            let why = self.why.take().unwrap_or_else(|| "more came than could be sent".to_owned());
            tracing::warn!(spans, why, "spans of traced calls were dropped");
            self.told = Told { dropped, at: Some(Instant::now()) };
        }
    }
}

/// A status as the log has it.
fn told(status: &Status) -> String {
    cut(&format!("{}: {}", code_name(status.code()), status.message()))
}

fn cut(text: &str) -> String {
    text.chars().take(SAID_CHARS_MAX).collect()
}
