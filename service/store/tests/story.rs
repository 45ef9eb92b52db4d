//! A shop's story through the store contract: declared, reported, listed, closed.

#[macro_use]
mod kit;

use fettler_store::contract::{DueFilter, DuePart, PageAsk};
use kit::{Engine, Shop, at, caller, declaration, hours, key, name, shows};

async fn dated(shop: &Shop, until: &str) -> Vec<String> {
    let filter = DueFilter { before: at(until), part: DuePart::Dated, machine: None, area: None };
    let page = shop.store.due(shop.site, &filter, PageAsk { after: None, limit: 100 }).await.expect("a page");
    page.rows.iter().map(|entry| format!("{} {}", entry.machine, entry.title)).collect()
}

async fn hours_that_cross_a_threshold_put_its_task_on_the_list(engine: Engine) {
    let shop = Shop::open(engine).await;
    assert_eq!(dated(&shop, "2026-03-03T05:00:00Z").await, Vec::<String>::new());
    let reports: Vec<_> = (1..=13).map(|day| hours("erp", "L-1", day, 8)).collect();
    let told = shop.push(reports, "2026-03-14T12:00:00Z").await;
    assert!(told.iter().all(|told| told == "accepted"), "{told:?}");
    let (_, shows) = shop.store.meter(shop.site, "L-1", None, None).await.expect("a meter");
    assert_eq!(shows.counted.0, 13 * 8 * 3_600_000);
    assert_eq!(dated(&shop, "2026-03-15T05:00:00Z").await, ["L-1 Top up way oil"]);
    let order = shop.store.open_order(shop.site, "L-1", &key("way-oil")).await.expect("open");
    let why = shop.store.explain(shop.site, order, at("2026-03-14T12:00:00Z")).await.expect("explained");
    assert!(why.row_agrees);
    // 100 h of 8 h a day from 06:00: the 13th report, after 4 of its 8 hours.
    assert_eq!(why.entry.plan.due, Some(at("2026-03-13T10:00:00Z")));
}

async fn loading_the_same_twice_changes_nothing_and_a_trial_changes_nothing(engine: Engine) {
    let shop = Shop::open(engine).await;
    let head = shop.store.journal_head(shop.site).await.expect("a head");
    let again = shop.load(false).await;
    assert_eq!((again.changes.len(), again.orders_opened), (0, 0));
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head"), head);
    let shown = shop.store.shop(shop.site).await.expect("shown");
    let mut renamed = shown.clone();
    renamed.machines[0].area = Some("Hall 2".into());
    let trial = shop.load_this(&renamed, true).await;
    assert_eq!(trial.changes.len(), 1);
    assert_eq!(shop.store.shop(shop.site).await.expect("shown"), shown);
    let shown_again = shop.load_this(&shown, false).await;
    assert_eq!(shown_again.changes, []);
}

async fn the_journals_root_follows_from_its_leaves(engine: Engine) {
    use fettler_domain::journal::{Frontier, leaf::hash_of};
    let shop = Shop::open(engine).await;
    shop.push((1..=300).map(|n| hours("erp", "L-1", n, 2)).collect(), "2026-12-31T12:00:00Z").await;
    let mut frontier = Frontier::new();
    let mut after = None;
    loop {
        let filter = fettler_store::contract::EntryFilter { from: Some(0), ..Default::default() };
        let page =
            shop.store.entries(shop.site, &filter, PageAsk { after, limit: 100 }).await.expect("entries");
        for entry in &page.rows {
            assert_eq!(entry.number, frontier.size());
            frontier.push(hash_of(&entry.leaf), |_| ());
        }
        after = page.next;
        if after.is_none() {
            break;
        }
    }
    let head = shop.store.journal_head(shop.site).await.expect("a head");
    assert_eq!((head.size, head.root), (frontier.size(), frontier.root().0));
    assert!(head.size > 300);
}

async fn a_duplicate_makes_no_leaf_and_a_reopened_store_knows_all(engine: Engine) {
    let mut shop = Shop::open(engine).await;
    shop.push(vec![hours("erp", "L-1", 1, 8)], "2026-03-14T12:00:00Z").await;
    let head = shop.store.journal_head(shop.site).await.expect("a head");
    let told = shop.push(vec![hours("erp", "L-1", 1, 8)], "2026-03-14T12:00:00Z").await;
    assert_eq!(told, ["duplicate"]);
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head"), head);
    shop.reopen().await;
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head"), head);
    let told =
        shop.push(vec![hours("erp", "X-9", 2, 8), hours("erp", "L-1", 3, 12)], "2026-03-14T12:00:00Z").await;
    assert_eq!(told, ["held unknown_machine", "accepted"]);
    assert_eq!(shop.store.held_counts(shop.site).await.expect("counts").held, 1);
}

