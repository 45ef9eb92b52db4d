//! Rules through the store contract: orders that are void because their rule has ended and open again when it goes on, rules
//! that change from a day, and what was closed before a change.

#[macro_use]
mod kit;

use fettler_domain::calendar::{Closure, Shift, WallTime, Weekdays};
use fettler_domain::error::Error;
use fettler_domain::ids::OrderNumber;
use fettler_domain::ledger::row::Feed;
use fettler_domain::order::{ClosingSaid, OrderState};
use fettler_domain::plan::{By, Counted, Timing};
use fettler_domain::rule::Recurrence;
use fettler_domain::shop::{ClauseCard, Declaration, LastDoneCard, TaskCard};
use fettler_domain::time::{ShopDay, Ts};
use fettler_store::contract::{
    Caller, DueFilter, DuePart, Ended, EntryFilter, MachineMove, OrderRecord, PageAsk, RequestKey, StoreError,
};
use kit::{Engine, Shop, at, caller, declaration, every_days, every_hours, hours, key, name, shows, task};

fn day(text: &str) -> ShopDay {
    ShopDay(text.parse().expect("a day"))
}

/// The shop day that starts at 05:00 of a date, as that instant.
#[expect(clippy::unnecessary_wraps, reason = "it is compared with what may be absent")]
fn start(date: &str) -> Option<Ts> {
    Some(at(&format!("{date}T05:00:00Z")))
}

fn recurring(rule: &str, from: &str) -> ClauseCard {
    ClauseCard::Recurrence(Recurrence::new(rule, day(from)).expect("a rule"))
}

/// The shop with one more task, `walk`, that is due by these clauses.
fn with_walk(clauses: Vec<ClauseCard>) -> Declaration {
    let mut declared = declaration();
    declared.machines[0].tasks.push(task("walk", "Walk around it", clauses));
    declared
}

/// Due on 10 and 11 March, and then no more.
fn twice() -> Declaration {
    with_walk(vec![recurring("FREQ=DAILY;COUNT=2", "2026-03-10")])
}

fn said(order: OrderNumber, done_at: &str) -> ClosingSaid {
    ClosingSaid { cautions_confirmed: true, ..ClosingSaid::plain(order, at(done_at), name("Ada")) }
}

impl Shop {
    async fn open_walk(&self) -> Option<OrderNumber> {
        match self.store.open_order(self.site, "L-1", &key("walk")).await {
            Ok(order) => Some(order),
            Err(StoreError::Refused(Error::NotFound { .. })) => None,
            Err(other) => panic!("{other:?}"),
        }
    }

    async fn walk(&self) -> OrderNumber {
        self.open_walk().await.expect("one is open")
    }

    async fn close(&self, order: OrderNumber, done_at: &str) -> Ended {
        let call = caller("CloseOrder", done_at);
        self.store.close(&call, self.site, &said(order, done_at)).await.expect("closed")
    }

    async fn order(&self, order: OrderNumber) -> OrderRecord {
        self.store.order(self.site, order).await.expect("an order")
    }

    /// Where an order stands and why.
    async fn stands(&self, order: OrderNumber) -> (OrderState, String) {
        let order = self.order(order).await;
        (order.state, order.reason)
    }

    /// Everything on the due list, in whatever part.
    async fn listed(&self) -> Vec<OrderNumber> {
        let mut all = Vec::new();
        for part in [DuePart::Dated, DuePart::NeverRecorded] {
            let filter = DueFilter { part, before: Ts::MAX, machine: None, area: None };
            let page = self.store.due(self.site, &filter, PageAsk { after: None, limit: 100 }).await;
            all.extend(page.expect("a list").rows.iter().map(|entry| entry.plan.order));
        }
        all
    }

    async fn load_at(&self, declared: &Declaration, now: &str) -> u64 {
        let call = caller("LoadShop", now);
        let report = self.store.load_shop(&call, declared, None, false).await.expect("loaded");
        report.changes.len() as u64
    }

