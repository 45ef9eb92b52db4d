//! Readings through the store contract: taken, asked back, doubled, withdrawn, said in closings, and what they make due.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::order::{AsFound, ClosingSaid, Confirmed, ReadingSaid};
use fettler_domain::plan::DueKind;
use fettler_domain::reading::ask::OddKind;
use fettler_domain::reading::{Limits, Possible, ReadingTold, Taker, Value};
use fettler_domain::shop::{ClauseCard, Declaration, PointCard};
use fettler_domain::text::ForeignName;
use fettler_domain::time::{MICROS_PER_DAY, Ts};
use fettler_store::contract::{
    DueEntry, EntryFilter, KeptReading, PageAsk, ReadingFilter, RequestKey, StoreError, TakenReading,
};
use kit::{Engine, Shop, at, back_of, caller, declaration, every_days, key, name, shuffled, task};

const NOON: &str = "2026-03-10T12:00:00Z";

fn value(text: &str) -> Option<Value> {
    let value = Value::parse(text);
    assert!(value.is_ok(), "{text}");
    value.ok()
}

fn coolant() -> PointCard {
    PointCard {
        key: key("coolant"),
        title: "coolant strength".into(),
        place: "clean tank".into(),
        good: "6 to 9 %".into(),
        fluid: "water-mixed coolant".into(),
        reservoir: None,
        unit: "%".into(),
        limits: Limits { stop_below: value("3"), act_below: value("5"), ..Limits::default() },
        possible: value("0").zip(value("30")).map(|(from, to)| Possible { from, to }),
        taker: Taker::Anyone,
        cautions: vec!["gloves only where nothing turns".into()],
    }
}

/// A lathe whose coolant is corrected when a reading is out of limits, and at the latest every 90 days.
fn shop() -> Declaration {
    let mut declared = declaration();
    let machine = &mut declared.machines[0];
    machine.points = vec![
        coolant(),
        PointCard {
            key: key("supply"),
            unit: "V".into(),
            limits: Limits::default(),
            possible: None,
            taker: Taker::LicensedElectrician,
            ..coolant()
        },
    ];
    let waits = ClauseCard::Reading { point: key("coolant"), expects: true };
    machine.tasks.push(task("correct", "Correct the coolant", vec![every_days(90), waits]));
    machine.last_done.push(fettler_domain::shop::LastDoneCard {
        task: key("correct"),
        counts: Vec::new(),
        ..machine.last_done[0].clone()
    });
    declared
}

/// The shop with the rows of the day on which everything is told.
async fn open(engine: Engine) -> Shop {
    let shop = Shop::open_with(engine, &shop()).await;
    while shop.store.upkeep(shop.site, at(NOON), 500).await.expect("a pass").more {}
    shop
}

fn told(shown: &str, when: &str) -> ReadingTold {
    ReadingTold {
        machine: ForeignName::new("L-1").expect("a name"),
        point: key("coolant"),
        value: shown.into(),
        unit: String::new(),
        at: at(when),
        by: name("Ada"),
        electrician_record: None,
        confirmed: false,
        note: String::new(),
    }
}

async fn take(shop: &Shop, told: &[ReadingTold], now: &str) -> Vec<TakenReading> {
    let told: Vec<_> = told.iter().cloned().map(Ok).collect();
    shop.store.take_readings(&caller("TakeReadings", now), shop.site, &told, false).await.expect("answers")
}

fn kept(taken: &TakenReading) -> &KeptReading {
    match taken {
        TakenReading::Taken(kept, _) | TakenReading::Duplicate(kept) => kept,
        other @ (TakenReading::AskedBack(_) | TakenReading::Refused(_)) => panic!("{other:?}"),
    }
}

async fn row(shop: &Shop, now: &str) -> DueEntry {
    let order = shop.store.open_order(shop.site, "L-1", &key("correct")).await.expect("open");
    let explained = shop.store.explain(shop.site, order, at(now)).await.expect("why");
    assert!(explained.row_agrees, "the stored row is the fresh one");
    explained.entry
}

async fn leaves(shop: &Shop) -> Vec<String> {
    let filter = EntryFilter { kind: Some("reading.".into()), ..EntryFilter::default() };
    let page = PageAsk { after: None, limit: 100 };
    let entries = shop.store.entries(shop.site, &filter, page).await.expect("entries").rows;
    entries.into_iter().map(|entry| entry.kind).collect()
}

