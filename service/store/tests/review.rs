//! What closings tell of intervals, the answers of managers, and what figures are made of: alike on both engines.

#[macro_use]
mod kit;

use fettler_domain::error::Error;
use fettler_domain::figures::care::{FigureName, Period, figures};
use fettler_domain::order::{AsFound, ClosingSaid};
use fettler_domain::review::{Verdict, Why};
use fettler_domain::shop::{Declaration, MachineCard, MeterCard, ReviewCard, SheetCard, TaskCard};
use fettler_domain::time::{MICROS_PER_DAY, MICROS_PER_HOUR};
use fettler_store::contract::{
    AdviceAnswer, AdviceAnswered, AdviceFilter, AdvicePlace, AdviceRecord, AdviceSubject, Caller, CareFilter,
    EntryFilter, PageAsk, RequestKey, StoreError,
};
use kit::{Engine, Shop, at, caller, declaration, every_days, every_hours, hours, key, name, task};

/// After the last of all closings.
const NOW: &str = "2026-04-20T12:00:00Z";

/// Two lathes that share a sheet with a bowl every 8 h, and a task of the first one's own.
fn declared() -> Declaration {
    let mut declared = declaration();
    let bowl = task("bowl", "Drain the bowl", vec![every_hours("8")]);
    declared.sheets =
        vec![SheetCard { key: key("air"), title: name("Air"), tasks: vec![bowl], checks: Vec::new() }];
    let first = &mut declared.machines[0];
    first.sheets = vec![key("air")];
    first.tasks = vec![TaskCard { hazard: true, ..task("guard", "Look at the guard", vec![every_days(2)]) }];
    first.last_done.clear();
    let meter =
        MeterCard { key: key("operating"), kind: first.meters[0].kind, feed: None, max_per_hour: None };
    let second = MachineCard { tag: key("L-2"), meters: vec![meter], tasks: Vec::new(), ..first.clone() };
    declared.machines.push(second);
    declared
}

async fn close(shop: &Shop, machine: &str, task: &str, day: i64, as_found: AsFound) {
    let order = shop.store.open_order(shop.site, machine, &key(task)).await.expect("one is open");
    let done = at("2026-03-01T15:00:00Z").plus_micros((day - 1) * MICROS_PER_DAY);
    let said = ClosingSaid { as_found, minutes: 12, ..ClosingSaid::plain(order, done, name("Ada")) };
    let call = Caller { now: done.plus_micros(MICROS_PER_HOUR), ..caller("CloseOrder", NOW) };
    shop.store.close(&call, shop.site, &said).await.expect("closed");
}

/// Each day 8 h and a closing on both lathes; every sixth finds the bowl failed, and the guard is always good.
async fn shop(engine: Engine) -> Shop {
    let shop = Shop::open_with(engine, &declared()).await;
    let all = (2..=41).flat_map(|day| [hours("erp", "L-1", day, 8), hours("erp", "L-2", day, 8)]);
    shop.push(all.collect(), NOW).await;
    for day in 2..=41 {
        for (machine, shift) in [("L-1", 0), ("L-2", 3)] {
            let as_found = if (day + shift) % 6 == 0 { AsFound::Failed } else { AsFound::Good };
            close(&shop, machine, "bowl", day, as_found).await;
        }
        if day % 2 == 0 {
            close(&shop, "L-1", "guard", day, AsFound::Good).await;
        }
    }
    shop
}

fn bowl() -> AdviceSubject {
    AdviceSubject { place: AdvicePlace::Sheet(key("air")), task: key("bowl") }
}

fn guard() -> AdviceSubject {
    AdviceSubject { place: AdvicePlace::Machine(key("L-1")), task: key("guard") }
}

async fn advice(shop: &Shop, subject: &AdviceSubject) -> AdviceRecord {
    shop.store.advice_of(shop.site, subject, at(NOW)).await.expect("an advice")
}

async fn answer(
    shop: &Shop,
    call: &Caller,
    accept: bool,
    interval: &str,
) -> Result<AdviceAnswered, StoreError> {
    let (by, reason) = (name("Ada"), "as found".to_owned());
    let said = AdviceAnswer { subject: bowl(), accept, interval: interval.to_owned(), by, reason };
    shop.store.answer_advice(call, shop.site, &said, false).await
}

fn refusal<T: std::fmt::Debug>(answer: Result<T, StoreError>) -> &'static str {
    match answer {
        Err(StoreError::Refused(Error::WrongState { reason, .. })) => reason,
        other => panic!("{other:?}"),
    }
}

async fn machines_that_share_a_sheet_are_judged_together(engine: Engine) {
    let shop = shop(engine).await;
    let found = advice(&shop, &bowl()).await;
    let told = &found.told;
    // 40 closings each, the first of which begins the record.
    assert_eq!((told.evidence.closings, told.evidence.machines, told.evidence.unknown), (78, 2, 2));
    assert_eq!(told.evidence.found_failed, 13);
    assert_eq!(
        (told.verdict(), told.advice.why, told.unit.as_str()),
        (Verdict::Shorter, Why::FailsTooOften, "h")
    );
    let kept = advice(&shop, &guard()).await;
    assert_eq!((kept.told.verdict(), kept.told.unit.as_str()), (Verdict::Keep, "days"));
    assert_eq!(kept.told.evidence.closings, 19);

    let list = |filter: AdviceFilter, after| {
        let (store, site) = (shop.store.clone(), shop.site);
        async move { store.advice(site, &filter, PageAsk { after, limit: 1 }, at(NOW)).await.expect("advice") }
    };
    let first = list(AdviceFilter::default(), None).await;
    assert_eq!(first.rows, [kept]);
    let second = list(AdviceFilter::default(), first.next).await;
    assert_eq!((second.rows.as_slice(), second.next), (&[found][..], None));
    let only = AdviceFilter { machine: Some("L-2".into()), ..AdviceFilter::default() };
    assert_eq!(list(only, None).await.rows[0].subject, bowl());
    let none = AdviceFilter { family: Some("mill".into()), ..AdviceFilter::default() };
    assert_eq!(list(none, None).await.rows, []);
}

