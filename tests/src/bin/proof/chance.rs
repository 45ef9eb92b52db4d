//! The proofs by chance: sequences against a model, calls of the system that fail, inputs that are bent, deliveries in any order.

use super::{Begun, Proof, SEED, keep};
use std::time::Instant;
use tokio::runtime::Runtime;

/// Sequences that are kept at once in the log.
const SEQUENCES_KEPT: u64 = 1_000;
/// The same of points at which a call fails.
const POINTS_KEPT: u64 = 250;

/// Sequences of random operations against the model.
pub(super) fn model(proof: &Proof, from: u64, begin: Begun, runtime: &Runtime) -> Result<bool, String> {
    use fettler_tests::sequences::{Planted, Sequences};
    let mut from = from;
    while from < proof.rounds && begin.goes_on() {
        let (started, mut sequences, mut to, mut operations) =
            (Instant::now(), Sequences::default(), from, 0);
        while to < proof.rounds.min(from + SEQUENCES_KEPT) && begin.goes_on() {
            operations += runtime.block_on(sequences.run(SEED + to, Planted::Nothing))?;
            to += 1;
        }
        let seconds = started.elapsed().as_secs();
        let line = format!(
            "rounds {from}..{to} of {} seed {SEED} ok: {operations} operations end in what the model says, {seconds} s",
            proof.rounds
        );
        keep(proof, &line)?;
        from = to;
    }
    Ok(from >= proof.rounds)
}

/// Reports of a round of the proof of a million.
const REPORTS: usize = 50_000;

/// A million reports, each delivered three times.
pub(super) fn million(proof: &Proof, from: u64, begin: Begun, runtime: &Runtime) -> Result<bool, String> {
    let mut from = from;
    while from < proof.rounds && begin.goes_on() {
        let started = Instant::now();
        let delivered = runtime.block_on(fettler_tests::thrice::deliver(SEED + from, REPORTS));
        let hash = hex::encode(&delivered.hash[..8]);
        let line = format!(
            "rounds {from}..{} of {} seed {SEED} ok: {} statements of {REPORTS} reports in {} deliveries, {} ms counted, none off; \
             kept {hash} in either order, {} s",
            from + 1,
            proof.rounds,
            delivered.reports,
            delivered.deliveries,
            delivered.counted_ms,
            started.elapsed().as_secs()
        );
        keep(proof, &line)?;
        from += 1;
    }
    Ok(from >= proof.rounds)
}

/// Points at which a call of the system fails.
pub(super) fn io_errors(proof: &Proof, from: u64, begin: Begun, runtime: &Runtime) -> Result<bool, String> {
    use fettler_tests::faulty::{PARTS, Script, Tally};
    let script = runtime.block_on(Script::rehearse(SEED, PARTS));
    keep(proof, &format!("without a fault: {}; {} points", script.counted(), script.points()))?;
    let mut from = from;
    while from < proof.rounds && begin.goes_on() {
        let (started, mut tally, mut to) = (Instant::now(), Tally::default(), from);
        while to < proof.rounds && tally.points < POINTS_KEPT && begin.goes_on() {
            runtime.block_on(script.try_point(to, &mut tally));
            to += 1;
        }
        let failed: Vec<String> =
            tally.failed.iter().map(|(kind, count)| format!("{kind} {count}")).collect();
        let line = format!(
            "rounds {from}..{to} of {} seed {SEED} ok: {} points of {}, calls that failed: {}; at {} the service ended or did not start, \
             at {} a call was answered with an error, at {} nobody noticed, at {} the call did not come; nothing lost, nothing wrong, \
             all whole, {} s",
            proof.rounds,
            tally.points,
            script.points(),
            failed.join(", "),
            tally.ended,
            tally.refused,
            tally.unnoticed,
            tally.missed,
            started.elapsed().as_secs()
        );
        keep(proof, &line)?;
        from = to;
    }
    Ok(from >= proof.rounds)
}

/// Seconds on a processor of one target of a round.
const FUZZ_SECONDS: u64 = 20;

/// Rounds of inputs bent by chance, by turns for each target.
pub(super) fn fuzz(proof: &Proof, from: u64, begin: Begun, runtime: &Runtime) -> Result<bool, String> {
    use fettler_tests::fuzz::{Budget, corpus, run};
    use fettler_tests::fuzz_requests::Requests;
    use fettler_tests::fuzz_targets::{NAMES, with};
    let mut from = from;
    while from < proof.rounds && begin.goes_on() {
        let seed = SEED + from;
        let turn = usize::try_from(from).map_err(|e| e.to_string())? % (NAMES.len() + 1);
        // Requests come second: they reach the furthest.
        let target = (turn + NAMES.len() - 1) % (NAMES.len() + 1);
        let line = if let Some(name) = NAMES.get(target) {
            let root = fettler_tests::programs::root();
            let budget = Budget::of_seconds(FUZZ_SECONDS);
            with(name, |target| run(target, corpus(&root, name), seed, budget)).line(name, seed)
        } else {
            runtime.block_on(async {
                let mut requests = Requests::start(seed).await;
                let ran = requests.run(u64::MAX, FUZZ_SECONDS * 1_000).await;
                let (answered, methods) = requests.answered();
                format!("{}, {answered} of {methods} calls answered well", ran.line("requests", seed))
            })
        };
        keep(proof, &format!("rounds {from}..{} of {} ok: {line}", from + 1, proof.rounds))?;
        from += 1;
    }
    Ok(from >= proof.rounds)
}

/// The same for files of the client, which its own tests read.
pub(super) fn fuzz_files(proof: &Proof, from: u64, begin: Begun) -> Result<bool, String> {
    let mut from = from;
    while from < proof.rounds && begin.goes_on() {
        let ran = std::process::Command::new("cargo")
            .args([
                "test",
                "--workspace",
                "--bin",
                "fettler",
                "fuzzed",
                "--",
                "--nocapture",
                "--test-threads=1",
            ])
            .env("FETTLER_FUZZ_SECONDS", FUZZ_SECONDS.to_string())
            .env("FETTLER_FUZZ_SEED", (SEED + from).to_string())
            .output()
            .map_err(|e| format!("cargo does not start: {e}"))?;
        let said = String::from_utf8_lossy(&ran.stdout);
        if !ran.status.success() {
            return Err(format!("round {from}: {said}\n{}", String::from_utf8_lossy(&ran.stderr)));
        }
        let lines: Vec<&str> = said
            .lines()
            .filter_map(|line| {
                line.contains("shapes of answers").then(|| line.rsplit("... ").next()).flatten()
            })
            .collect();
        let line = format!("rounds {from}..{} of {} ok: {}", from + 1, proof.rounds, lines.join("; "));
        keep(proof, &line)?;
        from += 1;
    }
    Ok(from >= proof.rounds)
}
