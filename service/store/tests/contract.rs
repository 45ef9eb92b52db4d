//! The store contract, engine by engine: what must hold whatever stands behind it.

#[macro_use]
mod kit;

use fettler_domain::ledger::history::Month;
use fettler_domain::ledger::report::{Content, Received, ReportId, Statement};
use fettler_domain::ledger::row::{Feed, Settlement, State};
use fettler_domain::plan::PlanRow;
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::shop::{Declaration, MeterCard, SourceCard};
use fettler_domain::text::ForeignName;
use fettler_domain::time::Ts;
use fettler_store::contract::{
    Caller, DueFilter, DuePart, EntryFilter, KeptReport, MachineFilter, PageAsk, ReportFilter, RequestKey,
    StoreError,
};
use kit::{Engine, Shop, at, caller, declaration, hours, key, name, shuffled};
use std::collections::BTreeMap;

const LATE: &str = "2026-12-31T12:00:00Z";

fn foreign(text: &str) -> ForeignName {
    ForeignName::new(text).expect("a name")
}

/// A statement of a report, with its revision.
fn revised(report: &Received, revision: u32, amount: i64) -> Received {
    let mut content = report.content.clone();
    if let Statement::Interval { amount: stated, .. } = &mut content.statement {
        *stated = Amount(amount * Unit::Hours.per_unit());
    }
    Received::new(report.key.id(), revision, content, report.received_at)
}

fn withdrawn(report: &Received, revision: u32) -> Received {
    let content = Content { statement: Statement::Withdrawn, ..report.content.clone() };
    Received::new(report.key.id(), revision, content, report.received_at)
}

fn reading(machine: &str, id: &str, when: &str, hours: i64) -> Received {
    let statement = Statement::Absolute {
        at: at(when),
        unit: Unit::Hours,
        value: Amount(hours * Unit::Hours.per_unit()),
    };
    let content = Content { machine: foreign(machine), meter: None, statement };
    let id = ReportId { source: foreign("reader"), report: foreign(id) };
    Received::new(id, 0, content, at(when))
}

/// Everything of a shop that must not depend on the order of arrival.
async fn essence(shop: &Shop) -> (BTreeMap<String, KeptReport>, BTreeMap<Month, Amount>, Vec<PlanRow>) {
    let page = PageAsk { after: None, limit: 10_000 };
    let kept = shop.store.reports(shop.site, &ReportFilter::default(), page).await.expect("reports");
    let rows = kept.rows.into_iter().map(|mut kept| {
        kept.entry = 0;
        kept.row.received_at = Ts::MIN;
        (format!("{:?}", kept.row.key), kept)
    });
    let months = shop.store.meter_months(shop.site, "L-1", None).await.expect("months");
    let mut plan = Vec::new();
    for part in [DuePart::Dated, DuePart::NeverRecorded] {
        let filter = DueFilter { before: Ts::MAX, part, machine: None, area: None };
        let page = shop.store.due(shop.site, &filter, PageAsk { after: None, limit: 100 }).await;
        plan.extend(page.expect("a page").rows.into_iter().map(|entry| entry.plan));
    }
    assert!(!plan.is_empty());
    for row in &plan {
        let why = shop.store.explain(shop.site, row.order, at(LATE)).await.expect("explained");
        assert!(why.row_agrees, "{row:?} is not {:?}", why.entry.plan);
    }
    (rows.collect(), months, plan)
}

/// Reports of two sources with overlaps, revisions, a withdrawal, a second content, an unknown machine and a future.
fn medley() -> Vec<Received> {
    let mut all: Vec<Received> = (1..=40).map(|day| hours("erp", "L-1", day, 6)).collect();
    all.extend((10..=20).map(|day| hours("night", "L-1", day, 7)));
    all.extend((3..=12).map(|day| revised(&hours("erp", "L-1", day, 6), 1, 5)));
    all.push(withdrawn(&hours("erp", "L-1", 5, 6), 2));
    all.push(revised(&hours("erp", "L-1", 7, 6), 1, 4));
    all.push(hours("erp", "Z-9", 4, 3));
    all.push(hours("erp", "L-1", 900, 3));
    all
}

fn ranked() -> Declaration {
    let source = |name: &str, rank| SourceCard { name: foreign(name), rank, feeds: None };
    Declaration { sources: vec![source("night", 1), source("erp", 2)], ..declaration() }
}

