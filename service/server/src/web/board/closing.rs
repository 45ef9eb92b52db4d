//! An order's page and its closing: what is asked for, what becomes of what was typed, and what is shown then.

use super::asking::Asker;
use super::form::{self, Complaints, Said};
use super::page::{self, Answer};
use super::requests::{self, Typed};
use super::sessions::Session;
use super::shown::{self, View};
use super::time::Teller;
use super::{Board, Reader, Shown, closed_page, entering, order_page};
use crate::policy;
use crate::status::{Failure, http_status};
use crate::tls::Peer;
use crate::wire::time::stamp;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use fettler_proto::{Method, v1};
use http::StatusCode as Number;
use http::request::Parts;
use std::sync::Arc;
use tonic::Status;

/// An order with all that its page shows.
pub(super) struct Job {
    /// The order as the due list shows it.
    pub(super) item: v1::DueItem,
    /// Why its machine must not start; none where it may.
    pub(super) forbidden: Option<String>,
    /// Its window in words.
    pub(super) window: String,
    /// The test points that it, and what it covers, asks for.
    pub(super) points: Vec<v1::TestPoint>,
    /// Its task as declared; empty for an order raised by hand.
    pub(super) task: v1::TaskCard,
    /// The tasks that are done with it: key and title.
    pub(super) covers: Vec<(String, String)>,
    /// The names of people.
    pub(super) people: Vec<String>,
    /// Whether a PIN is asked for.
    pub(super) asks_pin: bool,
    /// Whether the reader's token closes orders.
    pub(super) closes: bool,
}

/// A reader at a site.
pub(super) struct Desk {
    asker: Asker,
    /// The site and how its pages are addressed.
    pub(super) view: View,
    /// Tells times of the site, as of now.
    pub(super) teller: Teller,
    /// Who reads.
    reader: Reader,
    /// What their forms hold.
    pub(super) session: Session,
}

/// Shows an order.
pub(super) async fn form(
    State(board): State<Arc<Board>>,
    Path(number): Path<i64>,
    request: Request,
) -> Response {
    let (parts, _) = request.into_parts();
    page::answered(shown(&board, &parts, number).await)
}

async fn shown(board: &Board, parts: &Parts, number: i64) -> Shown {
    let desk = desk(board, parts, number, None).await?;
    desk.order(number, &Typed::default(), &Complaints::default()).await
}

/// Takes a closing.
pub(super) async fn close(
    State(board): State<Arc<Board>>,
    Path(number): Path<i64>,
    request: Request,
) -> Response {
    page::answered(closed(&board, request, number).await)
}

async fn closed(board: &Board, request: Request, number: i64) -> Shown {
    let (parts, body) = request.into_parts();
    if !requests::is_from_here(&parts.headers, &parts.uri) {
        return Err(entering::foreign());
    }
    let typed = Typed::read(body).await.ok_or_else(entering::too_large)?;
    let desk = desk(board, &parts, number, Some(&typed)).await?;
    if !requests::has_mark(&typed, &desk.session) {
        let text = "Nothing was recorded: the form is of an earlier session. Look it over and send it again.";
        return desk.order(number, &typed, &Complaints::other(text)).await;
    }
    let said = match form::read(&typed, number, &desk.view.site.key, desk.teller) {
        Ok(said) => said,
        Err(wrong) => return desk.order(number, &typed, &wrong).await,
    };
    match desk.asker.close_order(said.request.clone(), typed.get("pin")).await {
        Ok(answer) => Ok(closed_page::done(&answer, &desk)),
        Err(status) => refused(&desk, number, &typed, &said, &status).await,
    }
}

/// What is shown when the service takes a closing not.
async fn refused(desk: &Desk, number: i64, typed: &Typed, said: &Said, status: &Status) -> Shown {
    match http_status(status.code()) {
        Number::UNAUTHORIZED => {
            return Err(entering::asked_on(number, &desk.view.site.key, Some(typed), true));
        }
        passing if page::is_passing(passing) => return Ok(closed_page::again(number, typed, desk, status)),
        _ => {}
    }
    match desk.ended(number).await? {
        Some(order) => Ok(closed_page::meanwhile(&order, typed, desk)),
        None => desk.order(number, typed, &said.refused(status)).await,
    }
}

/// The page of an order right after a token was entered there, with what had been typed before.
pub(super) async fn entered(
    board: &Board,
    session: Session,
    peer: Peer,
    (number, site): (i64, &str),
    kept: &Typed,
) -> Answer {
    let reader = Reader { pass: session.pass.clone(), session: Some(session) };
    let said = if kept.has("request") {
        Complaints::other("The token is entered. What you typed stands here again; nothing was recorded yet.")
    } else {
        Complaints::default()
    };
    let (Ok(answer) | Err(answer)) = async {
        let desk = at(board, reader, peer, site).await?;
        desk.order(number, kept, &said).await
    }
    .await;
    answer
}

/// Whoever works at a page of an order; else the page that asks for a token.
async fn desk(board: &Board, parts: &Parts, number: i64, typed: Option<&Typed>) -> Result<Desk, Answer> {
    board.goes_on()?;
    let query = Typed::parse(parts.uri.query().unwrap_or_default().as_bytes());
    let peer = Peer::of(&parts.extensions);
    let reader =
        board.reader(&parts.headers, &peer).await.map_err(|failure| page::failed(&failure.into()))?;
    match reader {
        Some(reader) if reader.works() => at(board, reader, peer, query.get("site")).await,
        reader => {
            let is_screen = reader.is_some_and(|reader| reader.session.is_some());
            let has_ended = board.cookie(&parts.headers).is_some() && !is_screen;
            Err(entering::asked_on(number, query.get("site"), typed, has_ended))
        }
    }
}

