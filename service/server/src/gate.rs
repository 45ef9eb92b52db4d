//! What every call passes on its way in and out: its token, its deadline, and its line in the log. Answers that the
//! transport made by itself leave with a reason and a remedy.

use crate::auth::{Doorkeeper, Pass};
use crate::limits::{Limits, Slot};
use crate::line::{Line, Note, Telling, place_in_trace};
use crate::meters::Meters;
use crate::policy;
use crate::status::{Failure, behind, refusal};
use crate::tls::Peer;
use crate::traces::{Traced, Traces};
use fettler_proto::Method;
use fettler_store::contract::seen_by;
use futures::future::BoxFuture;
use http::{HeaderMap, Request, Response};
use http_body::{Frame, SizeHint};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::time::Instant;
use tokio_util::task::TaskTracker;
use tokio_util::task::task_tracker::TaskTrackerToken;
use tonic::Status;
use tonic::body::Body;
use tower::{Layer, Service};

/// The longest a call may take that is no stream; longer deadlines are cut to it.
const UNARY_MAX: Duration = Duration::from_mins(1);
/// At its deadline the transport ends a call with a misleading answer, and so does many a client. Ours comes a
/// tenth of the time before, but at most this much.
const AHEAD_MAX: Duration = Duration::from_millis(500);
/// Services that need no token: they say whether the service lives and what it can do.
const OPEN: [&str; 3] = ["/grpc.health.v1.", "/grpc.reflection.v1.", "/grpc.reflection.v1alpha."];
/// Calls that last as long as their caller likes.
const STREAMS: [&str; 6] = [
    "/fettler.v1.RunHoursService/StreamReports",
    "/grpc.health.v1.Health/Watch",
    "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo",
    "/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo",
    "/fettler.v1.AuditService/ExportClosings",
    "/fettler.v1.DueService/WatchDue",
];

/// When a call must be answered; a part of every request that has a deadline.
#[derive(Clone, Copy, Debug)]
pub struct Deadline(pub Instant);

/// Puts the gate before a service.
#[derive(Clone)]
pub struct GateLayer {
    doorkeeper: Arc<Doorkeeper>,
    limits: Arc<Limits>,
    meters: Arc<Meters>,
    calls: TaskTracker,
    traces: Option<Arc<Traces>>,
}

impl GateLayer {
    /// A gate with this doorkeeper; each call is counted in `calls` until the last byte of its answer is taken, and in `meters`
    /// after that.
    pub fn new(doorkeeper: Doorkeeper, meters: Arc<Meters>, calls: TaskTracker) -> GateLayer {
        GateLayer { doorkeeper: Arc::new(doorkeeper), limits: Arc::default(), meters, calls, traces: None }
    }

    /// The gate, where calls are traced as well.
    pub(crate) fn tracing(self, traces: Option<Arc<Traces>>) -> GateLayer {
        GateLayer { traces, ..self }
    }
}

impl GateLayer {
    /// Calls under way.
    pub(crate) fn calls(&self) -> TaskTracker {
        self.calls.clone()
    }

    /// Who tells the log of what was refused.
    pub(crate) fn doorkeeper(&self) -> Arc<Doorkeeper> {
        self.doorkeeper.clone()
    }
}

impl<S> Layer<S> for GateLayer {
    type Service = Gate<S>;
    fn layer(&self, inner: S) -> Gate<S> {
        let (doorkeeper, limits, traces) =
            (self.doorkeeper.clone(), self.limits.clone(), self.traces.clone());
        Gate { inner, doorkeeper, limits, meters: self.meters.clone(), calls: self.calls.clone(), traces }
    }
}

/// A service behind the gate.
#[derive(Clone)]
pub struct Gate<S> {
    inner: S,
    doorkeeper: Arc<Doorkeeper>,
    limits: Arc<Limits>,
    meters: Arc<Meters>,
    calls: TaskTracker,
    traces: Option<Arc<Traces>>,
}

impl<S> Service<Request<Body>> for Gate<S>
where
    S: Service<Request<Body>, Response = Response<Body>> + Clone + Send + 'static,
    S::Future: Send,
    S::Error: Send,
{
    type Response = Response<Body>;
    type Error = S::Error;
    type Future = BoxFuture<'static, Result<Response<Body>, S::Error>>;

    fn poll_ready(&mut self, cx: &mut Context<'_>) -> Poll<Result<(), S::Error>> {
        self.inner.poll_ready(cx)
    }

    fn call(&mut self, request: Request<Body>) -> Self::Future {
        // The instance that was polled ready must take the call.
        let fresh = self.inner.clone();
        let inner = std::mem::replace(&mut self.inner, fresh);
        let (doorkeeper, limits, traces) =
            (self.doorkeeper.clone(), self.limits.clone(), self.traces.clone());
        let mut line = line(self.meters.clone(), &request);
        // Whoever asks whether the service lives keeps it from nothing.
        let call = (!is_open(request.uri().path())).then(|| self.calls.token());
        Box::pin(async move {
            let (answer, slot) =
                pass(inner, (&doorkeeper, &limits, traces.as_deref()), request, &mut line).await?;
            line.head(answer.headers());
            Ok(answer.map(|inner| Body::new(Counted { inner, line, _call: call, _slot: slot })))
        })
    }
}

