//! The shelf through the store contract: declared, received, used by closings and by hand, given back, ordered, and what to buy.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::ids::OrderNumber;
use fettler_domain::order::{ClosingSaid, Confirmed, LotUsed, ReadingSaid};
use fettler_domain::quantity::Amount;
use fettler_domain::reading::{Limits, Taker};
use fettler_domain::shelf::ItemCard;
use fettler_domain::shelf::book::{Counted, Ordering, Receipt};
use fettler_domain::shelf::buy::Verdict;
use fettler_domain::shelf::said::StockSaid;
use fettler_domain::shop::{Declaration, KitItem, LastDoneCard, PointCard};
use fettler_domain::text::ForeignName;
use fettler_domain::time::ShopDay;
use fettler_store::contract::{
    BuyFilter, BuyList, Caller, Ended, EntryFilter, KeptItem, PageAsk, RequestKey, Result, StockDone,
    StockFilter, StockTold, StoreError,
};
use kit::{Engine, Shop, at, back_of, caller, declaration, every_days, key, name, task};

const NOON: &str = "2026-03-10T12:00:00Z";

fn litres(of: i64) -> Amount {
    Amount(of * 1_000)
}

fn day(text: &str) -> ShopDay {
    ShopDay(text.parse().expect("a day"))
}

fn kit(item: &str, quantity: &str, unit: &str) -> KitItem {
    KitItem { item: name(item), quantity: quantity.into(), unit: unit.into(), lot: None, into: None }
}

fn oil() -> ItemCard {
    ItemCard {
        code: Some(name("4711")),
        unit: "L".into(),
        pack: litres(5),
        hazardous: true,
        data_sheet: "folder 3".into(),
        ..ItemCard::plain(name("way oil"))
    }
}

/// The lathe with a task that takes 2 L of oil and a cloth every ten days, due for the first time on 11 March.
fn shop() -> Declaration {
    let mut declared = declaration();
    let mut refill = task("refill", "Refill way oil", vec![every_days(10)]);
    refill.kit = vec![kit("way oil", "2", "L"), kit("cloth", "1", "")];
    let machine = &mut declared.machines[0];
    machine.tasks.push(refill);
    let stated = LastDoneCard { task: key("refill"), counts: Vec::new(), ..machine.last_done[0].clone() };
    machine.last_done.push(stated);
    declared.items = vec![oil(), ItemCard::plain(name("cloth"))];
    declared
}

async fn open(engine: Engine) -> Shop {
    let shop = Shop::open_with(engine, &shop()).await;
    while shop.store.upkeep(shop.site, at(NOON), 500).await.expect("a pass").more {}
    shop
}

fn told(item: &str, said: StockSaid) -> StockTold {
    let item = ForeignName::new(item).expect("a name");
    StockTold { item, said, by: Some(name("Ada")), note: String::new() }
}

async fn say(shop: &Shop, item: &str, said: StockSaid) -> Result<StockDone> {
    shop.store.change_stock(&caller("Stock", NOON), shop.site, &told(item, said), false).await
}

fn receipt(of: i64, lot: &str, expires: Option<&str>) -> StockSaid {
    let (lot, expires) = (Some(name(lot)), expires.map(day));
    StockSaid::Received(Receipt { amount: litres(of), lot, expires, purchase: None })
}

async fn items(shop: &Shop, with_findings: bool) -> Vec<KeptItem> {
    let with_findings = with_findings.then(|| day("2026-03-10"));
    let filter = StockFilter { item: None, with_findings, before: at("2026-04-01T05:00:00Z") };
    shop.store.stock(shop.site, &filter, PageAsk { after: None, limit: 10 }).await.expect("a list").rows
}

async fn oil_of(shop: &Shop) -> KeptItem {
    items(shop, false).await.into_iter().find(|item| item.card.name == name("way oil")).expect("the oil")
}

fn lots(item: &KeptItem) -> Vec<(String, i64)> {
    item.shelf.lots.iter().map(|lot| (lot.lot.to_string(), lot.amount.0 / 1_000)).collect()
}

async fn kinds(shop: &Shop, of: &str) -> Vec<String> {
    let filter = EntryFilter { kind: Some(of.into()), ..EntryFilter::default() };
    let page = PageAsk { after: None, limit: 100 };
    let entries = shop.store.entries(shop.site, &filter, page).await.expect("entries").rows;
    entries.into_iter().map(|entry| entry.kind).collect()
}

