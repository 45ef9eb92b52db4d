//! What makes the journal provable through the store contract: hashes of proofs, kept checkpoints and the signing key.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::journal::export::EntryRead;
use fettler_domain::journal::proof::{
    Head, Span, consistency, inclusion, proves_consistency, proves_inclusion,
};
use fettler_domain::journal::tree::leaf_hash;
use fettler_domain::journal::{Frontier, Hash};
use fettler_domain::ledger::report::{Received, ReportId};
use fettler_domain::order::ClosingSaid;
use fettler_domain::text::ForeignName;
use fettler_store::contract::{EntryFilter, JournalKey, KeptCheckpoint, PageAsk, StoreError};
use kit::{Engine, Shop, at, caller, hours, key, name};

const NOW: &str = "2026-03-20T12:00:00Z";

/// A shop with so many entries that hashes of a higher level are stored.
async fn long_journal(engine: Engine) -> Shop {
    let shop = Shop::open(engine).await;
    let one = hours("erp", "nobody", 1, 8);
    let many = (0..700).map(|n| {
        let report = ForeignName::new(format!("r-{n}")).expect("a name");
        let id = ReportId { source: one.key.source.clone(), report };
        Received::new(id, 0, one.content.clone(), at(NOW))
    });
    shop.push(many.collect(), NOW).await;
    shop
}

impl Shop {
    async fn leaf_hashes(&self) -> Vec<Hash> {
        let mut all = Vec::new();
        loop {
            let from = i64::try_from(all.len()).expect("few");
            let leaves = self.store.leaves(self.site, from, 300).await.expect("leaves");
            if leaves.is_empty() {
                return all;
            }
            for leaf in &leaves {
                assert_eq!(leaf.hash, leaf_hash(&leaf.bytes));
                all.push(leaf.hash);
            }
        }
    }

    async fn roots(&self, spans: &[Span]) -> Vec<Hash> {
        self.store.subtrees(self.site, spans).await.expect("hashes")
    }

    async fn head(&self, size: i64) -> Head {
        Head { size, root: self.roots(&[Span::whole(size)]).await[0] }
    }
}

async fn every_kind_of_proof_is_made_from_stored_hashes(engine: Engine) {
    let shop = long_journal(engine).await;
    let leaves = shop.leaf_hashes().await;
    let size = i64::try_from(leaves.len()).expect("few");
    assert!(size > 700, "{size}");
    let mut frontier = Frontier::new();
    for (number, leaf) in leaves.iter().enumerate() {
        frontier.push(*leaf, |_| ());
        if [0, 1, 255, 256, 300, 511, 699].contains(&number) {
            assert_eq!(shop.head(frontier.size()).await.root, frontier.root(), "{number}");
        }
    }
    let whole = shop.head(size).await;
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head").root, whole.root.0);
    for number in [0, 1, 255, 256, 511, 512, size - 1] {
        let path = shop.roots(&inclusion(number, size)).await;
        let leaf = leaves[usize::try_from(number).expect("a place")];
        assert!(proves_inclusion(leaf, number, size, &path, whole.root), "{number}");
    }
    for old in [1, 2, 255, 256, 257, 512, 600, size] {
        let proof = shop.roots(&consistency(old, size)).await;
        assert!(proves_consistency(shop.head(old).await, whole, &proof), "{old}");
    }
    let beyond = shop.store.subtrees(shop.site, &[Span::whole(size + 1)]).await;
    assert!(matches!(beyond, Err(StoreError::Corrupt { .. })), "{beyond:?}");
}

