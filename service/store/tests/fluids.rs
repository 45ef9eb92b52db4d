//! The record of fluids through the store contract: additions, changes and waste by hand and in closings, what they do to the
//! rows of models, what is withdrawn and undone, and the record as it is read.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::fluid::{FluidAct, FluidSaid, Into, WasteSaid};
use fettler_domain::order::ClosingSaid;
use fettler_domain::plan::{Counted, Modelled};
use fettler_domain::quantity::Amount;
use fettler_domain::reading::{Limits, ReadingTold, Taker, Value};
use fettler_domain::rule::model::{Coolant, Cycle, Level, Model};
use fettler_domain::shop::{ClauseCard, Declaration, KitItem, PointCard};
use fettler_domain::text::ForeignName;
use fettler_store::contract::{
    EntryFilter, FluidBook, FluidCursor, FluidDone, FluidFilter, FluidLine, PageAsk, RequestKey, StoreError,
};
use kit::{Engine, Shop, at, back_of, caller, declaration, key, name, shuffled, task};

const NOON: &str = "2026-03-20T12:00:00Z";

fn value(text: &str) -> Value {
    Value::parse(text).expect(text)
}

fn point(of: &str, unit: &str, reservoir: &str, fluid: &str) -> PointCard {
    PointCard {
        key: key(of),
        title: of.into(),
        place: String::new(),
        good: String::new(),
        fluid: fluid.into(),
        reservoir: Some(key(reservoir)),
        unit: unit.into(),
        limits: Limits::default(),
        possible: None,
        taker: Taker::Anyone,
        cautions: Vec::new(),
    }
}

fn kit_item(item: &str, quantity: &str, into: Option<(&str, bool)>) -> KitItem {
    let into = into.map(|(reservoir, change)| Into { reservoir: key(reservoir), change });
    KitItem { item: name(item), quantity: quantity.into(), unit: "L".into(), lot: None, into }
}

/// A lathe with a reservoir of way oil and a sump of coolant.
fn shop() -> Declaration {
    let mut declared = declaration();
    let machine = &mut declared.machines[0];
    machine.points = vec![
        point("oil", "L", "lube", "way oil CGLP 68"),
        point("strength", "%", "sump", "water-mixed coolant"),
        point("nitrite", "mg/L", "sump", "water-mixed coolant"),
    ];
    let level = Level {
        meter: None,
        point: Some(key("oil")),
        low: value("0.5"),
        high: value("2.7"),
        doses: "10x0.1".into(),
        cycle: Cycle::Minutes(value("2")),
        reserve: value("0"),
        pack: None,
        oil: String::new(),
    };
    let coolant = Coolant {
        strength: Some(key("strength")),
        factor: None,
        wanted: Some(value("8")),
        band: None,
        premix: None,
        sump: Some(value("200")),
        ph: None,
        ph_first: None,
        nitrite: Some(key("nitrite")),
        dip_slide: None,
        bands: String::new(),
    };
    let of = |model| vec![ClauseCard::Model { model: Box::new(model) }];
    let mut fill = task("fill-up", "Fill the way oil", of(Model::Level(level)));
    fill.kit = vec![kit_item("way oil CGLP 68", "2", None)];
    let mut correct = task("correct", "Correct the coolant", of(Model::Coolant(coolant)));
    correct.kit = vec![kit_item("coolant concentrate", "10", Some(("sump", false)))];
    machine.tasks.push(fill);
    machine.tasks.push(correct);
    for of in ["fill-up", "correct"] {
        let stated = fettler_domain::shop::LastDoneCard { task: key(of), ..machine.last_done[0].clone() };
        machine.last_done.push(stated);
    }
    declared
}

async fn open(engine: Engine) -> Shop {
    let shop = Shop::open_with(engine, &shop()).await;
    while shop.store.upkeep(shop.site, at(NOON), 500).await.expect("a pass").more {}
    shop
}

fn said(reservoir: &str, act: FluidAct, fluid: &str, millilitres: i64, when: &str) -> FluidSaid {
    FluidSaid {
        machine: ForeignName::new("L-1").expect("a name"),
        reservoir: key(reservoir),
        act,
        fluid: name(fluid),
        amount: Amount(millilitres),
        lot: None,
        route: None,
        document: None,
        at: at(when),
        by: name("Ada"),
        note: String::new(),
    }
}

