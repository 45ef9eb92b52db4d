//! The shelf, call by call, at a server on a real store.

mod support;

use fettler_proto::v1;
use fettler_proto::v1::order_service_client::OrderServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use fettler_proto::v1::stock_service_client::StockServiceClient;
use support::{Server, Wire, fields, reason};
use tempfile::TempDir;
use tonic::Code;

struct Shop {
    _server: Server,
    wire: Wire,
    _folder: TempDir,
}

fn oil() -> v1::ItemCard {
    v1::ItemCard {
        name: "way oil".into(),
        code: "4711".into(),
        unit: "L".into(),
        pack: "5".into(),
        shelf_life_days: 365,
        hazardous: true,
        data_sheet: "folder 3".into(),
        ..Default::default()
    }
}

/// A lathe that takes 2 L of oil every ten days, for the first time today.
fn declared(items: Vec<v1::ItemCard>) -> v1::LoadShopRequest {
    let every = v1::CalendarClause { every: 10, unit: v1::CalendarUnit::Day.into(), ..Default::default() };
    let clauses = vec![v1::Clause { counts: Some(v1::clause::Counts::Calendar(every)) }];
    let kit =
        v1::KitItem { item: "way oil".into(), quantity: "2".into(), unit: "L".into(), ..Default::default() };
    let task = v1::TaskCard {
        key: "refill".into(),
        rule: Some(v1::IntervalRule { clauses, ..Default::default() }),
        kit: vec![kit],
        ..Default::default()
    };
    let last_done = v1::LastDone { task: "refill".into(), day: "2026-11-15".into(), ..Default::default() };
    let lathe = v1::MachineCard {
        tag: "L-03".into(),
        tasks: vec![task],
        last_done: vec![last_done],
        ..Default::default()
    };
    let shop = v1::Shop {
        site: Some(v1::Site { key: "north".into(), zone: "Europe/Berlin".into(), ..Default::default() }),
        people: vec!["Ada Kern".into()],
        machines: vec![lathe],
        items,
        ..Default::default()
    };
    v1::LoadShopRequest { shop: Some(shop), ..Default::default() }
}

async fn shop() -> Shop {
    let (server, wire, folder) = Server::on_a_file().await;
    let mut client = ShopServiceClient::new(wire.clone());
    client.load_shop(declared(vec![oil()])).await.expect("the shop is as it should be");
    Shop { _server: server, wire, _folder: folder }
}

impl Shop {
    fn stock(&self) -> StockServiceClient<Wire> {
        StockServiceClient::new(self.wire.clone())
    }

    async fn oil(&self) -> v1::StockItem {
        let ask = v1::ListStockRequest { item: "4711".into(), ..Default::default() };
        let answer = self.stock().list_stock(ask).await.expect("a list").into_inner();
        answer.items.into_iter().next().expect("the oil")
    }
}

