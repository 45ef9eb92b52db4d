//! What must hold whatever is done to orders: one open order of each task, repeated calls, late facts, retired things.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::ids::OrderNumber;
use fettler_domain::order::{ClosingSaid, Confirmed, OrderState};
use fettler_domain::shop::{Declaration, TaskCard};
use fettler_domain::time::{MICROS_PER_HOUR, Ts};
use fettler_store::contract::{
    Caller, Ended, MachineMove, OrderFilter, OrderRecord, PageAsk, RequestKey, StoreError,
};
use kit::{Engine, Shop, at, caller, declaration, every_days, hours, key, name, task};
use std::collections::BTreeMap;

fn said(order: OrderNumber, done_at: Ts) -> ClosingSaid {
    ClosingSaid { cautions_confirmed: true, ..ClosingSaid::plain(order, done_at, name("Ada")) }
}

async fn close(shop: &Shop, order: OrderNumber, done_at: &str, now: &str) -> Ended {
    let said = said(order, at(done_at));
    shop.store.close(&caller("CloseOrder", now), shop.site, &said).await.expect("closed")
}

async fn undo(shop: &Shop, call: &Caller, order: OrderNumber) -> Result<Ended, StoreError> {
    shop.store.undo(call, shop.site, order, &name("Ada"), "typo", false).await
}

async fn open(shop: &Shop, task: &str) -> OrderNumber {
    shop.store.open_order(shop.site, "L-1", &key(task)).await.expect("one is open")
}

async fn orders(shop: &Shop, state: OrderState) -> Vec<OrderRecord> {
    let filter = OrderFilter { state: Some(state), ..OrderFilter::default() };
    let page = PageAsk { after: None, limit: 1_000 };
    shop.store.orders(shop.site, &filter, page).await.expect("orders").rows
}

fn refusal<T: std::fmt::Debug>(answer: Result<T, StoreError>) -> &'static str {
    match answer {
        Err(StoreError::Refused(Error::WrongState { reason, .. })) => reason,
        other => panic!("{other:?}"),
    }
}

/// A shop with a chain of covers beside the two plain tasks.
fn chained() -> Declaration {
    let mut declared = declaration();
    let covering = |name: &str, covers: &[&str]| TaskCard {
        covers: covers.iter().map(|covered| key(covered)).collect(),
        ..task(name, name, vec![every_days(30)])
    };
    declared.machines[0].tasks.extend([
        covering("large", &["middle"]),
        covering("middle", &["small"]),
        covering("small", &[]),
    ]);
    declared
}

async fn every_active_task_has_exactly_one_open_order_whatever_is_done(engine: Engine) {
    let declared = chained();
    let shop = Shop::open_with(engine, &declared).await;
    let tasks: Vec<String> = declared.machines[0].tasks.iter().map(|task| task.key.to_string()).collect();
    let mut now = at("2026-03-02T13:00:00Z");
    // A linear congruence is chance enough here, and the same on every run.
    let mut seed = 20_261_125_u64;
    let mut chance = move |below: usize| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(seed >> 33).expect("31 bits") % below
    };
    let (mut undone, mut refused) = (0, 0);
    for _ in 0..120 {
        now = now.plus_micros(MICROS_PER_HOUR);
        let call =
            |method| Caller { token: None, method, request: None, now, person: None, as_manager: true };
        let order = open(&shop, &tasks[chance(tasks.len())]).await;
        match chance(4) {
            0 => {
                let skip = call("SkipOrder");
                shop.store
                    .skip(&skip, shop.site, order, &name("Ada"), "no time", false)
                    .await
                    .expect("skipped");
            }
            1 | 2 => {
                let closing = said(order, now.plus_micros(-MICROS_PER_HOUR / 2));
                shop.store.close(&call("CloseOrder"), shop.site, &closing).await.expect("closed");
            }
            _ => {
                let closed = orders(&shop, OrderState::Closed).await;
                let Some(order) = closed.get(chance(closed.len().max(1))) else { continue };
                match undo(&shop, &call("UndoClosing"), order.number).await {
                    Ok(_) => undone += 1,
                    Err(StoreError::Refused(Error::WrongState { .. })) => refused += 1,
                    Err(other) => panic!("{other:?}"),
                }
            }
        }
        let mut open_by_task: BTreeMap<String, usize> = BTreeMap::new();
        for order in orders(&shop, OrderState::Open).await {
            *open_by_task.entry(order.task.expect("of a task").to_string()).or_default() += 1;
        }
        let expect: BTreeMap<String, usize> = tasks.iter().map(|task| (task.clone(), 1)).collect();
        assert_eq!(open_by_task, expect);
    }
    assert!(undone > 0 && refused > 0, "{undone} undone, {refused} refused");
}

