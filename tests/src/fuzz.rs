//! Inputs made by chance from a corpus, with a seed, and what reading them costs. An input whose answer is of a shape not seen before
//! joins the corpus of its run, so that a run goes deeper where there is something to find. The corpus is a folder for each target in
//! `tests/data/fuzz`, where an input that was found to break something stays.
//!
//! The client's own tests take this file as well: it knows nothing of the other programs.

use crate::shuffle::Random;
use std::collections::BTreeSet;
use std::fs;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::io::Write as _;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

/// The longest input, in bytes: longer than any buffer or bound that a reader has for a line.
const INPUT_BYTES_MAX: usize = 80 << 10;
/// Of so many inputs one may be grown beyond this many bytes; most stay small, so that there are many.
const LONG_EVERY: usize = 500;
/// What most inputs stay within.
const SHORT_BYTES_MAX: usize = 4 << 10;
/// The most inputs that a run adds to its corpus.
const FOUND_MAX: usize = 4_000;
/// The most mutations of one input.
const MUTATIONS_MAX: usize = 6;
/// The time on a processor that one input may take, in milliseconds, on a slow machine and without optimisation.
const INPUT_MILLIS_MAX: u64 = 5_000;
/// The memory that a run may come to hold beyond what it held after its first inputs, in bytes.
const GROWTH_BYTES_MAX: u64 = 64 << 20;
/// After so many inputs memory is looked at for the first time: by then everything that is made once is there.
const WARM: u64 = 500;

/// Numbers that are at the edge of something.
const EDGES: &[&str] = &[
    "0",
    "-1",
    "1",
    "127",
    "128",
    "255",
    "256",
    "32768",
    "65536",
    "2147483647",
    "2147483648",
    "4294967296",
    "9223372036854775807",
    "-9223372036854775808",
    "18446744073709551616",
    "1e308",
    "0.000000000001",
    "-0",
    "99999999999999999999999999",
    "NaN",
    "inf",
];

/// How long a run goes on: it ends with whichever comes first.
#[derive(Clone, Copy, Debug)]
pub struct Budget {
    /// Inputs.
    pub inputs: u64,
    /// Time on a processor, in milliseconds.
    pub cpu_millis: u64,
    /// What the process may come to hold meanwhile, in bytes.
    pub grown_bytes: u64,
}

impl Budget {
    /// So many seconds on a processor.
    pub fn of_seconds(seconds: u64) -> Budget {
        Budget { inputs: u64::MAX, cpu_millis: seconds * 1_000, grown_bytes: GROWTH_BYTES_MAX }
    }
}

/// What a run came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ran {
    /// Inputs read.
    pub inputs: u64,
    /// Shapes of answers seen.
    pub shapes: u64,
    /// Time on a processor, in milliseconds.
    pub cpu_millis: u64,
    /// The most that one input took, in milliseconds.
    pub slowest_millis: u64,
    /// Memory held at the end beyond that after the first inputs, in bytes.
    pub grown_bytes: u64,
}

impl Ran {
    /// What it came to, in a line.
    pub fn line(&self, name: &str, seed: u64) -> String {
        format!(
            "{name} seed {seed}: {} inputs, {} shapes of answers, {} s on a processor, the slowest {} ms, {} KiB grown",
            self.inputs,
            self.shapes,
            self.cpu_millis / 1_000,
            self.slowest_millis,
            self.grown_bytes / 1_024
        )
    }
}

/// A target.
pub struct Target<'t> {
    /// Its name, and that of its folder.
    pub name: &'t str,
    /// Words of its language.
    pub words: &'t [&'t str],
    /// Reads an input; the answer's shape is what it says without its numbers.
    pub read: &'t mut dyn FnMut(&[u8]) -> String,
}

/// The folder of a target's corpus, below the project's.
pub fn corpus(root: &Path, name: &str) -> Vec<Vec<u8>> {
    let folder: PathBuf = root.join("tests/data/fuzz").join(name);
    let entries = fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.expect("an entry").path()).collect();
    paths.sort();
    paths.iter().map(|path| fs::read(path).expect("an input")).collect()
}

/// The time that this thread has had on a processor, in nanoseconds.
fn cpu_nanos() -> u64 {
    let text = fs::read_to_string("/proc/thread-self/schedstat").expect("Linux counts it");
    text.split(' ').next().and_then(|first| first.parse().ok()).expect("a number")
}

/// The time that all threads of the process have had on a processor, in milliseconds.
pub fn cpu_of_process_millis() -> u64 {
    // Linux tells it in hundredths of a second, behind a name in brackets that may hold blanks.
    let text = fs::read_to_string("/proc/self/stat").expect("Linux counts it");
    let rest = text.rsplit_once(')').map_or("", |(_, rest)| rest);
    rest.split_ascii_whitespace().skip(11).take(2).filter_map(|ticks| ticks.parse::<u64>().ok()).sum::<u64>()
        * 10
}

