//! Journal entries.

use super::fields::Fields;
use super::people::Names;
use super::time::stamp;
use fettler_domain::error::Error;
use fettler_proto::v1;
use fettler_store::contract::{EntryFilter, EntryRecord, JournalHead};

/// The longest kind and the longest subject that can be asked for, in characters.
const SUBJECT_MAX: usize = 300;

/// Which entries to list.
pub fn filter(ask: &v1::ListEntriesRequest) -> Result<EntryFilter, Error> {
    let mut fields = Fields::new();
    let from = match ask.from {
        Some(from) if from < 0 => {
            fields.wrong("from", format!("{from} is negative; entries are numbered from 0"));
            None
        }
        from => Some(from),
    };
    let some = |text: String| (!text.is_empty()).then_some(text);
    let kind = fields.line("kind", &ask.kind, SUBJECT_MAX).map(some);
    let subject = fields.line("subject", &ask.subject, SUBJECT_MAX).map(some);
    fields.finish(from.zip(kind).zip(subject).map(|((from, kind), subject)| EntryFilter {
        from,
        kind,
        subject,
    }))
}

/// An entry.
pub fn entry(record: &EntryRecord, names: &Names) -> v1::Entry {
    let by = names.of_some(record.person);
    v1::Entry {
        number: record.number,
        recorded_at: Some(stamp(record.at)),
        kind: record.kind.clone(),
        subject: record.subject.clone(),
        text: in_words(record, &by),
        by,
        leaf: String::from_utf8_lossy(&record.leaf).into_owned(),
        leaf_hash: hex::encode(record.hash),
    }
}

/// An entry in words: what, about what, by whom, and the note that the leaf itself holds as a digest only.
fn in_words(record: &EntryRecord, by: &str) -> String {
    let mut words = format!("{}: {}", record.subject, record.kind.replace(['.', '_'], " "));
    if !by.is_empty() {
        words.push_str(" by ");
        words.push_str(by);
    }
    if let Some(note) = record.note.as_deref().filter(|note| !note.is_empty()) {
        words.push_str(": ");
        words.push_str(note);
    }
    words
}

/// The journal's head.
pub fn head(head: &JournalHead) -> v1::GetJournalHeadResponse {
    v1::GetJournalHeadResponse {
        lineage: i64::from(head.lineage),
        size: head.size,
        root: hex::encode(head.root),
    }
}
