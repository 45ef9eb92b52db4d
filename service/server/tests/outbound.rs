//! What an ERP books, at a server on a real store: waited for, refused, and compared as time goes by.

#![expect(clippy::unwrap_used, reason = "test code beside the test functions")]

mod support;

use fettler_domain::outbound::BUY_EVERY_MICROS;
use fettler_domain::time::Ts;
use fettler_proto::v1::order_service_client::OrderServiceClient;
use fettler_proto::v1::outbound_service_client::OutboundServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use fettler_proto::v1::stock_service_client::StockServiceClient;
use fettler_proto::v1::{self, OutboundKind};
use support::{NOW, Server, Wire, fields};
use tempfile::TempDir;

struct Shop {
    server: Server,
    wire: Wire,
    _folder: TempDir,
}

/// A lathe whose oil is to be bought.
async fn shop() -> Shop {
    let (server, wire, folder) = Server::on_a_file().await;
    let days = v1::CalendarClause { every: 10, unit: v1::CalendarUnit::Day.into(), ..Default::default() };
    let counts = v1::clause::Counts::Calendar(days);
    let clauses = vec![v1::Clause { counts: Some(counts) }];
    let task = v1::TaskCard {
        key: "refill".into(),
        title: "Refill the way oil".into(),
        rule: Some(v1::IntervalRule { clauses, ..Default::default() }),
        kit: vec![v1::KitItem {
            item: "way oil".into(),
            quantity: "2".into(),
            unit: "L".into(),
            ..Default::default()
        }],
        ..Default::default()
    };
    let lathe = v1::MachineCard {
        tag: "L-03".into(),
        tasks: vec![task],
        last_done: vec![v1::LastDone {
            task: "refill".into(),
            day: "2026-11-20".into(),
            ..Default::default()
        }],
        ..Default::default()
    };
    let shop = v1::Shop {
        site: Some(v1::Site { key: "north".into(), zone: "UTC".into(), ..Default::default() }),
        people: vec!["Ada Kern".into()],
        machines: vec![lathe],
        items: vec![v1::ItemCard { name: "way oil".into(), unit: "L".into(), ..Default::default() }],
        ..Default::default()
    };
    let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
    ShopServiceClient::new(wire.clone()).load_shop(ask).await.unwrap();
    Shop { server, wire, _folder: folder }
}

impl Shop {
    fn outbound(&self) -> OutboundServiceClient<Wire> {
        OutboundServiceClient::new(self.wire.clone())
    }

    async fn after(&self, after: i64) -> Vec<v1::OutboundEntry> {
        let ask = v1::GetOutboundRequest { after, ..Default::default() };
        self.outbound().get_outbound(ask).await.unwrap().into_inner().entries
    }

    async fn ordered(&self, quantity: &str) {
        let ask = v1::RecordPurchaseRequest {
            item: "way oil".into(),
            quantity: quantity.into(),
            arrives_day: "2026-11-28".into(),
            ..Default::default()
        };
        StockServiceClient::new(self.wire.clone()).record_purchase(ask).await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_buy_list_is_compared_every_few_minutes() {
    let shop = shop().await;
    let first = shop.after(0).await;
    let [buy] = &first[..] else { panic!("{first:?}") };
    assert_eq!((buy.kind(), buy.id.as_str()), (OutboundKind::Buy, "north/1/1"));
    let said = buy.buy.as_ref().unwrap();
    assert_eq!((said.item.as_str(), said.unit.as_str(), said.cost.as_str()), ("way oil", "L", ""));
    shop.ordered("500").await;
    shop.server.clock.move_to(Ts(NOW.0 + BUY_EVERY_MICROS - 1));
    assert_eq!(shop.after(0).await, first, "it was compared a moment ago");
    shop.server.clock.move_to(Ts(NOW.0 + BUY_EVERY_MICROS));
    let told = shop.after(1).await;
    assert_eq!(told.iter().map(v1::OutboundEntry::kind).collect::<Vec<_>>(), [OutboundKind::BuyNoMore]);
    let said = told[0].buy.as_ref().unwrap();
    assert_eq!((said.item.as_str(), said.quantity.as_str(), told[0].number), ("way oil", "0", 2));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_waits_is_answered_when_something_is_closed() {
    let shop = shop().await;
    let begin = shop.after(0).await.last().unwrap().number;
    let acknowledge =
        v1::AcknowledgeOutboundRequest { reader: "erp".into(), through: begin, ..Default::default() };
    shop.outbound().acknowledge_outbound(acknowledge).await.unwrap();
    let mut waiting = shop.outbound();
    let ask = v1::GetOutboundRequest { reader: "erp".into(), wait_seconds: 50, ..Default::default() };
    let close = v1::CloseOrderRequest { order: 1, done_by: "Ada Kern".into(), ..Default::default() };
    let mut orders = OrderServiceClient::new(shop.wire.clone());
    let waits = tokio::spawn(async move { waiting.get_outbound(ask).await });
    // Long enough for one that does not wait to have been answered with nothing.
    for _ in 0..30 {
        assert_eq!(shop.after(begin).await, []);
    }
    orders.close_order(close).await.unwrap();
    let told = waits.await.unwrap().unwrap().into_inner();
    let [entry] = &told.entries[..] else { panic!("{told:?}") };
    let work = entry.work.as_ref().unwrap();
    assert_eq!((entry.kind(), work.order, work.done_by.as_str()), (OutboundKind::Closed, 1, "Ada Kern"));
    assert_eq!((told.through, told.more, told.zone.as_str()), (begin + 1, false, "UTC"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_cannot_be_asked_is_told_by_its_field() {
    let shop = shop().await;
    let wrong = async |ask: v1::GetOutboundRequest| {
        let refused = shop.outbound().get_outbound(ask).await.unwrap_err();
        fields(&refused).into_iter().map(|(field, _)| field).collect::<Vec<_>>()
    };
    let ask = v1::GetOutboundRequest::default();
    assert_eq!(
        wrong(v1::GetOutboundRequest { reader: "erp".into(), after: 3, ..ask.clone() }).await,
        ["after"]
    );
    assert_eq!(
        wrong(v1::GetOutboundRequest { after: -1, wait_seconds: 51, ..ask.clone() }).await,
        ["after", "wait_seconds"]
    );
    assert_eq!(
        wrong(v1::GetOutboundRequest { reader: "two words".into(), page_size: -1, ..ask }).await,
        ["reader", "page_size"]
    );
    for (reader, through, field) in [("", 1, "reader"), ("erp", 0, "through"), ("erp", 99, "through")] {
        let ask = v1::AcknowledgeOutboundRequest { reader: reader.into(), through, ..Default::default() };
        let refused = shop.outbound().acknowledge_outbound(ask).await.unwrap_err();
        assert_eq!(fields(&refused)[0].0, field);
    }
}
