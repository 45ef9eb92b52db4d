//! Rounds through the store contract: walked, repeated, out of order, with findings and values, ended and handed over.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::ids::OrderNumber;
use fettler_domain::order::ClosingSaid;
use fettler_domain::reading::ask::OddKind;
use fettler_domain::reading::{Limits, Possible, ReadingTold, Taker, Value};
use fettler_domain::round::answer::{AnswerSaid, ChecksSaid, Recorded};
use fettler_domain::round::{CheckState, Tally};
use fettler_domain::shop::check::{Cadence, CheckCard};
use fettler_domain::shop::{Declaration, PointCard};
use fettler_domain::text::ForeignName;
use fettler_domain::time::Ts;
use fettler_store::contract::{
    Caller, DueFilter, DuePart, EntryFilter, MachineMove, MachineRound, OrderFilter, PageAsk, RequestKey,
    Result, RoundFilter, StoreError, TakenReading,
};
use kit::{Engine, Shop, at, caller, declaration, key, name};

/// A Tuesday; the shop has no shifts, so that the round is the day's.
const MORNING: &str = "2026-03-10T06:00:00Z";

fn check(of: &str, every: Cadence) -> CheckCard {
    CheckCard {
        key: key(of),
        title: name(of),
        place: "left side".into(),
        good: "as new".into(),
        every,
        point: None,
        cautions: Vec::new(),
        hazard: false,
        retire: false,
        start: None,
        minutes: None,
        since: None,
    }
}

/// The lathe with a gauge and four checks, one of them on Mondays only.
fn shop() -> Declaration {
    let mut declared = declaration();
    let value = |text: &str| Value::parse(text).ok();
    declared.machines[0].points = vec![PointCard {
        key: key("line-air"),
        title: "air".into(),
        place: String::new(),
        good: String::new(),
        fluid: String::new(),
        reservoir: None,
        unit: "bar".into(),
        limits: Limits { act_below: value("5.5"), act_above: value("7"), ..Limits::default() },
        possible: value("0").zip(value("16")).map(|(from, to)| Possible { from, to }),
        taker: Taker::Anyone,
        cautions: Vec::new(),
    }];
    declared.machines[0].checks = vec![
        CheckCard { point: Some(key("line-air")), ..check("air", Cadence::Shift) },
        CheckCard { hazard: true, ..check("leaks", Cadence::Shift) },
        check("floor", Cadence::Day),
        check("week", Cadence::Week),
    ];
    declared
}

async fn open(engine: Engine) -> Shop {
    Shop::open_with(engine, &shop()).await
}

fn good(of: &str, when: &str) -> AnswerSaid {
    AnswerSaid { check: key(of), at: at(when), value: None, finding: None, confirmed: false }
}

fn value(of: &str, value: &str, when: &str) -> AnswerSaid {
    AnswerSaid { value: Some((value.into(), String::new())), ..good(of, when) }
}

fn finding(of: &str, what: &str, when: &str) -> AnswerSaid {
    AnswerSaid { finding: Some(what.into()), ..good(of, when) }
}

async fn say_as(shop: &Shop, caller: &Caller, answers: Vec<AnswerSaid>) -> Result<Vec<Recorded>> {
    let machine = ForeignName::new("L-1").expect("a name");
    let said = ChecksSaid { machine, shift: None, by: name("Ada"), answers };
    Ok(shop.store.record_checks(caller, shop.site, &said).await?.1)
}

async fn say(shop: &Shop, answers: Vec<AnswerSaid>) -> Vec<Recorded> {
    say_as(shop, &caller("RecordChecks", "2026-03-10T06:30:00Z"), answers).await.expect("recorded")
}

async fn lathe(shop: &Shop, at: Ts) -> Option<MachineRound> {
    let filter = RoundFilter { at, machine: None, area: None, only_open: false };
    let page = PageAsk { after: None, limit: 10 };
    shop.store.round_checks(shop.site, &filter, page).await.expect("a round").1.rows.pop()
}

