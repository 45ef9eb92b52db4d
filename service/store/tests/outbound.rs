//! What other systems book, through the store contract: told once, in order, the same again until it is acknowledged.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::ids::OrderNumber;
use fettler_domain::order::ClosingSaid;
use fettler_domain::outbound::{BuyLineTold, BuyTold, Told, UndoneTold, UsedTold, WorkTold};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::shelf::ItemCard;
use fettler_domain::shelf::book::Receipt;
use fettler_domain::shelf::buy::Verdict;
use fettler_domain::shelf::said::StockSaid;
use fettler_domain::shop::{Declaration, KitItem, LastDoneCard};
use fettler_domain::text::ForeignName;
use fettler_domain::time::ShopDay;
use fettler_store::contract::{OutboundEntry, PageAsk, RequestKey, StockTold, StoreError};
use kit::{Engine, Shop, at, caller, declaration, every_days, hours, key, name, task};

const NOON: &str = "2026-03-10T12:00:00Z";

fn kit(item: &str, quantity: &str, unit: &str) -> KitItem {
    KitItem { item: name(item), quantity: quantity.into(), unit: unit.into(), lot: None, into: None }
}

/// The lathe with a task that takes 2.5 L of oil, which costs 7.35 a litre, and a cloth.
fn shop() -> Declaration {
    let mut declared = declaration();
    let mut refill = task("refill", "Refill way oil", vec![every_days(10)]);
    refill.kit = vec![kit("way oil", "2.5", "L"), kit("cloth", "1", "")];
    let machine = &mut declared.machines[0];
    machine.tasks.push(refill);
    let stated = LastDoneCard { task: key("refill"), counts: Vec::new(), ..machine.last_done[0].clone() };
    machine.last_done.push(stated);
    let oil = ItemCard {
        code: Some(name("4711")),
        unit: "L".into(),
        unit_cost: Some(Amount(7_350)),
        ..ItemCard::plain(name("way oil"))
    };
    declared.items = vec![oil];
    declared
}

impl Shop {
    async fn opened(&self, task: &str) -> OrderNumber {
        self.store.open_order(self.site, "L-1", &key(task)).await.expect("open")
    }

    async fn close(&self, order: OrderNumber) {
        let said =
            ClosingSaid { kit_used: true, minutes: 12, ..ClosingSaid::plain(order, at(NOON), name("Ada")) };
        self.store.close(&caller("CloseOrder", NOON), self.site, &said).await.expect("closed");
    }

    async fn tell(&self, lines: Option<Vec<BuyTold>>, now: &str) -> bool {
        self.store.tell_outbound(self.site, lines, at(now)).await.expect("told")
    }

    async fn told(&self, after: i64) -> Vec<OutboundEntry> {
        let page = PageAsk { after: Some(after), limit: 100 };
        self.store.outbound(self.site, page).await.expect("a page").rows
    }
}

fn work(entry: &OutboundEntry) -> WorkTold {
    match &entry.told {
        Told::Work(work) => (**work).clone(),
        Told::Buy(line) => panic!("{line:?}"),
    }
}