async fn a_repeated_undo_and_a_repeated_retirement_give_the_same_answer_and_no_second_effect(engine: Engine) {
    let shop = Shop::open_with(engine, &chained()).await;
    let large = open(&shop, "large").await;
    let closed = close(&shop, large, "2026-03-03T09:00:00Z", "2026-03-03T10:00:00Z").await;
    assert_eq!(closed.covered.len(), 2);
    let mut call = caller("UndoClosing", "2026-03-03T11:00:00Z");
    call.request = Some(RequestKey { id: "u".into(), digest: [1; 32] });
    let first = undo(&shop, &call, large).await.expect("undone");
    assert_eq!((first.next.len(), first.void.len(), first.next[0].plan.order), (3, 3, large));
    let head = shop.store.journal_head(shop.site).await.expect("a head");
    assert_eq!(undo(&shop, &call, large).await.expect("the same"), first);
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head"), head);

    let mut call = caller("RetireMachine", "2026-03-04T11:00:00Z");
    call.request = Some(RequestKey { id: "r".into(), digest: [2; 32] });
    let retire = async || {
        let (tag, by) = (key("L-1"), name("Ada"));
        shop.store.move_machine(&call, shop.site, &tag, MachineMove::Retire, &by, "sold", false).await
    };
    let first = retire().await.expect("retired");
    assert_eq!(first.1.len(), 5);
    let head = shop.store.journal_head(shop.site).await.expect("a head");
    assert_eq!(retire().await.expect("the same"), first);
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head"), head);
}

async fn what_was_retired_since_is_not_opened_again(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    close(&shop, order, "2026-03-03T09:00:00Z", "2026-03-03T10:00:00Z").await;
    let mut declared = declaration();
    declared.machines[0].tasks[1].retire = true;
    let report = shop.load_this(&declared, false).await;
    assert_eq!(report.changes.len(), 1);
    assert_eq!(orders(&shop, OrderState::Open).await.len(), 1);
    assert_eq!(orders(&shop, OrderState::Void).await.len(), 1);
    let call = caller("UndoClosing", "2026-03-03T11:00:00Z");
    assert_eq!(refusal(undo(&shop, &call, order).await), "RETIRED_SINCE");
    // Taken up again, it has one open order, which counts from the closing.
    let again = shop.load_this(&declaration(), false).await;
    assert_eq!((again.changes.len(), again.orders_opened), (1, 1));
    let order = open(&shop, "filter").await;
    let why = shop.store.explain(shop.site, order, at("2026-03-03T12:00:00Z")).await.expect("why");
    assert_eq!(why.entry.plan.due, Some(at("2027-03-03T05:00:00Z")));
}

async fn a_skip_after_a_closing_stands_in_the_way_of_its_undo(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    close(&shop, order, "2026-03-03T09:00:00Z", "2026-03-03T10:00:00Z").await;
    let next = open(&shop, "filter").await;
    let call = caller("SkipOrder", "2026-03-03T11:00:00Z");
    let trial = shop.store.skip(&call, shop.site, next, &name("Ada"), "no element", true).await;
    assert!(trial.is_ok());
    assert_eq!(open(&shop, "filter").await, next);
    shop.store.skip(&call, shop.site, next, &name("Ada"), "no element", false).await.expect("skipped");
    let call = caller("UndoClosing", "2026-03-03T12:00:00Z");
    assert_eq!(refusal(undo(&shop, &call, order).await), "LATER_CLOSING");
}

