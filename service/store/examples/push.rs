//! How fast reports are taken: a shop of `machines` machines with 6 tasks each, `reports` reports of each machine in
//! a year, pushed in file order (machine by machine) and shuffled, in calls of 1,000 with 8 waiting at once.
//!
//! `cargo run --release --example push -p fettler-store -- 2481 81`; with `shifts` behind, at a site that works on five days a week.

#![expect(clippy::print_stdout, reason = "a benchmark prints its figures")]

use fettler_domain::calendar::{Shift, WallTime, Weekdays, Zone};
use fettler_domain::ledger::report::{Content, Received, ReportId, Statement};
use fettler_domain::quantity::{Amount, MeterKind, Unit};
use fettler_domain::rule::{CalendarUnit, Combine, Every};
use fettler_domain::shop::{
    ClauseCard, Declaration, LastDoneCard, MachineCard, MeterCard, RuleCard, SheetCard, SiteCard, TaskCard,
};
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::{MICROS_PER_DAY, MICROS_PER_HOUR, ShopDay, Ts};
use fettler_store::contract::{Caller, DueFilter, DuePart, PageAsk, Store};
use futures::StreamExt as _;
use std::error::Error;
use std::sync::Arc;
use std::time::Instant;

const CALL: usize = 1_000;
const AT_ONCE: usize = 8;

fn task(name: &str, clauses: Vec<ClauseCard>) -> Result<TaskCard, Box<dyn Error>> {
    Ok(TaskCard {
        key: Key::new(name)?,
        title: Name::new(name)?,
        place: "left side".into(),
        rule: Some(RuleCard { clauses, combine: Combine::Earliest, window: None, keep_closed_days: false }),
        rule_from: None,
        basis: String::new(),
        kit: Vec::new(),
        cautions: Vec::new(),
        readings: Vec::new(),
        minutes: 10,
        hazard: false,
        covers: Vec::new(),
        second_person: false,
        certificate: false,
        retire: false,
        review: None,
    })
}

fn declaration(machines: usize, shifts: Vec<Shift>) -> Result<Declaration, Box<dyn Error>> {
    let hours = |every: &str| ClauseCard::Meter { meter: None, every: every.into(), grid_base: None };
    let days = |n| ClauseCard::Calendar { every: Every { n, unit: CalendarUnit::Day }, grid_base: None };
    let tasks = vec![
        task("t1", vec![hours("40")])?,
        task("t2", vec![hours("100")])?,
        task("t3", vec![hours("250"), days(90)])?,
        task("t4", vec![hours("500"), days(180)])?,
        task("t5", vec![hours("1000"), days(365)])?,
        task("t6", vec![days(30)])?,
    ];
    let day = ShopDay("2025-01-01".parse()?);
    let mut cards = Vec::new();
    for n in 0..machines {
        let tag = Key::new(format!("M-{n}"))?;
        let done = |task: &TaskCard| LastDoneCard {
            machine: tag.clone(),
            task: task.key.clone(),
            day,
            counts: if task.key.as_str() == "t6" { Vec::new() } else { vec![(None, "0".into())] },
        };
        cards.push(MachineCard {
            name: Some(Name::new(format!("Machine {n}"))?),
            also_known_as: Vec::new(),
            family: Some("lathe".into()),
            area: Some(format!("Hall {}", n % 9)),
            meters: vec![MeterCard {
                key: Key::new("operating")?,
                kind: Some(MeterKind::Operating),
                feed: None,
                max_per_hour: None,
            }],
            points: Vec::new(),
            sheets: vec![Key::new("care")?],
            tasks: Vec::new(),
            last_done_now: false,
            last_done: tasks.iter().map(done).collect(),
            checks: Vec::new(),
            tag,
        });
    }
    Ok(Declaration {
        site: SiteCard {
            asks_pin: None,
            key: Key::new("hall")?,
            name: None,
            zone: Some(Zone::UTC),
            day_starts_at: Some(WallTime::parse("05:00")?),
            shifts,
            closures: Vec::new(),
            extra_shifts: Vec::new(),
        },
        sources: Vec::new(),
        people: Vec::new(),
        sheets: vec![SheetCard {
            key: Key::new("care")?,
            title: Name::new("Care")?,
            tasks,
            checks: Vec::new(),
        }],
        machines: cards,
        items: Vec::new(),
        past_rules: false,
    })
}

