//! Every call over HTTP: JSON, lines of JSON for streams, and gRPC-Web. Each goes through the same gate to the same handlers as
//! over gRPC, so that who may call, what is bounded and what is answered is one thing.

use super::ALWAYS;
use super::codec;
use crate::gate::Gate;
use crate::pins::{NEW_PIN, PIN};
use crate::status::{Failure, MESSAGE_BYTES_MAX, TOO_LARGE, Then, http_status, told_ill};
use crate::tls::Peer;
use axum::body::{Body, Bytes};
use axum::extract::{Request, State};
use axum::response::{IntoResponse, Response};
use futures::stream::{self, Stream, StreamExt as _};
use http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode as Number, header};
use http_body::Body as _;
use prost_reflect::{MessageDescriptor, MethodDescriptor};
use std::collections::VecDeque;
use std::future::poll_fn;
use std::pin::Pin;
use tokio_util::sync::CancellationToken;
use tonic::Status;
use tonic::service::Routes;
use tonic_types::StatusExt as _;
use tonic_web::GrpcWebService;
use tower::ServiceExt as _;

/// One message as text.
const JSON: &str = "application/json";
/// A message a line.
const LINES: &str = "application/x-ndjson";
/// What else a body may be in.
const GRPC_WEB: &str = "application/grpc-web";
/// The headers of a request that mean something to a call.
const PASSED_ON: [HeaderName; 6] = [
    header::AUTHORIZATION,
    HeaderName::from_static("grpc-timeout"),
    HeaderName::from_static(PIN),
    HeaderName::from_static(NEW_PIN),
    HeaderName::from_static("traceparent"),
    HeaderName::from_static("tracestate"),
];

/// The handlers behind the gate, and whether the service is stopping.
#[derive(Clone)]
pub(crate) struct Calls {
    /// The handlers, behind the gate.
    pub(crate) gate: Gate<Routes>,
    /// The same for gRPC-Web.
    pub(crate) grpc_web: GrpcWebService<Gate<Routes>>,
    /// Set when the service stops: from then on no call begins.
    pub(crate) stopping: CancellationToken,
}

/// In what form a call is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    Json,
    Lines,
    GrpcWeb,
}

/// Answers a request at a path that is no other's.
pub(super) async fn call(State(calls): State<Calls>, request: Request) -> Response {
    let Some(method) = codec::method(request.uri().path()) else {
        return refused(&Failure::NoSuchCall.into());
    };
    if request.method() != Method::POST {
        let mut answer = refused(&Failure::NoSuchCall.into());
        *answer.status_mut() = Number::METHOD_NOT_ALLOWED;
        answer.headers_mut().insert(header::ALLOW, HeaderValue::from_static("POST"));
        return answer;
    }
    let form = form(request.headers()).filter(|form| *form != Form::Json || !method.is_client_streaming());
    let Some(form) = form else {
        let mut answer = refused(&Failure::NoSuchForm.into());
        *answer.status_mut() = Number::UNSUPPORTED_MEDIA_TYPE;
        return answer;
    };
    if calls.stopping.is_cancelled() {
        return refused(&Failure::Stopping(Then::AskAgain).into());
    }
    match form {
        Form::GrpcWeb => {
            let Ok(answer) = calls.grpc_web.oneshot(request).await;
            answer.map(Body::new)
        }
        Form::Json | Form::Lines => transcoded(calls.gate, method, request).await,
    }
}

/// The form that a request says its body has; none for one that is not taken, or is compressed.
fn form(headers: &HeaderMap) -> Option<Form> {
    if headers.get(header::CONTENT_ENCODING).is_some_and(|encoding| encoding != "identity") {
        return None;
    }
    let kind = headers.get(header::CONTENT_TYPE)?.to_str().ok()?;
    let kind = kind.split(';').next().unwrap_or(kind).trim().to_ascii_lowercase();
    match kind.as_str() {
        JSON => Some(Form::Json),
        LINES => Some(Form::Lines),
        kind if kind.starts_with(GRPC_WEB) => Some(Form::GrpcWeb),
        _ => None,
    }
}

/// Makes a call of a request in JSON, and JSON of its answer. The body is read only once the gate has let the call in.
async fn transcoded(gate: Gate<Routes>, method: &'static MethodDescriptor, request: Request) -> Response {
    let (parts, body) = request.into_parts();
    let frames = if method.is_client_streaming() {
        Body::from_stream(framed_lines(body, method.input()))
    } else {
        Body::from_stream(stream::once(framed_whole(body, method.input())))
    };
    let mut ask = http::Request::new(tonic::body::Body::new(frames));
    *ask.method_mut() = Method::POST;
    *ask.uri_mut() = parts.uri;
    let headers = ask.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/grpc"));
    headers.insert(header::TE, HeaderValue::from_static("trailers"));
    for name in PASSED_ON {
        if let Some(value) = parts.headers.get(&name) {
            headers.insert(name, value.clone());
        }
    }
    if let Some(peer) = parts.extensions.get::<Peer>() {
        ask.extensions_mut().insert(peer.clone());
    }
    let Ok(answer) = gate.oneshot(ask).await;
    if let Some(status) = Status::from_header_map(answer.headers()) {
        return refused(&status);
    }
    let messages = Messages { body: answer.into_body(), kind: method.output(), bytes: Vec::new() };
    if method.is_server_streaming() {
        return ([(header::CONTENT_TYPE, LINES)], ALWAYS, Body::from_stream(told_lines(messages)))
            .into_response();
    }
    match told_whole(messages).await {
        Ok(json) => ([(header::CONTENT_TYPE, JSON)], ALWAYS, json).into_response(),
        Err(status) => refused(&status),
    }
}

