//! The span of a call, and those of its steps in the store.

use crate::status::spans::is_error;
use crate::tls::Peer;
use fettler_domain::time::Ts;
use fettler_proto::{TRACE_STATE_BYTES_MAX, TraceParent, code_name};
use fettler_store::contract::{Onlooker, ReadStep, Step, WriteStep};
use http::HeaderMap;
use opentelemetry::trace::{
    Span as _, SpanBuilder, SpanContext, SpanId, SpanKind, Status, TraceContextExt as _, TraceFlags, TraceId,
    TraceState, Tracer as _,
};
use opentelemetry::{Context, KeyValue};
use opentelemetry_sdk::trace::{SdkTracer, Span};
use std::net::SocketAddr;
use std::str::FromStr as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant, SystemTime};
use tonic::Code;

/// Of how many steps of one call spans are made: a stream of reports that lasts for hours has more than anybody looks at. The others
/// are counted.
const STEPS_MAX: u32 = 256;

/// How the times of the computer's stopwatch stand to those of its clock.
#[derive(Clone, Copy, Debug)]
pub(super) struct Times {
    clock: SystemTime,
    stopwatch: Instant,
}

impl Times {
    /// That both tell the same moment.
    pub(super) fn of(clock: Ts, stopwatch: Instant) -> Times {
        let micros = u64::try_from(clock.0).unwrap_or(0);
        Times { clock: SystemTime::UNIX_EPOCH + Duration::from_micros(micros), stopwatch }
    }

    /// What the clock tells when the stopwatch tells this.
    pub(super) fn at(&self, stopwatch: Instant) -> SystemTime {
        match self.stopwatch.checked_duration_since(stopwatch) {
            Some(before) => self.clock - before,
            None => self.clock + stopwatch.duration_since(self.stopwatch),
        }
    }
}

/// What is known of a call when it begins, after the conventions for gRPC; its path is one of the contract.
pub(super) fn begun(path: &str) -> SpanBuilder {
    let name = path.trim_start_matches('/').to_owned();
    let attributes = [KeyValue::new("rpc.system.name", "grpc"), KeyValue::new("rpc.method", name.clone())];
    SpanBuilder::from_name(name).with_kind(SpanKind::Server).with_attributes(attributes)
}

/// The place in a trace that a caller named, with what others wrote beside it.
pub(super) fn place(parent: &TraceParent, headers: &HeaderMap) -> SpanContext {
    let (trace, span, is_sampled) = parent.parts();
    let trace = TraceId::from_hex(trace).unwrap_or(TraceId::INVALID);
    let span = SpanId::from_hex(span).unwrap_or(SpanId::INVALID);
    let flags = if is_sampled { TraceFlags::SAMPLED } else { TraceFlags::default() };
    SpanContext::new(trace, span, flags, true, state(headers))
}

/// `tracestate`, which may stand in several headers; none where it is not well formed, as the standard asks.
fn state(headers: &HeaderMap) -> TraceState {
    let all: Option<Vec<&str>> =
        headers.get_all("tracestate").iter().map(|part| part.to_str().ok()).collect();
    let text = all.unwrap_or_default().join(",");
    if text.len() > TRACE_STATE_BYTES_MAX {
        return TraceState::default();
    }
    TraceState::from_str(&text).unwrap_or_default()
}

/// A call that is traced.
pub(crate) struct Traced {
    span: Span,
    steps: Arc<Steps>,
}

/// How a call ended.
#[derive(Clone, Copy, Debug)]
pub(crate) struct End<'a> {
    pub(crate) code: Code,
    /// The key of the site that it was about.
    pub(crate) site: Option<&'a str>,
    pub(crate) at: Instant,
}

impl Traced {
    /// A call under way; none where its span is not one that is sent.
    pub(super) fn of(span: Span, tracer: SdkTracer, times: Times) -> Option<Traced> {
        let place = span.span_context().clone();
        if !place.is_sampled() {
            return None;
        }
        let around = Context::new().with_remote_span_context(place);
        let steps = Steps { tracer, around, times, seen: AtomicU32::new(0) };
        Some(Traced { span, steps: Arc::new(steps) })
    }

    /// Says between whom the call is made.
    pub(crate) fn between(&mut self, peer: &Peer) {
        let mut say = |address: Option<SocketAddr>, names: [&'static str; 2]| {
            if let Some(address) = address {
                self.span.set_attribute(KeyValue::new(names[0], address.ip().to_canonical().to_string()));
                self.span.set_attribute(KeyValue::new(names[1], i64::from(address.port())));
            }
        };
        say(peer.address, ["network.peer.address", "network.peer.port"]);
        say(peer.own, ["server.address", "server.port"]);
    }

    /// The trace's number, as text.
    pub(crate) fn trace_id(&self) -> String {
        self.span.span_context().trace_id().to_string()
    }

    /// Whoever is told of the call's steps in the store.
    pub(crate) fn onlooker(&self) -> Arc<dyn Onlooker> {
        self.steps.clone()
    }

    /// Ends the span. A status is an error where the conventions count it as the service's.
    pub(crate) fn end(mut self, end: End<'_>) {
        let code = code_name(end.code);
        self.span.set_attribute(KeyValue::new("rpc.status_code", code));
        if is_error(end.code) {
            self.span.set_attribute(KeyValue::new("error.type", code));
            self.span.set_status(Status::error(""));
        }
        if let Some(site) = end.site {
            self.span.set_attribute(KeyValue::new("fettler.site", site.to_owned()));
        }
        let untold = self.steps.seen.load(Ordering::Relaxed).saturating_sub(STEPS_MAX);
        if untold > 0 {
            self.span.set_attribute(KeyValue::new("fettler.steps_untold", i64::from(untold)));
        }
        self.span.end_with_timestamp(self.steps.times.at(end.at));
    }
}

