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
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep, sleep_until, timeout};
use tonic::Status;
use tonic::transport::{Channel, Endpoint};

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
    let (last, ending) = watch::channel(None);
    let sending = Sender {
        client: TraceServiceClient::new(collector.endpoint.connect_lazy()),
        endpoint: collector.endpoint.clone(),
        resource: resource.into(),
        told: Told { dropped: counts.dropped.get(), at: None },
        counts: counts.clone(),
        why: None,
        left: 0,
        ending: Ending(ending),
    };
    let running = tokio::spawn(sending.run(waiting));
    (Queue { waiting: sender, counts }, Sending { last, running })
}

/// Sending under way.
pub(crate) struct Sending {
    /// Until when the last spans may be sent, once the service stops.
    last: watch::Sender<Option<Instant>>,
    running: JoinHandle<()>,
}

impl Sending {
    /// Sends what waits, as far as that is done within [`LAST_SPANS`] and by that instant.
    pub(crate) async fn end(self, by: Instant) {
        self.last.send_replace(Some(by.min(Instant::now() + LAST_SPANS)));
        // It ends by itself then, so that it counts what is left.
        if let Err(error) = self.running.await {
            tracing::error!(%error, "sending traces broke off");
        }
    }
}

/// Whether the service stops, and until when the last spans may be sent.
#[derive(Clone)]
struct Ending(watch::Receiver<Option<Instant>>);

impl Ending {
    fn has_come(&self) -> bool {
        self.0.borrow().is_some() || self.0.has_changed().is_err()
    }

    /// Ready when the service stops; says until when the last spans may be sent.
    async fn come(&mut self) -> Instant {
        let by = self.0.wait_for(Option::is_some).await.ok().and_then(|by| *by);
        // Whoever would say so is gone.
        by.unwrap_or_else(Instant::now)
    }

    /// Ready when nothing may be sent any more.
    async fn over(&mut self) {
        sleep_until(self.come().await).await;
    }
}

/// What was told of dropped spans, and when.
struct Told {
    dropped: u64,
    at: Option<Instant>,
}

struct Sender {
    endpoint: Endpoint,
    client: TraceServiceClient<Channel>,
    resource: ResourceAttributesWithSchema,
    counts: SpanCounts,
    told: Told,
    /// Why a batch was dropped last.
    why: Option<String>,
    /// How many spans the end of the service left unsent.
    left: u64,
    ending: Ending,
}

impl Sender {
    async fn run(mut self, mut waiting: mpsc::Receiver<SpanData>) {
        let mut ending = self.ending.clone();
        let mut batch = Vec::with_capacity(BATCH_MAX);
        while !ending.has_come() {
            tokio::select! {
                some = waiting.recv_many(&mut batch, BATCH_MAX) => if some == 0 { break },
                _ = ending.come() => break,
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
                _ = ending.come() => {}
            }
            self.send(&mut batch).await;
            // What the end drops is told once, when all of it is known.
            if !ending.has_come() {
                self.tell();
            }
        }
        waiting.close();
        while waiting.recv_many(&mut batch, BATCH_MAX).await > 0 {
            self.send(&mut batch).await;
        }
        if self.left > 0 {
            // What was sent without an answer may have come all the same.
            self.counts.dropped.inc_by(self.left);
            self.why
                .get_or_insert_with(|| "it did not take the last ones before the service ended".to_owned());
        }
        self.told.at = None;
        self.tell();
    }

    /// Sends a batch, again where that may help, until nothing may be sent any more.
    async fn send(&mut self, batch: &mut Vec<SpanData>) {
        let spans = batch.len() as u64;
        let resource_spans = group_spans_by_resource_and_scope(std::mem::take(batch), &self.resource);
        let request = ExportTraceServiceRequest { resource_spans };
        let mut again_after = AGAIN_AFTER.into_iter();
        let mut ending = self.ending.clone();
        loop {
            let sent = tokio::select! {
                biased;
                () = ending.over() => {
                    self.left += spans;
                    return;
                }
                sent = self.sent(request.clone()) => sent,
            };
            let why = match sent {
                Ok(rejected) => {
                    let rejected = rejected.min(spans);
                    self.counts.sent.inc_by(spans - rejected);
                    self.counts.dropped.inc_by(rejected);
                    return;
                }
                Err(why) => why,
            };
            let wait = again_after.next().filter(|_| may_pass(why.code()) && !ending.has_come());
            let Some(wait) = wait else {
                self.counts.dropped.inc_by(spans);
                self.why = Some(told(&why));
                return;
            };
            tokio::select! {
                () = sleep(wait) => {}
                _ = ending.come() => {}
            }
        }
    }

    /// Sends once; how many spans the collector would not have.
    async fn sent(&mut self, request: ExportTraceServiceRequest) -> Result<u64, Status> {
        let Ok(answer) = timeout(ANSWER_WITHIN, self.client.export(request)).await else {
            // The other end may be gone without a word. Then nothing comes through this connection any more, and a new one may lead to
            // whoever took its place.
            self.client = TraceServiceClient::new(self.endpoint.connect_lazy());
            return Err(unanswered());
        };
        let Some(partly) = answer?.into_inner().partial_success else { return Ok(0) };
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
            let collector = self.endpoint.uri();
            tracing::warn!(
                spans, %collector, why,
                "spans of traced calls were dropped; see that the collector at {collector} runs and takes them, or send others to it: \
                 --traces-to, a smaller --traces-share"
            );
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

#[cfg(test)]
mod tests {
    use super::*;
    use opentelemetry::trace::{Span as _, Tracer as _, TracerProvider as _};
    use opentelemetry_sdk::trace::SdkTracerProvider;
    use std::net::TcpListener;

    #[tokio::test]
    async fn what_the_end_leaves_unsent_is_counted_in_flight_and_in_the_queue() {
        // It takes connections and says nothing to whoever comes.
        let silent = TcpListener::bind("127.0.0.1:0").unwrap();
        let endpoint = Endpoint::from_shared(format!("http://{}", silent.local_addr().unwrap())).unwrap();
        let collector = Collector { endpoint, share: 1.0, is_open_to_others: false };
        let (counts, resource) = (SpanCounts::default(), Resource::builder_empty().build());
        let (queue, sending) = start(&collector, &resource, counts.clone());
        let provider = SdkTracerProvider::builder().with_span_processor(queue).build();
        let tracer = provider.tracer("test");
        for _ in 0..WAITING_MAX {
            tracer.start("span").end();
        }
        // A batch has left the queue and is on its way when there is room for as many again.
        let mut more = 0;
        while more < BATCH_MAX as u64 {
            tokio::task::yield_now().await;
            let before = counts.dropped.get();
            tracer.start("span").end();
            more += u64::from(counts.dropped.get() == before);
        }
        let told = counts.dropped.get();
        sending.end(Instant::now() + Duration::from_millis(50)).await;
        assert_eq!(counts.sent.get(), 0);
        assert_eq!(counts.dropped.get() - told, (WAITING_MAX + BATCH_MAX) as u64);
    }
}