/// How the lathe's checks stand: "air good, leaks open".
async fn stands(shop: &Shop, when: &str) -> String {
    let round = shop.store.round(shop.site, at(MORNING)).await.expect("a round").round;
    let Some(lathe) = lathe(shop, at(MORNING)).await else { return String::new() };
    let word = |state| match state {
        CheckState::Open => "open",
        CheckState::Good => "good",
        CheckState::Finding => "finding",
        CheckState::Missed => "missed",
    };
    let checks = lathe.checks.iter();
    let said = checks.map(|check| format!("{} {}", check.check.key, word(check.state(&round, at(when)))));
    said.collect::<Vec<_>>().join(", ")
}

async fn kinds(shop: &Shop, of: &str) -> usize {
    let filter = EntryFilter { kind: Some(of.into()), ..EntryFilter::default() };
    let page = PageAsk { after: None, limit: 100 };
    shop.store.entries(shop.site, &filter, page).await.expect("entries").rows.len()
}

async fn raised(shop: &Shop) -> Vec<(OrderNumber, String)> {
    let page = PageAsk { after: None, limit: 100 };
    let all = shop.store.orders(shop.site, &OrderFilter::default(), page).await.expect("orders").rows;
    let raised = all.into_iter().filter(|order| order.task.is_none());
    raised.map(|order| (order.number, order.title.to_string())).collect()
}

async fn an_order_raised_by_a_check_keeps_its_cautions(engine: Engine) {
    let mut declared = shop();
    let lathe = &mut declared.machines[0];
    lathe.points[0].limits.stop_below = Value::parse("4.5").ok();
    lathe.points[0].cautions = vec!["the hose whips".into()];
    lathe.checks[0].cautions = vec!["vent to 0 bar".into()];
    let shop = Shop::open_with(engine, &declared).await;
    let recorded = say(&shop, vec![value("air", "4.4", MORNING)]).await;
    let order = recorded[0].order.expect("raised");
    let why = shop.store.explain(shop.site, order, at(MORNING)).await.expect("why").entry;
    assert_eq!(why.cautions, ["vent to 0 bar", "the hose whips"]);
    assert!(why.hazard, "it was read beyond a stop limit");
    // Read again at the gauge, it is the same order's.
    let machine = ForeignName::new("L-1").expect("a name");
    let told = ReadingTold {
        machine,
        point: key("line-air"),
        value: "4.3".into(),
        unit: String::new(),
        at: at("2026-03-10T06:20:00Z"),
        by: name("Ada"),
        electrician_record: None,
        confirmed: true,
        note: String::new(),
    };
    let call = caller("TakeReadings", "2026-03-10T06:30:00Z");
    let taken = shop.store.take_readings(&call, shop.site, &[Ok(told)], false).await.expect("taken");
    let TakenReading::Taken(_, remarks) = &taken[0] else { panic!("{taken:?}") };
    assert!(remarks.contains(&format!("order {order} stands open for it already")), "{remarks:?}");
    assert_eq!(raised(&shop).await.len(), 1);
    // Whoever closes it is asked whether they were heeded.
    let said = ClosingSaid::plain(order, at("2026-03-10T06:25:00Z"), name("Ada"));
    let said = ClosingSaid { cautions_confirmed: false, ..said };
    let closed = shop.store.close(&call, shop.site, &said).await.expect("closed");
    assert!(closed.remarks.contains(&"cautions not confirmed".to_owned()), "{:?}", closed.remarks);
    let closing = closed.order.expect("an order").closing.expect("a closing");
    assert_eq!(closing.record.cautions_shown, ["vent to 0 bar", "the hose whips"]);
}