async fn at(board: &Board, reader: Reader, peer: Peer, site: &str) -> Result<Desk, Answer> {
    let session = reader.session.clone().ok_or_else(|| page::failed(&Failure::TokenMissing.into()))?;
    let asker = board.asker(&reader, peer);
    let sites = asker.sites().await.map_err(|status| page::failed(&status))?;
    let Some(site) = shown::chosen(&sites, site) else {
        return Err(super::sheet::sites(&sites, &reader));
    };
    let teller = Teller::new(&site.zone, Some(&stamp(board.clock.now())));
    let view = View::of(&Typed::default(), site.clone(), sites.len() > 1);
    Ok(Desk { asker, view, teller, reader, session })
}

impl Desk {
    /// An order's page: with its form while it is open, else with what became of it.
    async fn order(&self, number: i64, typed: &Typed, wrong: &Complaints) -> Shown {
        if let Some(order) = self.ended(number).await? {
            let next = self.next(&order).await;
            return Ok(closed_page::ended(&order, next.as_ref(), self));
        }
        let job = self.job(number).await.map_err(|status| page::failed(&status))?;
        let id = if typed.has("request") { typed.get("request").to_owned() } else { request_id()? };
        let page = order_page::page(&job, self, &id, typed, wrong);
        let is_wrong = wrong.each().next().is_some() || !wrong.others.is_empty();
        Ok(if is_wrong { page.status(Number::UNPROCESSABLE_ENTITY) } else { page })
    }

    /// The order, where it is open no more.
    async fn ended(&self, number: i64) -> Result<Option<v1::Order>, Answer> {
        let ask = v1::GetOrderRequest { site: self.view.site.key.clone(), order: number };
        let order = self.asker.get_order(ask).await.map_err(|status| page::failed(&status))?.order;
        Ok(order.filter(|order| order.state() != v1::OrderState::Open))
    }

    /// The order that stands open after one; none for what was raised, and where a rule has ended.
    async fn next(&self, order: &v1::Order) -> Option<v1::DueItem> {
        let (machine, task) = (order.machine.clone(), order.task.clone());
        if task.is_empty() {
            return None;
        }
        let ask = v1::ExplainOrderRequest { site: self.view.site.key.clone(), machine, task, order: 0 };
        self.asker.explain_order(ask).await.ok()?.item
    }

    async fn job(&self, number: i64) -> Result<Job, Status> {
        let site = || self.view.site.key.clone();
        let ask = v1::ExplainOrderRequest { site: site(), order: number, ..Default::default() };
        let explained = self.asker.explain_order(ask).await?;
        let item = explained.item.unwrap_or_default();
        let ask = v1::GetMachineRequest { site: site(), machine: item.machine.clone() };
        let (machine, shop, people) = futures::try_join!(
            self.asker.get_machine(ask),
            self.asker.get_shop(v1::GetShopRequest { site: site() }),
            self.asker.people(),
        )?;
        let must_not_start = |machine: &v1::Machine| machine.state() == v1::MachineState::Forbidden;
        let forbidden = machine.machine.filter(must_not_start).map(|machine| machine.reason);
        let (card, shop) = (machine.card.unwrap_or_default(), shop.shop.unwrap_or_default());
        let task = declared(&shop, &card, &item.task).cloned().unwrap_or_default();
        let covered: Vec<v1::TaskCard> =
            task.covers.iter().filter_map(|key| declared(&shop, &card, key).cloned()).collect();
        let mut keys: Vec<&String> =
            item.readings.iter().chain(covered.iter().flat_map(|of| &of.readings)).collect();
        keys.dedup();
        let of = |key: &String| card.points.iter().find(|point| point.key == *key).cloned();
        let bare = |key: &String| v1::TestPoint { key: key.clone(), ..Default::default() };
        let mut points: Vec<v1::TestPoint> = Vec::new();
        for key in keys {
            if !points.iter().any(|point| point.key == *key) {
                points.push(of(key).unwrap_or_else(|| bare(key)));
            }
        }
        let access = &self.reader.pass.record;
        Ok(Job {
            forbidden,
            window: explained.window,
            points,
            covers: covered.into_iter().map(|task| (task.key, task.title)).collect(),
            task,
            people,
            asks_pin: shop.site.unwrap_or_default().asks_pin() && access.person.is_none(),
            closes: policy::may(&access.access, Method::CloseOrder).is_ok(),
            item,
        })
    }
}

/// A task of a machine: its own stands before that of a sheet.
fn declared<'a>(shop: &'a v1::Shop, card: &'a v1::MachineCard, key: &str) -> Option<&'a v1::TaskCard> {
    let sheets = card.sheets.iter().filter_map(|key| shop.sheets.iter().find(|sheet| sheet.key == *key));
    card.tasks.iter().chain(sheets.flat_map(|sheet| &sheet.tasks)).find(|task| task.key == key)
}

/// An id for a closing: what is sent twice is recorded once.
fn request_id() -> Result<String, Answer> {
    let mut bytes = [0_u8; 16];
    getrandom::fill(&mut bytes).map_err(|error| {
        tracing::error!(%error, "no random bits for a request id");
        page::failed(&Failure::Broken.into())
    })?;
    Ok(uuid::Builder::from_random_bytes(bytes).into_uuid().to_string())
}
