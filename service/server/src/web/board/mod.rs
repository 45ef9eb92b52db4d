//! The board: pages for a screen on the shop floor and for a tablet, in plain HTML that runs nothing.
//!
//! * `sessions`: who has entered a token in a browser; `requests`: what a browser sends, judged and read.
//! * `asking`: the calls that a page makes, through the gate as any caller's.
//! * `shown`, `sheet`, `beside`, `wall`: what the board shows, gathered and written.
//! * `closing`, `form`, `order_page`, `closed_page`: an order and its closing, asked for, judged and written.
//! * `page`, `words`, `time`: what all pages have in common.
//!
//! A page knows nothing that a call does not tell: it has no way of its own to the store.

mod asking;
mod beside;
mod closed_page;
mod closing;
mod entering;
mod form;
mod order_page;
mod page;
mod requests;
mod sessions;
mod sheet;
mod shown;
mod time;
mod wall;
mod words;

use super::HttpPort;
use super::calendars::Remembered;
use crate::auth::{Doorkeeper, Pass};
use crate::clock::Clock;
use crate::gate::Gate;
use crate::rpc::Desk;
use crate::status::{Failure, Then};
use crate::tls::Peer;
use asking::Asker;
use axum::Router;
use axum::extract::{RawQuery, Request, State};
use axum::response::Response;
use axum::routing::{get, post};
use http::HeaderMap;
use http::request::Parts;
use page::Answer;
use requests::Typed;
use sessions::{Purpose, Session, Sessions};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::Semaphore;
use tokio_util::sync::CancellationToken;
use tonic::Status;
use tonic::service::Routes;

/// How long a board without names is shown again as it was gathered, so that nobody keeps the store busy by asking fast. Whoever works sees
/// it gathered anew.
const GATHERED_FOR: Duration = Duration::from_secs(5);
/// Boards that are gathered at once; more wait their turn.
const AT_ONCE: usize = 4;

/// A token by which the board is shown to whoever reaches the port.
pub struct BoardToken(String);

/// Why a file holds no token for the board.
#[derive(Debug, thiserror::Error)]
#[error("cannot read the board's token in {path}; `fettlerd token add` prints one to put there")]
pub struct BoardTokenError {
    /// The file.
    path: PathBuf,
    /// What went wrong.
    source: std::io::Error,
}

impl BoardToken {
    /// The token in a file.
    pub fn read(path: &Path) -> Result<BoardToken, BoardTokenError> {
        let text = std::fs::read_to_string(path);
        let text = text.map_err(|source| BoardTokenError { path: path.to_owned(), source })?;
        Ok(BoardToken(format!("Bearer {}", text.trim())))
    }
}

/// What answers for the board.
struct Board {
    gate: Gate<Routes>,
    doorkeeper: Arc<Doorkeeper>,
    clock: Arc<dyn Clock>,
    stopping: CancellationToken,
    sessions: Sessions,
    /// What stands in the place of a token where none is entered.
    open: Option<String>,
    /// Whether the port encrypts its connections.
    is_encrypted: bool,
    /// What was gathered for readers who see no names.
    gathered: Remembered<String, shown::Board>,
    turns: Semaphore,
}

/// Who reads a page.
#[derive(Clone)]
struct Reader {
    pass: Pass,
    /// Whose token was entered; none for whoever reads without one.
    session: Option<Session>,
}

impl Reader {
    /// Whether somebody sits before it who works: they see names, and close orders.
    fn works(&self) -> bool {
        self.session.as_ref().is_some_and(|session| session.purpose == Purpose::Work)
    }
}

/// The paths of the board.
pub(super) fn paths(desk: &Desk, doorkeeper: Arc<Doorkeeper>, gate: Gate<Routes>, port: &HttpPort) -> Router {
    let board = Board {
        gate,
        doorkeeper,
        clock: desk.clock.clone(),
        stopping: desk.stopping.clone(),
        sessions: Sessions::default(),
        open: port.board.as_ref().map(|token| token.0.clone()),
        is_encrypted: port.tls.is_some(),
        gathered: Remembered::new(GATHERED_FOR),
        turns: Semaphore::new(AT_ONCE),
    };
    Router::new()
        .route("/", get(front))
        .route("/board", get(sheet))
        .route("/board/enter", get(entering::form).post(entering::enter))
        .route("/board/leave", post(entering::leave))
        .route("/board/order/{number}", get(closing::form).post(closing::close))
        .with_state(Arc::new(board))
}

