//! The audit through the store contract: every closing once, in the order of the work, with all that belongs to it.

#[macro_use]
mod kit;

use fettler_domain::order::{ClosingSaid, Confirmed, OrderState, RaiseSaid};
use fettler_domain::time::Ts;
use fettler_store::contract::{AuditCursor, AuditFilter, Audited, OrderFilter, PageAsk};
use kit::{Engine, Shop, at, caller, declaration, key, name};

const NOON: &str = "2026-03-20T12:00:00Z";

/// A shop in which so many jobs were raised and closed, a minute apart and entered in the opposite order.
async fn worked(engine: Engine, jobs: i64) -> Shop {
    let shop = Shop::open_with(engine, &declaration()).await;
    let begin = at("2026-03-10T06:00:00Z");
    for job in (0..jobs).rev() {
        let raised = RaiseSaid {
            machine: key("L-1"),
            title: name(&format!("job {job}")),
            by: name("Ada"),
            due_day: None,
            hazard: false,
            note: String::new(),
        };
        let item = shop.store.raise(&caller("RaiseOrder", NOON), shop.site, &raised).await.expect("raised");
        let done = Ts(begin.0 + job * 60_000_000);
        let plain = ClosingSaid::plain(item.plan.order, done, name("Ada"));
        let said = ClosingSaid { confirmed: Confirmed::time(), ..plain };
        shop.store.close(&caller("CloseOrder", NOON), shop.site, &said).await.expect("closed");
    }
    shop
}

async fn exported(shop: &Shop, filter: &AuditFilter, limit: u32) -> Vec<Audited> {
    let (mut all, mut after): (Vec<Audited>, Option<AuditCursor>) = (Vec::new(), None);
    loop {
        let page = shop.store.audit(shop.site, filter, PageAsk { after, limit }).await.expect("a page");
        assert!(page.rows.len() <= usize::try_from(limit).expect("small"));
        all.extend(page.rows);
        after = page.next;
        if after.is_none() {
            return all;
        }
    }
}

async fn every_closing_comes_once_in_the_order_of_the_work(engine: Engine) {
    let shop = worked(engine, 45).await;
    let all = exported(&shop, &AuditFilter::default(), 7).await;
    let titles: Vec<String> = all.iter().map(|row| row.title.to_string()).collect();
    assert_eq!(titles, (0..45).map(|job| format!("job {job}")).collect::<Vec<_>>());
    let closed = OrderFilter { state: Some(OrderState::Closed), ..OrderFilter::default() };
    let page = PageAsk { after: None, limit: 100 };
    let orders = shop.store.orders(shop.site, &closed, page).await.expect("orders").rows;
    let mut records: Vec<_> = orders.into_iter().filter_map(|order| order.closing).collect();
    records.sort_by_key(|view| view.record.done_at);
    assert_eq!(all.into_iter().map(|row| row.view).collect::<Vec<_>>(), records, "equal to what was done");
}

async fn filters_narrow_it_down_and_undone_ones_stay(engine: Engine) {
    let shop = worked(engine, 5).await;
    let all = exported(&shop, &AuditFilter::default(), 100).await;
    let order = all[2].view.record.order;
    let undo = caller("UndoClosing", NOON);
    shop.store.undo(&undo, shop.site, order, &name("Ada"), "typo", false).await.expect("undone");
    let undone = AuditFilter { undone: true, ..AuditFilter::default() };
    let rows = exported(&shop, &undone, 100).await;
    assert_eq!(rows.len(), 1);
    assert_eq!(rows[0].view.record.undone.as_ref().map(|undone| undone.reason.as_str()), Some("typo"));
    assert_eq!(exported(&shop, &AuditFilter::default(), 2).await.len(), 5);
    let of = |filter: AuditFilter| {
        let shop = &shop;
        async move { exported(shop, &filter, 100).await.len() }
    };
    let from = Some(all[3].view.record.done_at);
    assert_eq!(of(AuditFilter { from, ..AuditFilter::default() }).await, 2);
    assert_eq!(of(AuditFilter { until: from, ..AuditFilter::default() }).await, 3);
    assert_eq!(of(AuditFilter { machine: Some("L-1".into()), ..AuditFilter::default() }).await, 5);
    assert_eq!(of(AuditFilter { machine: Some("L-2".into()), ..AuditFilter::default() }).await, 0);
    assert_eq!(of(AuditFilter { task: Some(key("filter")), ..AuditFilter::default() }).await, 0);
    assert_eq!(of(AuditFilter { area: Some("nowhere".into()), ..AuditFilter::default() }).await, 0);
}

on_every_engine!(
    every_closing_comes_once_in_the_order_of_the_work,
    filters_narrow_it_down_and_undone_ones_stay,
);
