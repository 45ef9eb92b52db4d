//! A collector of traces: a server of OTLP's own protos that keeps what it is sent, refuses it, or says nothing at all.

use opentelemetry_proto::tonic::collector::trace::v1::trace_service_server::{
    TraceService, TraceServiceServer,
};
use opentelemetry_proto::tonic::collector::trace::v1::{
    ExportTracePartialSuccess, ExportTraceServiceRequest, ExportTraceServiceResponse,
};
use opentelemetry_proto::tonic::common::v1::any_value::Value;
use opentelemetry_proto::tonic::common::v1::{AnyValue, KeyValue};
use opentelemetry_proto::tonic::trace::v1::Span;
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, Condvar, Mutex};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::runtime::Runtime;
use tonic::transport::server::TcpIncoming;
use tonic::transport::{Identity, Server, ServerTlsConfig};
use tonic::{Request, Response, Status, async_trait};

/// How long a test waits for spans; generous, for a busy machine.
const WAIT: Duration = Duration::from_mins(1);

/// What a collector answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answers {
    /// It keeps what it is sent.
    Well,
    /// It refuses, and not for a while only.
    Refused,
    /// It keeps nothing, and says so of each span.
    NoneTaken,
    /// It takes the call and never answers.
    Never,
}

/// A span as it was sent.
#[derive(Clone, Debug)]
pub struct Kept {
    /// The span itself.
    pub span: Span,
    /// What is said of whoever sent it.
    pub resource: BTreeMap<String, String>,
    /// Which version of the conventions its names are of.
    pub schema: String,
}

impl Kept {
    /// The number of its trace, in hexadecimal digits.
    pub fn trace(&self) -> String {
        hex::encode(&self.span.trace_id)
    }

    /// Its own number.
    pub fn number(&self) -> String {
        hex::encode(&self.span.span_id)
    }

    /// The number of the span that it is a part of; empty where there is none.
    pub fn parent(&self) -> String {
        hex::encode(&self.span.parent_span_id)
    }

    /// Its attributes as text.
    pub fn attributes(&self) -> BTreeMap<String, String> {
        texts(&self.span.attributes)
    }
}

fn texts(pairs: &[KeyValue]) -> BTreeMap<String, String> {
    pairs.iter().map(|pair| (pair.key.clone(), text(pair.value.as_ref()))).collect()
}

fn text(value: Option<&AnyValue>) -> String {
    match value.and_then(|value| value.value.clone()) {
        Some(Value::StringValue(text)) => text,
        Some(Value::IntValue(number)) => number.to_string(),
        other => format!("{other:?}"),
    }
}

/// What came in, and who waits for more.
#[derive(Default)]
struct Came {
    spans: Mutex<Vec<Kept>>,
    more: Condvar,
}

/// A collector that runs.
pub struct Collector {
    address: SocketAddr,
    is_encrypted: bool,
    came: Arc<Came>,
    /// Dropped, it ends the collector.
    _runtime: Runtime,
}

struct Keeper {
    came: Arc<Came>,
    answers: Answers,
}

#[async_trait]
impl TraceService for Keeper {
    async fn export(
        &self,
        request: Request<ExportTraceServiceRequest>,
    ) -> Result<Response<ExportTraceServiceResponse>, Status> {
        let mut kept = Vec::new();
        for sent in request.into_inner().resource_spans {
            let resource = texts(&sent.resource.unwrap_or_default().attributes);
            for scope in sent.scope_spans {
                let of = |span| Kept { span, resource: resource.clone(), schema: scope.schema_url.clone() };
                kept.extend(scope.spans.into_iter().map(of));
            }
        }
        let rejected_spans = i64::try_from(kept.len()).unwrap_or(i64::MAX);
        match self.answers {
            Answers::Well => {
                self.came.spans.lock().expect("nobody panicked").extend(kept);
                self.came.more.notify_all();
                Ok(Response::new(ExportTraceServiceResponse::default()))
            }
            Answers::Refused => Err(Status::permission_denied("not from there")),
            Answers::NoneTaken => {
                let partly = ExportTracePartialSuccess { rejected_spans, error_message: "too many".into() };
                Ok(Response::new(ExportTraceServiceResponse { partial_success: Some(partly) }))
            }
            Answers::Never => std::future::pending().await,
        }
    }
}

impl Collector {
    /// One that keeps what it is sent.
    pub fn start() -> Collector {
        Collector::answering(Answers::Well)
    }

    /// One that answers so.
    pub fn answering(answers: Answers) -> Collector {
        Collector::begin(answers, None)
    }

    /// One that keeps what it is sent, encrypted by this certificate and its key, PEM.
    pub fn encrypted(certificate: &str, key: &str) -> Collector {
        Collector::begin(
            Answers::Well,
            Some(ServerTlsConfig::new().identity(Identity::from_pem(certificate, key))),
        )
    }

    fn begin(answers: Answers, tls: Option<ServerTlsConfig>) -> Collector {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .expect("a runtime");
        let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a socket");
        let address = listener.local_addr().expect("an address");
        let came = Arc::new(Came::default());
        let keeper = TraceServiceServer::new(Keeper { came: came.clone(), answers });
        let is_encrypted = tls.is_some();
        let mut server = Server::builder();
        if let Some(tls) = tls {
            server = server.tls_config(tls).expect("a certificate and its key");
        }
        let serving = server.add_service(keeper).serve_with_incoming(TcpIncoming::from(listener));
        runtime.spawn(serving);
        Collector { address, is_encrypted, came, _runtime: runtime }
    }

    /// Its address, as `--traces-to` has it.
    pub fn url(&self) -> String {
        let (scheme, port) = (if self.is_encrypted { "https" } else { "http" }, self.address.port());
        format!("{scheme}://localhost:{port}")
    }

    /// What it was sent so far.
    pub fn kept(&self) -> Vec<Kept> {
        self.came.spans.lock().expect("nobody panicked").clone()
    }

    /// What it was sent, as soon as that is enough.
    pub fn kept_when(&self, is_enough: impl Fn(&[Kept]) -> bool) -> Vec<Kept> {
        let spans = self.came.spans.lock().expect("nobody panicked");
        let waited = self.came.more.wait_timeout_while(spans, WAIT, |spans| !is_enough(spans));
        let (spans, over) = waited.expect("nobody panicked");
        let names: Vec<&str> = spans.iter().map(|kept| kept.span.name.as_str()).collect();
        assert!(!over.timed_out(), "not all came: {names:?}");
        spans.clone()
    }
}
