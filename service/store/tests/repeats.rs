//! A request id used again: the same answer and no second effect, whatever became of what it names in between.

#[macro_use]
mod kit;

use fettler_domain::ids::OrderNumber;
use fettler_domain::ledger::row::{Feed, Settlement};
use fettler_domain::order::{AsFound, ClosingSaid, RaiseSaid};
use fettler_domain::quantity::MeterKind;
use fettler_domain::shop::{Declaration, LastDoneCard, MeterCard, SourceCard};
use fettler_domain::text::ForeignName;
use fettler_domain::time::ShopDay;
use fettler_store::contract::{Caller, MachineMove, NewToken, RequestKey, Result};
use kit::{Engine, Shop, at, caller, declaration, every_days, hours, key, name, shows, task};
use std::fmt::Debug;

const NOW: &str = "2026-03-20T12:00:00Z";

/// A caller with a request id.
fn asking(method: &'static str) -> Caller {
    Caller { request: Some(RequestKey { id: "r".into(), digest: [1; 32] }), ..caller(method, NOW) }
}

/// Does something twice under one request id, and something else in between.
async fn twice<T: Debug + PartialEq>(
    shop: &Shop,
    method: &'static str,
    ask: impl AsyncFn(Caller) -> Result<T>,
    between: impl AsyncFn(),
) {
    let first = ask(asking(method)).await.expect("done");
    between().await;
    let head = shop.store.journal_head(shop.site).await.expect("a head");
    assert_eq!(ask(asking(method)).await.expect("the same"), first, "{method}");
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head"), head, "{method}");
}

async fn nothing() {}

fn foreign(text: &str) -> ForeignName {
    ForeignName::new(text).expect("a name")
}

fn said(order: OrderNumber) -> ClosingSaid {
    ClosingSaid {
        as_found: AsFound::Worn,
        note: "worn through".into(),
        ..ClosingSaid::plain(order, at(NOW), name("Ada"))
    }
}

/// A big task that covers one that needs a certificate, and has a caution.
fn covering() -> Declaration {
    let mut declared = declaration();
    let mut small = task("small", "Small service", vec![every_days(30)]);
    small.certificate = true;
    let mut plain = task("plain", "Plain service", vec![every_days(30)]);
    plain.minutes = 5;
    let mut big = task("big", "Big service", vec![every_days(90)]);
    (big.covers, big.cautions) = (vec![key("small"), key("plain")], vec!["Hot oil.".into()]);
    declared.machines[0].tasks.extend([small, plain, big]);
    declared
}

async fn a_closing_tells_its_remarks_and_what_stayed_open_again(engine: Engine) {
    let shop = Shop::open_with(engine, &covering()).await;
    let order = shop.store.open_order(shop.site, "L-1", &key("big")).await.expect("open");
    let first = shop.store.close(&asking("CloseOrder"), shop.site, &said(order)).await.expect("closed");
    assert_eq!((first.covered.len(), first.left_open.len(), first.next.len()), (1, 1, 2));
    assert!(first.remarks.len() >= 2, "{:?}", first.remarks);
    twice(&shop, "CloseOrder", async |call| shop.store.close(&call, shop.site, &said(order)).await, nothing)
        .await;
    // Once the next order is closed too, it is not another one that the repeat calls the next.
    let next = shop.store.open_order(shop.site, "L-1", &key("big")).await.expect("open");
    shop.store.close(&caller("CloseOrder", NOW), shop.site, &said(next)).await.expect("closed");
    let again = shop.store.close(&asking("CloseOrder"), shop.site, &said(order)).await.expect("the same");
    assert!(again.next.iter().all(|entry| first.next.iter().any(|was| was.plan.order == entry.plan.order)));
    assert_eq!((again.remarks, again.left_open), (first.remarks, first.left_open));
}

