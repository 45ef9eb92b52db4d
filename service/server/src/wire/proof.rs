//! Checkpoints and proofs.

use super::fields::Fields;
use super::time::stamp;
use crate::notary::Signed;
use fettler_domain::error::Error;
use fettler_domain::ids::OrderNumber;
use fettler_domain::journal::Hash;
use fettler_proto::v1;
use fettler_store::contract::KeptCheckpoint;

/// A checkpoint.
pub fn checkpoint(kept: &KeptCheckpoint) -> v1::Checkpoint {
    v1::Checkpoint {
        note: kept.note.clone(),
        size: kept.head.size,
        made_at: Some(stamp(kept.made_at)),
        lineage: i64::from(kept.lineage),
    }
}

/// A checkpoint of now.
pub fn signed(signed: &Signed) -> v1::GetCheckpointResponse {
    v1::GetCheckpointResponse {
        checkpoint: Some(checkpoint(&signed.kept)),
        verifier_key: signed.key.to_string(),
    }
}

/// Hashes as they are sent.
pub fn hashes(hashes: &[Hash]) -> Vec<Vec<u8>> {
    hashes.iter().map(|hash| hash.0.to_vec()).collect()
}

/// Reads from which size to which, of a journal that has `size` entries.
pub fn sizes(ask: &v1::GetConsistencyRequest, size: i64) -> Result<(i64, i64), Error> {
    let mut fields = Fields::new();
    let (old, new) = (ask.old_size, ask.new_size);
    if old < 0 {
        fields.wrong("old_size", format!("{old} is negative; give the size of a checkpoint"));
    }
    if new < old || new > size {
        let text =
            format!("{new} is not between the earlier size and {size}, the journal's own; give one that is");
        fields.wrong("new_size", text);
    }
    let right = old >= 0 && new >= old && new <= size;
    fields.finish(right.then_some((old, new)))
}

/// Which entry is to be proven.
pub enum Which {
    /// The entry with this number.
    Entry(i64),
    /// The one that records the closing of this order.
    Closing(OrderNumber),
}

/// Reads which entry is to be proven.
pub fn which(ask: &v1::GetInclusionRequest) -> Result<Which, Error> {
    let mut fields = Fields::new();
    let which = match ask.which {
        Some(v1::get_inclusion_request::Which::Order(order)) => {
            fields.order("order", order).map(Which::Closing)
        }
        Some(v1::get_inclusion_request::Which::Entry(entry)) if entry >= 0 => Some(Which::Entry(entry)),
        Some(v1::get_inclusion_request::Which::Entry(entry)) => {
            fields.wrong("entry", format!("{entry} is negative; entries are numbered from 0"));
            None
        }
        None => {
            fields.wrong("entry", "is missing; give an entry's number or an order's");
            None
        }
    };
    fields.finish(which)
}

/// That there is no entry with a number.
pub fn no_entry(number: i64, size: i64) -> Error {
    let remedy = format!("the journal has {size} entries, numbered from 0");
    Error::NotFound { kind: "entry", name: number.to_string(), remedy }
}

/// Reads the first entry that is wanted.
pub fn from(ask: &v1::ListLeavesRequest) -> Result<i64, Error> {
    let mut fields = Fields::new();
    if ask.from < 0 {
        fields.wrong("from", format!("{} is negative; entries are numbered from 0", ask.from));
    }
    fields.finish((ask.from >= 0).then_some(ask.from))
}

/// An entry's bytes as a text; they always are one.
pub fn leaf(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}
