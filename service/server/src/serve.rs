//! Runs the service on a listening socket until it is told to stop. The program and the tests take this one way.

use crate::auth::Doorkeeper;
use crate::clock::Clock;
use crate::gate::GateLayer;
use crate::meters::Meters;
use crate::notary::{self, Notary};
use crate::oidc::Provider;
use crate::rpc::Desk;
use crate::status::MESSAGE_BYTES_MAX;
use crate::tls::Tls;
use crate::traces::{Collector, Sending, Traces};
use crate::upkeep;
use crate::web::{self, BoardToken, HttpPort, MetricsFor};
use fettler_proto::v1::{
    audit_service_server::AuditServiceServer, due_calendar_service_server::DueCalendarServiceServer,
    due_service_server::DueServiceServer, figures_service_server::FiguresServiceServer,
    fluid_service_server::FluidServiceServer, installation_service_server::InstallationServiceServer,
    journal_service_server::JournalServiceServer, machine_service_server::MachineServiceServer,
    order_service_server::OrderServiceServer, outbound_service_server::OutboundServiceServer,
    person_service_server::PersonServiceServer, planned_use_service_server::PlannedUseServiceServer,
    proof_service_server::ProofServiceServer, reading_service_server::ReadingServiceServer,
    review_service_server::ReviewServiceServer, round_service_server::RoundServiceServer,
    run_hours_service_server::RunHoursServiceServer, shop_service_server::ShopServiceServer,
    stock_service_server::StockServiceServer,
};
use fettler_store::contract::Store;
use futures::FutureExt as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep_until, timeout, timeout_at};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tonic::codec::CompressionEncoding;
use tonic::service::Routes;
use tonic::transport::server::TcpIncoming;
use tonic::transport::{Server, ServerTlsConfig};
use tonic_health::ServingStatus;
use tonic_health::server::HealthReporter;

/// How long calls under way may take once the service stops.
pub const DRAIN: Duration = Duration::from_secs(8);
/// How long the last answers may travel once no call is under way; peers that say nothing get no longer.
const LAST_BYTES: Duration = Duration::from_millis(500);
/// How long the store may take after that to close; [`DRAIN`] and this leave the program a second to be gone by 10.
pub const SHUT: Duration = Duration::from_secs(1);
/// The server asks a silent peer for a sign of life after this; clients may ask us as often as once a minute.
const KEEPALIVE_EVERY: Duration = Duration::from_mins(1);
/// How long a sign of life may take.
const KEEPALIVE_WITHIN: Duration = Duration::from_secs(20);
/// After this a connection is asked to be made anew, so that load spreads over replicas.
const CONNECTION_AGE: Duration = Duration::from_mins(30);
/// How long its calls may then still take.
const CONNECTION_AGE_GRACE: Duration = Duration::from_mins(30);
/// Calls under way at once on one connection.
const STREAMS_MAX: u32 = 256;
/// The most bytes of headers of a call.
const HEADERS_BYTES_MAX: u32 = 16 << 10;
/// What a peer may send on one stream before it must wait: room for some thousand reports.
const STREAM_WINDOW: u32 = 512 << 10;
/// The same for a whole connection.
const CONNECTION_WINDOW: u32 = 2 << 20;

