//! A store as a whole: what a check finds of what was altered, backups of it, and the lineages that a restore opens.

#[macro_use]
mod kit;

use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::journal::lineage::{Opening, Stand};
use fettler_domain::journal::proof::Head;
use fettler_domain::journal::tree::leaf_hash;
use fettler_domain::ledger::report::{Received, ReportId};
use fettler_domain::order::ClosingSaid;
use fettler_domain::text::ForeignName;
use fettler_store::contract::{EntryFilter, FAULTS_MAX, KeptCheckpoint, PageAsk, Part, Restore, Store};
use kit::{Engine, Shop, at, caller, hours, key, name};
use std::collections::BTreeMap;

const NOW: &str = "2026-03-20T12:00:00Z";

/// A shop with hours, a correction with its note, an order closed, undone and closed again, and entries enough that hashes of a higher level are stored.
async fn shop(engine: Engine) -> Shop {
    let shop = Shop::open(engine).await;
    let days = (1..=5).map(|day| hours("erp", "L-1", day, 8)).collect();
    shop.push(days, "2026-03-14T12:00:00Z").await;
    let call = caller("BookAdjustment", "2026-03-14T12:00:00Z");
    let (when, lathe, ada) = (at("2026-03-10T00:00:00Z"), key("L-1"), name("Ada"));
    let booked = shop.store.book_adjustment(&call, shop.site, &lathe, None, when, "-3", &ada, "too much");
    booked.await.expect("booked");
    close(&shop).await;
    let undone = shop.store.undo(&call, shop.site, CLOSED, &ada, "another machine", false);
    undone.await.expect("undone");
    close(&shop).await;
    let one = hours("erp", "nobody", 1, 8);
    let many = (0..300).map(|n| {
        let report = ForeignName::new(format!("r-{n}")).expect("a name");
        let id = ReportId { source: one.key.source.clone(), report };
        Received::new(id, 0, one.content.clone(), at(NOW))
    });
    shop.push(many.collect(), NOW).await;
    shop
}

/// The order that is closed.
const CLOSED: OrderNumber = OrderNumber(2);

async fn close(shop: &Shop) {
    let said = ClosingSaid::plain(CLOSED, at("2026-03-14T12:00:00Z"), name("Ada"));
    let call = caller("CloseOrder", "2026-03-14T12:30:00Z");
    shop.store.close(&call, shop.site, &said).await.expect("closed");
}

async fn checked(store: &dyn Store) -> Vec<Part> {
    // No note here is signed: what signatures prove is tested where there are some.
    store.check(&[], |_, _, _| false).await.expect("checked")
}

fn faults(parts: &[Part]) -> Vec<String> {
    let of =
        |part: &Part| part.faults.iter().map(|f| format!("{}: {}", part.name, f.what)).collect::<Vec<_>>();
    parts.iter().flat_map(of).collect()
}