    /// The kinds of the journal's entries about an order, oldest first.
    async fn kinds(&self, order: OrderNumber) -> Vec<String> {
        let filter = EntryFilter { from: Some(0), kind: None, subject: Some(format!("orders/{order}")) };
        let page = PageAsk { after: None, limit: 100 };
        let entries = self.store.entries(self.site, &filter, page).await.expect("entries").rows;
        entries.into_iter().map(|entry| entry.kind).collect()
    }
}

/// Both days of [`twice`] done; the order that would be the third.
async fn ended(engine: Engine) -> (Shop, OrderNumber, OrderNumber) {
    let shop = Shop::open_with(engine, &twice()).await;
    let first = shop.walk().await;
    assert_eq!(shop.row(first, "2026-03-02T12:00:00Z").await.due, start("2026-03-10"));
    shop.close(first, "2026-03-10T09:00:00Z").await;
    let second = shop.walk().await;
    let told = shop.close(second, "2026-03-12T09:00:00Z").await;
    let [third] = told.void[..] else { panic!("{told:?}") };
    assert_eq!(told.next, []);
    assert_eq!(told.remarks, [format!("order {third} is void: its rule has ended")]);
    (shop, second, third)
}

const ENDED: &str = "its rule has ended";

async fn an_order_is_void_once_its_rule_has_ended(engine: Engine) {
    let (shop, second, third) = ended(engine).await;
    assert_eq!(shop.stands(third).await, (OrderState::Void, ENDED.to_owned()));
    assert_eq!(shop.open_walk().await, None);
    assert!(!shop.listed().await.contains(&third));
    assert_eq!(shop.kinds(third).await, ["order.voided"]);
    // What the last closing satisfied is still told.
    let closing = shop.order(second).await.closing.expect("a closing");
    let satisfied = closing.satisfied.expect("judged");
    assert_eq!((satisfied.due, satisfied.missed), (start("2026-03-11"), 0));
    assert!(matches!(satisfied.timing, Timing::Late(_)), "{:?}", satisfied.timing);
    // Hours, and a new day, change nothing about it, and nothing is written for it.
    let size = shop.store.journal_head(shop.site).await.expect("a head").size;
    shop.push(vec![hours("erp", "L-1", 13, 8)], "2026-03-14T06:00:00Z").await;
    while shop.store.upkeep(shop.site, at("2026-04-01T06:00:00Z"), 100).await.expect("upkeep").more {}
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head").size, size + 1);
    assert_eq!(shop.stands(third).await.0, OrderState::Void);
    assert_eq!(shop.listed().await.len(), 2, "the other tasks go on");
}

async fn a_skip_of_the_last_day_ends_the_rule_and_says_so_again(engine: Engine) {
    let shop = Shop::open_with(engine, &twice()).await;
    shop.close(shop.walk().await, "2026-03-10T09:00:00Z").await;
    let order = shop.walk().await;
    let mut call = caller("SkipOrder", "2026-03-12T09:00:00Z");
    call.request = Some(RequestKey { id: "5e8f8a4e".into(), digest: [7; 32] });
    let by = name("Ada");
    let told = shop.store.skip(&call, shop.site, order, &by, "no need", false).await.expect("skipped");
    let [void] = told.void[..] else { panic!("{told:?}") };
    assert_eq!(
        (told.next.len(), told.remarks.as_slice()),
        (0, &[format!("order {void} is void: {ENDED}")][..])
    );
    let again =
        shop.store.skip(&call, shop.site, order, &by, "no need", false).await.expect("the same answer");
    assert_eq!((again.void, again.remarks), (told.void, told.remarks));
}

async fn an_undone_closing_opens_its_order_and_the_void_one_stays_void(engine: Engine) {
    let (shop, second, third) = ended(engine).await;
    let call = caller("UndoClosing", "2026-03-12T10:00:00Z");
    let undone =
        shop.store.undo(&call, shop.site, second, &name("Ada"), "typo", false).await.expect("undone");
    assert_eq!(undone.void, [], "nothing was open");
    assert_eq!((shop.walk().await, shop.stands(third).await.0), (second, OrderState::Void));
    let told = shop.close(second, "2026-03-12T11:00:00Z").await;
    let [fourth] = told.void[..] else { panic!("{told:?}") };
    // Both are void now, but only the last may be open again.
    shop.load_at(&with_walk(vec![every_days(30)]), "2026-03-13T09:00:00Z").await;
    assert_eq!((shop.walk().await, shop.stands(third).await.0), (fourth, OrderState::Void));
}

