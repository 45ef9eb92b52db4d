//! Declarations that come after reports: what was counted and what was held ends as if all had been declared first.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::journal::leaf::state_digest;
use fettler_domain::ledger::report::{Content, Received};
use fettler_domain::quantity::MeterKind;
use fettler_domain::shop::check::{Cadence, CheckCard};
use fettler_domain::shop::{Declaration, MachineCard, MeterCard, SheetCard};
use fettler_domain::text::ForeignName;
use fettler_store::contract::{EntryFilter, PageAsk, ReportFilter, StoreError};
use kit::{Engine, Shop, at, caller, declaration, every_days, hours, key, name, task};

const LATE: &str = "2026-12-31T12:00:00Z";

fn foreign(text: &str) -> ForeignName {
    ForeignName::new(text).expect("a name")
}

fn meter(text: &str, kind: MeterKind) -> MeterCard {
    MeterCard { key: key(text), kind: Some(kind), feed: None, max_per_hour: None }
}

/// The report, naming its meter.
fn of_meter(report: &Received, meter: &str) -> Received {
    let content = Content { meter: Some(foreign(meter)), ..report.content.clone() };
    Received::new(report.key.id(), 0, content, report.received_at)
}

/// A bare machine that answers to these names beside its tag.
fn machine(tag: &str, names: &[&str]) -> MachineCard {
    let mut card = declaration().machines.remove(0);
    (card.tag, card.name) = (key(tag), Some(name(tag)));
    card.also_known_as = names.iter().map(|name| foreign(name)).collect();
    card.tasks.clear();
    card.last_done.clear();
    card
}

/// One lathe without tasks, with these meters.
fn lathe(meters: Vec<MeterCard>) -> Declaration {
    Declaration { machines: vec![MachineCard { meters, ..machine("L-1", &["lathe"]) }], ..declaration() }
}

/// Does upkeep until nothing is left to do.
async fn settle_down(shop: &Shop) {
    while shop.store.upkeep(shop.site, at(LATE), 500).await.expect("a pass").more {}
}

/// Each report with its state, machine, meter and reason.
async fn ledger(shop: &Shop) -> Vec<String> {
    settle_down(shop).await;
    let page = PageAsk { after: None, limit: 1_000 };
    let kept = shop.store.reports(shop.site, &ReportFilter::default(), page).await.expect("reports").rows;
    let mut rows: Vec<String> = kept
        .into_iter()
        .map(|kept| {
            let (row, machine, meter) = (kept.row, kept.machine, kept.meter);
            format!("{} {:?} {machine:?} {meter:?} {:?}", row.key.report, row.state, row.reason)
        })
        .collect();
    rows.sort();
    rows
}

/// Reports before the second declaration end as they do after both.
async fn same_as_declared_first(
    engine: Engine,
    first: &Declaration,
    then: &Declaration,
    reports: &[Received],
) -> Vec<String> {
    let late = Shop::open_with(engine, first).await;
    late.push(reports.to_vec(), LATE).await;
    late.load_this(then, false).await;
    let early = Shop::open_with(engine, first).await;
    early.load_this(then, false).await;
    early.push(reports.to_vec(), LATE).await;
    let (late, early) = (ledger(&late).await, ledger(&early).await);
    assert_eq!(late, early);
    late
}

async fn a_second_meter_holds_the_reports_that_named_none(engine: Engine) {
    let operating = meter("operating", MeterKind::Operating);
    let then = lathe(vec![operating.clone(), meter("powered", MeterKind::Powered)]);
    let named = of_meter(&hours("erp", "L-1", 2, 8), "operating");
    let reports = [hours("erp", "L-1", 1, 8), named, hours("erp", "lathe", 3, 8)];
    let rows = same_as_declared_first(engine, &lathe(vec![operating]), &then, &reports).await;
    assert!(rows[0].contains("UnknownMeter") && rows[1].contains("Counted"), "{rows:?}");
    assert!(rows[2].contains("UnknownMeter"), "{rows:?}");
}

async fn a_second_meter_of_a_kind_holds_the_reports_that_named_the_kind(engine: Engine) {
    let spindle = meter("spindle", MeterKind::Operating);
    let then = lathe(vec![spindle.clone(), meter("second", MeterKind::Operating)]);
    let reports = [of_meter(&hours("erp", "L-1", 1, 8), "operating")];
    let rows = same_as_declared_first(engine, &lathe(vec![spindle]), &then, &reports).await;
    assert!(rows[0].contains("UnknownMeter"), "{rows:?}");
}

async fn a_meter_whose_key_is_the_word_of_a_kind_takes_the_reports_that_name_it(engine: Engine) {
    let spindle = meter("spindle", MeterKind::Operating);
    let then = lathe(vec![spindle.clone(), meter("operating", MeterKind::Powered)]);
    let reports = [of_meter(&hours("erp", "L-1", 1, 8), "operating")];
    let rows = same_as_declared_first(engine, &lathe(vec![spindle]), &then, &reports).await;
    assert!(rows[0].contains("Counted") && rows[0].contains("Key(\"operating\")"), "{rows:?}");
}