async fn any_order_and_any_cut_end_in_the_same_rows_months_and_plan(engine: Engine) {
    let mut first = None;
    for (seed, cut) in [(1, 1), (2, 7), (3, 64), (4, 1_000)] {
        let shop = Shop::open_with(engine, &ranked()).await;
        let reports = shuffled([medley(), medley()].concat(), seed);
        for part in reports.chunks(cut) {
            shop.push(part.to_vec(), LATE).await;
        }
        let found = essence(&shop).await;
        let expect = first.get_or_insert_with(|| found.clone());
        assert_eq!(found.0, expect.0, "rows of seed {seed}");
        assert_eq!(found.1, expect.1, "months of seed {seed}");
        assert_eq!(found.2, expect.2, "plan of seed {seed}");
    }
}

async fn every_outcome_is_told(engine: Engine) {
    let shop = Shop::open_with(engine, &ranked()).await;
    let day1 = hours("erp", "L-1", 1, 8);
    let day2 = hours("erp", "L-1", 2, 8);
    let pushed = vec![
        day1.clone(),
        day1.clone(),
        revised(&day1, 1, 7),
        day1.clone(),
        revised(&day2, 1, 6),
        day2,
        revised(&day1, 1, 5),
        hours("erp", "Z-9", 3, 1),
        hours("erp", "L-1", 4, 20),
        hours("erp", "L-1", 900, 1),
    ];
    let told = shop.push(pushed, LATE).await;
    let digest_decides = &told[6];
    assert!(["replaces", "held same_revision"].contains(&digest_decides.as_str()), "{digest_decides}");
    assert_eq!(told[..6], ["accepted", "duplicate", "replaces", "duplicate", "accepted", "superseded"]);
    assert_eq!(told[7..], ["held unknown_machine", "accepted", "held future"]);
}

async fn a_better_ranked_source_displaces_and_a_withdrawal_lets_in(engine: Engine) {
    let shop = Shop::open_with(engine, &ranked()).await;
    let (erp, night) = (hours("erp", "L-1", 1, 8), hours("night", "L-1", 1, 4));
    let call = caller("PushReports", LATE);
    let push = async |report: Received| {
        shop.store.push(&call, shop.site, vec![report]).await.expect("pushed").remove(0)
    };
    push(erp.clone()).await;
    let told = push(night.clone()).await;
    assert_eq!(
        (told.displaced, told.left),
        (vec![erp.key.clone()], Some((Amount(8 * 3_600_000), Unit::Hours)))
    );
    let told = push(withdrawn(&night, 1)).await;
    assert_eq!((told.let_in, told.left), (vec![erp.key], Some((Amount(4 * 3_600_000), Unit::Hours))));
}

async fn a_settled_report_counts_and_leaves_again(engine: Engine) {
    let shop = Shop::open_with(engine, &ranked()).await;
    shop.push(vec![hours("night", "L-1", 1, 4), hours("erp", "L-1", 1, 8)], LATE).await;
    let settle = async |settlement, source: &str| {
        let call = caller("SettleReport", LATE);
        let (source, report) = (foreign(source), foreign("L-1-1"));
        shop.store
            .settle(&call, shop.site, &source, &report, 0, None, settlement, &name("Ada"), "seen myself")
            .await
    };
    let settled = settle(Settlement::Count, "erp").await.expect("settled");
    assert_eq!(settled.report.row.state, State::Counted);
    assert_eq!(settled.displaced, [hours("night", "L-1", 1, 4).key]);
    let total = async || shop.store.meter(shop.site, "L-1", None, None).await.expect("a meter").1.counted.0;
    assert_eq!(total().await, 8 * 3_600_000);
    let settled = settle(Settlement::Drop, "erp").await.expect("settled");
    assert_eq!((settled.report.row.state, settled.let_in.len()), (State::Dropped, 1));
    assert_eq!(total().await, 4 * 3_600_000);
    let unknown = settle(Settlement::Drop, "nobody").await;
    assert!(matches!(unknown, Err(StoreError::Refused(_))), "{unknown:?}");
    essence(&shop).await;
}