async fn a_checkpoint_is_kept_once(engine: Engine) {
    let shop = Shop::open(engine).await;
    let of = |lineage, size, note: &str| KeptCheckpoint {
        lineage,
        head: Head { size, root: leaf_hash(b"x") },
        made_at: at(NOW),
        note: note.into(),
    };
    let kept = |size, note| of(1, size, note);
    for (size, note) in [(3, "three"), (9, "nine"), (5, "five"), (9, "nine again")] {
        shop.store.keep_checkpoint(shop.site, &kept(size, note)).await.expect("kept");
    }
    let page = |after, limit| shop.store.checkpoints(shop.site, PageAsk { after, limit });
    let first = page(None, 2).await.expect("a page");
    assert_eq!(first.rows, [kept(9, "nine"), kept(5, "five")]);
    assert_eq!(page(first.next, 2).await.expect("a page").rows, [kept(3, "three")]);
    // A later lineage comes before an earlier one, however few entries it has, and of one size each has its own.
    for later in [of(7, 4, "four again"), of(7, 9, "nine of the seventh")] {
        shop.store.keep_checkpoint(shop.site, &later).await.expect("kept");
    }
    let first = page(None, 3).await.expect("a page");
    assert_eq!(first.rows, [of(7, 9, "nine of the seventh"), of(7, 4, "four again"), kept(9, "nine")]);
    assert_eq!(page(first.next, 9).await.expect("a page").rows, [kept(5, "five"), kept(3, "three")]);
    assert!(
        shop.store
            .checkpoints(SiteId::INSTALLATION, PageAsk { after: None, limit: 9 })
            .await
            .expect("a page")
            .rows
            .is_empty()
    );
}

async fn a_key_takes_the_place_of_the_one_that_is_known(engine: Engine) {
    let shop = Shop::open(engine).await;
    let made = |byte| JournalKey { installation: "a1".into(), public: [byte; 32] };
    assert_eq!(shop.store.journal_key().await.expect("read"), None);
    let call = caller("Serve", NOW);
    shop.store.set_journal_key(&call, &made(1), None).await.expect("the first");
    // A service that does not know of it must not put its own in the place.
    let other = shop.store.set_journal_key(&call, &made(2), None).await;
    assert!(matches!(other, Err(StoreError::Conflict)), "{other:?}");
    assert_eq!(shop.store.journal_key().await.expect("read"), Some(made(1)));
    shop.store.set_journal_key(&call, &made(2), Some(&made(1))).await.expect("replaced");
    assert_eq!(shop.store.journal_key().await.expect("read"), Some(made(2)));
    let filter = EntryFilter { kind: Some("key.made".into()), ..EntryFilter::default() };
    let page = PageAsk { after: None, limit: 9 };
    let entries = shop.store.entries(SiteId::INSTALLATION, &filter, page).await.expect("entries").rows;
    let subjects: Vec<&str> = entries.iter().map(|entry| entry.subject.as_str()).collect();
    assert_eq!(subjects, ["keys/2", "keys/1"]);
}

async fn the_entry_of_a_closing_is_found_until_it_is_undone(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = shop.store.open_order(shop.site, "L-1", &key("filter")).await.expect("open");
    let entry = async |order| shop.store.closing_entry(shop.site, order).await;
    let is_missing = |found: Result<i64, StoreError>| {
        matches!(found, Err(StoreError::Refused(Error::NotFound { kind: "closing", .. })))
    };
    assert!(is_missing(entry(order).await));
    let said = ClosingSaid::plain(order, at(NOW), name("Ada"));
    shop.store.close(&caller("CloseOrder", NOW), shop.site, &said).await.expect("closed");
    let number = entry(order).await.expect("found");
    let leaf = &shop.store.leaves(shop.site, number, 1).await.expect("a leaf")[0];
    let read = EntryRead::of(&leaf.bytes).expect("an entry");
    assert_eq!(
        (read.number, read.kind.as_str(), read.subject),
        (number, "order.closed", format!("orders/{order}"))
    );
    let call = caller("UndoClosing", NOW);
    shop.store.undo(&call, shop.site, order, &name("Ada"), "typo", false).await.expect("undone");
    assert!(is_missing(entry(order).await) && is_missing(entry(OrderNumber(999)).await));
}

on_every_engine! {
    every_kind_of_proof_is_made_from_stored_hashes,
    a_checkpoint_is_kept_once,
    a_key_takes_the_place_of_the_one_that_is_known,
    the_entry_of_a_closing_is_found_until_it_is_undone,
}