async fn an_undo_tells_of_an_order_whose_rule_has_ended_meanwhile(engine: Engine) {
    let mut declared = with_walk(vec![every_days(30)]);
    let (machine, task) = (key("L-1"), key("walk"));
    let done = LastDoneCard { machine, task, day: day("2026-03-01"), counts: Vec::new() };
    declared.machines[0].last_done.push(done);
    let shop = Shop::open_with(engine, &declared).await;
    let first = shop.walk().await;
    shop.close(first, "2026-03-12T09:00:00Z").await;
    // Both days lie before it was last done, so that nothing is left to do, whatever is undone.
    shop.load_at(&with_walk(vec![recurring("FREQ=DAILY;COUNT=2", "2026-02-20")]), "2026-03-13T09:00:00Z")
        .await;
    assert_eq!(shop.open_walk().await, None);
    let mut call = caller("UndoClosing", "2026-03-13T10:00:00Z");
    call.request = Some(RequestKey { id: "4d1c90f2".into(), digest: [9; 32] });
    let undo = async || shop.store.undo(&call, shop.site, first, &name("Ada"), "typo", false).await;
    let told = undo().await.expect("undone");
    assert_eq!((told.next.len(), told.void.as_slice()), (0, &[first][..]));
    assert_eq!(told.remarks, [format!("order {first} is void: {ENDED}")]);
    assert_eq!(shop.stands(first).await, (OrderState::Void, ENDED.to_owned()));
    assert_eq!(undo().await.expect("the same answer"), told);
}

async fn another_rule_opens_the_order_again_and_the_first_one_ends_it_again(engine: Engine) {
    let (shop, _, third) = ended(engine).await;
    shop.load_at(&with_walk(vec![every_days(30)]), "2026-03-13T09:00:00Z").await;
    assert_eq!(shop.stands(third).await, (OrderState::Open, String::new()));
    assert_eq!(shop.row(third, "2026-03-13T09:00:00Z").await.due, start("2026-04-11"));
    assert!(shop.listed().await.contains(&third));
    shop.load_at(&twice(), "2026-03-14T09:00:00Z").await;
    assert_eq!(shop.stands(third).await, (OrderState::Void, ENDED.to_owned()));
    assert_eq!(shop.kinds(third).await, ["order.voided", "order.open_again", "order.voided"]);
    // Trying a change out leaves all as it was.
    let call = caller("LoadShop", "2026-03-15T09:00:00Z");
    let other = with_walk(vec![every_days(9)]);
    shop.store.load_shop(&call, &other, None, true).await.expect("looked at");
    assert_eq!(shop.stands(third).await.0, OrderState::Void);
}

async fn another_last_done_opens_the_order_again(engine: Engine) {
    // Both days lie before the record begins, and the work was last done after them.
    let mut declared = with_walk(vec![recurring("FREQ=DAILY;COUNT=2", "2026-02-20")]);
    let done =
        |on: &str| LastDoneCard { machine: key("L-1"), task: key("walk"), day: day(on), counts: Vec::new() };
    declared.machines[0].last_done.push(done("2026-03-01"));
    let shop = Shop::open_with(engine, &declared).await;
    assert_eq!(shop.open_walk().await, None, "it has ended from the beginning");
    let call = caller("StateLastDone", "2026-03-02T13:00:00Z");
    let stated = [done("2026-02-20")];
    shop.store.state_last_done(&call, shop.site, &stated, None, false).await.expect("stated");
    assert_eq!(shop.row(shop.walk().await, "2026-03-02T13:00:00Z").await.due, start("2026-02-21"));
}

/// Upkeep until nothing is left to do.
async fn upkeep(shop: &Shop, now: &str) {
    while shop.store.upkeep(shop.site, at(now), 100).await.expect("upkeep").more {}
}

