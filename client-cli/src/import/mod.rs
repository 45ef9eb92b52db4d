//! Run hours as other programs write them, on their way to the service: a mapping file says how a source's files are
//! read, and what was read is sent as `hours push` sends it.
//!
//! A reader makes reports of tables (`table`) or counter values of documents and logs (`streams`, `shdr`), of which
//! `counters` keeps as many as the mapping asks for. What was passed over, and why, is counted in `facts`. Nothing
//! here decides what counts as hours: that is the service's. Every report's id follows from the data alone, so that
//! an import may be repeated, cut off and gone on with.

pub(crate) mod agent;
mod amount;
pub(crate) mod counters;
pub(crate) mod facts;
pub(crate) mod follow;
mod keep;
pub(crate) mod mapping;
pub(crate) mod markup;
pub(crate) mod shdr;
pub(crate) mod state;
pub(crate) mod streams;
pub(crate) mod table;
pub(crate) mod table_form;
mod wall;

use sha2::{Digest as _, Sha256};
use std::fmt::Write as _;

/// The most characters of a report's id, as the contract bounds it.
const ID_CHARS_MAX: usize = 120;
/// How many bytes of a digest stand for an id that is too long: enough that no two are the same by chance.
const DIGEST_BYTES: usize = 20;

/// A report's id made of what names it in its source. A longer one is told by its beginning and its digest (SHA-256).
fn report_id(parts: &[&str]) -> String {
    let whole = parts.join("/");
    if whole.chars().count() <= ID_CHARS_MAX {
        return whole;
    }
    let mut id: String = whole.chars().take(ID_CHARS_MAX - 2 * DIGEST_BYTES - 1).collect();
    id.push('~');
    for byte in Sha256::digest(whole.as_bytes()).iter().take(DIGEST_BYTES) {
        // Writing to a string cannot fail.
        let _ = write!(id, "{byte:02x}");
    }
    id
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_ids_stay_apart_and_within_the_bound() {
        assert_eq!(report_id(&["mill-7", "1", "42", "op"]), "mill-7/1/42/op");
        let long = "x".repeat(130);
        let ids = [report_id(&[&long, "1"]), report_id(&[&long, "2"])];
        assert!(ids.iter().all(|id| id.chars().count() == ID_CHARS_MAX), "{ids:?}");
        assert_ne!(ids[0], ids[1]);
        assert_eq!(ids[0], report_id(&[&long, "1"]));
    }
}