/// An alteration, and what is said of it.
const ALTERED: &[(&str, &str)] = &[
    (
        "UPDATE journal_leaf SET bytes = hash WHERE site = 1 AND number = 2",
        "journal: entry 2: its bytes do not give its hash",
    ),
    (
        "UPDATE journal_leaf SET hash = (SELECT hash FROM journal_leaf WHERE site = 1 AND number = 0) WHERE site = 1 AND number = 3",
        "journal: entry 3: its bytes do not give its hash",
    ),
    (
        "UPDATE journal_leaf SET subject = 'x' WHERE site = 1 AND number = 2",
        "journal: entry 2: what it is listed by is not what its bytes say",
    ),
    (
        "UPDATE journal_leaf SET at = at + 1 WHERE site = 1 AND number = 2",
        "journal: entry 2: what it is listed by",
    ),
    ("DELETE FROM journal_leaf WHERE site = 1 AND number = 4", "journal: entry 4 is missing"),
    ("UPDATE sealed_note SET text = 'another' WHERE site = 1", "the text kept beside it is not the one"),
    (
        "UPDATE journal_node SET position = 7 WHERE site = 1",
        "journal: the stored hash 0 of level 8 is missing",
    ),
    (
        "UPDATE journal_node SET hash = (SELECT hash FROM journal_leaf WHERE site = 1 AND number = 0) WHERE site = 1",
        "journal: the stored hash 0 of level 8 is not that of its entries",
    ),
    (
        "UPDATE site_head SET lineage = 9 WHERE site = 1",
        "journal: the journal is of lineage 9, and its entries are of lineage 1",
    ),
    ("UPDATE ledger SET amount = amount + 1 WHERE site = 1 AND state = 'counted'", "is not what arrived"),
    ("UPDATE ledger SET revision = 3 WHERE site = 1 AND state = 'counted'", "which does not tell of it"),
    (
        "UPDATE ledger SET segment_amount = segment_amount + 1 WHERE site = 1 AND state = 'counted'",
        "ledger: meter 1 is said to have counted",
    ),
    ("UPDATE meter_month SET amount = amount + 1 WHERE site = 1", "ledger: meter 1 is said to have counted"),
    ("UPDATE adjustment SET amount = amount + 1 WHERE site = 1", "ledger: meter 1 is said to have counted"),
    (
        "UPDATE meter SET known_to = known_to + 1 WHERE site = 1",
        "ledger: the hours of meter 1 are said to be known to",
    ),
    (
        "DELETE FROM ledger WHERE site = 1 AND state = 'held'",
        "ledger: 305 reports arrived by the journal, and 5 are kept",
    ),
    (
        "UPDATE closing SET record = replace(record, '\"good\"', '\"failed\"') WHERE site = 1 AND undone = 0",
        "closings: closing 2 of order 2 is not what entry",
    ),
    (
        "UPDATE closing SET done_at = done_at + 1 WHERE site = 1 AND number = 2",
        "closings: closing 2 of order 2 is listed by other things than its record says",
    ),
    (
        "UPDATE closing SET record = replace(record, 'another machine', 'by mistake'), leaf = 0 WHERE site = 1 AND number = 1",
        "closings: closing 1 of order 2 was recorded by entry 0, which does not tell of it",
    ),
    (
        "UPDATE closing SET undone = 0, record = (SELECT replace(record, '\"closing\":2', '\"closing\":1') FROM closing \
         WHERE site = 1 AND number = 2) WHERE site = 1 AND number = 1",
        "closings: closing 1 was undone by the journal, and stands",
    ),
    (
        "UPDATE closing SET record = '{}' WHERE site = 1 AND number = 2",
        "closings: closing 2 of order 2 cannot be read; entry",
    ),
    (
        "UPDATE closing SET machine = machine + 1 WHERE site = 1 AND number = 2",
        "closings: closing 2 of order 2 is listed by other things than its record says",
    ),
    (
        "UPDATE closing SET record = replace(record, 'another machine', 'by mistake') WHERE site = 1 AND number = 1",
        "closings: how closing 1 was undone is not what entry",
    ),
    (
        "UPDATE closing SET record = replace(record, '\"undone\":{\"at\":1', '\"undone\":{\"at\":2') WHERE site = 1 AND number = 1",
        "closings: how closing 1 was undone is not what entry",
    ),
    (
        "UPDATE work_order SET state = 'open', planned = 0 WHERE site = 1 AND number = 2",
        "closings: closing 2 of order 2 stands, and does not end it",
    ),
    (
        "UPDATE work_order SET closing = 1 WHERE site = 1 AND number = 2",
        "closings: closing 1 of order 2 is undone, and ends it",
    ),
    (
        "UPDATE work_order SET closing = NULL WHERE site = 1 AND number = 2",
        "closings: order 2 counts as closed, and no closing of it stands",
    ),
    (
        "UPDATE closing SET work_order = 1, record = replace(record, '\"order\":2', '\"order\":1') WHERE site = 1 AND number = 2",
        "closings: closing 2 of order 1 was recorded by entry",
    ),
    (
        "UPDATE journal_leaf SET hash = bytes WHERE site = 1 AND number = 3",
        "journal: entry 3: its bytes do not give its hash",
    ),
    (
        "UPDATE closing SET number = 9 WHERE site = 1 AND number = 1",
        "closings: closing 1 was recorded, and is not there",
    ),
    (
        "UPDATE plan SET key_time = key_time + 1 WHERE site = 1 AND number = 1",
        "plan: the row of order 1 is listed by other values",
    ),
    (
        "UPDATE plan SET due = 1 WHERE site = 1 AND number = 1",
        "plan: the row of order 1 is listed by other values",
    ),
    ("DELETE FROM plan WHERE site = 1 AND number = 1", "plan: open order 1 has no row"),
    (
        "UPDATE plan SET payload = '{}' WHERE site = 1 AND number = 1",
        "plan: the row of order 1 cannot be read",
    ),
    (
        "UPDATE plan SET payload = replace(payload, '\"earliest\"', '\"latest\"') WHERE site = 1 AND number = 1",
        "plan: the row of order 1 is not what planning it afresh gives",
    ),
];

