//! An exported journal, and how it is checked with nothing but itself and a checkpoint kept elsewhere.
//!
//! An export is lines of UTF-8. The first is a canonical JSON object with the signed checkpoint of all that follows and the
//! key that signed it; then each entry has a line: its RFC 6962 leaf hash in hexadecimal, a space, and its stored bytes.
//! What is checked holds for every bit: an entry's bytes give its hash, are canonical, and carry the number at which they
//! stand; the entries give the checkpoint's size and root; the checkpoint is signed. Somebody who has the signing key can
//! still write another journal: against that stands a checkpoint kept elsewhere.

use super::canonical::Canonical;
use super::checkpoint::{Checkpoint, Origin};
use super::leaf::{Kind, LEAF_FORM};
use super::lineage::{Fate, Lineages, Stand};
use super::note::{VerifierKey, Verify};
use super::proof::Head;
use super::tree::{Frontier, Hash, leaf_hash};
use serde_json::{Value, json};
use std::fmt;

/// The form that the first line names.
const FORM: &str = "fettler journal";
/// Its version.
const FORM_VERSION: u32 = 1;
/// How many findings are kept; more are counted.
pub const FINDINGS_MAX: usize = 20;
/// The keys of an entry, in their order.
const KEYS: [&str; 12] = [
    "after", "at", "before", "kind", "lineage", "number", "person", "request", "site", "subject", "token",
    "v",
];

/// The first line of an export.
pub fn header(checkpoint: &str, key: &VerifierKey) -> String {
    let value = json!({"checkpoint": checkpoint, "form": FORM, "key": key.to_string(), "v": FORM_VERSION});
    // Texts and a whole number always have a canonical form.
    let text = Canonical::of(&value).map(|text| text.as_str().to_owned()).unwrap_or_default();
    text + "\n"
}

/// The line of an entry.
pub fn line(leaf: &str) -> String {
    kept_line(&leaf_hash(leaf.as_bytes()), leaf)
}

/// The line of an entry with the hash that was stored beside it, so that one that was altered is found by its line.
pub fn kept_line(hash: &Hash, leaf: &str) -> String {
    format!("{} {leaf}\n", hash.to_hex())
}

/// Where something is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// In the first line.
    Header,
    /// At the entry that stands, or should stand, at this number.
    Entry(i64),
    /// At the end.
    End,
    /// In the n-th checkpoint that was kept elsewhere, from 0.
    Kept(usize),
}

/// Something that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// Where.
    pub place: Place,
    /// What, in words.
    pub text: String,
    /// Whether nothing was altered, and a restore left behind what is missed here.
    pub is_restored: bool,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Place::Header => f.write_str("first line"),
            Place::Entry(number) => write!(f, "entry {number}"),
            Place::End => f.write_str("end"),
            Place::Kept(n) => write!(f, "kept checkpoint {}", n + 1),
        }
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.text)
    }
}

/// What an entry says of its place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryRead {
    /// The site.
    pub site: i64,
    /// The lineage.
    pub lineage: i64,
    /// The number.
    pub number: i64,
    /// When it was recorded, in microseconds since 1970.
    pub at: i64,
    /// The kind's word.
    pub kind: String,
    /// What it is about.
    pub subject: String,
}

impl EntryRead {
    /// Whether it tells of a restore.
    pub fn opens_lineage(&self) -> bool {
        self.kind == Kind::JournalRestored.word()
    }

    /// Reads an entry's bytes; the error says why they are no entry.
    pub fn of(bytes: &[u8]) -> Result<EntryRead, &'static str> {
        let value: Value = serde_json::from_slice(bytes).map_err(|_| "is not JSON")?;
        let canonical = Canonical::of(&value).map_err(|_| "holds a number that the journal has not")?;
        if canonical.as_str().as_bytes() != bytes {
            return Err("is not in canonical form");
        }
        let fields = value.as_object().ok_or("is not an object")?;
        if !fields.keys().map(String::as_str).eq(KEYS) {
            return Err("has other fields than an entry has");
        }
        let number = |name: &str| value[name].as_i64().ok_or("has a text where a number belongs");
        let text =
            |name: &str| value[name].as_str().map(str::to_owned).ok_or("has no text where one belongs");
        if number("v")? != i64::from(LEAF_FORM) {
            return Err("is of a form that this program does not know; take a newer one");
        }
        Ok(EntryRead {
            site: number("site")?,
            lineage: number("lineage")?,
            number: number("number")?,
            at: number("at")?,
            kind: text("kind")?,
            subject: text("subject")?,
        })
    }
}

/// What was found out about an export.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// The checkpoint of its first line, when it can be read and is signed by the key.
    pub checkpoint: Option<Checkpoint>,
    /// The key by which checkpoints were judged.
    pub key: Option<VerifierKey>,
    /// How many entries were read, and their root.
    pub read: Head,
    /// The restores that its entries tell of.
    pub lineages: Lineages,
    /// What is wrong, in the order of the file.
    pub findings: Vec<Finding>,
    /// How many more things are wrong.
    pub more: u64,
}