async fn record(shop: &Shop, said: &FluidSaid) -> FluidDone {
    shop.store.record_fluid(&caller("RecordFluid", NOON), shop.site, said, false).await.expect("recorded")
}

async fn read(shop: &Shop, of: &str, shown: &str, when: &str) {
    let told = ReadingTold {
        machine: ForeignName::new("L-1").expect("a name"),
        point: key(of),
        value: shown.into(),
        unit: String::new(),
        at: at(when),
        by: name("Ada"),
        electrician_record: None,
        confirmed: true,
        note: String::new(),
    };
    shop.store
        .take_readings(&caller("TakeReadings", NOON), shop.site, &[Ok(told)], false)
        .await
        .expect("taken");
}

async fn model(shop: &Shop, of: &str) -> Modelled {
    let order = shop.store.open_order(shop.site, "L-1", &key(of)).await.expect("open");
    let explained = shop.store.explain(shop.site, order, at(NOON)).await.expect("why");
    assert!(explained.row_agrees, "the stored row is the fresh one");
    let Counted::Model { told, .. } = &explained.entry.plan.clauses[0].counted else { panic!("a model") };
    (**told).clone()
}

async fn start(shop: &Shop) -> (String, bool) {
    let start = model(shop, "fill-up").await.start.expect("a start");
    (start.value.to_string(), start.poured)
}

async fn book(shop: &Shop, reservoir: Option<&str>, page: PageAsk<FluidCursor>) -> FluidBook {
    let filter =
        FluidFilter { machine: "L-1".into(), reservoir: reservoir.map(key), ..FluidFilter::default() };
    shop.store.fluid_book(shop.site, &filter, page).await.expect("a record")
}

fn all() -> PageAsk<FluidCursor> {
    PageAsk { after: None, limit: 100 }
}

fn refused(error: StoreError) -> Error {
    let StoreError::Refused(error) = error else { panic!("{error:?}") };
    error
}

async fn additions_move_the_level_and_withdrawn_ones_do_not(engine: Engine) {
    let shop = open(engine).await;
    read(&shop, "oil", "1.1", "2026-03-18T06:00:00Z").await;
    assert_eq!(start(&shop).await, ("1.1".into(), false));
    let added = said("lube", FluidAct::Added, "way oil CGLP 68", 1_000, "2026-03-18T07:00:00Z");
    let done = record(&shop, &added).await;
    // Nothing was run since, so that all of it is there.
    assert_eq!(start(&shop).await, ("2.1".into(), true));
    assert!(done.remarks.iter().any(|remark| remark.starts_with("skin:")), "{:?}", done.remarks);
    assert!(done.remarks.iter().any(|remark| remark.contains("local codes")), "{:?}", done.remarks);

    let trial = shop.store.record_fluid(&caller("RecordFluid", NOON), shop.site, &added, true).await;
    assert!(trial.is_ok());
    assert_eq!(book(&shop, None, all()).await.lines.rows.len(), 2, "a trial leaves nothing");

    let call = caller("WithdrawFluid", NOON);
    let entry = done.kept.entry;
    let back = shop.store.withdraw_fluid(&call, shop.site, &back_of(entry, "another machine")).await;
    let withdrawn = back.expect("withdrawn").kept.record.withdrawn.expect("so");
    assert_eq!(withdrawn.reason, "another machine");
    assert_eq!(start(&shop).await, ("1.1".into(), false));
    let again = shop.store.withdraw_fluid(&call, shop.site, &back_of(entry, "once more")).await;
    assert!(matches!(refused(again.expect_err("once")), Error::WrongState { reason: "FLUID_WITHDRAWN", .. }));
    // It stays on record, with its reason.
    let lines = book(&shop, Some("lube"), all()).await.lines.rows;
    let FluidLine::Entry(kept) = &lines[1] else { panic!("{lines:?}") };
    assert_eq!(kept.record.withdrawn.as_ref().map(|of| of.reason.as_str()), Some("another machine"));
    let missing = shop.store.withdraw_fluid(&call, shop.site, &back_of(9_999, "typo")).await;
    assert!(matches!(refused(missing.expect_err("none")), Error::NotFound { .. }));
}

