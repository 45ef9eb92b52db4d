//! Who spoke: PINs and own tokens through the store contract, at a site that asks for them and at one that does not, and names that
//! are erased.

#[macro_use]
mod kit;

use fettler_domain::access::{Access, Role, Scope};
use fettler_domain::error::Error;
use fettler_domain::ids::{OrderNumber, PersonId, SiteId};
use fettler_domain::order::ClosingSaid;
use fettler_domain::pin::{Known, Speaker, Wrong};
use fettler_domain::shop::Declaration;
use fettler_store::contract::{
    Caller, EntryFilter, EntryRecord, MachineMove, NewToken, PageAsk, RequestKey, StoreError,
};
use kit::{Engine, Shop, at, caller, declaration, key, name};

const NOW: &str = "2026-03-20T12:00:00Z";

fn asking(asks: Option<bool>) -> Declaration {
    let mut declared = declaration();
    declared.site.asks_pin = asks;
    declared
}

impl Shop {
    async fn ada(&self) -> PersonId {
        self.store.pin(&name("Ada")).await.expect("asked").expect("known").person
    }

    async fn entries_of(&self, site: SiteId, kind: &str) -> Vec<EntryRecord> {
        let filter = EntryFilter { kind: Some(kind.into()), ..EntryFilter::default() };
        let page = PageAsk { after: None, limit: 50 };
        self.store.entries(site, &filter, page).await.expect("entries").rows
    }

    /// What the newest entry of a kind says of how its person was known.
    async fn known(&self, kind: &str) -> serde_json::Value {
        let entries = self.entries_of(self.site, kind).await;
        let leaf: serde_json::Value = serde_json::from_slice(&entries[0].leaf).expect("JSON");
        leaf["after"]["known"].clone()
    }

    async fn open_order(&self, task: &str) -> OrderNumber {
        self.store.open_order(self.site, "L-1", &key(task)).await.expect("open")
    }
}

fn spoken(method: &'static str, person: PersonId, known: Known) -> Caller {
    Caller { person: Some(Speaker { person, known: Some(known) }), ..caller(method, NOW) }
}

fn reason<T>(answer: Result<T, StoreError>) -> (&'static str, String) {
    match answer {
        Err(StoreError::Refused(Error::NotAllowed { reason, text, .. })) => (reason, text),
        Ok(_) => ("", String::new()),
        Err(other) => panic!("{other:?}"),
    }
}

