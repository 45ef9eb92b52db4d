//! What verifies a journal on this machine: files read, signatures checked, what was found put into words.
//!
//! The rules are the domain's; here are only the files, and the provider of cryptography.

mod files;
mod report;

pub(crate) use files::{NewFile, lines, read};
pub(crate) use report::{Report, restores};

use ring::signature::{ED25519, UnparsedPublicKey};

/// Checks an Ed25519 signature.
pub(crate) fn verify(public: &[u8; 32], message: &[u8], signature: &[u8]) -> bool {
    UnparsedPublicKey::new(&ED25519, public).verify(message, signature).is_ok()
}
