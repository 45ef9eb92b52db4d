//! Orders through the store contract: closed with what they cover, skipped, raised, undone.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::figures::care::Period;
use fettler_domain::ids::OrderNumber;
use fettler_domain::order::{ClosingRecord, ClosingSaid, OrderState, RaiseSaid, ReadingSaid};
use fettler_domain::plan::DueKind;
use fettler_domain::reading::{Limits, Taker};
use fettler_domain::shop::PointCard;
use fettler_store::contract::{CareFilter, Ended, EntryFilter, OrderFilter, PageAsk, RequestKey, StoreError};
use kit::{Engine, Shop, at, caller, declaration, every_days, hours, key, name, task};

fn said(order: OrderNumber, done_at: &str) -> ClosingSaid {
    ClosingSaid {
        cautions_confirmed: true,
        minutes: 20,
        note: "bowl was half full".into(),
        ..ClosingSaid::plain(order, at(done_at), name("Ada"))
    }
}

async fn close(shop: &Shop, said: &ClosingSaid, now: &str) -> Result<Ended, StoreError> {
    shop.store.close(&caller("CloseOrder", now), shop.site, said).await
}

async fn open(shop: &Shop, task: &str) -> OrderNumber {
    shop.store.open_order(shop.site, "L-1", &key(task)).await.expect("one is open")
}

async fn open_count(shop: &Shop) -> usize {
    let filter = OrderFilter { state: Some(OrderState::Open), ..OrderFilter::default() };
    shop.store
        .orders(shop.site, &filter, PageAsk { after: None, limit: 100 })
        .await
        .expect("orders")
        .rows
        .len()
}

/// A shop whose big service covers a small one; the small one asks for a reading.
async fn covering(engine: Engine) -> Shop {
    let mut declared = declaration();
    let machine = &mut declared.machines[0];
    machine.points.push(PointCard {
        key: key("line"),
        title: "line pressure".into(),
        place: "by the door".into(),
        good: "6 bar".into(),
        fluid: "air".into(),
        reservoir: None,
        unit: "bar".into(),
        limits: Limits::default(),
        possible: None,
        taker: Taker::Anyone,
        cautions: Vec::new(),
    });
    let mut small = task("small", "Small service", vec![every_days(30)]);
    small.readings = vec![key("line")];
    let mut big = task("big", "Big service", vec![every_days(90)]);
    big.covers = vec![key("small")];
    machine.tasks.extend([small, big]);
    Shop::open_with(engine, &declared).await
}

async fn the_next_order_stands_at_once_and_counts_from_the_closing(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    let ended =
        close(&shop, &said(order, "2026-03-03T09:00:00Z"), "2026-03-03T10:00:00Z").await.expect("closed");
    assert_eq!(ended.order.as_ref().map(|order| order.state), Some(OrderState::Closed));
    let next = ended.next.first().expect("a next one");
    assert_ne!(next.plan.order, order);
    assert_eq!(next.plan.due, Some(at("2027-03-03T05:00:00Z")));
    let closing = ended.order.and_then(|order| order.closing).expect("a closing");
    assert_eq!(closing.note, "bowl was half full");
    assert_eq!(closing.record.due_then, Some(at("2027-03-01T05:00:00Z")));
    assert_eq!(closing.record.due_kind_then, Some(DueKind::CalendarDay));
    // The clause counts from the last closing, which this one is now: it was early, but no extra work.
    assert_eq!(closing.record.findings, ["done before its window opened"]);
    let opens = closing.record.opens_then.expect("a window");
    assert!(closing.record.done_at < opens && Some(opens) < closing.record.due_then, "{opens}");
    let met = closing.satisfied.expect("derived");
    assert_eq!((met.before_window, met.extra_work), (true, false));
    // Records from before the window was kept are read, and read back, as they are.
    let text = serde_json::to_string(&closing.record).expect("plain data");
    let before = text.replace(&format!("\"opens_then\":{},", opens.0), "");
    assert_ne!(before, text);
    let read: ClosingRecord = serde_json::from_str(&before).expect("an older record");
    assert_eq!(read.opens_then, None);
    assert_eq!(serde_json::to_string(&read).expect("plain data"), before);
    assert_eq!(open_count(&shop).await, 2);
    let note = shop
        .store
        .entries(
            shop.site,
            &fettler_store::contract::EntryFilter::default(),
            PageAsk { after: None, limit: 1 },
        )
        .await;
    let leaf = String::from_utf8(note.expect("entries").rows[0].leaf.clone()).expect("UTF-8");
    assert!(leaf.contains("\"kind\":\"order.closed\"") && !leaf.contains("half full"), "{leaf}");
}

