//! Due calendars through the store contract: secret addresses, and what calendars are told.

#[macro_use]
mod kit;

use fettler_domain::due_calendar::Entry;
use fettler_domain::error::Error;
use fettler_domain::order::ClosingSaid;
use fettler_store::contract::{
    DueCalendarRecord, EntryFilter, MachineMove, NewDueCalendar, PageAsk, RequestKey, StoreError,
};
use kit::{Engine, Shop, at, caller, declaration, key, name};
use std::collections::BTreeSet;

const NOW: &str = "2026-03-20T12:00:00Z";

fn areas(areas: &[&str]) -> BTreeSet<String> {
    areas.iter().map(|&area| area.to_owned()).collect()
}

fn new(hash: u8, person: Option<&str>) -> NewDueCalendar {
    NewDueCalendar {
        name: name("wall"),
        hash: [hash; 32],
        person: person.map(name),
        areas: areas(&["Hall 1"]),
    }
}

impl Shop {
    async fn told(&self, of: &[&str], now: &str) -> Vec<(Entry, bool)> {
        self.store.due_entries(self.site, &areas(of), at(now)).await.expect("entries")
    }

    /// What is told of the filter's order: its day, how often it was changed, and whether it is cancelled.
    async fn filter(&self, of: &[&str], now: &str) -> Option<(String, u32, bool)> {
        let told = self.told(of, now).await;
        let filter = told.into_iter().find(|(entry, _)| entry.said.title == "Change the air filter, L-1");
        filter.map(|(entry, is_cancelled)| (entry.said.day.to_string(), entry.sequence, is_cancelled))
    }

    async fn moved(&self, to: MachineMove, now: &str) {
        let (call, lathe, ada) = (caller("MoveMachine", now), key("L-1"), name("Ada"));
        let moved = self.store.move_machine(&call, self.site, &lathe, to, &ada, "no work", false);
        moved.await.expect("moved");
    }
}

async fn an_address_is_kept_by_its_hash_and_taken_back_once(engine: Engine) {
    let shop = Shop::open(engine).await;
    let mut call = caller("AddDueCalendar", NOW);
    call.request = Some(RequestKey { id: "r".into(), digest: [1; 32] });
    let add = async |new: NewDueCalendar| shop.store.add_due_calendar(&call, shop.site, &new).await;
    let kept = add(new(1, Some("Ada"))).await.expect("kept");
    assert_eq!((kept.name.as_str(), &kept.areas, kept.revoked_at), ("wall", &areas(&["Hall 1"]), None));
    assert_eq!(add(new(1, Some("Ada"))).await.expect("the same"), kept, "a repeat is answered alike");
    call.request = None;
    let add = async |new: NewDueCalendar| shop.store.add_due_calendar(&call, shop.site, &new).await;
    for (refused, why) in [(new(1, None), "kept already"), (new(3, Some("Nobody")), "Nobody")] {
        let error = add(refused).await.expect_err("refused");
        assert!(error.to_string().contains(why), "{error}");
    }
    let other = add(new(2, None)).await.expect("kept");
    let found = async |hash: u8| shop.store.due_calendar(&[hash; 32]).await.expect("asked");
    assert_eq!(
        (found(1).await, found(2).await, found(9).await),
        (Some(kept.clone()), Some(other.clone()), None)
    );
    let page = async |after, limit| {
        shop.store.due_calendars(shop.site, PageAsk { after, limit }).await.expect("a page")
    };
    let first = page(None, 1).await;
    assert_eq!(first.rows, std::slice::from_ref(&kept));
    assert_eq!(page(first.next, 5).await.rows, std::slice::from_ref(&other));

    let revoke =
        async |number, now| shop.store.revoke_due_calendar(&caller("Revoke", now), shop.site, number).await;
    let revoked = revoke(kept.number, "2026-03-21T12:00:00Z").await.expect("taken back");
    assert_eq!(revoked, DueCalendarRecord { revoked_at: Some(at("2026-03-21T12:00:00Z")), ..kept.clone() });
    assert_eq!(revoke(kept.number, "2026-03-22T12:00:00Z").await.expect("stands"), revoked);
    assert_eq!((found(1).await, found(2).await), (Some(revoked), Some(other)));
    let missing = revoke(999, NOW).await;
    assert!(
        matches!(missing, Err(StoreError::Refused(Error::NotFound { kind: "due calendar", .. }))),
        "{missing:?}"
    );

    let filter = EntryFilter { kind: Some("due_calendar.".into()), ..EntryFilter::default() };
    let leaves =
        shop.store.entries(shop.site, &filter, PageAsk { after: None, limit: 9 }).await.expect("entries");
    let kinds: Vec<&str> = leaves.rows.iter().map(|leaf| leaf.kind.as_str()).collect();
    assert_eq!(kinds, ["due_calendar.revoked", "due_calendar.made", "due_calendar.made"]);
    let leaf = |n: usize| serde_json::from_slice::<serde_json::Value>(&leaves.rows[n].leaf).expect("JSON");
    let digest = fettler_domain::journal::leaf::state_digest(&leaf(2)["after"]).expect("canonical");
    assert_eq!(leaf(0)["before"], digest.to_hex());
    shop.store.shut().await;
}

