//! Moving a shop between engines: the same answers and the same journal roots there, and nothing where something stood.

#[macro_use]
mod kit;

use fettler_store::contract::{DueFilter, DuePart, PageAsk, ReportFilter, Store};
use kit::{Engine, Shop, at, caller, hours, key, name};

/// What a shop answers to those who read it.
async fn answers(store: &dyn Store, shop: &Shop) -> Vec<String> {
    let filter =
        DueFilter { before: at("2027-01-01T00:00:00Z"), part: DuePart::Dated, machine: None, area: None };
    let due = store.due(shop.site, &filter, PageAsk { after: None, limit: 100 }).await.expect("a due list");
    let kept = store.reports(shop.site, &ReportFilter::default(), PageAsk { after: None, limit: 100 }).await;
    let card = store.shop(shop.site).await.expect("a shop");
    let heads = (
        store.journal_head(shop.site).await,
        store.journal_head(fettler_domain::ids::SiteId::INSTALLATION).await,
    );
    vec![
        format!("{:?}", due.rows),
        format!("{:?}", kept.expect("reports").rows),
        format!("{card:?}"),
        format!("{:?} {:?}", heads.0.expect("a head"), heads.1.expect("a head")),
    ]
}

async fn a_shop_moves_with_all_its_answers(engine: Engine) {
    let shop = Shop::open(engine).await;
    let days = (1..=5).map(|day| hours("erp", "L-1", day, 8)).chain([hours("erp", "nobody", 1, 8)]).collect();
    shop.push(days, "2026-03-14T12:00:00Z").await;
    let call = caller("BookAdjustment", "2026-03-14T12:00:00Z");
    let when = at("2026-03-10T00:00:00Z");
    let (lathe, ada) = (key("L-1"), name("Ada"));
    let booked = shop.store.book_adjustment(&call, shop.site, &lathe, None, when, "-3", &ada, "too much");
    booked.await.expect("booked");
    let stood = answers(&*shop.store, &shop).await;
    shop.store.shut().await;

    for other in [Engine::Sqlite, Engine::Postgres] {
        let place = other.empty_place();
        let copied = fettler_store::copy(shop.location(), &place.location).await.expect("copied");
        assert_eq!(copied.journals.len(), 2);
        assert!(copied.rows > 20, "{copied:?}");
        let moved = fettler_store::open(&place.location).await.expect("a store");
        assert_eq!(answers(&*moved, &shop).await, stood);
        // It goes on there, under numbers of its own.
        let call = caller("PushReports", "2026-03-15T12:00:00Z");
        let told = moved.push(&call, shop.site, vec![hours("erp", "L-1", 6, 8)]).await.expect("pushed");
        assert_eq!(told.len(), 1);
        moved.shut().await;
        let again =
            fettler_store::copy(shop.location(), &place.location).await.expect_err("something stands there");
        assert!(again.to_string().contains("holds data already"), "{again}");
    }
}

async fn a_leaf_that_was_altered_does_not_move(engine: Engine) {
    let shop = Shop::open(engine).await;
    shop.push(vec![hours("erp", "L-1", 1, 8)], "2026-03-14T12:00:00Z").await;
    shop.store.shut().await;
    shop.alter("UPDATE journal_leaf SET at = at + 1, bytes = hash WHERE site = 1 AND number = 2").await;
    let place = Engine::Sqlite.empty_place();
    let refused = fettler_store::copy(shop.location(), &place.location).await.expect_err("found");
    assert!(refused.to_string().contains("leaf 2 of site 1"), "{refused}");
    let untouched = fettler_store::open(&place.location).await.expect("a store");
    assert!(untouched.sites().await.expect("sites").is_empty(), "nothing was left there");
}

on_every_engine! {
    a_shop_moves_with_all_its_answers,
    a_leaf_that_was_altered_does_not_move,
}