async fn what_was_only_expected_is_kept_as_expected(engine: Engine) {
    let shop = Shop::open(engine).await;
    shop.push(vec![hours("erp", "L-1", 1, 8)], "2026-03-03T08:00:00Z").await;
    let order = open(&shop, "way-oil").await;
    let ended = close(&shop, &said(order, "2026-03-03T09:00:00Z"), "2026-03-03T10:00:00Z").await;
    let record = ended.expect("closed").order.and_then(|order| order.closing).expect("a closing").record;
    assert!(record.due_then.is_some());
    assert_eq!((record.due_kind_then, record.late_from_then), (Some(DueKind::Expected), None));
    // Records from before the kind was kept are read as they are.
    let text = serde_json::to_string(&record).expect("plain data");
    let kindless = text.replace("\"due_kind_then\":\"expected\",", "");
    assert_ne!(kindless, text);
    let read: ClosingRecord = serde_json::from_str(&kindless).expect("an older record");
    assert_eq!(read, ClosingRecord { due_kind_then: None, ..record });
}

async fn a_second_person_who_is_the_doer_is_recorded_as_said_and_an_unknown_one_is_asked_back(
    engine: Engine,
) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    let unknown = ClosingSaid { second_person: Some(name("Nobody")), ..said(order, "2027-03-02T09:00:00Z") };
    let refused = close(&shop, &unknown, "2027-03-02T10:00:00Z").await.expect_err("unknown");
    assert!(refused.to_string().contains("Nobody"), "{refused}");
    let alone = ClosingSaid { second_person: Some(unknown.done_by.clone()), ..unknown };
    let ended = close(&shop, &alone, "2027-03-02T10:00:00Z").await.expect("closed");
    assert!(ended.remarks.iter().any(|remark| remark == "second person is the doer"), "{:?}", ended.remarks);
    let record = ended.order.and_then(|order| order.closing).expect("a closing").record;
    assert_eq!(record.second_person, Some(record.done_by));
}

async fn an_order_closes_once_and_the_second_is_told_by_whom(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    let said = said(order, "2026-03-03T09:00:00Z");
    let one = close(&shop, &said, "2026-03-03T10:00:00Z");
    let two = close(&shop, &said, "2026-03-03T10:00:00Z");
    let (one, two) = tokio::join!(one, two);
    let refused = match (one, two) {
        (Ok(_), Err(refused)) | (Err(refused), Ok(_)) => refused,
        other => panic!("exactly one wins: {other:?}"),
    };
    let StoreError::Refused(Error::WrongState { reason, text, .. }) = refused else { panic!("{refused:?}") };
    assert_eq!(reason, "ORDER_NOT_OPEN");
    assert!(text.contains("was closed on 2026-03-03 09:00 by Ada"), "{text}");
    assert_eq!(open_count(&shop).await, 2);
}

async fn a_request_id_has_no_second_effect(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    let said = said(order, "2026-03-03T09:00:00Z");
    let mut call = caller("CloseOrder", "2026-03-03T10:00:00Z");
    call.request = Some(RequestKey { id: "a".into(), digest: [1; 32] });
    let first = shop.store.close(&call, shop.site, &said).await.expect("closed");
    let head = shop.store.journal_head(shop.site).await.expect("a head");
    let again = shop.store.close(&call, shop.site, &said).await.expect("the same answer");
    assert_eq!((again.order, again.next), (first.order, first.next));
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head"), head);
    call.request = Some(RequestKey { id: "a".into(), digest: [2; 32] });
    let other = shop.store.close(&call, shop.site, &said).await;
    assert!(matches!(other, Err(StoreError::Refused(Error::RequestReused(_)))), "{other:?}");
}