/// A checkpoint that was kept elsewhere, and the root that the export has at its size.
#[derive(Clone)]
struct Kept {
    place: Place,
    stand: Stand,
    found: Option<Hash>,
}

/// Reads an export line by line and keeps no more of it than the right edge of its tree.
#[derive(Clone)]
pub struct Reader {
    verify: Verify,
    /// The keys by which signatures are judged: those that are known from elsewhere, else the first line's own.
    keys: Vec<VerifierKey>,
    /// The one of them by which the first line's checkpoint is.
    key: Option<VerifierKey>,
    checkpoint: Option<Checkpoint>,
    kept: Vec<Kept>,
    frontier: Frontier,
    next: i64,
    lineages: Lineages,
    findings: Vec<Finding>,
    more: u64,
}

impl Reader {
    /// Begins with the first line. `keys` are those that are known from elsewhere, several where one took another's place;
    /// without any the line's own is taken. `kept` are signed checkpoints that were kept elsewhere.
    pub fn new(
        first: &[u8],
        keys: impl IntoIterator<Item = VerifierKey>,
        kept: &[String],
        verify: Verify,
    ) -> Reader {
        let keys: Vec<VerifierKey> = keys.into_iter().collect();
        let mut reader = Reader {
            verify,
            key: keys.first().cloned(),
            keys,
            checkpoint: None,
            kept: Vec::new(),
            frontier: Frontier::new(),
            next: 0,
            lineages: Lineages::default(),
            findings: Vec::new(),
            more: 0,
        };
        if let Err(text) = reader.take_header(first) {
            reader.found(Place::Header, text);
        }
        for (n, note) in kept.iter().enumerate() {
            if let Err(text) = reader.take_kept(n, note) {
                reader.found(Place::Kept(n), text);
            }
        }
        reader.pass_kept();
        reader
    }

    fn found(&mut self, place: Place, text: impl Into<String>) {
        self.find(Finding { place, text: text.into(), is_restored: false });
    }

    fn find(&mut self, finding: Finding) {
        if self.findings.len() < FINDINGS_MAX {
            self.findings.push(finding);
        } else {
            self.more += 1;
        }
    }

    fn take_header(&mut self, first: &[u8]) -> Result<(), String> {
        let text = first.strip_suffix(b"\n").ok_or("does not end")?;
        let value: Value = serde_json::from_slice(text).map_err(|_| "is not that of an exported journal")?;
        let said = |name: &str| value[name].as_str();
        let (Some(FORM), Some(note), Some(key)) = (said("form"), said("checkpoint"), said("key")) else {
            return Err("is not that of an exported journal".into());
        };
        let written = VerifierKey::parse(key).map_err(|error| format!("its key {error}"))?;
        // What stands there beside the known fields would be hashed and signed by nobody.
        if header(note, &written).as_bytes() != first {
            return Err("was altered, or is of a form that this program does not know".into());
        }
        if self.keys.is_empty() {
            self.keys.push(written.clone());
        }
        let Some(key) = self.keys.iter().find(|key| is_one_signer(key, &written)) else {
            let known: Vec<String> = self.keys.iter().map(ToString::to_string).collect();
            return Err(format!("it names the key {written}, not {}", known.join(" or ")));
        };
        self.key = Some(key.clone());
        let checkpoint =
            Checkpoint::of_note(note, key, self.verify).map_err(|e| format!("its checkpoint {e}"))?;
        self.checkpoint = Some(checkpoint);
        Ok(())
    }

    fn take_kept(&mut self, n: usize, note: &str) -> Result<(), String> {
        if self.keys.is_empty() {
            return Err("there is no key to judge it by; give one with --key".into());
        }
        let kept = Checkpoint::of_any(note, &self.keys, self.verify).map_err(|error| error.to_string())?;
        self.kept.push(Kept { place: Place::Kept(n), stand: kept.stand(), found: None });
        Ok(())
    }

    /// Notes the root at each size that a kept checkpoint speaks of.
    fn pass_kept(&mut self) {
        let (size, root) = (self.frontier.size(), self.frontier.root());
        self.kept
            .iter_mut()
            .filter(|kept| kept.stand.head.size == size)
            .for_each(|kept| kept.found = Some(root));
    }