async fn what_cannot_be_read_is_refused_and_what_is_wrong_is_recorded(engine: Engine) {
    let shop = open(engine).await;
    let call = caller("RecordFluid", NOON);
    let typo = said("lubb", FluidAct::Added, "way oil CGLP 68", 1_000, NOON);
    let error = shop.store.record_fluid(&call, shop.site, &typo, false).await.expect_err("no such place");
    let Error::Invalid(wrong) = refused(error) else { panic!("a field") };
    assert_eq!(wrong[0].field, "said.reservoir");
    assert!(wrong[0].text.contains("lube, sump"), "{}", wrong[0].text);
    let nowhere = FluidSaid { machine: ForeignName::new("L-9").expect("a name"), ..typo };
    let error = shop.store.record_fluid(&call, shop.site, &nowhere, false).await.expect_err("no machine");
    assert!(matches!(refused(error), Error::NotFound { kind: "machine", .. }));

    let thick = record(&shop, &said("lube", FluidAct::Added, "way oil CGLP 220", 1_000, NOON)).await;
    assert!(
        thick.kept.record.findings.iter().any(|of| of.contains("220")),
        "{:?}",
        thick.kept.record.findings
    );
    let waste = record(&shop, &said("sump", FluidAct::Waste, "used coolant", 180_000, NOON)).await;
    assert_eq!(waste.kept.record.route, None, "never guessed");
    assert_eq!(waste.kept.record.findings.len(), 2, "{:?}", waste.kept.record.findings);
    let routed = FluidSaid {
        route: Some("drum 7".into()),
        document: Some("4711".into()),
        ..said("sump", FluidAct::Waste, "used coolant", 180_000, NOON)
    };
    assert!(record(&shop, &routed).await.kept.record.findings.is_empty());
}

async fn a_repeat_records_once(engine: Engine) {
    let shop = open(engine).await;
    let mut call = caller("RecordFluid", NOON);
    call.request = Some(RequestKey { id: "5a1f".into(), digest: [7; 32] });
    let added = said("lube", FluidAct::Added, "way oil CGLP 68", 500, NOON);
    let first = shop.store.record_fluid(&call, shop.site, &added, false).await.expect("recorded");
    let again = shop.store.record_fluid(&call, shop.site, &added, false).await.expect("told again");
    assert_eq!(first, again);
    assert_eq!(book(&shop, None, all()).await.lines.rows.len(), 1);
}

async fn close(shop: &Shop, of: &str, change: impl FnOnce(ClosingSaid) -> ClosingSaid) -> Vec<String> {
    let order = shop.store.open_order(shop.site, "L-1", &key(of)).await.expect("open");
    let plain = ClosingSaid::plain(order, at("2026-03-19T06:00:00Z"), name("Ada"));
    let ended =
        shop.store.close(&caller("CloseOrder", NOON), shop.site, &change(plain)).await.expect("closed");
    ended.remarks
}