async fn a_skip_and_an_undo_give_the_same_answer(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = shop.store.open_order(shop.site, "L-1", &key("filter")).await.expect("open");
    shop.store.close(&caller("CloseOrder", NOW), shop.site, &said(order)).await.expect("closed");
    let (by, next) = (name("Ada"), shop.store.open_order(shop.site, "L-1", &key("way-oil")).await);
    let next = next.expect("open");
    let undo = async |call| shop.store.undo(&call, shop.site, order, &by, "typo", false).await;
    twice(&shop, "UndoClosing", undo, nothing).await;
    let skip = async |call| shop.store.skip(&call, shop.site, next, &by, "no oil", false).await;
    twice(&shop, "SkipOrder", skip, nothing).await;
}

async fn a_raised_order_is_answered_again_after_it_was_closed(engine: Engine) {
    for rest in [false, true] {
        let shop = Shop::open(engine).await;
        let move_to = async |to, now: &str| {
            let (call, tag, by) = (caller("MoveMachine", now), key("L-1"), name("Ada"));
            shop.store.move_machine(&call, shop.site, &tag, to, &by, "no work", false).await.expect("moved")
        };
        if rest {
            move_to(MachineMove::Rest, "2026-03-19T12:00:00Z").await;
        }
        let said_raise = RaiseSaid {
            machine: key("L-1"),
            title: name("Door rattles"),
            by: name("Ada"),
            due_day: Some(ShopDay("2026-03-25".parse().expect("a day"))),
            hazard: true,
            note: "left roller".into(),
        };
        let raise = async |call| shop.store.raise(&call, shop.site, &said_raise).await;
        twice(&shop, "RaiseOrder", raise, nothing).await;
        let order = raise(asking("RaiseOrder")).await.expect("raised").plan.order;
        let close = async || {
            if rest {
                move_to(MachineMove::Return, "2026-03-21T12:00:00Z").await;
                move_to(MachineMove::Rest, "2026-03-22T12:00:00Z").await;
                move_to(MachineMove::Return, "2026-03-23T12:00:00Z").await;
            }
            let call = caller("CloseOrder", "2026-03-24T12:00:00Z");
            shop.store.close(&call, shop.site, &said(order)).await.expect("closed");
        };
        let first = raise(asking("RaiseOrder")).await.expect("the same");
        close().await;
        assert_eq!(raise(asking("RaiseOrder")).await.expect("the same"), first);
    }
}

async fn a_settlement_tells_again_what_it_displaced_and_needs_no_digest_then(engine: Engine) {
    let source = |name: &str, rank| SourceCard { name: foreign(name), rank, feeds: None };
    let sources = vec![source("erp", 1), source("night", 2)];
    let shop = Shop::open_with(engine, &Declaration { sources, ..declaration() }).await;
    shop.push(vec![hours("erp", "L-1", 1, 8), hours("night", "L-1", 1, 4)], NOW).await;
    let settle = async |call| {
        let (source, report, by) = (foreign("night"), foreign("L-1-1"), name("Ada"));
        let count = Settlement::Count;
        shop.store.settle(&call, shop.site, &source, &report, 0, None, count, &by, "seen").await
    };
    let first = settle(asking("SettleReport")).await.expect("settled");
    assert_eq!(first.displaced, [hours("erp", "L-1", 1, 8).key]);
    assert_eq!(settle(asking("SettleReport")).await.expect("the same"), first);
    // With a second content of that revision, another call would have to say which is meant.
    let second = hours("night", "L-1", 1, 3);
    shop.push(vec![second], NOW).await;
    let again = settle(asking("SettleReport")).await.expect("the same");
    assert_eq!((again.report.row.key, again.displaced), (first.report.row.key, first.displaced));
    assert!(settle(caller("SettleReport", NOW)).await.is_err());
}

