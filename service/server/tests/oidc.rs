//! Callers whom an identity provider knows: keys made here, a service of keys of its own, and every way of being refused.

#![expect(clippy::unwrap_used, reason = "test code beside the test functions")]

mod support;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use fettler_domain::ids::TokenId;
use fettler_domain::text::Name;
use fettler_proto::v1;
use fettler_proto::v1::{
    due_service_client::DueServiceClient, person_service_client::PersonServiceClient,
    shop_service_client::ShopServiceClient,
};
use fettler_server::oidc::claims::Rules;
use fettler_server::oidc::{Pace, Provider, Refused, Source};
use fettler_store::contract::{PageAsk, Store};
use ring::rand::SystemRandom;
use ring::signature::{ECDSA_P256_SHA256_FIXED_SIGNING, EcdsaKeyPair, Ed25519KeyPair, KeyPair as _};
use serde_json::{Value, json};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use support::{NOW, Server, reason};
use tempfile::TempDir;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;
use tonic::{Code, Status};

const SECOND: i64 = NOW.0 / 1_000_000;

fn b64(bytes: impl AsRef<[u8]>) -> String {
    URL_SAFE_NO_PAD.encode(bytes)
}

/// A key that signs, and its public half as a set names it.
enum Key {
    P256(EcdsaKeyPair),
    Ed25519(Ed25519KeyPair),
}

impl Key {
    fn p256() -> Key {
        let random = SystemRandom::new();
        let made = EcdsaKeyPair::generate_pkcs8(&ECDSA_P256_SHA256_FIXED_SIGNING, &random).unwrap();
        let key = EcdsaKeyPair::from_pkcs8(&ECDSA_P256_SHA256_FIXED_SIGNING, made.as_ref(), &random);
        Key::P256(key.unwrap())
    }

    fn ed25519() -> Key {
        let made = Ed25519KeyPair::generate_pkcs8(&SystemRandom::new()).unwrap();
        Key::Ed25519(Ed25519KeyPair::from_pkcs8(made.as_ref()).unwrap())
    }

    fn public(&self, id: &str) -> Value {
        match self {
            Key::P256(key) => {
                let point = key.public_key().as_ref();
                json!({"kty": "EC", "crv": "P-256", "kid": id, "x": b64(&point[1..33]), "y": b64(&point[33..])})
            }
            Key::Ed25519(key) => {
                json!({"kty": "OKP", "crv": "Ed25519", "kid": id, "x": b64(key.public_key())})
            }
        }
    }

    fn sign(&self, id: &str, claims: &Value) -> String {
        let alg = match self {
            Key::P256(_) => "ES256",
            Key::Ed25519(_) => "EdDSA",
        };
        let header = json!({"alg": alg, "kid": id, "typ": "JWT"}).to_string();
        let said = format!("{}.{}", b64(header), b64(claims.to_string()));
        let signature = match self {
            Key::P256(key) => key.sign(&SystemRandom::new(), said.as_bytes()).unwrap().as_ref().to_vec(),
            Key::Ed25519(key) => key.sign(said.as_bytes()).as_ref().to_vec(),
        };
        format!("{said}.{}", b64(signature))
    }
}

/// What answers with a set of keys, and counts how often it was asked.
struct KeyService {
    address: String,
    answer: Arc<Mutex<Vec<u8>>>,
    asked: Arc<AtomicUsize>,
    listens: JoinHandle<()>,
}

/// An answer over HTTP.
fn http(status: &str, body: impl AsRef<[u8]>) -> Vec<u8> {
    let body = body.as_ref();
    let head = format!("HTTP/1.1 {status}\r\ncontent-length: {}\r\n\r\n", body.len());
    [head.as_bytes(), body].concat()
}

fn set_of(keys: &[Value]) -> Vec<u8> {
    http("200 OK", json!({"keys": keys}).to_string())
}

impl KeyService {
    async fn start(answer: Vec<u8>) -> KeyService {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = format!("http://{}/keys", listener.local_addr().unwrap());
        let answer = Arc::new(Mutex::new(answer));
        let asked = Arc::new(AtomicUsize::new(0));
        let (says, counts) = (answer.clone(), asked.clone());
        let listens = tokio::spawn(async move {
            loop {
                let (mut caller, _) = listener.accept().await.unwrap();
                let mut said = [0; 4096];
                let read = caller.read(&mut said).await.unwrap();
                assert!(said[..read].starts_with(b"GET /keys HTTP/1.1\r\n"), "one GET");
                counts.fetch_add(1, Ordering::SeqCst);
                let answer = says.lock().unwrap().clone();
                // Whoever finds an answer too long goes away within it.
                let _ = caller.write_all(&answer).await;
            }
        });
        KeyService { address, answer, asked, listens }
    }

