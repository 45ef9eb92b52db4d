//! What is left of a call when it has ended: a line in the log, its figures, and its span where it is traced. None holds what was sent
//! or answered.

use crate::meters::Meters;
use crate::status::{LEFT, code_of, is_ours};
use crate::traces::{End, Traced};
use fettler_domain::ids::TokenId;
use fettler_domain::text::Key;
use fettler_proto::{Method, code_name};
use http::HeaderMap;
use std::net::SocketAddr;
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};
use tonic::Code;

/// What a call's handler learns of it and the line tells.
#[derive(Debug, Default)]
pub struct Note {
    request_id: OnceLock<String>,
    site: OnceLock<Key>,
}

impl Note {
    /// Under which request id the call came.
    pub(crate) fn request_id(&self, id: &str) {
        // The first stands: a call has one.
        let _ = self.request_id.set(id.to_owned());
    }

    /// Which site it is about.
    pub(crate) fn site(&self, key: &Key) {
        let _ = self.site.set(key.clone());
    }
}

/// How a call is told of when it has ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Telling {
    /// In the log, and timed.
    Call,
    /// In the log; how long it lasts is its caller's choice.
    Stream,
    /// Counted alone: probes come every second, and refused calls have their own lines, of which there are few.
    Counted,
}

/// A call under way. When it is dropped the call has ended, and is told of.
pub(crate) struct Line {
    pub(crate) meters: Arc<Meters>,
    pub(crate) path: String,
    pub(crate) telling: Telling,
    pub(crate) started: Instant,
    pub(crate) peer: Option<SocketAddr>,
    pub(crate) token: Option<TokenId>,
    pub(crate) note: Arc<Note>,
    /// The trace that the caller says the call is part of.
    pub(crate) trace: Option<TraceParent>,
    /// Its span, where it is traced.
    pub(crate) traced: Option<Traced>,
    /// How it ended; none while that is not known, and then its caller has left.
    pub(crate) code: Option<Code>,
}

impl Line {
    /// Learns from the head of an answer how the call ended, where it ended there.
    pub(crate) fn head(&mut self, headers: &HeaderMap) {
        if headers.contains_key("grpc-status") {
            self.code = Some(code_of(headers));
        }
    }

    /// The same from what stands behind an answer.
    pub(crate) fn trailers(&mut self, trailers: &HeaderMap) {
        self.code = Some(code_of(trailers));
    }

    fn log(&self, code: Code, took: Duration) {
        let method = self.path.trim_start_matches('/');
        let latency_us = u64::try_from(took.as_micros()).unwrap_or(u64::MAX);
        let (code_word, token) = (code_name(code), self.token.map(|token| token.0));
        let peer = self.peer.map(tracing::field::display);
        let request_id = self.note.request_id.get().map(String::as_str);
        let site = self.note.site.get().map(Key::as_str);
        // Of a call that is traced they are one; else it is what its caller said.
        let begun_here = self.traced.as_ref().map(Traced::trace_id);
        let trace_id = self.trace.as_ref().map(TraceParent::trace_id).or(begun_here.as_deref());
        macro_rules! told {
            ($level:ident) => {
                tracing::$level!(
                    target: "fettler::call",
                    method, code = code_word, latency_us, token, request_id, site, peer, trace_id,
                    "{method} {code_word}"
                )
            };
        }
        if is_ours(code, self.telling == Telling::Stream) { told!(warn) } else { told!(info) }
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        let code = self.code.unwrap_or(LEFT);
        let took = self.started.elapsed();
        let method = Method::from_path(&self.path);
        self.meters.call(method, code, (self.telling == Telling::Call).then_some(took));
        if self.telling != Telling::Counted {
            self.log(code, took);
        }
        if let Some(traced) = self.traced.take() {
            let site = self.note.site.get().map(Key::as_str);
            traced.end(End { code, site, at: self.started + took });
        }
    }
}

/// Where a call stands in a trace, as the W3C's Trace Context (level 1, `traceparent`) has it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct TraceParent {
    text: String,
}

impl TraceParent {
    /// Reads the header of that name; one that is not well formed counts as none, as the standard asks.
    pub(crate) fn of(headers: &HeaderMap) -> Option<TraceParent> {
        let text = headers.get("traceparent")?.to_str().ok()?;
        let parts: Vec<&str> = text.split('-').collect();
        let [version, trace, span, flags, more @ ..] = parts.as_slice() else { return None };
        let is_hex = |part: &str, length| {
            part.len() == length && part.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
        };
        let is_known = is_hex(version, 2) && *version != "ff" && (*version != "00" || more.is_empty());
        let is_well = is_hex(trace, 32) && is_hex(span, 16) && is_hex(flags, 2);
        let names = |part: &str| part.bytes().any(|b| b != b'0');
        let is_taken = is_known && is_well && names(trace) && names(span);
        is_taken.then(|| TraceParent { text: format!("{trace}-{span}-{flags}") })
    }

    /// The trace's number, as text.
    pub(crate) fn trace_id(&self) -> &str {
        &self.text[..32]
    }

    /// The numbers of the trace and of the caller's span in it, and whether its caller has it traced (the flag `sampled`).
    pub(crate) fn parts(&self) -> (&str, &str, bool) {
        let flags = u8::from_str_radix(&self.text[50..], 16).unwrap_or(0);
        (self.trace_id(), &self.text[33..49], flags & 1 == 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_in_a_trace_is_read_as_the_standard_writes_it() {
        // The first is the example of W3C Trace Context, 3.2.3; the others break one of its rules each.
        let trace = "4bf92f3577b34da6a3ce929d0e0e4736";
        for (text, taken) in [
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", true),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more", false),
            ("cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more", true),
            ("ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", false),
            ("00-4BF92F3577B34DA6A3CE929D0E0E4736-00f067aa0ba902b7-01", false),
            ("00-00000000000000000000000000000000-00f067aa0ba902b7-01", false),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01", false),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7", false),
            ("", false),
        ] {
            let mut headers = HeaderMap::new();
            headers.insert("traceparent", http::HeaderValue::from_static(text));
            let read = TraceParent::of(&headers);
            let parts = taken.then_some((trace, "00f067aa0ba902b7", true));
            assert_eq!(read.as_ref().map(TraceParent::parts), parts, "{text}");
        }
    }
}
