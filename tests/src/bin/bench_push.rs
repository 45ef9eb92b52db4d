//! How fast the year is taken: by the store in this process, through gRPC by a service in another, beside the floor.
//!
//! usage: `bench_push [RUNS] [sqlite|postgres]`, after a release build of all programs. Prints the median of the runs (5 unless said, on
//! SQLite).
#![expect(clippy::print_stdout, reason = "a program that talks to a person")]

use anyhow::{Context as _, Result};
use fettler_domain::ids::{SiteId, TokenId};
use fettler_domain::ledger::report::Received;
use fettler_domain::time::Ts;
use fettler_proto::v1::ShiftReport;
use fettler_store::contract::Caller;
use fettler_tests::floor::{Floor, Grouping};
use fettler_tests::load::Engine;
use fettler_tests::load::ground::{Ground, Place, kept_at, start, store_url};
use fettler_tests::push::push_all;
use fettler_tests::shuffle::Random;
use fettler_tests::year;
use fettler_tests::year::{Leg, legs, machines, shop};
use std::time::{Duration, Instant};

/// Reports of one transaction: what a stream has on its way at once.
const GROUP: usize = 2_048;
/// The seed of the shuffled order.
const SEED: u64 = 20_261_125;

/// Pushes into a store of this process; answers how long it took and leaves the database for the floor.
async fn in_process(place: &Place, reports: &[ShiftReport], now: Ts) -> Result<Duration> {
    let received: Vec<Received> = reports
        .iter()
        .map(|report| fettler_server::wire::report::read(Some(report), now))
        .collect::<Result<_, _>>()
        .map_err(|refused| anyhow::anyhow!("refused: {refused:?}"))?;
    let store = fettler_store::open(&store_url(place)).await?;
    let caller = Caller {
        token: Some(TokenId(1)),
        method: "StreamReports",
        request: None,
        now,
        person: None,
        as_manager: true,
    };
    let begin = Instant::now();
    for group in received.chunks(GROUP) {
        let told = store.push(&caller, SiteId(1), group.to_vec()).await?;
        anyhow::ensure!(told.len() == group.len(), "one answer for each report");
    }
    let took = begin.elapsed();
    store.shut().await;
    Ok(took)
}

/// Pushes through gRPC into a service of another process; answers how long it took, its memory and its data.
async fn by_wire(ground: &Ground, reports: &[ShiftReport]) -> Result<(Duration, u64, u64)> {
    let Place { folder, database } = ground.place()?;
    let service = start(folder, database.as_deref());
    let wire = service.wire().await;
    let begin = Instant::now();
    push_all(&wire, reports).await;
    Ok((begin.elapsed(), service.memory_peak_bytes(), ground.bytes(&service, database.as_deref())))
}

fn median(mut took: Vec<Duration>) -> Duration {
    took.sort();
    took[took.len() / 2]
}

fn a_second(reports: usize, took: Duration) -> u128 {
    (reports as u128 * 1_000_000_000) / took.as_nanos().max(1)
}

async fn measure(order: &str, ground: &Ground, legs: &[Leg], runs: usize, now: Ts) -> Result<()> {
    let reports: Vec<ShiftReport> = legs.iter().map(Leg::report).collect();
    let (mut floors, mut stores, mut wires) = (Vec::new(), Vec::new(), Vec::new());
    let (mut memory, mut data) = (0, 0);
    for run in 1..=runs {
        let place = ground.place()?;
        stores.push(in_process(&place, &reports, now).await?);
        let groups = Floor::read(ground.engine(), &file(&place), Grouping::Of(GROUP)).await?;
        drop(place);
        let place = ground.place()?;
        floors.push(groups.replay(&file(&place)).await?);
        drop((place, groups));
        let (took, peak, bytes) = by_wire(ground, &reports).await?;
        wires.push(took);
        memory = memory.max(peak);
        data = data.max(bytes);
        println!("  run {run}: floor {:?}, store {:?}, gRPC {:?}", floors[run - 1], stores[run - 1], took);
    }
    let floor = median(floors);
    println!("{order}, {} reports, median of {runs}:", reports.len());
    for (what, took) in
        [("floor", floor), ("store in process", median(stores)), ("gRPC, two processes", median(wires))]
    {
        let share = floor.as_secs_f64() / took.as_secs_f64() * 100.0;
        println!("  {what:<20} {:>8} reports/s  {share:>5.1} % of the floor", a_second(reports.len(), took));
    }
    println!("  the service's memory at most {} MiB, what is kept {} MiB", memory >> 20, data >> 20);
    Ok(())
}

fn file(place: &Place) -> String {
    kept_at(place.folder.path(), place.database.as_deref())
}

#[tokio::main]
async fn main() -> Result<()> {
    const USAGE: &str = "usage: bench_push [RUNS] [sqlite|postgres]";
    let mut words = std::env::args().skip(1);
    let runs = words.next().map_or(Ok(5), |text| text.parse()).context(USAGE)?;
    let engine = match words.next().as_deref() {
        None | Some("sqlite") => Engine::Sqlite,
        Some("postgres") => Engine::Postgres,
        Some(_) => anyhow::bail!(USAGE),
    };
    let mut all = legs();
    let ground = Ground::of(engine, [shop(&machines(&all))]).await?;
    let now = Ts(year::micros(&prost_types::Timestamp { seconds: 1_400_000_000, nanos: 0 }));
    measure("file order", &ground, &all, runs, now).await?;
    Random::new(SEED).shuffle(&mut all);
    measure("shuffled", &ground, &all, runs, now).await?;
    Ok(())
}
