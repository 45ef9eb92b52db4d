//! What the tests of the service share: a server on a port of its own, and clients with its token.

#![expect(unreachable_pub, dead_code, reason = "each test program uses a part of what is public here")]
#![expect(clippy::unwrap_used, reason = "test code beside the test functions")]

pub mod fake;
mod fake_calendars;
mod fake_care;
mod fake_gauges;
mod fake_outbound;
mod fake_proofs;
mod fake_rounds;
mod fake_tokens;
mod fake_watching;
pub mod web;

use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_server::auth::{hash, new_token};
use fettler_server::clock::HandClock;
use fettler_server::notary::Notary;
use fettler_server::oidc::Provider;
use fettler_server::serve::{Ports, ServeError, Terms, serve_on};
use fettler_store::contract::{Caller, NewToken, Store};
use std::net::SocketAddr;
use std::sync::Arc;
use tempfile::TempDir;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::service::Interceptor;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::{Channel, Endpoint};
use tonic::{Request, Status};
use tonic_types::StatusExt;

/// 25 November 2026, 09:00 UTC.
pub const NOW: Ts = Ts(1_795_597_200_000_000);

/// A running server.
pub struct Server {
    /// Where it listens.
    pub address: SocketAddr,
    /// Where it listens for HTTP.
    pub http: SocketAddr,
    /// Its clock.
    pub clock: Arc<HandClock>,
    /// A token that it knows.
    pub token: String,
    stop: Option<oneshot::Sender<()>>,
    running: Option<JoinHandle<Result<(), ServeError>>>,
}

/// Adds a token to every call.
#[derive(Clone)]
pub struct Bearer(pub MetadataValue<Ascii>);

impl Interceptor for Bearer {
    fn call(&mut self, mut request: Request<()>) -> Result<Request<()>, Status> {
        request.metadata_mut().insert("authorization", self.0.clone());
        Ok(request)
    }
}

/// A channel that carries the token.
pub type Wire = InterceptedService<Channel, Bearer>;

impl Server {
    /// Starts a server on a store.
    pub async fn start(store: Arc<dyn Store>) -> Server {
        Server::start_with(store, Notary::silent()).await
    }

    /// Starts a server on a store, with what signs its journals.
    pub async fn start_with(store: Arc<dyn Store>, notary: Notary) -> Server {
        Server::begin(store, notary, Terms::default()).await
    }

    /// Starts a server on a store, which takes the tokens of an identity provider too.
    pub async fn start_trusting(store: Arc<dyn Store>, provider: Arc<Provider>) -> Server {
        Server::start_letting_in(store, Terms { provider: Some(provider), ..Terms::default() }).await
    }

    /// Starts a server on a store, which lets others in too.
    pub async fn start_letting_in(store: Arc<dyn Store>, terms: Terms) -> Server {
        Server::begin(store, Notary::silent(), terms).await
    }

    async fn begin(store: Arc<dyn Store>, notary: Notary, terms: Terms) -> Server {
        let token = new_token().unwrap();
        let caller = Caller {
            token: None,
            method: "FirstStart",
            request: None,
            now: NOW,
            person: None,
            as_manager: true,
        };
        store.add_token(&caller, &NewToken::admin("admin", hash(&token))).await.unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let clock = Arc::new(HandClock::new(NOW));
        let (stop, stopped) = oneshot::channel();
        let http = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let http_address = http.local_addr().unwrap();
        let ports = Ports { grpc: listener, http: Some(http), tls: None };
        let running = serve_on(ports, store, clock.clone(), notary, terms, async {
            let _ = stopped.await;
        });
        let running = tokio::spawn(running);
        Server { address, http: http_address, clock, token, stop: Some(stop), running: Some(running) }
    }

    /// Starts a server on a new file; gives it with a connection that carries the token, and the folder of the file.
    pub async fn on_a_file() -> (Server, Wire, TempDir) {
        let folder = tempfile::tempdir().expect("a folder");
        let location = folder.path().join("shop.db").display().to_string();
        let server = Server::start(fettler_store::open(&location).await.expect("a store")).await;
        let wire = server.wire().await;
        (server, wire, folder)
    }

    /// A connection without a token.
    pub async fn channel(&self) -> Channel {
        Endpoint::from_shared(format!("http://{}", self.address)).unwrap().connect().await.unwrap()
    }

    /// A connection with the token.
    pub async fn wire(&self) -> Wire {
        self.wire_with(&format!("Bearer {}", self.token)).await
    }

    /// A connection with these words in the place of the token.
    pub async fn wire_with(&self, authorization: &str) -> Wire {
        InterceptedService::new(self.channel().await, Bearer(authorization.parse().unwrap()))
    }

    /// Tells it to stop, without waiting.
    pub fn stop(&mut self) {
        let _ = self.stop.take().unwrap().send(());
    }

    /// Waits until it has stopped.
    pub async fn stopped(&mut self) {
        self.ended().await.unwrap();
    }

    /// Waits until it has ended, and says how.
    pub async fn ended(&mut self) -> Result<(), ServeError> {
        self.running.take().unwrap().await.unwrap()
    }
}

/// The reason that programs read.
pub fn reason(status: &Status) -> String {
    status.get_error_details().error_info().map(|info| info.reason.clone()).unwrap_or_default()
}

/// The fields that were complained of, each with its text.
pub fn fields(status: &Status) -> Vec<(String, String)> {
    let details = status.get_error_details();
    let found = details.bad_request().map(|bad| bad.field_violations.clone()).unwrap_or_default();
    found.into_iter().map(|violation| (violation.field, violation.description)).collect()
}

/// An instant by its distance from [`NOW`] in hours.
pub fn hours_from_now(hours: i64) -> prost_types::Timestamp {
    fettler_server::wire::time::stamp(Ts(NOW.0 + hours * 3_600_000_000))
}

/// A shift report of the eight hours before [`NOW`].
pub fn shift(id: &str, machine: &str, amount: &str) -> v1::ShiftReport {
    v1::ShiftReport {
        source: "erp".into(),
        report_id: id.into(),
        machine: machine.into(),
        statement: Some(v1::shift_report::Statement::Interval(v1::IntervalStatement {
            start: Some(hours_from_now(-8)),
            end: Some(hours_from_now(0)),
            amount: amount.into(),
            unit: v1::Unit::Hours.into(),
        })),
        ..Default::default()
    }
}