async fn a_larger_order_closes_the_smaller_where_all_it_asks_for_was_given(engine: Engine) {
    let shop = covering(engine).await;
    let (small, big) = (open(&shop, "small").await, open(&shop, "big").await);
    // It was done before, so that its window is known.
    close(&shop, &said(small, "2026-03-02T09:00:00Z"), "2026-03-02T10:00:00Z").await.expect("closed");
    let small = open(&shop, "small").await;
    let mut without = said(big, "2026-03-03T09:00:00Z");
    let ended = close(&shop, &without, "2026-03-03T10:00:00Z").await.expect("closed");
    assert_eq!((ended.covered.len(), ended.left_open.as_slice()), (0, [small].as_slice()));
    assert_eq!(open(&shop, "small").await, small);
    without.order = open(&shop, "big").await;
    without.readings =
        vec![ReadingSaid { point: key("line"), value: "6.1".into(), unit: None, confirmed: false }];
    let ended = close(&shop, &without, "2026-03-03T10:00:00Z").await.expect("closed");
    assert_eq!(ended.covered.iter().map(|order| order.number).collect::<Vec<_>>(), [small]);
    assert_ne!(open(&shop, "small").await, small);
    // It was done when the larger one was: its window is kept, and it is not early in figures as the larger one is.
    let covered = ended.covered[0].closing.as_ref().expect("a closing");
    assert!(covered.record.opens_then.is_some_and(|opens| covered.record.done_at < opens));
    let (from, now) = (at("2026-03-01T05:00:00Z"), at("2026-03-03T10:00:00Z"));
    let periods = [Period { from, until: now, now }];
    let read = shop.store.care(shop.site, &CareFilter::default(), &periods).await.expect("orders");
    let opens = |number| read.orders.iter().find(|order| order.number == number).expect("closed").opens;
    assert_eq!((opens(small), opens(without.order).is_some()), (None, true));
    let call = caller("UndoClosing", "2026-03-03T11:00:00Z");
    let by_small = shop.store.undo(&call, shop.site, small, &name("Ada"), "typo", false).await;
    assert!(matches!(
        by_small,
        Err(StoreError::Refused(Error::WrongState { reason: "NOTHING_TO_UNDO", .. }))
    ));
    let undone =
        shop.store.undo(&call, shop.site, without.order, &name("Ada"), "typo", false).await.expect("undone");
    assert_eq!(undone.next.len(), 2);
    assert_eq!((open(&shop, "small").await, open(&shop, "big").await), (small, without.order));
}

async fn an_undo_opens_the_order_again_unless_a_later_closing_stands_on_it(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    let due =
        shop.store.explain(shop.site, order, at("2026-03-03T10:00:00Z")).await.expect("why").entry.plan.due;
    close(&shop, &said(order, "2026-03-03T09:00:00Z"), "2026-03-03T10:00:00Z").await.expect("closed");
    let next = open(&shop, "filter").await;
    let call = caller("UndoClosing", "2026-03-03T11:00:00Z");
    let trial = shop.store.undo(&call, shop.site, order, &name("Ada"), "typo", true).await.expect("possible");
    assert_eq!(trial.void, [next]);
    assert_eq!(open(&shop, "filter").await, next);
    shop.store.undo(&call, shop.site, order, &name("Ada"), "typo", false).await.expect("undone");
    assert_eq!(open(&shop, "filter").await, order);
    let again = shop.store.explain(shop.site, order, at("2026-03-03T10:00:00Z")).await.expect("why");
    assert_eq!(again.entry.plan.due, due);
    assert_eq!(shop.store.order(shop.site, next).await.expect("kept").state, OrderState::Void);
    close(&shop, &said(order, "2026-03-03T09:00:00Z"), "2026-03-03T12:00:00Z").await.expect("closed");
    let next = open(&shop, "filter").await;
    close(&shop, &said(next, "2026-03-03T10:00:00Z"), "2026-03-03T12:00:00Z").await.expect("closed");
    let refused = shop.store.undo(&call, shop.site, order, &name("Ada"), "typo", false).await;
    assert!(matches!(refused, Err(StoreError::Refused(Error::WrongState { reason: "LATER_CLOSING", .. }))));
}