    fn says(&self, answer: Vec<u8>) {
        *self.answer.lock().unwrap() = answer;
    }

    fn asked(&self) -> usize {
        self.asked.load(Ordering::SeqCst)
    }

    /// Listens no more.
    async fn ends(&mut self) {
        self.listens.abort();
        assert!((&mut self.listens).await.unwrap_err().is_cancelled());
    }

    async fn provider(&self, pace: Pace) -> Provider {
        let rules = Rules {
            issuer: "https://id.example".into(),
            audience: "fettler".into(),
            role_claim: "groups".into(),
            person_claim: None,
            grants: vec!["wrench=technician".parse().unwrap()],
        };
        Provider::open(rules, Source::of(&self.address, None).unwrap(), pace).await.unwrap()
    }
}

struct Shop {
    server: Server,
    store: Arc<dyn Store>,
    _folder: TempDir,
}

impl Shop {
    async fn open(source: Source) -> Shop {
        let grants = ["wrench=technician@north", "office=manager", "far=technician@nowhere"];
        let rules = Rules {
            issuer: "https://id.example".into(),
            audience: "fettler".into(),
            role_claim: "groups".into(),
            person_claim: Some("name".into()),
            grants: grants.map(|grant| grant.parse().unwrap()).to_vec(),
        };
        let provider = Arc::new(Provider::open(rules, source, Pace::default()).await.unwrap());
        let folder = tempfile::tempdir().unwrap();
        let store = fettler_store::open(&folder.path().join("shop.db").display().to_string()).await.unwrap();
        let server = Server::start_trusting(store.clone(), provider).await;
        for key in ["north", "south"] {
            let site = v1::Site { key: key.into(), zone: "UTC".into(), ..Default::default() };
            let shop = v1::Shop { site: Some(site), people: vec!["Ada".into()], ..Default::default() };
            let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
            ShopServiceClient::new(server.wire().await).load_shop(ask).await.unwrap();
        }
        Shop { server, store, _folder: folder }
    }

    async fn due(&self, token: &str, site: &str) -> Result<(), Status> {
        let wire = self.server.wire_with(&format!("Bearer {token}")).await;
        let ask = v1::ListDueRequest { site: site.into(), ..Default::default() };
        DueServiceClient::new(wire).list_due(ask).await.map(drop)
    }
}

fn claims() -> Value {
    json!({
        "iss": "https://id.example", "aud": "fettler", "sub": "u-7", "exp": SECOND + 300, "nbf": SECOND,
        "groups": ["wrench"], "name": "Ada",
    })
}

