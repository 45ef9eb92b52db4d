//! A whole fleet planned afresh at once: 50,000 machines of twenty tasks on two threads, forecasts made anew. Nothing is read or
//! written: the store's part stands in the load tool's figures.
//!
//! `cargo run --release --example replan -p fettler-domain` prints the median of five and the most memory that the program took.

#![expect(clippy::print_stdout, reason = "a benchmark prints its figures")]

#[path = "../benches/kit/mod.rs"]
mod kit;

use kit::{Failure, TASKS, every_day, fleet, plan_all};
use std::time::{Duration, Instant};

const FLEET: i64 = 50_000;
const RUNS: usize = 5;

/// The most memory that this program has taken, in MiB; none where the system does not say.
fn memory_mib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    line.trim().trim_end_matches("kB").trim().parse::<u64>().ok().map(|kib| kib / 1024)
}

fn main() -> Result<(), Failure> {
    let calendar = every_day();
    let mut machines = fleet(FLEET)?;
    let half = machines.len() / 2;
    let took = (0..RUNS).map(|_| {
        let begin = Instant::now();
        let (first, second) = machines.split_at_mut(half);
        std::thread::scope(|threads| {
            threads.spawn(|| plan_all(first, &calendar));
            plan_all(second, &calendar);
        });
        begin.elapsed()
    });
    let mut took: Vec<Duration> = took.collect();
    took.sort();
    let memory = memory_mib().map_or("not known".to_owned(), |mib| format!("{mib} MiB"));
    println!(
        "{FLEET} machines of {TASKS} tasks on two threads: {:.2?} (aim 15 s), most memory {memory} (aim 1 GB)",
        took[RUNS / 2]
    );
    Ok(())
}
