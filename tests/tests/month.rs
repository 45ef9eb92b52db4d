//! A shop's October as it is typed: `tests/data/month/month.txt` holds every command with all it printed, and each is run again
//! and compared. `FETTLER_WRITE_MONTH=1 cargo test -p fettler-tests --test month` writes it anew; read what changed.
//!
//! A line that begins with `#` tells the story, `@` sets the service's clock to a local time of the shop, `$` is a command; all else
//! is what a command printed: its data, its notes, and its exit code where that is not 0.

use fettler_tests::client::{fettler_in, words};
use fettler_tests::programs::root;
use fettler_tests::service::Service;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How long upkeep may take; generous, for a busy machine.
const SETTLED: Duration = Duration::from_mins(2);
/// Days are told without the year of this moment, 1 October 2026, whichever year the test runs in.
const TOLD_AT: &str = "1790812800";

fn folder() -> PathBuf {
    root().join("tests/data/month")
}

/// A step of the story.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step<'s> {
    Tell(&'s str),
    Clock(&'s str),
    Run(&'s str),
}

/// The step that a line of the script is; none where it is what a command printed.
fn step(line: &str) -> Option<Step<'_>> {
    match line.split_at_checked(2)? {
        ("# ", _) => Some(Step::Tell(line)),
        ("@ ", at) => Some(Step::Clock(at)),
        ("$ ", command) => Some(Step::Run(command)),
        _ => None,
    }
}

/// What no two runs have in common: digests in hexadecimal, for their salts are drawn anew, and the key that signs, with its name.
/// Digests and names keep their length, so that no table moves. Everything else is compared to the letter.
fn normal(text: &str) -> String {
    text.split_inclusive('\n').map(normal_line).collect()
}

fn normal_line(line: &str) -> String {
    if let Some((label, _)) = line.split_once("  key      fettler/") {
        return format!("{label}  key      fettler/x\n");
    }
    let is_hex = |word: &str| word.chars().all(|letter| letter.is_ascii_hexdigit());
    let mut before = "";
    let normal = line.split_inclusive(|letter: char| !letter.is_ascii_alphanumeric()).map(|piece| {
        let word = piece.trim_end_matches(|letter: char| !letter.is_ascii_alphanumeric());
        let is_digest = word.len() == 64 || word.len() == 16 && before == "fettler/";
        before = piece;
        if is_digest && is_hex(word) {
            piece.replace(word, &"x".repeat(word.len()))
        } else {
            piece.to_owned()
        }
    });
    normal.collect()
}

/// A local time of the shop as the service's clock takes it. The shop's summer time ends on 25 October 2026 at 01:00 UTC.
fn utc(local: &str) -> String {
    let offset = if local < "2026-10-25 03:00" { "+02:00" } else { "+01:00" };
    format!("{}:00{offset}", local.replace(' ', "T"))
}

fn run(service: &Service, command: &str) -> String {
    let words = words(command);
    let arguments: Vec<&str> = words.iter().map(String::as_str).collect();
    match arguments.as_slice() {
        ["cat", file] => fs::read_to_string(service.data().join(file))
            .map_or_else(|e| format!("{file}: {e}\n"), |text| text.replace("\r\n", "\n")),
        ["fettler", arguments @ ..] => {
            let environment = [("SOURCE_DATE_EPOCH", TOLD_AT)];
            let ran = fettler_in(service.endpoint(), service.data(), (arguments, b""), &environment);
            let code = if ran.code == 0 { String::new() } else { format!("exit {}\n", ran.code) };
            format!("{}{}{code}", ran.stdout, ran.stderr)
        }
        other => panic!("no such command: {other:?}"),
    }
}

/// Plays the story; gives it with what its commands printed.
fn play(script: &str) -> String {
    let steps: Vec<Step<'_>> = script.lines().filter_map(step).collect();
    assert!(steps.len() > 20, "a month has more than {} steps", steps.len());
    let mut told = String::new();
    let mut service: Option<Service> = None;
    for (place, step) in steps.iter().enumerate() {
        let follows = place > 0 && matches!((steps[place - 1], step), (Step::Tell(_), Step::Tell(_)));
        if place > 0 && !follows {
            told.push('\n');
        }
        match step {
            Step::Tell(line) => {
                let _ = writeln!(told, "{line}");
            }
            Step::Clock(at) => {
                let _ = writeln!(told, "@ {at}");
                let at = utc(at);
                match &mut service {
                    Some(service) => service.restart_with(&["--clock-at", &at]),
                    None => service = Some(begin(&at)),
                }
                settle(service.as_ref().expect("it runs"));
            }
            Step::Run(command) => {
                let service = service.as_ref().expect("the clock is set first");
                let _ = write!(told, "$ {command}\n{}", normal(&run(service, command)));
            }
        }
    }
    told
}

/// Waits until upkeep has done what a new shop day, or reports of earlier days, leave it to do: it begins with the service.
fn settle(service: &Service) {
    let begun = Instant::now();
    loop {
        let list = service.fettler(&["due", "--output", "json"]);
        let waits = list.stdout.contains("staleRows") || list.stdout.contains("figuresPending");
        if list.code == 0 && !waits || list.stderr.contains("SITE_NOT_FOUND") {
            return;
        }
        assert!(list.code == 0 && begun.elapsed() < SETTLED, "upkeep ends: {}", list.all());
        std::thread::yield_now();
    }
}

fn begin(at: &str) -> Service {
    let service = Service::start_with(&["--clock-at", at]);
    for entry in fs::read_dir(folder()).expect("the folder of the month") {
        let path = entry.expect("a file").path();
        let to: &Path = service.data();
        fs::copy(&path, to.join(path.file_name().expect("a name"))).expect("a copy");
    }
    service
}

#[test]
fn a_month_goes_as_it_is_told() {
    let path = folder().join("month.txt");
    let stands = fs::read_to_string(&path).expect("the month");
    let told = play(&stands);
    if std::env::var_os("FETTLER_WRITE_MONTH").is_some() {
        fs::write(&path, told).expect("the month is written");
        return;
    }
    let pairs = stands.lines().zip(told.lines()).enumerate().find(|(_, (one, other))| one != other);
    if let Some((number, (stands, told))) = pairs {
        panic!("line {}:\n  told    {told}\n  stands  {stands}\n{REMEDY}", number + 1);
    }
    assert_eq!(stands.lines().count(), told.lines().count(), "{REMEDY}");
}

const REMEDY: &str =
    "if that is meant: FETTLER_WRITE_MONTH=1 cargo test --workspace --test month, and read what changed";

#[test]
fn digests_and_keys_are_all_that_is_passed_over() {
    let digest = "0a".repeat(32);
    assert_eq!(normal(&format!("root {digest}, 3 of 4 L\n")), format!("root {}, 3 of 4 L\n", "x".repeat(64)));
    let name = "whole: fettler/fbad585cb82029ef/site-1\n  key      fettler/fbad585cb82029ef+06b07a0e+AdPA\n";
    assert_eq!(normal(name), "whole: fettler/xxxxxxxxxxxxxxxx/site-1\n  key      fettler/x\n");
    let other = "order 281, 6.1 bar; a-b 2026-10-30T10:23:42.222223Z 0.1681803297062361\n  key      bowl\n";
    assert_eq!(normal(other), other);
}
