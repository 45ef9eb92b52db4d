//! The list by which nothing surprises: what may well fall due within the horizon, from stored keys alone.

#[macro_use]
mod kit;

use fettler_domain::ids::OrderNumber;
use fettler_domain::order::OrderState;
use fettler_domain::time::{MICROS_PER_DAY, Ts};
use fettler_store::contract::{DueEntry, DueFilter, DuePart, OrderFilter, PageAsk};
use kit::{Engine, Shop, at, declaration, every_days, every_hours, hours, task};

/// A shop with tasks of a meter that are near and far, tasks of days, and tasks of both.
async fn shop(engine: Engine) -> Shop {
    let mut declared = declaration();
    let lathe = &mut declared.machines[0];
    for (key, clauses) in [
        ("belt", vec![every_hours("90")]),
        ("guards", vec![every_days(20)]),
        ("seals", vec![every_hours("130"), every_days(40)]),
        ("screws", vec![every_hours("900")]),
        ("grease", vec![every_days(10)]),
        ("lamp", vec![every_days(16), every_hours("115")]),
    ] {
        lathe.tasks.push(task(key, key, clauses));
        let mut done = lathe.last_done[0].clone();
        done.task = kit::key(key);
        lathe.last_done.push(done);
    }
    lathe.tasks.push(task("paint", "paint", vec![every_days(700)]));
    let shop = Shop::open_with(engine, &declared).await;
    // Days of 8 h, of 2 h and of none, so that the forecast has a spread.
    let reports = (1..=9).filter(|day| day % 4 != 0).map(|day| hours("erp", "L-1", day, 2 + 6 * (day % 2)));
    shop.push(reports.collect(), "2026-03-10T12:00:00Z").await;
    shop
}

async fn part(shop: &Shop, part: DuePart, before: Ts, limit: u32) -> Vec<DueEntry> {
    let filter = DueFilter { before, part, machine: None, area: None };
    let (mut rows, mut after) = (Vec::new(), None);
    loop {
        let page = shop.store.due(shop.site, &filter, PageAsk { after, limit }).await.expect("a page");
        rows.extend(page.rows);
        after = page.next;
        if after.is_none() {
            return rows;
        }
    }
}

fn orders(rows: &[DueEntry]) -> Vec<OrderNumber> {
    rows.iter().map(|row| row.plan.order).collect()
}

async fn the_list_is_cut_off_and_ordered_by_the_early_quantile(engine: Engine) {
    let shop = shop(engine).await;
    let all = part(&shop, DuePart::Sure, Ts::MAX, 100).await;
    assert_eq!(all.len(), 8, "but for what was never recorded");
    let early: Vec<&DueEntry> = all.iter().filter(|row| row.plan.p10 < row.plan.due).collect();
    assert!(early.iter().filter(|row| row.plan.p10.is_some()).count() > 2, "{all:?}");
    assert!(all.iter().any(|row| row.plan.p10.is_none()), "{all:?}");
    assert!(all.is_sorted_by_key(|row| (row.plan.sure_time(), row.plan.order)));
    // Around each key of each row the list has exactly the rows whose early quantile, or due instant, lies before.
    let keys = all.iter().flat_map(|row| [row.plan.sure_time(), row.plan.key_time]);
    for before in keys.flat_map(|key| [key, key.plus_micros(1)]).filter(|before| *before < Ts::MAX) {
        let expect: Vec<OrderNumber> =
            all.iter().filter(|row| row.plan.sure_time() < before).map(|row| row.plan.order).collect();
        assert_eq!(orders(&part(&shop, DuePart::Sure, before, 100).await), expect);
        let middle = part(&shop, DuePart::Dated, before, 100).await;
        assert!(orders(&middle).iter().all(|order| expect.contains(order)), "no less than by the middle");
    }
}

async fn pages_of_any_length_make_the_same_list(engine: Engine) {
    let shop = shop(engine).await;
    let whole = part(&shop, DuePart::Sure, Ts::MAX, 100).await;
    for limit in 1..=4 {
        assert_eq!(orders(&part(&shop, DuePart::Sure, Ts::MAX, limit).await), orders(&whole), "{limit}");
    }
}

async fn a_task_for_a_stopped_machine_is_on_one_part_only(engine: Engine) {
    let shop = shop(engine).await;
    let now = at("2026-03-10T12:00:00Z");
    let mut beside = 0;
    for days in 0..30 {
        let before = now.plus_micros(days * MICROS_PER_DAY);
        let sure = orders(&part(&shop, DuePart::Sure, before, 100).await);
        let stopped = orders(&part(&shop, DuePart::WhileStoppedSure { now }, before, 100).await);
        beside += stopped.len();
        assert!(stopped.iter().all(|order| !sure.contains(order)), "{sure:?} {stopped:?}");
        let opened: Vec<OrderNumber> = part(&shop, DuePart::Sure, Ts::MAX, 100)
            .await
            .iter()
            .filter(|row| row.plan.opens.is_some_and(|opens| opens <= now))
            .map(|row| row.plan.order)
            .collect();
        assert!(opened.iter().all(|order| sure.contains(order) || stopped.contains(order)), "{opened:?}");
    }
    assert!(beside > 0, "nothing could be done while it is stopped");
}

async fn an_open_order_carries_its_row_of_the_list_and_an_ended_one_none(engine: Engine) {
    let shop = shop(engine).await;
    let listed = part(&shop, DuePart::Sure, Ts::MAX, 100).await;
    assert!(listed.iter().any(|row| row.plan.p10.is_some()));
    for row in &listed {
        let order = shop.store.order(shop.site, row.plan.order).await.expect("it is there");
        assert_eq!(order.plan.as_ref(), Some(&row.plan));
    }
    let skipped = listed[0].plan.order;
    let call = kit::caller("SkipOrder", "2026-03-10T13:00:00Z");
    shop.store.skip(&call, shop.site, skipped, &kit::name("Ada"), "no part", false).await.expect("possible");
    let page = PageAsk { after: None, limit: 100 };
    let all = shop.store.orders(shop.site, &OrderFilter::default(), page).await.expect("a page").rows;
    let open = all.iter().filter(|order| order.plan.is_some()).count();
    assert_eq!(open, all.iter().filter(|order| order.state == OrderState::Open).count());
    assert!(all.iter().any(|order| order.number == skipped && order.plan.is_none()), "{all:?}");
}

on_every_engine![
    an_open_order_carries_its_row_of_the_list_and_an_ended_one_none,
    the_list_is_cut_off_and_ordered_by_the_early_quantile,
    pages_of_any_length_make_the_same_list,
    a_task_for_a_stopped_machine_is_on_one_part_only,
];