async fn closings_and_their_undoing_are_told_once_and_in_order(engine: Engine) {
    let mut shop = Shop::open_with(engine, &shop()).await;
    shop.push(vec![hours("erp", "L-1", 9, 8)], "2026-03-10T06:00:00Z").await;
    let receipt = Receipt { amount: Amount(10_000), lot: Some(name("A-17")), expires: None, purchase: None };
    let item = ForeignName::new("4711").expect("a name");
    let told = StockTold { item, said: StockSaid::Received(receipt), by: None, note: String::new() };
    shop.store.change_stock(&caller("Stock", NOON), shop.site, &told, false).await.expect("received");
    let (refill, filter) = (shop.opened("refill").await, shop.opened("filter").await);
    shop.close(refill).await;
    shop.close(filter).await;
    assert_eq!(shop.told(0).await, [], "nothing is told before somebody asks");
    assert!(!shop.tell(None, "2026-03-10T12:01:00Z").await);
    let undo = caller("UndoClosing", "2026-03-10T13:00:00Z");
    shop.store.undo(&undo, shop.site, refill, &name("Ada"), "wrong machine", false).await.expect("undone");
    let writes = shop.store.writes(shop.site).await.expect("a count");
    shop.tell(None, "2026-03-10T13:01:00Z").await;
    assert_eq!(shop.store.writes(shop.site).await.expect("a count"), writes + 1);
    shop.tell(None, "2026-03-10T13:02:00Z").await;
    assert_eq!(
        shop.store.writes(shop.site).await.expect("a count"),
        writes + 1,
        "where nothing is new nothing is written"
    );

    let all = shop.told(0).await;
    let [first, second, third] = &all[..] else { panic!("{all:?}") };
    assert_eq!([first.number, second.number, third.number], [1, 2, 3]);
    let (closed, other, undone) = (work(first), work(second), work(third));
    assert_eq!(
        (closed.order, closed.title.as_str(), closed.machine.as_str()),
        (refill, "Refill way oil", "L-1")
    );
    assert_eq!((closed.task.as_deref(), closed.minutes, closed.done_at), (Some("refill"), 12, at(NOON)));
    // 2.5 L at 7.35 are 18.375, by arithmetic.
    let oil = UsedTold {
        item: "way oil".into(),
        code: Some("4711".into()),
        quantity: "2.5".into(),
        unit: "L".into(),
        lots: vec![("A-17".into(), "2.5".into())],
        unit_cost: Some(Amount(7_350)),
        cost: Some(Amount(18_375)),
    };
    let cloth = UsedTold {
        item: "cloth".into(),
        code: None,
        quantity: "1".into(),
        unit: String::new(),
        lots: Vec::new(),
        unit_cost: None,
        cost: None,
    };
    assert_eq!(closed.used, [oil, cloth]);
    let counted = &closed.meters[0];
    assert_eq!((counted.meter.as_str(), counted.unit), ("operating", Unit::Hours));
    assert_eq!(counted.counted, Amount(8 * 3_600_000), "eight hours in milliseconds");
    assert_eq!((other.order, other.used.len()), (filter, 0));
    let reversal = UndoneTold { at: at("2026-03-10T13:00:00Z"), by: closed.done_by, reverses: 1 };
    assert_eq!(undone.undone, Some(reversal));
    assert!(undone.entry > other.entry && other.entry > closed.entry, "entries of the journal, in its order");
    assert_eq!(
        WorkTold { undone: None, entry: closed.entry, ..undone },
        closed,
        "all else it says as before"
    );

    // What was told is told the same, by another process too, whatever became of the shop meanwhile.
    shop.push(vec![hours("erp", "L-1", 8, 8)], "2026-03-10T14:00:00Z").await;
    shop.reopen().await;
    shop.tell(None, "2026-03-10T14:01:00Z").await;
    assert_eq!(shop.told(0).await, all);
    assert_eq!(shop.told(2).await, all[2..]);
    shop.close(refill).await;
    shop.tell(None, "2026-03-10T14:02:00Z").await;
    let again = shop.told(3).await;
    assert_eq!((again.len(), again[0].number, work(&again[0]).order), (1, 4, refill));
    let page = shop.store.outbound(shop.site, PageAsk { after: Some(0), limit: 2 }).await.expect("a page");
    assert_eq!((page.rows.len(), page.next), (2, Some(2)));
}

async fn an_undoing_of_several_closings_is_told_of_each(engine: Engine) {
    let mut declared = declaration();
    let mut yearly = task("yearly", "Yearly service", vec![every_days(365)]);
    yearly.covers = vec![key("filter")];
    let machine = &mut declared.machines[0];
    machine.tasks.push(yearly);
    let stated = LastDoneCard { task: key("yearly"), counts: Vec::new(), ..machine.last_done[0].clone() };
    machine.last_done.push(stated);
    let shop = Shop::open_with(engine, &declared).await;
    let (yearly, filter) = (shop.opened("yearly").await, shop.opened("filter").await);
    shop.close(yearly).await;
    let undo = caller("UndoClosing", "2026-03-10T13:00:00Z");
    shop.store.undo(&undo, shop.site, yearly, &name("Ada"), "wrong machine", false).await.expect("undone");
    shop.tell(None, "2026-03-10T13:01:00Z").await;
    let all: Vec<WorkTold> = shop.told(0).await.iter().map(work).collect();
    let orders: Vec<OrderNumber> = all.iter().map(|work| work.order).collect();
    let place = |of: OrderNumber| 1 + orders.iter().position(|order| *order == of).expect("told");
    assert_eq!(orders.iter().filter(|order| **order == filter).count(), 2);
    assert_eq!((all.len(), all[place(filter) - 1].covered_by), (4, Some(all[place(yearly) - 1].closing)));
    let minutes = [yearly, filter].map(|order| all[place(order) - 1].minutes);
    assert_eq!(minutes, [12, 0], "what both took is told once");
    for undone in &all[2..] {
        let reverses = undone.undone.expect("undone").reverses;
        assert_eq!(usize::try_from(reverses).expect("small"), place(undone.order), "{undone:?}");
    }
}