async fn a_load_and_a_statement_tell_their_changes_again(engine: Engine) {
    let shop = Shop::open(engine).await;
    let mut declared = covering();
    declared.people.push(name("Bo"));
    let load = async |call| shop.store.load_shop(&call, &declared, Some(&name("Bo")), false).await;
    twice(&shop, "LoadShop", load, nothing).await;
    let told = load(asking("LoadShop")).await.expect("told");
    assert!(told.changes.len() >= 3 && told.orders_opened == 3, "{told:?}");
    let day = ShopDay("2026-03-10".parse().expect("a day"));
    let stated = [LastDoneCard { machine: key("L-1"), task: key("big"), day, counts: Vec::new() }];
    let state = async |call| shop.store.state_last_done(&call, shop.site, &stated, None, false).await;
    twice(&shop, "StateLastDone", state, nothing).await;
    assert_eq!(state(asking("StateLastDone")).await.expect("told").len(), 1);
}

async fn what_is_recorded_of_a_meter_is_answered_again_after_a_second_one_was_declared(engine: Engine) {
    let mut declared = declaration();
    let second = MeterCard {
        key: key("powered"),
        kind: Some(MeterKind::Powered),
        feed: Some(Feed::Interval),
        max_per_hour: None,
    };
    declared.machines[0].tasks.clear();
    declared.machines[0].last_done.clear();
    for feed in [Feed::Interval, Feed::Absolute] {
        declared.machines[0].meters.truncate(1);
        declared.machines[0].meters[0].feed = Some(feed);
        let shop = Shop::open_with(engine, &declared).await;
        shop.push(vec![shows("L-1", 3, "1000"), shows("L-1", 8, "1050")], NOW).await;
        let (tag, by, when) = (key("L-1"), name("Ada"), at("2026-03-10T06:00:00Z"));
        let mut two = declared.clone();
        two.machines[0].meters.push(second.clone());
        let declare = async || {
            shop.load_this(&two, false).await;
        };
        if feed == Feed::Interval {
            let book = async |call| {
                shop.store.book_adjustment(&call, shop.site, &tag, None, when, "5", &by, "read").await
            };
            twice(&shop, "BookAdjustment", book, declare).await;
        } else {
            let replace = async |call| {
                shop.store.replace_counter(&call, shop.site, &tag, None, when, "1060", "0", &by).await
            };
            twice(&shop, "ReplaceCounter", replace, declare).await;
        }
    }
}

async fn a_machine_that_was_moved_by_a_name_is_answered_again_without_it(engine: Engine) {
    let mut declared = declaration();
    declared.machines[0].also_known_as = vec![foreign("lathe")];
    let shop = Shop::open_with(engine, &declared).await;
    let (alias, by) = (key("lathe"), name("Ada"));
    let forbid = async |call| {
        let to = MachineMove::Forbid;
        shop.store.move_machine(&call, shop.site, &alias, to, &by, "cover off", false).await
    };
    let rename = async || {
        let mut renamed = declaration();
        renamed.machines[0].also_known_as = vec![foreign("turner")];
        shop.load_this(&renamed, false).await;
    };
    twice(&shop, "ForbidMachine", forbid, rename).await;
}

async fn a_person_and_a_token_are_answered_again(engine: Engine) {
    let shop = Shop::open(engine).await;
    let add = async |call| shop.store.add_person(&call, &name("Ada")).await;
    twice(&shop, "AddPerson", add, nothing).await;
    let request = Some(RequestKey { id: "r".into(), digest: [2; 32] });
    let other = Caller { request, ..caller("AddPerson", NOW) };
    let other = shop.store.add_person(&other, &name("Cy")).await;
    assert!(other.is_err(), "the id stands for Ada");
    twice(
        &shop,
        "AddToken",
        async |call| shop.store.add_token(&call, &NewToken::admin("erp", [7; 32])).await,
        nothing,
    )
    .await;
}

on_every_engine! {
    a_closing_tells_its_remarks_and_what_stayed_open_again,
    a_skip_and_an_undo_give_the_same_answer,
    a_raised_order_is_answered_again_after_it_was_closed,
    a_settlement_tells_again_what_it_displaced_and_needs_no_digest_then,
    a_load_and_a_statement_tell_their_changes_again,
    what_is_recorded_of_a_meter_is_answered_again_after_a_second_one_was_declared,
    a_machine_that_was_moved_by_a_name_is_answered_again_without_it,
    a_person_and_a_token_are_answered_again,
}
