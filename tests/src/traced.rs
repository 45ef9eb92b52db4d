//! A service whose calls are traced, calls to it, and what is asked of the spans that it sent.

use crate::collector::Kept;
use crate::oracle::http;
use crate::service::Service;
use opentelemetry_proto::tonic::trace::v1::span::SpanKind;
use serde_json::{Value, json};
use std::time::{Duration, Instant};

/// A shop with one machine.
const SHOP: &str = r#"
people = ["Ada Kern"]

[site]
key = "north"
zone = "Europe/Berlin"

[[machine]]
tag = "L-03"

[[machine.meter]]
kind = "operating"

[[machine.task]]
key = "bowl"
title = "Drain the bowl"
every = "10 days"
last_done = "2026-01-05"
"#;
/// The caller's own span, as in the example of W3C Trace Context, 3.2.3.
pub const CALLER: &str = "00f067aa0ba902b7";
/// How long the last spans may take at the end (2 s), with room for a busy machine; the service may take 10 s in all.
const STOPS_WITHIN: Duration = Duration::from_secs(8);

/// The number of one of a test's traces.
pub fn trace(number: u8) -> String {
    format!("4bf92f3577b34da6a3ce929d0e0e47{number:02x}")
}

/// A caller's place in it, and whether they have it traced.
pub fn traceparent(number: u8, is_sampled: bool) -> String {
    format!("00-{}-{CALLER}-0{}", trace(number), u8::from(is_sampled))
}

/// A service with the shop, whose calls from then on are traced; it logs each call.
pub fn traced(arguments: &[&str]) -> Service {
    traced_in(arguments, &[])
}

/// The same with more in its environment.
pub fn traced_in(arguments: &[&str], environment: &[(&str, &str)]) -> Service {
    let mut service = Service::with_shop(SHOP);
    service.stop();
    let all = [&[("FETTLER_LOG", "warn,fettler=info")][..], environment].concat();
    let environment = all.into_iter().map(|(name, value)| (name.to_owned(), value.to_owned())).collect();
    Service::try_start(service.into_folder(), arguments, environment)
        .unwrap_or_else(|(_, said)| panic!("{said}"))
}

/// Makes a call over HTTP.
pub fn post(service: &Service, method: &str, headers: &[(&str, &str)], body: &str) -> Value {
    let mut all =
        json!({"content-type": "application/json", "authorization": format!("Bearer {}", service.token())});
    for (name, value) in headers {
        all[*name] = json!(value);
    }
    let url = format!("{}/fettler.v1.{method}", service.http());
    http(&[json!({"url": url, "method": "POST", "headers": all, "body": body})]).remove(0)
}

/// Makes calls over gRPC.
pub fn by_grpc<T>(calls: impl Future<Output = T>) -> T {
    tokio::runtime::Runtime::new().expect("a runtime").block_on(calls)
}

/// A call's own spans, of whatever trace.
pub fn calls<'k>(kept: &'k [Kept], method: &str) -> Vec<&'k Kept> {
    let name = format!("fettler.v1.{method}");
    kept.iter().filter(|kept| kept.span.kind == SpanKind::Server as i32 && kept.span.name == name).collect()
}

/// A figure, read until it is as wanted.
pub fn figure_when(service: &Service, name: &str, is_wanted: impl Fn(u64) -> bool) -> u64 {
    let until = Instant::now() + Duration::from_mins(1);
    loop {
        let told = http(&[json!({"url": format!("{}/metrics", service.http())})]).remove(0);
        let text = told["body"].as_str().expect("a text").to_owned();
        let line = text.lines().find_map(|line| line.strip_prefix(name)).unwrap_or_else(|| panic!("{text}"));
        let value = line.trim().parse().expect("a number");
        if is_wanted(value) {
            return value;
        }
        assert!(Instant::now() < until, "{name} stays at {value}");
    }
}

/// The figure of spans that were taken.
pub const SENT: &str = "fettler_trace_spans_total{outcome=\"sent\"}";
/// The figure of spans that were dropped.
pub const DROPPED: &str = "fettler_trace_spans_total{outcome=\"dropped\"}";

/// Stops a service within its bound; what it said of spans that were dropped.
pub fn stopped(mut service: Service) -> Vec<String> {
    let begun = Instant::now();
    service.stop();
    assert!(begun.elapsed() < STOPS_WITHIN, "{:?}", begun.elapsed());
    service.said().into_iter().filter(|line| line.contains("spans")).collect()
}