/// Why the service could not run.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The reflection service does not take our descriptors.
    #[error("the descriptors of the protos cannot be served")]
    Reflection(#[from] tonic_reflection::server::Error),
    /// The listening socket failed.
    #[error("the listening socket failed")]
    Transport(#[from] tonic::transport::Error),
    /// The store cannot make durable what it is given; what stands is read anew at the next start.
    #[error("the store failed: {0}; see to its disk and start again")]
    StoreFailed(String),
}

/// Where to listen, and how that is encrypted.
pub struct Ports {
    /// For gRPC.
    pub grpc: TcpListener,
    /// For HTTP; none where nobody listens for it.
    pub http: Option<TcpListener>,
    /// What encrypts the connections of both; none for plain ones.
    pub tls: Option<Tls>,
}

/// Serves until `shutdown` is ready or the store fails, then drains: health says so first, no connection is taken
/// any more, calls under way have [`DRAIN`] to end, and the store closes.
pub async fn serve(
    ports: Ports,
    store: Arc<dyn Store>,
    clock: Arc<dyn Clock>,
    notary: Notary,
    shutdown: impl Future<Output = ()> + Send,
) -> Result<(), ServeError> {
    serve_on(ports, store, clock, notary, Terms::default(), shutdown).await
}

/// What may be said of how to serve, beside where.
#[derive(Default)]
pub struct Terms {
    /// The identity provider whose tokens are taken beside our own.
    pub provider: Option<Arc<Provider>>,
    /// The token by which the board is shown to whoever reaches the HTTP port.
    pub board: Option<BoardToken>,
    /// Who is given the figures.
    pub metrics_for: MetricsFor,
    /// The folder whose disk the figures tell of.
    pub data: Option<PathBuf>,
    /// Where traces go; none where no call is traced.
    pub traces: Option<Collector>,
}

/// Serves on terms.
pub async fn serve_on(
    ports: Ports,
    store: Arc<dyn Store>,
    clock: Arc<dyn Clock>,
    notary: Notary,
    terms: Terms,
    shutdown: impl Future<Output = ()> + Send,
) -> Result<(), ServeError> {
    let Terms { provider, board, metrics_for, data, traces } = terms;
    let stopping = CancellationToken::new();
    let (tasks, calls) = (TaskTracker::new(), TaskTracker::new());
    let (health, health_service) = tonic_health::server::health_reporter();
    say(&health, ServingStatus::Serving).await;
    let notary = Arc::new(notary);
    let desk = Desk {
        store: store.clone(),
        clock: clock.clone(),
        notary: notary.clone(),
        tasks: tasks.clone(),
        stopping: stopping.clone(),
        pins: Arc::default(),
        watches: Arc::default(),
        meters: Arc::new(Meters::new(store.clone(), clock.clone(), data)),
    };
    let routes = routes(&desk)?.add_service(health_service);
    let (grpc_tls, http_tls) = ports.tls.map(|tls| (tls.grpc, tls.http)).unzip();
    let incoming =
        TcpIncoming::from(ports.grpc).with_nodelay(Some(true)).with_keepalive(Some(KEEPALIVE_EVERY));
    let doorkeeper = Doorkeeper::new(store.clone(), clock.clone()).trusting(provider);
    let traces = traces.map(|to| Traces::start(&to, clock.clone(), desk.meters.spans()));
    let (traces, sending) = traces.unzip();
    let gate = GateLayer::new(doorkeeper, desk.meters.clone(), calls.clone()).tracing(traces);
    let port = ports.http.map(|listener| HttpPort { listener, tls: http_tls, board, metrics_for });
    let paths = port.as_ref().map(|port| web::paths(routes.clone(), &gate, &desk, port));
    let web = Web::start(port.zip(paths))?;
    let server = server(grpc_tls)?
        .layer(gate)
        .add_routes(routes)
        .serve_with_incoming_shutdown(incoming, stopping.clone().cancelled_owned());
    let keeping = tokio::spawn(futures::future::join(
        upkeep::keep(store.clone(), clock.clone(), stopping.clone()),
        notary::keep(notary, store.clone(), clock, stopping.clone()),
    ));

    let mut server = std::pin::pin!(server);
    let ended = tokio::select! {
        ended = &mut server => Some(ended.map_err(ServeError::from)),
        why = store.failed() => Some(Err(ServeError::StoreFailed(why))),
        () = shutdown => None,
    };
    say(&health, ServingStatus::NotServing).await;
    stopping.cancel();
    let until = Instant::now() + DRAIN;
    calls.close();
    let ended = match ended {
        Some(ended) => ended,
        None => drained(server, &calls, until).await.map_err(ServeError::from),
    };
    web.end().await;
    tasks.close();
    if timeout_at(until, tasks.wait()).await.is_err() {
        tracing::warn!(calls = tasks.len(), "some calls did not end in time");
    }
    close(keeping, &*store, sending, until + SHUT).await;
    // It may have failed while others drained, or just as it closed.
    match store.failed().now_or_never() {
        Some(why) => ended.and(Err(ServeError::StoreFailed(why))),
        None => ended,
    }
}

/// Ends what is left once no call is under way: the work between calls, the store, and the spans that wait to be sent.
async fn close<T>(keeping: JoinHandle<T>, store: &dyn Store, sending: Option<Sending>, by: Instant) {
    let last_spans = async {
        if let Some(sending) = sending {
            sending.end(by).await;
        }
    };
    let shut = async { (keeping.await.is_ok(), store.shut().await) };
    if futures::join!(timeout_at(by, shut), last_spans).0.is_err() {
        tracing::warn!("the store did not close in time; what was acknowledged is durable all the same");
    }
}

/// Ready when all calls have ended, or their time is over.
async fn drained(
    server: impl Future<Output = Result<(), tonic::transport::Error>>,
    calls: &TaskTracker,
    until: Instant,
) -> Result<(), tonic::transport::Error> {
    // Without a connection of its own gRPC has ended at once, while calls over HTTP may be under way.
    let all = async {
        let ended = server.await;
        calls.wait().await;
        ended
    };
    tokio::select! {
        ended = all => ended,
        () = silence(calls) => Ok(()),
        () = sleep_until(until) => {
            tracing::warn!(calls = calls.len(), "some peers did not end their calls in time; they are cut off");
            Ok(())
        }
    }
}

/// The HTTP port under way.
struct Web {
    ended: CancellationToken,
    running: JoinHandle<()>,
}

impl Web {
    /// Starts it, where there is one, on a task of its own.
    fn start(port: Option<(HttpPort, axum::Router)>) -> Result<Web, tonic::transport::Error> {
        let (server, ended) = (server(None)?, CancellationToken::new());
        let until = ended.clone();
        let running = tokio::spawn(async move {
            let Some((port, paths)) = port else { return };
            if let Err(error) = web::run(server, port, paths, until).await {
                tracing::error!(error = &error as &dyn std::error::Error, "the HTTP port failed");
            }
        });
        Ok(Web { ended, running })
    }

    /// Ends it. Whoever is still connected after the last bytes had their time is cut off with the process.
    async fn end(self) {
        self.ended.cancel();
        let _ = timeout(LAST_BYTES, self.running).await;
    }
}

/// The HTTP port while the store is being opened: it lives, and is not ready.
pub struct Before(Option<Web>);

impl Before {
    /// Answers from now on, on the port that will be served.
    pub fn start(ports: &mut Ports) -> Result<Before, BeforeError> {
        let Some(listener) = ports.http.take() else { return Ok(Before(None)) };
        let own = listener.into_std()?;
        ports.http = Some(TcpListener::from_std(own.try_clone()?)?);
        let tls = ports.tls.as_ref().map(|tls| tls.http.clone());
        let metrics_for = MetricsFor::default();
        let port = HttpPort { listener: TcpListener::from_std(own)?, tls, board: None, metrics_for };
        Ok(Before(Some(Web::start(Some((port, web::paths_before())))?)))
    }

    /// Ends it, so that what is served takes over.
    pub async fn end(self) {
        if let Some(web) = self.0 {
            web.end().await;
        }
    }
}

/// Why nothing is answered while the store is being opened.
#[derive(Debug, thiserror::Error)]
pub enum BeforeError {
    /// The socket cannot be shared.
    #[error("the socket of the HTTP port cannot be shared")]
    Socket(#[from] std::io::Error),
    /// The transport does not start.
    #[error("the HTTP port does not start")]
    Transport(#[from] tonic::transport::Error),
}

/// Ready when no call is under way and the last answers had their time. A peer that is connected and says nothing
/// would keep the transport waiting for ever.
async fn silence(calls: &TaskTracker) {
    calls.wait().await;
    tokio::time::sleep(LAST_BYTES).await;
}

async fn say(health: &HealthReporter, status: ServingStatus) {
    health.set_service_status("", status).await;
    for service in fettler_proto::SERVICES {
        health.set_service_status(*service, status).await;
    }
}

fn server(tls: Option<ServerTlsConfig>) -> Result<Server, tonic::transport::Error> {
    let server = match tls {
        Some(tls) => Server::builder().tls_config(tls)?,
        None => Server::builder(),
    };
    Ok(server
        .http2_keepalive_interval(Some(KEEPALIVE_EVERY))
        .http2_keepalive_timeout(Some(KEEPALIVE_WITHIN))
        .max_connection_age(CONNECTION_AGE)
        .max_connection_age_grace(CONNECTION_AGE_GRACE)
        .max_concurrent_streams(STREAMS_MAX)
        .http2_max_header_list_size(HEADERS_BYTES_MAX)
        .initial_stream_window_size(STREAM_WINDOW)
        .initial_connection_window_size(CONNECTION_WINDOW))
}

macro_rules! limited {
    ($server:ident, $desk:expr) => {
        $server::new($desk.clone())
            .accept_compressed(CompressionEncoding::Gzip)
            .max_decoding_message_size(MESSAGE_BYTES_MAX)
    };
}

fn routes(desk: &Desk) -> Result<Routes, tonic_reflection::server::Error> {
    let reflection = || {
        tonic_reflection::server::Builder::configure()
            .register_encoded_file_descriptor_set(fettler_proto::DESCRIPTORS)
            .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
    };
    Ok(Routes::new(limited!(ShopServiceServer, desk))
        .add_service(limited!(MachineServiceServer, desk))
        .add_service(limited!(InstallationServiceServer, desk))
        .add_service(limited!(PersonServiceServer, desk))
        .add_service(limited!(RunHoursServiceServer, desk))
        .add_service(limited!(PlannedUseServiceServer, desk))
        .add_service(limited!(DueServiceServer, desk))
        .add_service(limited!(DueCalendarServiceServer, desk))
        .add_service(limited!(OrderServiceServer, desk))
        .add_service(limited!(OutboundServiceServer, desk))
        .add_service(limited!(ReadingServiceServer, desk))
        .add_service(limited!(RoundServiceServer, desk))
        .add_service(limited!(FluidServiceServer, desk))
        .add_service(limited!(AuditServiceServer, desk))
        .add_service(limited!(StockServiceServer, desk))
        .add_service(limited!(ReviewServiceServer, desk))
        .add_service(limited!(FiguresServiceServer, desk))
        .add_service(limited!(JournalServiceServer, desk))
        .add_service(limited!(ProofServiceServer, desk))
        .add_service(reflection().build_v1()?)
        .add_service(reflection().build_v1alpha()?))
}
