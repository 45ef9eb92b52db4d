//! The journal: one leaf per fact, in a Merkle tree per site.
//!
//! * [`canonical`]: the one byte form of a JSON value (RFC 8785, integers only).
//! * [`leaf`]: what a leaf holds. Its form is version 1 and never changes; a later form gets a new version.
//! * [`tree`]: RFC 6962 hashes, the frontier that lets a tree grow in constant space, and its root.

pub mod canonical;
pub mod leaf;
pub mod tree;

pub use canonical::{Canonical, ObjectWriter};
pub use leaf::{Kind, Leaf, Sealed};
pub use tree::{Frontier, Hash};
