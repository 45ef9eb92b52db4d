//! What is bent by chance beside the client's files: page tokens, recurrence rules, proofs and exports of the journal.

use crate::fuzz::Target;
use fettler_domain::journal::export::Reader;
use fettler_domain::journal::note::VerifierKey;
use fettler_domain::journal::proof_file::ProofFile;
use fettler_domain::rule::Recurrence;
use fettler_domain::time::ShopDay;
use fettler_proto::v1::{ListDueRequest, ListMachinesRequest, ListPeopleRequest, ListReadingsRequest};
use fettler_server::notary::signer::verify;
use fettler_server::wire::page;
use fettler_store::contract::{DueCursor, PageAsk};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::fmt::Debug;

/// The names of the targets.
pub const NAMES: [&str; 4] = ["page-token", "recurrence", "proof-file", "journal-export"];

/// Reads an input, and says what it found.
type Read = fn(&[u8]) -> String;

/// Calls `run` with a target.
///
/// # Panics
///
/// When there is none of this name.
pub fn with<T>(name: &str, run: impl FnOnce(&mut Target<'_>) -> T) -> T {
    let (words, read): (&[&str], Read) = match name {
        "page-token" => (&["[", "]", "null", "\"", "1e400", "{}", "-9223372036854775809"], page_token),
        "recurrence" => (PARTS, recurrence),
        "proof-file" => {
            (&["index ", "extra ", "\n\n", "c2sp.org/tlog-proof@v1\n", "fettler/", "— ", "="], proof_file)
        }
        "journal-export" => (
            &["\"checkpoint\":", "\"v\":1", "\"kind\":", "\\n", "\\u0000", "{", "}", "null", "— "],
            journal_export,
        ),
        other => panic!("there is no target {other}"),
    };
    run(&mut Target { name, words, read: &mut |bytes| read(bytes) })
}

const PARTS: &[&str] = &[
    "RRULE:",
    "FREQ=",
    "YEARLY",
    "MONTHLY",
    "WEEKLY",
    "DAILY",
    "HOURLY",
    "SECONDLY",
    "INTERVAL=",
    "COUNT=",
    "UNTIL=",
    "BYDAY=",
    "BYMONTH=",
    "BYMONTHDAY=",
    "BYYEARDAY=",
    "BYWEEKNO=",
    "BYSETPOS=",
    "BYHOUR=",
    "BYEASTER=",
    "WKST=",
    "MO",
    "-1SU",
    "53MO",
    "29",
    "30",
    "31",
    "-366",
    "366",
    "20280229",
    "20271231T235959Z",
    ";",
    ",",
    "=",
];

fn recurrence(bytes: &[u8]) -> String {
    let from = ShopDay("2026-03-04".parse().expect("a day"));
    match Recurrence::new(&String::from_utf8_lossy(bytes), from) {
        Ok(rule) => {
            let first: Vec<ShopDay> = rule.days().take(5).collect();
            assert!(first.is_sorted() && first.first() == rule.next(from).as_ref(), "{first:?}");
            let far = from.plus_days(20_000);
            assert!(rule.before(far).is_none_or(|last| last < far), "{}", rule.text());
            let again = Recurrence::new(rule.text(), from).expect("its own text");
            assert_eq!(again, rule);
            format!("read {}", rule.text())
        }
        Err(error) => format!("{error:?}"),
    }
}

/// A cursor that nobody made, bound to its query as if the service had.
fn page_token(bytes: &[u8]) -> String {
    fn asked<R: page::Paged, K: DeserializeOwned + Serialize + Debug>(
        request: &R,
        cursor: Option<&serde_json::Value>,
        text: &str,
        put: impl Fn(&mut R, String),
    ) -> String {
        let mut raw = request.clone();
        put(&mut raw, text.to_owned());
        let refused = page::ask::<R, K>(&raw).is_err() || text.is_empty();
        assert!(refused, "what nobody bound is refused: {text}");
        let mut bound = request.clone();
        let token = page::token(request, cursor);
        put(&mut bound, token);
        let asked: Result<PageAsk<K>, _> = page::ask(&bound);
        format!("{asked:?}")
    }
    let text = String::from_utf8_lossy(bytes);
    let cursor: Option<serde_json::Value> = serde_json::from_slice(bytes).ok();
    let cursor = cursor.as_ref();
    [
        asked::<_, DueCursor>(&ListDueRequest::default(), cursor, &text, |ask, token| ask.page_token = token),
        asked::<_, i64>(&ListReadingsRequest::default(), cursor, &text, |ask, token| ask.page_token = token),
        asked::<_, String>(&ListPeopleRequest::default(), cursor, &text, |ask, token| ask.page_token = token),
        asked::<_, (String, String)>(&ListMachinesRequest::default(), cursor, &text, |ask, token| {
            ask.page_token = token;
        }),
    ]
    .join("\n")
}

/// The key that signed the proof and the export of the corpus.
fn key() -> VerifierKey {
    const KEY: &str =
        "fettler/c33628e5b7047d96/site-1/lineage-1+51626675+AeCMqDLcbgPQvAtZ80G0TjlcZXAg9M/xW27s3AefH3xt";
    VerifierKey::parse(KEY).expect("a key")
}

/// The entry that the corpus' proof proves: no bent one proves another.
fn proof_file(bytes: &[u8]) -> String {
    match ProofFile::parse(&String::from_utf8_lossy(bytes)) {
        Ok(proof) => match proof.proven_by(&key(), verify) {
            Ok(checkpoint) => {
                assert!(proof.number == 2 && proof.leaf.len() == LEAF_BYTES, "it proves {proof:?}");
                format!("{checkpoint:?}")
            }
            Err(error) => format!("{error:?}"),
        },
        Err(error) => format!("{error:?}"),
    }
}

/// Bytes of the entry that the corpus proves.
const LEAF_BYTES: usize = 444;

fn journal_export(bytes: &[u8]) -> String {
    let mut lines = bytes.split_inclusive(|byte| *byte == b'\n');
    let mut reader = Reader::new(lines.next().unwrap_or_default(), Some(key()), &[], verify);
    lines.for_each(|line| reader.take(line));
    format!("{:?}", reader.end().findings)
}
