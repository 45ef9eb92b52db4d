//! Watched due lists at a server on a real store: what is told when, where it goes on, and how it ends.

#![expect(clippy::unwrap_used, reason = "test code beside the test functions")]

mod support;

use fettler_domain::access::{Access, Role, Scope};
use fettler_domain::time::Ts;
use fettler_proto::v1::due_service_client::DueServiceClient;
use fettler_proto::v1::machine_service_client::MachineServiceClient;
use fettler_proto::v1::order_service_client::OrderServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use fettler_proto::v1::{self, WatchTold};
use fettler_server::auth::{hash, new_token};
use fettler_server::limits::STREAMS_AT_ONCE;
use fettler_store::contract::{Caller, NewToken, Store};
use std::sync::Arc;
use std::time::Duration;
use support::web::Open;
use support::{NOW, Server, Wire, fields, reason};
use tempfile::TempDir;
use tonic::{Code, Request, Status, Streaming};

type Stream = Streaming<v1::WatchDueResponse>;

struct Shop {
    server: Server,
    store: Arc<dyn Store>,
    wire: Wire,
    _folder: TempDir,
}

/// Two machines in two halls.
async fn shop() -> Shop {
    let folder = tempfile::tempdir().unwrap();
    let store = fettler_store::open(&folder.path().join("shop.db").display().to_string()).await.unwrap();
    let server = Server::start(store.clone()).await;
    let wire = server.wire().await;
    let machine = |tag: &str, area: &str| v1::MachineCard {
        tag: tag.into(),
        area: area.into(),
        meters: vec![v1::MeterCard { kind: v1::MeterKind::Operating.into(), ..Default::default() }],
        ..Default::default()
    };
    let shop = v1::Shop {
        site: Some(v1::Site { key: "north".into(), zone: "UTC".into(), ..Default::default() }),
        people: vec!["Ada Kern".into()],
        machines: vec![machine("L-03", "Hall A"), machine("M-07", "Hall B")],
        ..Default::default()
    };
    let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
    ShopServiceClient::new(wire.clone()).load_shop(ask).await.unwrap();
    Shop { server, store, wire, _folder: folder }
}

impl Shop {
    fn orders(&self) -> OrderServiceClient<Wire> {
        OrderServiceClient::new(self.wire.clone())
    }

    async fn raise(&self, machine: &str, title: &str) -> i64 {
        let ask = v1::RaiseOrderRequest {
            machine: machine.into(),
            title: title.into(),
            by: "Ada Kern".into(),
            ..Default::default()
        };
        self.orders().raise_order(ask).await.unwrap().into_inner().item.unwrap().order
    }

    async fn close(&self, order: i64) {
        let ask = v1::CloseOrderRequest { order, done_by: "Ada Kern".into(), ..Default::default() };
        self.orders().close_order(ask).await.unwrap();
    }

    async fn watch(&self, ask: v1::WatchDueRequest) -> Result<Stream, Status> {
        Ok(DueServiceClient::new(self.wire.clone()).watch_due(ask).await?.into_inner())
    }

    /// Watches everything, from where a token says.
    async fn from(&self, resume_token: &str) -> Stream {
        let ask = v1::WatchDueRequest { resume_token: resume_token.into(), ..Default::default() };
        self.watch(ask).await.unwrap()
    }
}

/// The next message. That one comes is what is tested; how soon is not.
async fn next(stream: &mut Stream) -> v1::WatchDueResponse {
    told(stream).await.unwrap()
}

async fn told(stream: &mut Stream) -> Result<v1::WatchDueResponse, Status> {
    let message = tokio::time::timeout(Duration::from_mins(1), stream.message());
    message.await.expect("something is told").map(|message| message.expect("the stream goes on"))
}

fn orders(items: &[v1::DueItem]) -> Vec<i64> {
    items.iter().map(|item| item.order).collect()
}