async fn refill(shop: &Shop) -> OrderNumber {
    shop.store.open_order(shop.site, "L-1", &key("refill")).await.expect("open")
}

async fn items_are_declared_and_shown_again(engine: Engine) {
    let shop = open(engine).await;
    let declared = shop.store.shop(shop.site).await.expect("a shop");
    assert_eq!(declared.items, [ItemCard::plain(name("cloth")), oil()]);
    assert!(shop.load_this(&declared, false).await.changes.is_empty(), "loading it again changes nothing");
    let changed = ItemCard { code: Some(name("4712")), ..oil() };
    let report = shop.load_this(&Declaration { items: vec![changed.clone()], ..declared }, false).await;
    assert_eq!(report.changes[0].change, "code 4711 -> 4712");
    assert_eq!(oil_of(&shop).await.card, changed);
    assert_eq!(kinds(&shop, "item.").await.len(), 3);
    let missing = say(&shop, "4711", receipt(1, "a", None)).await;
    assert!(matches!(missing, Err(StoreError::Refused(Error::NotFound { kind: "item", .. }))), "{missing:?}");
}

async fn what_is_received_counted_and_issued_is_on_the_shelf(engine: Engine) {
    let shop = open(engine).await;
    let done = say(&shop, "4711", receipt(5, "a", Some("2026-12-01"))).await.expect("received");
    assert_eq!(lots(&done.item), [("a".to_owned(), 5)]);
    say(&shop, "way oil", receipt(3, "b", Some("2026-06-01"))).await.expect("received");
    let issued = StockSaid::Issued { amount: litres(4), lot: None, confirmed: false };
    let done = say(&shop, "way oil", issued).await.expect("issued");
    assert_eq!((lots(&done.item), done.remarks.len()), (vec![("a".to_owned(), 4)], 0));
    let done = say(&shop, "way oil", StockSaid::Counted(Counted::Total(litres(3)))).await.expect("counted");
    assert_eq!(done.remarks, ["1 L less than by the book"]);
    let kept = oil_of(&shop).await;
    assert_eq!(
        (kept.shelf.clone(), kept.set_aside),
        (done.item.shelf, Some(litres(2))),
        "the open order takes 2 L"
    );
    assert_eq!(
        kinds(&shop, "stock.").await,
        ["stock.counted", "stock.issued", "stock.received", "stock.received"]
    );
    assert!(items(&shop, true).await.is_empty(), "nothing stands open");
}

fn refused<T: std::fmt::Debug>(done: Result<T>) -> Error {
    let Err(StoreError::Refused(error)) = done else { panic!("{done:?}") };
    error
}

fn issued(of: i64, lot: Option<&str>, confirmed: bool) -> StockSaid {
    StockSaid::Issued { amount: litres(of), lot: lot.map(name), confirmed }
}

async fn more_than_by_the_book_is_asked_back_and_taken_when_it_is_so(engine: Engine) {
    let shop = open(engine).await;
    say(&shop, "way oil", receipt(5, "a", Some("2026-12-01"))).await.expect("received");
    say(&shop, "way oil", receipt(3, "b", Some("2026-06-01"))).await.expect("received");
    for (slip, expect) in [
        (
            issued(80, None, false),
            "80 L is more than the 8 L by the book; if it is so, confirm it (`--it-is-so`)",
        ),
        (
            issued(4, Some("b"), false),
            "4 L is more than the 3 L of lot b by the book; if it is so, confirm it (`--it-is-so`)",
        ),
    ] {
        let Error::AskedBack(asked) = refused(say(&shop, "way oil", slip).await) else { panic!("taken") };
        assert_eq!((asked[0].odd.field.as_str(), asked[0].odd.text.as_str()), ("quantity", expect));
    }
    assert_eq!(lots(&oil_of(&shop).await), [("b".to_owned(), 3), ("a".to_owned(), 5)], "nothing was taken");
    assert!(kinds(&shop, "stock.issued").await.is_empty());
    say(&shop, "way oil", issued(8, None, false)).await.expect("all there is, which is no question");
    let done = say(&shop, "way oil", issued(80, None, true)).await.expect("it is so");
    assert_eq!(done.remarks, ["way oil: 80 L more used than the 0 by the book; count it"]);
}

