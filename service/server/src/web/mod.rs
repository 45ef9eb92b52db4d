//! The HTTP port: a second listener beside that of gRPC, for what speaks no gRPC.
//!
//! * `incoming`: its connections.
//! * `calendars`: due calendars, by secret addresses.
//! * `board`: pages for a screen and a tablet on the shop floor.
//! * `probes`: whether the service lives and is ready, and its figures.
//! * `calls`, `codec`: every call, in JSON; `openapi`: what they take and answer.
//!
//! Whether the service lives and is ready is told without a token; a call needs one as over gRPC.

mod board;
mod calendars;
mod calls;
mod codec;
mod faults;
mod incoming;
mod openapi;
mod probes;

pub use board::{BoardToken, BoardTokenError};

use crate::gate::GateLayer;
use crate::rpc::Desk;
use crate::tls::HttpTls;
use axum::Router;
use axum::routing::get;
use calls::Calls;
use http::{HeaderName, header};
pub use probes::MetricsFor;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tonic::service::Routes;
use tonic::transport::Server;
use tonic_web::GrpcWebLayer;
use tower::Layer as _;

/// Nothing that is answered may be taken for something else than it says, nor kept by others.
const ALWAYS: [(HeaderName, &str); 2] =
    [(header::X_CONTENT_TYPE_OPTIONS, "nosniff"), (header::CACHE_CONTROL, "no-store")];

/// Where to listen for HTTP, and how it is encrypted.
pub struct HttpPort {
    /// The socket.
    pub listener: TcpListener,
    /// What encrypts its connections; none for plain ones.
    pub tls: Option<HttpTls>,
    /// The token by which the board is shown without one; none where it asks for one.
    pub board: Option<BoardToken>,
    /// Who is given the figures.
    pub metrics_for: MetricsFor,
}

/// The paths of the port: whether the service lives and is ready, its figures, calendars, the board, and every call. It is not ready
/// any more once it is stopping.
pub(crate) fn paths(routes: Routes, gate: &GateLayer, desk: &Desk, port: &HttpPort) -> Router {
    let calendars = calendars::paths(desk, gate.doorkeeper());
    let doorkeeper = gate.doorkeeper();
    let probes = probes::paths(desk, gate.doorkeeper(), gate.calls(), port.metrics_for);
    let gate = gate.layer(routes.prepare());
    let board = board::paths(desk, doorkeeper, gate.clone(), port);
    let grpc_web = GrpcWebLayer::new().layer(gate.clone());
    let calls = Calls { gate, grpc_web, stopping: desk.stopping.clone() };
    Router::new()
        .route(
            "/openapi.json",
            get(async || ([(header::CONTENT_TYPE, "application/json")], openapi::DOCUMENT.clone())),
        )
        .fallback(calls::call)
        .with_state(calls)
        .merge(calendars)
        .merge(board)
        .merge(probes)
}

/// What the port answers while the store is being opened.
pub(crate) fn paths_before() -> Router {
    probes::before()
}

/// Serves the paths until `ended`: longer than gRPC, so that whoever asks is told that the service is stopping.
pub(crate) async fn run(
    server: Server,
    port: HttpPort,
    paths: Router,
    ended: CancellationToken,
) -> Result<(), tonic::transport::Error> {
    server
        .accept_http1(true)
        .add_routes(Routes::from(paths))
        .serve_with_incoming_shutdown(incoming::connections(port), ended.cancelled_owned())
        .await
}