/// The orders that entered, changed and left.
fn changes(told: &v1::WatchDueResponse) -> (Vec<i64>, Vec<i64>, Vec<i64>) {
    assert_eq!(told.told(), WatchTold::Changes, "{told:?}");
    (orders(&told.items), orders(&told.changed), told.left.iter().map(|order| order.number).collect())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_list_is_told_and_then_what_enters_and_leaves_it() {
    let shop = shop().await;
    let first = shop.raise("L-03", "Look for the drip").await;
    let mut stream = shop.from("").await;
    let list = next(&mut stream).await;
    assert_eq!((list.told(), orders(&list.items), list.goes_on), (WatchTold::List, vec![first], false));
    assert_eq!(
        (list.site.as_str(), list.zone.as_str(), list.shop_day.as_str()),
        ("north", "UTC", "2026-11-25")
    );
    assert!(list.head.is_some());
    let second = shop.raise("M-07", "Tighten the belt").await;
    let told = next(&mut stream).await;
    assert_eq!((changes(&told), told.head.as_ref()), ((vec![second], vec![], vec![]), None));
    shop.close(first).await;
    let told = next(&mut stream).await;
    assert_eq!(changes(&told), (vec![], vec![], vec![first]));
    let closing = told.left[0].closing.as_ref().unwrap();
    assert_eq!((told.left[0].state(), closing.done_by.as_str()), (v1::OrderState::Closed, "Ada Kern"));
    let forbid = v1::ForbidMachineRequest {
        machine: "M-07".into(),
        by: "Ada Kern".into(),
        reason: "the door".into(),
        ..Default::default()
    };
    MachineServiceClient::new(shop.wire.clone()).forbid_machine(forbid).await.unwrap();
    let told = next(&mut stream).await;
    let forbidden = &told.head.as_ref().unwrap().forbidden;
    assert_eq!((forbidden.len(), forbidden[0].tag.as_str()), (1, "M-07"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_time_alone_alters_is_told_and_that_nothing_changed() {
    let shop = shop().await;
    let order = shop.raise("L-03", "Look for the drip").await;
    let mut stream = shop.from("").await;
    let list = next(&mut stream).await;
    shop.server.clock.move_to(Ts(NOW.0 + 31_000_000));
    let told = next(&mut stream).await;
    assert_eq!(
        (told.told(), told.as_of.map(|at| at.seconds)),
        (WatchTold::Unchanged, list.as_of.map(|at| at.seconds + 31))
    );
    shop.server.clock.move_to(Ts(NOW.0 + 86_400_000_000));
    let told = loop {
        let told = next(&mut stream).await;
        if told.told() != WatchTold::Unchanged {
            break told;
        }
    };
    assert_eq!((told.shop_day.as_str(), changes(&told).1), ("2026-11-26", vec![order]));
    assert_ne!(told.changed[0].when, list.items[0].when);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_comes_back_is_told_the_changes_since_or_that_there_are_none() {
    let shop = shop().await;
    let mut stays = shop.from("").await;
    let begin = next(&mut stays).await.resume_token;
    let mut again = shop.from(&begin).await;
    assert_eq!(next(&mut again).await.told(), WatchTold::Unchanged);
    drop(again);
    let first = shop.raise("L-03", "Look for the drip").await;
    let one = next(&mut stays).await.resume_token;
    let second = shop.raise("M-07", "Tighten the belt").await;
    let two = next(&mut stays).await.resume_token;
    let mut again = shop.from(&begin).await;
    assert_eq!(changes(&next(&mut again).await).0, [first]);
    let last = next(&mut again).await;
    assert_eq!((changes(&last).0, &last.resume_token), (vec![second], &two));
    assert_eq!(changes(&next(&mut shop.from(&one).await).await).0, [second]);
    shop.close(second).await;
    assert_eq!(changes(&next(&mut stays).await).2, [second]);
    // The list is as it was then, so whoever knows that one knows this one, wherever they were told of it.
    assert_eq!(next(&mut shop.from(&one).await).await.told(), WatchTold::Unchanged);
    let mut other = Server::start(shop.store.clone()).await;
    let mut due = DueServiceClient::new(other.wire().await);
    let ask = v1::WatchDueRequest { resume_token: one, ..Default::default() };
    let mut elsewhere = due.watch_due(ask).await.unwrap().into_inner();
    assert_eq!(next(&mut elsewhere).await.told(), WatchTold::Unchanged);
    let ask = v1::WatchDueRequest { resume_token: two, ..Default::default() };
    let mut elsewhere = due.watch_due(ask).await.unwrap().into_inner();
    assert_eq!(
        next(&mut elsewhere).await.told(),
        WatchTold::List,
        "another service knows no changes of this one"
    );
    drop((elsewhere, due));
    other.stop();
    other.stopped().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_watch_of_a_part_is_told_of_that_part() {
    let shop = shop().await;
    let ask = v1::WatchDueRequest { area: "Hall B".into(), ..Default::default() };
    let mut stream = shop.watch(ask.clone()).await.unwrap();
    let token = next(&mut stream).await.resume_token;
    shop.raise("L-03", "Look for the drip").await;
    let order = shop.raise("M-07", "Tighten the belt").await;
    assert_eq!(changes(&next(&mut stream).await).0, [order]);
    for (ask, code) in [
        (v1::WatchDueRequest { area: "Hall C".into(), ..Default::default() }, Code::NotFound),
        (v1::WatchDueRequest { machine: "X-1".into(), ..Default::default() }, Code::NotFound),
        (v1::WatchDueRequest { until: "2026-11-24".into(), ..Default::default() }, Code::InvalidArgument),
        (v1::WatchDueRequest { resume_token: token, ..Default::default() }, Code::InvalidArgument),
    ] {
        let refused = shop.watch(ask.clone()).await.unwrap_err();
        assert_eq!(refused.code(), code, "{ask:?}");
        let wrong: Vec<String> = fields(&refused).into_iter().map(|(field, _)| field).collect();
        assert_eq!(wrong.contains(&"resume_token".to_owned()), !ask.resume_token.is_empty(), "{wrong:?}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_watch_ends_with_its_token_its_deadline_and_its_service() {
    let mut shop = shop().await;
    let token = new_token().unwrap();
    let caller =
        Caller { token: None, method: "Test", request: None, now: NOW, person: None, as_manager: true };
    let access = Access::new([Role::Technician], Scope::Installation).unwrap();
    let new = NewToken { access, ..NewToken::admin("tablet", hash(&token)) };
    let record = shop.store.add_token(&caller, &new).await.unwrap();
    let mut due = DueServiceClient::new(shop.server.wire_with(&format!("Bearer {token}")).await);
    let mut stream = due.watch_due(v1::WatchDueRequest::default()).await.unwrap().into_inner();
    next(&mut stream).await;
    shop.store.revoke_token(&caller, record.token).await.unwrap();
    let ended = told(&mut stream).await.unwrap_err();
    assert_eq!((ended.code(), reason(&ended).as_str()), (Code::Unauthenticated, "TOKEN_REVOKED"));

    let mut request = Request::new(v1::WatchDueRequest::default());
    request.set_timeout(Duration::from_secs(2));
    let mut due = DueServiceClient::new(shop.wire.clone());
    let mut stream = due.watch_due(request).await.unwrap().into_inner();
    next(&mut stream).await;
    assert_eq!(told(&mut stream).await.unwrap_err().code(), Code::DeadlineExceeded);

    let mut stream = shop.from("").await;
    next(&mut stream).await;
    shop.server.stop();
    let ended = told(&mut stream).await.unwrap_err();
    assert_eq!((ended.code(), reason(&ended).as_str()), (Code::Unavailable, "STOPPING"));
    shop.server.stopped().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_token_has_so_many_watches_and_no_more() {
    let shop = shop().await;
    let mut streams = Vec::new();
    for _ in 0..STREAMS_AT_ONCE {
        streams.push(shop.from("").await);
    }
    let refused = shop.watch(v1::WatchDueRequest::default()).await.unwrap_err();
    assert_eq!((refused.code(), reason(&refused).as_str()), (Code::ResourceExhausted, "LIMIT_REACHED"));
    for stream in &mut streams {
        next(stream).await;
    }
    let order = shop.raise("L-03", "Look for the drip").await;
    for stream in &mut streams {
        assert_eq!(changes(&next(stream).await).0, [order]);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn over_http_a_watch_is_lines_of_json_or_frames() {
    let shop = shop().await;
    let bearer = format!("Bearer {}", shop.server.token);
    let path = "/fettler.v1.DueService/WatchDue";
    let begin = async |kind: &str, body: &[u8]| {
        let headers = [("authorization", bearer.as_str()), ("content-type", kind)];
        let mut open = Open::begin(shop.server.http, path, &headers).await;
        open.part(body).await;
        open.part(b"").await;
        let told = open.answer().await;
        assert_eq!(told.status, 200, "{told:?}");
        open
    };
    let mut lines = begin("application/json", b"{}").await;
    let mut frames = begin("application/grpc-web+proto", &[0, 0, 0, 0, 0]).await;
    let line: serde_json::Value = serde_json::from_slice(&lines.chunk().await).unwrap();
    assert_eq!(line["told"], "WATCH_TOLD_LIST");
    let decoded = |frame: Vec<u8>| {
        assert_eq!(frame[0], 0, "a message");
        <v1::WatchDueResponse as prost::Message>::decode(&frame[5..]).unwrap()
    };
    assert_eq!(decoded(frames.chunk().await).told(), WatchTold::List);
    let order = shop.raise("L-03", "Look for the drip").await;
    let line: serde_json::Value = serde_json::from_slice(&lines.chunk().await).unwrap();
    assert_eq!(
        (&line["told"], &line["items"][0]["order"]),
        (&"WATCH_TOLD_CHANGES".into(), &order.to_string().into())
    );
    assert_eq!(changes(&decoded(frames.chunk().await)).0, [order]);
}
