//! Clauses that follow a model, through the store contract: what readings and closings do to their rows, in whatever order
//! they come, and the oil that must not go in.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::order::{AsFound, ClosingSaid, ReadingSaid};
use fettler_domain::plan::{Counted, DueKind, Fault, Modelled, PlanRow};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::reading::{Limits, ReadingTold, Taker, Value};
use fettler_domain::rule::model::{Coolant, Cycle, Dew, Element, Fill, IdleAir, Level, Model, NeatOil};
use fettler_domain::shop::{ClauseCard, Declaration, KitItem, PointCard};
use fettler_domain::text::{ForeignName, Key};
use fettler_store::contract::{DueEntry, StoreError, TakenReading};
use kit::{Engine, Shop, at, back_of, caller, declaration, hours, key, name, shuffled, task};

const NOON: &str = "2026-03-20T12:00:00Z";

fn value(text: &str) -> Value {
    Value::parse(text).expect(text)
}

fn point(text: &str, unit: &str, fluid: &str) -> PointCard {
    PointCard {
        key: key(text),
        title: text.into(),
        place: String::new(),
        good: String::new(),
        fluid: fluid.into(),
        reservoir: None,
        unit: unit.into(),
        limits: Limits::default(),
        possible: None,
        taker: Taker::Anyone,
        cautions: Vec::new(),
    }
}

fn level() -> ClauseCard {
    let level = Level {
        meter: None,
        point: Some(key("oil")),
        low: value("0.5"),
        high: value("2.7"),
        // 1 mL every 2 minutes: 30 mL/h, so that 2.2 L last 73 h 20 min.
        doses: "10x0.1".into(),
        cycle: Cycle::Minutes(value("2")),
        reserve: value("0"),
        pack: Some(value("1")),
        oil: "CGLP 68".into(),
    };
    ClauseCard::Model { model: Box::new(Model::Level(level)) }
}

fn fill() -> ClauseCard {
    let fill = Fill {
        meter: None,
        point: Some(key("bowl")),
        flow: value("36"),
        line: value("6"),
        dew: Dew::Point(value("25")),
        behind_regulator: None,
        ambient: vec![value("20")],
        ambient_pressure: None,
        bowl: value("90"),
        drain_percent: 50,
        carry_over: value("0"),
        at_latest_days: 0,
    };
    ClauseCard::Model { model: Box::new(Model::Fill(fill)) }
}

fn shop() -> Declaration {
    let mut declared = declaration();
    let machine = &mut declared.machines[0];
    machine.points = vec![point("oil", "L", "way oil CGLP 68"), point("bowl", "mL", "")];
    machine.tasks.push(task("fill-up", "Fill the way oil", vec![level()]));
    machine.tasks.push(task("drain", "Drain the bowl", vec![fill()]));
    for of in ["fill-up", "drain"] {
        machine
            .last_done
            .push(fettler_domain::shop::LastDoneCard { task: key(of), ..machine.last_done[0].clone() });
    }
    declared
}

async fn open(engine: Engine) -> Shop {
    let shop = Shop::open_with(engine, &shop()).await;
    while shop.store.upkeep(shop.site, at(NOON), 500).await.expect("a pass").more {}
    shop
}

fn told(of: &str, shown: &str, when: &str) -> ReadingTold {
    ReadingTold {
        machine: ForeignName::new("L-1").expect("a name"),
        point: key(of),
        value: shown.into(),
        unit: String::new(),
        at: at(when),
        by: name("Ada"),
        electrician_record: None,
        confirmed: true,
        note: String::new(),
    }
}

async fn take(shop: &Shop, told: ReadingTold) -> TakenReading {
    let call = caller("TakeReadings", NOON);
    shop.store.take_readings(&call, shop.site, &[Ok(told)], false).await.expect("answers").remove(0)
}

/// The row of a task as it is stored, which is the one that is computed afresh.
async fn row(shop: &Shop, of: &str) -> DueEntry {
    let order = shop.store.open_order(shop.site, "L-1", &key(of)).await.expect("open");
    let explained = shop.store.explain(shop.site, order, at(NOON)).await.expect("why");
    assert!(explained.row_agrees, "the stored row is the fresh one");
    explained.entry
}

fn model_of(row: &PlanRow) -> &Modelled {
    let Counted::Model { told, .. } = &row.clauses[0].counted else { panic!("{row:?}") };
    told
}