async fn what_was_taken_by_hand_can_be_taken_back(engine: Engine) {
    let shop = open(engine).await;
    say(&shop, "way oil", receipt(50, "a", None)).await.expect("received");
    let (before, needed) = (oil_of(&shop).await.shelf, needed(&shop).await);
    let entry = say(&shop, "way oil", issued(40, None, false)).await.expect("taken").entry;
    assert!(self::needed(&shop).await > needed, "what is taken by hand counts in what will be needed");
    let back = |entry, why: &'static str| {
        let shop = &shop;
        async move { shop.store.withdraw_issue(&BACK, shop.site, &back_of(entry, why)).await }
    };
    let done = back(entry, "four, not forty").await.expect("taken back");
    assert_eq!(
        (&done.item.shelf, done.remarks),
        (&before, vec!["40 L of way oil is back in stock".to_owned()])
    );
    assert_eq!(self::needed(&shop).await, needed, "it counts no more");
    assert_eq!(kinds(&shop, "stock.").await, ["stock.returned", "stock.issued", "stock.received"]);
    let filter = EntryFilter { kind: Some("stock.returned".into()), ..EntryFilter::default() };
    let page = PageAsk { after: None, limit: 1 };
    let told = shop.store.entries(shop.site, &filter, page).await.expect("entries").rows.remove(0);
    assert_eq!(told.note.as_deref(), Some("four, not forty"), "with its reason");

    let is =
        |error: Error, expect: &str| matches!(error, Error::WrongState { reason, .. } if reason == expect);
    assert!(is(refused(back(entry, "again").await), "USE_WITHDRAWN"));
    assert!(matches!(refused(back(9_999, "typo").await), Error::NotFound { .. }));
    let used = vec![kit("way oil", "1", "L")];
    let said = ClosingSaid { used, ..ClosingSaid::plain(refill(&shop).await, at(NOON), name("Ada")) };
    shop.store.close(&caller("CloseOrder", NOON), shop.site, &said).await.expect("closed");
    let filter = EntryFilter { kind: Some("stock.used".into()), ..EntryFilter::default() };
    let page = PageAsk { after: None, limit: 1 };
    let used = shop.store.entries(shop.site, &filter, page).await.expect("entries").rows[0].number;
    assert!(is(refused(back(used, "wrong order").await), "USE_OF_CLOSING"));
}

static BACK: LazyLock<Caller> = LazyLock::new(|| caller("WithdrawIssue", "2026-03-10T13:00:00Z"));

/// What is needed of the oil, in nine chances of ten.
async fn needed(shop: &Shop) -> Amount {
    let list = buy(shop).await;
    let line = list.lines.iter().find(|(item, _)| item.card.name == name("way oil"));
    line.map_or(Amount::ZERO, |(_, line)| line.ground.needed[2])
}

async fn a_closing_uses_and_its_undo_gives_back(engine: Engine) {
    let shop = open(engine).await;
    say(&shop, "way oil", receipt(3, "b", Some("2026-06-01"))).await.expect("received");
    say(&shop, "way oil", receipt(5, "a", Some("2026-12-01"))).await.expect("received");
    let before = oil_of(&shop).await.shelf;
    let order = refill(&shop).await;
    let used = vec![kit("way oil", "4", "L"), kit("way oil", "500", "mL"), kit("grease", "1", "")];
    let said = ClosingSaid { used, ..ClosingSaid::plain(order, at(NOON), name("Ada")) };
    let close =
        async |said: &ClosingSaid| shop.store.close(&caller("CloseOrder", NOON), shop.site, said).await;
    // What is on no shelf may be a slip of the name.
    assert_eq!(asked(close(&said).await), [("used[2].item".to_owned(), Vec::new())]);
    let slip = ClosingSaid { used: vec![kit("way oyl", "4", "L")], ..said.clone() };
    assert_eq!(asked(close(&slip).await), [("used[0].item".to_owned(), vec!["way oil".to_owned()])]);
    let so = Confirmed { used: [2].into(), ..Confirmed::default() };
    let said = ClosingSaid { confirmed: so, ..said };
    let closed = close(&said).await.expect("closed");
    let record = closed.order.and_then(|order| order.closing).expect("a closing").record;
    let lot = |lot: &str, of: i64| LotUsed { item: name("way oil"), lot: name(lot), amount: litres(of) };
    assert_eq!(record.lots, [lot("b", 3), lot("a", 1)]);
    let expect = [
        "way oil is counted in L, not in mL, so no stock was changed",
        "grease is no item on the shelf, so no stock was changed",
    ];
    assert_eq!(record.findings[record.findings.len() - 2..], expect);
    assert_eq!(lots(&oil_of(&shop).await), [("a".to_owned(), 4)]);

    let undo = |dry_run| shop.store.undo(&UNDO, shop.site, order, &ADA, "wrong machine", dry_run);
    assert_eq!(undo(true).await.expect("would be undone").remarks, ["4 L of way oil is back in stock"]);
    assert_eq!(lots(&oil_of(&shop).await), [("a".to_owned(), 4)], "nothing was changed");
    undo(false).await.expect("undone");
    assert_eq!(oil_of(&shop).await.shelf, before);
    assert_eq!(kinds(&shop, "stock.").await[..2], ["stock.returned", "stock.used"]);
}

