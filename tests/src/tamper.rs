//! Bends an exported journal in every way there is, and looks whether each is found and named.
//!
//! What stands before an altered place is the same in every trial, so the reader is taken up from there: each of a million
//! trials costs a line or two, and finds just what reading the whole file would.

use crate::oracle;
use crate::service::Service;
use fettler_domain::journal::export::{Place, Reader, Verdict};
use fettler_domain::journal::note::Verify;
use fettler_domain::journal::proof::{Span, consistency, inclusion};
use fettler_domain::journal::tree::{leaf_hash, node_hash};
use fettler_domain::journal::{Hash, proof};
use fettler_server::notary::signer::verify;
use serde_json::{Value, json};
use std::fmt::Write as _;

/// An export cut into its lines, each with its newline.
#[derive(Clone, Debug)]
pub struct Export {
    /// The lines; the first is the header.
    pub lines: Vec<Vec<u8>>,
    verify: Verify,
}

fn cut(bytes: &[u8]) -> Vec<Vec<u8>> {
    bytes.split_inclusive(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect()
}

impl Export {
    /// The lines of a file.
    pub fn of(file: &[u8], verify: Verify) -> Export {
        Export { lines: cut(file), verify }
    }

    /// How many entries it has.
    pub fn entries(&self) -> usize {
        self.lines.len() - 1
    }

    fn reader(&self, first: &[u8], kept: &[String]) -> Reader {
        Reader::new(first, None, kept, self.verify)
    }

    /// What is found of these lines.
    pub fn judge(&self, lines: &[Vec<u8>], kept: &[String]) -> Verdict {
        let mut reader = self.reader(lines.first().map_or(&[][..], Vec::as_slice), kept);
        lines.iter().skip(1).for_each(|line| reader.take(line));
        reader.end()
    }

    /// Flips every bit, one at a time; answers how many flips there were. Each must be found, and named by the first line or
    /// by the number of the entry that it struck.
    pub fn flip_every_bit(&self) -> u64 {
        let mut flips = 0;
        let mut before: Option<Reader> = None;
        for (at, line) in self.lines.iter().enumerate() {
            let rest = self.lines.get(at + 1).cloned().unwrap_or_default();
            for byte in 0..line.len() {
                for bit in 0..8 {
                    let mut bent = line.clone();
                    bent[byte] ^= 1 << bit;
                    // A line that lost its end takes the next one in.
                    if byte + 1 == line.len() {
                        bent.extend_from_slice(&rest);
                    }
                    let mut bent = cut(&bent).into_iter();
                    let mut reader = match &before {
                        Some(reader) => reader.clone(),
                        None => self.reader(&bent.next().unwrap_or_default(), &[]),
                    };
                    bent.for_each(|line| reader.take(&line));
                    let found = reader.found_first();
                    assert_eq!(found, Some(place(at)), "bit {bit} of byte {byte} of line {at}");
                    flips += 1;
                }
            }
            match &mut before {
                Some(reader) => reader.take(line),
                None => before = Some(self.reader(line, &[])),
            }
        }
        flips
    }

    /// Leaves out, doubles, exchanges and inserts every entry, one at a time; answers how many trials there were.
    pub fn move_every_entry(&self) -> u64 {
        let mut trials = 0;
        let mut tried = |change: &dyn Fn(&mut Vec<Vec<u8>>), at: usize| {
            let mut lines = self.lines.clone();
            change(&mut lines);
            let found = self.judge(&lines, &[]).findings;
            assert_eq!(found.first().map(|finding| finding.place), Some(place(at)), "line {at}");
            trials += 1;
        };
        let last = self.entries();
        for at in 1..=last {
            if at < last {
                tried(&|lines| drop(lines.remove(at)), at);
                tried(&|lines| lines.swap(at, at + 1), at);
                tried(&|lines| lines.insert(at, lines[last].clone()), at);
            }
            tried(&|lines| lines.insert(at + 1, lines[at].clone()), at + 1);
        }
        trials
    }

    /// Cuts the tail at every length; what is left is held against its own checkpoint. Answers how many trials there were.
    pub fn cut_every_tail(&self) -> u64 {
        for left in 1..self.lines.len() {
            let found = self.judge(&self.lines[..left], &[]).findings;
            assert_eq!(found.first().map(|finding| finding.place), Some(Place::End), "{left} lines left");
        }
        self.entries() as u64
    }
}

/// The place of a line.
fn place(line: usize) -> Place {
    match line {
        0 => Place::Header,
        entry => Place::Entry(i64::try_from(entry - 1).expect("few")),
    }
}

/// A shop of one machine, so that reports can be pushed.
const SHOP: &str = "[site]\nkey = \"north\"\nzone = \"UTC\"\n\n[[machine]]\ntag = \"L-03\"\n\n[[machine.meter]]\nkind = \"operating\"\n";

/// The export of a real service's journal with so many entries.
pub fn long_export(entries: usize) -> Export {
    let service = Service::start();
    std::fs::write(service.data().join("shop.toml"), SHOP).expect("a file");
    service.fettler(&["shop", "load", "shop.toml"]).done();
    let head = service.fettler(&["journal", "head", "--output", "csv"]).done();
    let declared: usize =
        head.lines().nth(1).and_then(|row| row.split(',').nth(1)?.parse().ok()).expect("a size");
    let mut rows = "machine,report_id,start,end,hours\n".to_owned();
    for n in 0..entries - declared {
        let (month, day, hour) = (1 + n / 672, 1 + n % 672 / 24, n % 24);
        let at = format!("2026-{month:02}-{day:02}T{hour:02}");
        let _ = writeln!(rows, "L-03,R-{n},{at}:00:00Z,{at}:30:00Z,0.5");
    }
    service.fettler_with(&["hours", "push", "-", "--source", "erp"], rows.as_bytes()).done();
    service.fettler(&["journal", "export", "whole.journal"]).done();
    let file = std::fs::read(service.data().join("whole.journal")).expect("a file");
    let export = Export::of(&file, verify);
    assert_eq!(export.entries(), entries);
    assert_eq!(export.judge(&export.lines, &[]).findings, []);
    export
}

/// Trees up to this size have every inclusion proof checked, and
const INCLUSION_SIZE_MAX: i64 = 400;
/// up to this one every consistency proof.
const CONSISTENCY_SIZE_MAX: i64 = 300;

/// Has every proof of small trees checked by the oracle, which knows the leaves alone; answers how many of both kinds held.
pub fn agreed_proofs() -> (u64, u64) {
    let leaves: Vec<Hash> =
        (0..u32::try_from(INCLUSION_SIZE_MAX).expect("few")).map(|n| leaf_hash(&n.to_be_bytes())).collect();
    let hex = |spans: &[Span]| spans.iter().map(|span| root(&leaves, *span).to_hex()).collect::<Vec<_>>();
    let (mut inclusions, mut consistencies) = (Vec::new(), Vec::new());
    for size in 1..=INCLUSION_SIZE_MAX {
        inclusions.extend((0..size).map(|number| json!([number, size, hex(&inclusion(number, size))])));
    }
    for new in 1..=CONSISTENCY_SIZE_MAX {
        consistencies.extend((1..=new).map(|old| json!([old, new, hex(&consistency(old, new))])));
    }
    let made = (inclusions.len() as u64, consistencies.len() as u64);
    let ask =
        json!({"trees": {"leaves": leaves.len(), "inclusion": inclusions, "consistency": consistencies}});
    let answer = oracle::run("journal.py", &[], &ask.to_string());
    let answer: Value = serde_json::from_str(&answer).expect("JSON");
    let held = |kind: &str| answer["trees"][kind].as_u64().expect("a count");
    assert_eq!((held("inclusion"), held("consistency")), made);
    made
}

/// The root of neighbouring leaves, peak by peak.
fn root(leaves: &[Hash], span: Span) -> Hash {
    let peaks: Vec<Hash> = span
        .peaks()
        .iter()
        .map(|full| {
            let width = 1_usize << full.level;
            let first = usize::try_from(full.index).expect("few") * width;
            full_root(&leaves[first..first + width])
        })
        .collect();
    proof::root_of_peaks(&peaks)
}

fn full_root(leaves: &[Hash]) -> Hash {
    match leaves {
        [one] => *one,
        many => {
            let (left, right) = many.split_at(many.len() / 2);
            node_hash(&full_root(left), &full_root(right))
        }
    }
}