/// Who typed the service's address alone wants the board, as what stands behind it asks for.
async fn front(RawQuery(query): RawQuery) -> Response {
    let asked = query.map(|query| format!("?{query}")).unwrap_or_default();
    page::answered(Ok(page::elsewhere(&format!("/board{asked}"))))
}

/// What becomes of a request: a page, or the page that says why not.
type Shown = Result<Answer, Answer>;

impl Board {
    /// The secret in the cookie of a session, as the connection lets it count.
    fn cookie<'a>(&self, headers: &'a HeaderMap) -> Option<&'a str> {
        requests::cookie(headers, requests::is_encrypted(self.is_encrypted, headers))
    }

    /// Who reads, by the session in their cookie, else as whoever reaches the port; none where a token is to be entered.
    async fn reader(&self, headers: &HeaderMap, peer: &Peer) -> Result<Option<Reader>, Failure> {
        let cookie = self.cookie(headers);
        if let Some(session) = cookie.and_then(|cookie| self.sessions.find(cookie, self.clock.now())) {
            match session.pass.renewed().await {
                Ok(pass) => return Ok(Some(Reader { pass, session: Some(session) })),
                // The token was taken back, or is over; so is what was entered by it.
                Err(failure) if failure.is_of_the_caller() => {
                    self.sessions.end(cookie.unwrap_or_default());
                    self.doorkeeper.tell_refused("board", &failure, peer.address, None);
                }
                Err(failure) => return Err(failure),
            }
        }
        let Some(open) = &self.open else { return Ok(None) };
        match self.doorkeeper.admit(Some(open)).await {
            Ok(pass) => Ok(Some(Reader { pass, session: None })),
            Err(failure) if failure.is_of_the_caller() => {
                self.doorkeeper.tell_refused("board", &failure, peer.address, None);
                Ok(None)
            }
            Err(failure) => Err(failure),
        }
    }

    /// What asks for a reader.
    fn asker(&self, reader: &Reader, peer: Peer) -> Asker {
        Asker::new(self.gate.clone(), reader.pass.clone(), peer)
    }

    /// What is to be shown. It is the same for all who see no names and may see the site.
    async fn gathered(
        &self,
        asker: &Asker,
        view: &shown::View,
        with_names: bool,
    ) -> Result<Arc<shown::Board>, Status> {
        let key = view.key();
        let remembered = || self.gathered.get(&key).filter(|_| !with_names);
        if let Some(board) = remembered() {
            return Ok(board);
        }
        let _turn = self.turns.acquire().await.map_err(|_| Failure::Broken)?;
        // Others who asked for it may have had it gathered meanwhile.
        if let Some(board) = remembered() {
            return Ok(board);
        }
        let begun = Instant::now();
        let board = Arc::new(shown::gather(asker, view, with_names).await?);
        if !with_names {
            self.gathered.keep(key, begun, board.clone());
        }
        Ok(board)
    }

    /// Refuses what is asked once the service stops.
    fn goes_on(&self) -> Result<(), Answer> {
        if self.stopping.is_cancelled() {
            Err(page::failed(&Failure::Stopping(Then::AskAgain).into()))
        } else {
            Ok(())
        }
    }
}

/// The board itself.
async fn sheet(State(board): State<Arc<Board>>, request: Request) -> Response {
    let (parts, _) = request.into_parts();
    let shown = shown_sheet(&board, &parts).await;
    // Nobody is there to ask for it again on a wall.
    page::answered(shown.map_err(Answer::again_if_passing))
}

async fn shown_sheet(board: &Board, parts: &Parts) -> Shown {
    board.goes_on()?;
    let peer = Peer::of(&parts.extensions);
    let query = Typed::parse(parts.uri.query().unwrap_or_default().as_bytes());
    let reader =
        board.reader(&parts.headers, &peer).await.map_err(|failure| page::failed(&failure.into()))?;
    let ended = board.cookie(&parts.headers).is_some();
    let Some(reader) = reader else { return Err(entering::asked(&query, ended)) };
    let asker = board.asker(&reader, peer);
    let sites = asker.sites().await.map_err(|status| page::failed(&status))?;
    let Some(site) = shown::chosen(&sites, query.get("site")) else {
        return Ok(sheet::sites(&sites, &reader));
    };
    let view = shown::View::of(&query, site.clone(), sites.len() > 1);
    let shown =
        board.gathered(&asker, &view, reader.works()).await.map_err(|status| page::failed(&status))?;
    Ok(match view.wall {
        Some(part) => wall::page(&shown, &view, &reader, part),
        None => sheet::page(&shown, &view, &reader),
    })
}
