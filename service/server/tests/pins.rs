//! Who speaks, call by call, at a server on a real store: by name, by PIN, by a token of their own.

#![expect(clippy::unwrap_used, reason = "test code beside the test functions")]

mod support;

use fettler_domain::access::{Access, Role, Scope};
use fettler_domain::text::Name;
use fettler_domain::time::MICROS_PER_MINUTE;
use fettler_proto::v1;
use fettler_proto::v1::{
    journal_service_client::JournalServiceClient, machine_service_client::MachineServiceClient,
    order_service_client::OrderServiceClient, person_service_client::PersonServiceClient,
    shop_service_client::ShopServiceClient,
};
use fettler_server::auth::{hash, new_token};
use fettler_store::contract::{Caller, NewToken, Store};
use std::sync::Arc;
use support::{NOW, Server, Wire, fields, reason};
use tempfile::TempDir;
use tonic::{Code, Request, Status};
use tonic_types::StatusExt as _;

const ADA: &str = "271828";

struct Shop {
    server: Server,
    store: Arc<dyn Store>,
    /// Of the administrator.
    admin: Wire,
    /// Of a tablet that many use.
    tablet: Wire,
    _folder: TempDir,
}

impl Shop {
    /// A site that asks for PINs; Ada has one, Jo none.
    async fn open() -> Shop {
        let folder = tempfile::tempdir().unwrap();
        let store = fettler_store::open(&folder.path().join("shop.db").display().to_string()).await.unwrap();
        let server = Server::start(store.clone()).await;
        let admin = server.wire().await;
        let declared = v1::Shop {
            site: Some(v1::Site {
                key: "north".into(),
                zone: "UTC".into(),
                asks_pin: Some(true),
                ..Default::default()
            }),
            people: vec!["Ada".into(), "Jo".into()],
            machines: vec![v1::MachineCard { tag: "L-01".into(), ..Default::default() }],
            ..Default::default()
        };
        let ask = v1::LoadShopRequest { shop: Some(declared), ..Default::default() };
        ShopServiceClient::new(admin.clone()).load_shop(ask).await.unwrap();
        let mut shop = Shop { server, store, tablet: admin.clone(), admin, _folder: folder };
        shop.tablet = shop.token(None).await;
        shop.set(&shop.admin, "Ada", &[("fettler-new-pin", ADA)]).await.unwrap();
        shop
    }

    /// A technician's token, of one person or of nobody in particular.
    async fn token(&self, person: Option<&str>) -> Wire {
        let person = match person {
            Some(name) => Some(self.store.known_person("by", &Name::new(name).unwrap()).await.unwrap()),
            None => None,
        };
        let token = new_token().unwrap();
        let access = Access::new([Role::Technician], Scope::Installation).unwrap();
        let (name, hash) = ("test".to_owned(), hash(&token));
        let new = NewToken { name, hash, access, expires_at: None, person, identity: None };
        let caller =
            Caller { token: None, method: "Test", request: None, now: NOW, person: None, as_manager: true };
        self.store.add_token(&caller, &new).await.unwrap();
        self.server.wire_with(&format!("Bearer {token}")).await
    }