fn closing(
    order: fettler_domain::ids::OrderNumber,
    done_at: &str,
    readings: Vec<ReadingSaid>,
) -> ClosingSaid {
    ClosingSaid {
        order,
        done_at: at(done_at),
        done_by: name("Ada"),
        entered_by: None,
        as_found: AsFound::Good,
        readings,
        used: Vec::new(),
        kit_used: false,
        waste: Vec::new(),
        cautions_confirmed: true,
        certificate: None,
        second_person: None,
        minutes: 20,
        left_out: Vec::new(),
        note: String::new(),
        confirmed: Confirmed::default(),
    }
}

fn said(shown: &str) -> ReadingSaid {
    ReadingSaid { point: key("coolant"), value: shown.into(), unit: None, confirmed: false }
}

async fn a_reading_out_of_limits_makes_its_task_due_until_a_later_closing(engine: Engine) {
    let shop = open(engine).await;
    assert_eq!(row(&shop, NOON).await.plan.kind, DueKind::CalendarDay);
    let taken =
        take(&shop, &[told("6.5", "2026-03-09T08:00:00Z"), told("4.2", "2026-03-10T08:00:00Z")], NOON).await;
    let TakenReading::Taken(low, remarks) = &taken[1] else { panic!("{taken:?}") };
    let due = row(&shop, NOON).await;
    assert_eq!((due.plan.kind, due.plan.due), (DueKind::Exact, Some(at("2026-03-10T08:00:00Z"))));
    assert!(!due.hazard);
    assert_eq!(remarks[0], "coolant 4.2 % is below its limit of 5 %");
    assert_eq!(remarks[1], format!("order {}, Correct the coolant, is due because of it", due.plan.order));
    assert_eq!(remarks[2], "gloves only where nothing turns");
    assert_eq!(low.record.limits, coolant().limits, "kept with the limits that it was judged against");

    take(&shop, &[told("2.5", "2026-03-10T09:00:00Z")], NOON).await;
    assert!(row(&shop, NOON).await.hazard, "beyond a stop limit");
    let order = due.plan.order;
    let close = closing(order, "2026-03-10T11:00:00Z", vec![said("7.1")]);
    shop.store.close(&caller("CloseOrder", NOON), shop.site, &close).await.expect("closed");
    let next = row(&shop, NOON).await;
    assert_eq!((next.plan.kind, next.hazard), (DueKind::CalendarDay, false));
    assert_eq!(leaves(&shop).await.len(), 4, "one leaf for each reading, those of closings among them");
}

async fn what_looks_like_a_slip_is_asked_back_and_taken_when_it_is_so(engine: Engine) {
    let shop = open(engine).await;
    let mut slips =
        vec![told("6.5", "2026-03-09T08:00:00Z"), told("65", "2026-03-10T08:00:00Z"), told("6.4", NOON)];
    slips[2].machine = ForeignName::new("L-9").expect("a name");
    let taken = take(&shop, &slips, NOON).await;
    assert!(matches!(&taken[0], TakenReading::Taken(..)), "a bad row spoils no other");
    let TakenReading::AskedBack(odd) = &taken[1] else { panic!("{taken:?}") };
    assert_eq!(
        odd.iter().map(|odd| odd.kind).collect::<Vec<_>>(),
        [OddKind::Impossible, OddKind::FarFromLast]
    );
    assert!(matches!(&taken[2], TakenReading::Refused(wrong) if wrong[0].field == "machine"));
    assert_eq!(leaves(&shop).await.len(), 1, "what is asked back leaves no trace");

    let so = ReadingTold { confirmed: true, ..slips[1].clone() };
    let taken = take(&shop, &[so], NOON).await;
    assert_eq!(kept(&taken[0]).record.confirmed, [OddKind::Impossible, OddKind::FarFromLast]);
    let unlicensed = ReadingTold { point: key("supply"), value: "400".into(), ..told("400", NOON) };
    let taken = take(&shop, std::slice::from_ref(&unlicensed), NOON).await;
    assert!(matches!(&taken[0], TakenReading::AskedBack(odd) if odd[0].kind == OddKind::NotLicensed));
    let by_record = ReadingTold { electrician_record: Some("E-17".into()), ..unlicensed };
    let taken = take(&shop, &[by_record], NOON).await;
    assert_eq!(kept(&taken[0]).record.electrician_record.as_deref(), Some("E-17"));
}

