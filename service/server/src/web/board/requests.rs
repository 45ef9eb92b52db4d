//! What a browser sends: its cookie, from which page it comes, and what was typed into a form.

use super::sessions::{Purpose, Session};
use axum::body::Body;
use form_urlencoded::Serializer;
use http::uri::Authority;
use http::{HeaderMap, HeaderName, HeaderValue, Uri, header};

/// The cookie of a session. Browsers take one of the first name from an encrypted connection alone, and from no other host.
const COOKIES: [&str; 2] = ["__Host-fettler-board", "fettler-board"];
/// The most bytes of a form: a note of 4,000 signs, each of four bytes written as twelve, and all else beside it.
const FORM_BYTES_MAX: usize = 96 << 10;

/// The secret in the cookie of a session. One of the second name may be of another host or an unencrypted page, which puts its own session
/// upon a reader: it counts where nothing is encrypted, and there after the first.
pub(super) fn cookie(headers: &HeaderMap, is_encrypted: bool) -> Option<&str> {
    let safe = named(headers, COOKIES[0]);
    if is_encrypted { safe } else { safe.or_else(|| named(headers, COOKIES[1])) }
}

/// What a cookie holds.
fn named<'a>(headers: &'a HeaderMap, wanted: &str) -> Option<&'a str> {
    let lines = headers.get_all(header::COOKIE).into_iter().filter_map(|line| line.to_str().ok());
    let mut pairs = lines.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(name, _)| *name == wanted).map(|(_, value)| value)
}

/// Whether what the browser keeps may travel over encrypted connections alone: the port encrypts, or a proxy before it says that it does.
/// Whoever lies about that keeps only their own cookie from going out unencrypted.
pub(super) fn is_encrypted(port: bool, headers: &HeaderMap) -> bool {
    port || headers.get("x-forwarded-proto").is_some_and(|scheme| scheme == "https")
}

/// The lines that have a browser keep a session's secret, until it ends, and forget one of the other name.
pub(super) fn kept(secret: &str, purpose: Purpose, is_encrypted: bool) -> [HeaderValue; 2] {
    [set("", 0, !is_encrypted), set(secret, purpose.seconds(), is_encrypted)]
}

/// The lines that have a browser forget it, under either name.
pub(super) fn forgotten() -> [HeaderValue; 2] {
    [set("", 0, false), set("", 0, true)]
}

fn set(secret: &str, seconds: i64, is_encrypted: bool) -> HeaderValue {
    let (name, secure) = if is_encrypted { (COOKIES[0], "; Secure") } else { (COOKIES[1], "") };
    let line = format!("{name}={secret}; Path=/; HttpOnly; SameSite=Strict; Max-Age={seconds}{secure}");
    HeaderValue::from_str(&line).expect("a secret is letters, digits and hyphens")
}

/// Whether a form was sent from a page of this service, as far as the browser tells: by `Sec-Fetch-Site` (W3C Fetch Metadata), which it
/// sends over connections that it trusts, else by `Origin` (RFC 6454). What tells neither is no browser, and has no cookie to misuse.
pub(super) fn is_from_here(headers: &HeaderMap, address: &Uri) -> bool {
    let text = |name: HeaderName| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = text(HeaderName::from_static("sec-fetch-site")) {
        return matches!(site, "same-origin" | "none");
    }
    let Some(origin) = text(header::ORIGIN) else { return true };
    // HTTP/2 tells the host within the address.
    let own = address.authority().map(Authority::as_str).or(text(header::HOST));
    origin.split_once("://").is_some_and(|(_, host)| Some(host) == own)
}

/// Whether a form has the mark of its session.
pub(super) fn has_mark(typed: &Typed, session: &Session) -> bool {
    // Both are hashed, so that how long it takes to compare them tells nothing.
    crate::auth::hash(typed.get("mark")) == crate::auth::hash(&session.mark)
}

/// What was typed into a form, in its order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Typed(Vec<(String, String)>);

impl Typed {
    /// Reads `application/x-www-form-urlencoded`.
    pub(super) fn parse(bytes: &[u8]) -> Typed {
        let pairs = form_urlencoded::parse(bytes);
        // Browsers end the lines of a note by two signs.
        Typed(pairs.map(|(name, value)| (name.into_owned(), value.replace("\r\n", "\n"))).collect())
    }

    /// Reads a body; none where it is too large or broke off.
    pub(super) async fn read(body: Body) -> Option<Typed> {
        let bytes = axum::body::to_bytes(body, FORM_BYTES_MAX).await.ok()?;
        Some(Typed::parse(&bytes))
    }