/// What a closing is asked back for: the fields, each with what may be meant.
fn asked(closed: Result<Ended>) -> Vec<(String, Vec<String>)> {
    let Error::AskedBack(asked) = refused(closed) else { panic!("it is no question") };
    asked.into_iter().map(|of| (of.odd.field, of.meant)).collect()
}

/// The lathe with a reading of its coolant, and with a service that is done with the refill and has a kit of its own. Nothing of
/// that kit and not the coolant is on the shelf.
async fn with_a_smaller_service(engine: Engine) -> Shop {
    let mut declared = shop();
    let machine = &mut declared.machines[0];
    machine.points.push(PointCard {
        key: key("coolant"),
        title: "coolant concentration".into(),
        place: String::new(),
        good: String::new(),
        fluid: "Emulsion E".into(),
        reservoir: None,
        unit: "%".into(),
        limits: Limits::default(),
        possible: None,
        taker: Taker::Anyone,
        cautions: Vec::new(),
    });
    let mut bowl = task("bowl", "Empty the bowl", vec![every_days(10)]);
    bowl.kit = vec![kit("bowl gasket", "1", "")];
    machine.tasks.iter_mut().find(|task| task.key == key("refill")).expect("there").covers =
        vec![key("bowl")];
    let stated = LastDoneCard { task: key("bowl"), counts: Vec::new(), ..machine.last_done[0].clone() };
    machine.tasks.push(bowl);
    machine.last_done.push(stated);
    Shop::open_with(engine, &declared).await
}

async fn all_that_looks_like_a_slip_is_asked_back_together(engine: Engine) {
    let shop = with_a_smaller_service(engine).await;
    let order = refill(&shop).await;
    let close =
        async |said: &ClosingSaid| shop.store.close(&caller("CloseOrder", NOON), shop.site, said).await;
    let asked = async |said: &ClosingSaid| {
        asked(close(said).await).into_iter().map(|(field, _)| field).collect::<Vec<_>>()
    };
    let reading = ReadingSaid { point: key("colant"), value: "7.1".into(), unit: None, confirmed: false };
    let slip = ClosingSaid {
        readings: vec![reading.clone()],
        used: vec![kit("way oil", "1", "L"), kit("way oyl", "2", "L"), kit("4711", "1", "L")],
        ..ClosingSaid::plain(order, at("2026-01-05T10:00:00Z"), name("Ada"))
    };
    let all = ["done_at", "readings[0].point", "used[1].item"];
    assert_eq!(asked(&slip).await, all);
    let time = ClosingSaid { confirmed: Confirmed::time(), ..slip.clone() };
    assert_eq!(asked(&time).await, all[1..], "yes to the time is no yes to the others");
    let item = Confirmed { used: [1].into(), ..Confirmed::default() };
    assert_eq!(asked(&ClosingSaid { confirmed: item, ..slip.clone() }).await, all[..2]);
    let so = ReadingSaid { confirmed: true, ..reading };
    assert_eq!(asked(&ClosingSaid { readings: vec![so.clone()], ..slip.clone() }).await, [all[0], all[2]]);
    // What cannot be kept is told first, and alone.
    let wrong = ClosingSaid { minutes: 100_000, ..slip.clone() };
    let Error::Invalid(wrong) = refused(close(&wrong).await) else { panic!("no such time") };
    assert_eq!((wrong.len(), wrong[0].field.as_str()), (1, "minutes"));
    let so =
        ClosingSaid { readings: vec![so], confirmed: Confirmed { done_at: true, used: [1].into() }, ..slip };
    let closed = close(&so).await.expect("closed");
    let expect = "way oyl is no item on the shelf, so no stock was changed".to_owned();
    assert!(closed.remarks.contains(&expect), "{:?}", closed.remarks);
}

