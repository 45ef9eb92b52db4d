//! Readings through the wire: each answered by itself, asked back once, and what they tell of a point.

mod support;

use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_proto::v1::due_service_client::DueServiceClient;
use fettler_proto::v1::order_service_client::OrderServiceClient;
use fettler_proto::v1::reading_service_client::ReadingServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use support::{NOW, Server, Wire, reason};
use tempfile::TempDir;
use tonic::Code;

const DAY: i64 = 86_400_000_000;

struct Shop {
    server: Server,
    wire: Wire,
    _folder: TempDir,
}

fn card() -> v1::MachineCard {
    let text = str::to_owned;
    let waits = v1::clause::Counts::Reading(v1::ReadingClause { point: text("coolant"), expects: false });
    v1::MachineCard {
        tag: text("L-03"),
        also_known_as: vec![text("4711-03")],
        points: vec![v1::TestPoint {
            key: text("coolant"),
            title: text("coolant concentration"),
            unit: text("percent"),
            act_below: text("5"),
            stop_below: text("3"),
            possible_from: text("0"),
            possible_to: text("30"),
            ..Default::default()
        }],
        tasks: vec![v1::TaskCard {
            key: text("correct"),
            title: text("Correct the coolant"),
            rule: Some(v1::IntervalRule {
                clauses: vec![v1::Clause { counts: Some(waits) }],
                ..Default::default()
            }),
            ..Default::default()
        }],
        ..Default::default()
    }
}

impl Shop {
    async fn open() -> Shop {
        let (server, wire, folder) = Server::on_a_file().await;
        let shop = Shop { server, wire, _folder: folder };
        let site = v1::Site { key: "north".into(), zone: "Europe/Berlin".into(), ..Default::default() };
        let people = vec!["Ada Kern".to_owned()];
        let declared = v1::Shop { site: Some(site), people, machines: vec![card()], ..Default::default() };
        shop.load(declared).await;
        shop
    }

    async fn load(&self, shop: v1::Shop) -> v1::LoadShopResponse {
        let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
        let answer = ShopServiceClient::new(self.wire.clone()).load_shop(ask).await;
        answer.expect("the shop is as it should be").into_inner()
    }

    fn readings(&self) -> ReadingServiceClient<Wire> {
        ReadingServiceClient::new(self.wire.clone())
    }

    async fn take(&self, readings: Vec<v1::ReadingSaid>) -> Vec<v1::TakenReading> {
        let ask = v1::TakeReadingsRequest { readings, ..Default::default() };
        self.readings().take_readings(ask).await.expect("answers").into_inner().taken
    }

    async fn due(&self) -> Vec<v1::DueItem> {
        let ask = v1::ListDueRequest::default();
        DueServiceClient::new(self.wire.clone()).list_due(ask).await.expect("a list").into_inner().items
    }
}

fn stamp(at: Ts) -> prost_types::Timestamp {
    prost_types::Timestamp { seconds: at.0.div_euclid(1_000_000), nanos: 0 }
}

/// A reading of the coolant so many days before now.
fn said(value: &str, ago: i64) -> v1::ReadingSaid {
    v1::ReadingSaid {
        machine: "4711-03".into(),
        point: "coolant".into(),
        value: value.into(),
        at: Some(stamp(Ts(NOW.0 - ago * DAY))),
        by: "Ada Kern".into(),
        ..Default::default()
    }
}

