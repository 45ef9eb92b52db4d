//! The proofs by chance: sequences against a model, calls of the system that fail, inputs that are bent, deliveries in any order.

use super::{Begun, Proof, SEED, done_so_far, keep, log_path};
use std::fs;
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

/// Seconds on a processor of one kind of input in a round.
const FUZZ_SECONDS: u64 = 20;

/// Rounds of inputs bent by chance, each of the kind that has had the least, until each has had enough.
pub(super) fn fuzz(proof: &Proof, begin: Begun, runtime: &Runtime) -> Result<bool, String> {
    use fettler_tests::fuzz::{Budget, corpus, run};
    use fettler_tests::fuzz_requests::Requests;
    use fettler_tests::fuzz_targets::{NAMES, with};
    const REQUESTS: &str = "requests";
    let kinds: Vec<&str> = NAMES.into_iter().chain([REQUESTS]).collect();
    rounds_of_kinds(proof, &kinds, begin, |kind, seed| {
        if kind == REQUESTS {
            return runtime.block_on(async {
                let mut requests = Requests::start(seed).await;
                let ran = requests.run(u64::MAX, FUZZ_SECONDS * 1_000).await;
                let (answered, methods) = requests.answered();
                Ok(format!("{}, {answered} of {methods} calls answered well", ran.line(kind, seed)))
            });
        }
        let root = fettler_tests::programs::root();
        let budget = Budget::of_seconds(FUZZ_SECONDS);
        Ok(with(kind, |target| run(target, corpus(&root, kind), seed, budget)).line(kind, seed))
    })
}

/// The same for files of the client, which its own tests read.
pub(super) fn fuzz_files(proof: &Proof, begin: Begun) -> Result<bool, String> {
    let corpora = fettler_tests::programs::root().join("tests/data/fuzz");
    let folders = fs::read_dir(&corpora).map_err(|e| format!("{}: {e}", corpora.display()))?;
    let mut kinds: Vec<String> =
        folders.flatten().map(|folder| folder.file_name().to_string_lossy().into_owned()).collect();
    kinds.retain(|kind| !fettler_tests::fuzz_targets::NAMES.contains(&kind.as_str()));
    kinds.sort();
    let kinds: Vec<&str> = kinds.iter().map(String::as_str).collect();
    rounds_of_kinds(proof, &kinds, begin, |kind, seed| {
        let ran = std::process::Command::new("cargo")
            .args(["test", "--profile", "proofs", "--workspace", "--bin", "fettler"])
            .args(["fuzzed", "--", "--nocapture", "--test-threads=1"])
            .env("FETTLER_FUZZ_KIND", kind)
            .env("FETTLER_FUZZ_SECONDS", FUZZ_SECONDS.to_string())
            .env("FETTLER_FUZZ_SEED", seed.to_string())
            .output()
            .map_err(|e| format!("cargo does not start: {e}"))?;
        let said = String::from_utf8_lossy(&ran.stdout);
        let line = said.lines().find_map(|line| line.find(&format!("{kind} seed ")).map(|at| &line[at..]));
        match line {
            Some(line) if ran.status.success() => Ok(line.to_owned()),
            _ => Err(format!("{kind}, seed {seed}: {said}\n{}", String::from_utf8_lossy(&ran.stderr))),
        }
    })
}

/// Rounds, each of one kind of input, until the log says that each has had enough; every round has a seed of its own.
fn rounds_of_kinds(
    proof: &Proof,
    kinds: &[&str],
    begin: Begun,
    mut round: impl FnMut(&str, u64) -> Result<String, String>,
) -> Result<bool, String> {
    loop {
        let log = fs::read_to_string(log_path(proof.name)).unwrap_or_default();
        let Some(kind) = fettler_tests::fuzz_log::next(kinds, &log) else {
            println!("{}: done ({} kinds; {})", proof.name, kinds.len(), log_path(proof.name).display());
            return Ok(true);
        };
        if !begin.goes_on() {
            return Ok(false);
        }
        let from = done_so_far(proof.name);
        let line = round(kind, SEED + from)?;
        keep(proof, &format!("rounds {from}..{} ok: {line}", from + 1))?;
    }
}
