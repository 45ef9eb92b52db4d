//! Proofs of RFC 6962, section 2.1: which subtrees a proof consists of, and how one is checked.
//!
//! A proof is first a list of [`Span`]s, so that whoever keeps the hashes can fetch just those; their roots, in the same
//! order, are the proof that is sent.

use super::tree::{Hash, STORED_LEVEL_STEP, node_hash};
use sha2::{Digest as _, Sha256};

/// The most hashes that a proof can have: two for each level of a tree of 2^63 leaves.
pub const PROOF_HASHES_MAX: usize = 126;

/// Neighbouring leaves that are one node of a larger tree: `first` to before `end`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Span {
    /// The first leaf.
    pub first: i64,
    /// The leaf after the last.
    pub end: i64,
}

/// A full subtree of 2^level leaves, the `index`-th of its level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Full {
    /// Height above the leaves.
    pub level: u32,
    /// Position among the subtrees of its level, from 0.
    pub index: i64,
}

/// Neighbouring hashes as they are stored: of leaves (level 0), or of nodes of a stored level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stored {
    /// The stored level.
    pub level: u32,
    /// The first position at that level.
    pub first: i64,
    /// How many.
    pub count: i64,
}

impl Span {
    /// All leaves of a tree.
    pub const fn whole(size: i64) -> Span {
        Span { first: 0, end: size }
    }

    const fn len(self) -> i64 {
        self.end - self.first
    }

    /// Its two subtrees: the left one is the largest full one that is smaller than all. It has two leaves or more.
    const fn halves(self) -> (Span, Span) {
        let middle = self.first + (1 << (self.len() - 1).ilog2());
        (Span { first: self.first, end: middle }, Span { first: middle, end: self.end })
    }

    /// The full subtrees that it is made of, largest first.
    pub fn peaks(self) -> Vec<Full> {
        let mut peaks = Vec::new();
        let mut first = self.first;
        while first < self.end {
            let level = (self.end - first).ilog2();
            peaks.push(Full { level, index: first >> level });
            first += 1 << level;
        }
        peaks
    }
}

impl Full {
    /// The stored hashes that give its own.
    pub const fn stored(self) -> Stored {
        let level = self.level - self.level % STORED_LEVEL_STEP;
        let count = 1 << (self.level - level);
        Stored { level, first: self.index * count, count }
    }

    /// Its hash from those of [`Full::stored`], as many as it says; none from none.
    pub fn root(hashes: &[Hash]) -> Option<Hash> {
        match hashes {
            [] => None,
            [one] => Some(*one),
            many => {
                let (left, right) = many.split_at(many.len() / 2);
                Some(node_hash(&Full::root(left)?, &Full::root(right)?))
            }
        }
    }
}

/// The root over neighbouring peaks, largest first; over none, SHA-256 of nothing.
pub fn root_of_peaks(peaks: &[Hash]) -> Hash {
    let Some((last, rest)) = peaks.split_last() else { return Hash(Sha256::digest([]).into()) };
    rest.iter().rev().fold(*last, |right, left| node_hash(left, &right))
}

/// The subtrees whose roots prove that leaf `number` stands in a tree of `size` leaves, from the leaf's neighbour up to
/// the root's child. Empty when there is no such leaf.
pub fn inclusion(number: i64, size: i64) -> Vec<Span> {
    let mut path = Vec::new();
    let mut at = Span::whole(size);
    if !(0..size).contains(&number) {
        return path;
    }
    while at.len() > 1 {
        let (left, right) = at.halves();
        let (inside, beside) = if number < left.end { (left, right) } else { (right, left) };
        path.push(beside);
        at = inside;
    }
    path.reverse();
    path
}

/// The subtrees whose roots prove that a tree of `old` leaves is the beginning of one of `new` leaves. Empty where nothing
/// is to be proven: from an empty tree, to the same tree.
pub fn consistency(old: i64, new: i64) -> Vec<Span> {
    let mut proof = Vec::new();
    if !(1..new).contains(&old) {
        return proof;
    }
    let (mut at, mut is_whole_old) = (Span::whole(new), true);
    while old < at.end {
        let (left, right) = at.halves();
        if old <= left.end {
            proof.push(right);
            at = left;
        } else {
            proof.push(left);
            at = right;
            is_whole_old = false;
        }
    }
    if !is_whole_old {
        proof.push(at);
    }
    proof.reverse();
    proof
}

/// The way from a leaf up to the root, as RFC 9162 walks it: the place on the level, and the last place there is.
struct Climb {
    at: i64,
    last: i64,
}

impl Climb {
    fn up(&mut self) {
        self.at >>= 1;
        self.last >>= 1;
    }

    /// Whether the next hash stands to the left; then the levels on which nothing stands to the right are passed.
    fn is_left(&mut self) -> bool {
        if self.at & 1 == 0 && self.at != self.last {
            return false;
        }
        while self.at & 1 == 0 && self.at != 0 {
            self.up();
        }
        true
    }
}

/// Whether a path proves that a leaf stands at `number` in the tree of `size` leaves with this root (RFC 9162, 2.1.3.2).
pub fn proves_inclusion(leaf: Hash, number: i64, size: i64, path: &[Hash], root: Hash) -> bool {
    if !(0..size).contains(&number) {
        return false;
    }
    let mut climb = Climb { at: number, last: size - 1 };
    let mut found = leaf;
    for beside in path {
        if climb.last == 0 {
            return false;
        }
        found = if climb.is_left() { node_hash(beside, &found) } else { node_hash(&found, beside) };
        climb.up();
    }
    climb.last == 0 && found == root
}

/// A tree by its size and its root.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Head {
    /// The number of leaves.
    pub size: i64,
    /// The root.
    pub root: Hash,
}

/// Whether a proof shows that the tree of `old` is the beginning of that of `new` (RFC 9162, 2.1.4.2).
pub fn proves_consistency(old: Head, new: Head, proof: &[Hash]) -> bool {
    if old.size < 0 || old.size > new.size {
        return false;
    }
    if old.size == new.size {
        return proof.is_empty() && old.root == new.root;
    }
    if old.size == 0 {
        return proof.is_empty() && old.root == root_of_peaks(&[]);
    }
    let mut climb = Climb { at: old.size - 1, last: new.size - 1 };
    while climb.at & 1 == 1 {
        climb.up();
    }
    // A full old tree is itself the first hash, and is left out.
    let (first, rest) = if old.size.count_ones() == 1 {
        (old.root, proof)
    } else {
        let Some((first, rest)) = proof.split_first() else { return false };
        (*first, rest)
    };
    let (mut as_old, mut as_new) = (first, first);
    for beside in rest {
        if climb.last == 0 {
            return false;
        }
        if climb.is_left() {
            as_old = node_hash(beside, &as_old);
            as_new = node_hash(beside, &as_new);
        } else {
            as_new = node_hash(&as_new, beside);
        }
        climb.up();
    }
    climb.last == 0 && as_old == old.root && as_new == new.root
}