    /// What stands in a field, without space around it; empty where nothing does.
    pub(super) fn get(&self, name: &str) -> &str {
        self.0.iter().find(|(of, _)| of == name).map_or("", |(_, value)| value.trim())
    }

    /// Whether something stands in a field.
    pub(super) fn has(&self, name: &str) -> bool {
        !self.get(name).is_empty()
    }

    /// The names of the fields that begin so, without that.
    pub(super) fn under<'a>(&'a self, start: &'a str) -> impl Iterator<Item = &'a str> {
        self.0.iter().filter_map(move |(name, _)| name.strip_prefix(start))
    }

    /// The fields in which something stands, but for these.
    pub(super) fn each<'a>(&'a self, but: &'a [&str]) -> impl Iterator<Item = (&'a str, &'a str)> {
        let typed = self.0.iter().map(|(name, value)| (name.as_str(), value.trim()));
        typed.filter(|(name, value)| !value.is_empty() && !but.contains(name))
    }

    /// The same without these fields.
    pub(super) fn without(&self, names: &[&str]) -> Typed {
        Typed(self.0.iter().filter(|(name, _)| !names.contains(&name.as_str())).cloned().collect())
    }

    /// It as a form sends it.
    pub(super) fn encoded(&self) -> String {
        Serializer::new(String::new()).extend_pairs(&self.0).finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(lines: &[(HeaderName, &str)]) -> HeaderMap {
        lines.iter().map(|(name, value)| (name.clone(), value.parse().unwrap())).collect()
    }

    #[test]
    fn a_form_of_another_site_is_known_as_such() {
        let site = HeaderName::from_static("sec-fetch-site");
        let (host, origin) = (header::HOST, header::ORIGIN);
        let over_2 = Uri::from_static("https://shop/board/enter");
        assert!(is_from_here(&headers(&[(origin.clone(), "https://shop")]), &over_2));
        assert!(!is_from_here(&headers(&[(origin.clone(), "https://other")]), &over_2));
        let here = |lines: &[(HeaderName, &str)]| is_from_here(&headers(lines), &Uri::from_static("/board"));
        assert!(here(&[(site.clone(), "same-origin")]) && here(&[(site.clone(), "none")]));
        assert!(!here(&[(site.clone(), "same-site")]) && !here(&[(site, "cross-site")]));
        assert!(here(&[(host.clone(), "shop:7134"), (origin.clone(), "http://shop:7134")]));
        assert!(!here(&[(host.clone(), "shop:7134"), (origin.clone(), "http://shop:80")]));
        assert!(!here(&[(host.clone(), "shop:7134"), (origin, "null")]) && here(&[(host, "shop:7134")]));
    }

    #[test]
    fn a_cookie_is_found_among_others_and_kept_from_scripts() {
        for line in ["a=b; fettler-board=x-1", "__Host-fettler-board=x-1;c=d"] {
            assert_eq!(cookie(&headers(&[(header::COOKIE, line)]), false), Some("x-1"), "{line}");
        }
        assert_eq!(cookie(&headers(&[(header::COOKIE, "other-fettler-board=x-1")]), false), None);
        let [other, line] = kept("x-1", Purpose::Work, true);
        assert_eq!(other, "fettler-board=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0");
        assert_eq!(
            line,
            "__Host-fettler-board=x-1; Path=/; HttpOnly; SameSite=Strict; Max-Age=43200; Secure"
        );
        let [other, line] = kept("x-1", Purpose::Screen, false);
        assert_eq!(other, "__Host-fettler-board=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0; Secure");
        assert!(!line.to_str().unwrap().contains("Secure"));
    }

    #[test]
    fn a_cookie_that_another_host_may_have_set_does_not_count_where_it_need_not() {
        let both = headers(&[(header::COOKIE, "fettler-board=planted; __Host-fettler-board=own")]);
        assert_eq!((cookie(&both, true), cookie(&both, false)), (Some("own"), Some("own")));
        let planted = headers(&[(header::COOKIE, "fettler-board=planted")]);
        assert_eq!((cookie(&planted, true), cookie(&planted, false)), (None, Some("planted")));
    }

    #[test]
    fn what_was_typed_comes_back_as_it_was() {
        let typed = Typed::parse(b"note=a%0D%0Ab+%26+c&read.p-air=+6.1+&pin=1&read.ph=");
        assert_eq!(
            (typed.get("note"), typed.get("read.p-air"), typed.has("read.ph")),
            ("a\nb & c", "6.1", false)
        );
        assert_eq!(typed.under("read.").collect::<Vec<_>>(), ["p-air", "ph"]);
        let kept = typed.without(&["pin"]);
        assert!(!kept.has("pin") && Typed::parse(kept.encoded().as_bytes()) == kept);
    }
}