async fn what_a_covered_kit_or_the_machine_names_is_an_item(engine: Engine) {
    let shop = with_a_smaller_service(engine).await;
    let order = refill(&shop).await;
    let close =
        async |said: &ClosingSaid| shop.store.close(&caller("CloseOrder", NOON), shop.site, said).await;
    let used = vec![kit("bowl gasket", "1", ""), kit("emulsion E", "8", "L")];
    let said = ClosingSaid { used, ..ClosingSaid::plain(order, at(NOON), name("Ada")) };
    // The kit of an order that is left open is none of this closing.
    let alone = ClosingSaid { left_out: vec![key("bowl")], ..said.clone() };
    let Error::AskedBack(asked) = refused(close(&alone).await) else { panic!("no question") };
    assert_eq!(asked.iter().map(|of| of.odd.field.as_str()).collect::<Vec<_>>(), ["used[0].item"]);
    let closed = close(&said).await.expect("closed");
    assert_eq!(closed.covered.len(), 1);
}

use std::sync::LazyLock;

static UNDO: LazyLock<Caller> = LazyLock::new(|| caller("UndoClosing", "2026-03-10T13:00:00Z"));
static ADA: LazyLock<fettler_domain::text::Name> = LazyLock::new(|| name("Ada"));

/// What is not named was not used, unless the kit is said to have been used as it stands.
async fn a_kit_is_used_only_where_that_is_said(engine: Engine) {
    let shop = open(engine).await;
    say(&shop, "way oil", receipt(5, "a", None)).await.expect("received");
    let plain = ClosingSaid::plain(refill(&shop).await, at(NOON), name("Ada"));
    shop.store.close(&caller("CloseOrder", NOON), shop.site, &plain).await.expect("closed");
    assert_eq!(lots(&oil_of(&shop).await), [("a".to_owned(), 5)]);
    let plain = ClosingSaid::plain(refill(&shop).await, at(NOON), name("Ada"));
    let said = ClosingSaid { kit_used: true, used: vec![kit("way oil", "3", "")], ..plain };
    let closed = shop.store.close(&caller("CloseOrder", NOON), shop.site, &said).await.expect("closed");
    let record = closed.order.and_then(|order| order.closing).expect("a closing").record;
    assert_eq!(record.used, [kit("way oil", "3", ""), kit("cloth", "1", "")]);
    assert_eq!(lots(&oil_of(&shop).await), [("a".to_owned(), 2)]);
    let asking = items(&shop, true).await;
    assert_eq!(asking.len(), 1, "the cloth was used beyond the book");
    assert_eq!((asking[0].card.name.clone(), asking[0].shelf.beyond), (name("cloth"), Amount(1_000)));
}

async fn buy(shop: &Shop) -> BuyList {
    let filter = BuyFilter { until: day("2026-06-09"), item: None };
    shop.store.buy_list(shop.site, &filter, at(NOON)).await.expect("a list")
}

async fn the_buy_list_nets_the_work_ahead(engine: Engine) {
    let shop = open(engine).await;
    let list = buy(&shop).await;
    let oil = &list.lines.iter().find(|(item, _)| item.card.name == name("way oil")).expect("the oil").1;
    // Due on 11, 21 and 31 March and on: ten times in 91 days, 2 L each.
    assert_eq!(oil.ground.needed, [litres(20), litres(20), litres(20)]);
    assert_eq!(
        (oil.verdict, oil.amount, oil.waiting.clone()),
        (Verdict::Late, litres(5), vec![refill(&shop).await])
    );
    assert_eq!(oil.runs_out, Some(day("2026-03-11")));

    let ordering = Ordering {
        amount: litres(5),
        arrives: Some(day("2026-03-11")),
        reference: "P-9".into(),
        purchase: None,
    };
    let done = say(&shop, "way oil", StockSaid::Ordered(ordering)).await.expect("ordered");
    assert_eq!(done.purchase, Some(1));
    let list = buy(&shop).await;
    let oil = &list.lines.iter().find(|(item, _)| item.card.name == name("way oil")).expect("the oil").1;
    assert_eq!((oil.verdict, oil.runs_out), (Verdict::Order, Some(day("2026-03-31"))));
    assert_eq!(oil.order_by, day("2026-03-24"));
    let done = say(&shop, "way oil", receipt(5, "a", None)).await.expect("received");
    assert_eq!(done.remarks, ["5 L of purchase 1; all of it is here"]);
    assert!(done.item.shelf.purchases.is_empty());
    assert!(list.not_counted.is_empty(), "{:?}", list.not_counted);
}

