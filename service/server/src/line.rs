//! What is left of a call when it has ended: a line in the log, its figures, and its span where it is traced. None holds what was sent
//! or answered.

use crate::meters::Meters;
use crate::status::{LEFT, code_of, is_ours};
use crate::traces::{End, Traced};
use fettler_domain::ids::TokenId;
use fettler_domain::text::Key;
use fettler_proto::{Method, TraceParent, code_name};
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

    /// The trace of the call, as far as there is one. Of a call that is traced, what its caller said and what its span has are one.
    pub(crate) fn trace_id(&self) -> Option<String> {
        let said = self.trace.as_ref().map(|place| place.trace_id().to_owned());
        said.or_else(|| self.traced.as_ref().map(Traced::trace_id))
    }

    fn log(&self, code: Code, took: Duration) {
        let method = self.path.trim_start_matches('/');
        let latency_us = u64::try_from(took.as_micros()).unwrap_or(u64::MAX);
        let (code_word, token) = (code_name(code), self.token.map(|token| token.0));
        let peer = self.peer.map(tracing::field::display);
        let request_id = self.note.request_id.get().map(String::as_str);
        let site = self.note.site.get().map(Key::as_str);
        let trace_id = self.trace_id();
        let trace_id = trace_id.as_deref();
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

/// Where its headers say that a call stands in a trace; nowhere where what they say is not well formed.
pub(crate) fn place_in_trace(headers: &HeaderMap) -> Option<TraceParent> {
    TraceParent::read(headers.get("traceparent")?.to_str().ok()?)
}