#[tokio::test]
async fn each_reading_is_answered_by_itself_and_bad_news_makes_its_task_due() {
    let shop = Shop::open().await;
    assert_eq!(shop.due().await, [], "it waits for a reading");
    let nameless = v1::ReadingSaid { by: String::new(), ..said("6", 2) };
    let taken = shop.take(vec![said("6.5", 3), said("65", 1), nameless, said("4.2", 0)]).await;
    let outcomes: Vec<v1::ReadingOutcome> = taken.iter().map(v1::TakenReading::outcome).collect();
    assert_eq!(
        outcomes,
        [
            v1::ReadingOutcome::Taken,
            v1::ReadingOutcome::AskedBack,
            v1::ReadingOutcome::Refused,
            v1::ReadingOutcome::Taken
        ]
    );
    assert_eq!(taken[1].questions[0].oddity(), v1::ReadingOddity::Impossible);
    assert_eq!(taken[1].questions[0].field, "value");
    assert_eq!(taken[2].problems[0].field, "by");
    let low = taken[3].reading.clone().expect("a reading");
    assert_eq!((low.verdict(), low.unit.as_str()), (v1::ReadingVerdict::Act, "%"));
    let item = shop.due().await.remove(0);
    assert_eq!((item.task.as_str(), item.kind()), ("correct", v1::DueKind::Crossed));
    assert!(item.why.starts_with("coolant 4.2 %, below its limit of 5 %, read "), "{}", item.why);
    assert_eq!(item.clauses[0].clause, "coolant out of limits");

    let so = v1::ReadingSaid { confirmed: true, ..said("65", 1) };
    assert_eq!(shop.take(vec![so]).await[0].outcome(), v1::ReadingOutcome::Taken);
    let ask = v1::WithdrawReadingRequest {
        entry: low.entry,
        by: "Ada Kern".into(),
        reason: "wrong machine".into(),
        ..Default::default()
    };
    let gone = shop.readings().withdraw_reading(ask.clone()).await.expect("withdrawn").into_inner();
    assert_eq!(gone.reading.map(|reading| reading.withdrawn_reason).as_deref(), Some("wrong machine"));
    assert_eq!(shop.due().await, []);
    let again = shop.readings().withdraw_reading(ask).await.expect_err("it is withdrawn once");
    assert_eq!((again.code(), reason(&again).as_str()), (Code::FailedPrecondition, "READING_WITHDRAWN"));
}

#[tokio::test]
async fn a_list_comes_in_pages_and_a_point_is_explained() {
    let shop = Shop::open().await;
    let values = ["8.9", "8.6", "8.2", "8", "7.6", "7.4", "7", "6.7"];
    let ago = (1..=8).rev();
    shop.take(values.iter().zip(ago).map(|(value, ago)| said(value, ago)).collect()).await;
    let mut ask = v1::ListReadingsRequest { page_size: 5, machine: "L-03".into(), ..Default::default() };
    let first = shop.readings().list_readings(ask.clone()).await.expect("a page").into_inner();
    assert_eq!((first.readings.len(), first.readings[0].value.as_str()), (5, "6.7"));
    ask.page_token = first.next_page_token;
    let rest = shop.readings().list_readings(ask).await.expect("a page").into_inner();
    assert_eq!((rest.readings.len(), rest.next_page_token.as_str()), (3, ""));

    let point = |point: &str| v1::ExplainPointRequest {
        machine: "L-03".into(),
        point: point.into(),
        ..Default::default()
    };
    let told = shop.readings().explain_point(point("coolant")).await.expect("a point").into_inner();
    assert_eq!(told.movement(), v1::PointMovement::Drift);
    assert_eq!(told.readings.len(), 8);
    // About 0.3 a day from 6.7 yesterday: 5 is some five days ahead.
    let days = (told.reaches.expect("a limit ahead").seconds - stamp(NOW).seconds) / 86_400;
    assert!((3..=6).contains(&days), "{days} days; {:?}", told.text);
    let seconds = |at: Option<prost_types::Timestamp>| at.expect("an instant").seconds;
    assert!(seconds(told.reaches_earliest) <= seconds(told.reaches));
    assert!(seconds(told.reaches) <= seconds(told.reaches_latest));
    let nowhere = shop.readings().explain_point(point("oil")).await.expect_err("no such point");
    assert_eq!((nowhere.code(), reason(&nowhere).as_str()), (Code::NotFound, "TEST_POINT_NOT_FOUND"));
}