async fn upkeep_turns_orders_whose_calendar_changed(engine: Engine) {
    // Sunday 15 March is closed, so the last day moves to Friday the 13th, on which it is done.
    let mut declared = with_walk(vec![recurring("FREQ=DAILY;COUNT=1", "2026-03-15")]);
    declared.site.shifts = vec![Shift {
        key: key("early"),
        weekdays: Weekdays::MONDAY_TO_FRIDAY,
        starts: WallTime::parse("06:00").expect("a time"),
        ends: WallTime::parse("14:00").expect("a time"),
    }];
    let shop = Shop::open_with(engine, &declared).await;
    let [void] = shop.close(shop.walk().await, "2026-03-13T09:00:00Z").await.void[..] else { panic!("void") };
    // Sunday is worked after all: what was done on Friday was before its window, which is a day wide.
    declared.site.shifts[0].weekdays = Weekdays::EVERY_DAY;
    shop.load_at(&declared, "2026-03-13T10:00:00Z").await;
    assert_eq!(shop.open_walk().await, None, "a load of the site alone leaves the rows to upkeep");
    upkeep(&shop, "2026-03-13T10:00:00Z").await;
    assert_eq!(shop.walk().await, void);
    assert_eq!(shop.row(void, "2026-03-13T10:00:00Z").await.due, start("2026-03-15"));
    declared.site.shifts[0].weekdays = Weekdays::MONDAY_TO_FRIDAY;
    shop.load_at(&declared, "2026-03-13T11:00:00Z").await;
    assert_eq!(shop.walk().await, void);
    upkeep(&shop, "2026-03-13T11:00:00Z").await;
    assert_eq!(shop.stands(void).await, (OrderState::Void, ENDED.to_owned()));
}

async fn a_push_leaves_what_turns_to_upkeep(engine: Engine) {
    // Sunday 15 March is closed by the calendar and the rule's day moves to Friday, on which it is done. Then hours of
    // Sunday arrive, which open that day for the machine: the work was before its window, and the order is to be done.
    let mut declared = with_walk(vec![recurring("FREQ=DAILY;COUNT=1", "2026-03-15")]);
    declared.site.closures =
        vec![Closure { name: name("stocktaking"), first: day("2026-03-14").0, last: day("2026-03-15").0 }];
    let shop = Shop::open_with(engine, &declared).await;
    let [void] = shop.close(shop.walk().await, "2026-03-13T09:00:00Z").await.void[..] else { panic!("void") };
    shop.push(vec![hours("erp", "L-1", 15, 8)], "2026-03-16T09:00:00Z").await;
    assert!(shop.open_walk().await.is_none() && !shop.listed().await.contains(&void));
    assert_eq!(
        shop.store
            .due_head(shop.site, at("2026-03-16T09:00:00Z"))
            .await
            .expect("a head")
            .stale
            .map(|(n, _)| n),
        Some(1)
    );
    upkeep(&shop, "2026-03-16T09:00:00Z").await;
    assert_eq!(
        (shop.walk().await, shop.row(void, "2026-03-16T09:00:00Z").await.due),
        (void, start("2026-03-15"))
    );
    assert_eq!(shop.store.due_head(shop.site, at("2026-03-16T09:00:00Z")).await.expect("a head").stale, None);
}

