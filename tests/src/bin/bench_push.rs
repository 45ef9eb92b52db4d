//! How fast the year is taken: by the store in this process, through gRPC by a service in another, beside the floor.
//!
//! usage: `bench_push [RUNS]`, after a release build of all programs. Prints the median of the runs (5 unless said).
#![expect(clippy::print_stdout, reason = "a program that talks to a person")]

use anyhow::{Context as _, Result};
use fettler_domain::ids::{SiteId, TokenId};
use fettler_domain::ledger::report::Received;
use fettler_domain::time::Ts;
use fettler_proto::v1::{LoadShopRequest, ShiftReport};
use fettler_store::contract::Caller;
use fettler_tests::floor::{Floor, Grouping};
use fettler_tests::load::Engine;
use fettler_tests::load::ground::copied;
use fettler_tests::push::push_all;
use fettler_tests::service::Service;
use fettler_tests::shuffle::Random;
use fettler_tests::year;
use fettler_tests::year::{Leg, legs, machines, shop};
use std::path::Path;
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Reports of one transaction: what a stream has on its way at once.
const GROUP: usize = 2_048;
/// The seed of the shuffled order.
const SEED: u64 = 20_261_125;

/// Pushes into a store of this process; answers how long it took and leaves the database for the floor.
async fn in_process(folder: &Path, reports: &[ShiftReport], now: Ts) -> Result<Duration> {
    let received: Vec<Received> = reports
        .iter()
        .map(|report| fettler_server::wire::report::read(Some(report), now))
        .collect::<Result<_, _>>()
        .map_err(|refused| anyhow::anyhow!("refused: {refused:?}"))?;
    let store = fettler_store::open(&format!("sqlite:{}", folder.join("fettler.db").display())).await?;
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
async fn by_wire(template: &Path, reports: &[ShiftReport]) -> Result<(Duration, u64, u64)> {
    let service = Service::start_on(copied(template)?, &[]);
    let wire = service.wire().await;
    let begin = Instant::now();
    push_all(&wire, reports).await;
    Ok((begin.elapsed(), service.memory_peak_bytes(), service.data_bytes()))
}

fn median(mut took: Vec<Duration>) -> Duration {
    took.sort();
    took[took.len() / 2]
}

fn a_second(reports: usize, took: Duration) -> u128 {
    (reports as u128 * 1_000_000_000) / took.as_nanos().max(1)
}

async fn measure(order: &str, template: &Path, legs: &[Leg], runs: usize, now: Ts) -> Result<()> {
    let reports: Vec<ShiftReport> = legs.iter().map(Leg::report).collect();
    let (mut floors, mut stores, mut wires) = (Vec::new(), Vec::new(), Vec::new());
    let (mut memory, mut data) = (0, 0);
    for run in 1..=runs {
        let folder = copied(template)?;
        stores.push(in_process(folder.path(), &reports, now).await?);
        let groups = Floor::read(Engine::Sqlite, &file(&folder), Grouping::Of(GROUP)).await?;
        drop(folder);
        let folder = copied(template)?;
        floors.push(groups.replay(&file(&folder)).await?);
        drop((folder, groups));
        let (took, peak, bytes) = by_wire(template, &reports).await?;
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
    println!("  the service's memory at most {} MiB, its data folder {} MiB", memory >> 20, data >> 20);
    Ok(())
}

fn file(folder: &TempDir) -> String {
    folder.path().join("fettler.db").display().to_string()
}

#[tokio::main]
async fn main() -> Result<()> {
    let runs =
        std::env::args().nth(1).map_or(Ok(5), |text| text.parse()).context("usage: bench_push [RUNS]")?;
    let mut all = legs();
    let tags = machines(&all);
    let template = {
        let service = Service::start();
        let load = LoadShopRequest { shop: Some(shop(&tags)), ..LoadShopRequest::default() };
        service.wire().await.shop().load_shop(load).await?;
        copied(service.data())?
    };
    let now = Ts(year::micros(&prost_types::Timestamp { seconds: 1_400_000_000, nanos: 0 }));
    measure("file order", template.path(), &all, runs, now).await?;
    Random::new(SEED).shuffle(&mut all);
    measure("shuffled", template.path(), &all, runs, now).await?;
    Ok(())
}