async fn names_move_between_machines_in_one_load_and_their_reports_with_them(engine: Engine) {
    let of = |machines: Vec<MachineCard>| Declaration { machines, ..declaration() };
    let first = of(vec![machine("A", &["x", "p"]), machine("B", &["y", "q"])]);
    let then = of(vec![machine("B", &["x", "q"]), machine("A", &["y", "p"])]);
    let reports = ["A", "x", "p", "B", "y", "q"].map(|name| hours("erp", name, 1, 1));
    let rows = same_as_declared_first(engine, &first, &then, &reports).await;
    let of_machine = |tag: &str| rows.iter().filter(|row| row.contains(&format!("Key(\"{tag}\")"))).count();
    assert_eq!((of_machine("A"), of_machine("B")), (3, 3), "{rows:?}");
    // One that only moves, the taker standing before the giver.
    let then = of(vec![machine("B", &["x", "y", "q"]), machine("A", &["p"])]);
    let rows = same_as_declared_first(engine, &first, &then, &reports).await;
    assert!(rows.iter().any(|row| row.starts_with("x-1") && row.contains("Key(\"B\")")), "{rows:?}");
}

/// The subjects of what a load changes.
async fn changed(shop: &Shop, declared: &Declaration) -> Vec<String> {
    shop.load_this(declared, false).await.changes.into_iter().map(|change| change.subject).collect()
}

async fn a_load_is_compared_with_all_that_it_touches(engine: Engine) {
    let of = |sheets: &[SheetCard], machines: &[MachineCard]| Declaration {
        sheets: sheets.to_vec(),
        machines: machines.to_vec(),
        ..declaration()
    };
    let sheet = |title: &str| SheetCard {
        key: key("care"),
        title: name("Care"),
        tasks: vec![task("wipe", title, vec![every_days(7)])],
        checks: Vec::new(),
    };
    let on_it = |tag: &str| MachineCard { sheets: vec![key("care")], ..machine(tag, &[]) };
    let begin = of(&[sheet("Wipe")], &[on_it("L-1"), on_it("L-2"), machine("L-3", &["mill"])]);
    let shop = Shop::open_with(engine, &begin).await;

    // A sheet that stays as it is touches no machine but those that are named.
    let touched = changed(&shop, &of(&[sheet("Wipe")], &[on_it("L-4")])).await;
    assert!(touched.len() == 3 && touched.iter().all(|subject| subject.contains("L-4")), "{touched:?}");
    // One that changes touches every machine that has it.
    let touched = changed(&shop, &of(&[sheet("Wipe it")], &[])).await;
    for tag in ["L-1", "L-2", "L-4"] {
        assert!(touched.iter().any(|subject| subject.contains(tag)), "{tag}: {touched:?}");
    }
    assert!(!touched.iter().any(|subject| subject.contains("L-3")), "{touched:?}");
    // A name of a machine that is not named stays with it.
    for taken in [machine("mill", &[]), machine("L-5", &["mill"]), machine("L-5", &["L-3"])] {
        let declared = of(&[], &[taken]);
        let refused = shop.store.load_shop(&caller("LoadShop", LATE), &declared, None, false).await;
        let Err(StoreError::Refused(Error::Invalid(wrong))) = refused else { panic!("{refused:?}") };
        assert!(
            wrong.iter().any(|wrong| wrong.text.contains("already stands for machine `L-3`")),
            "{wrong:?}"
        );
    }
}

/// The facts about machines, the newest first.
async fn machine_facts(shop: &Shop) -> Vec<serde_json::Value> {
    let filter = EntryFilter { kind: Some("machine.declared".into()), ..EntryFilter::default() };
    let page = PageAsk { after: None, limit: 10 };
    let entries = shop.store.entries(shop.site, &filter, page).await.expect("entries").rows;
    entries.iter().map(|entry| serde_json::from_slice(&entry.leaf).expect("JSON")).collect()
}

async fn a_changed_machine_cites_the_state_of_the_fact_before(engine: Engine) {
    let sheet = SheetCard { key: key("care"), title: name("Care"), tasks: Vec::new(), checks: Vec::new() };
    let check = CheckCard {
        key: key("leaks"),
        title: name("No leaks"),
        place: "left side".into(),
        good: "dry".into(),
        every: Cadence::Day,
        point: None,
        cautions: Vec::new(),
        hazard: false,
        retire: false,
        start: None,
        minutes: None,
        since: None,
    };
    let full = MachineCard {
        sheets: vec![key("care")],
        checks: vec![check],
        ..machine("L-1", &["turning cell", "lathe"])
    };
    let of = |card: &MachineCard| Declaration {
        sheets: vec![sheet.clone()],
        machines: vec![card.clone()],
        ..declaration()
    };
    let shop = Shop::open_with(engine, &of(&full)).await;
    let moved = MachineCard { area: Some("Hall 2".into()), ..full.clone() };
    let renamed = MachineCard { name: Some(name("The lathe")), ..moved.clone() };
    for card in [&moved, &renamed] {
        shop.load_this(&of(card), false).await;
    }
    let facts = machine_facts(&shop).await;
    assert_eq!(facts.len(), 3, "{facts:?}");
    assert!(facts[2]["before"].is_null() && facts[2]["after"]["checks"].is_array(), "{facts:?}");
    for [later, earlier] in facts.array_windows() {
        let digest = state_digest(&earlier["after"]).expect("canonical");
        assert_eq!(later["before"], digest.to_hex(), "{later} after {earlier}");
    }
}

on_every_engine! {
    a_changed_machine_cites_the_state_of_the_fact_before,
    a_second_meter_holds_the_reports_that_named_none,
    a_second_meter_of_a_kind_holds_the_reports_that_named_the_kind,
    a_meter_whose_key_is_the_word_of_a_kind_takes_the_reports_that_name_it,
    names_move_between_machines_in_one_load_and_their_reports_with_them,
    a_load_is_compared_with_all_that_it_touches,
}