    /// Takes the next line, its newline included.
    pub fn take(&mut self, line: &[u8]) {
        let number = self.next;
        self.next += 1;
        let Some(text) = line.strip_suffix(b"\n") else {
            return self.found(Place::Entry(number), "its line does not end: the export is cut short");
        };
        let mut parts = text.splitn(2, |byte| *byte == b' ');
        let (hash, leaf) = (parts.next().unwrap_or_default(), parts.next().unwrap_or_default());
        let found = leaf_hash(leaf);
        let read = EntryRead::of(leaf);
        let opens = read.as_ref().is_ok_and(EntryRead::opens_lineage);
        let before = opens.then(|| Head { size: self.frontier.size(), root: self.frontier.root() });
        self.frontier.push(found, |_| ());
        self.pass_kept();
        if hash != found.to_hex().as_bytes() {
            return self.found(Place::Entry(number), "was altered: its bytes do not give its hash");
        }
        match read {
            Err(why) => self.found(Place::Entry(number), why),
            Ok(read) => {
                self.judge(number, &read);
                self.judge_lineage(&read, before.map(|before| (before, leaf)));
            }
        }
    }

    /// Judges whether an entry stands where it says.
    fn judge(&mut self, place: i64, read: &EntryRead) {
        if read.number != place {
            let text = match read.number - place {
                1 => format!("is missing; entry {} stands in its place", read.number),
                2.. => format!("and those up to {} are missing", read.number - 1),
                _ => format!("entry {} stands in its place", read.number),
            };
            self.found(Place::Entry(place), text);
            // A line too many does not move those after it.
            self.next = if read.number > place { read.number + 1 } else { place };
        }
        let site = self.checkpoint.as_ref().map(|checkpoint| checkpoint.origin.site);
        if site.is_some_and(|site| read.site != i64::from(site.0)) {
            self.found(Place::Entry(read.number), format!("belongs to the journal of site {}", read.site));
        }
    }

    /// Judges whether an entry is of the lineage that is open, or opens the next.
    fn judge_lineage(&mut self, read: &EntryRead, opens: Option<(Head, &[u8])>) {
        if let Err(fault) = self.lineages.take(read.lineage, opens) {
            self.found(Place::Entry(read.number), fault);
        }
    }

    /// Where the first thing is wrong, of what was read so far.
    pub fn found_first(&self) -> Option<Place> {
        self.findings.first().map(|finding| finding.place)
    }

    /// Judges the whole.
    pub fn end(mut self) -> Verdict {
        let read = Head { size: self.frontier.size(), root: self.frontier.root() };
        if let Some(head) = self.checkpoint.as_ref().map(|checkpoint| checkpoint.head) {
            if read.size < head.size {
                let text = format!(
                    "{} entries stand here of the {} that its checkpoint knows",
                    read.size, head.size
                );
                self.found(Place::End, text);
            } else if read.size > head.size {
                let text =
                    format!("{} entries stand here, and its checkpoint knows {}", read.size, head.size);
                self.found(Place::End, text);
            } else if read.root != head.root {
                self.found(Place::End, "the entries together do not give the root of its checkpoint");
            }
        }
        let (now, said) = (self.lineages.now(), self.checkpoint.as_ref().map(|c| c.origin.lineage));
        if let Some(said) = said.filter(|said| *said != now) {
            let text = format!("its checkpoint is of lineage {said}, and its entries are of lineage {now}");
            self.found(Place::End, text);
        }
        self.judge_kept(read.size);
        self.findings.sort_by_key(|finding| finding.place);
        let Reader { checkpoint, key, lineages, findings, more, .. } = self;
        Verdict { checkpoint, key, read, lineages, findings, more }
    }

    fn judge_kept(&mut self, size: i64) {
        self.kept.sort_by_key(|kept| (kept.stand.lineage, kept.stand.head.size));
        let mut whole_until = 0;
        let lineages = self.lineages.clone();
        for Kept { place, stand, found } in std::mem::take(&mut self.kept) {
            let head = stand.head;
            let fate = lineages.fate(stand.lineage, head.size);
            if let Some(text) = fate.words(stand) {
                let is_restored = !matches!(fate, Fate::Ahead(_));
                self.find(Finding { place, text, is_restored });
                continue;
            }
            match found {
                None => {
                    let text = format!(
                        "it knows {} entries and the export holds {size}: its tail is cut off, or the export is older",
                        head.size
                    );
                    self.found(place, text);
                }
                Some(root) if root != head.root => {
                    let text = format!(
                        "entries {whole_until} to {} are not those of which it was made; something there was altered",
                        head.size - 1
                    );
                    self.found(place, text);
                }
                Some(_) => whole_until = whole_until.max(head.size),
            }
        }
    }
}

/// Whether two keys are one, under the names of two lineages of one journal perhaps.
fn is_one_signer(one: &VerifierKey, other: &VerifierKey) -> bool {
    let origins = Origin::parse(one.name()).zip(Origin::parse(other.name()));
    let is_named_alike =
        one.name() == other.name() || origins.is_some_and(|(one, other)| one.is_of_the_journal(&other));
    one.public() == other.public() && is_named_alike
}