/// An error as HTTP tells it: the status as JSON, under the number that belongs to its code.
pub(super) fn refused(status: &Status) -> Response {
    let details = status.get_error_details();
    let too_large = details.error_info().is_some_and(|info| info.reason == TOO_LARGE);
    let number = if too_large { Number::PAYLOAD_TOO_LARGE } else { http_status(status.code()) };
    let mut answer =
        (number, [(header::CONTENT_TYPE, JSON)], ALWAYS, codec::status_json(status)).into_response();
    let headers = answer.headers_mut();
    if number == Number::UNAUTHORIZED {
        headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
    }
    let after = details.retry_info().and_then(|info| info.retry_delay);
    if let Some(after) = after {
        headers.insert(header::RETRY_AFTER, HeaderValue::from(after.as_secs().max(1)));
    }
    answer
}

/// What may go wrong while a body is read.
type Read<T> = Result<T, Status>;

/// A body as the one frame of a call.
async fn framed_whole(body: Body, kind: MessageDescriptor) -> Read<Bytes> {
    let mut body = body.into_data_stream();
    let mut json = Vec::new();
    while let Some(part) = body.next().await {
        json.extend(part.map_err(|error| broken_off(&error))?);
        if json.len() > MESSAGE_BYTES_MAX {
            return Err(Failure::TooLarge.into());
        }
    }
    Ok(codec::frame(&kind, &json)?)
}

/// That the sender went away within a body.
fn broken_off(error: &axum::Error) -> Status {
    tracing::debug!(%error, "a body broke off");
    Failure::Unreadable.into()
}

/// A body of lines as frames of a call, one for each line that is not blank. One that cannot be read is told as such where the call
/// has room for that, and ends the body where it has none.
fn framed_lines(body: Body, kind: MessageDescriptor) -> impl Stream<Item = Read<Bytes>> {
    let lines = Lines {
        body: body.into_data_stream().boxed(),
        bytes: VecDeque::new(),
        seen: 0,
        number: 0,
        ended: false,
    };
    stream::unfold(Some(lines), move |lines| {
        let kind = kind.clone();
        async move {
            let mut lines = lines?;
            let frame = match lines.next().await {
                Ok(None) => return None,
                Ok(Some(line)) => codec::frame(&kind, &line).or_else(|failure| {
                    codec::unread(&kind, lines.number, &failure).ok_or_else(|| Status::from(failure))
                }),
                Err(status) => Err(status),
            };
            let goes_on = frame.is_ok().then_some(lines);
            Some((frame, goes_on))
        }
    })
}

/// A body that is read line by line.
struct Lines {
    body: stream::BoxStream<'static, Result<Bytes, axum::Error>>,
    bytes: VecDeque<u8>,
    /// How many of the bytes are known to hold no end of a line.
    seen: usize,
    /// How many lines were read, blank ones too.
    number: u64,
    ended: bool,
}

impl Lines {
    /// The next line that is not blank; none at the end.
    async fn next(&mut self) -> Read<Option<Vec<u8>>> {
        loop {
            let end = self.bytes.iter().skip(self.seen).position(|byte| *byte == b'\n');
            let line: Vec<u8> = match end {
                Some(end) => self.bytes.drain(..=self.seen + end).collect(),
                None if self.ended && self.bytes.is_empty() => return Ok(None),
                None if self.ended => self.bytes.drain(..).collect(),
                None => {
                    self.seen = self.bytes.len();
                    if self.seen > MESSAGE_BYTES_MAX {
                        return Err(Failure::TooLarge.into());
                    }
                    match self.body.next().await {
                        Some(part) => self.bytes.extend(part.map_err(|error| broken_off(&error))?),
                        None => self.ended = true,
                    }
                    continue;
                }
            };
            self.seen = 0;
            self.number += 1;
            if !line.trim_ascii().is_empty() {
                return Ok(Some(line));
            }
        }
    }
}

/// The messages of an answer, and at its end its status.
struct Messages {
    body: tonic::body::Body,
    kind: MessageDescriptor,
    bytes: Vec<u8>,
}

impl Messages {
    /// The next message in JSON; none at an end that is well.
    async fn next(&mut self) -> Read<Option<Vec<u8>>> {
        loop {
            if let Some((message, taken)) = codec::first_message(&self.bytes) {
                let json = codec::json(&self.kind, message)?;
                self.bytes.drain(..taken);
                return Ok(Some(json));
            }
            let body = &mut self.body;
            let Some(frame) = poll_fn(|cx| Pin::new(&mut *body).poll_frame(cx)).await else {
                return Ok(None);
            };
            match frame?.into_data() {
                Ok(data) => self.bytes.extend_from_slice(&data),
                Err(frame) => {
                    let trailers = frame.into_trailers().unwrap_or_default();
                    return told_ill(&trailers).map_or(Ok(None), Err);
                }
            }
        }
    }
}

/// The one message of an answer.
async fn told_whole(mut messages: Messages) -> Read<Vec<u8>> {
    let message = messages.next().await?;
    // The status comes behind it.
    messages.next().await?;
    Ok(message.ok_or(Failure::Broken)?)
}

/// The messages of an answer as lines; where it ends ill, the last line has the error.
fn told_lines(messages: Messages) -> impl Stream<Item = Result<Vec<u8>, std::convert::Infallible>> {
    stream::unfold(Some(messages), |messages| async move {
        let mut messages = messages?;
        let (line, goes_on) = match messages.next().await {
            Ok(None) => return None,
            Ok(Some(line)) => (line, Some(messages)),
            Err(status) => ([br#"{"error":"#, &codec::status_json(&status)[..], b"}"].concat(), None),
        };
        Some((Ok([&line[..], b"\n"].concat()), goes_on))
    })
}