async fn a_skip_is_no_closing_and_the_next_counts_from_the_skipped_point(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    let call = caller("SkipOrder", "2027-03-05T10:00:00Z");
    let ended =
        shop.store.skip(&call, shop.site, order, &name("Ada"), "no element", false).await.expect("skipped");
    let skipped = ended.order.expect("the order");
    assert_eq!(
        (skipped.state, skipped.reason.as_str(), skipped.closing),
        (OrderState::Skipped, "no element", None)
    );
    assert_eq!(ended.next[0].plan.due, Some(at("2028-02-29T05:00:00Z")));
}

async fn a_raised_order_is_due_on_its_day_and_has_no_next(engine: Engine) {
    let shop = Shop::open(engine).await;
    let said_raise = RaiseSaid {
        machine: key("L-1"),
        title: name("Door rattles"),
        by: name("Ada"),
        due_day: None,
        hazard: false,
        note: "left roller".into(),
    };
    let entry = shop
        .store
        .raise(&caller("RaiseOrder", "2026-03-03T10:00:00Z"), shop.site, &said_raise)
        .await
        .expect("raised");
    assert_eq!((entry.plan.due, entry.title.as_str()), (Some(at("2026-03-03T10:00:00Z")), "Door rattles"));
    let ended = close(&shop, &said(entry.plan.order, "2026-03-03T11:00:00Z"), "2026-03-03T11:00:00Z").await;
    assert_eq!(ended.expect("closed").next, []);
    let nobody = RaiseSaid { by: name("Nobody"), ..said_raise };
    let refused = shop.store.raise(&caller("RaiseOrder", "2026-03-03T10:00:00Z"), shop.site, &nobody).await;
    assert!(matches!(refused, Err(StoreError::Refused(Error::Invalid(_)))), "{refused:?}");
}

async fn what_was_said_of_an_order_stays_with_it_whatever_ends_it(engine: Engine) {
    let shop = Shop::open(engine).await;
    let raised = RaiseSaid {
        machine: key("L-1"),
        title: name("Door rattles"),
        by: name("Ada"),
        due_day: None,
        hazard: false,
        note: "left roller".into(),
    };
    let call = caller("RaiseOrder", "2026-03-03T10:00:00Z");
    let order = shop.store.raise(&call, shop.site, &raised).await.expect("raised").plan.order;
    let filter = OrderFilter::default();
    let listed = async || {
        let page = PageAsk { after: None, limit: 10 };
        let listed = shop.store.orders(shop.site, &filter, page).await.expect("orders").rows;
        listed.into_iter().find(|listed| listed.number == order).expect("listed")
    };
    assert_eq!(listed().await.note, "left roller");
    let skip = async |reason: &str| {
        let call = caller("SkipOrder", "2026-03-03T11:00:00Z");
        shop.store.skip(&call, shop.site, order, &name("Ada"), reason, false).await
    };
    let skipped = skip("it is the floor").await.expect("skipped").order.expect("the order");
    assert_eq!((skipped.note.as_str(), skipped.reason.as_str()), ("left roller", "it is the floor"));
    assert_eq!(listed().await, skipped);
    let Err(StoreError::Refused(Error::WrongState { text, .. })) = skip("again").await else {
        panic!("an order is skipped once");
    };
    assert!(text.contains("(it is the floor)"), "{text}");
    let other = shop.store.raise(&call, shop.site, &raised).await.expect("raised").plan.order;
    let closed = close(&shop, &said(other, "2026-03-03T11:00:00Z"), "2026-03-03T11:00:00Z").await;
    let closed = closed.expect("closed").order.expect("the order");
    let closing = closed.closing.expect("a closing");
    assert_eq!((closed.note.as_str(), closing.note.as_str()), ("left roller", "bowl was half full"));
}

async fn a_done_time_ahead_is_asked_back(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    let refused = close(&shop, &said(order, "2026-03-03T11:00:00Z"), "2026-03-03T10:00:00Z").await;
    let Err(StoreError::Refused(Error::Invalid(violations))) = refused else { panic!("{refused:?}") };
    assert_eq!(violations[0].field, "done_at");
    assert_eq!(open(&shop, "filter").await, order);
}

