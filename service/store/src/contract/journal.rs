//! The journal, as it is listed.

use fettler_domain::ids::PersonId;
use fettler_domain::time::Ts;

/// A journal entry as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryRecord {
    /// Its index in the tree.
    pub number: i64,
    /// When it was recorded.
    pub at: Ts,
    /// Its kind's word.
    pub kind: String,
    /// What it is about.
    pub subject: String,
    /// Who said it.
    pub person: Option<PersonId>,
    /// The stored bytes.
    pub leaf: Vec<u8>,
    /// The RFC 6962 leaf hash.
    pub hash: [u8; 32],
    /// The note that the leaf holds as a digest; none when there is none, or it was erased.
    pub note: Option<String>,
}

/// Which entries to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EntryFilter {
    /// From this number on, oldest first; none means newest first.
    pub from: Option<i64>,
    /// Kinds that start so.
    pub kind: Option<String>,
    /// About this subject.
    pub subject: Option<String>,
}

/// The head of a journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JournalHead {
    /// The lineage.
    pub lineage: u32,
    /// How many entries.
    pub size: i64,
    /// The root.
    pub root: [u8; 32],
}