/// Makes spans of a call's steps in the store.
struct Steps {
    tracer: SdkTracer,
    /// The call's own place in the trace.
    around: Context,
    times: Times,
    seen: AtomicU32,
}

impl Steps {
    /// A span that began and ended; gives its place.
    fn span(&self, around: &Context, builder: SpanBuilder, from: Instant, until: Instant) -> SpanContext {
        let builder = builder.with_kind(SpanKind::Internal).with_start_time(self.times.at(from));
        let mut span = self.tracer.build_with_context(builder, around);
        span.end_with_timestamp(self.times.at(until));
        span.span_context().clone()
    }

    fn read(&self, step: ReadStep) {
        let builder = SpanBuilder::from_name("store.read");
        let builder = match step.what {
            Some(what) => builder.with_attributes([KeyValue::new("fettler.read", what)]),
            None => builder,
        };
        self.span(&self.around, builder, step.asked, step.ended);
    }

    fn written(&self, step: WriteStep) {
        self.span(&self.around, SpanBuilder::from_name("store.wait"), step.handed_over, step.begun);
        let calls = i64::try_from(step.calls).unwrap_or(i64::MAX);
        let builder = SpanBuilder::from_name("store.write");
        let builder = builder.with_attributes([KeyValue::new("fettler.calls", calls)]);
        let write = self.span(&self.around, builder, step.begun, step.ended);
        if let Some(committing) = step.committing {
            let within = Context::new().with_remote_span_context(write);
            self.span(&within, SpanBuilder::from_name("store.commit"), committing, step.ended);
        }
    }
}

impl Onlooker for Steps {
    fn saw(&self, step: Step) {
        if self.seen.fetch_add(1, Ordering::Relaxed) >= STEPS_MAX {
            return;
        }
        match step {
            Step::Read(step) => self.read(step),
            Step::Written(step) => self.written(step),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use http::HeaderValue;
    use opentelemetry::trace::TracerProvider as _;
    use opentelemetry_sdk::error::OTelSdkResult;
    use opentelemetry_sdk::trace::{SdkTracerProvider, SpanData, SpanProcessor};
    use std::sync::Mutex;

    #[test]
    fn a_moment_of_the_stopwatch_is_one_of_the_clock() {
        let now = Instant::now();
        let times = Times::of(Ts(1_000_000_000_000_000), now);
        let second = Duration::from_secs(1);
        assert_eq!(times.at(now + second), SystemTime::UNIX_EPOCH + Duration::from_secs(1_000_000_001));
        if let Some(before) = now.checked_sub(second) {
            assert_eq!(times.at(before), SystemTime::UNIX_EPOCH + Duration::from_secs(999_999_999));
        }
    }

    /// Keeps the spans that ended.
    #[derive(Clone, Debug, Default)]
    struct Ended(Arc<Mutex<Vec<SpanData>>>);

    impl SpanProcessor for Ended {
        fn on_start(&self, _: &mut Span, _: &Context) {}

        fn on_end(&self, span: SpanData) {
            self.0.lock().unwrap().push(span);
        }

        fn force_flush(&self) -> OTelSdkResult {
            Ok(())
        }

        fn shutdown_with_timeout(&self, _: Duration) -> OTelSdkResult {
            Ok(())
        }
    }

    #[test]
    fn of_a_call_with_very_many_steps_some_have_spans_and_the_others_are_counted() {
        let ended = Ended::default();
        let tracer = SdkTracerProvider::builder().with_span_processor(ended.clone()).build().tracer("test");
        let now = Instant::now();
        let span = tracer.build_with_context(begun("/fettler.v1.DueService/ListDue"), &Context::new());
        let call = Traced::of(span, tracer, Times::of(Ts(0), now)).expect("all are traced");
        for _ in 0..STEPS_MAX + 44 {
            call.onlooker().saw(Step::Read(ReadStep { what: None, asked: now, ended: now }));
        }
        call.end(End { code: Code::Ok, site: None, at: now });
        let spans = ended.0.lock().unwrap();
        assert_eq!(spans.len(), STEPS_MAX as usize + 1);
        let untold = KeyValue::new("fettler.steps_untold", 44_i64);
        assert!(spans.last().is_some_and(|call| call.attributes.contains(&untold)), "{spans:#?}");
    }

    #[test]
    fn what_others_wrote_beside_a_place_is_handed_on_as_the_standard_asks() {
        // The texts are of W3C Trace Context, 3.3.1.5 and 3.3.1.1.
        let of = |texts: &[&'static str]| {
            let mut headers = HeaderMap::new();
            for text in texts {
                headers.append("tracestate", HeaderValue::from_static(text));
            }
            state(&headers).header()
        };
        assert_eq!(
            of(&["rojo=00f067aa0ba902b7,congo=t61rcWkgMzE"]),
            "rojo=00f067aa0ba902b7,congo=t61rcWkgMzE"
        );
        assert_eq!(
            of(&["rojo=00f067aa0ba902b7", "congo=t61rcWkgMzE"]),
            "rojo=00f067aa0ba902b7,congo=t61rcWkgMzE"
        );
        assert_eq!(of(&[]), "");
        assert_eq!(of(&["no pair"]), "");
        assert_eq!(of(&[Box::leak(format!("a={}", "x".repeat(600)).into_boxed_str())]), "");
    }
}
