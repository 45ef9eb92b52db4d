//! A proof that one entry stands in the journal, as a small file in the published form of C2SP (c2sp.org/tlog-proof): the
//! entry's bytes as its extra data, its number, the path, and the signed checkpoint that the path leads to.

use super::checkpoint::Checkpoint;
use super::note::{NoteError, VerifierKey, Verify};
use super::proof::{PROOF_HASHES_MAX, proves_inclusion};
use super::tree::{Hash, leaf_hash};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use std::fmt::Write as _;

/// The first line.
const FORM: &str = "c2sp.org/tlog-proof@v1";

/// Why a proof is not accepted.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ProofError {
    /// It is not of the published form.
    #[error("is not a proof file: {0}")]
    Form(&'static str),
    /// Its checkpoint is not accepted.
    #[error("its checkpoint {0}")]
    Checkpoint(#[from] NoteError),
    /// The path does not lead from the entry to the checkpoint.
    #[error(
        "entry {number} does not stand so in the journal: its path does not lead to the checkpoint of {size} entries"
    )]
    NotIncluded {
        /// The entry's number.
        number: i64,
        /// The checkpoint's size.
        size: i64,
    },
}

/// An entry with its proof.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProofFile {
    /// The entry's bytes.
    pub leaf: Vec<u8>,
    /// The entry's number.
    pub number: i64,
    /// The hashes beside the way to the root, from the leaf's neighbour up.
    pub path: Vec<Hash>,
    /// The signed checkpoint.
    pub checkpoint: String,
}

impl ProofFile {
    /// The file's text.
    pub fn text(&self) -> String {
        let mut text = format!("{FORM}\nextra {}\nindex {}\n", STANDARD.encode(&self.leaf), self.number);
        for hash in &self.path {
            // Writing to a string cannot fail.
            let _ = writeln!(text, "{}", STANDARD.encode(hash.0));
        }
        text + "\n" + &self.checkpoint
    }

    /// Reads a file's text.
    pub fn parse(text: &str) -> Result<ProofFile, ProofError> {
        let (head, checkpoint) = text.split_once("\n\n").ok_or(ProofError::Form("it has no empty line"))?;
        let mut lines = head.split('\n');
        if lines.next() != Some(FORM) {
            return Err(ProofError::Form("its first line is another"));
        }
        let mut said = |word: &'static str| lines.next().and_then(|line| line.strip_prefix(word));
        let leaf = said("extra ").and_then(|text| STANDARD.decode(text).ok());
        let leaf = leaf.ok_or(ProofError::Form("its second line does not hold the entry"))?;
        let index =
            said("index ").ok_or(ProofError::Form("its third line does not hold the entry's number"))?;
        let number: i64 = index.parse().map_err(|_| ProofError::Form("the entry's number cannot be read"))?;
        if number < 0 || number.to_string() != index {
            return Err(ProofError::Form("the entry's number is not written as a number is"));
        }
        let hash = |line: &str| STANDARD.decode(line).ok()?.try_into().ok().map(Hash);
        let path: Option<Vec<Hash>> = lines.take(PROOF_HASHES_MAX + 1).map(hash).collect();
        let path = path.ok_or(ProofError::Form("a hash of the path cannot be read"))?;
        Ok(ProofFile { leaf, number, path, checkpoint: checkpoint.to_owned() })
    }

    /// The checkpoint that proves the entry, when this key has signed it and the path leads to it.
    pub fn proven_by(&self, key: &VerifierKey, verify: Verify) -> Result<Checkpoint, ProofError> {
        let checkpoint = Checkpoint::of_note(&self.checkpoint, key, verify)?;
        let (leaf, number, head) = (leaf_hash(&self.leaf), self.number, checkpoint.head);
        if proves_inclusion(leaf, number, head.size, &self.path, head.root) {
            Ok(checkpoint)
        } else {
            Err(ProofError::NotIncluded { number, size: head.size })
        }
    }
}