async fn without_its_data_sheet_nothing_is_bought(engine: Engine) {
    let shop = open(engine).await;
    let bare = ItemCard { data_sheet: String::new(), ..oil() };
    shop.load_this(&Declaration { items: vec![bare], ..shop_again() }, false).await;
    let list = buy(&shop).await;
    let (_, line) = list.lines.iter().find(|(item, _)| item.card.name == name("way oil")).expect("the oil");
    assert_eq!(line.verdict, Verdict::NoDataSheet);
    let ordering = Ordering { amount: litres(5), arrives: None, reference: String::new(), purchase: None };
    let refused = say(&shop, "way oil", StockSaid::Ordered(ordering)).await;
    let is_refused = matches!(
        &refused,
        Err(StoreError::Refused(Error::WrongState { reason: "NO_SAFETY_DATA_SHEET", .. }))
    );
    assert!(is_refused, "{refused:?}");
    assert!(kinds(&shop, "purchase.").await.is_empty());
}

fn shop_again() -> Declaration {
    shop()
}

async fn a_repeat_has_no_second_effect_and_a_trial_none(engine: Engine) {
    let shop = open(engine).await;
    let ask = Caller {
        request: Some(RequestKey { id: "r".into(), digest: [1; 32] }),
        ..caller("ReceiveStock", NOON)
    };
    let said = told("way oil", receipt(5, "a", None));
    let trial = shop
        .store
        .change_stock(&caller("ReceiveStock", NOON), shop.site, &said, true)
        .await
        .expect("a trial");
    assert_eq!(lots(&trial.item), [("a".to_owned(), 5)]);
    assert!(oil_of(&shop).await.shelf.lots.is_empty(), "a trial leaves nothing");
    let first = shop.store.change_stock(&ask, shop.site, &said, false).await.expect("received");
    let again = shop.store.change_stock(&ask, shop.site, &said, false).await.expect("the same");
    assert_eq!((first, lots(&oil_of(&shop).await)), (again, vec![("a".to_owned(), 5)]));
    assert_eq!(kinds(&shop, "stock.").await.len(), 1);
}

/// The list goes on where its page ended, also where only some are wanted.
async fn items_come_in_pages(engine: Engine) {
    let shop = open(engine).await;
    let many =
        (0..7).map(|i| ItemCard { hazardous: i % 2 == 0, ..ItemCard::plain(name(&format!("item {i}"))) });
    shop.load_this(&Declaration { items: many.collect(), ..shop_again() }, false).await;
    for (with_findings, expect) in [(None, 9), (Some(day("2026-03-10")), 4)] {
        let filter = StockFilter { item: None, with_findings, before: at(NOON) };
        let (mut after, mut found) = (None, Vec::new());
        loop {
            let page =
                shop.store.stock(shop.site, &filter, PageAsk { after, limit: 2 }).await.expect("a page");
            assert!(page.rows.len() <= 2);
            found.extend(page.rows.into_iter().map(|item| item.card.name.to_string()));
            after = page.next;
            if after.is_none() {
                break;
            }
        }
        let mut sorted = found.clone();
        sorted.sort();
        sorted.dedup();
        assert_eq!((found.len(), found), (expect, sorted));
    }
}

on_every_engine!(
    items_are_declared_and_shown_again,
    what_is_received_counted_and_issued_is_on_the_shelf,
    more_than_by_the_book_is_asked_back_and_taken_when_it_is_so,
    all_that_looks_like_a_slip_is_asked_back_together,
    what_a_covered_kit_or_the_machine_names_is_an_item,
    what_was_taken_by_hand_can_be_taken_back,
    a_closing_uses_and_its_undo_gives_back,
    a_kit_is_used_only_where_that_is_said,
    the_buy_list_nets_the_work_ahead,
    without_its_data_sheet_nothing_is_bought,
    a_repeat_has_no_second_effect_and_a_trial_none,
    items_come_in_pages,
);