fn why(answer: Result<(), Status>) -> String {
    let status = answer.unwrap_err();
    assert!(matches!(status.code(), Code::Unauthenticated | Code::PermissionDenied), "{status}");
    reason(&status)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_token_of_the_provider_has_the_roles_that_it_makes() {
    let (key, other) = (Key::p256(), Key::ed25519());
    let service = KeyService::start(set_of(&[key.public("a"), other.public("b")])).await;
    let shop = Shop::open(Source::of(&service.address, None).unwrap()).await;
    for token in [key.sign("a", &claims()), other.sign("b", &claims())] {
        shop.due(&token, "north").await.unwrap();
        assert_eq!(why(shop.due(&token, "south").await), "SITE_NOT_YOURS");
        let wire = shop.server.wire_with(&format!("Bearer {token}")).await;
        let ask = v1::AddPersonRequest { name: "Jo".into(), ..Default::default() };
        let refused = PersonServiceClient::new(wire.clone()).add_person(ask).await.unwrap_err();
        assert_eq!(reason(&refused), "ROLE_MISSING");
        // She is known by it, as by a token of her own: she may give herself a PIN, and nobody else one.
        let mut ask = tonic::Request::new(v1::SetPinRequest { name: "Ada".into(), ..Default::default() });
        ask.metadata_mut().insert("fettler-new-pin", "271828".parse().unwrap());
        PersonServiceClient::new(wire).set_pin(ask).await.unwrap();
    }
    // One record, whatever the token; it can be taken back.
    let tokens = shop.store.tokens(PageAsk { after: None, limit: 9 }).await.unwrap().rows;
    let own: Vec<_> = tokens.iter().filter(|token| token.identity.as_deref() == Some("OIDC:u-7")).collect();
    assert_eq!((own.len(), own[0].name.as_str()), (1, "Ada"));
    let caller = fettler_store::contract::Caller {
        token: None,
        method: "Test",
        request: None,
        now: NOW,
        person: None,
        as_manager: true,
    };
    shop.store.revoke_token(&caller, TokenId(own[0].token.0)).await.unwrap();
    let anew = key.sign(
        "a",
        &json!({"nonce": 1, "iss": "https://id.example", "aud": ["fettler"], "sub": "u-7",
        "exp": SECOND + 400, "nbf": SECOND, "groups": "office"}),
    );
    assert_eq!(why(shop.due(&anew, "north").await), "TOKEN_REVOKED");
    assert!(shop.store.pin(&Name::new("Ada").unwrap()).await.unwrap().unwrap().hash.is_some());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn what_is_not_as_it_must_be_is_let_into_nothing() {
    let (key, stranger) = (Key::p256(), Key::p256());
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("keys.json");
    std::fs::write(&file, json!({"keys": [key.public("a")]}).to_string()).unwrap();
    let shop = Shop::open(Source::of(file.to_str().unwrap(), None).unwrap()).await;
    let with = |name: &str, value: Value| {
        let mut claims = claims();
        claims[name] = value;
        key.sign("a", &claims)
    };
    let good = key.sign("a", &claims());
    let (said, signature) = good.rsplit_once('.').unwrap();
    let payload = b64(claims().to_string());
    let bare = |header: &str, signature: &str| format!("{}.{payload}.{signature}", b64(header));
    for token in [
        with("exp", json!(SECOND - 60)),
        with("nbf", json!(SECOND + 61)),
        with("iss", json!("https://other.example")),
        with("aud", json!("other")),
        with("groups", json!(["choir"])),
        with("groups", json!(["far"])),
        with("sub", json!("")),
        stranger.sign("a", &claims()),
        stranger.sign("z", &claims()),
        format!("{said}."),
        format!("{said}.{}", b64([0; 64])),
        said.to_owned(),
        bare(r#"{"alg":"none","kid":"a"}"#, ""),
        bare(r#"{"alg":"HS256","kid":"a"}"#, signature),
        bare(r#"{"alg":"ES256"}"#, signature),
        bare(r#"{"alg":"EdDSA","kid":"a"}"#, signature),
    ] {
        assert_eq!(why(shop.due(&token, "north").await), "IDENTITY_TOKEN_REFUSED", "{token}");
    }
    shop.due(&good, "north").await.unwrap();
    // Time goes on, with the token that was just taken.
    shop.server.clock.move_to(NOW.plus_micros(361_000_000));
    let over = why(shop.due(&good, "north").await);
    assert!(["TOKEN_EXPIRED", "IDENTITY_TOKEN_REFUSED"].contains(&over.as_str()), "{over}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn keys_are_asked_for_anew_when_a_token_names_another_and_not_for_every_one() {
    let (first, second) = (Key::p256(), Key::ed25519());
    // What cannot be read at first is asked for again by the first call.
    let service = KeyService::start(http("200 OK", "no keys")).await;
    let provider = service.provider(Pace::default()).await;
    assert_eq!(service.asked(), 1);
    service.says(set_of(&[first.public("a")]));
    provider.check(&first.sign("a", &claims()), NOW).await.unwrap();
    service.says(set_of(&[second.public("b")]));
    for _ in 0..20 {
        provider.check(&second.sign("b", &claims()), NOW).await.unwrap_err();
    }
    assert_eq!(service.asked(), 2, "a minute has not passed");
    // Those that are known go on.
    provider.check(&first.sign("a", &claims()), NOW).await.unwrap();
}

/// Asked for at once whenever a key is not known, and after a failure.
const AT_ONCE: Pace = Pace { keys_for: Duration::from_hours(1), asked_every: Duration::ZERO };

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn keys_that_the_provider_changes_are_taken_up_and_those_that_it_withdrew_go() {
    let (first, second) = (Key::p256(), Key::ed25519());
    let service = KeyService::start(set_of(&[first.public("a")])).await;
    let provider = service.provider(AT_ONCE).await;
    let (old, new) = (first.sign("a", &claims()), second.sign("b", &claims()));
    provider.check(&old, NOW).await.unwrap();
    service.says(set_of(&[first.public("a"), second.public("b")]));
    provider.check(&new, NOW).await.unwrap();
    provider.check(&old, NOW).await.unwrap();
    assert_eq!(service.asked(), 2, "what is known is not asked for");
    service.says(set_of(&[second.public("b")]));
    let refused = provider.check(&first.sign("z", &claims()), NOW).await.unwrap_err();
    assert_eq!((refused, service.asked()), (Refused::Key, 3));
    // With the set that was read for another it went: it is asked for once more, and there is none.
    assert_eq!(provider.check(&old, NOW).await.unwrap_err(), Refused::Key);
    provider.check(&new, NOW).await.unwrap();
    assert_eq!(service.asked(), 4);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn many_strangers_at_once_make_one_question() {
    let key = Key::p256();
    let service = KeyService::start(http("503 Service Unavailable", "")).await;
    let provider = Arc::new(service.provider(Pace::default()).await);
    service.says(set_of(&[key.public("a")]));
    let strangers = (0..60).map(|n| {
        let (provider, token) = (provider.clone(), key.sign(&format!("k{n}"), &claims()));
        tokio::spawn(async move { provider.check(&token, NOW).await })
    });
    for answer in futures::future::join_all(strangers.collect::<Vec<_>>()).await {
        assert_eq!(answer.unwrap().unwrap_err(), Refused::Key);
    }
    assert_eq!(service.asked(), 2, "one at the start, and one for all of them");
    provider.check(&key.sign("a", &claims()), NOW).await.unwrap();
    assert_eq!(service.asked(), 2);
}

/// What is told in the log, kept.
#[derive(Clone, Default)]
struct Log(Arc<Mutex<Vec<u8>>>);

impl std::io::Write for Log {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Log {
    fn taken(&self) -> String {
        String::from_utf8(std::mem::take(&mut *self.0.lock().unwrap())).unwrap()
    }
}

// On one thread, so that what the provider's own tasks tell is heard as well.
#[tokio::test]
async fn what_is_no_set_of_keys_leaves_those_of_before_and_is_told() {
    let log = Log::default();
    let writes = log.clone();
    let told = tracing_subscriber::fmt().with_ansi(false).with_writer(move || writes.clone()).finish();
    let _told = tracing::subscriber::set_default(told);
    let (first, second) = (Key::p256(), Key::ed25519());
    let mut service = KeyService::start(set_of(&[first.public("a")])).await;
    let provider = service.provider(AT_ONCE).await;
    let (old, new) = (first.sign("a", &claims()), second.sign("b", &claims()));
    let good = json!({"keys": [second.public("b")]}).to_string();
    let wide = |bytes: usize| format!("{good}{}", " ".repeat(bytes - good.len()));
    let endless = ["HTTP/1.1 200 OK\r\n\r\n", &wide((256 << 10) + 1)].concat();
    let many: Vec<Value> =
        (0..65).map(|n| second.public(&format!("k{n}"))).chain([second.public("b")]).collect();
    for (answer, why) in [
        (http("200 OK", wide((256 << 10) + 1)), "length limit exceeded"),
        (endless.into_bytes(), "length limit exceeded"),
        (set_of(&many), "has more than 64 keys"),
        (http("200 OK", &good[1..]), "is not JSON"),
        (http("200 OK", [good.as_bytes(), b"\xff"].concat()), "utf-8"),
        (http("200 OK", "{}"), "has no list `keys`"),
        (http("200 OK", r#"{"keys": [{"kty": "oct", "k": "AAAA", "kid": "b"}]}"#), "has no key for"),
        (http("404 Not Found", &good), "it said 404"),
        (http("302 Found\r\nlocation: /keys", &good), "it said 302"),
        (http("200 OK", &good)[..80].to_vec(), "did not answer with keys"),
        (b"no HTTP\r\n\r\n".to_vec(), "did not answer with keys"),
        (Vec::new(), "did not answer with keys"),
    ] {
        service.says(answer);
        let asked = service.asked();
        assert_eq!(provider.check(&new, NOW).await.unwrap_err(), Refused::Key, "{why}");
        assert_eq!(service.asked(), asked + 1, "{why}");
        let said = log.taken();
        assert_eq!(said.matches("WARN").count(), 1, "{why}: {said}");
        assert!(said.contains(why) && said.contains("those of before stand"), "{why}: {said}");
        assert!(said.contains(&service.address), "{said}");
        assert!(!said.contains(&old[..20]) && !said.contains(&new[..20]), "no token is told: {said}");
        // Those of before stand. That they could not be had is asked again beside the call, and not waited for.
        provider.check(&old, NOW).await.unwrap();
        while service.asked() < asked + 2 {
            tokio::task::yield_now().await;
        }
        while log.0.lock().unwrap().is_empty() {
            tokio::task::yield_now().await;
        }
        assert!(log.taken().contains(why), "{why}");
    }
    service.ends().await;
    assert_eq!(provider.check(&new, NOW).await.unwrap_err(), Refused::Key);
    let said = log.taken();
    assert!(said.to_lowercase().contains("connection refused"), "{said}");
    provider.check(&old, NOW).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_set_as_long_as_may_be_is_read() {
    let key = Key::p256();
    let good = json!({"keys": [key.public("a")]}).to_string();
    let service =
        KeyService::start(http("200 OK", format!("{good}{}", " ".repeat((256 << 10) - good.len())))).await;
    let provider = service.provider(Pace::default()).await;
    provider.check(&key.sign("a", &claims()), NOW).await.unwrap();
    assert_eq!(service.asked(), 1);
}