/// Bytes bent by chance, with pieces of others in them.
pub fn bent(random: &mut Random, bytes: Vec<u8>, others: &[Vec<u8>]) -> Vec<u8> {
    let mut maker = Maker { random: random.clone(), corpus: others.to_vec(), words: &[] };
    let mut bytes = bytes;
    for _ in 0..=maker.random.below(MUTATIONS_MAX) {
        maker.mutate(&mut bytes, SHORT_BYTES_MAX);
        bytes.truncate(INPUT_BYTES_MAX);
    }
    *random = maker.random;
    bytes
}

/// The memory that the process holds, in bytes.
pub fn resident_bytes() -> u64 {
    let text = fs::read_to_string("/proc/self/statm").expect("Linux counts it");
    let pages: u64 = text.split(' ').nth(1).and_then(|second| second.parse().ok()).expect("a number");
    pages * 4_096
}

/// A text without its numbers.
fn shape(text: &str) -> u64 {
    let mut hasher = DefaultHasher::new();
    let mut is_in_number = false;
    for letter in text.chars() {
        let is_digit = letter.is_ascii_digit();
        if !(is_digit && is_in_number) {
            if is_digit { '0'.hash(&mut hasher) } else { letter.hash(&mut hasher) }
        }
        is_in_number = is_digit;
    }
    hasher.finish()
}

/// Makes inputs.
struct Maker<'t> {
    random: Random,
    corpus: Vec<Vec<u8>>,
    words: &'t [&'t str],
}

impl Maker<'_> {
    fn input(&mut self) -> Vec<u8> {
        let mut bytes = self.pick();
        let most = if self.random.below(LONG_EVERY) == 0 { INPUT_BYTES_MAX } else { SHORT_BYTES_MAX };
        for _ in 0..=self.random.below(MUTATIONS_MAX) {
            self.mutate(&mut bytes, most);
            bytes.truncate(INPUT_BYTES_MAX);
        }
        bytes
    }

    fn pick(&mut self) -> Vec<u8> {
        let at = self.random.below(self.corpus.len());
        self.corpus[at].clone()
    }

    /// A place, and one at or after it.
    fn range(&mut self, bytes: &[u8], longest: usize) -> std::ops::Range<usize> {
        let start = self.random.below(bytes.len() + 1);
        let end = (start + self.random.below(longest + 1)).min(bytes.len());
        start..end
    }

    /// The cell, line, value or word around a place chosen by chance.
    fn cell(&mut self, bytes: &[u8]) -> std::ops::Range<usize> {
        const ENDS: [&[u8]; 4] = [b"\n", b"\n,;", b"\n,;=\"[]{} \t", b"\n,;=\"[]{} \t:-+./TZ"];
        let ends = ENDS[self.random.below(ENDS.len())];
        let at = self.random.below(bytes.len() + 1);
        let start = bytes[..at].iter().rposition(|byte| ends.contains(byte)).map_or(0, |place| place + 1);
        let end = bytes[at..].iter().position(|byte| ends.contains(byte)).map_or(bytes.len(), |n| at + n);
        start..end
    }

    fn mutate(&mut self, bytes: &mut Vec<u8>, most: usize) {
        match self.random.below(10) {
            0 if !bytes.is_empty() => {
                let (at, bit) = (self.random.below(bytes.len()), self.random.below(8));
                bytes[at] ^= 1 << bit;
            }
            1 => {
                let range = self.range(bytes, 16);
                bytes.drain(range);
            }
            2 => {
                let noise: Vec<u8> =
                    (0..self.random.below(8)).map(|_| self.random.draw().to_le_bytes()[0]).collect();
                let range = self.range(bytes, 4);
                bytes.splice(range, noise);
            }
            3 => {
                let cell = self.cell(bytes);
                bytes.splice(cell, EDGES[self.random.below(EDGES.len())].bytes());
            }
            4 if !self.words.is_empty() => {
                let cell = if self.random.below(2) == 0 { self.cell(bytes) } else { self.range(bytes, 0) };
                bytes.splice(cell, self.words[self.random.below(self.words.len())].bytes());
            }
            5 => {
                let other = self.pick();
                let from = self.cell(&other);
                let to = self.cell(bytes);
                bytes.splice(to, other[from].iter().copied());
            }
            6 => {
                let cell = self.cell(bytes);
                let copy = bytes[cell.clone()].to_vec();
                let room = most.saturating_sub(bytes.len()) / copy.len().max(1);
                let times = if self.random.below(4) == 0 { room } else { room.min(3) };
                let copies: Vec<u8> = copy.iter().copied().cycle().take(copy.len() * times).collect();
                bytes.splice(cell.end..cell.end, copies);
            }
            7 => {
                let at = self.random.below(bytes.len() + 1);
                let other = self.pick();
                bytes.truncate(at);
                bytes.extend_from_slice(&other[self.random.below(other.len() + 1)..]);
            }
            8 => {
                let (one, other) = (self.cell(bytes), self.cell(bytes));
                let moved = bytes[one.clone()].to_vec();
                bytes.splice(other, moved);
            }
            _ => bytes.truncate(self.random.below(bytes.len() + 1)),
        }
    }
}