fn reports(machines: usize, each: usize, start: Ts) -> Result<Vec<Received>, Box<dyn Error>> {
    let mut all = Vec::with_capacity(machines * each);
    let step = 365 * MICROS_PER_DAY / i64::try_from(each)?;
    for n in 0..machines {
        for r in 0..each {
            let from = start.plus_micros(i64::try_from(r)? * step);
            let content = Content {
                machine: ForeignName::new(format!("M-{n}"))?,
                meter: None,
                statement: Statement::Interval {
                    start: from,
                    end: from.plus_micros(3 * MICROS_PER_HOUR),
                    unit: Unit::Hours,
                    amount: Amount(i64::try_from(7_200_000 + n + r)?),
                },
            };
            let id = ReportId {
                source: ForeignName::new("erp")?,
                report: ForeignName::new(format!("M-{n}-{r:05}"))?,
            };
            all.push(Received::new(id, 0, content, start));
        }
    }
    Ok(all)
}

fn shuffle<T>(items: &mut [T]) {
    let mut seed = 7_u64;
    for i in (1..items.len()).rev() {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        items.swap(i, usize::try_from(seed >> 33).unwrap_or(0) % (i + 1));
    }
}

async fn run(
    label: &str,
    declared: &Declaration,
    reports: Vec<Received>,
    now: Ts,
) -> Result<(), Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("shop.db");
    let store = fettler_store::open(path.to_str().unwrap_or_default()).await?;
    let call =
        Caller { token: None, method: "Benchmark", request: None, now, person: None, as_manager: true };
    let started = Instant::now();
    store.load_shop(&call, declared, None, false).await?;
    let loaded = started.elapsed();
    let site = store.site("hall").await?.ok_or("no site")?.site;
    let count = reports.len();
    let started = Instant::now();
    let calls: Vec<Vec<Received>> = reports.chunks(CALL).map(<[Received]>::to_vec).collect();
    let mut answers = futures::stream::iter(calls)
        .map(|reports| {
            let (store, call): (Arc<dyn Store>, Caller) = (Arc::clone(&store), call.clone());
            async move { store.push(&call, site, reports).await }
        })
        .buffer_unordered(AT_ONCE);
    let mut told = 0;
    while let Some(answer) = answers.next().await {
        told += answer?.len();
    }
    let took = started.elapsed();
    drop(answers);
    let rate = f64::from(u32::try_from(told)?) / took.as_secs_f64();
    println!(
        "{label}: {count} reports in {took:.2?}, {rate:.0} reports/s; the shop was loaded in {loaded:.2?}"
    );
    let filter = DueFilter { before: now, part: DuePart::Dated, machine: None, area: None };
    for _ in 0..3 {
        let started = Instant::now();
        let page = store.due(site, &filter, PageAsk { after: None, limit: 500 }).await?;
        println!("{label}: a first page of {} rows in {:.2?}", page.rows.len(), started.elapsed());
    }
    let started = Instant::now();
    store.upkeep(site, now, 1).await?;
    println!("{label}: fleet figures learnt from all of them in {:.2?}", started.elapsed());
    let started = Instant::now();
    let mut rows = 0;
    loop {
        let pass = store.upkeep(site, now, 500).await?;
        rows += pass.refreshed;
        if !pass.more {
            break;
        }
    }
    println!("{label}: {rows} rows computed afresh in {:.2?}", started.elapsed());
    store.shut().await;
    println!("{label}: the file has {} MB", std::fs::metadata(&path)?.len() / 1_000_000);
    Ok(())
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    let machines: usize = arguments.next().map_or(Ok(2_481), |text| text.parse())?;
    let each: usize = arguments.next().map_or(Ok(81), |text| text.parse())?;
    let start = Ts::from_utc("2025-01-01T06:00:00Z".parse()?);
    let now = start.plus_micros(366 * MICROS_PER_DAY);
    let mut all = reports(machines, each, start)?;
    let early = Shift {
        key: Key::new("early")?,
        weekdays: Weekdays::MONDAY_TO_FRIDAY,
        starts: WallTime::parse("06:00")?,
        ends: WallTime::parse("14:00")?,
    };
    let shifts = arguments.next().filter(|word| word == "shifts").map(|_| early).into_iter().collect();
    let declared = declaration(machines, shifts)?;
    run("file order", &declared, all.clone(), now).await?;
    shuffle(&mut all);
    run("shuffled", &declared, all, now).await
}