async fn a_repeat_has_no_second_effect(engine: Engine) {
    let shop = open(engine).await;
    let rows = [told("6.5", "2026-03-09T08:00:00Z"), told("6.4", "2026-03-10T08:00:00Z")];
    let first = take(&shop, &rows, NOON).await;
    let again = take(&shop, &rows, NOON).await;
    for (first, again) in first.iter().zip(&again) {
        assert!(matches!(again, TakenReading::Duplicate(kept) if kept.entry == self::kept(first).entry));
    }
    let key = RequestKey { id: "6f1f0b0e-0000-4000-8000-000000000001".into(), digest: [7; 32] };
    let call = fettler_store::contract::Caller { request: Some(key), ..caller("TakeReadings", NOON) };
    let told = [Ok(told("6.2", NOON))];
    let once = shop.store.take_readings(&call, shop.site, &told, false).await.expect("taken");
    let late = fettler_store::contract::Caller { now: Ts(at(NOON).0 + 400 * MICROS_PER_DAY), ..call.clone() };
    let twice = shop.store.take_readings(&late, shop.site, &told, false).await.expect("taken");
    assert_eq!(once, twice, "the request id is kept for ever");
    assert_eq!(leaves(&shop).await.len(), 3);
    let trial = [Ok(self::told("6.1", "2026-03-10T10:00:00Z"))];
    shop.store.take_readings(&caller("TakeReadings", NOON), shop.site, &trial, true).await.expect("a trial");
    assert_eq!(leaves(&shop).await.len(), 3, "a trial changes nothing");
}

async fn a_withdrawn_reading_counts_no_more_and_stays_on_record(engine: Engine) {
    let shop = open(engine).await;
    let taken = take(&shop, &[told("4.2", "2026-03-10T08:00:00Z")], NOON).await;
    let entry = kept(&taken[0]).entry;
    let call = caller("WithdrawReading", NOON);
    let ask = back_of(entry, "wrong machine");
    let withdraw = || shop.store.withdraw_reading(&call, shop.site, &ask);
    let gone = withdraw().await.expect("withdrawn");
    assert_eq!(gone.record.withdrawn.map(|withdrawn| withdrawn.reason).as_deref(), Some("wrong machine"));
    assert_eq!(row(&shop, NOON).await.plan.kind, DueKind::CalendarDay);
    assert!(matches!(withdraw().await, Err(StoreError::Refused(_))), "it is withdrawn once");
    let page = || PageAsk { after: None, limit: 10 };
    let all = shop.store.readings(shop.site, &ReadingFilter::default(), page()).await.expect("a list").rows;
    assert_eq!(all.len(), 1, "nothing is deleted");
    let out = ReadingFilter { out_of_limits: true, ..ReadingFilter::default() };
    assert_eq!(shop.store.readings(shop.site, &out, page()).await.expect("a list").rows, []);
    let again = take(&shop, &[told("4.2", "2026-03-10T08:00:00Z")], NOON).await;
    assert!(matches!(again[0], TakenReading::Duplicate(_)), "an import does not bring it back");
    let so = ReadingTold { confirmed: true, ..told("4.2", "2026-03-10T08:00:00Z") };
    let taken = take(&shop, std::slice::from_ref(&so), NOON).await;
    assert!(
        matches!(&taken[0], TakenReading::Taken(new, _) if new.entry != entry),
        "who says that it is so does"
    );
    assert_eq!(row(&shop, NOON).await.plan.due, Some(at("2026-03-10T08:00:00Z")));
    let again = take(&shop, &[so], NOON).await;
    assert!(matches!(&again[0], TakenReading::Duplicate(new) if new.record.withdrawn.is_none()), "{again:?}");
}

