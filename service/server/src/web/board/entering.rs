//! Entering a token in a browser, and leaving again. A token comes by a form and never by an address, and is kept by neither side.

use super::page::{self, Answer};
use super::requests::{self, Typed};
use super::sessions::Purpose;
use super::{Board, Shown, closing};
use crate::auth::Pass;
use crate::policy;
use crate::status::Failure;
use crate::tls::Peer;
use axum::extract::{Request, State};
use axum::response::Response;
use fettler_proto::Method;
use http::{HeaderValue, StatusCode as Number, header};
use maud::{Markup, html};
use std::sync::Arc;

/// Where somebody was when they were asked for a token, and what they had typed there.
#[derive(Default)]
struct From {
    site: String,
    order: String,
    kept: String,
}

impl From {
    fn of(typed: &Typed) -> From {
        let of = |name| typed.get(name).to_owned();
        From { site: of("site"), order: of("order"), kept: of("kept") }
    }

    /// The number of the order's page on which they were.
    fn order(&self) -> Option<i64> {
        self.order.parse().ok()
    }
}

/// The page that asks for a token, in the place of another.
pub(super) fn asked(query: &Typed, has_ended: bool) -> Answer {
    let said = has_ended.then_some(
        "What was entered in this browser has ended, or its token was taken back. Enter a token again.",
    );
    asked_of(&From::of(query), said, None)
}

/// The same for a page of an order; what was typed there is kept for after.
pub(super) fn asked_on(order: i64, site: &str, typed: Option<&Typed>, has_ended: bool) -> Answer {
    let kept = typed.map(|typed| typed.without(&["pin", "mark"]).encoded()).unwrap_or_default();
    let said = match (has_ended, kept.is_empty()) {
        (true, true) => Some(
            "What was entered in this browser has ended, or its token was taken back. Enter a token again.",
        ),
        (true, false) => Some(
            "What was entered in this browser has ended, or its token was taken back. Nothing was recorded yet; what you typed is kept, save for a PIN, and stands there again once a token is entered.",
        ),
        (false, _) => Some("To close an order, enter a token first."),
    };
    asked_of(&From { site: site.to_owned(), order: order.to_string(), kept }, said, None)
}

