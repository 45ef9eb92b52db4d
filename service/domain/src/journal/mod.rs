//! The journal: one leaf per fact, in a Merkle tree per site.
//!
//! * [`canonical`]: the one byte form of a JSON value (RFC 8785, integers only).
//! * [`leaf`]: what a leaf holds. Its form is version 1 and never changes; a later form gets a new version.
//! * [`tree`]: RFC 6962 hashes, the frontier that lets a tree grow in constant space, and its root.
//! * [`proof`]: which subtrees prove that an entry, or an earlier tree, is part of a tree; and how that is checked.
//! * [`note`], [`checkpoint`]: the signed statement of what a journal was at a size.
//! * [`lineage`]: what a restore from a backup does to a journal.
//! * [`export`], [`proof_file`]: a journal and an entry's proof as files that are checked without a service.

pub mod canonical;
pub mod checkpoint;
pub mod export;
pub mod leaf;
pub mod lineage;
pub mod note;
pub mod proof;
pub mod proof_file;
pub mod tree;

pub use canonical::{Canonical, ObjectWriter};
pub use leaf::{Kind, Leaf, Sealed};
pub use tree::{Frontier, Hash};
