//! What all pages of the board have in common: their head, what they may do in a browser, and how a refusal is told.

use super::words::sentence;
use crate::status::http_status;
use crate::web::ALWAYS;
use axum::response::{IntoResponse as _, Response};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use http::{HeaderName, HeaderValue, StatusCode as Number, header};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest as _, Sha256};
use std::sync::LazyLock;
use tonic::Status;

/// Seconds after which a page that could not be made just then is asked for again.
const AGAIN_SECONDS: u32 = 15;
/// How pages look.
const LOOK: &str = include_str!("look.css");

/// What a page may do: be shown with this look, and send its forms back here. Nothing else, whatever was written into it.
static POLICY: LazyLock<HeaderValue> = LazyLock::new(|| {
    let look = STANDARD.encode(Sha256::digest(LOOK.as_bytes()));
    let policy = format!(
        "default-src 'none'; style-src 'sha256-{look}'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    );
    HeaderValue::from_str(&policy).expect("it is plain text")
});

/// A page as it is answered.
pub(super) struct Answer {
    status: Number,
    headers: Vec<(HeaderName, HeaderValue)>,
    page: String,
}

impl Answer {
    /// With another number.
    pub(super) fn status(self, status: Number) -> Answer {
        Answer { status, ..self }
    }

    /// With one more header.
    pub(super) fn with(mut self, name: HeaderName, value: HeaderValue) -> Answer {
        self.headers.push((name, value));
        self
    }

    /// Asked for again in a moment, where that may well be answered.
    pub(super) fn again_if_passing(self) -> Answer {
        if !is_passing(self.status) {
            return self;
        }
        let soon = HeaderValue::from(AGAIN_SECONDS);
        self.with(HeaderName::from_static("refresh"), soon)
    }

    /// Asked for again after so many seconds, at this address.
    pub(super) fn again(self, seconds: u32, address: &str) -> Answer {
        match HeaderValue::from_str(&format!("{seconds}; url={address}")) {
            Ok(value) => self.with(HeaderName::from_static("refresh"), value),
            Err(_) => self,
        }
    }
}

/// A page: its title, what it is (for its look), and its body.
pub(super) fn page(title: &str, kind: &str, body: &Markup) -> Answer {
    let page = html! {
        (DOCTYPE)
        html lang="en-GB" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(LOOK)) }
            }
            body class=(kind) { (body) }
        }
    };
    Answer { status: Number::OK, headers: Vec::new(), page: page.into_string() }
}

/// That what is asked for is elsewhere.
pub(super) fn elsewhere(address: &str) -> Answer {
    let to = HeaderValue::from_str(address).unwrap_or(HeaderValue::from_static("/board"));
    Answer { status: Number::SEE_OTHER, headers: vec![(header::LOCATION, to)], page: String::new() }
}

/// A page that says one thing.
pub(super) fn plain(title: &str, text: &str) -> Answer {
    let body = html! {
        main {
            h1 { (title) }
            p { (text) }
            p { a href="/board" { "To the board" } }
        }
    };
    page(title, "note", &body)
}

/// A refusal of a call as a page.
pub(super) fn failed(status: &Status) -> Answer {
    let number = http_status(status.code());
    let title = match number {
        Number::NOT_FOUND => "There is no such thing",
        Number::FORBIDDEN => "The token may not do this",
        number if is_passing(number) => "Not just now",
        _ => "This cannot be shown",
    };
    let body = html! {
        main {
            h1 { (title) }
            p { (sentence(status.message())) "." }
            @if is_passing(number) {
                p { "Load this page again in a moment. A form that was sent is sent again by that, and counts once." }
            }
            p { a href="/board" { "To the board" } " · " a href="/board/enter" { "Enter another token" } }
        }
    };
    page(title, "note", &body).status(number)
}

/// Whether the same, sent again in a moment, may well be answered.
pub(super) fn is_passing(number: Number) -> bool {
    [Number::CONFLICT, Number::TOO_MANY_REQUESTS, Number::SERVICE_UNAVAILABLE, Number::GATEWAY_TIMEOUT]
        .contains(&number)
}

/// The answer to a request.
pub(super) fn answered(shown: Result<Answer, Answer>) -> Response {
    let (Ok(answer) | Err(answer)) = shown;
    let kind = (header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
    // A form sent to this service says where it comes from; nobody else is told.
    let referrer = (header::REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    let mut response = (answer.status, ALWAYS, answer.page).into_response();
    let policy = (header::CONTENT_SECURITY_POLICY, POLICY.clone());
    let headers = response.headers_mut();
    for (name, value) in [kind, referrer, policy].into_iter().chain(answer.headers) {
        // Each cookie has a line of its own.
        if name == header::SET_COOKIE {
            headers.append(name, value);
        } else {
            headers.insert(name, value);
        }
    }
    response
}