async fn upkeep_judges_what_waited_and_moves_the_plan_to_a_new_day(engine: Engine) {
    let shop = Shop::open(engine).await;
    let early = "2026-03-01T12:00:00Z";
    let told = shop.push(vec![hours("erp", "Z-9", 1, 8), hours("erp", "L-1", 2, 8)], early).await;
    assert_eq!(told, ["held unknown_machine", "held future"]);
    let pass = shop.store.upkeep(shop.site, at("2026-03-02T04:00:00Z"), 500).await.expect("a pass");
    assert_eq!(pass.judged, 0);
    let mut declared = declaration();
    declared.machines[0].also_known_as = vec![foreign("Z-9")];
    shop.load_this(&declared, false).await;
    let pass = shop.store.upkeep(shop.site, at(LATE), 500).await.expect("a pass");
    assert_eq!((pass.judged, pass.more), (2, false));
    assert!(pass.refreshed >= 2);
    let counted = shop.store.meter(shop.site, "L-1", None, None).await.expect("a meter").1.counted;
    assert_eq!(counted.0, 16 * 3_600_000);
    assert_eq!(shop.store.due_head(shop.site, at(LATE)).await.expect("a head").stale, None);
    // The fleet is learnt from what was judged, and the rows follow; then nothing is left to do.
    for refreshed in [2, 0] {
        let pass = shop.store.upkeep(shop.site, at(LATE), 500).await.expect("a pass");
        assert_eq!((pass.judged, pass.refreshed, pass.more), (0, refreshed, false));
    }
    essence(&shop).await;
}

async fn a_replaced_counter_goes_on_counting(engine: Engine) {
    let mut declared = declaration();
    declared.machines[0].meters =
        vec![MeterCard { feed: Some(Feed::Absolute), ..declared.machines[0].meters[0].clone() }];
    let shop = Shop::open_with(engine, &declared).await;
    let told = shop
        .push(
            vec![
                reading("L-1", "a", "2026-03-03T06:00:00Z", 1_000),
                reading("L-1", "b", "2026-03-08T06:00:00Z", 1_050),
                reading("L-1", "c", "2026-03-12T06:00:00Z", 10),
            ],
            LATE,
        )
        .await;
    assert_eq!(told, ["accepted", "accepted", "held fell"]);
    let call = Caller {
        request: Some(RequestKey { id: "r1".into(), digest: [1; 32] }),
        ..caller("ReplaceCounter", LATE)
    };
    for _ in 0..2 {
        let (_, shows) = shop
            .store
            .replace_counter(
                &call,
                shop.site,
                &key("L-1"),
                None,
                at("2026-03-10T06:00:00Z"),
                "1060",
                "0",
                &name("Ada"),
            )
            .await
            .expect("recorded");
        assert_eq!(shows.counted.0, 70 * 3_600_000);
    }
    essence(&shop).await;
}

async fn a_booked_adjustment_is_a_step_of_the_count(engine: Engine) {
    let shop = Shop::open(engine).await;
    shop.push((1..=5).map(|day| hours("erp", "L-1", day, 8)).collect(), LATE).await;
    let when = at("2026-03-04T00:00:00Z");
    let book = async |amount: &str| {
        let call = caller("BookAdjustment", LATE);
        shop.store
            .book_adjustment(&call, shop.site, &key("L-1"), None, when, amount, &name("Ada"), "counter read")
            .await
    };
    let (_, shows) = book("-1.5").await.expect("booked");
    assert_eq!(shows.counted.0, 40 * 3_600_000 - 5_400_000);
    let before =
        shop.store.meter(shop.site, "L-1", None, Some(when.plus_micros(-1))).await.expect("a meter").1;
    let after = shop.store.meter(shop.site, "L-1", None, Some(when)).await.expect("a meter").1;
    assert_eq!((before.counted - after.counted).0, 5_400_000);
    assert!(matches!(book("a lot").await, Err(StoreError::Refused(_))));
    essence(&shop).await;
}

async fn racing_pushes_count_each_report_once(engine: Engine) {
    let shop = std::sync::Arc::new(Shop::open(engine).await);
    let mut tasks = tokio::task::JoinSet::new();
    for racer in 0..16_i64 {
        let shop = std::sync::Arc::clone(&shop);
        tasks.spawn(async move {
            let mut accepted = 0;
            for step in 0..20 {
                let day = (racer * 7 + step) % 20 + 1;
                let told = shop.push(vec![hours("erp", "L-1", day, 2)], LATE).await;
                accepted += usize::from(told[0] == "accepted");
            }
            accepted
        });
    }
    let accepted: usize = tasks.join_all().await.into_iter().sum();
    assert_eq!(accepted, 20);
    let counted = shop.store.meter(shop.site, "L-1", None, None).await.expect("a meter").1.counted;
    assert_eq!(counted.0 / Unit::Hours.per_unit(), 40);
    essence(&shop).await;
}