async fn a_walk_is_recorded_and_what_is_left_is_missed(engine: Engine) {
    let shop = open(engine).await;
    assert_eq!(stands(&shop, MORNING).await, "air open, leaks open, floor open", "it is no Monday");
    let recorded = say(&shop, vec![value("air", "6.1", MORNING), good("leaks", MORNING)]).await;
    assert!(recorded.iter().all(|became| became.recorded && became.remarks.is_empty()), "{recorded:?}");
    assert_eq!(stands(&shop, MORNING).await, "air good, leaks good, floor open");
    assert_eq!(stands(&shop, "2026-03-11T06:00:00Z").await, "air good, leaks good, floor missed");
    let head = shop.store.round(shop.site, at(MORNING)).await.expect("a round");
    assert_eq!(head.tally, Tally { due: 3, done: 2, findings: 0, machines: 1 });
    assert_eq!((head.areas.len(), head.areas[0].0.as_str()), (1, "Hall 1"));
    assert_eq!((kinds(&shop, "round.").await, kinds(&shop, "reading.").await), (1, 1));
    let answer = lathe(&shop, at(MORNING)).await.expect("the lathe").checks.remove(0).answer.expect("seen");
    assert_eq!((answer.value.as_deref(), answer.reading.is_some()), (Some("6.1"), true));
    let tomorrow = lathe(&shop, at("2026-03-11T06:00:00Z")).await.expect("the lathe");
    assert!(tomorrow.checks.iter().all(|check| check.answer.is_none()), "each day is walked anew");
}

async fn a_finding_raises_one_order_until_it_is_closed(engine: Engine) {
    let shop = open(engine).await;
    let first = say(&shop, vec![finding("leaks", "oil below the door", MORNING)]).await;
    let order = first[0].order.expect("an order");
    assert_eq!(raised(&shop).await, [(order, "leaks: oil below the door".to_owned())]);
    let filter =
        DueFilter { before: at("2026-03-11T05:00:00Z"), part: DuePart::Dated, machine: None, area: None };
    let due =
        shop.store.due(shop.site, &filter, PageAsk { after: None, limit: 10 }).await.expect("a list").rows;
    assert!(due.iter().any(|entry| entry.plan.order == order && entry.hazard), "it is due at once, a hazard");
    let again = say(&shop, vec![finding("leaks", "oil, more of it", "2026-03-10T06:10:00Z")]).await;
    assert_eq!(again[0].order, Some(order), "the same finding names the same order");
    assert_eq!(again[0].remarks, [format!("order {order} stands open for it already")]);
    shop.store
        .skip(&caller("SkipOrder", "2026-03-10T07:00:00Z"), shop.site, order, &name("Ada"), "mended", false)
        .await
        .expect("skipped");
    let third = say(&shop, vec![finding("leaks", "oil again", "2026-03-10T07:10:00Z")]).await;
    assert_ne!(third[0].order, Some(order), "an ended order is no answer to a new finding");
    assert_eq!(raised(&shop).await.len(), 2);
    let low = say(&shop, vec![value("air", "5.1", MORNING)]).await;
    assert_eq!(low[0].remarks[0], "air: 5.1 bar is below its limit of 5.5 bar");
    assert!(low[0].order.is_some(), "no open task waits for the value, so an order is raised");
    assert_eq!(stands(&shop, MORNING).await, "air finding, leaks finding, floor open");
}

async fn what_is_said_twice_or_late_stands_once(engine: Engine) {
    let shop = open(engine).await;
    let id = |text: &str| Caller {
        request: Some(RequestKey { id: text.into(), digest: [7; 32] }),
        ..caller("RecordChecks", "2026-03-10T06:30:00Z")
    };
    let said = || vec![finding("leaks", "oil", MORNING)];
    let first = say_as(&shop, &id("a"), said()).await.expect("recorded");
    let replayed = say_as(&shop, &id("a"), said()).await.expect("recorded");
    assert_eq!(first, replayed);
    let other = say_as(&shop, &id("b"), said()).await.expect("recorded");
    assert!(
        other[0].duplicate && other[0].order == first[0].order,
        "the same words under another id: {other:?}"
    );
    let both = || vec![good("floor", "2026-03-10T06:20:00Z"), value("air", "6.0", "2026-03-10T06:20:00Z")];
    say(&shop, both()).await;
    let older = say(&shop, vec![value("air", "4.9", MORNING)]).await;
    assert!(
        older[0].recorded && older[0].order.is_some(),
        "what was found is acted on, however late it comes"
    );
    assert_eq!(stands(&shop, MORNING).await, "air good, leaks finding, floor good", "the newer one stands");
    assert_eq!((raised(&shop).await.len(), kinds(&shop, "round.").await), (2, 3));
}