async fn a_closing_says_what_it_poured_and_took_out(engine: Engine) {
    let shop = open(engine).await;
    // Whoever uses the kit as it stands types nothing more.
    close(&shop, "fill-up", |said| ClosingSaid { kit_used: true, ..said }).await;
    let order = shop.store.open_order(shop.site, "L-1", &key("correct")).await.expect("open");
    let remarks = close(&shop, "correct", |said| ClosingSaid {
        used: vec![
            kit_item("coolant concentrate", "12", None),
            kit_item("water", "188", Some(("sump", true))),
        ],
        waste: vec![WasteSaid {
            reservoir: None,
            kind: name("used coolant"),
            amount: Amount(190_000),
            route: Some("drum 7".into()),
            document: None,
        }],
        ..said
    })
    .await;
    assert!(remarks.iter().any(|of| of.contains("no document number")), "{remarks:?}");
    let told = |lines: &[FluidLine]| -> Vec<(String, FluidAct, i64, bool)> {
        let entries =
            lines.iter().filter_map(|line| if let FluidLine::Entry(of) = line { Some(of) } else { None });
        let of = |kept: &fettler_store::contract::KeptFluid| {
            let record = &kept.record;
            let withdrawn = record.withdrawn.is_some();
            (record.fluid.to_string(), record.act, record.amount.0, withdrawn)
        };
        entries.map(|kept| of(kept)).collect()
    };
    let lube = book(&shop, Some("lube"), all()).await.lines.rows;
    assert_eq!(told(&lube), [("way oil CGLP 68".into(), FluidAct::Added, 2_000, false)]);
    let sump = book(&shop, Some("sump"), all()).await.lines.rows;
    let expected = |withdrawn| {
        [
            ("coolant concentrate".to_owned(), FluidAct::Added, 12_000, withdrawn),
            ("water".into(), FluidAct::Changed, 188_000, withdrawn),
            ("used coolant".into(), FluidAct::Waste, 190_000, withdrawn),
        ]
    };
    assert_eq!(told(&sump), expected(false));
    let FluidLine::Entry(kept) = &sump[0] else { panic!("an entry") };
    assert_eq!(kept.record.order, Some(order));
    let call = caller("WithdrawFluid", NOON);
    let alone = shop.store.withdraw_fluid(&call, shop.site, &back_of(kept.entry, "typo")).await;
    assert!(matches!(
        refused(alone.expect_err("of a closing")),
        Error::WrongState { reason: "FLUID_OF_CLOSING", .. }
    ));

    let mut manager = caller("UndoClosing", NOON);
    manager.as_manager = true;
    shop.store.undo(&manager, shop.site, order, &name("Ada"), "wrong machine", false).await.expect("undone");
    let sump = book(&shop, Some("sump"), all()).await.lines.rows;
    assert_eq!(told(&sump), expected(true), "undone, and still there");
    let kinds = EntryFilter { kind: Some("fluid.".into()), ..EntryFilter::default() };
    let page = PageAsk { after: None, limit: 100 };
    let kinds = shop.store.entries(shop.site, &kinds, page).await.expect("entries").rows;
    assert_eq!(kinds.iter().filter(|entry| entry.kind == "fluid.recorded").count(), 4);
    assert_eq!(kinds.iter().filter(|entry| entry.kind == "fluid.withdrawn").count(), 3);
}

async fn a_waste_whose_place_is_not_clear_is_asked_back(engine: Engine) {
    let shop = open(engine).await;
    let order = shop.store.open_order(shop.site, "L-1", &key("filter")).await.expect("open");
    let waste =
        WasteSaid { reservoir: None, kind: name("oil"), amount: Amount(1), route: None, document: None };
    let plain = ClosingSaid::plain(order, at(NOON), name("Ada"));
    let said = ClosingSaid { waste: vec![waste], ..plain };
    let error = shop.store.close(&caller("CloseOrder", NOON), shop.site, &said).await.expect_err("which");
    let Error::Invalid(wrong) = refused(error) else { panic!("a field") };
    assert_eq!(wrong[0].field, "waste[0].reservoir");
    assert!(shop.store.open_order(shop.site, "L-1", &key("filter")).await.is_ok(), "still open");
}

