//! When checkpoints are made by themselves, and where the key is.

mod support;

use fettler_domain::ids::SiteId;
use fettler_domain::time::{MICROS_PER_DAY, Ts};
use fettler_server::notary::{Notary, Places, once};
use fettler_store::contract::{Caller, NewToken, PageAsk, Store};
use std::collections::BTreeMap;
use std::sync::Arc;
use support::NOW;
use tempfile::TempDir;

async fn place() -> (TempDir, Arc<dyn Store>, Places) {
    let folder = tempfile::tempdir().expect("a folder");
    let location = folder.path().join("shop.db").display().to_string();
    let store = fettler_store::open(&location).await.expect("a store");
    let places = Places::within(folder.path());
    (folder, store, places)
}

/// How many checkpoints of the installation's journal are kept, in the database and as files.
async fn kept(store: &dyn Store, places: &Places) -> (usize, usize) {
    let page = PageAsk { after: None, limit: 9 };
    let rows = store.checkpoints(SiteId::INSTALLATION, page).await.expect("a page").rows;
    (rows.len(), std::fs::read_dir(&places.checkpoints).map_or(0, Iterator::count))
}

#[tokio::test]
async fn a_checkpoint_comes_with_a_new_day_where_anything_was_written() {
    let (_folder, store, places) = place().await;
    let notary = Notary::open(&*store, &places, NOW).await.expect("a key");
    let mut days = BTreeMap::new();
    let at_day = |n| Ts(NOW.0 + n * MICROS_PER_DAY);
    once(&notary, &*store, NOW, &mut days).await.expect("signed");
    assert_eq!(kept(&*store, &places).await, (1, 1), "the key's own entry");
    let caller =
        Caller { token: None, method: "Test", request: None, now: NOW, person: None, as_manager: true };
    store.add_token(&caller, &NewToken::admin("tablet", [1; 32])).await.expect("an entry");
    // Whether or not it is remembered that the day was seen to.
    for days in [&mut days, &mut BTreeMap::new()] {
        once(&notary, &*store, NOW, days).await.expect("nothing to do");
        assert_eq!(kept(&*store, &places).await, (1, 1));
    }
    once(&notary, &*store, at_day(1), &mut days).await.expect("signed");
    assert_eq!(kept(&*store, &places).await, (2, 2));
    once(&notary, &*store, at_day(2), &mut days).await.expect("nothing new");
    assert_eq!(kept(&*store, &places).await, (2, 2));
}

#[tokio::test]
async fn the_key_is_its_owner_s_alone_and_without_it_nothing_is_signed() {
    let (_folder, store, places) = place().await;
    assert!(Notary::open(&*store, &places, NOW).await.expect("made").signs());
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let mode = std::fs::metadata(&places.key).expect("a file").permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }
    assert!(Notary::open(&*store, &places, NOW).await.expect("read again").signs());
    let made = std::fs::read(&places.key).expect("a key");
    std::fs::remove_file(&places.key).expect("gone");
    assert!(!Notary::open(&*store, &places, NOW).await.expect("it goes on without").signs());
    assert!(!places.key.exists(), "none was made in its place");
    std::fs::write(&places.key, "no key").expect("written");
    assert!(Notary::open(&*store, &places, NOW).await.is_err());
    std::fs::write(&places.key, made).expect("back");
    assert!(Notary::open(&*store, &places, NOW).await.expect("found").signs());
}
