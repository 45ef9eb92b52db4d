//! The long proofs: each goes on where it stopped, in pieces of at most half an hour, and keeps its log in `docs/proofs`.
//!
//! usage: `proof all | NAME [MINUTES]`, from the project's folder, after a build of all programs in the profile `proofs`;
//! `./tests/run --proofs` does both. With minutes, no further round is begun after them.
#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a program that talks to a person")]

#[path = "proof/chance.rs"]
mod chance;

use fettler_tests::agree::Pair;
use fettler_tests::duty::on_both_engines;
use fettler_tests::kill::{Tally, Victim, rounds};
use fettler_tests::long_audit::{OF_A_ROUND, exported};
use fettler_tests::servers::Shared;
use std::fs::{self, OpenOptions};
use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// After this long no further round is begun unless another time is given: rounds are short, so a piece ends within half an hour.
const PIECE: Duration = Duration::from_mins(25);
/// The seed of every proof; a log names it beside its rounds.
const SEED: u64 = 20_261_125;

/// Rounds of a proof that ends when its log tells of enough, however many rounds that took.
const UNTIL_ENOUGH: u64 = u64::MAX;

/// Operations of a round on both engines.
const OPERATIONS: usize = 500;

/// Entries of the journal that is bent.
const ENTRIES: usize = 1_000;

/// Operations of a round through several services.
const OPERATIONS_SHARED: usize = 5_000;

/// So many of them are kept at once in the log, so that a piece that is cut short has not been in vain.
const ROUNDS_KEPT: u64 = 4;

/// The same of kills.
const KILLS_KEPT: u64 = 50;

/// A proof: its name, its rounds, what it shows.
struct Proof {
    name: &'static str,
    rounds: u64,
    shows: &'static str,
}

const PROOFS: &[Proof] = &[
    Proof {
        name: "kills",
        rounds: 5_000,
        shows: "killed with SIGKILL during a push: every acknowledged report is there once, and the journal's root matches",
    },
    Proof {
        name: "database-kills",
        rounds: 50,
        shows: "PostgreSQL killed with SIGKILL during a push, the service lives on: nothing acknowledged is lost or doubled",
    },
    Proof {
        name: "standby",
        rounds: 5,
        shows: "PostgreSQL killed with SIGKILL during a push, its synchronous standby promoted: nothing acknowledged is lost or doubled",
    },
    Proof {
        name: "engines",
        rounds: 20,
        shows: "500 random operations a round are answered alike by both engines",
    },
    Proof {
        name: "servers",
        rounds: 40,
        shows: "two and four services on one database, 5,000 mixed operations a round: some order, one at a time, explains every answer",
    },
    Proof {
        name: "journal",
        rounds: 1,
        shows: "1,000 entries: every flipped bit, every entry left out, doubled, moved or put in, and every cut tail is found and named; proofs are accepted by a second program",
    },
    Proof {
        name: "audit",
        rounds: 1,
        shows: "10,000 closings as one stream: each once, in the order of the work, from wherever it broke off, and the service holds no more of them than its reader takes",
    },
    Proof {
        name: "disk-full",
        rounds: 100,
        shows: "the disk is full and free again: writing is refused with its remedy, reading goes on, writing comes back by itself, nothing is lost or damaged",
    },
    Proof {
        name: "io-errors",
        rounds: fettler_tests::faulty::POINTS,
        shows: "each call of the system in a script of 200 operations fails once, flushes with what they were to keep: nothing acknowledged is lost, nothing wrong is answered, all is whole",
    },
    Proof {
        name: "model",
        rounds: 100_000,
        shows: "sequences of up to 24 random operations on a site each end in what a plain model says of reports, meters, orders and readings",
    },
    Proof {
        name: "million",
        rounds: 20,
        shows: "1,000,000 reports of five sources, each delivered three times in an order that chance makes: totals are exact, what is kept has one hash",
    },
    Proof {
        name: "fuzz",
        rounds: UNTIL_ENOUGH,
        shows: "page tokens, recurrence rules, proofs and exports of the journal, and requests of every call, bent by chance, 10 million of each kind or 20 minutes on a processor: nothing panics, stands still or grows",
    },
    Proof {
        name: "fuzz-files",
        rounds: UNTIL_ENOUGH,
        shows: "files that people hand in to the client, bent by chance, 10 million of each kind or 20 minutes on a processor: nothing panics, stands still or grows",
    },
    Proof {
        name: "year-postgres",
        rounds: 1,
        shows: "the year of real duty gives the same totals, crossings, due lists, ledger and journal on both engines",
    },
];

/// A piece under way.
#[derive(Clone, Copy)]
struct Begun {
    at: Instant,
    within: Duration,
}

impl Begun {
    /// Whether a further round is begun.
    fn goes_on(self) -> bool {
        self.at.elapsed() < self.within
    }

    fn seconds(self) -> u64 {
        self.at.elapsed().as_secs()
    }
}