fn receive(quantity: &str) -> v1::ReceiveStockRequest {
    v1::ReceiveStockRequest { item: "4711".into(), quantity: quantity.into(), ..Default::default() }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_comes_and_goes_is_shown() {
    let shop = shop().await;
    let received = shop.stock().receive_stock(receive("12.5")).await.expect("received").into_inner();
    let item = received.item.expect("an item");
    assert_eq!((item.usable.as_str(), item.lots[0].expires_day.as_str()), ("12.5", "2027-11-25"));
    let issue = v1::IssueStockRequest {
        item: "way oil".into(),
        quantity: "0.75".into(),
        by: "Ada Kern".into(),
        note: "topped up".into(),
        ..Default::default()
    };
    shop.stock().issue_stock(issue).await.expect("issued");
    let close =
        v1::CloseOrderRequest { order: 1, done_by: "Ada Kern".into(), kit_used: true, ..Default::default() };
    let closed =
        OrderServiceClient::new(shop.wire.clone()).close_order(close).await.expect("closed").into_inner();
    let closing = closed.order.and_then(|order| order.closing).expect("a closing");
    assert_eq!((closing.used[0].quantity.as_str(), closing.lots[0].quantity.as_str()), ("2", "2"));
    let oil = shop.oil().await;
    assert_eq!((oil.usable.as_str(), oil.set_aside.as_str()), ("9.75", "2"), "the next order takes 2 again");
    let count = v1::CountStockRequest {
        item: "4711".into(),
        quantity: "9".into(),
        by: "Ada Kern".into(),
        ..Default::default()
    };
    let counted = shop.stock().count_stock(count).await.expect("counted").into_inner();
    assert_eq!(counted.remarks, ["0.75 L less than by the book"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_buy_list_is_pulled_and_a_purchase_comes_off_it() {
    let shop = shop().await;
    let list = || v1::GetBuyListRequest::default();
    let answer = shop.stock().get_buy_list(list()).await.expect("a list").into_inner();
    let [line] = &answer.lines[..] else { panic!("{answer:?}") };
    assert_eq!(
        (line.item.as_str(), line.code.as_str(), line.verdict()),
        ("way oil", "4711", v1::BuyVerdict::Late)
    );
    assert_eq!((line.quantity.as_str(), line.packs, line.waiting_orders.as_slice()), ("5", 1, &[1][..]));
    assert_eq!((line.order_by_day.as_str(), line.arrives_day.as_str()), ("2026-11-25", "2026-12-02"));
    assert_eq!(answer.until_day, "2027-02-24");
    assert!(
        line.why.starts_with("20 L needed by 2027-02-24, 0 on the shelf, runs out on 2026-11-25"),
        "{}",
        line.why
    );
    let purchase = v1::RecordPurchaseRequest {
        item: "4711".into(),
        quantity: "20".into(),
        arrives_day: "2026-11-25".into(),
        reference: "P-1".into(),
        ..Default::default()
    };
    let bought = shop.stock().record_purchase(purchase).await.expect("recorded").into_inner();
    assert_eq!(bought.purchase, 1);
    assert!(shop.stock().get_buy_list(list()).await.expect("a list").into_inner().lines.is_empty());
    let cancel = v1::CancelPurchaseRequest { item: "4711".into(), purchase: 1, ..Default::default() };
    let cancelled = shop.stock().cancel_purchase(cancel).await.expect("cancelled").into_inner();
    assert_eq!(cancelled.remarks, ["20 L will not come"]);
    assert_eq!(shop.stock().get_buy_list(list()).await.expect("a list").into_inner().lines.len(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_taken_is_told_field_by_field() {
    let shop = shop().await;
    let wrong = v1::ReceiveStockRequest {
        item: String::new(),
        quantity: "-1".into(),
        expires_day: "soon".into(),
        purchase: -2,
        request_id: String::new(),
        ..Default::default()
    };
    let status = shop.stock().receive_stock(wrong).await.expect_err("wrong");
    let found: Vec<String> = fields(&status).into_iter().map(|(field, _)| field).collect();
    assert_eq!(
        (status.code(), found),
        (Code::InvalidArgument, ["item", "quantity", "expires_day", "purchase"].map(str::to_owned).to_vec())
    );
    let neither = v1::CountStockRequest { item: "4711".into(), by: "Ada Kern".into(), ..Default::default() };
    let status = shop.stock().count_stock(neither).await.expect_err("neither");
    assert_eq!(
        fields(&status),
        [("quantity".to_owned(), "is missing; give what there is in all, or the lots".to_owned())]
    );
    let unknown = v1::ReceiveStockRequest { item: "nothing".into(), ..receive("1") };
    let status = shop.stock().receive_stock(unknown).await.expect_err("unknown");
    assert_eq!((status.code(), reason(&status)), (Code::NotFound, "ITEM_NOT_FOUND".to_owned()));
    let far = v1::GetBuyListRequest { until_day: "2030-01-01".into(), ..Default::default() };
    assert_eq!(fields(&shop.stock().get_buy_list(far).await.expect_err("too far"))[0].0, "until_day");
    let kit =
        v1::KitItem { item: "way oil".into(), quantity: "2".into(), lot: "a".into(), ..Default::default() };
    let mut with_lot = declared(Vec::new());
    with_lot.shop.as_mut().expect("a shop").machines[0].tasks[0].kit = vec![kit];
    let status =
        ShopServiceClient::new(shop.wire.clone()).load_shop(with_lot).await.expect_err("a lot in a kit");
    assert_eq!(fields(&status)[0].0, "shop.machines[0].tasks[0].kit[0].lot");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_item_without_its_data_sheet_is_listed_and_not_bought() {
    let shop = shop().await;
    let bare = v1::ItemCard { data_sheet: String::new(), ..oil() };
    ShopServiceClient::new(shop.wire.clone()).load_shop(declared(vec![bare])).await.expect("declared");
    let answer =
        shop.stock().get_buy_list(v1::GetBuyListRequest::default()).await.expect("a list").into_inner();
    let line = &answer.lines[0];
    assert_eq!((line.verdict(), line.quantity.as_str(), line.packs), (v1::BuyVerdict::NoDataSheet, "0", 0));
    let remark =
        "not to be bought: no safety data sheet; get it from the supplier and declare where it is kept";
    assert_eq!(line.remarks, [remark]);
    let purchase =
        v1::RecordPurchaseRequest { item: "4711".into(), quantity: "5".into(), ..Default::default() };
    let status = shop.stock().record_purchase(purchase).await.expect_err("refused");
    assert_eq!(
        (status.code(), reason(&status)),
        (Code::FailedPrecondition, "NO_SAFETY_DATA_SHEET".to_owned())
    );
    let standing = v1::ListStockRequest { with_findings: true, ..Default::default() };
    assert_eq!(shop.stock().list_stock(standing).await.expect("a list").into_inner().items.len(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn lists_come_in_pages_and_loading_what_is_shown_changes_nothing() {
    let shop = shop().await;
    let items = (0..5).map(|i| v1::ItemCard { name: format!("item {i}"), ..Default::default() }).collect();
    let mut client = ShopServiceClient::new(shop.wire.clone());
    client.load_shop(declared(items)).await.expect("declared");
    let shown = client.get_shop(v1::GetShopRequest::default()).await.expect("a shop").into_inner().shop;
    assert_eq!(shown.as_ref().map(|shop| shop.items.len()), Some(6));
    let again = v1::LoadShopRequest { shop: shown, ..Default::default() };
    assert!(client.load_shop(again).await.expect("loaded").into_inner().changes.is_empty());
    let (mut token, mut names) = (String::new(), Vec::new());
    loop {
        let ask = v1::ListStockRequest { page_size: 4, page_token: token, ..Default::default() };
        let answer = shop.stock().list_stock(ask).await.expect("a page").into_inner();
        names.extend(answer.items.into_iter().filter_map(|item| item.card).map(|card| card.name));
        token = answer.next_page_token;
        if token.is_empty() {
            break;
        }
    }
    assert_eq!(names, ["item 0", "item 1", "item 2", "item 3", "item 4", "way oil"]);
}