/// What a run may take where the environment names no seconds. Other tests of the process grow meanwhile.
const BRIEF: Budget = Budget { inputs: 3_000, cpu_millis: 2_000, grown_bytes: 4 * GROWTH_BYTES_MAX };
/// The seed where the environment names no other.
const SEED: u64 = 20_261_125;

/// Runs a target on its corpus, as long as `FETTLER_FUZZ_SECONDS` says, from the seed `FETTLER_FUZZ_SEED`; says what it came to. Where
/// `FETTLER_FUZZ_KIND` names another target, this one has none.
pub fn run_as_told(target: &mut Target<'_>, root: &Path) -> Ran {
    if std::env::var("FETTLER_FUZZ_KIND").is_ok_and(|kind| kind != target.name) {
        return Ran::default();
    }
    let said = |name: &str| std::env::var(name).ok().and_then(|text| text.parse::<u64>().ok());
    let seconds = said("FETTLER_FUZZ_SECONDS");
    let seed = said("FETTLER_FUZZ_SEED").unwrap_or(SEED);
    let ran = run(target, corpus(root, target.name), seed, seconds.map_or(BRIEF, Budget::of_seconds));
    // Whoever runs it long reads this; nobody else is kept from going on.
    let _ = writeln!(std::io::stdout(), "{}", ran.line(target.name, seed));
    ran
}

/// Reads the corpus as it stands, then inputs made from it, until the budget is spent.
///
/// # Panics
///
/// When an input makes the target panic, takes too long, or the run comes to hold too much memory. The input is shown.
pub fn run(target: &mut Target<'_>, corpus: Vec<Vec<u8>>, seed: u64, budget: Budget) -> Ran {
    assert!(!corpus.is_empty(), "{} has inputs to start from", target.name);
    let (mut ran, mut shapes, mut held_bytes) = (Ran::default(), BTreeSet::new(), 0);
    let mut given = corpus.clone().into_iter();
    let mut maker = Maker { random: Random::new(seed), corpus, words: target.words };
    let begun = cpu_nanos();
    let mut before = begun;
    while ran.inputs < budget.inputs && ran.cpu_millis < budget.cpu_millis {
        let input = given.next().unwrap_or_else(|| maker.input());
        let answer = catch_unwind(AssertUnwindSafe(|| (target.read)(&input)));
        let now = cpu_nanos();
        let millis = (now - before) / 1_000_000;
        before = now;
        let shown =
            || format!("{}: seed {seed}, input {}: \"{}\"", target.name, ran.inputs, input.escape_ascii());
        let Ok(answer) = answer else { panic!("it panics. {}", shown()) };
        assert!(millis < INPUT_MILLIS_MAX, "it takes {millis} ms. {}", shown());
        if shapes.insert(shape(&answer)) && shapes.len() < FOUND_MAX && input.len() <= SHORT_BYTES_MAX {
            maker.corpus.push(input);
        }
        ran.inputs += 1;
        ran.slowest_millis = ran.slowest_millis.max(millis);
        ran.cpu_millis = (now - begun) / 1_000_000;
        if ran.inputs == WARM {
            held_bytes = resident_bytes();
        }
    }
    ran.shapes = u64::try_from(shapes.len()).unwrap_or(u64::MAX);
    if ran.inputs > WARM {
        ran.grown_bytes = resident_bytes().saturating_sub(held_bytes);
        let grown = ran.grown_bytes;
        assert!(grown < budget.grown_bytes, "{} came to hold {grown} bytes more", target.name);
    }
    ran
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is planted grows by less than other tests of the process may.
    const BUDGET: Budget = Budget { inputs: 3_000, cpu_millis: 60_000, grown_bytes: GROWTH_BYTES_MAX };

    fn ran(read: &mut dyn FnMut(&[u8]) -> String) -> Ran {
        ran_within(BUDGET, read)
    }

    fn ran_within(budget: Budget, read: &mut dyn FnMut(&[u8]) -> String) -> Ran {
        let mut target = Target { name: "planted", words: &["due"], read };
        run(&mut target, vec![b"machine,hours\nL-03,7.5\n".to_vec()], 7, budget)
    }

    #[test]
    fn a_run_follows_its_seed_and_meets_many_shapes() {
        let mut length = |input: &[u8]| String::from_utf8_lossy(input).into_owned();
        let (one, other) = (ran(&mut length), ran(&mut length));
        assert_eq!((one.inputs, one.shapes), (other.inputs, other.shapes));
        assert!(one.shapes > 500, "{one:?}");
    }

    #[test]
    #[should_panic(expected = "it panics. planted: seed 7")]
    fn a_planted_panic_is_found() {
        ran(&mut |input| {
            assert!(!input.windows(3).any(|three| three == b"due"), "planted");
            String::new()
        });
    }

    #[test]
    #[should_panic(expected = "bytes more")]
    fn memory_that_grows_is_found() {
        let mut kept = Vec::new();
        let budget = Budget { grown_bytes: 8 << 20, ..BUDGET };
        ran_within(budget, &mut |input| {
            kept.push(vec![u8::try_from(input.len() % 7).expect("small") + 1; 8_192]);
            String::new()
        });
    }
}