/// An answer's body that counts as a call under way until it is dropped.
struct Counted {
    inner: Body,
    line: Line,
    _call: Option<TaskTrackerToken>,
    _slot: Option<Slot>,
}

impl http_body::Body for Counted {
    type Data = <Body as http_body::Body>::Data;
    type Error = Status;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Status>>> {
        let polled = Pin::new(&mut self.inner).poll_frame(cx);
        if let Poll::Ready(Some(Ok(frame))) = &polled
            && let Some(trailers) = frame.trailers_ref()
        {
            self.line.trailers(trailers);
        }
        polled
    }

    fn is_end_stream(&self) -> bool {
        self.inner.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.inner.size_hint()
    }
}

fn is_open(path: &str) -> bool {
    OPEN.iter().any(|open| path.starts_with(open))
}

/// The beginning of what will be told of a call.
fn line(meters: Arc<Meters>, request: &Request<Body>) -> Line {
    let path = request.uri().path().to_owned();
    let telling = match path.as_str() {
        path if is_open(path) => Telling::Counted,
        path if STREAMS.contains(&path) => Telling::Stream,
        _ => Telling::Call,
    };
    let trace = place_in_trace(request.headers());
    let peer = Peer::of(request.extensions()).address;
    let started = std::time::Instant::now();
    Line {
        meters,
        path,
        telling,
        started,
        peer,
        token: None,
        note: Arc::new(Note::default()),
        trace,
        traced: None,
        code: None,
    }
}

async fn pass<S>(
    mut inner: S,
    (doorkeeper, limits, traces): (&Arc<Doorkeeper>, &Arc<Limits>, Option<&Traces>),
    mut request: Request<Body>,
    line: &mut Line,
) -> Result<(Response<Body>, Option<Slot>), S::Error>
where
    S: Service<Request<Body>, Response = Response<Body>>,
{
    let started = Instant::now();
    let path = request.uri().path().to_owned();
    let method = path.trim_start_matches('/');
    let far = Peer::of(request.extensions());
    let peer = far.address;
    let mut slot = None;
    // Nothing that comes from outside has one: it is what a page of the board holds for its reader.
    let held = request.extensions_mut().remove::<Pass>();
    request.extensions_mut().insert(line.note.clone());
    if !is_open(&path) {
        let authorization = request.headers().get(http::header::AUTHORIZATION).and_then(|v| v.to_str().ok());
        let shown = (held.as_ref(), authorization, far.certificate.as_deref());
        match let_in(doorkeeper, limits, &path, shown).await {
            Ok((pass, begun)) => {
                line.token = Some(pass.record.token);
                slot = Some(begun);
                line.traced = traced(traces, &request, line, &far);
                request.extensions_mut().insert(pass);
            }
            Err(NotLetIn { failure, is_known }) => {
                // Of strangers no call is traced: else anybody could fill what others look at.
                if is_known {
                    line.traced = traced(traces, &request, line, &far);
                }
                if failure.is_of_the_caller() {
                    line.telling = Telling::Counted;
                    doorkeeper.tell_refused(method, &failure, peer, line.trace_id().as_deref());
                }
                return Ok((Status::from(failure).into_http(), None));
            }
        }
    }
    let deadline = deadline(&path, request.headers(), started);
    if let Some(deadline) = deadline {
        request.extensions_mut().insert(Deadline(deadline));
    }
    let work = seen_by(line.traced.as_ref().map(Traced::onlooker), inner.call(request));
    let answer = match deadline {
        Some(deadline) => match tokio::time::timeout_at(deadline, work).await {
            Ok(answer) => answer?,
            Err(_) => Status::from(Failure::Deadline).into_http(),
        },
        None => work.await?,
    };
    let answer = mended(answer);
    // What a handler refuses for the token's sites or its role.
    if let Some(why) = refusal(answer.headers()) {
        line.telling = Telling::Counted;
        doorkeeper.tell_refused(method, &why, peer, line.trace_id().as_deref());
    }
    Ok((answer, slot))
}

/// Begins the span of a call of the contract, where calls are traced and this one is.
fn traced(traces: Option<&Traces>, request: &Request<Body>, line: &Line, far: &Peer) -> Option<Traced> {
    Method::from_path(&line.path)?;
    let told = (line.trace.as_ref(), request.headers());
    let mut call = traces?.begin(&line.path, told, line.started)?;
    call.between(far);
    Some(call)
}