async fn a_closing_is_asked_back_for_a_slip_and_its_readings_go_with_it(engine: Engine) {
    let shop = open(engine).await;
    let order = row(&shop, NOON).await.plan.order;
    let call = caller("CloseOrder", NOON);
    let slip = closing(order, "2026-03-10T11:00:00Z", vec![said("71")]);
    let asked = shop.store.close(&call, shop.site, &slip).await;
    let Err(StoreError::Refused(Error::AskedBack(questions))) = asked else { panic!("{asked:?}") };
    let odd = &questions[0].odd;
    assert_eq!(odd.field, "readings[0].value");
    assert!(odd.text.ends_with("confirm the reading where it is right as it was said"), "{}", odd.text);
    let mistyped = ReadingSaid { point: key("colant"), ..said("7.1") };
    let asked = shop.store.close(&call, shop.site, &closing(order, NOON, vec![mistyped])).await;
    let Err(StoreError::Refused(Error::AskedBack(questions))) = asked else { panic!("{asked:?}") };
    let text = "`colant` is no test point of L-1, which has `coolant`; say it again, or confirm that `colant` is meant";
    assert_eq!(
        (questions[0].odd.field.as_str(), questions[0].odd.text.as_str()),
        ("readings[0].point", text)
    );
    let low = closing(order, "2026-03-10T11:00:00Z", vec![said("4.5")]);
    let ended = shop.store.close(&call, shop.site, &low).await.expect("closed");
    assert!(
        ended.remarks.contains(&"coolant 4.5 %, below its limit of 5 %".to_owned()),
        "{:?}",
        ended.remarks
    );
    let next = row(&shop, NOON).await;
    assert_eq!(next.plan.due, Some(at("2026-03-10T11:00:00Z")), "that is how it was left");
    shop.store.undo(&call, shop.site, order, &name("Ada"), "wrong order", false).await.expect("undone");
    let open = row(&shop, NOON).await;
    assert_eq!((open.plan.order, open.plan.kind), (order, DueKind::CalendarDay), "its reading went with it");
    assert_eq!(leaves(&shop).await, ["reading.withdrawn", "reading.taken"]);
}

/// What was raised and stands open.
async fn raised(shop: &Shop) -> Vec<DueEntry> {
    let (mut all, page) = (Vec::new(), PageAsk { after: None, limit: 100 });
    let filter = fettler_store::contract::OrderFilter::default();
    for order in shop.store.orders(shop.site, &filter, page).await.expect("orders").rows {
        if order.task.is_none() {
            all.push(shop.store.explain(shop.site, order.number, at(NOON)).await.expect("why").entry);
        }
    }
    all
}

async fn a_reading_beyond_a_stop_limit_stands_on_the_list_where_no_task_waits(engine: Engine) {
    let mut declared = shop();
    declared.machines[0].points.push(PointCard {
        key: key("air"),
        title: "line air".into(),
        unit: "bar".into(),
        limits: Limits { stop_below: value("4.5"), act_below: value("5.5"), ..Limits::default() },
        possible: None,
        ..coolant()
    });
    let shop = Shop::open_with(engine, &declared).await;
    while shop.store.upkeep(shop.site, at(NOON), 500).await.expect("a pass").more {}
    let air = |shown: &str, when: &str| ReadingTold { point: key("air"), ..told(shown, when) };
    // What only asks for something to be done is said, and raises nothing; so is what was followed by a good reading.
    take(&shop, &[air("5", "2026-03-10T07:00:00Z")], NOON).await;
    take(&shop, &[air("4.2", "2026-03-09T07:00:00Z")], NOON).await;
    assert_eq!(raised(&shop).await, []);
    let taken = take(&shop, &[air("4.2", "2026-03-10T08:00:00Z")], NOON).await;
    let TakenReading::Taken(_, remarks) = &taken[0] else { panic!("{taken:?}") };
    let on_list = raised(&shop).await;
    assert_eq!(on_list.len(), 1);
    let order = on_list[0].plan.order;
    assert_eq!(remarks[1], format!("no task waits for it, so order {order} was raised"));
    assert_eq!(on_list[0].title.as_str(), "line air: 4.2 bar is below its stop limit of 4.5 bar");
    assert_eq!((on_list[0].hazard, on_list[0].plan.kind), (true, DueKind::Raised));
    assert_eq!(on_list[0].cautions, ["gloves only where nothing turns"]);
    // It says where to go, what to read again, and by what it was raised.
    assert_eq!(
        (on_list[0].place.as_str(), &on_list[0].readings[..]),
        (coolant().place.as_str(), &[key("air")][..])
    );
    let record = shop.store.order(shop.site, order).await.expect("an order");
    assert_eq!((record.raised_by_point, record.raised_by_check), (Some(key("air")), None));
    // So does a closing's; while the order stands there is no second one.
    let close_air = |order, when| {
        let read = ReadingSaid { point: key("air"), value: "4.1".into(), unit: None, confirmed: false };
        closing(order, when, vec![read])
    };
    let call = caller("CloseOrder", NOON);
    let of_task = row(&shop, NOON).await.plan.order;
    let said = close_air(of_task, "2026-03-10T09:00:00Z");
    let remarks = shop.store.close(&call, shop.site, &said).await.expect("closed").remarks;
    assert!(remarks.contains(&format!("air: order {order} stands open for it already")), "{remarks:?}");
    assert!(remarks.iter().any(|remark| remark.contains("`fettler machine forbid`")), "{remarks:?}");
    let said = close_air(order, "2026-03-10T10:00:00Z");
    let remarks = shop.store.close(&call, shop.site, &said).await.expect("closed").remarks;
    assert!(remarks.iter().any(|remark| remark.starts_with("air: no task waits for it")), "{remarks:?}");
}

