//! Journal entries.

use super::fields::Fields;
use super::people::{Names, known_by};
use super::time::stamp;
use fettler_domain::error::Error;
use fettler_domain::journal::Kind;
use fettler_domain::journal::lineage::Opening;
use fettler_domain::pin::Known;
use fettler_proto::v1;
use fettler_store::contract::{EntryFilter, EntryRecord, JournalHead};
use serde_json::Value;

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
    if let Some(remedy) = kind.iter().flatten().find_map(|kind| Kind::none_starts(kind)) {
        fields.wrong("kind", format!("`{}` is no kind of entry; {remedy}", ask.kind));
    }
    let subject = fields.line("subject", &ask.subject, SUBJECT_MAX).map(some);
    fields.finish(from.zip(kind).zip(subject).map(|((from, kind), subject)| EntryFilter {
        from,
        kind,
        subject,
    }))
}

/// An entry.
pub fn entry(record: &EntryRecord, names: &Names) -> v1::Entry {
    v1::Entry {
        number: record.number,
        recorded_at: Some(stamp(record.at)),
        kind: record.kind.clone(),
        subject: record.subject.clone(),
        by: names.of_some(record.person),
        known_by: known_by(record.person, known_in(&record.leaf)).into(),
        text: in_words(record),
        leaf: String::from_utf8_lossy(&record.leaf).into_owned(),
        leaf_hash: hex::encode(record.hash),
    }
}

/// What is told of a leaf's state: its words, in this order, wherever the state has them.
const TOLD: [&str; 7] = ["tag", "name", "title", "key", "machine", "outcome", "as_found"];

/// An entry in words: what happened to what, and the note that the leaf itself holds as a digest only.
fn in_words(record: &EntryRecord) -> String {
    if record.kind == Kind::JournalRestored.word()
        && let Some(opening) = Opening::read(&record.leaf)
    {
        return format!("journal restored: {}", opening.in_short());
    }
    let mut parts = told(&record.leaf);
    parts.extend(record.note.clone().filter(|note| !note.is_empty()));
    let what = record.kind.replace(['.', '_'], " ");
    if parts.is_empty() { what } else { format!("{what}: {}", parts.join(", ")) }
}

/// How the leaf says that its person was known.
fn known_in(leaf: &[u8]) -> Option<Known> {
    let leaf: Value = serde_json::from_slice(leaf).unwrap_or_default();
    leaf["after"]["known"].as_str().and_then(Known::from_word)
}

fn told(leaf: &[u8]) -> Vec<String> {
    let leaf: Value = serde_json::from_slice(leaf).unwrap_or_default();
    let state = &leaf["after"];
    let within = ["content", "card"].map(|part| &state[part]);
    let of = |word: &str| {
        let found = [state].into_iter().chain(within).find_map(|part| part[word].as_str())?;
        // Names of people stand as digests; their names are told elsewhere.
        let is_digest = found.len() == 64 && found.bytes().all(|b| b.is_ascii_hexdigit());
        (!found.is_empty() && !is_digest).then(|| found.replace('_', " "))
    };
    TOLD.into_iter().filter_map(of).collect()
}

/// The journal's head.
pub fn head(head: &JournalHead) -> v1::GetJournalHeadResponse {
    v1::GetJournalHeadResponse {
        lineage: i64::from(head.lineage),
        size: head.size,
        root: hex::encode(head.root),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::time::Ts;

    #[test]
    fn an_entry_tells_what_its_state_names_and_never_a_digest() {
        let check = |kind: &str, after: &str, note: Option<&str>, expect: &str| {
            let record = EntryRecord {
                number: 0,
                at: Ts(0),
                kind: kind.into(),
                subject: "orders/7".into(),
                person: None,
                leaf: format!("{{\"after\":{after}}}").into_bytes(),
                hash: [0; 32],
                note: note.map(str::to_owned),
            };
            assert_eq!(entry(&record, &Names::default()).text, expect);
        };
        let report = r#"{"content":{"kind":"interval","machine":"L-03"},"outcome":"accepted"}"#;
        check("report.arrived", report, None, "report arrived: L-03, accepted");
        let person = format!("{{\"name\":\"{}\"}}", "a9".repeat(32));
        check("person.added", &person, None, "person added");
        let closing = r#"{"as_found":"broke_down","order":7}"#;
        check("order.closed", closing, Some("bowl torn"), "order closed: broke down, bowl torn");
        check("order.closed", "not JSON", None, "order closed");
    }
}