/// What is shown to be let in: a pass that was given before, a token, or a certificate.
type Shown<'a> = (Option<&'a Pass>, Option<&'a str>, Option<&'a [u8]>);

/// Why a call was not let in, and whether its caller had been recognised by then. Without the store nobody is.
struct NotLetIn {
    failure: Failure,
    is_known: bool,
}

/// Lets a call in whose token has a role that may make it, as long as its caller does not ask for too much.
async fn let_in(
    doorkeeper: &Arc<Doorkeeper>,
    limits: &Arc<Limits>,
    path: &str,
    shown: Shown<'_>,
) -> Result<(Pass, Slot), NotLetIn> {
    let recognised = match shown {
        (Some(held), _, _) => held.renewed().await,
        (None, None, Some(certificate)) => doorkeeper.admit_certificate(certificate).await,
        (None, authorization, _) => doorkeeper.admit(authorization).await,
    };
    let pass = recognised.map_err(|failure| NotLetIn { failure, is_known: false })?;
    let refused = |failure| NotLetIn { failure, is_known: true };
    // What is no call of ours is answered as such further on.
    if let Some(method) = Method::from_path(path) {
        policy::may(&pass.record.access, method).map_err(|error| refused(error.into()))?;
    }
    let slot = limits.begin(pass.record.token, STREAMS.contains(&path), std::time::Instant::now());
    Ok((pass, slot.map_err(refused)?))
}

/// When the call must be answered: as the caller wants, and within [`UNARY_MAX`] unless it is a stream.
fn deadline(path: &str, headers: &HeaderMap, started: Instant) -> Option<Instant> {
    let asked = headers.get("grpc-timeout").and_then(|value| value.to_str().ok()).and_then(read_timeout);
    let asked = asked.map(|asked| asked.saturating_sub(AHEAD_MAX.min(asked / 10)));
    if STREAMS.contains(&path) {
        return asked.and_then(|asked| started.checked_add(asked));
    }
    started.checked_add(asked.unwrap_or(UNARY_MAX).min(UNARY_MAX))
}

/// Reads the gRPC form of a timeout: up to eight digits and a unit.
fn read_timeout(text: &str) -> Option<Duration> {
    let (digits, unit) = text.split_at_checked(text.len().checked_sub(1)?)?;
    if digits.is_empty() || digits.len() > 8 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let count: u64 = digits.parse().ok()?;
    match unit {
        "H" => Some(Duration::from_secs(count * 3_600)),
        "M" => Some(Duration::from_secs(count * 60)),
        "S" => Some(Duration::from_secs(count)),
        "m" => Some(Duration::from_millis(count)),
        "u" => Some(Duration::from_micros(count)),
        "n" => Some(Duration::from_nanos(count)),
        _ => None,
    }
}

/// The answer, with a better status where the transport made a bare one.
fn mended(answer: Response<Body>) -> Response<Body> {
    let failure = Status::from_header_map(answer.headers()).as_ref().and_then(behind);
    failure.map_or(answer, |failure| Status::from(failure).into_http())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn timeouts_are_read_as_the_protocol_writes_them() {
        for (text, expect) in [
            ("1H", Some(3_600_000)),
            ("2M", Some(120_000)),
            ("3S", Some(3_000)),
            ("400m", Some(400)),
            ("5000u", Some(5)),
            ("6000000n", Some(6)),
            ("123456789S", None),
            ("S", None),
            ("", None),
            ("-1S", None),
            ("1x", None),
            ("1é", None),
        ] {
            assert_eq!(read_timeout(text), expect.map(Duration::from_millis), "{text}");
        }
    }

    #[test]
    fn a_call_ends_before_the_transport_would_end_it_and_within_a_minute() {
        let started = Instant::now();
        let of = |path: &str, timeout: Option<&'static str>| {
            let mut headers = HeaderMap::new();
            if let Some(timeout) = timeout {
                headers.insert("grpc-timeout", http::HeaderValue::from_static(timeout));
            }
            deadline(path, &headers, started).map(|at| at - started)
        };
        assert_eq!(of("/fettler.v1.DueService/ListDue", Some("300m")), Some(Duration::from_millis(270)));
        assert_eq!(of("/fettler.v1.DueService/ListDue", Some("10m")), Some(Duration::from_millis(9)));
        assert_eq!(of("/fettler.v1.DueService/ListDue", Some("1H")), Some(UNARY_MAX));
        assert_eq!(of("/fettler.v1.DueService/ListDue", None), Some(UNARY_MAX));
        assert_eq!(of(STREAMS[0], None), None);
        assert_eq!(of(STREAMS[0], Some("90S")), Some(Duration::from_millis(89_500)));
    }
}