async fn work_entered_days_later_counts_from_when_it_was_done(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    let ended = close(&shop, order, "2027-03-20T09:00:00Z", "2027-03-24T10:00:00Z").await;
    let record = ended.order.and_then(|order| order.closing).expect("a closing").record;
    assert_eq!(record.findings, ["entered 4 days after it was done"]);
    assert_eq!(record.late_from_then, Some(at("2027-04-07T05:00:00Z")));
    assert_eq!(ended.next[0].plan.due, Some(at("2028-03-19T05:00:00Z")));
    // Work that was done before the last closing is asked back once; where it is so, it is recorded and moves nothing.
    let before = said(ended.next[0].plan.order, at("2027-03-10T09:00:00Z"));
    let close = async |said: &ClosingSaid| {
        shop.store.close(&caller("CloseOrder", "2027-03-24T11:00:00Z"), shop.site, said).await
    };
    let asked = close(&before).await;
    assert!(
        matches!(&asked, Err(StoreError::Refused(Error::AskedBack(asked))) if asked[0].odd.field == "done_at"),
        "{asked:?}"
    );
    let ended = close(&ClosingSaid { confirmed: Confirmed::time(), ..before }).await.expect("closed");
    let record = ended.order.and_then(|order| order.closing).expect("a closing").record;
    assert!(record.findings.iter().any(|f| f == "done before the last closing of this task"), "{record:?}");
    assert_eq!(ended.next[0].plan.due, Some(at("2028-03-19T05:00:00Z")));
}

async fn hours_that_arrive_late_correct_what_a_closing_satisfied(engine: Engine) {
    use fettler_domain::plan::Timing;
    let shop = Shop::open(engine).await;
    let order = open(&shop, "way-oil").await;
    close(&shop, order, "2026-03-14T16:00:00Z", "2026-03-14T16:00:00Z").await;
    let satisfied = async || {
        let order = shop.store.order(shop.site, order).await.expect("the order");
        order.closing.and_then(|closing| closing.satisfied).expect("derived")
    };
    assert_eq!(satisfied().await.timing, Timing::NotKnown);
    shop.push((1..=14).map(|day| hours("erp", "L-1", day, 8)).collect(), "2026-03-15T12:00:00Z").await;
    let now = satisfied().await;
    // 112 h of 100 h, and the window shuts at 110 h.
    assert!(matches!(now.timing, Timing::Late(_)), "{now:?}");
    assert_eq!(now.due, Some(at("2026-03-13T10:00:00Z")));
    let stored = shop.store.order(shop.site, order).await.expect("the order").closing.expect("a closing");
    assert_eq!(stored.record.due_then, None);
}

async fn an_earlier_closing_is_judged_by_those_before_it_alone_and_listed_so(engine: Engine) {
    let shop = Shop::open(engine).await;
    let mut numbers = Vec::new();
    for year in 2027..2031 {
        let order = open(&shop, "filter").await;
        numbers.push(order);
        close(&shop, order, &format!("{year}-02-10T09:00:00Z"), &format!("{year}-02-10T10:00:00Z")).await;
    }
    let order = open(&shop, "filter").await;
    let call = caller("SkipOrder", "2031-02-01T10:00:00Z");
    shop.store.skip(&call, shop.site, order, &name("Ada"), "no element", false).await.expect("skipped");
    let listed = orders(&shop, OrderState::Closed).await;
    // 365 days after the closing before; the first after what was stated.
    let expect = ["2027-03-01", "2028-02-10", "2029-02-09", "2030-02-10"];
    for (number, due) in numbers.iter().zip(expect) {
        let one = shop.store.order(shop.site, *number).await.expect("the order");
        let satisfied = one.closing.as_ref().and_then(|closing| closing.satisfied.clone()).expect("derived");
        assert_eq!(satisfied.due, Some(at(&format!("{due}T05:00:00Z"))));
        assert!(listed.contains(&one), "{one:?}");
    }
    let next = shop.store.explain(shop.site, open(&shop, "filter").await, at("2031-02-01T10:00:00Z")).await;
    let next = next.expect("why");
    assert!(next.row_agrees);
    assert_eq!(next.entry.plan.due, Some(at("2032-02-10T05:00:00Z")));
}

on_every_engine! {
    every_active_task_has_exactly_one_open_order_whatever_is_done,
    a_repeated_undo_and_a_repeated_retirement_give_the_same_answer_and_no_second_effect,
    what_was_retired_since_is_not_opened_again,
    a_skip_after_a_closing_stands_in_the_way_of_its_undo,
    work_entered_days_later_counts_from_when_it_was_done,
    hours_that_arrive_late_correct_what_a_closing_satisfied,
    an_earlier_closing_is_judged_by_those_before_it_alone_and_listed_so,
}
