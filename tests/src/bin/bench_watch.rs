//! What a push waits while many watch the due list: acknowledgements at half of the service's peak, alone, and beside watchers of one
//! list, who are a process of their own. The 99th percentile beside them should stay below twice that alone.
//!
//! usage: `bench_watch [WATCHERS [REPORTS]]`, after a release build of all programs.
#![expect(clippy::print_stdout, reason = "a program that talks to a person")]

use anyhow::{Context as _, Result, bail, ensure};
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
use std::io::{BufRead as _, BufReader, Write as _, stdin};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use tokio::task::{JoinSet, spawn_blocking};

/// Watchers unless it is said.
const WATCHERS: usize = 500;
/// How often it is measured, alone and beside the watchers in turn; the medians are compared.
const ROUNDS: usize = 5;
/// Reports unless it is said.
const REPORTS: usize = 400_000;
/// Machines of the fleet.
const MACHINES: usize = 1_000;
/// The first shift of the fleet, in microseconds since 1970: 1 January 2026.
const FIRST_SHIFT: i64 = 1_767_225_600_000_000;
/// Connections that push.
const CONNECTIONS: usize = 8;
/// Watchers of one token: as many as a token has streams.
const OF_A_TOKEN: usize = 32;
/// The first argument of the process that watches.
const WATCH: &str = "watch";
/// What everything random follows from.
const SEED: u64 = 20_261_125;

#[tokio::main]
async fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [first, endpoint, watchers] = arguments.as_slice()
        && first == WATCH
    {
        return watch(endpoint, watchers.parse()?).await;
    }
    let mut arguments = arguments.into_iter();
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
    // As many flat out as of each half of a round.
    let mut parts = messages.chunks(messages.len() / (2 * ROUNDS + 1));
    let mut part = || parts.next().context("too few reports");
    let peak = flat_out(&wires, part()?).await?.rate();
    println!(
        "flat out: {peak:.0} reports a second; then at half of that, {ROUNDS} times alone and beside {watchers} watchers"
    );
    let tokens =
        (0..watchers.div_ceil(OF_A_TOKEN)).map(|name| token(&service, name)).collect::<Result<Vec<_>>>()?;
    let (mut alone, mut beside, mut told) = (Vec::new(), Vec::new(), 0);
    for _ in 0..ROUNDS {
        alone.push(show("alone", at_rate(&wires, part()?, peak / 2.0).await?));
        let watching = Watching::start(&service, &tokens, watchers)?;
        beside.push(show("beside them", at_rate(&wires, part()?, peak / 2.0).await?));
        told += watching.end()?;
    }
    let (alone, beside) = (median(alone), median(beside));
    println!(
        "medians: p99 alone {alone:.1} ms, beside them {beside:.1} ms, {:.2} times as much; they were told {told} messages; the service \
         held {} MiB at most",
        beside / alone,
        service.memory_peak_bytes() >> 20
    );
    Ok(())
}

/// Prints percentiles of what acknowledgements took; gives the 99th in milliseconds.
fn show(what: &str, mut pushed: Pushed) -> f64 {
    pushed.waited.sort();
    let at = |share| percentile(&pushed.waited, share);
    println!("{what}: {:.0} a second, acknowledged p50 {:?}, p99 {:?}", pushed.rate(), at(50), at(99));
    at(99).as_secs_f64() * 1_000.0
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
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

/// The process that watches.
struct Watching {
    child: Child,
    said: BufReader<ChildStdout>,
}

impl Watching {
    /// Starts it; each of so many has been told the list then.
    fn start(service: &Service, tokens: &[String], watchers: usize) -> Result<Watching> {
        let mut child = Command::new(std::env::current_exe()?)
            .args([WATCH, service.endpoint(), &watchers.to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()?;
        let said = BufReader::new(child.stdout.take().context("a pipe")?);
        let tell = child.stdin.as_mut().context("a pipe")?;
        for token in tokens {
            writeln!(tell, "{token}")?;
        }
        let mut watching = Watching { child, said };
        ensure!(watching.line()? == "ready", "all were told the list");
        Ok(watching)
    }

    /// How many messages they were told, none of whom has left.
    fn end(mut self) -> Result<u64> {
        drop(self.child.stdin.take());
        let told = self.line()?.parse()?;
        ensure!(self.child.wait()?.success(), "nobody has left");
        Ok(told)
    }

    fn line(&mut self) -> Result<String> {
        let mut line = String::new();
        self.said.read_line(&mut line)?;
        Ok(line.trim().to_owned())
    }
}

/// So many watch the list, with the tokens that stand in the input, until that ends.
async fn watch(endpoint: &str, watchers: usize) -> Result<()> {
    let (told, mut watching) = (Arc::new(AtomicU64::new(0)), JoinSet::new());
    for first in (0..watchers).step_by(OF_A_TOKEN) {
        let mut token = String::new();
        stdin().read_line(&mut token)?;
        let wire = Wire::new(connect(endpoint).await?, token.trim());
        for _ in first..watchers.min(first + OF_A_TOKEN) {
            let mut stream = wire.due().watch_due(WatchDueRequest::default()).await?.into_inner();
            let mut message = stream.message().await?.context("a list")?;
            ensure!(message.told() == WatchTold::List, "{message:?}");
            while message.goes_on {
                message = stream.message().await?.context("the rest of a list")?;
            }
            let told = Arc::clone(&told);
            watching.spawn(async move {
                while stream.message().await?.is_some() {
                    told.fetch_add(1, Ordering::Relaxed);
                }
                anyhow::Ok(())
            });
        }
    }
    println!("ready");
    let ended = spawn_blocking(|| stdin().read_line(&mut String::new()));
    tokio::select! {
        left = watching.join_next() => bail!("one has left: {left:?}"),
        ended = ended => ended??,
    };
    println!("{}", told.load(Ordering::Relaxed));
    Ok(())
}