fn line(item: i64, litres: i64, order_by: &str) -> BuyTold {
    let day = |text: &str| ShopDay(text.parse().expect("a day"));
    let line = BuyLineTold {
        verdict: Verdict::Order,
        amount: Amount(litres * 1_000),
        packs: 1,
        order_by: day(order_by),
        arrives: day("2026-04-01"),
        runs_out: None,
        why: "needed".into(),
        remarks: Vec::new(),
        unit_cost: None,
        cost: None,
    };
    BuyTold { item, name: format!("item {item}"), code: None, unit: "L".into(), line: Some(line) }
}

async fn lines_of_the_buy_list_are_told_when_they_say_something_else(engine: Engine) {
    let shop = Shop::open(engine).await;
    assert_eq!(shop.store.buy_compared_at(shop.site).await.expect("asked"), None);
    shop.tell(Some(vec![line(1, 20, "2026-03-20"), line(2, 5, "2026-03-20")]), NOON).await;
    assert_eq!(shop.store.buy_compared_at(shop.site).await.expect("asked"), Some(at(NOON)));
    shop.tell(Some(vec![line(1, 25, "2026-03-20"), line(2, 5, "2026-03-20")]), "2026-03-10T13:00:00Z").await;
    shop.tell(Some(vec![line(1, 25, "2026-03-20")]), "2026-03-10T14:00:00Z").await;
    // Gathered before the last comparison, told after it: it says nothing new.
    shop.tell(Some(vec![line(3, 1, "2026-03-20")]), "2026-03-10T13:30:00Z").await;
    let told: Vec<(i64, Option<BuyLineTold>)> = shop
        .told(0)
        .await
        .into_iter()
        .map(|entry| match entry.told {
            Told::Buy(told) => (told.item, told.line),
            Told::Work(work) => panic!("{work:?}"),
        })
        .collect();
    let of = |told: BuyTold| (told.item, told.line);
    let expect = [
        of(line(1, 20, "2026-03-20")),
        of(line(2, 5, "2026-03-20")),
        of(line(1, 25, "2026-03-20")),
        (2, None),
    ];
    assert_eq!(told, expect);
    // After a quarter of a year what was superseded is gone; what stands is told to whoever comes new.
    shop.tell(Some(vec![line(1, 25, "2026-03-20")]), "2026-07-10T14:00:00Z").await;
    let numbers: Vec<i64> = shop.told(0).await.iter().map(|entry| entry.number).collect();
    assert_eq!(numbers, [3, 4]);
}

async fn a_reader_s_place_moves_forward_only(engine: Engine) {
    let shop = Shop::open(engine).await;
    shop.close(shop.opened("filter").await).await;
    shop.close(shop.opened("way-oil").await).await;
    shop.tell(None, NOON).await;
    let place =
        async |reader: &str| shop.store.outbound_place(shop.site, &key(reader)).await.expect("a place");
    assert_eq!(place("erp").await, 0);
    let mut call = caller("AcknowledgeOutbound", NOON);
    call.request = Some(RequestKey { id: "r".into(), digest: [1; 32] });
    let done = async |call: &_, reader: &str, through| {
        shop.store.acknowledge_outbound(call, shop.site, &key(reader), through).await
    };
    assert_eq!(done(&call, "erp", 1).await.expect("moved"), 1);
    assert_eq!(done(&caller("A", NOON), "erp", 2).await.expect("moved"), 2);
    assert_eq!(done(&call, "erp", 1).await.expect("a repeat"), 1, "a repeat is answered alike");
    assert_eq!(done(&caller("A", NOON), "erp", 1).await.expect("stands"), 2);
    assert_eq!((place("erp").await, place("books").await), (2, 0));
    let beyond = done(&caller("A", NOON), "erp", 3).await;
    assert!(matches!(beyond, Err(StoreError::Refused(Error::Invalid(_)))), "{beyond:?}");
}

on_every_engine!(
    closings_and_their_undoing_are_told_once_and_in_order,
    an_undoing_of_several_closings_is_told_of_each,
    lines_of_the_buy_list_are_told_when_they_say_something_else,
    a_reader_s_place_moves_forward_only,
);
