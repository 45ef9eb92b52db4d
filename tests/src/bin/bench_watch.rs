//! What a push waits while many watch the due list: acknowledgements at half of the service's peak, alone, and beside watchers of one
//! list. The 99th percentile beside them should stay below twice that alone.
//!
//! usage: `bench_watch [WATCHERS [REPORTS]]`, after a release build of all programs.
#![expect(clippy::print_stdout, reason = "a program that talks to a person")]

use anyhow::{Context as _, Result, ensure};
use fettler_proto::v1::{WatchDueRequest, WatchTold};
use fettler_tests::load::Engine;
use fettler_tests::load::drive::{Pushed, at_rate, flat_out};
use fettler_tests::load::figures::percentile;
use fettler_tests::load::fleet::Fleet;
use fettler_tests::load::ground::{Ground, Place, start};
use fettler_tests::load::raw::{RawWire, message};
use fettler_tests::programs::program;
use fettler_tests::service::{Service, connect};
use fettler_tests::wire::Wire;
use prost::bytes::Bytes;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use tokio::task::JoinSet;

/// Watchers unless it is said.
const WATCHERS: usize = 500;
/// Reports unless it is said: a third each for the peak, alone, and beside the watchers.
const REPORTS: usize = 60_000;
/// Machines of the fleet.
const MACHINES: usize = 1_000;
/// The first shift of the fleet, in microseconds since 1970: 1 January 2026.
const FIRST_SHIFT: i64 = 1_767_225_600_000_000;
/// Connections that push.
const CONNECTIONS: usize = 8;
/// Watchers of one token: as many as a token has streams.
const OF_A_TOKEN: usize = 32;
/// What everything random follows from.
const SEED: u64 = 20_261_125;

#[tokio::main]
async fn main() -> Result<()> {
    let mut arguments = std::env::args().skip(1);
    let mut number = |or: usize| arguments.next().map_or(Ok(or), |text| text.parse());
    let usage = "usage: bench_watch [WATCHERS [REPORTS]]";
    let (watchers, reports) = (number(WATCHERS).context(usage)?, number(REPORTS).context(usage)?);
    let fleet = Fleet { machines: MACHINES, seed: SEED, first_shift: FIRST_SHIFT };
    let ground = Ground::prepare(Engine::Sqlite, fleet).await?;
    let Place { folder, database } = ground.place()?;
    let service = start(folder, database.as_deref());
    let mut wires = Vec::new();
    for _ in 0..CONNECTIONS {
        wires.push(RawWire::new(service.wire().await.channel()));
    }
    let messages: Vec<Bytes> = fleet.reports(0, reports).reports.into_iter().map(message).collect();
    let third = messages.len() / 3;
    let peak = flat_out(&wires, &messages[..third]).await?.rate();
    println!("{third} reports flat out: {peak:.0} a second");
    let alone = at_rate(&wires, &messages[third..2 * third], peak / 2.0).await?;
    let before = show("alone, at half of that", alone);
    let told = Arc::new(AtomicU64::new(0));
    let watching = watch(&service, watchers, &told).await?;
    let memory = service.memory_peak_bytes() >> 20;
    let beside = at_rate(&wires, &messages[2 * third..], peak / 2.0).await?;
    let after = show(&format!("beside {watchers} watchers"), beside);
    ensure!(watching.len() == watchers, "nobody has left");
    println!(
        "p99 beside them is {:.2} times that alone; they were told {} messages; the service held {memory} MiB before, {} MiB at most",
        after / before,
        told.load(Ordering::SeqCst),
        service.memory_peak_bytes() >> 20
    );
    Ok(())
}

/// Prints percentiles of what acknowledgements took; gives the 99th in seconds.
fn show(what: &str, mut pushed: Pushed) -> f64 {
    pushed.waited.sort();
    let at = |share| percentile(&pushed.waited, share);
    println!("{what}: {:.0} a second, acknowledged p50 {:?}, p99 {:?}", pushed.rate(), at(50), at(99));
    at(99).as_secs_f64()
}

/// A token of a technician.
fn token(service: &Service, name: usize) -> Result<String> {
    let made = Command::new(program("fettlerd"))
        .args(["token", "add", &format!("watcher-{name}"), "--role", "technician", "--data"])
        .arg(service.data())
        .output()?;
    ensure!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    Ok(String::from_utf8(made.stdout)?.trim().to_owned())
}

/// So many who watch, each of whom has been told the list.
async fn watch(service: &Service, watchers: usize, told: &Arc<AtomicU64>) -> Result<JoinSet<Result<()>>> {
    let mut watching = JoinSet::new();
    for first in (0..watchers).step_by(OF_A_TOKEN) {
        let token = token(service, first)?;
        let wire = Wire::new(connect(service.endpoint()).await?, &token);
        for _ in first..watchers.min(first + OF_A_TOKEN) {
            let mut stream = wire.due().watch_due(WatchDueRequest::default()).await?.into_inner();
            let message = stream.message().await?.context("a list")?;
            ensure!(message.told() == WatchTold::List, "{message:?}");
            let told = Arc::clone(told);
            watching.spawn(async move {
                while stream.message().await?.is_some() {
                    told.fetch_add(1, Ordering::SeqCst);
                }
                Ok(())
            });
        }
    }
    Ok(watching)
}
