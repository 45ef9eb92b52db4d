//! What operators watch: each count is what the lists themselves have.

#[macro_use]
mod kit;

use fettler_domain::plan::PlanRow;
use fettler_domain::time::Ts;
use fettler_store::contract::{DueFilter, DuePart, MachineGauge, MachineMove, OrderGauge, PageAsk};
use kit::{Engine, Shop, at, caller, declaration, every_days, every_hours, hours, key, name, task};

/// A lathe with tasks that are late, due, ahead and never recorded at one instant or another, and a second one without hours.
async fn shop(engine: Engine) -> Shop {
    let mut declared = declaration();
    let lathe = &mut declared.machines[0];
    for (of, clauses, hazard) in [
        ("belt", vec![every_hours("40")], true),
        ("guards", vec![every_days(5)], true),
        ("lamp", vec![every_days(9), every_hours("60")], false),
    ] {
        let mut card = task(of, of, clauses);
        card.hazard = hazard;
        lathe.tasks.push(card);
        let mut done = lathe.last_done[0].clone();
        done.task = key(of);
        lathe.last_done.push(done);
    }
    lathe.tasks.push(task("paint", "paint", vec![every_days(700)]));
    let mut other = lathe.clone();
    other.tag = key("L-2");
    other.tasks.truncate(1);
    other.last_done.truncate(1);
    other.last_done[0].machine = key("L-2");
    declared.machines.push(other);
    let shop = Shop::open_with(engine, &declared).await;
    let mut reports: Vec<_> = (1..=9).map(|day| hours("erp", "L-1", day, 8)).collect();
    reports.push(hours("erp", "nowhere", 1, 8));
    shop.push(reports, "2026-03-10T12:00:00Z").await;
    shop
}

async fn rows(shop: &Shop, part: DuePart) -> Vec<PlanRow> {
    let filter = DueFilter { before: Ts::MAX, part, machine: None, area: None };
    let page = shop.store.due(shop.site, &filter, PageAsk { after: None, limit: 100 }).await.expect("a page");
    page.rows.into_iter().map(|entry| entry.plan).collect()
}

/// One count of orders.
type Part = fn(&OrderGauge) -> u64;

async fn orders_are_counted_as_the_list_has_them(engine: Engine) {
    let shop = shop(engine).await;
    let dated = rows(&shop, DuePart::Dated).await;
    let mut seen = Vec::new();
    for day in 2..=30 {
        let now = at(&format!("2026-03-{day:02}T12:00:00Z"));
        let count = |is: &dyn Fn(&PlanRow) -> bool| dated.iter().filter(|row| is(row)).count() as u64;
        let is_late = |row: &PlanRow| row.key_time <= now && row.late.is_some_and(|late| late <= now);
        let expect = OrderGauge {
            late: count(&is_late),
            hazard_late: count(&|row| is_late(row) && row.hazard),
            due: count(&|row| row.key_time <= now && !is_late(row)),
            ahead: count(&|row| row.key_time > now),
            never_recorded: rows(&shop, DuePart::NeverRecorded).await.len() as u64,
        };
        let gauge = shop.store.site_gauge(shop.site, now).await.expect("counted");
        assert_eq!(gauge.orders, expect, "{now:?}");
        let head = shop.store.due_head(shop.site, now).await.expect("a head");
        assert_eq!(gauge.stale_rows, head.stale.map_or(0, |(rows, _)| rows), "{now:?}");
        assert_eq!((gauge.held, gauge.waiting), (head.held.held, head.held.waiting));
        seen.push(expect);
    }
    let parts: [Part; 5] = [|o| o.late, |o| o.hazard_late, |o| o.due, |o| o.ahead, |o| o.never_recorded];
    for part in parts {
        assert!(seen.iter().any(|orders| part(orders) > 0), "each is met: {seen:?}");
    }
    assert!(seen.iter().any(|orders| orders.hazard_late < orders.late), "{seen:?}");
}

async fn meters_machines_and_the_journal_are_counted(engine: Engine) {
    let shop = shop(engine).await;
    let gauge = |now: &str| {
        let now = at(now);
        let shop = &shop;
        async move { shop.store.site_gauge(shop.site, now).await.expect("counted") }
    };
    // The hours of L-1 end on 9 March at 14:00; L-2 has none.
    for (now, silent) in [
        ("2026-03-10T13:59:59Z", [0, 0, 0]),
        ("2026-03-10T14:00:00Z", [1, 0, 0]),
        ("2026-03-12T14:00:00Z", [1, 1, 0]),
        ("2026-03-16T14:00:00Z", [1, 1, 1]),
    ] {
        assert_eq!(gauge(now).await.silent_meters, silent, "{now}");
    }
    let now = "2026-03-20T12:00:00Z";
    let before = gauge(now).await;
    assert_eq!((before.unheard_meters, before.held, before.checkpoint_at), (1, 1, None));
    assert_eq!(before.machines, MachineGauge { in_service: 2, ..MachineGauge::default() });
    let rest = |tag: &'static str| {
        let call = caller("RestMachine", now);
        let shop = &shop;
        async move {
            let (by, to) = (name("Ada"), MachineMove::Rest);
            shop.store
                .move_machine(&call, shop.site, &key(tag), to, &by, "no work", false)
                .await
                .expect("moved");
        }
    };
    rest("L-1").await;
    let after = gauge(now).await;
    assert_eq!(after.machines, MachineGauge { in_service: 1, resting: 1, ..MachineGauge::default() });
    assert_eq!((after.silent_meters, after.unheard_meters), ([0, 0, 0], 1), "who rests is not silent");
    let head = shop.store.journal_head(shop.site).await.expect("a head");
    assert_eq!(after.journal_entries, u64::try_from(head.size).expect("no less than 0"));
    assert!(after.journal_entries > before.journal_entries);
}

async fn the_store_tells_how_it_is_doing(engine: Engine) {
    let shop = shop(engine).await;
    let gauge = shop.store.store_gauge().await.expect("told");
    assert!(gauge.database_bytes > 100_000 && gauge.readers_open >= 1, "{gauge:?}");
    assert_eq!(gauge.log_bytes.map(|bytes| bytes > 0), matches!(engine, Engine::Sqlite).then_some(true));
    assert_eq!(gauge.writing, 0);
    // The one that read last may not have come back yet.
    assert!(gauge.readers_busy <= gauge.readers_open, "{gauge:?}");
}

on_every_engine!(
    orders_are_counted_as_the_list_has_them,
    meters_machines_and_the_journal_are_counted,
    the_store_tells_how_it_is_doing,
);