async fn a_caller_that_leaves_does_not_take_its_work_along(engine: Engine) {
    let mut shop = Shop::open(engine).await;
    let call = caller("PushReports", LATE);
    let push = shop.store.push(&call, shop.site, vec![hours("erp", "L-1", 1, 8)]);
    // Polled once, so that the reports are in the queue, and dropped.
    let left = futures::FutureExt::now_or_never(push);
    assert!(left.is_none());
    shop.reopen().await;
    assert_eq!(shop.push(vec![hours("erp", "L-1", 1, 8)], LATE).await, ["duplicate"]);
}

async fn after_shutting_nothing_is_taken_and_readers_still_answer(engine: Engine) {
    let shop = Shop::open(engine).await;
    shop.store.shut().await;
    let late =
        shop.store.push(&caller("PushReports", LATE), shop.site, vec![hours("erp", "L-1", 1, 8)]).await;
    assert!(matches!(late, Err(StoreError::Unavailable(_))), "{late:?}");
    assert_eq!(
        shop.store.meter(shop.site, "L-1", None, None).await.expect("a meter").1.counted,
        Amount::ZERO
    );
}

async fn a_request_id_means_one_request(engine: Engine) {
    let shop = Shop::open(engine).await;
    let call = |id: &str, digest| Caller {
        request: Some(RequestKey { id: id.into(), digest: [digest; 32] }),
        ..caller("AddPerson", LATE)
    };
    let first = shop.store.add_person(&call("a", 1), &name("Bo")).await.expect("added");
    let again = shop.store.add_person(&call("a", 1), &name("Bo")).await.expect("added");
    assert_eq!(first, again);
    let there = shop.store.add_person(&call("b", 1), &name("Bo")).await.expect("known");
    assert_eq!((first.1, there), (false, (first.0, true)), "whoever adds a known name is told so");
    let other = shop.store.add_person(&call("a", 2), &name("Cy")).await;
    assert!(matches!(other, Err(StoreError::Refused(_))), "{other:?}");
}

async fn arrivals_are_found_by_their_subject_whatever_slashes_it_holds(engine: Engine) {
    let shop = Shop::open(engine).await;
    let report = |source: &str, report: &str, day| {
        let content = hours("erp", "L-1", day, 1).content;
        let id = ReportId { source: foreign(source), report: foreign(report) };
        Received::new(id, 0, content, at(LATE))
    };
    let reports = vec![report("erp/north", "a/1", 1), report("erp", "b/2", 2), report("erp", "north/a/1", 3)];
    shop.push(reports, LATE).await;
    let about = async |subject: &str| {
        let filter = EntryFilter { subject: Some(subject.into()), ..EntryFilter::default() };
        let page = PageAsk { after: None, limit: 10 };
        shop.store.entries(shop.site, &filter, page).await.expect("entries").rows.len()
    };
    // Two reports have this one subject.
    assert_eq!(about("reports/erp/north/a/1/0").await, 2);
    assert_eq!(about("reports/erp/b/2/0").await, 1);
    assert_eq!(about("reports/erp/b/2/1").await, 0);
    assert_eq!(about("reports/erp").await, 0);
}

async fn what_is_recorded_of_a_meter_stands_in_the_journal_by_number(engine: Engine) {
    let mut declared = declaration();
    declared.machines[0].also_known_as = vec![foreign("lathe")];
    let shop = Shop::open_with(engine, &declared).await;
    let call = caller("BookAdjustment", LATE);
    let (alias, by, when) = (key("lathe"), name("Ada"), at("2026-03-04T00:00:00Z"));
    let booked = shop.store.book_adjustment(&call, shop.site, &alias, None, when, "1", &by, "read");
    let (meter, _) = booked.await.expect("booked");
    let filter = EntryFilter { subject: Some(format!("meters/{}", meter.meter)), ..EntryFilter::default() };
    let page = PageAsk { after: None, limit: 1 };
    let entry = shop.store.entries(shop.site, &filter, page).await.expect("entries").rows.remove(0);
    let leaf = String::from_utf8(entry.leaf).expect("UTF-8");
    assert_eq!(entry.kind, "adjustment.booked");
    let ids = format!("\"machine\":{},\"meter\":{}", meter.machine, meter.meter);
    assert!(leaf.contains(&ids) && !leaf.contains("lathe"), "{leaf}");
}