async fn scenario_052_a_retired_task_s_order_is_void_with_that_reason(engine: Engine) {
    let (shop, _, third) = ended(engine).await;
    let retired = |mut declared: Declaration| {
        declared.machines[0].tasks[1].retire = true;
        declared.machines[0].tasks[2].retire = true;
        declared
    };
    let filter = shop.store.open_order(shop.site, "L-1", &key("filter")).await.expect("one is open");
    shop.load_at(&retired(twice()), "2026-05-01T09:00:00Z").await;
    assert_eq!(shop.stands(filter).await, (OrderState::Void, "task retired".to_owned()));
    let order = shop.order(filter).await;
    assert!(order.closing.is_none() && order.skipped_by.is_none(), "it was neither done nor passed over");
    // One that was void because its rule has ended is not opened again by whatever comes, but a new one is.
    let mut again = with_walk(vec![every_days(90)]);
    again.machines[0].tasks[1].retire = true;
    shop.load_at(&again, "2026-05-02T09:00:00Z").await;
    let walk = shop.walk().await;
    assert!(walk != third && shop.stands(third).await == (OrderState::Void, ENDED.to_owned()));
    // So it is where the whole machine leaves the shop.
    shop.load_at(&with_walk(vec![recurring("FREQ=DAILY;COUNT=2", "2026-03-10")]), "2026-05-03T09:00:00Z")
        .await;
    assert_eq!(shop.stands(walk).await, (OrderState::Void, ENDED.to_owned()));
    let call = caller("RetireMachine", "2026-05-04T09:00:00Z");
    let (tag, by) = (key("L-1"), name("Ada"));
    let retire = MachineMove::Retire;
    shop.store.move_machine(&call, shop.site, &tag, retire, &by, "sold", false).await.expect("retired");
    upkeep(&shop, "2026-05-05T09:00:00Z").await;
    assert_eq!(
        (shop.stands(walk).await, shop.listed().await),
        ((OrderState::Void, ENDED.to_owned()), vec![])
    );
}

/// The filter's task every so many days, from a day on if one is said.
fn filter_every(days: u32, from: Option<&str>) -> Declaration {
    let mut declared = declaration();
    let filter: &mut TaskCard = &mut declared.machines[0].tasks[1];
    filter.rule.as_mut().expect("a rule").clauses = vec![every_days(days)];
    filter.rule_from = from.map(day);
    declared
}

async fn a_rule_changes_on_its_day_and_may_be_taken_back_before(engine: Engine) {
    // Last done on 1 March; every 40 days at first.
    let shop = Shop::open_with(engine, &filter_every(40, None)).await;
    let order = shop.store.open_order(shop.site, "L-1", &key("filter")).await.expect("one is open");
    let due = async |now: &str| {
        let row = shop.row(order, now).await;
        (row.due, row.rule_effective)
    };
    assert_eq!(shop.load_at(&filter_every(20, Some("2026-03-30")), "2026-03-02T13:00:00Z").await, 1);
    // The 20 days are over on 21 March, before the change: so it is due on the day of the change.
    assert_eq!(due("2026-03-02T13:00:00Z").await, (start("2026-03-30"), Some(day("2026-03-30"))));
    assert_eq!(shop.load_at(&filter_every(20, Some("2026-03-30")), "2026-03-02T14:00:00Z").await, 0);
    let shown = shop.store.shop(shop.site).await.expect("shown");
    assert_eq!(shop.load_at(&shown, "2026-03-02T14:00:00Z").await, 0, "as it is shown it changes nothing");
    // It comes on another day.
    assert_eq!(shop.load_at(&filter_every(20, Some("2026-04-02")), "2026-03-03T13:00:00Z").await, 1);
    assert_eq!(due("2026-03-03T13:00:00Z").await, (start("2026-04-02"), Some(day("2026-04-02"))));
    // It is taken back.
    assert_eq!(shop.load_at(&filter_every(40, None), "2026-03-04T13:00:00Z").await, 1);
    assert_eq!(due("2026-03-04T13:00:00Z").await, (start("2026-04-10"), Some(day("2026-03-04"))));
    upkeep(&shop, "2026-04-03T13:00:00Z").await;
    assert_eq!(due("2026-04-03T13:00:00Z").await.0, start("2026-04-10"), "and does not come");
}