fn asked_of(from: &From, said: Option<&str>, wrong: Option<&str>) -> Answer {
    let body = html! {
        main {
            h1 { "Enter a token" }
            @if let Some(said) = said { p.said { (said) } }
            p { "An administrator makes one: " code { "fettlerd token add \"tablet in hall A\" --role technician" } "." }
            form method="post" action="/board/enter" {
                @for (name, value) in [("site", &from.site), ("order", &from.order), ("kept", &from.kept)] {
                    @if !value.is_empty() { input type="hidden" name=(name) value=(value); }
                }
                (token_field(wrong))
                (purposes())
                p { button type="submit" { "Enter" } }
            }
        }
    };
    let answer = page::page("Enter a token", "note", &body).status(Number::UNAUTHORIZED);
    answer.with(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"))
}

fn token_field(wrong: Option<&str>) -> Markup {
    html! {
        div.field {
            label for="token" { "Token" }
            @if let Some(wrong) = wrong { p.wrong #token-wrong { "Not entered: " (wrong) "." } }
            input #token name="token" type="password" autocomplete="off" autofocus spellcheck="false"
                aria-describedby=[wrong.map(|_| "token-wrong")] aria-invalid=[wrong.map(|_| "true")];
        }
    }
}

fn purposes() -> Markup {
    let all = [
        (
            "work",
            "Somebody works at it",
            "It shows names and closes orders. The token is to be entered again after 12 hours.",
        ),
        (
            "screen",
            "It hangs on a wall",
            "It shows the board in large letters, without names, and closes nothing. It ends after 90 days.",
        ),
    ];
    html! {
        fieldset {
            legend { "What is this browser for?" }
            @for (value, title, text) in all {
                div.choice {
                    input type="radio" name="purpose" id=(value) value=(value) checked[value == "work"];
                    label for=(value) { (title) " " span.more { (text) } }
                }
            }
        }
    }
}

/// Asks for a token.
pub(super) async fn form(request: Request) -> Response {
    let query = Typed::parse(request.uri().query().unwrap_or_default().as_bytes());
    page::answered(Ok(asked_of(&From::of(&query), None, None).status(Number::OK)))
}

/// Takes a token.
pub(super) async fn enter(State(board): State<Arc<Board>>, request: Request) -> Response {
    page::answered(entered(&board, request).await)
}

async fn entered(board: &Board, request: Request) -> Shown {
    board.goes_on()?;
    let (parts, body) = request.into_parts();
    if !requests::is_from_here(&parts.headers, &parts.uri) {
        return Err(foreign());
    }
    let typed = Typed::read(body).await.ok_or_else(too_large)?;
    let from = From::of(&typed);
    let peer = Peer::of(&parts.extensions);
    let pass = match admitted(board, typed.get("token")).await {
        Ok(pass) => pass,
        Err(failure) if failure.is_of_the_caller() => {
            board.doorkeeper.tell_refused("board", &failure, peer.address, None);
            return Err(asked_of(&from, None, Some(&failure.to_string())));
        }
        Err(failure) => return Err(page::failed(&failure.into())),
    };
    let purpose = if typed.get("purpose") == "screen" { Purpose::Screen } else { Purpose::Work };
    if let Some(before) = board.cookie(&parts.headers) {
        board.sessions.end(before);
    }
    let secret = board.sessions.begin(pass, purpose, board.clock.now()).map_err(|error| {
        tracing::error!(%error, "no random bits for a session");
        page::failed(&Failure::Broken.into())
    })?;
    let is_encrypted = requests::is_encrypted(board.is_encrypted, &parts.headers);
    let cookies = requests::kept(&secret, purpose, is_encrypted);
    let answer = match (from.order(), board.sessions.find(&secret, board.clock.now())) {
        (Some(order), Some(session)) if purpose == Purpose::Work => {
            let kept = Typed::parse(from.kept.as_bytes());
            closing::entered(board, session, peer, (order, &from.site), &kept).await
        }
        _ if purpose == Purpose::Screen => page::elsewhere(&with_site("/board?wall=1", "&", &from.site)),
        _ => page::elsewhere(&with_site("/board", "?", &from.site)),
    };
    Ok(with_cookies(answer, cookies))
}

fn with_cookies(answer: Answer, lines: [HeaderValue; 2]) -> Answer {
    lines.into_iter().fold(answer, |answer, line| answer.with(header::SET_COOKIE, line))
}

fn with_site(address: &str, sign: &str, site: &str) -> String {
    if site.is_empty() {
        return address.to_owned();
    }
    let query = form_urlencoded::Serializer::new(String::new()).append_pair("site", site).finish();
    format!("{address}{sign}{query}")
}

/// Whoever shows a token that reads the board.
async fn admitted(board: &Board, token: &str) -> Result<Pass, Failure> {
    let pass = board.doorkeeper.admit(Some(&format!("Bearer {token}"))).await?;
    policy::may(&pass.record.access, Method::ListDue)?;
    Ok(pass)
}

/// Ends a session.
pub(super) async fn leave(State(board): State<Arc<Board>>, request: Request) -> Response {
    let (parts, body) = request.into_parts();
    let (cookie, typed) = (board.cookie(&parts.headers), Typed::read(body).await.unwrap_or_default());
    let session = cookie.and_then(|cookie| board.sessions.find(cookie, board.clock.now()));
    let Some(session) = session else { return page::answered(Ok(page::elsewhere("/board"))) };
    if !requests::is_from_here(&parts.headers, &parts.uri) || !requests::has_mark(&typed, &session) {
        return page::answered(Err(foreign()));
    }
    board.sessions.end(cookie.unwrap_or_default());
    let left = page::plain("Left", "Nothing of the token is kept in this browser any more.");
    page::answered(Ok(with_cookies(left, requests::forgotten())))
}

/// That a form was not sent from a page of this service.
pub(super) fn foreign() -> Answer {
    let text = "The form was not sent from a page of this service, or from one of an earlier session. Nothing was recorded: open the page anew and send it again.";
    page::plain("Not taken", text).status(Number::FORBIDDEN)
}

/// That a form is too large.
pub(super) fn too_large() -> Answer {
    let text =
        "What was sent is larger than a form of this service can be, or it broke off. Nothing was recorded.";
    page::plain("Too large", text).status(Number::PAYLOAD_TOO_LARGE)
}