    async fn set(
        &self,
        wire: &Wire,
        name: &str,
        metadata: &[(&'static str, &str)],
    ) -> Result<v1::Person, Status> {
        let ask = with(v1::SetPinRequest { name: name.into(), ..Default::default() }, metadata);
        Ok(PersonServiceClient::new(wire.clone()).set_pin(ask).await?.into_inner().person.unwrap())
    }

    async fn raised(&self) -> i64 {
        let (machine, title, by) = ("L-01".into(), "look".into(), "Jo".into());
        let ask = v1::RaiseOrderRequest { machine, title, by, ..Default::default() };
        let raised =
            OrderServiceClient::new(self.tablet.clone()).raise_order(ask).await.unwrap().into_inner();
        raised.item.unwrap().order
    }

    async fn close(&self, wire: &Wire, by: &str, pin: Option<&str>) -> Result<v1::KnownBy, Status> {
        let ask =
            v1::CloseOrderRequest { order: self.raised().await, done_by: by.into(), ..Default::default() };
        let ask = with(ask, &pin.map(|pin| ("fettler-pin", pin)).into_iter().collect::<Vec<_>>());
        let closed = OrderServiceClient::new(wire.clone()).close_order(ask).await?.into_inner();
        Ok(closed.order.unwrap().closing.unwrap().entered_known_by())
    }

    async fn person(&self, name: &str) -> v1::Person {
        let people = PersonServiceClient::new(self.admin.clone())
            .list_people(v1::ListPeopleRequest::default())
            .await
            .unwrap();
        people.into_inner().people.into_iter().find(|person| person.name == name).unwrap()
    }

    async fn entries(&self, site: &str) -> Vec<v1::Entry> {
        let ask = v1::ListEntriesRequest { site: site.into(), ..Default::default() };
        let answer = JournalServiceClient::new(self.admin.clone()).list_entries(ask).await.unwrap();
        answer.into_inner().entries
    }
}

fn with<T>(ask: T, metadata: &[(&'static str, &str)]) -> Request<T> {
    let mut ask = Request::new(ask);
    for (name, value) in metadata {
        ask.metadata_mut().insert(*name, value.parse().unwrap());
    }
    ask
}

fn why<T>(answer: &Result<T, Status>) -> String {
    answer.as_ref().err().map(reason).unwrap_or_default()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_closing_says_how_its_person_was_known() {
    let shop = Shop::open().await;
    let refused = shop.close(&shop.tablet, "Ada", None).await.unwrap_err();
    assert_eq!((refused.code(), reason(&refused).as_str()), (Code::PermissionDenied, "PIN_NEEDED"));
    assert!(
        refused.message().contains("`done_by`") && refused.message().contains("fettler-pin"),
        "{refused}"
    );
    assert!(!refused.message().contains("Ada"), "the words go to the log");
    let details = refused.get_error_details();
    assert_eq!(details.error_info().unwrap().metadata["subject"], "person Ada");
    assert_eq!(shop.close(&shop.tablet, "Ada", Some(ADA)).await.unwrap(), v1::KnownBy::Pin);
    assert_eq!(why(&shop.close(&shop.tablet, "Jo", Some(ADA)).await), "PIN_NOT_SET");
    // A token of her own stands for Ada, and for nobody else.
    let own = shop.token(Some("Ada")).await;
    assert_eq!(shop.close(&own, "Ada", None).await.unwrap(), v1::KnownBy::OwnToken);
    assert_eq!(why(&shop.close(&own, "Jo", None).await), "PIN_NEEDED");
    let entries = shop.entries("north").await;
    let told: Vec<(&str, v1::KnownBy)> =
        entries.iter().map(|entry| (entry.kind.as_str(), entry.known_by())).collect();
    assert_eq!(
        &told[..4],
        [
            ("order.raised", v1::KnownBy::Name),
            ("order.closed", v1::KnownBy::OwnToken),
            ("order.raised", v1::KnownBy::Name),
            ("order.raised", v1::KnownBy::Name),
        ]
    );
    for entry in entries.iter().chain(&shop.entries("installation").await) {
        assert!(!entry.leaf.contains(ADA) && !entry.leaf.contains("argon2"), "{}", entry.leaf);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn wrong_pins_are_told_counted_and_paused() {
    let shop = Shop::open().await;
    let close = async |pin| shop.close(&shop.tablet, "Ada", Some(pin)).await;
    for left in [4, 3, 2, 1] {
        let status = close("314159").await.unwrap_err();
        assert_eq!(reason(&status), "PIN_WRONG");
        assert!(status.message().contains(&format!("; {left} more")), "{status}");
    }
    assert_eq!(shop.person("Ada").await.wrong_pins, 4);
    assert_eq!(why(&close("no digits").await), "PIN_PAUSED");
    // Not even the right one is heard now, and what is not heard is not counted.
    assert_eq!(why(&close(ADA).await), "PIN_PAUSED");
    let paused = shop.person("Ada").await;
    assert_eq!((paused.wrong_pins, paused.pin_paused_until.is_some()), (5, true));
    shop.server.clock.move_to(NOW.plus_micros(15 * MICROS_PER_MINUTE));
    assert_eq!(close(ADA).await.unwrap(), v1::KnownBy::Pin);
    assert_eq!(shop.person("Ada").await.wrong_pins, 0);
    // Guesses that come at once are heard one after the other.
    let all = futures::future::join_all((0..12).map(|_| close("314159"))).await;
    let heard = all.iter().filter(|answer| why(answer) == "PIN_WRONG").count();
    assert_eq!((heard, shop.person("Ada").await.wrong_pins), (4, 5));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_danger_is_told_whatever_the_pin() {
    let shop = Shop::open().await;
    let (machine, by, reason) = ("L-01".to_owned(), "Ada".to_owned(), "door".to_owned());
    let ask = v1::ForbidMachineRequest { machine, by, reason, ..Default::default() };
    let mut machines = MachineServiceClient::new(shop.tablet.clone());
    machines.forbid_machine(with(ask, &[("fettler-pin", "314159")])).await.unwrap();
    let ask = v1::ReturnMachineRequest {
        machine: "L-01".into(),
        by: "Ada".into(),
        reason: "mended".into(),
        ..Default::default()
    };
    assert_eq!(why(&machines.return_machine(ask.clone()).await), "PIN_NEEDED");
    machines.return_machine(with(ask, &[("fettler-pin", ADA)])).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_pin_is_set_by_a_manager_or_by_whoever_is_known() {
    let shop = Shop::open().await;
    let new = ("fettler-new-pin", "602214");
    assert_eq!(why(&shop.set(&shop.tablet, "Ada", &[new]).await), "MANAGER_ONLY");
    assert_eq!(why(&shop.set(&shop.tablet, "Ada", &[new, ("fettler-pin", "314159")]).await), "PIN_WRONG");
    shop.set(&shop.tablet, "Ada", &[new, ("fettler-pin", ADA)]).await.unwrap();
    assert_eq!(shop.close(&shop.tablet, "Ada", Some("602214")).await.unwrap(), v1::KnownBy::Pin);
    assert_eq!(why(&shop.close(&shop.tablet, "Ada", Some(ADA)).await), "PIN_WRONG");
    // By a token of one's own, for oneself.
    let own = shop.token(Some("Jo")).await;
    assert_eq!(why(&shop.set(&own, "Ada", &[new]).await), "MANAGER_ONLY");
    let jo = shop.set(&own, "Jo", &[("fettler-new-pin", "662607")]).await.unwrap();
    assert!(jo.pin_set_at.is_some());
    assert_eq!(shop.close(&shop.tablet, "Jo", Some("662607")).await.unwrap(), v1::KnownBy::Pin);
    for bad in ["12345", "123456", "111111", "12345a"] {
        let status = shop.set(&shop.admin, "Jo", &[("fettler-new-pin", bad)]).await.unwrap_err();
        assert_eq!(fields(&status)[0].0, "fettler-new-pin", "{status}");
        assert!(!status.message().contains(bad), "{status}");
    }
    let status = shop.set(&shop.admin, "Jo", &[]).await.unwrap_err();
    assert!(fields(&status)[0].1.contains("is missing"), "{status}");
    let status = shop.set(&shop.admin, "Nobody", &[new]).await.unwrap_err();
    assert_eq!(fields(&status)[0].0, "name", "{status}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_name_that_was_erased_is_told_as_its_number() {
    let shop = Shop::open().await;
    shop.close(&shop.tablet, "Ada", Some(ADA)).await.unwrap();
    let (ada, own) = (shop.person("Ada").await.number, shop.token(Some("Ada")).await);
    let ask = |name: &str, by: &str| {
        let (name, by, note) = (name.into(), by.into(), "she asked".into());
        v1::ErasePersonRequest { name, by, note, ..Default::default() }
    };
    let erase = async |wire: &Wire, name: &str, by: &str| {
        PersonServiceClient::new(wire.clone())
            .erase_person(ask(name, by))
            .await
            .map(tonic::Response::into_inner)
    };
    let refused = erase(&shop.tablet, "Ada", "Jo").await.unwrap_err();
    assert_eq!(reason(&refused), "ROLE_MISSING");
    assert!(refused.message().ends_with("a token with the role admin"), "{refused}");
    let status = erase(&shop.admin, "", "").await.unwrap_err();
    assert_eq!(fields(&status).iter().map(|field| field.0.as_str()).collect::<Vec<_>>(), ["name", "by"]);
    let status = erase(&shop.admin, "Ada", "Ada").await.unwrap_err();
    assert_eq!(fields(&status)[0].0, "by", "{status}");
    // A PIN that comes with it is that of who decides.
    let wrong = with(ask("Jo", "Ada"), &[("fettler-pin", "314159")]);
    assert_eq!(why(&PersonServiceClient::new(shop.admin.clone()).erase_person(wrong).await), "PIN_WRONG");

    let erased = erase(&shop.admin, "Ada", "Jo").await.unwrap();
    let person = erased.person.unwrap();
    assert_eq!((person.number, person.name.as_str(), erased.tokens_revoked), (ada, "", 1));
    assert_eq!(fields(&erase(&shop.admin, "Ada", "Jo").await.unwrap_err())[0].0, "name");
    let told = format!("person {ada}, erased");
    let entries = shop.entries("north").await;
    let closed = entries.iter().find(|entry| entry.kind == "order.closed").unwrap();
    assert_eq!((&closed.by, closed.known_by()), (&told, v1::KnownBy::Pin));
    let entries = shop.entries("installation").await;
    let entry = entries.iter().find(|entry| entry.kind == "person.erased").unwrap();
    assert_eq!((entry.by.as_str(), entry.text.as_str()), ("Jo", "person erased: she asked"));
    assert!(entries.iter().all(|entry| !entry.text.contains("Ada")), "{entries:?}");
    // Nobody speaks by what stood for her.
    let people = PersonServiceClient::new(own).list_people(v1::ListPeopleRequest::default()).await;
    assert_eq!(why(&people), "TOKEN_REVOKED");
}
