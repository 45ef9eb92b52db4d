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
use fettler_server::oidc::{Provider, Source};
use fettler_store::contract::{PageAsk, Store};
use ring::rand::SystemRandom;
use ring::signature::{ECDSA_P256_SHA256_FIXED_SIGNING, EcdsaKeyPair, Ed25519KeyPair, KeyPair as _};
use serde_json::{Value, json};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use support::{NOW, Server, reason};
use tempfile::TempDir;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;
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
    set: Arc<Mutex<String>>,
    asked: Arc<AtomicUsize>,
}

impl KeyService {
    async fn start(keys: &[Value]) -> KeyService {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = format!("http://{}/keys", listener.local_addr().unwrap());
        let set = Arc::new(Mutex::new(json!({"keys": keys}).to_string()));
        let asked = Arc::new(AtomicUsize::new(0));
        let service = KeyService { address, set: set.clone(), asked: asked.clone() };
        tokio::spawn(async move {
            loop {
                let (mut caller, _) = listener.accept().await.unwrap();
                let mut said = [0; 4096];
                let read = caller.read(&mut said).await.unwrap();
                assert!(said[..read].starts_with(b"GET /keys HTTP/1.1\r\n"), "one GET");
                asked.fetch_add(1, Ordering::SeqCst);
                let body = set.lock().unwrap().clone();
                let answer = format!("HTTP/1.1 200 OK\r\ncontent-length: {}\r\n\r\n{body}", body.len());
                caller.write_all(answer.as_bytes()).await.unwrap();
            }
        });
        service
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
        let provider = Arc::new(Provider::open(rules, source).await.unwrap());
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
    let service = KeyService::start(&[key.public("a"), other.public("b")]).await;
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
    let service = KeyService::start(&[first.public("a")]).await;
    let rules = Rules {
        issuer: "https://id.example".into(),
        audience: "fettler".into(),
        role_claim: "groups".into(),
        person_claim: None,
        grants: vec!["wrench=technician".parse().unwrap()],
    };
    // What cannot be read at first is asked for again by the first call.
    let good = std::mem::replace(&mut *service.set.lock().unwrap(), "no keys".to_owned());
    let provider = Provider::open(rules, Source::of(&service.address, None).unwrap()).await.unwrap();
    assert_eq!(service.asked.load(Ordering::SeqCst), 1);
    *service.set.lock().unwrap() = good;
    provider.check(&first.sign("a", &claims()), NOW).await.unwrap();
    *service.set.lock().unwrap() = json!({"keys": [second.public("b")]}).to_string();
    for _ in 0..20 {
        provider.check(&second.sign("b", &claims()), NOW).await.unwrap_err();
    }
    assert_eq!(service.asked.load(Ordering::SeqCst), 2, "a minute has not passed");
    // Those that are known go on.
    provider.check(&first.sign("a", &claims()), NOW).await.unwrap();
}