async fn close(shop: &Shop, of: &str, done_at: &str, read: &[(&str, &str)], used: &[&str]) -> Vec<String> {
    let order = row(shop, of).await.plan.order;
    let read = read.iter().map(|(of, shown)| ReadingSaid {
        point: key(of),
        value: (*shown).into(),
        unit: None,
        confirmed: true,
    });
    let used = used.iter().map(|item| KitItem {
        item: name(item),
        quantity: "2".into(),
        unit: "L".into(),
        lot: None,
        into: None,
    });
    let said = ClosingSaid {
        as_found: AsFound::Good,
        readings: read.collect(),
        used: used.collect(),
        ..ClosingSaid::plain(order, at(done_at), name("Ada"))
    };
    shop.store.close(&caller("CloseOrder", NOON), shop.site, &said).await.expect("closed").remarks
}

async fn a_level_moves_its_task_as_soon_as_it_is_read(engine: Engine) {
    let shop = open(engine).await;
    // 8 h a day from the 2nd on: 2.2 L at 30 mL/h are 73 h 20 min, which are run on the 11th at 07:20.
    shop.push((2..=15).map(|day| hours("erp", "L-1", day, 8)).collect(), NOON).await;
    let before = row(&shop, "fill-up").await.plan;
    assert_eq!((before.kind, before.due), (DueKind::Exact, Some(at("2026-03-11T07:20:00Z"))));
    let taken = take(&shop, told("oil", "2.3", "2026-03-12T14:00:00Z")).await;
    let TakenReading::Taken(kept, _) = taken else { panic!("{taken:?}") };
    // 1.8 L are 60 h; 24 h were run since.
    let after = row(&shop, "fill-up").await.plan;
    assert_eq!(after.kind, DueKind::Expected, "{after:?}");
    let call = caller("WithdrawReading", NOON);
    let slip = back_of(kept.entry, "a slip");
    shop.store.withdraw_reading(&call, shop.site, &slip).await.expect("withdrawn");
    assert_eq!(row(&shop, "fill-up").await.plan.due, before.due);
    let low = take(&shop, told("oil", "0.5", "2026-03-12T15:00:00Z")).await;
    let TakenReading::Taken(_, remarks) = low else { panic!("{low:?}") };
    assert_eq!(row(&shop, "fill-up").await.plan.due, before.due, "it is at its mark, as was computed");
    assert_eq!(remarks, ["order 3, Fill the way oil, is due because of it"]);
    close(&shop, "fill-up", "2026-03-12T16:00:00Z", &[], &["way oil CGLP 68"]).await;
    let next = row(&shop, "fill-up").await.plan;
    assert_eq!(next.kind, DueKind::Expected);
    // Fourteen shifts of 8 h were known when it was entered, and its record says so, as for a clause that counts a meter.
    let closed = shop.store.explain(shop.site, next.order, at(NOON)).await.expect("why").closings;
    let then = closed.iter().find_map(|closing| closing.governed_then.as_ref()).expect("it was governed");
    assert_eq!(then.h, Some(Amount(112 * Unit::Hours.per_unit())));
    assert!(then.known_to.is_some(), "{then:?}");
    assert!(next.due > Some(at("2026-03-20T00:00:00Z")), "{next:?}");
}

async fn a_level_without_limits_is_judged_by_its_marks(engine: Engine) {
    let shop = open(engine).await;
    let TakenReading::Taken(kept, remarks) = take(&shop, told("oil", "0.3", "2026-03-12T15:00:00Z")).await
    else {
        panic!("taken")
    };
    let low = Limits { act_below: Some(value("0.5")), act_above: Some(value("2.7")), ..Limits::default() };
    assert_eq!(kept.record.limits, low);
    let due = "order 3, Fill the way oil, is due because of it";
    assert_eq!(remarks, ["oil 0.3 L is below its limit of 0.5 L", due]);
    assert_eq!(row(&shop, "fill-up").await.plan.due, Some(at("2026-03-12T15:00:00Z")));
    // Filled up again, and too far.
    close(&shop, "fill-up", "2026-03-12T16:00:00Z", &[], &["way oil CGLP 68"]).await;
    let TakenReading::Taken(_, remarks) = take(&shop, told("oil", "2.9", "2026-03-12T17:00:00Z")).await
    else {
        panic!("taken")
    };
    assert_eq!(remarks[0], "oil 2.9 L is above its limit of 2.7 L");
    assert!(remarks[1].starts_with("no open task waits for it"), "{remarks:?}");
    assert_eq!(row(&shop, "fill-up").await.plan.due, None, "nothing is to be filled in");
}