async fn what_was_closed_is_judged_by_the_rule_that_stood_then(engine: Engine) {
    // Done on 1 March, every 30 days: due on the 31st, late from 4 April on.
    let shop = Shop::open_with(engine, &filter_every(30, None)).await;
    let order = shop.store.open_order(shop.site, "L-1", &key("filter")).await.expect("one is open");
    let next = shop.close(order, "2026-04-08T09:00:00Z").await.next[0].plan.order;
    let timing = async || {
        let closing = shop.order(order).await.closing.expect("a closing");
        let satisfied = closing.satisfied.expect("judged");
        (satisfied.due, satisfied.timing)
    };
    let late = (start("2026-03-31"), Timing::Late(By::Days(8)));
    assert_eq!(timing().await, late);
    // Every 60 days from 15 March on, said in April and confirmed: the open order follows it, what was closed does not.
    let mut past = filter_every(60, Some("2026-03-15"));
    let call = caller("LoadShop", "2026-04-09T09:00:00Z");
    let refused = shop.store.load_shop(&call, &past, None, false).await;
    assert!(matches!(refused, Err(StoreError::Refused(Error::Invalid(_)))), "{refused:?}");
    past.past_rules = true;
    let planner = Caller { as_manager: false, ..call };
    let refused = shop.store.load_shop(&planner, &past, None, false).await;
    let manager_only = |e: &Error| matches!(e, Error::NotAllowed { reason: "MANAGER_ONLY", .. });
    assert!(matches!(&refused, Err(StoreError::Refused(e)) if manager_only(e)), "{refused:?}");
    assert_eq!(shop.load_at(&past, "2026-04-09T09:00:00Z").await, 1);
    assert_eq!(shop.row(next, "2026-04-09T09:00:00Z").await.due, start("2026-06-07"));
    assert_eq!(timing().await, late);
    // Nor does a rule that was taken back since.
    assert_eq!(shop.load_at(&filter_every(10, None), "2026-04-10T09:00:00Z").await, 1);
    assert_eq!(timing().await, late);
}

async fn scenario_020_the_record_has_when_it_was_done_and_when_it_was_entered(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = shop.store.open_order(shop.site, "L-1", &key("filter")).await.expect("one is open");
    let (wednesday, friday) = ("2026-03-04T12:00:00Z", "2026-03-06T13:00:00Z");
    let call = caller("CloseOrder", friday);
    let told = shop.store.close(&call, shop.site, &said(order, wednesday)).await.expect("closed");
    assert_eq!(told.next[0].plan.due, start("2027-03-04"), "a year from Wednesday");
    let closing = told.order.and_then(|order| order.closing).expect("a closing");
    assert_eq!((closing.record.done_at, closing.record.entered_at), (at(wednesday), at(friday)));
    let filter = EntryFilter { from: Some(0), kind: None, subject: Some(format!("orders/{order}")) };
    let page = PageAsk { after: None, limit: 1 };
    let entry = shop.store.entries(shop.site, &filter, page).await.expect("entries").rows.remove(0);
    let text = String::from_utf8(entry.leaf).expect("text");
    for (field, at) in [("done_at", at(wednesday)), ("entered_at", at(friday))] {
        assert!(text.contains(&format!("\"{field}\":{}", at.0)), "{text}");
    }
}