async fn a_declined_advice_is_quiet_and_an_accepted_one_changes_the_rule(engine: Engine) {
    let shop = shop(engine).await;
    let advised = advice(&shop, &bowl()).await.told.advised.expect("an interval");
    let text = fettler_domain::review::rule::shown(advised);
    let request = Some(RequestKey { id: "6f2b6c9e-0b8e-4f8e-9d63-4f1b0a6c1a11".into(), digest: [7; 32] });
    let call = Caller { request, ..caller("AnswerAdvice", NOW) };
    assert_eq!(refusal(answer(&shop, &call, true, "7.9").await), "ADVICE_CHANGED");

    let declined = answer(&shop, &call, false, &text).await.expect("declined");
    assert_eq!(declined.changes, []);
    let again = answer(&shop, &call, false, &text).await.expect("the same");
    assert_eq!(again.entry, declined.entry);
    let quiet = advice(&shop, &bowl()).await;
    assert!(quiet.is_quiet() && quiet.declined == Some((at(NOW), advised)), "{quiet:?}");

    let accepted = answer(&shop, &caller("AnswerAdvice", NOW), true, &text).await.expect("accepted");
    assert_eq!(accepted.changes.len(), 3, "the sheet and both machines: {:?}", accepted.changes);
    let standing = shop.store.shop(shop.site).await.expect("a shop");
    let rule = standing.sheets[0].tasks[0].rule.clone().expect("a rule");
    assert_eq!(rule.clauses, [every_hours(&text)]);
    let waits = advice(&shop, &bowl()).await.told;
    assert_eq!(
        (waits.verdict(), waits.advised),
        (Verdict::Keep, None),
        "the same closings speak once: {waits:?}"
    );
    assert_eq!(refusal(answer(&shop, &caller("AnswerAdvice", NOW), true, &text).await), "ADVICE_CHANGED");
    let filter = EntryFilter { kind: Some("advice.".into()), ..EntryFilter::default() };
    let entries =
        shop.store.entries(shop.site, &filter, PageAsk { after: None, limit: 10 }).await.expect("entries");
    assert_eq!(entries.rows.len(), 2);
    // Its rows on the list agree with what is computed afresh.
    let order = shop.store.open_order(shop.site, "L-2", &key("bowl")).await.expect("one is open");
    shop.row(order, NOW).await;
}

async fn the_builder_s_limit_and_what_is_not_there(engine: Engine) {
    let mut declared = declared();
    let limit = ReviewCard { at_most: Some("8".into()), ..ReviewCard::default() };
    declared.sheets[0].tasks[0].review = Some(limit);
    let shop = Shop::open_with(engine, &declared).await;
    let all = (2..=41).map(|day| hours("erp", "L-1", day, 8));
    shop.push(all.collect(), NOW).await;
    for day in 2..=41 {
        close(&shop, "L-1", "bowl", day, AsFound::Good).await;
    }
    let found = advice(&shop, &bowl()).await;
    assert_eq!((found.told.verdict(), found.told.advice.why), (Verdict::Keep, Why::NotLengthened));
    let missing = AdviceSubject { task: key("none"), ..bowl() };
    let answer = shop.store.advice_of(shop.site, &missing, at(NOW)).await;
    assert!(matches!(answer, Err(StoreError::Refused(Error::NotFound { kind: "task", .. }))), "{answer:?}");
}

async fn figures_count_orders_and_hours_alike(engine: Engine) {
    let shop = shop(engine).await;
    let period = Period { from: at("2026-03-05T05:00:00Z"), until: at("2026-04-05T05:00:00Z"), now: at(NOW) };
    let read = shop.store.care(shop.site, &CareFilter::default(), &[period]).await.expect("orders");
    let (_, run) = &read.runs[0];
    let found = figures(&read.orders, Some(run), period);
    let of = |name: FigureName| found.iter().find(|figure| figure.name == name).expect("a figure");
    // 31 days of 8 h on two lathes, 2 closings a day of 12 minutes and 15 of the guard.
    let between = of(FigureName::BetweenFailures);
    assert!((between.numerator - 496.0).abs() < 1e-9 && between.value.is_none(), "{between:?}");
    let work = of(FigureName::WorkHours);
    assert_eq!(work.orders.len(), 77);
    assert!((work.numerator - 15.4).abs() < 1e-9, "{work:?}");
    let only = CareFilter { machine: Some("L-2".into()), ..CareFilter::default() };
    let read = shop.store.care(shop.site, &only, &[period]).await.expect("orders");
    assert!(read.orders.iter().all(|order| order.machine == key("L-2")));
    let task = CareFilter { task: Some(key("guard")), ..CareFilter::default() };
    let read = shop.store.care(shop.site, &task, &[period]).await.expect("orders");
    assert!(read.orders.iter().all(|order| order.task == Some(key("guard"))) && !read.orders.is_empty());
}

on_every_engine! {
    machines_that_share_a_sheet_are_judged_together,
    a_declined_advice_is_quiet_and_an_accepted_one_changes_the_rule,
    the_builder_s_limit_and_what_is_not_there,
    figures_count_orders_and_hours_alike,
}