#[tokio::test]
async fn a_closing_asks_back_by_field_and_is_taken_when_it_is_so() {
    let shop = Shop::open().await;
    shop.take(vec![said("4.2", 1)]).await;
    let order = shop.due().await[0].order;
    let reading = v1::Reading { point: "coolant".into(), value: "72".into(), ..Default::default() };
    let close = |reading: v1::Reading| v1::CloseOrderRequest {
        order,
        done_by: "Ada Kern".into(),
        readings: vec![reading],
        ..Default::default()
    };
    let mut orders = OrderServiceClient::new(shop.wire.clone());
    let asked = orders.close_order(close(reading.clone())).await.expect_err("asked back");
    assert_eq!(asked.code(), Code::InvalidArgument);
    assert!(asked.message().contains("readings[0].value"), "{}", asked.message());
    assert_eq!(reason(&asked), "ASKED_BACK");
    // What cannot be kept is no question.
    let wrong = orders.close_order(close(v1::Reading { value: "much".into(), ..reading.clone() })).await;
    assert_eq!(reason(&wrong.expect_err("no number")), "FIELDS_INVALID");
    let so = v1::Reading { confirmed: true, ..reading };
    let closed = orders.close_order(close(so)).await.expect("closed").into_inner();
    let findings = closed.order.and_then(|order| order.closing).expect("a closing").findings;
    assert!(
        findings.contains(&"coolant 72 %, beyond what it can show, said to be so".to_owned()),
        "{findings:?}"
    );
    assert_eq!(shop.due().await, [], "too strong is no limit of this point");
}

#[tokio::test]
async fn a_shop_with_points_is_shown_as_it_is_loaded() {
    let shop = Shop::open().await;
    let ask = v1::GetShopRequest::default();
    let shown = ShopServiceClient::new(shop.wire.clone()).get_shop(ask).await.expect("a shop").into_inner();
    let shown = shown.shop.expect("a shop");
    assert_eq!(shown.machines[0].points[0].unit, "%", "a spelling is kept as its code");
    assert_eq!(shop.load(shown).await.changes, []);
    assert!(shop.server.address.port() > 0);
}

/// The same so many hours before now, whatever is odd about it.
fn so(value: &str, hours_ago: i64) -> v1::ReadingSaid {
    v1::ReadingSaid { at: Some(support::hours_from_now(-hours_ago)), confirmed: true, ..said(value, 0) }
}

#[tokio::test]
async fn what_was_read_since_it_fell_due_is_told_where_it_is_explained() {
    let shop = Shop::open().await;
    let since = async || {
        let ask =
            v1::ExplainOrderRequest { machine: "L-03".into(), task: "correct".into(), ..Default::default() };
        let told = DueServiceClient::new(shop.wire.clone()).explain_order(ask).await.expect("explained");
        told.into_inner().item.expect("an item").clauses.remove(0).read_since
    };
    shop.take(vec![so("6", 90)]).await;
    assert_eq!(since().await, [""; 0], "nothing has made it due");
    // In any order, and one of them taken back.
    let taken = shop.take(vec![so("9", 30), so("4.4", 80), so("5.8", 20), so("4.8", 70)]).await;
    let ask = v1::WithdrawReadingRequest {
        entry: taken[0].reading.as_ref().expect("a reading").entry,
        by: "Ada Kern".into(),
        reason: "another machine".into(),
        ..Default::default()
    };
    shop.readings().withdraw_reading(ask).await.expect("withdrawn");
    let told = since().await;
    assert_eq!(told.len(), 2, "not what made it due, what came before, nor what is withdrawn: {told:?}");
    assert!(told[0].starts_with("4.8 %, out of limits, ") && told[0].ends_with(" by Ada Kern"), "{told:?}");
    assert!(told[1].starts_with("5.8 %, ") && !told[1].contains("out of limits"), "{told:?}");
    assert_eq!(shop.due().await.len(), 1, "it is due until it is closed");
    shop.take((1..=5).map(|hours| so("6.1", hours)).collect()).await;
    let told = since().await;
    assert!(told.len() == 5 && told.iter().all(|read| read.starts_with("6.1 %, ")), "the newest: {told:?}");
    shop.take((0..60).map(|hours| so("6.4", 100 + hours)).collect()).await;
    assert_eq!(since().await, told, "the newest by their time, not by when they were entered");
}