async fn a_page_of_machines_tells_each_meter_what_asking_for_it_alone_tells(engine: Engine) {
    let mut declared = declaration();
    declared.machines[0].tasks.clear();
    declared.machines[0].last_done.clear();
    let of = |tag: &str, feed| {
        let mut machine = declared.machines[0].clone();
        (machine.tag, machine.meters[0].feed) = (key(tag), Some(feed));
        machine
    };
    declared.machines = vec![of("L-1", Feed::Interval), of("L-2", Feed::Absolute), of("L-3", Feed::Interval)];
    let shop = Shop::open_with(engine, &declared).await;
    shop.push((1..=40).map(|day| hours("erp", "L-1", day, 6)).collect(), LATE).await;
    let read = |machine, id, when, value| reading(machine, id, when, value);
    shop.push(
        vec![
            read("L-1", "a", "2026-03-03T06:00:00Z", 1_000),
            read("L-1", "b", "2026-04-08T06:00:00Z", 1_250),
            read("L-2", "c", "2026-03-03T06:00:00Z", 10),
            read("L-2", "d", "2026-05-08T06:00:00Z", 60),
        ],
        LATE,
    )
    .await;
    let page = PageAsk { after: None, limit: 10 };
    let machines = shop.store.machines(shop.site, &MachineFilter::default(), page).await.expect("machines");
    assert_eq!(machines.rows.len(), 3);
    for machine in &machines.rows {
        let alone = shop.store.meter(shop.site, machine.tag.as_str(), None, None).await.expect("a meter");
        assert_eq!(machine.meters, [alone]);
    }
    let shows = &machines.rows[0].meters[0].1;
    assert_eq!((shows.last_reading.map(|v| v.0), shows.gap.is_some()), (Some(1_250 * 3_600_000), true));
}

async fn a_duty_is_one_services_until_it_runs_out(engine: Engine) {
    let shop = Shop::open(engine).await;
    let lease = async |holder, now, until| {
        shop.store.lease(shop.site, "upkeep", holder, at(now), at(until)).await.expect("an answer")
    };
    assert!(lease("one", "2026-03-02T12:00:00Z", "2026-03-02T12:00:20Z").await);
    // Only one service has a file; it needs nobody's leave.
    let alone = matches!(engine, Engine::Sqlite);
    assert_eq!(lease("two", "2026-03-02T12:00:10Z", "2026-03-02T12:00:30Z").await, alone);
    assert!(lease("one", "2026-03-02T12:00:10Z", "2026-03-02T12:00:30Z").await, "whoever has it keeps it");
    assert_eq!(lease("two", "2026-03-02T12:00:29Z", "2026-03-02T12:00:49Z").await, alone);
    assert!(lease("two", "2026-03-02T12:00:30Z", "2026-03-02T12:00:50Z").await, "it has run out");
    assert_eq!(lease("one", "2026-03-02T12:00:31Z", "2026-03-02T12:00:51Z").await, alone);
}

on_every_engine! {
    a_duty_is_one_services_until_it_runs_out,
    any_order_and_any_cut_end_in_the_same_rows_months_and_plan,
    every_outcome_is_told,
    a_better_ranked_source_displaces_and_a_withdrawal_lets_in,
    a_settled_report_counts_and_leaves_again,
    upkeep_judges_what_waited_and_moves_the_plan_to_a_new_day,
    a_replaced_counter_goes_on_counting,
    a_booked_adjustment_is_a_step_of_the_count,
    racing_pushes_count_each_report_once,
    a_caller_that_leaves_does_not_take_its_work_along,
    after_shutting_nothing_is_taken_and_readers_still_answer,
    a_request_id_means_one_request,
    arrivals_are_found_by_their_subject_whatever_slashes_it_holds,
    what_is_recorded_of_a_meter_stands_in_the_journal_by_number,
    a_page_of_machines_tells_each_meter_what_asking_for_it_alone_tells,
}