/// The log of a proof. Its lines are the state: the rounds that were done.
fn log_path(name: &str) -> PathBuf {
    fettler_tests::programs::root().join("docs/proofs").join(format!("{name}.log"))
}

/// How many rounds the log says are done without a fault.
fn done_so_far(name: &str) -> u64 {
    let log = fs::read_to_string(log_path(name)).unwrap_or_default();
    let ends =
        log.lines().filter_map(|line| line.split_once("rounds ")?.1.split_once("..")?.1.split(' ').next());
    ends.filter_map(|end| end.parse().ok()).max().unwrap_or(0)
}

#[expect(clippy::disallowed_methods, reason = "a log says when it was written")]
fn append(name: &str, text: &str) -> std::io::Result<()> {
    let path = log_path(name);
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder)?;
    }
    let at = chrono::Utc::now().format("%Y-%m-%dT%H:%M:%SZ");
    writeln!(OpenOptions::new().create(true).append(true).open(path)?, "{at} {name} {text}")
}

fn piece(proof: &Proof, within: Duration) -> Result<bool, String> {
    let from = done_so_far(proof.name);
    if from >= proof.rounds {
        println!("{}: done ({} rounds; {})", proof.name, proof.rounds, log_path(proof.name).display());
        return Ok(true);
    }
    println!("{}: {}", proof.name, proof.shows);
    let begin = Begun { at: Instant::now(), within };
    let runtime = tokio::runtime::Runtime::new().map_err(|e| format!("no runtime: {e}"))?;
    match proof.name {
        "engines" => return engines(proof, from, begin, &runtime),
        "servers" => return servers(proof, from, begin, &runtime),
        "year-postgres" => return year(proof, begin, &runtime),
        "journal" => return journal(proof, begin),
        "audit" => return audit(proof, begin, &runtime),
        "disk-full" => return disk_full(proof, from, begin),
        "fuzz" => return chance::fuzz(proof, begin, &runtime),
        "fuzz-files" => return chance::fuzz_files(proof, begin),
        "model" => return chance::model(proof, from, begin, &runtime),
        "million" => return chance::million(proof, from, begin, &runtime),
        "io-errors" => return chance::io_errors(proof, from, begin, &runtime),
        _ => {}
    }
    let victim = match proof.name {
        "kills" => Victim::Service,
        "standby" => Victim::Primary,
        _ => Victim::Database,
    };
    kills(proof, victim, from, begin, &runtime)
}

/// Rounds of kills, kept some at a time.
fn kills(
    proof: &Proof,
    victim: Victim,
    from: u64,
    begin: Begun,
    runtime: &tokio::runtime::Runtime,
) -> Result<bool, String> {
    let mut from = from;
    while from < proof.rounds && begin.goes_on() {
        let (started, until) = (Instant::now(), proof.rounds.min(from + KILLS_KEPT));
        let tally: Tally = runtime.block_on(rounds(victim, SEED, from, until, |_| begin.goes_on()));
        let to = from + tally.rounds;
        let line = format!(
            "rounds {from}..{to} of {} seed {SEED} ok: acknowledged {}, stored unknown to the sender {}, lost 0, counted twice 0, \
             leaves hashed {}, {} s",
            proof.rounds,
            tally.acknowledged,
            tally.stored_unknown,
            tally.leaves,
            started.elapsed().as_secs()
        );
        keep(proof, &line)?;
        from = to;
    }
    Ok(from >= proof.rounds)
}

/// Rounds of mixed operations, by turns through two and four services.
fn servers(
    proof: &Proof,
    from: u64,
    begin: Begun,
    runtime: &tokio::runtime::Runtime,
) -> Result<bool, String> {
    let cluster = fettler_pg::Cluster::start(fettler_pg::Flush::Always);
    let mut from = from;
    while from < proof.rounds && begin.goes_on() {
        let (started, mut answers, mut leaves) = (Instant::now(), 0, 0);
        let to = proof.rounds.min(from + ROUNDS_KEPT);
        for round in from..to {
            println!("  round {} of {}", round + 1, proof.rounds);
            let explained = runtime.block_on(async {
                let mut shared = Shared::start(&cluster.empty(), if round % 2 == 0 { 2 } else { 4 }).await;
                shared.run(OPERATIONS_SHARED, SEED + round).await;
                let (told, journal) = shared.end().await;
                told.check(&journal).map(|()| (told.len(), journal.len()))
            });
            let (told, journal) = explained.map_err(|why| format!("round {round}: {why}"))?;
            (answers, leaves) = (answers + told, leaves + journal);
        }
        let line = format!(
            "rounds {from}..{to} of {} seed {SEED} ok: {} operations, {answers} answers explained, {leaves} leaves hashed, {} s",
            proof.rounds,
            (to - from) * OPERATIONS_SHARED as u64,
            started.elapsed().as_secs()
        );
        keep(proof, &line)?;
        from = to;
    }
    Ok(from >= proof.rounds)
}