async fn a_slip_is_asked_back_and_nothing_else_is_lost(engine: Engine) {
    let shop = open(engine).await;
    let recorded = say(&shop, vec![value("air", "61", MORNING), good("leaks", MORNING)]).await;
    assert!(!recorded[0].recorded && recorded[0].odd[0].text.contains("16"), "{recorded:?}");
    assert!(recorded[1].recorded);
    assert_eq!(stands(&shop, MORNING).await, "air open, leaks good, floor open");
    let so = AnswerSaid { confirmed: true, ..value("air", "61", MORNING) };
    assert!(say(&shop, vec![so]).await[0].recorded);
    let gone = say(&shop, vec![good("cover", MORNING), good("flor", MORNING)]).await;
    assert!(
        gone.iter().all(|answer| !answer.recorded && answer.odd[0].kind == OddKind::UnknownCheck),
        "{gone:?}"
    );
    assert!(gone[1].odd[0].text.contains("did you mean `floor`?"), "{gone:?}");
    assert_eq!(stands(&shop, MORNING).await, "air finding, leaks good, floor open");
    let gone = say(&shop, vec![AnswerSaid { confirmed: true, ..good("cover", MORNING) }]).await;
    assert!(gone[0].recorded && gone[0].remarks[0].contains("no check `cover` now"), "{gone:?}");
    assert_eq!(stands(&shop, MORNING).await, "air finding, leaks good, floor open, cover good");
    let nobody = ChecksSaid {
        machine: ForeignName::new("L-1").expect("a name"),
        shift: None,
        by: name("Nobody"),
        answers: vec![good("leaks", MORNING)],
    };
    let refused = shop.store.record_checks(&caller("RecordChecks", MORNING), shop.site, &nobody).await;
    assert!(matches!(refused, Err(StoreError::Refused(Error::Invalid(_)))), "{refused:?}");
}

async fn a_value_out_of_limits_with_a_finding_is_known_again(engine: Engine) {
    let shop = open(engine).await;
    let low = || AnswerSaid { finding: Some("hisses".into()), ..value("air", "4.8", MORNING) };
    let first = say(&shop, vec![low()]).await;
    assert!(first[0].recorded && first[0].order.is_some(), "{first:?}");
    let walked = kinds(&shop, "round.").await;
    let again = say_as(&shop, &caller("RecordChecks", "2026-03-10T06:40:00Z"), vec![low()]).await;
    let again = again.expect("answered");
    assert!(again[0].duplicate && again[0].order == first[0].order, "{again:?}");
    assert_eq!(kinds(&shop, "round.").await, walked, "no further leaf");
    let other = AnswerSaid { finding: Some("hisses at the door".into()), ..low() };
    assert!(!say(&shop, vec![other]).await[0].duplicate, "something else is said");
}

async fn an_answer_of_another_round_is_refused_and_the_rest_stands(engine: Engine) {
    let shop = open(engine).await;
    let yesterday = "2026-03-09T08:00:00Z";
    let both = || vec![good("leaks", MORNING), good("floor", yesterday)];
    let told = say(&shop, both()).await;
    assert!(told[0].recorded && !told[1].recorded, "{told:?}");
    let wrong = &told[1].wrong[0];
    assert_eq!(wrong.field, "answers[1].at");
    assert!(
        wrong.text.contains("2026-03-09 08:00 ") && wrong.text.contains("a call of its own"),
        "{}",
        wrong.text
    );
    assert_eq!(stands(&shop, MORNING).await, "air open, leaks good, floor open");
    let machine = ForeignName::new("L-1").expect("a name");
    let shift = Some(shop.store.round(shop.site, at(MORNING)).await.expect("a round").round.start);
    let named = ChecksSaid { machine, shift, by: name("Ada"), answers: both() };
    let call = caller("RecordChecks", "2026-03-10T06:40:00Z");
    let told = shop.store.record_checks(&call, shop.site, &named).await.expect("recorded").1;
    assert!(told[1].recorded, "the shift was named: {told:?}");
}

