//! Signed notes and their keys, in the published form of C2SP (c2sp.org/signed-note): a text, an empty line, and a line
//! for each signature. Only Ed25519 is known here.
//!
//! Signing and checking a signature are done by whoever calls, so that the one provider of cryptography is its choice.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest as _, Sha256};
use std::fmt;

/// The signature type of Ed25519 in a key and in its id.
const ED25519: u8 = 1;
/// What a signature line begins with: an em dash and a space.
const DASH: &str = "\u{2014} ";
/// The longest note that is looked at, in bytes: far above a checkpoint with the 16 signatures that must be taken.
pub const NOTE_BYTES_MAX: usize = 64 << 10;

/// Checks an Ed25519 signature (RFC 8032): public key, message, signature.
pub type Verify = fn(&[u8; 32], &[u8], &[u8]) -> bool;

/// Why a note or key cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoteError {
    /// The text is no verifier key.
    #[error("is not a verifier key; it reads NAME+ID+KEY, as `fettler journal key` prints it")]
    NotKey,
    /// The text is no signed note.
    #[error("is not a signed note: {0}")]
    NotNote(&'static str),
    /// The key has not signed it.
    #[error("is not signed by the key {0}")]
    NotSigned(String),
    /// The key's signature does not fit the text.
    #[error("was altered: the signature of {0} does not fit it")]
    Altered(String),
}

/// The public half of a signing key, with the name under which it signs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VerifierKey {
    name: String,
    public: [u8; 32],
}

impl VerifierKey {
    /// A key under a name, which has no space and no plus.
    pub fn new(name: impl Into<String>, public: [u8; 32]) -> Result<VerifierKey, NoteError> {
        let name = name.into();
        let fits = !name.is_empty()
            && !name.contains('+')
            && !name.chars().any(|c| c.is_whitespace() || c.is_control());
        if fits { Ok(VerifierKey { name, public }) } else { Err(NoteError::NotKey) }
    }

    /// Reads NAME+ID+KEY.
    pub fn parse(text: &str) -> Result<VerifierKey, NoteError> {
        let mut parts = text.splitn(3, '+');
        let (Some(name), Some(_), Some(key)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(NoteError::NotKey);
        };
        let bytes = STANDARD.decode(key).map_err(|_| NoteError::NotKey)?;
        let Some((&ED25519, public)) = bytes.split_first() else { return Err(NoteError::NotKey) };
        let public = public.try_into().map_err(|_| NoteError::NotKey)?;
        let key = VerifierKey::new(name, public)?;
        // The id follows from the rest, so the text is right only as a whole.
        if key.to_string() == text { Ok(key) } else { Err(NoteError::NotKey) }
    }

    /// The name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The public key of RFC 8032.
    pub fn public(&self) -> &[u8; 32] {
        &self.public
    }

    /// The first four bytes of SHA-256 over name, newline, signature type and public key.
    pub fn id(&self) -> [u8; 4] {
        let mut sha = Sha256::new();
        sha.update(self.name.as_bytes());
        sha.update([b'\n', ED25519]);
        sha.update(self.public);
        let [a, b, c, d, ..]: [u8; 32] = sha.finalize().into();
        [a, b, c, d]
    }
}

impl fmt::Display for VerifierKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let key = [&[ED25519][..], &self.public].concat();
        write!(f, "{}+{}+{}", self.name, hex::encode(self.id()), STANDARD.encode(key))
    }
}

/// A note whose form is right. Its text is to be heeded only after [`SignedNote::proven_by`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignedNote {
    text: String,
    signatures: Vec<Signature>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Signature {
    name: String,
    id: [u8; 4],
    bytes: Vec<u8>,
}

impl Signature {
    fn parse(line: &str) -> Option<Signature> {
        let (name, text) = line.strip_prefix(DASH)?.split_once(' ')?;
        let bytes = STANDARD.decode(text).ok()?;
        let (id, bytes) = bytes.split_first_chunk()?;
        (!name.is_empty()).then(|| Signature { name: name.to_owned(), id: *id, bytes: bytes.to_vec() })
    }
}

impl SignedNote {
    /// Reads a note.
    pub fn parse(note: &str) -> Result<SignedNote, NoteError> {
        if note.len() > NOTE_BYTES_MAX {
            return Err(NoteError::NotNote("it is too long"));
        }
        if note.chars().any(|c| c < ' ' && c != '\n') {
            return Err(NoteError::NotNote("it holds a control character"));
        }
        let Some(end) = note.rfind("\n\n") else { return Err(NoteError::NotNote("it has no empty line")) };
        let (text, lines) = (&note[..=end], &note[end + 2..]);
        let Some(lines) = lines.strip_suffix('\n') else {
            return Err(NoteError::NotNote("its last line does not end"));
        };
        let signatures: Option<Vec<Signature>> = lines.split('\n').map(Signature::parse).collect();
        let signatures = signatures.ok_or(NoteError::NotNote("a signature line cannot be read"))?;
        Ok(SignedNote { text: text.to_owned(), signatures })
    }

    /// Signs a text, which ends in a newline, and gives the note.
    pub fn sign(text: &str, key: &VerifierKey, sign: impl FnOnce(&[u8]) -> Vec<u8>) -> String {
        let signature = [&key.id()[..], &sign(text.as_bytes())].concat();
        format!("{text}\n{DASH}{} {}\n", key.name, STANDARD.encode(signature))
    }

    /// The text, its last newline included.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Whether the key has signed the text. Signatures of other keys are passed over; one of this key that does not fit
    /// is an alteration.
    pub fn proven_by(&self, key: &VerifierKey, verify: Verify) -> Result<(), NoteError> {
        let id = key.id();
        let mut own = self.signatures.iter().filter(|s| s.name == key.name && s.id == id).peekable();
        if own.peek().is_none() {
            return Err(NoteError::NotSigned(key.to_string()));
        }
        if own.all(|signature| verify(&key.public, self.text.as_bytes(), &signature.bytes)) {
            Ok(())
        } else {
            Err(NoteError::Altered(key.to_string()))
        }
    }
}