/// The year on both engines.
fn year(proof: &Proof, begin: Begun, runtime: &tokio::runtime::Runtime) -> Result<bool, String> {
    let cluster = fettler_pg::Cluster::start(fettler_pg::Flush::Never);
    let same = runtime.block_on(on_both_engines(&cluster));
    let line = format!(
        "rounds 0..1 of 1 ok: the same {} machines, {} items, {} closings, {} reports, {} leaves, {} s",
        same.machines,
        same.items,
        same.closings,
        same.reports,
        same.leaves,
        begin.seconds()
    );
    keep(proof, &line)?;
    Ok(true)
}

/// A journal of 1,000 entries, bent in every way.
fn journal(proof: &Proof, begin: Begun) -> Result<bool, String> {
    let export = fettler_tests::tamper::long_export(ENTRIES);
    let (flips, moves, cuts) = (export.flip_every_bit(), export.move_every_entry(), export.cut_every_tail());
    let (inclusions, consistencies) = fettler_tests::tamper::agreed_proofs();
    let line = format!(
        "rounds 0..1 of 1 ok: {} entries, {flips} bits flipped, {moves} entries moved, {cuts} tails cut, all found and named; \
         {inclusions} inclusion and {consistencies} consistency proofs accepted by the oracle, {} s",
        export.entries(),
        begin.seconds()
    );
    keep(proof, &line)?;
    Ok(true)
}

/// An audit of 10,000 closings.
fn audit(proof: &Proof, begin: Begun, runtime: &tokio::runtime::Runtime) -> Result<bool, String> {
    let rounds = 10_000 / OF_A_ROUND;
    let (bytes, grown) = runtime.block_on(exported(i64::try_from(rounds).expect("few")));
    let line = format!(
        "rounds 0..1 of 1 ok: {} closings exported, {bytes} bytes of rows, {} KiB held for them, {} s",
        rounds * OF_A_ROUND,
        grown >> 10,
        begin.seconds()
    );
    keep(proof, &line).map(|()| true)
}

/// Rounds of a disk that is full and free again.
fn disk_full(proof: &Proof, from: u64, begin: Begun) -> Result<bool, String> {
    let mut shop = fettler_tests::disk::Shop::start();
    let mut to = from;
    while to < proof.rounds && begin.goes_on() {
        shop.fill_and_free();
        to += 1;
    }
    fettler_tests::disk::is_whole(shop.service().data());
    let line = format!(
        "rounds {from}..{to} of {} ok: each refused writing, served reading and went on by itself; checked whole, {} s",
        proof.rounds,
        begin.seconds()
    );
    keep(proof, &line)?;
    Ok(to >= proof.rounds)
}

/// Writes a line into a proof's log and shows it.
fn keep(proof: &Proof, line: &str) -> Result<(), String> {
    append(proof.name, line).map_err(|e| format!("cannot write {}: {e}", log_path(proof.name).display()))?;
    println!("  {line}");
    Ok(())
}

/// Rounds of random operations on both engines, each on a new shop.
fn engines(
    proof: &Proof,
    from: u64,
    begin: Begun,
    runtime: &tokio::runtime::Runtime,
) -> Result<bool, String> {
    let cluster = fettler_pg::Cluster::start(fettler_pg::Flush::Never);
    let mut to = from;
    while to < proof.rounds && begin.goes_on() {
        println!("  round {} of {}", to + 1, proof.rounds);
        let folder = tempfile::tempdir().map_err(|e| format!("no folder: {e}"))?;
        let file = folder.path().join("shop.db");
        runtime.block_on(async {
            let mut pair = Pair::open([&file.to_string_lossy(), &cluster.empty()], SEED + to).await;
            pair.run(OPERATIONS).await;
        });
        to += 1;
    }
    let line = format!(
        "rounds {from}..{to} of {} seed {SEED} ok: {} operations answered alike, {} s",
        proof.rounds,
        (to - from) * OPERATIONS as u64,
        begin.seconds()
    );
    keep(proof, &line)?;
    Ok(to >= proof.rounds)
}

fn main() -> ExitCode {
    let name = std::env::args().nth(1).unwrap_or_else(|| "all".into());
    let chosen: Vec<&Proof> = PROOFS.iter().filter(|p| name == "all" || p.name == name).collect();
    if chosen.is_empty() {
        let names: Vec<&str> = PROOFS.iter().map(|p| p.name).collect();
        eprintln!("there is no proof `{name}`; there are: {}", names.join(", "));
        return ExitCode::from(2);
    }
    let minutes = std::env::args().nth(2).and_then(|minutes| minutes.parse().ok());
    let within = minutes.map_or(PIECE, Duration::from_mins);
    for proof in chosen {
        match piece(proof, within) {
            Ok(true) => (),
            Ok(false) => {
                println!("{}: run it again to go on", proof.name);
                return ExitCode::SUCCESS;
            }
            Err(error) => {
                eprintln!("{}: {error}", proof.name);
                return ExitCode::FAILURE;
            }
        }
    }
    ExitCode::SUCCESS
}