async fn any_order_of_arrival_gives_the_same_plan(engine: Engine) {
    let rows: Vec<ReadingTold> = (1..9)
        .map(|day| told(if day % 3 == 0 { "4.4" } else { "6.2" }, &format!("2026-03-0{day}T08:00:00Z")))
        .collect();
    let mut plans = Vec::new();
    for seed in [1, 2, 3] {
        let shop = open(engine).await;
        for told in shuffled(rows.clone(), seed) {
            take(&shop, &[told], NOON).await;
        }
        let plan = row(&shop, NOON).await.plan;
        let history = shop.store.point(shop.site, "L-1", &key("coolant")).await.expect("a point");
        let values: Vec<Option<Value>> = history.readings.iter().map(|kept| kept.record.value).collect();
        plans.push((plan.due, plan.kind, plan.hazard, values));
    }
    assert_eq!(plans[0].0, Some(at("2026-03-03T08:00:00Z")));
    assert!(plans.windows(2).all(|pair| pair[0] == pair[1]), "{plans:?}");
}

async fn a_drift_says_when_its_limit_is_expected(engine: Engine) {
    let shop = open(engine).await;
    let values = ["8.4", "8", "7.7", "7.2", "6.9", "6.4"];
    for (day, shown) in shuffled(values.iter().enumerate().collect(), 7) {
        take(&shop, &[told(shown, &format!("2026-03-0{}T08:00:00Z", day + 2))], NOON).await;
    }
    let expected = row(&shop, NOON).await.plan;
    assert_eq!((expected.kind, expected.governing), (DueKind::Expected, Some(1)));
    // From 6.4 on the 7th by 0.4 a day; as of the 10th that is some half day ahead.
    let due = expected.due.expect("an expected day");
    assert!(at("2026-03-10T00:00:00Z") < due && due < at("2026-03-12T00:00:00Z"), "{due}");
    take(&shop, &[told("8.3", "2026-03-10T04:00:00Z")], NOON).await;
    assert!(row(&shop, NOON).await.plan.due != Some(due), "each reading of the days before is looked at");
    let due = row(&shop, NOON).await.plan.due;
    take(&shop, &[told("8.4", "2026-03-10T08:00:00Z")], NOON).await;
    assert_eq!(row(&shop, NOON).await.plan.due, due, "an expected date holds for the day");
}

async fn a_point_is_told_with_its_services(engine: Engine) {
    let shop = open(engine).await;
    take(&shop, &[told("6.2", "2026-03-02T08:00:00Z")], NOON).await;
    let order = row(&shop, NOON).await.plan.order;
    let close = closing(order, "2026-03-04T11:00:00Z", vec![said("8")]);
    shop.store.close(&caller("CloseOrder", NOON), shop.site, &close).await.expect("closed");
    let history = shop.store.point(shop.site, "L-1", &key("coolant")).await.expect("a point");
    assert_eq!(history.readings.len(), 2);
    assert_eq!(
        history.services.iter().map(|service| (service.order, service.starts_anew)).collect::<Vec<_>>(),
        [(order, true)]
    );
    assert!(shop.store.point(shop.site, "L-1", &key("nowhere")).await.is_err());
}

on_every_engine! {
    a_reading_out_of_limits_makes_its_task_due_until_a_later_closing,
    what_looks_like_a_slip_is_asked_back_and_taken_when_it_is_so,
    a_repeat_has_no_second_effect,
    a_withdrawn_reading_counts_no_more_and_stays_on_record,
    a_closing_is_asked_back_for_a_slip_and_its_readings_go_with_it,
    a_reading_beyond_a_stop_limit_stands_on_the_list_where_no_task_waits,
    any_order_of_arrival_gives_the_same_plan,
    a_drift_says_when_its_limit_is_expected,
    a_point_is_told_with_its_services,
}