async fn a_shop_is_whole_and_whatever_is_altered_is_named(engine: Engine) {
    for (statement, says) in ALTERED {
        let shop = shop(engine).await;
        let parts = checked(&*shop.store).await;
        assert_eq!(faults(&parts), Vec::<String>::new());
        let names: Vec<&str> = parts.iter().map(|part| part.name).collect();
        assert_eq!(names, ["database", "journal", "journal", "closings", "ledger", "plan"]);
        let seen = |n: usize| parts[n].seen.as_str();
        assert!(
            seen(2).starts_with("31") && seen(2).contains("entries hashed, 1 stored hashes"),
            "{}",
            seen(2)
        );
        assert_eq!(seen(3), "2 closings compared with their entries, 1 of them undone");
        assert!(seen(4).starts_with("305 reports compared"), "{}", seen(4));
        assert!(seen(5).starts_with("2 rows of 1 machines as planned afresh"), "{}", seen(5));

        shop.alter(statement).await;
        let parts = checked(&*shop.store).await;
        let found = faults(&parts);
        assert!(found.iter().any(|fault| fault.contains(says)), "{statement}: {found:?}");
        assert!(parts.iter().all(|part| part.faults.len() <= FAULTS_MAX));
        // Whoever only looks finds the same.
        let looked = fettler_store::look(shop.location()).await.expect("looked at");
        assert_eq!(faults(&checked(&*looked).await), found);
        looked.shut().await;
    }
}

async fn a_checkpoint_that_nobody_signed_is_a_fault(engine: Engine) {
    let shop = Shop::open(engine).await;
    let head = Head { size: 2, root: leaf_hash(b"x") };
    let kept = KeptCheckpoint { lineage: 1, head, made_at: at(NOW), note: "no note".into() };
    shop.store.keep_checkpoint(shop.site, &kept).await.expect("kept");
    let found = faults(&checked(&*shop.store).await);
    let says = "journal: the checkpoint of 2 entries in the database is not a signed note";
    assert!(found.iter().any(|fault| fault.starts_with(says)), "{found:?}");
}

async fn a_backup_is_one_file_with_the_same_journals(engine: Engine) {
    let shop = shop(engine).await;
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("kept.db");
    // The store is open meanwhile.
    fettler_store::backup(shop.location(), &file).await.expect("a backup");
    assert_eq!(std::fs::read_dir(folder.path()).expect("a folder").count(), 1, "nothing lies beside it");
    let again = fettler_store::backup(shop.location(), &file).await;
    assert!(again.is_err(), "a file that is there is not written over");
    let kept = fettler_store::look_at_file(&file).await.expect("looked at");
    assert_eq!(faults(&checked(&*kept).await), Vec::<String>::new());
    let heads = kept.journal_heads().await.expect("heads");
    assert_eq!(heads, shop.store.journal_heads().await.expect("heads"));
    assert_eq!(heads.len(), 2);
    assert!(
        kept.add_person(&caller("AddPerson", NOW), &name("Bo")).await.is_err(),
        "nothing is written to it"
    );
    kept.shut().await;
}

async fn a_restore_opens_a_lineage_in_every_journal(engine: Engine) {
    let mut shop = Shop::open(engine).await;
    let before = shop.store.journal_heads().await.expect("heads");
    let cited = Stand { lineage: 1, head: Head { size: 99, root: leaf_hash(b"later") } };
    let restore = Restore {
        lineage: 50,
        made_at: at("2026-03-19T12:00:00Z"),
        cites: BTreeMap::from([(shop.site, cited)]),
    };
    let call = caller("Restore", NOW);
    let opened = shop.store.open_lineages(&call, &restore).await.expect("opened");
    let again = shop.store.open_lineages(&call, &restore).await;
    assert!(again.is_err(), "a lineage is opened once");
    shop.push(vec![hours("erp", "L-1", 1, 8)], NOW).await;
    shop.reopen().await;

    for ((site, was), (of, opening)) in before.iter().zip(&opened) {
        let head = shop.store.journal_head(*site).await.expect("a head");
        assert_eq!((site, head.lineage), (of, 50));
        let filter = EntryFilter { kind: Some("journal.restored".into()), ..EntryFilter::default() };
        let page = PageAsk { after: None, limit: 9 };
        let entries = shop.store.entries(*site, &filter, page).await.expect("entries").rows;
        assert_eq!(entries.len(), 1);
        assert_eq!((entries[0].number, entries[0].subject.as_str()), (was.size, "lineages/50"));
        assert_eq!(Opening::read(&entries[0].leaf).as_ref(), Some(opening));
        assert_eq!((opening.backup.head.size, opening.backup.head.root.0), (was.size, was.root));
        assert_eq!(opening.cites, (*site != SiteId::INSTALLATION).then_some(cited));
    }
    assert_eq!(faults(&checked(&*shop.store).await), Vec::<String>::new());
    // Of an entry that tells of another restore than there was, the check says so.
    shop.alter("UPDATE site_head SET lineage = 51 WHERE site = 1").await;
    let found = faults(&checked(&*shop.store).await);
    assert!(found.iter().any(|fault| fault.contains("is of lineage 51")), "{found:?}");
}

on_every_engine! {
    a_shop_is_whole_and_whatever_is_altered_is_named,
    a_checkpoint_that_nobody_signed_is_a_fault,
    a_backup_is_one_file_with_the_same_journals,
    a_restore_opens_a_lineage_in_every_journal,
}