async fn wrong_pins_are_counted_until_a_right_one_or_a_new_one(engine: Engine) {
    let mut shop = Shop::open(engine).await;
    let ada = shop.ada().await;
    let kept = async |shop: &Shop| shop.store.pin(&name("Ada")).await.expect("asked").expect("known");
    let none = kept(&shop).await;
    assert_eq!((none.hash, none.wrong), (None, Wrong::default()));
    assert_eq!(shop.store.pin(&name("Nobody")).await.expect("asked"), None);
    let request = Some(RequestKey { id: "p".into(), digest: [7; 32] });
    let call = Caller { request, ..caller("SetPin", NOW) };
    let set = shop.store.set_pin(&call, &name("Ada"), "$one").await.expect("set");
    assert_eq!((set.person, set.pin_set_at, set.wrong_pins), (ada, Some(at(NOW)), 0));
    let again = shop.store.set_pin(&call, &name("Ada"), "$other").await.expect("the same again");
    assert_eq!(again, set);
    assert_eq!(kept(&shop).await.hash.as_deref(), Some("$one"));
    let missing = shop.store.set_pin(&caller("SetPin", NOW), &name("Nobody"), "$x").await;
    assert!(matches!(missing, Err(StoreError::Refused(Error::Invalid(_)))), "{missing:?}");

    let later = at("2026-03-20T13:00:00Z");
    for _ in 0..2 {
        shop.store.note_pin(ada, false, later).await.expect("noted");
    }
    shop.reopen().await;
    assert_eq!(kept(&shop).await.wrong, Wrong { count: 2, last: Some(later) }, "a restart forgets none");
    let people = shop.store.people(PageAsk { after: None, limit: 5 }).await.expect("people").rows;
    assert_eq!((people[0].wrong_pins, people[0].pin_set_at), (2, Some(at(NOW))));
    shop.store.note_pin(ada, true, later).await.expect("noted");
    assert_eq!(kept(&shop).await.wrong, Wrong::default());
    shop.store.note_pin(ada, false, later).await.expect("noted");
    let own = spoken("SetPin", ada, Known::Pin);
    shop.store.set_pin(&own, &name("Ada"), "$two").await.expect("set");
    let now = kept(&shop).await;
    assert_eq!((now.hash.as_deref(), now.wrong), (Some("$two"), Wrong::default()));

    let entries = shop.entries_of(SiteId::INSTALLATION, "person.pin_set").await;
    let people: Vec<Option<PersonId>> = entries.iter().map(|entry| entry.person).collect();
    assert_eq!(people, [Some(ada), None], "by themself, and by a manager before that");
    let leaf = String::from_utf8(entries[0].leaf.clone()).expect("UTF-8");
    assert!(leaf.contains(r#""known":"PIN""#) && !leaf.contains('$'), "{leaf}");
}

async fn a_site_that_asks_takes_nothing_in_a_name_alone(engine: Engine) {
    let shop = Shop::open_with(engine, &asking(Some(true))).await;
    let ada = shop.ada().await;
    let order = shop.open_order("filter").await;
    let said = ClosingSaid::plain(order, at("2026-03-18T08:00:00Z"), name("Ada"));
    let close = async |call: Caller, said: &ClosingSaid| shop.store.close(&call, shop.site, said).await;
    let head = shop.store.journal_head(shop.site).await.expect("a head");
    let (why, text) = reason(close(caller("CloseOrder", NOW), &said).await);
    assert!(why == "PIN_NEEDED" && text.contains("`done_by`") && text.contains("hall"), "{why} {text}");
    // Another's PIN proves nothing of this one.
    let other = spoken("CloseOrder", PersonId(ada.0 + 1), Known::Pin);
    assert_eq!(reason(close(other, &said).await).0, "PIN_NEEDED");
    let entered = ClosingSaid { entered_by: Some(name("Ada")), ..said.clone() };
    let (why, text) = reason(close(caller("CloseOrder", NOW), &entered).await);
    assert!(why == "PIN_NEEDED" && text.contains("`entered_by`"), "{text}");
    assert_eq!(shop.store.journal_head(shop.site).await.expect("a head"), head);

    let ended = close(spoken("CloseOrder", ada, Known::Pin), &said).await.expect("closed");
    let view = ended.order.expect("an order").closing.expect("a closing");
    assert_eq!(view.record.known, Some(Known::Pin));
    assert_eq!(shop.known("order.closed").await, "PIN");
    let undo =
        async |call: Caller, dry| shop.store.undo(&call, shop.site, order, &name("Ada"), "typo", dry).await;
    undo(caller("UndoClosing", NOW), true).await.expect("who only asks needs none");
    assert_eq!(reason(undo(caller("UndoClosing", NOW), false).await).0, "PIN_NEEDED");
    undo(spoken("UndoClosing", ada, Known::OwnToken), false).await.expect("undone");
    assert_eq!(shop.known("closing.undone").await, "own token");
}

async fn a_danger_is_told_by_whoever_sees_it(engine: Engine) {
    let shop = Shop::open_with(engine, &asking(Some(true))).await;
    let ada = shop.ada().await;
    let to = async |call: Caller, to| {
        shop.store.move_machine(&call, shop.site, &key("L-1"), to, &name("Ada"), "door", false).await
    };
    to(caller("ForbidMachine", NOW), MachineMove::Forbid).await.expect("forbidden");
    assert_eq!(shop.known("machine.forbidden").await, serde_json::Value::Null);
    assert_eq!(reason(to(caller("ReturnMachine", NOW), MachineMove::Return).await).0, "PIN_NEEDED");
    to(spoken("ReturnMachine", ada, Known::Pin), MachineMove::Return).await.expect("returned");
    assert_eq!(shop.known("machine.returned").await, "PIN");
}

async fn a_manager_alone_ends_that_a_site_asks(engine: Engine) {
    let shop = Shop::open(engine).await;
    let order = shop.open_order("filter").await;
    let said = ClosingSaid::plain(order, at("2026-03-18T08:00:00Z"), name("Ada"));
    let ended = shop.store.close(&caller("CloseOrder", NOW), shop.site, &said).await.expect("closed");
    assert_eq!(ended.order.expect("an order").closing.expect("a closing").record.known, None);
    assert_eq!(shop.known("order.closed").await, serde_json::Value::Null, "as ever");

    let load = async |asks, as_manager| {
        let call = Caller { as_manager, ..caller("LoadShop", NOW) };
        shop.store.load_shop(&call, &asking(asks), None, false).await
    };
    let changes = load(Some(true), false).await.expect("a planner may begin it").changes;
    assert_eq!(changes.len(), 1);
    assert!(changes[0].change.contains("asks for PINs no -> yes"), "{changes:?}");
    assert!(load(None, false).await.expect("what is not named stays").changes.is_empty());
    let (why, text) = reason(load(Some(false), false).await);
    assert!(why == "MANAGER_ONLY" && text.contains("asks_pin"), "{text}");
    let declared = shop.store.shop(shop.site).await.expect("a shop");
    assert_eq!(declared.site.asks_pin, Some(true));
    assert_eq!(load(Some(false), true).await.expect("a manager may").changes.len(), 1);
    let site = shop.store.site("hall").await.expect("asked").expect("a site");
    assert_eq!(site.card.asks_pin, None);
}

async fn a_token_of_one_person_and_one_of_a_identity_say_so(engine: Engine) {
    let shop = Shop::open(engine).await;
    let access = Access::new([Role::Technician], Scope::Installation).expect("a role");
    let new = NewToken {
        name: "Ada's phone".into(),
        hash: [3; 32],
        access,
        expires_at: None,
        person: Some(shop.ada().await),
        identity: Some("DNS:cell-7.example".into()),
    };
    let kept = shop.store.add_token(&caller("Token", NOW), &new).await.expect("kept");
    assert_eq!((kept.person, kept.identity.clone()), (new.person, new.identity.clone()));
    assert_eq!(shop.store.token(&[3; 32]).await.expect("asked"), Some(kept));
    let made = shop.entries_of(SiteId::INSTALLATION, "token.made").await;
    let leaf: serde_json::Value = serde_json::from_slice(&made[0].leaf).expect("JSON");
    assert_eq!(leaf["after"]["person"], new.person.map(|person| person.0).unwrap_or_default());
    assert_eq!(leaf["after"]["identity"], "DNS:cell-7.example");
}

async fn a_name_is_erased_and_what_was_done_stands_under_the_number(engine: Engine) {
    let mut shop = Shop::open(engine).await;
    let ada = shop.ada().await;
    let (jo, _) = shop.store.add_person(&caller("AddPerson", NOW), &name("Jo")).await.expect("added");
    let order = shop.open_order("filter").await;
    let said = ClosingSaid::plain(order, at("2026-03-18T08:00:00Z"), name("Ada"));
    shop.store.close(&caller("CloseOrder", NOW), shop.site, &said).await.expect("closed");
    shop.store.set_pin(&caller("SetPin", NOW), &name("Ada"), "$one").await.expect("set");
    let access = Access::new([Role::Technician], Scope::Installation).expect("a role");
    for (hash, person) in [(3, Some(ada)), (4, Some(ada)), (5, Some(jo.person)), (6, None)] {
        let (name, access, hash) = ("phone".to_owned(), access.clone(), [hash; 32]);
        let new = NewToken { name, hash, access, expires_at: None, person, identity: None };
        shop.store.add_token(&caller("Token", NOW), &new).await.expect("kept");
    }
    let gone = shop.store.token(&[4; 32]).await.expect("asked").expect("kept").token;
    shop.store.revoke_token(&caller("Token", NOW), gone).await.expect("taken back");

    let request = Some(RequestKey { id: "e".into(), digest: [7; 32] });
    let call = Caller { request, ..spoken("ErasePerson", jo.person, Known::Pin) };
    let erase = async || shop.store.erase_person(&call, &name("Ada"), &name("Jo"), "she asked").await;
    let erased = erase().await.expect("erased");
    assert_eq!((erased.0.person, &erased.0.name, erased.0.pin_set_at, erased.1), (ada, &None, None, 1));
    let head = shop.store.journal_head(SiteId::INSTALLATION).await.expect("a head");
    assert_eq!(erase().await.expect("the same again"), erased);
    assert_eq!(shop.store.journal_head(SiteId::INSTALLATION).await.expect("a head"), head);
    let revoked = async |hash| shop.store.token(&[hash; 32]).await.expect("asked").expect("kept").revoked_at;
    assert_eq!((revoked(3).await, revoked(4).await), (Some(at(NOW)), Some(at(NOW))));
    assert_eq!((revoked(5).await, revoked(6).await), (None, None), "they are not hers");

    assert_eq!(shop.store.pin(&name("Ada")).await.expect("asked"), None);
    assert!(shop.store.person_names(&[ada]).await.expect("asked").is_empty());
    let people = shop.store.people(PageAsk { after: None, limit: 5 }).await.expect("people").rows;
    assert_eq!(people, std::slice::from_ref(&jo));
    let closed = shop.store.order(shop.site, order).await.expect("an order");
    assert_eq!(closed.closing.expect("a closing").record.done_by, ada);
    let told = &shop.entries_of(SiteId::INSTALLATION, "person.erased").await[0];
    assert_eq!((told.person, told.note.as_deref()), (Some(jo.person), Some("she asked")));
    assert_eq!(told.subject, format!("people/{ada}"));
    let added = shop.entries_of(SiteId::INSTALLATION, "person.added").await;
    let notes: Vec<Option<&str>> = added.iter().map(|entry| entry.note.as_deref()).collect();
    assert_eq!(notes, [Some("Jo"), None], "the text is gone of which the leaf holds the digest");
    assert_eq!(shop.entries_of(SiteId::INSTALLATION, "token.revoked").await.len(), 2);

    let (anew, was_there) =
        shop.store.add_person(&caller("AddPerson", NOW), &name("Ada")).await.expect("added");
    assert!(!was_there && anew.person != ada && anew.pin_set_at.is_none(), "{anew:?}");
    shop.reopen().await;
    let parts = shop.store.check(&[], |_, _, _| false).await.expect("checked");
    assert!(parts.iter().all(|part| part.faults.is_empty()), "{parts:?}");
}

async fn a_name_that_looks_like_anothers_is_not_taken(engine: Engine) {
    let shop = Shop::open(engine).await;
    let head = shop.store.journal_head(SiteId::INSTALLATION).await.expect("a head");
    for alike in ["ada", "\u{410}da", "Ad\u{200b}a"] {
        let refused = shop.store.add_person(&caller("AddPerson", NOW), &name(alike)).await;
        let Err(StoreError::Refused(Error::Invalid(found))) = refused else {
            panic!("{alike:?}: {refused:?}")
        };
        let says = format!("`{alike}` looks like `Ada`, and the work");
        assert!(found[0].field == "name" && found[0].text.starts_with(&says), "{found:?}");
    }
    // Who declares a shop, and is declared in it, is added before what is declared is looked at.
    let mut declared = declaration();
    declared.people = vec![name("ada")];
    let load = shop.store.load_shop(&caller("LoadShop", NOW), &declared, Some(&name("ada")), false).await;
    let Err(StoreError::Refused(Error::Invalid(found))) = load else { panic!("{load:?}") };
    assert!(found[0].field == "by" && found[0].text.contains("looks like `Ada`"), "{found:?}");
    assert_eq!(shop.store.journal_head(SiteId::INSTALLATION).await.expect("a head"), head);
    for (other, is_there) in [("Ada", true), ("Ada K.", false), ("Ida", false), ("Ada K.", true)] {
        let added = shop.store.add_person(&caller("AddPerson", NOW), &name(other)).await.expect("added");
        assert_eq!(added.1, is_there, "{other}");
    }
}

async fn nobody_erases_themself_or_somebody_unknown(engine: Engine) {
    let shop = Shop::open(engine).await;
    let head = shop.store.journal_head(SiteId::INSTALLATION).await.expect("a head");
    for (whose, by, field, why) in [
        ("Nobody", "Ada", "name", "is not known"),
        ("Ada", "Nobody", "by", "is not known"),
        ("Ada", "Ada", "by", "another decides"),
    ] {
        let refused = shop.store.erase_person(&caller("ErasePerson", NOW), &name(whose), &name(by), "").await;
        let Err(StoreError::Refused(Error::Invalid(found))) = refused else { panic!("{refused:?}") };
        assert!(found[0].field == field && found[0].text.contains(why), "{found:?}");
    }
    assert_eq!(shop.store.journal_head(SiteId::INSTALLATION).await.expect("a head"), head);
    shop.ada().await;
}

on_every_engine! {
    a_name_that_looks_like_anothers_is_not_taken,
    a_name_is_erased_and_what_was_done_stands_under_the_number,
    nobody_erases_themself_or_somebody_unknown,
    wrong_pins_are_counted_until_a_right_one_or_a_new_one,
    a_site_that_asks_takes_nothing_in_a_name_alone,
    a_danger_is_told_by_whoever_sees_it,
    a_manager_alone_ends_that_a_site_asks,
    a_token_of_one_person_and_one_of_a_identity_say_so,
}
