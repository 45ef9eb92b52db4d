//! What the writer remembers of a site between its transactions: nothing of one that came to nothing, nor across what another
//! server has written meanwhile.

#[macro_use]
mod kit;

use fettler_domain::order::ClosingSaid;
use fettler_store::contract::{Caller, RequestKey};
use kit::{Engine, Shop, at, caller, hours, key, name};

async fn a_trial_leaves_nothing_in_what_the_writer_remembers(engine: Engine) {
    let shop = Shop::open(engine).await;
    shop.push(vec![hours("erp", "L-1", 3, 8)], "2026-03-03T18:00:00Z").await;
    let order = shop.store.open_order(shop.site, "L-1", &key("way-oil")).await.expect("one is open");
    let call = caller("SkipOrder", "2026-03-03T19:00:00Z");
    shop.store.skip(&call, shop.site, order, &name("Ada"), "no oil", true).await.expect("possible");
    shop.push(vec![hours("erp", "L-1", 4, 8)], "2026-03-04T18:00:00Z").await;
    shop.row(order, "2026-03-04T18:00:00Z").await;
}

/// A file has one server; a database may have several.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn what_another_server_wrote_is_not_remembered_otherwise() {
    let shop = Shop::open(Engine::Postgres).await;
    let other = fettler_store::open(shop.location()).await.expect("a second server's store");
    shop.push(vec![hours("erp", "L-1", 3, 8)], "2026-03-03T18:00:00Z").await;
    let order = shop.store.open_order(shop.site, "L-1", &key("way-oil")).await.expect("one is open");
    let said = ClosingSaid::plain(order, at("2026-03-03T19:00:00Z"), name("Ada"));
    let call = caller("CloseOrder", "2026-03-03T19:30:00Z");
    let next = other.close(&call, shop.site, &said).await.expect("closed").next[0].plan.order;
    shop.push(vec![hours("erp", "L-1", 4, 8)], "2026-03-04T18:00:00Z").await;
    shop.row(next, "2026-03-04T18:00:00Z").await;
    other.shut().await;
}

/// A repeat takes the site without looking at what is remembered of it: what another server outdated stays outdated.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_repeat_does_not_make_current_what_another_server_outdated() {
    let shop = Shop::open(Engine::Postgres).await;
    let other = fettler_store::open(shop.location()).await.expect("a second server's store");
    let request = RequestKey { id: "6f1f0b0e-0000-4000-8000-000000000002".into(), digest: [7; 32] };
    let repeated = Caller { request: Some(request), ..caller("TakeReadings", "2026-03-03T17:00:00Z") };
    shop.store.take_readings(&repeated, shop.site, &[], false).await.expect("nothing to take");
    shop.push(vec![hours("erp", "L-1", 3, 8)], "2026-03-03T18:00:00Z").await;
    let order = shop.store.open_order(shop.site, "L-1", &key("way-oil")).await.expect("one is open");
    let said = ClosingSaid::plain(order, at("2026-03-03T19:00:00Z"), name("Ada"));
    let call = caller("CloseOrder", "2026-03-03T19:30:00Z");
    let next = other.close(&call, shop.site, &said).await.expect("closed").next[0].plan.order;
    shop.store.take_readings(&repeated, shop.site, &[], false).await.expect("told again");
    shop.push(vec![hours("erp", "L-1", 4, 8)], "2026-03-04T18:00:00Z").await;
    shop.row(next, "2026-03-04T18:00:00Z").await;
    other.shut().await;
}

on_every_engine! {
    a_trial_leaves_nothing_in_what_the_writer_remembers,
}