async fn a_month_whose_hours_an_adjustment_cancels_keeps_its_course(engine: Engine) {
    let shop = Shop::open(engine).await;
    let call = caller("BookAdjustment", "2026-03-14T12:00:00Z");
    let (end, by) = (at("2026-03-10T00:00:00Z"), name("Ada"));
    let booked =
        shop.store.book_adjustment(&call, shop.site, &key("L-1"), None, end, "-4", &by, "double").await;
    assert_eq!(booked.expect("booked").1.counted.0, -4 * 3_600_000);
    shop.push(vec![hours("erp", "L-1", 5, 8)], "2026-03-14T12:00:00Z").await;
    // A revision lessens the hours, and brings the month's total back to nothing.
    let mut revised = hours("erp", "L-1", 5, 4);
    revised.key.revision = 1;
    assert_eq!(shop.push(vec![revised], "2026-03-14T12:00:00Z").await, ["replaces"]);
    let (_, shows) =
        shop.store.meter(shop.site, "L-1", None, Some(at("2026-03-06T00:00:00Z"))).await.expect("shown");
    assert_eq!(shows.counted.0, 4 * 3_600_000);
}

/// Values worked by hand: an hour an hour from 1 March 06:00 on, so 100 h are reached on 5 March at 10:00.
async fn what_was_reached_stays_due_when_an_adjustment_takes_hours_away(engine: Engine) {
    let shop = Shop::open(engine).await;
    let days = (1..=5).map(|day| hours("erp", "L-1", day, 24)).collect();
    shop.push(days, "2026-03-14T12:00:00Z").await;
    let call = caller("BookAdjustment", "2026-03-14T12:00:00Z");
    let (when, by) = (at("2026-03-10T00:00:00Z"), name("Ada"));
    let booked =
        shop.store.book_adjustment(&call, shop.site, &key("L-1"), None, when, "-30", &by, "too much").await;
    assert_eq!(booked.expect("booked").1.counted.0, 90 * 3_600_000);
    let order = shop.store.open_order(shop.site, "L-1", &key("way-oil")).await.expect("open");
    let why = shop.store.explain(shop.site, order, at("2026-03-14T12:00:00Z")).await.expect("why");
    assert!(why.row_agrees);
    assert_eq!(why.entry.plan.kind, fettler_domain::plan::DueKind::Exact);
    assert_eq!(why.entry.plan.due, Some(at("2026-03-05T10:00:00Z")));
}

async fn a_count_stated_on_a_counter_means_the_counters_own_value(engine: Engine) {
    use fettler_domain::ledger::row::Feed;
    let mut declared = declaration();
    declared.machines[0].meters[0].feed = Some(Feed::Absolute);
    declared.machines[0].last_done[0].counts = vec![(None, "4750".into())];
    let shop = Shop::open_with(engine, &declared).await;
    let told =
        shop.push(vec![shows("L-1", 5, "4812.5"), shows("L-1", 6, "4830")], "2026-03-07T12:00:00Z").await;
    assert_eq!(told, ["accepted", "accepted"]);
    let order = shop.store.open_order(shop.site, "L-1", &key("way-oil")).await.expect("open");
    let why = shop.store.explain(shop.site, order, at("2026-03-07T12:00:00Z")).await.expect("why");
    assert!(why.row_agrees);
    // 100 h after 4,750 is 4,850: 20 h are still to run, and nothing is due yet.
    assert_eq!(why.entry.plan.kind, fettler_domain::plan::DueKind::Expected);
    shop.push(vec![shows("L-1", 7, "4850")], "2026-03-08T12:00:00Z").await;
    let why = shop.store.explain(shop.site, order, at("2026-03-08T12:00:00Z")).await.expect("why");
    assert_eq!(why.entry.plan.due, Some(at("2026-03-07T06:00:00Z")));
    assert!(why.row_agrees);
}

on_every_engine! {
    what_was_reached_stays_due_when_an_adjustment_takes_hours_away,
    hours_that_cross_a_threshold_put_its_task_on_the_list,
    loading_the_same_twice_changes_nothing_and_a_trial_changes_nothing,
    the_journals_root_follows_from_its_leaves,
    a_duplicate_makes_no_leaf_and_a_reopened_store_knows_all,
    a_month_whose_hours_an_adjustment_cancels_keeps_its_course,
    a_count_stated_on_a_counter_means_the_counters_own_value,
}