async fn a_rest_takes_its_orders_off_the_list_and_they_are_due_the_day_it_ends(engine: Engine) {
    use fettler_domain::plan::Section;
    use fettler_store::contract::{MachineMove, MachineState};
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    let move_to = async |to, now: &str| {
        let call = caller("MoveMachine", now);
        shop.store.move_machine(&call, shop.site, &key("L-1"), to, &name("Ada"), "no work", false).await
    };
    let section = async |now: &str| {
        shop.store.explain(shop.site, order, at(now)).await.expect("why").entry.plan.section
    };
    let (machine, _) = move_to(MachineMove::Rest, "2027-02-20T10:00:00Z").await.expect("moved");
    assert_eq!(machine.state, MachineState::Resting);
    assert_eq!(section("2027-02-20T10:00:00Z").await, Section::Unlisted);
    let again = move_to(MachineMove::Rest, "2027-02-20T10:00:00Z").await;
    assert!(matches!(again, Err(StoreError::Refused(Error::WrongState { reason: "MACHINE_STATE", .. }))));
    move_to(MachineMove::Return, "2027-03-10T10:00:00Z").await.expect("moved");
    let plan =
        shop.store.explain(shop.site, order, at("2027-03-10T10:00:00Z")).await.expect("why").entry.plan;
    assert_eq!((plan.section, plan.due), (Section::Dated, Some(at("2027-03-10T05:00:00Z"))));
    let (machine, void) = move_to(MachineMove::Retire, "2027-03-11T10:00:00Z").await.expect("moved");
    assert_eq!((machine.state, void.len(), machine.open_orders), (MachineState::Retired, 2, 0));
    assert_eq!(open_count(&shop).await, 0);
}

async fn a_hazard_that_is_skipped_is_marked(engine: Engine) {
    let mut declared = declaration();
    declared.machines[0].tasks[0].hazard = true;
    let (hazard, other) =
        (declared.machines[0].tasks[0].key.clone(), declared.machines[0].tasks[1].key.clone());
    let shop = Shop::open_with(engine, &declared).await;
    for (task, remarks) in [(hazard, 1), (other, 0)] {
        let order = open(&shop, task.as_str()).await;
        let call = caller("SkipOrder", "2026-03-03T10:00:00Z");
        let ended =
            shop.store.skip(&call, shop.site, order, &name("Ada"), "no time", false).await.expect("skipped");
        assert_eq!(ended.remarks.len(), remarks, "{:?}", ended.remarks);
        let filter = EntryFilter { kind: Some("order.skipped".into()), from: None, subject: None };
        let leaves =
            shop.store.entries(shop.site, &filter, PageAsk { after: None, limit: 10 }).await.expect("leaves");
        let leaf = leaves.rows.iter().map(|leaf| String::from_utf8_lossy(&leaf.leaf).into_owned());
        let marked = format!("\"hazard\":{}", remarks == 1);
        assert!(leaf.clone().any(|leaf| leaf.contains(&marked)), "{:?}", leaf.collect::<Vec<_>>());
    }
}

on_every_engine! {
    a_hazard_that_is_skipped_is_marked,
    a_second_person_who_is_the_doer_is_recorded_as_said_and_an_unknown_one_is_asked_back,
    what_was_only_expected_is_kept_as_expected,
    the_next_order_stands_at_once_and_counts_from_the_closing,
    an_order_closes_once_and_the_second_is_told_by_whom,
    a_request_id_has_no_second_effect,
    a_larger_order_closes_the_smaller_where_all_it_asks_for_was_given,
    an_undo_opens_the_order_again_unless_a_later_closing_stands_on_it,
    a_skip_is_no_closing_and_the_next_counts_from_the_skipped_point,
    a_raised_order_is_due_on_its_day_and_has_no_next,
    what_was_said_of_an_order_stays_with_it_whatever_ends_it,
    a_done_time_ahead_is_asked_back,
    a_rest_takes_its_orders_off_the_list_and_they_are_due_the_day_it_ends,
}