async fn a_change_is_told_as_one_and_what_stands_is_not_written_again(engine: Engine) {
    let shop = Shop::open(engine).await;
    assert_eq!(shop.filter(&[], "2026-03-03T10:00:00Z").await, Some(("2027-03-01".into(), 0, false)));
    let first = shop.told(&[], "2026-03-04T10:00:00Z").await;
    assert_eq!(first[0].0.told_at, at("2026-03-03T10:00:00Z"), "what stands was told before");
    let head = shop.store.journal_head(shop.site).await.expect("a head");

    shop.moved(MachineMove::Rest, "2026-03-05T10:00:00Z").await;
    assert_eq!(shop.filter(&[], "2026-03-05T11:00:00Z").await, Some(("2027-03-01".into(), 1, true)));
    shop.moved(MachineMove::Return, "2026-03-06T10:00:00Z").await;
    let back = shop.filter(&["Hall 1"], "2026-03-06T11:00:00Z").await;
    assert_eq!(back.map(|(_, sequence, is_cancelled)| (sequence, is_cancelled)), Some((2, false)));

    // Closed, it is cancelled, and its next order is another entry.
    let order = shop.store.open_order(shop.site, "L-1", &key("filter")).await.expect("one is open");
    let said = ClosingSaid::plain(order, at("2026-03-07T09:00:00Z"), name("Ada"));
    shop.store.close(&caller("CloseOrder", "2026-03-07T10:00:00Z"), shop.site, &said).await.expect("closed");
    let told = shop.told(&[], "2026-03-07T11:00:00Z").await;
    let filters: Vec<_> = told.iter().filter(|(entry, _)| entry.said.title.contains("filter")).collect();
    assert_eq!(
        filters.iter().map(|(entry, c)| (entry.sequence, *c)).collect::<Vec<_>>(),
        [(0, false), (3, true)]
    );
    assert_ne!(filters[0].0.uid, filters[1].0.uid);
    assert_eq!(filters[1].0.uid, first[0].0.uid, "a name never changes");

    let grown = shop.store.journal_head(shop.site).await.expect("a head").size - head.size;
    assert_eq!(grown, 3, "two moves and a closing are facts; what was told is none");
    // Without a writer what stands is answered all the same, and a change cannot be.
    shop.store.shut().await;
    assert_eq!(shop.told(&[], "2026-03-08T11:00:00Z").await, told);
    let areas = areas(&[]);
    let later = shop.store.due_entries(shop.site, &areas, at("2026-06-07T11:00:00Z")).await.expect("told");
    assert!(later.iter().any(|(_, is_cancelled)| *is_cancelled), "told for a quarter");
    let later = shop.store.due_entries(shop.site, &areas, at("2026-06-08T11:00:00Z")).await.expect("told");
    assert!(later.iter().all(|(_, is_cancelled)| !is_cancelled), "and then no more");
}

async fn an_entry_says_while_its_machine_must_not_start(engine: Engine) {
    let shop = Shop::open(engine).await;
    let text = async |now| {
        let told = shop.told(&[], now).await;
        let filter = told.into_iter().find(|(entry, _)| entry.said.title == "Change the air filter, L-1");
        filter.map(|(entry, _)| {
            (entry.said.text.contains("must not start: the machine is forbidden"), entry.sequence)
        })
    };
    assert_eq!(text("2026-03-04T10:00:00Z").await, Some((false, 0)));
    shop.moved(MachineMove::Forbid, "2026-03-05T10:00:00Z").await;
    assert_eq!(text("2026-03-05T11:00:00Z").await, Some((true, 1)));
    shop.moved(MachineMove::Return, "2026-03-06T10:00:00Z").await;
    assert_eq!(text("2026-03-06T11:00:00Z").await, Some((false, 2)));
}

async fn what_leaves_an_area_is_cancelled_there(engine: Engine) {
    let shop = Shop::open(engine).await;
    assert_eq!(shop.filter(&["Hall 1"], "2026-03-03T10:00:00Z").await, Some(("2027-03-01".into(), 0, false)));
    assert_eq!(shop.filter(&["Yard"], "2026-03-03T10:00:00Z").await, None);
    let mut declared = declaration();
    declared.machines[0].area = Some("Yard".into());
    shop.load_this(&declared, false).await;
    let now = "2026-03-04T10:00:00Z";
    // Whoever asks first, each is told what concerns it.
    assert_eq!(shop.filter(&["Yard"], now).await, Some(("2027-03-01".into(), 1, false)));
    assert_eq!(shop.filter(&["Hall 1"], now).await, Some(("2027-03-01".into(), 1, true)));
    assert_eq!(shop.filter(&[], now).await, Some(("2027-03-01".into(), 1, false)));
    shop.store.shut().await;
}

on_every_engine! {
    an_address_is_kept_by_its_hash_and_taken_back_once,
    a_change_is_told_as_one_and_what_stands_is_not_written_again,
    an_entry_says_while_its_machine_must_not_start,
    what_leaves_an_area_is_cancelled_there,
}
