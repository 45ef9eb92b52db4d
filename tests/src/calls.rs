//! A disk on which one call fails, beneath a service that a test starts: a small library in C, made when it is needed, counts the
//! calls on files of the data folder and lets one of them fail (`tests/faults/calls.c`). A flush that fails loses what it was to keep.

use crate::disk::library;
use std::fs::{File, OpenOptions};
use std::os::unix::fs::FileExt as _;
use std::path::Path;
use tempfile::TempDir;

/// What a call fails with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// A call that needs room meets an error of input or output (`EIO`).
    Broken,
    /// It finds none (`ENOSPC`).
    Full,
    /// A call that needs no room meets an error of input or output. These are numbered apart, as it is chance which of the connections
    /// that read has read a page before.
    Unread,
}

impl Fault {
    /// All.
    pub const ALL: [Fault; 3] = [Fault::Broken, Fault::Full, Fault::Unread];

    /// The system's number of it, the same on every Linux.
    fn number(self) -> u64 {
        match self {
            Fault::Broken | Fault::Unread => 5,
            Fault::Full => 28,
        }
    }

    /// Whether calls that need room meet it, as `calls.c` has it.
    fn of_room(self) -> u64 {
        u64::from(self != Fault::Unread)
    }
}

/// The kinds of calls, in the order that `calls.c` counts them in. An open that may make the file is a create.
pub const KINDS: [&str; 10] =
    ["open", "create", "read", "write", "flush", "truncate", "chmod", "rename", "unlink", "mkdir"];

/// Places of the words in the file that the library shares, as `calls.c` has them.
const FAIL_AT: u64 = 0;
const OF_ROOM: u64 = 1;
const ERROR: u64 = 2;
const FLUSH: u64 = 3;
const FAILED: u64 = 4;
/// Calls that need no room, and those that do.
const SEEN: [u64; 2] = [5, 6];
const OF_KINDS: u64 = 7;
const WHAT: u64 = OF_KINDS + KINDS.len() as u64;
/// How long the file is, in bytes.
const BYTES: u64 = WHAT * 8 + 216;

/// How many calls there were.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    of_room: [u64; 2],
    /// By kind, in the order of [`KINDS`].
    pub kinds: [u64; KINDS.len()],
}

impl Seen {
    /// All.
    pub fn all(&self) -> u64 {
        self.kinds.iter().sum()
    }

    /// Those that can meet a fault.
    pub fn that_meet(&self, fault: Fault) -> u64 {
        self.of_room[usize::from(fault.of_room() == 1)]
    }
}

/// Such a disk.
#[derive(Debug)]
pub struct Calls {
    folder: TempDir,
    words: File,
}

impl Default for Calls {
    fn default() -> Calls {
        Calls::make()
    }
}

impl Calls {
    /// One on which nothing fails.
    pub fn make() -> Calls {
        let folder = tempfile::tempdir().expect("a folder");
        library("calls.c", &folder.path().join("calls.so"));
        let words = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(true)
            .open(folder.path().join("words"));
        let words = words.expect("a file of words");
        words.set_len(BYTES).expect("room for the words");
        let calls = Calls { folder, words };
        calls.set(ERROR, Fault::Broken.number());
        calls
    }

    /// What a service on this data folder is started with so that it has this disk.
    pub fn environment(&self, data: &Path) -> Vec<(String, String)> {
        let path = |name: &str| self.folder.path().join(name).display().to_string();
        vec![
            ("LD_PRELOAD".into(), path("calls.so")),
            ("FETTLER_TEST_CALLS".into(), path("words")),
            ("FETTLER_TEST_FOLDER".into(), data.display().to_string()),
        ]
    }

    fn set(&self, place: u64, word: u64) {
        self.words.write_all_at(&word.to_ne_bytes(), place * 8).expect("a word is written");
    }

    fn word(&self, place: u64) -> u64 {
        let mut bytes = [0; 8];
        self.words.read_exact_at(&mut bytes, place * 8).expect("a word");
        u64::from_ne_bytes(bytes)
    }

    /// Counts from nothing, and lets nothing fail.
    pub fn count(&self) {
        self.pass();
        for place in FAILED..=WHAT {
            self.set(place, 0);
        }
    }

    /// Counts from nothing, and lets the call with this number, of those that can meet this fault, fail with it.
    pub fn fail_at(&self, number: u64, fault: Fault) {
        self.count();
        self.set(OF_ROOM, fault.of_room());
        self.set(ERROR, fault.number());
        self.set(FAIL_AT, number);
    }

    /// Lets nothing fail from now on; what has failed is still told.
    pub fn pass(&self) {
        self.set(FAIL_AT, 0);
    }

    /// Lets the next flush of the database's own file fail.
    pub fn fail_next_flush(&self) {
        self.set(FLUSH, 1);
    }

    /// Lets a flush of the database's log be answered as done, though it lost what it was to keep: the third, as the first is that of the
    /// log's own head, which is read only after a crash.
    pub fn lie_at_third_flush(&self) {
        self.set(FLUSH, 4);
    }

    /// How many calls there were since counting began.
    pub fn seen(&self) -> Seen {
        Seen {
            of_room: SEEN.map(|place| self.word(place)),
            kinds: std::array::from_fn(|kind| self.word(OF_KINDS + kind as u64)),
        }
    }

    /// Whether a call was let fail.
    pub fn has_failed(&self) -> bool {
        self.word(FAILED) > 0
    }

    /// Which call was let fail, and on which file.
    pub fn what(&self) -> String {
        let mut bytes = [0; 200];
        self.words.read_exact_at(&mut bytes, WHAT * 8).expect("a text");
        let end = bytes.iter().position(|&b| b == 0).unwrap_or(bytes.len());
        String::from_utf8_lossy(&bytes[..end]).into_owned()
    }
}