async fn a_count_stated_on_a_new_counter_is_its_own_value(engine: Engine) {
    let mut declared = declaration();
    declared.machines[0].meters[0].feed = Some(Feed::Absolute);
    declared.machines[0].last_done[0].counts = vec![(None, "4750".into())];
    let shop = Shop::open_with(engine, &declared).await;
    shop.push(vec![shows("L-1", 5, "4812.5"), shows("L-1", 6, "4830")], "2026-03-06T12:00:00Z").await;
    let order = shop.store.open_order(shop.site, "L-1", &key("way-oil")).await.expect("one is open");
    let ran = async |now: &str| {
        let Counted::Meter { from, h, unit, .. } = shop.row(order, now).await.clauses[0].counted else {
            panic!("hours")
        };
        (h.expect("known") - from.expect("known")).to_text(unit, 2)
    };
    assert_eq!(ran("2026-03-06T12:00:00Z").await, "80");
    let (call, tag, by) = (caller("ReplaceCounter", "2026-03-06T13:00:00Z"), key("L-1"), name("Ada"));
    let when = at("2026-03-06T12:30:00Z");
    let replaced = shop.store.replace_counter(&call, shop.site, &tag, None, when, "4830", "0", &by);
    replaced.await.expect("recorded");
    shop.push(vec![shows("L-1", 8, "20")], "2026-03-08T12:00:00Z").await;
    assert_eq!(ran("2026-03-08T12:00:00Z").await, "100");
    // Done on the 8th, when the new counter showed 15 h.
    let stated = LastDoneCard {
        machine: key("L-1"),
        task: key("way-oil"),
        day: day("2026-03-08"),
        counts: vec![(None, "15".into())],
    };
    let state = async |card: &LastDoneCard| {
        let call = caller("StateLastDone", "2026-03-08T12:30:00Z");
        shop.store
            .state_last_done(&call, shop.site, std::slice::from_ref(card), None, false)
            .await
            .expect("stated")
    };
    state(&stated).await;
    assert_eq!(ran("2026-03-08T12:30:00Z").await, "5");
    // "Now" is what the present counter shows.
    declared.machines[0].last_done.clear();
    declared.machines[0].last_done_now = true;
    declared.machines[0].tasks.push(task("belt", "Look at the belt", vec![every_hours("50")]));
    shop.load_at(&declared, "2026-03-08T12:40:00Z").await;
    let belt = shop.store.open_order(shop.site, "L-1", &key("belt")).await.expect("one is open");
    let row = shop.row(belt, "2026-03-08T12:40:00Z").await;
    let Counted::Meter { from, h, .. } = row.clauses[0].counted else { panic!("hours") };
    assert_eq!(from, h);
    let shown = shop.store.shop(shop.site).await.expect("shown");
    let said = shown.machines[0].last_done.iter().find(|done| done.task == key("belt")).expect("stated");
    assert_eq!(said.counts, [(Some(key("operating")), "20".to_owned())]);
    // A replacement that is recorded later changes no reading, but which counter the statement is of.
    let when = at("2026-03-07T12:30:00Z");
    let again = shop.store.replace_counter(&call, shop.site, &tag, None, when, "10", "10", &by);
    again.await.expect_err("the clock of the call is before it");
    let call = caller("ReplaceCounter", "2026-03-08T13:00:00Z");
    let again = shop.store.replace_counter(&call, shop.site, &tag, None, when, "10", "8", &by);
    again.await.expect("recorded");
    assert_eq!(ran("2026-03-08T13:00:00Z").await, "5", "15 of the third counter, as 20 is");
}

async fn scenario_046_a_covered_order_that_was_left_out_stays_open(engine: Engine) {
    let mut declared = with_walk(vec![every_days(30)]);
    declared.machines[0].tasks[1].covers = vec![key("walk"), key("way-oil")];
    let shop = Shop::open_with(engine, &declared).await;
    let order = shop.store.open_order(shop.site, "L-1", &key("filter")).await.expect("one is open");
    let walk = shop.walk().await;
    let closing = ClosingSaid { left_out: vec![key("walk")], ..said(order, "2026-03-10T09:00:00Z") };
    let call = caller("CloseOrder", "2026-03-10T09:00:00Z");
    let told = shop.store.close(&call, shop.site, &closing).await.expect("closed");
    assert_eq!((told.left_open.as_slice(), told.covered.len()), (&[walk][..], 1));
    assert_eq!(
        told.remarks,
        ["done before its window opened", &format!("order {walk} stays open: left out")]
    );
    assert_eq!(shop.walk().await, walk);
    let record = shop.order(order).await.closing.expect("a closing").record;
    assert_eq!(record.left_out, [key("walk")]);
}

on_every_engine![
    an_order_is_void_once_its_rule_has_ended,
    a_skip_of_the_last_day_ends_the_rule_and_says_so_again,
    an_undone_closing_opens_its_order_and_the_void_one_stays_void,
    an_undo_tells_of_an_order_whose_rule_has_ended_meanwhile,
    another_rule_opens_the_order_again_and_the_first_one_ends_it_again,
    another_last_done_opens_the_order_again,
    upkeep_turns_orders_whose_calendar_changed,
    a_push_leaves_what_turns_to_upkeep,
    scenario_052_a_retired_task_s_order_is_void_with_that_reason,
    a_rule_changes_on_its_day_and_may_be_taken_back_before,
    what_was_closed_is_judged_by_the_rule_that_stood_then,
    scenario_020_the_record_has_when_it_was_done_and_when_it_was_entered,
    scenario_046_a_covered_order_that_was_left_out_stays_open,
    a_count_stated_on_a_new_counter_is_its_own_value,
];