async fn a_round_ends_in_a_handover_that_waits_to_be_read(engine: Engine) {
    let mut shop = open(engine).await;
    say(&shop, vec![finding("leaks", "oil below the door", MORNING), value("air", "6.1", MORNING)]).await;
    let (ada, now) = (name("Ada"), "2026-03-10T13:50:00Z");
    let end = caller("EndRound", now);
    let made = shop.store.end_round(&end, shop.site, None, &ada, "mind the door").await.expect("ended");
    assert_eq!(made.record.tally, Tally { due: 3, done: 2, findings: 1, machines: 1 });
    assert_eq!(made.record.findings[0].finding, "oil below the door");
    assert_eq!(made.record.left_open[0].check, name("floor"));
    shop.reopen().await;
    let head = shop.store.round(shop.site, at("2026-03-11T06:00:00Z")).await.expect("a round");
    assert_eq!(head.handovers, std::slice::from_ref(&made), "the next shift sees it");
    let read = caller("AcknowledgeHandover", "2026-03-11T05:10:00Z");
    let kept = shop.store.acknowledge(&read, shop.site, made.number, &ada).await.expect("read");
    let again = caller("AcknowledgeHandover", "2026-03-11T05:20:00Z");
    let twice = shop.store.acknowledge(&again, shop.site, made.number, &ada).await.expect("read");
    assert_eq!(kept, twice, "it was read once");
    assert!(shop.store.round(shop.site, at(MORNING)).await.expect("a round").handovers.is_empty());
    let page = || PageAsk { after: None, limit: 10 };
    assert_eq!(shop.store.handovers(shop.site, false, page()).await.expect("a list").rows, [kept]);
    assert!(shop.store.handovers(shop.site, true, page()).await.expect("a list").rows.is_empty());
    assert_eq!(kinds(&shop, "handover.").await, 2);
    let missing = shop.store.acknowledge(&again, shop.site, 9_999, &ada).await;
    assert!(matches!(missing, Err(StoreError::Refused(Error::NotFound { kind: "handover", .. }))));
}

async fn a_round_is_not_ended_before_it_begins(engine: Engine) {
    let shop = open(engine).await;
    let next = shop.store.round(shop.site, at("2026-03-11T06:00:00Z")).await.expect("a round").round.start;
    let end = async |now| {
        let ended =
            shop.store.end_round(&caller("EndRound", now), shop.site, Some(next), &name("Ada"), "").await;
        ended.map(|kept| kept.record.round.start)
    };
    let early = end("2026-03-10T13:50:00Z").await;
    let Err(StoreError::Refused(Error::WrongState { reason, text, .. })) = early else { panic!("{early:?}") };
    assert_eq!(reason, "ROUND_NOT_BEGUN");
    assert!(text.contains("begins on 2026-03-11 ") && !text.contains('Z'), "{text}");
    assert_eq!(end("2026-03-11T06:00:00Z").await.expect("it has begun"), next);
}

async fn a_resting_machine_asks_for_nothing(engine: Engine) {
    let shop = open(engine).await;
    let rest = caller("RestMachine", "2026-03-09T06:00:00Z");
    let (tag, ada) = (key("L-1"), name("Ada"));
    shop.store
        .move_machine(&rest, shop.site, &tag, MachineMove::Rest, &ada, "no work", false)
        .await
        .expect("rests");
    assert_eq!(stands(&shop, MORNING).await, "");
    let head = shop.store.round(shop.site, at(MORNING)).await.expect("a round");
    assert_eq!(head.tally, Tally::default());
}

on_every_engine!(
    an_order_raised_by_a_check_keeps_its_cautions,
    a_walk_is_recorded_and_what_is_left_is_missed,
    a_finding_raises_one_order_until_it_is_closed,
    what_is_said_twice_or_late_stands_once,
    a_value_out_of_limits_with_a_finding_is_known_again,
    an_answer_of_another_round_is_refused_and_the_rest_stands,
    a_slip_is_asked_back_and_nothing_else_is_lost,
    a_round_ends_in_a_handover_that_waits_to_be_read,
    a_round_is_not_ended_before_it_begins,
    a_resting_machine_asks_for_nothing,
);
