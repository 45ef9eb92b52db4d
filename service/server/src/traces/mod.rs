//! Traces: what became of a call and what it spent its time on, sent to a collector by OTLP, the protocol of OpenTelemetry. Off unless
//! a collector is named; then nothing here runs.
//!
//! * this module: which calls are traced, and what is said of the service.
//! * `call`: the span of a call, and those of its steps in the store.
//! * `sending`: the queue of spans that ended, and how they leave. No call waits for it.
//! * `settings`: which collector, and what share of calls.
//!
//! Names and attributes are those of OpenTelemetry's semantic conventions, version 1.45.0, in which those of RPC are stable. No span
//! holds what was sent or answered, nor the name of a person or machine.

mod call;
mod sending;
mod settings;

pub(crate) use call::{End, Traced};
pub(crate) use sending::Sending;
pub use sending::SpanCounts;
pub use settings::{AddressFault, Collector, CollectorError, TracesArguments};

use crate::clock::Clock;
use fettler_proto::TraceParent;
use http::HeaderMap;
use opentelemetry::trace::{TraceContextExt as _, Tracer as _, TracerProvider as _};
use opentelemetry::{Context, InstrumentationScope, KeyValue};
use opentelemetry_sdk::Resource;
use opentelemetry_sdk::resource::TelemetryResourceDetector;
use opentelemetry_sdk::trace::{Sampler, SdkTracer, SdkTracerProvider, SpanLimits};
use std::sync::Arc;
use std::time::Instant;

/// The version of the conventions, as OpenTelemetry names it to programs.
const SCHEMA: &str = "https://opentelemetry.io/schemas/1.45.0";
/// Who makes the spans.
const NAME: &str = "fettlerd";
const VERSION: &str = env!("CARGO_PKG_VERSION");

/// What begins the spans of calls.
pub(crate) struct Traces {
    tracer: SdkTracer,
    clock: Arc<dyn Clock>,
}

impl Traces {
    /// Starts to send to a collector what is traced from now on; nothing is asked of it yet.
    pub(crate) fn start(
        collector: &Collector,
        clock: Arc<dyn Clock>,
        counts: SpanCounts,
    ) -> (Arc<Traces>, Sending) {
        if collector.is_open_to_others {
            tracing::warn!("traces leave this computer without encryption");
        }
        let resource = resource();
        let share = collector.share;
        let (queue, sending) = sending::start(collector, &resource, counts);
        // What the library would else read from its own variables of the environment is said here.
        let provider = SdkTracerProvider::builder()
            .with_sampler(Sampler::ParentBased(Box::new(Sampler::TraceIdRatioBased(share))))
            .with_span_limits(SpanLimits::default())
            .with_resource(resource)
            .with_span_processor(queue)
            .build();
        let scope = InstrumentationScope::builder(NAME).with_version(VERSION).with_schema_url(SCHEMA).build();
        let tracer = provider.tracer_with_scope(scope);
        (Arc::new(Traces { tracer, clock }), sending)
    }

    /// Begins the span of a call of the contract that came at `arrived`; none where it is not traced: by its caller's choice where they made one, else
    /// by chance.
    pub(crate) fn begin(
        &self,
        path: &str,
        (parent, headers): (Option<&TraceParent>, &HeaderMap),
        arrived: Instant,
    ) -> Option<Traced> {
        let around = match parent {
            Some(parent) => Context::new().with_remote_span_context(call::place(parent, headers)),
            None => Context::new(),
        };
        let times = call::Times::of(self.clock.now(), Instant::now());
        let builder = call::begun(path).with_start_time(times.at(arrived));
        let span = self.tracer.build_with_context(builder, &around);
        Traced::of(span, self.tracer.clone(), times)
    }
}

/// What is said of the service with all its spans.
fn resource() -> Resource {
    let mut bytes = [0; 16];
    // Without randomness the number of this run is one that says so: all zeros.
    let _ = getrandom::fill(&mut bytes);
    let instance = uuid::Builder::from_random_bytes(bytes).into_uuid();
    Resource::builder_empty()
        .with_detector(Box::new(TelemetryResourceDetector))
        .with_service_name(NAME)
        .with_attribute(KeyValue::new("service.version", VERSION))
        .with_attribute(KeyValue::new("service.instance.id", instance.to_string()))
        .build()
}
