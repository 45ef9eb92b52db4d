//! A disk on which one call fails, beneath a service that a test starts: a small library in C, made when it is needed, counts the
//! calls on files of the data folder and lets one of them fail (`tests/faults/calls.c`). A flush that fails loses what it was to keep.

use crate::disk::library;
use std::fs::{File, OpenOptions};
use std::os::unix::fs::FileExt as _;
use std::path::Path;
use tempfile::TempDir;

/// The system's number of an error of input or output, the same on every Linux.
pub const EIO: u64 = 5;
/// The same of a disk that is full.
pub const ENOSPC: u64 = 28;

/// Places of the words in the file that the library shares, as `calls.c` has them.
const SEEN: u64 = 0;
const FAIL_AT: u64 = 1;
const ERROR: u64 = 2;
const FLUSH: u64 = 3;
const FAILED: u64 = 4;
const WHAT: u64 = 5;
/// How long the file is, in bytes.
const BYTES: u64 = 256;

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
        calls.set(ERROR, EIO);
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

    /// Counts from nothing, and lets the call with this number fail with this error; none where the number is 0.
    pub fn fail_at(&self, number: u64, error: u64) {
        self.set(FAIL_AT, 0);
        for place in [SEEN, FAILED, WHAT] {
            self.set(place, 0);
        }
        self.set(ERROR, error);
        self.set(FAIL_AT, number);
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

    /// How many calls there were.
    pub fn seen(&self) -> u64 {
        self.word(SEEN)
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