async fn any_order_of_arrival_gives_the_same_rows(engine: Engine) {
    let mut plans = Vec::new();
    for seed in [1, 2, 3] {
        let shop = open(engine).await;
        close(&shop, "fill-up", "2026-03-06T15:00:00Z", &[("oil", "2.6")], &[]).await;
        let mut facts: Vec<usize> = (0..22).collect();
        facts = shuffled(facts, seed);
        for fact in facts {
            if let Some(day) = fact.checked_sub(10).filter(|day| *day < 12) {
                let day = i64::try_from(day).expect("few") + 2;
                shop.push(vec![hours("erp", "L-1", day, 8)], NOON).await;
            } else {
                let litres = format!("2.{}", 9 - fact);
                take(&shop, told("oil", &litres, &format!("2026-03-{:02}T15:00:00Z", fact + 4))).await;
            }
        }
        let rows = [row(&shop, "fill-up").await.plan, row(&shop, "drain").await.plan];
        plans.push(rows.map(|row| (row.due, row.kind, row.p10, row.clauses)));
    }
    assert!(plans.windows(2).all(|pair| pair[0] == pair[1]), "{plans:#?}");
}

/// The tasks that wait for what is read at their points.
fn waiting() -> [(&'static str, &'static str, &'static str, Model<Option<Key>>); 4] {
    let element = Element {
        meter: None,
        point: key("drop"),
        flow_point: None,
        rated: None,
        change_at: None,
        months: None,
        hours: None,
        edition: String::new(),
    };
    let coolant = Coolant {
        strength: Some(key("brix")),
        factor: Some(value("1.5")),
        wanted: Some(value("8")),
        band: None,
        premix: None,
        sump: Some(value("200")),
        ph: None,
        ph_first: None,
        nitrite: None,
        dip_slide: None,
        bands: String::new(),
    };
    let neat = NeatOil {
        viscosity: Some(key("nu")),
        viscosity_new: Some(value("22")),
        water: None,
        flash: None,
        flash_new: None,
    };
    let idle = IdleAir { point: key("idle"), baseline: value("36") };
    [
        ("element", "drop", "bar{diff}", Model::Element(element)),
        ("coolant", "brix", "{Brix}", Model::Coolant(coolant)),
        ("neat", "nu", "mm2/s", Model::NeatOil(neat)),
        ("leaks", "idle", "L/min{ANR}", Model::IdleAir(idle)),
    ]
}

async fn open_waiting(engine: Engine) -> Shop {
    let mut declared = declaration();
    let machine = &mut declared.machines[0];
    for (of, read_at, unit, model) in waiting() {
        machine.points.push(point(read_at, unit, ""));
        machine.tasks.push(task(of, of, vec![ClauseCard::Model { model: Box::new(model) }]));
        let done = machine.last_done[0].clone();
        machine.last_done.push(fettler_domain::shop::LastDoneCard { task: key(of), ..done });
    }
    // 4 Brix lie within the point's own limits.
    let brix = machine.points.iter_mut().find(|point| point.key == key("brix")).expect("the point");
    brix.limits = Limits { act_below: Some(value("2")), ..Limits::default() };
    Shop::open_with(engine, &declared).await
}

/// Four days of readings, each worse than the one before, and the hours of ten shifts.
async fn what_waits_for_readings_is_the_same_in_any_order_of_arrival(engine: Engine) {
    let reads = [
        ("drop", ["0.2", "0.22", "0.24", "0.08"]),
        ("brix", ["5.3", "4", "3.9", "3.8"]),
        ("nu", ["22", "23", "25", "26"]),
        ("idle", ["46", "47", "48", "49"]),
    ];
    let days = [2, 4, 8, 10];
    let mut plans = Vec::new();
    for seed in [1, 2, 3] {
        let shop = open_waiting(engine).await;
        for fact in shuffled((0..26).collect::<Vec<usize>>(), seed) {
            if let Some(shift) = fact.checked_sub(16) {
                let day = i64::try_from(shift).expect("few") + 2;
                shop.push(vec![hours("erp", "L-1", day, 8)], NOON).await;
            } else {
                let ((of, values), look) = (reads[fact / 4], fact % 4);
                let when = format!("2026-03-{:02}T15:00:00Z", days[look]);
                let taken = take(&shop, told(of, values[look], &when)).await;
                assert!(matches!(taken, TakenReading::Taken(..)), "{taken:?}");
            }
        }
        let mut rows = Vec::new();
        for (of, ..) in waiting() {
            let row = row(&shop, of).await.plan;
            rows.push((of, row.due, row.kind, row.late, row.clauses));
        }
        plans.push(rows);
    }
    assert!(plans.windows(2).all(|pair| pair[0] == pair[1]), "{plans:#?}");
    let due: Vec<_> = plans[0].iter().map(|(of, due, kind, ..)| (*of, *due, *kind)).collect();
    let since = |day: &str| Some(at(&format!("2026-03-{day}T15:00:00Z")));
    assert_eq!(
        due,
        [
            ("element", since("10"), DueKind::Exact),
            ("coolant", since("04"), DueKind::Exact),
            ("neat", since("08"), DueKind::Exact),
            ("leaks", since("10"), DueKind::Exact),
        ]
    );
}

async fn a_reading_within_its_limits_tells_what_a_model_makes_due_by_it(engine: Engine) {
    let shop = open_waiting(engine).await;
    let taken = take(&shop, told("brix", "4", "2026-03-12T15:00:00Z")).await;
    let TakenReading::Taken(_, remarks) = taken else { panic!("{taken:?}") };
    let order = row(&shop, "coolant").await.plan.order;
    assert_eq!(remarks, [format!("order {order}, coolant, is due because of it")]);
    let taken = take(&shop, told("brix", "5.3", "2026-03-13T15:00:00Z")).await;
    let TakenReading::Taken(_, remarks) = taken else { panic!("{taken:?}") };
    assert_eq!(remarks, [""; 0], "it is as it should be");
}

async fn a_bowl_found_fuller_is_told_with_the_next_order(engine: Engine) {
    let shop = open(engine).await;
    shop.push((2..=6).map(|day| hours("erp", "L-1", day, 8)).collect(), NOON).await;
    let due = row(&shop, "drain").await.plan;
    // 45 mL at 1.88 mL/h are 23.9 h: the third shift's end.
    assert_eq!(due.kind, DueKind::Exact);
    assert!(due.due.is_some_and(|due| at("2026-03-04T13:00:00Z") < due && due < at("2026-03-04T14:00:00Z")));
    let remarks = close(&shop, "drain", "2026-03-06T14:00:00Z", &[("bowl", "120")], &[]).await;
    assert!(remarks.contains(&"cautions not confirmed".to_owned()), "its model asks for some: {remarks:?}");
    let next = row(&shop, "drain").await;
    let Some(Fault::Fuller { found, .. }) = model_of(&next.plan).fault() else { panic!("{next:?}") };
    assert_eq!(found, value("120"));
    assert!(next.cautions.iter().any(|caution| caution.starts_with("close and lock the supply valve")));
}

async fn another_oil_is_refused_in_a_plan_and_recorded_in_a_closing(engine: Engine) {
    let shop = open(engine).await;
    let remarks = close(&shop, "fill-up", "2026-03-12T16:00:00Z", &[], &["hydraulic oil HLP 46"]).await;
    let finding = "hydraulic oil HLP 46 was used, the machine's card says CGLP VG 68: another viscosity grade of ISO 3448; \
                   take the oil of the card";
    assert!(remarks.contains(&finding.to_owned()), "{remarks:?}");
    let mut planned = self::shop();
    let kit = |item: &str| {
        vec![KitItem { item: name(item), quantity: "2".into(), unit: "L".into(), lot: None, into: None }]
    };
    planned.machines[0].tasks[2].kit = kit("way oil VG 220");
    let refused = shop.store.load_shop(&caller("LoadShop", NOON), &planned, None, false).await;
    let Err(StoreError::Refused(Error::Invalid(wrong))) = refused else { panic!("{refused:?}") };
    assert_eq!(wrong[0].field, "shop.machines[0].tasks[2].kit[0].item");
    assert!(wrong[0].text.starts_with("`way oil VG 220` is not the oil of the machine's card, CGLP VG 68"));
    planned.machines[0].tasks[2].kit = kit("way oil VG 68");
    assert!(shop.store.load_shop(&caller("LoadShop", NOON), &planned, None, false).await.is_ok());
}

on_every_engine! {
    a_level_moves_its_task_as_soon_as_it_is_read,
    a_level_without_limits_is_judged_by_its_marks,
    any_order_of_arrival_gives_the_same_rows,
    what_waits_for_readings_is_the_same_in_any_order_of_arrival,
    a_reading_within_its_limits_tells_what_a_model_makes_due_by_it,
    a_bowl_found_fuller_is_told_with_the_next_order,
    another_oil_is_refused_in_a_plan_and_recorded_in_a_closing,
}