async fn the_record_holds_readings_with_their_limits_in_pages(engine: Engine) {
    let shop = open(engine).await;
    read(&shop, "nitrite", "25", "2026-03-10T06:00:00Z").await;
    read(&shop, "strength", "8.2", "2026-03-11T06:00:00Z").await;
    for hour in 0..5 {
        let when = format!("2026-03-12T0{hour}:00:00Z");
        record(&shop, &said("sump", FluidAct::Added, "water", 5_000, &when)).await;
    }
    let whole = book(&shop, Some("sump"), all()).await;
    assert_eq!(whole.lines.rows.len(), 7);
    let FluidLine::Reading(_, _, beyond) = &whole.lines.rows[0] else { panic!("a reading") };
    assert_eq!(beyond.len(), 1, "{beyond:?}");
    assert!(beyond[0].starts_with("above 20 mg/L"), "TRGS 611, section 5.3: {beyond:?}");
    let FluidLine::Reading(_, _, beyond) = &whole.lines.rows[1] else { panic!("a reading") };
    assert!(beyond.is_empty(), "{beyond:?}");
    let limits = &whole.reservoirs[0].limits;
    assert!(limits.iter().any(|limit| limit.source == "TRGS 611, section 5.3"), "{limits:?}");
    let (mut rows, mut after) = (Vec::new(), None);
    loop {
        let page = book(&shop, Some("sump"), PageAsk { after, limit: 2 }).await.lines;
        rows.extend(page.rows);
        after = page.next;
        if after.is_none() {
            break;
        }
    }
    assert_eq!(rows, whole.lines.rows);
    let none = FluidFilter { machine: "L-1".into(), reservoir: Some(key("tank")), ..FluidFilter::default() };
    let error = shop.store.fluid_book(shop.site, &none, all()).await.expect_err("no such place");
    assert!(matches!(refused(error), Error::NotFound { kind: "sump or reservoir", .. }));
}

async fn another_fluid_is_a_finding_and_fills_up_no_level(engine: Engine) {
    let shop = open(engine).await;
    read(&shop, "oil", "1.1", "2026-03-17T06:00:00Z").await;
    let wrong = said("lube", FluidAct::Added, "coolant concentrate", 1_000, "2026-03-17T08:00:00Z");
    let done = record(&shop, &wrong).await;
    let told =
        "coolant concentrate was poured, the machine's card says way oil CGLP 68: another kind of fluid";
    assert!(done.remarks.iter().any(|remark| remark.starts_with(told)), "{:?}", done.remarks);
    assert!(done.kept.record.findings.iter().any(|finding| finding.starts_with(told)));
    let stood = model(&shop, "fill-up").await.start.expect("a start");
    assert_eq!((stood.value.to_string().as_str(), stood.poured), ("1.1", false), "it is no oil");
    let oil = said("sump", FluidAct::Added, "way oil CGLP 68", 5_000, "2026-03-17T09:00:00Z");
    assert!(record(&shop, &oil).await.kept.record.other);
    let water = said("sump", FluidAct::Added, "water", 5_000, "2026-03-17T10:00:00Z");
    assert!(!record(&shop, &water).await.kept.record.other);
    let right = said("lube", FluidAct::Added, "way oil CGLP 68", 500, "2026-03-17T11:00:00Z");
    record(&shop, &right).await;
    assert_eq!(model(&shop, "fill-up").await.start.expect("a start").value.to_string(), "1.6");
}

async fn no_order_of_arrival_shows_in_the_row(engine: Engine) {
    let mut rows = Vec::new();
    for seed in 0..3 {
        let shop = open(engine).await;
        for step in shuffled(vec![0, 1, 2, 3], seed) {
            match step {
                0 => read(&shop, "oil", "1.1", "2026-03-17T06:00:00Z").await,
                1 => read(&shop, "oil", "1.9", "2026-03-18T06:00:00Z").await,
                2 => drop(
                    record(&shop, &said("lube", FluidAct::Added, "way oil", 900, "2026-03-17T08:00:00Z"))
                        .await,
                ),
                _ => drop(
                    record(&shop, &said("lube", FluidAct::Added, "way oil", 300, "2026-03-19T08:00:00Z"))
                        .await,
                ),
            }
        }
        rows.push(model(&shop, "fill-up").await);
    }
    assert!(rows.windows(2).all(|pair| pair[0] == pair[1]), "{rows:?}");
    assert_eq!(rows[0].start.as_ref().expect("a start").value.to_string(), "2.2");
}

on_every_engine!(
    additions_move_the_level_and_withdrawn_ones_do_not,
    what_cannot_be_read_is_refused_and_what_is_wrong_is_recorded,
    a_repeat_records_once,
    a_closing_says_what_it_poured_and_took_out,
    a_waste_whose_place_is_not_clear_is_asked_back,
    the_record_holds_readings_with_their_limits_in_pages,
    another_fluid_is_a_finding_and_fills_up_no_level,
    no_order_of_arrival_shows_in_the_row,
);
