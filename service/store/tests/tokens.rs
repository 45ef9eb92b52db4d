//! Tokens through the store contract, and what is a manager's to decide.

#[macro_use]
mod kit;

use fettler_domain::access::{Access, Role, Scope};
use fettler_domain::error::Error;
use fettler_domain::ids::{OrderNumber, SiteId, TokenId};
use fettler_domain::order::ClosingSaid;
use fettler_domain::time::Ts;
use fettler_store::contract::{Caller, EntryFilter, NewToken, PageAsk, StoreError, TokenRecord};
use kit::{Engine, Shop, at, caller, declaration, key, name};
use std::collections::BTreeSet;

const NOW: &str = "2026-03-20T12:00:00Z";

impl Shop {
    async fn token(&self, hash: u8, access: Access, expires_at: Option<Ts>) -> TokenRecord {
        let new = NewToken {
            name: "tablet".into(),
            hash: [hash; 32],
            access,
            expires_at,
            person: None,
            identity: None,
        };
        self.store.add_token(&caller("Token", NOW), &new).await.expect("kept")
    }

    async fn installation_leaves(&self, kind: &str) -> Vec<serde_json::Value> {
        let filter = EntryFilter { kind: Some(kind.into()), ..EntryFilter::default() };
        let page = PageAsk { after: None, limit: 50 };
        let entries = self.store.entries(SiteId::INSTALLATION, &filter, page).await.expect("entries").rows;
        entries.iter().map(|entry| serde_json::from_slice(&entry.leaf).expect("JSON")).collect()
    }
}

async fn a_token_is_kept_with_what_it_may_and_taken_back_once(engine: Engine) {
    let shop = Shop::open(engine).await;
    let scope = Scope::Sites(BTreeSet::from([shop.site, SiteId(7)]));
    let access = Access::new([Role::Technician, Role::Reporter], scope).expect("roles");
    let kept = shop.token(1, access.clone(), Some(at("2026-06-01T00:00:00Z"))).await;
    let other = shop.token(2, Access::admin(), None).await;
    assert_eq!((kept.access.clone(), kept.expires_at), (access, Some(at("2026-06-01T00:00:00Z"))));
    let found = async |hash: u8| shop.store.token(&[hash; 32]).await.expect("asked");
    assert_eq!(
        (found(1).await, found(2).await, found(3).await),
        (Some(kept.clone()), Some(other.clone()), None)
    );
    let page = |after, limit| shop.store.tokens(PageAsk { after, limit });
    let first = page(None, 1).await.expect("a page");
    assert_eq!(first.rows, std::slice::from_ref(&kept));
    assert_eq!(page(first.next, 5).await.expect("a page").rows, std::slice::from_ref(&other));

    let later = at("2026-03-21T12:00:00Z");
    shop.store.note_use(kept.token, later).await.expect("noted");
    shop.store.note_use(kept.token, at(NOW)).await.expect("an earlier use is no news");
    let call = caller("Token", "2026-03-22T12:00:00Z");
    let revoked = shop.store.revoke_token(&call, kept.token).await.expect("taken back");
    assert_eq!((revoked.revoked_at, revoked.used_at), (Some(call.now), Some(later)));
    let again = shop.store.revoke_token(&caller("Token", "2026-03-23T12:00:00Z"), kept.token).await;
    assert_eq!(again.expect("stands"), revoked);
    assert_eq!((found(1).await, found(2).await), (Some(revoked), Some(other)));
    let missing = shop.store.revoke_token(&call, TokenId(99)).await;
    assert!(
        matches!(missing, Err(StoreError::Refused(Error::NotFound { kind: "token", .. }))),
        "{missing:?}"
    );

    let leaves = shop.installation_leaves("token.").await;
    assert_eq!(leaves.len(), 3, "two made, one taken back, and uses are nobody's business");
    assert_eq!(leaves[0]["after"]["revoked_at"], call.now.0);
    assert_eq!(leaves[2]["after"]["roles"], serde_json::json!(["reporter", "technician"]));
    assert_eq!(leaves[2]["after"]["sites"], serde_json::json!([shop.site.0, 7]));
    let digest = fettler_domain::journal::leaf::state_digest(&leaves[2]["after"]).expect("canonical");
    assert_eq!(leaves[0]["before"], digest.to_hex());
}

fn technician(method: &'static str, now: &str) -> Caller {
    Caller { as_manager: false, ..caller(method, now) }
}

fn is_managers<T>(answer: &Result<T, StoreError>) -> bool {
    matches!(answer, Err(StoreError::Refused(Error::NotAllowed { reason: "MANAGER_ONLY", .. })))
}

async fn open(shop: &Shop, task: &str) -> OrderNumber {
    shop.store.open_order(shop.site, "L-1", &key(task)).await.expect("open")
}

async fn a_hazard_is_skipped_by_a_manager_only(engine: Engine) {
    let mut declared = declaration();
    declared.machines[0].tasks[1].hazard = true;
    let shop = Shop::open_with(engine, &declared).await;
    let (hazard, plain) = (open(&shop, "filter").await, open(&shop, "way-oil").await);
    let by = name("Ada");
    let skip = async |call, order| shop.store.skip(&call, shop.site, order, &by, "no time", false).await;
    skip(technician("SkipOrder", NOW), plain).await.expect("no hazard");
    let head = shop.store.journal_head(shop.site).await.expect("a head");
    assert!(is_managers(&skip(technician("SkipOrder", NOW), hazard).await));
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head"), head);
    skip(caller("SkipOrder", NOW), hazard).await.expect("a manager may");
}

async fn a_closing_is_undone_on_its_shop_day_and_later_by_a_manager_only(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = open(&shop, "filter").await;
    let by = name("Ada");
    // The shop day begins at 05:00.
    let said = ClosingSaid::plain(order, at("2026-03-18T08:00:00Z"), by.clone());
    let undo = async |call| shop.store.undo(&call, shop.site, order, &by, "typo", false).await;
    shop.store.close(&caller("CloseOrder", NOW), shop.site, &said).await.expect("closed");
    undo(technician("UndoClosing", "2026-03-21T04:59:00Z")).await.expect("the same shop day");
    shop.store.close(&caller("CloseOrder", NOW), shop.site, &said).await.expect("closed");
    assert!(is_managers(&undo(technician("UndoClosing", "2026-03-21T05:00:00Z")).await));
    undo(caller("UndoClosing", "2026-03-21T05:00:00Z")).await.expect("a manager may");
}

on_every_engine! {
    a_token_is_kept_with_what_it_may_and_taken_back_once,
    a_hazard_is_skipped_by_a_manager_only,
    a_closing_is_undone_on_its_shop_day_and_later_by_a_manager_only,
}
