//! Whether the service lives and is ready, and its figures.
//!
//! A service lives while it answers. It is ready while calls would be taken: not while its schema is brought up to date, not when its
//! store does not answer, and not once it is stopping.

use super::ALWAYS;
use crate::auth::Doorkeeper;
use crate::meters::{CONTENT_TYPE, Meters};
use crate::rpc::Desk;
use crate::tls::Peer;
use axum::Router;
use axum::extract::{Request, State};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use fettler_domain::ids::SiteId;
use fettler_store::contract::Store;
use http::{HeaderMap, StatusCode as Number, header};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::Mutex;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// How long an answer of the store to a probe holds, so that probes keep nobody waiting.
const ANSWER_HOLDS: Duration = Duration::from_secs(1);
/// How long the store may take to answer before the service is not ready.
const ANSWER_WITHIN: Duration = Duration::from_secs(5);

/// Who is given the figures.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum MetricsFor {
    /// Who asks from this computer, and not through a proxy on it.
    #[default]
    Loopback,
    /// Who has a token for the whole installation.
    Token,
    /// Whoever reaches the port.
    Open,
    /// Nobody.
    Off,
}

/// Answers probes.
pub(super) struct Probes {
    store: Arc<dyn Store>,
    stopping: CancellationToken,
    meters: Arc<Meters>,
    calls: TaskTracker,
    doorkeeper: Arc<Doorkeeper>,
    metrics_for: MetricsFor,
    /// When the store was asked last, and whether it answered.
    answered: Mutex<Option<(Instant, bool)>>,
}

/// The paths of the probes.
pub(super) fn paths(
    desk: &Desk,
    doorkeeper: Arc<Doorkeeper>,
    calls: TaskTracker,
    metrics_for: MetricsFor,
) -> Router {
    let probes = Probes {
        store: desk.store.clone(),
        stopping: desk.stopping.clone(),
        meters: desk.meters.clone(),
        calls,
        doorkeeper,
        metrics_for,
        answered: Mutex::new(None),
    };
    Router::new()
        .route("/live", get(live))
        .route("/ready", get(ready))
        .route("/metrics", get(metrics))
        .with_state(Arc::new(probes))
}

/// The same paths while the store is being opened: it lives, and is not ready.
pub(super) fn before() -> Router {
    let starting = async || (Number::SERVICE_UNAVAILABLE, ALWAYS, "starting\n");
    Router::new().route("/live", get(live)).fallback(starting)
}

async fn live() -> impl IntoResponse {
    (ALWAYS, "live\n")
}

async fn ready(State(probes): State<Arc<Probes>>) -> impl IntoResponse {
    if probes.stopping.is_cancelled() {
        (Number::SERVICE_UNAVAILABLE, ALWAYS, "stopping\n")
    } else if probes.store_answers().await {
        (Number::OK, ALWAYS, "ready\n")
    } else {
        (Number::SERVICE_UNAVAILABLE, ALWAYS, "the store does not answer\n")
    }
}

async fn metrics(State(probes): State<Arc<Probes>>, request: Request) -> Response {
    let may = match probes.metrics_for {
        MetricsFor::Off => return (Number::NOT_FOUND, ALWAYS, "figures are off\n").into_response(),
        MetricsFor::Open => true,
        MetricsFor::Loopback => is_from_here(&request),
        MetricsFor::Token => probes.has_token(request.headers()).await,
    };
    if !may && probes.metrics_for == MetricsFor::Token {
        let ask = [(header::WWW_AUTHENTICATE, "Bearer")];
        return (Number::UNAUTHORIZED, ask, ALWAYS, "show a token for the whole installation\n")
            .into_response();
    }
    if !may {
        let text = "figures are for this computer; --metrics says for whom else\n";
        return (Number::FORBIDDEN, ALWAYS, text).into_response();
    }
    let text = probes.meters.text(probes.calls.len()).await;
    ([(header::CONTENT_TYPE, CONTENT_TYPE)], ALWAYS, text).into_response()
}

/// Whether somebody asks from this computer. A proxy on it asks for others, and says so.
fn is_from_here(request: &Request) -> bool {
    let is_passed_on = ["forwarded", "x-forwarded-for", "x-real-ip", "via"]
        .iter()
        .any(|name| request.headers().contains_key(*name));
    let address = Peer::of(request.extensions()).address;
    !is_passed_on && address.is_some_and(|address| address.ip().to_canonical().is_loopback())
}

impl Probes {
    /// Whether the store answered within the last moment, or does now.
    async fn store_answers(&self) -> bool {
        let mut answered = self.answered.lock().await;
        if let Some((at, answers)) = *answered
            && at.elapsed() < ANSWER_HOLDS
        {
            return answers;
        }
        let answers = matches!(timeout(ANSWER_WITHIN, self.store.sites()).await, Ok(Ok(_)));
        *answered = Some((Instant::now(), answers));
        answers
    }

    async fn has_token(&self, headers: &HeaderMap) -> bool {
        let authorization = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
        let pass = self.doorkeeper.admit(authorization).await;
        pass.is_ok_and(|pass| pass.record.access.scope.holds(SiteId::INSTALLATION))
    }
}
