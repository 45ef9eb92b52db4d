//! The Merkle tree of RFC 6962, section 2.1: leaf and node hashes, and the root of a tree that only grows.

use sha2::{Digest as _, Sha256};
use std::fmt;

/// A SHA-256 hash.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Hash(pub [u8; 32]);

impl Hash {
    /// The hash in lower-case hexadecimal.
    pub fn to_hex(self) -> String {
        hex::encode(self.0)
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.to_hex())
    }
}

/// `SHA-256(0x00 || bytes)`.
pub fn leaf_hash(bytes: &[u8]) -> Hash {
    let mut sha = Sha256::new();
    sha.update([0]);
    sha.update(bytes);
    Hash(sha.finalize().into())
}

/// `SHA-256(0x01 || left || right)`.
pub fn node_hash(left: &Hash, right: &Hash) -> Hash {
    let mut sha = Sha256::new();
    sha.update([1]);
    sha.update(left.0);
    sha.update(right.0);
    Hash(sha.finalize().into())
}

/// The level of the node hashes that are stored: one hash for every 2^8 leaves, so that a proof reads at most a few
/// times 256 hashes and a write stores next to nothing beside its leaf.
pub const STORED_LEVEL_STEP: u32 = 8;

/// A node hash to be stored: the root of a full subtree of 2^level leaves, the `index`-th of its level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Node {
    /// Height above the leaves; a multiple of [`STORED_LEVEL_STEP`].
    pub level: u32,
    /// Position among the nodes of its level, from 0.
    pub index: i64,
    /// Its hash.
    pub hash: Hash,
}

/// The right edge of a tree: the roots of its full subtrees, largest first. Enough to append and to give the root.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Frontier {
    size: i64,
    peaks: Vec<Hash>,
}

impl Frontier {
    /// An empty tree.
    pub fn new() -> Frontier {
        Frontier::default()
    }

    /// A tree of `size` leaves with these peaks, as [`Frontier::to_bytes`] wrote them; `None` when they do not fit.
    pub fn from_bytes(size: i64, bytes: &[u8]) -> Option<Frontier> {
        let peaks: Vec<Hash> =
            bytes.chunks_exact(32).map(|c| c.try_into().map(Hash)).collect::<Result<_, _>>().ok()?;
        let fits = size >= 0 && bytes.len().is_multiple_of(32) && peaks.len() == size.count_ones() as usize;
        fits.then_some(Frontier { size, peaks })
    }

    /// The peaks, 32 bytes each.
    pub fn to_bytes(&self) -> Vec<u8> {
        self.peaks.iter().flat_map(|hash| hash.0).collect()
    }

    /// The number of leaves.
    pub fn size(&self) -> i64 {
        self.size
    }

    /// Appends a leaf's hash; calls `stored` for each node hash that is to be kept.
    pub fn push(&mut self, leaf: Hash, mut stored: impl FnMut(Node)) {
        let (mut hash, mut level, mut rest) = (leaf, 0_u32, self.size);
        while rest & 1 == 1 {
            // The invariant of the frontier: one peak for each set bit of the size.
            let Some(left) = self.peaks.pop() else { break };
            hash = node_hash(&left, &hash);
            level += 1;
            rest >>= 1;
            if level.is_multiple_of(STORED_LEVEL_STEP) {
                stored(Node { level, index: rest, hash });
            }
        }
        self.peaks.push(hash);
        self.size += 1;
    }

    /// The tree's root; for an empty tree SHA-256 of nothing.
    pub fn root(&self) -> Hash {
        let mut peaks = self.peaks.iter().rev();
        let Some(last) = peaks.next() else { return Hash(Sha256::digest([]).into()) };
        peaks.fold(*last, |right, left| node_hash(left, &right))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition of RFC 6962, section 2.1, written as it reads.
    fn mth(leaves: &[Hash]) -> Hash {
        match leaves {
            [] => Hash(Sha256::digest([]).into()),
            [one] => *one,
            many => {
                let k = many.len().next_power_of_two() / 2;
                node_hash(&mth(&many[..k]), &mth(&many[k..]))
            }
        }
    }

    #[test]
    fn roots_equal_the_known_test_vectors() {
        // Leaves and roots of the certificate transparency reference tests for RFC 6962 (from memory).
        let leaves = [
            "",
            "00",
            "10",
            "2021",
            "3031",
            "40414243",
            "5051525354555657",
            "606162636465666768696a6b6c6d6e6f",
        ];
        let roots = [
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
            "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
            "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
            "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
            "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
            "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
            "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
            "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
        ];
        let mut frontier = Frontier::new();
        assert_eq!(frontier.root().to_hex(), roots[0]);
        for (leaf, root) in leaves.iter().zip(&roots[1..]) {
            frontier.push(leaf_hash(&hex::decode(leaf).expect("hex")), |_| ());
            assert_eq!(frontier.root().to_hex(), *root);
        }
    }

    #[test]
    fn the_frontier_agrees_with_the_definition_and_survives_storage() {
        let mut frontier = Frontier::new();
        let mut leaves = Vec::new();
        let mut nodes = Vec::new();
        for i in 0..1_100_u32 {
            let hash = leaf_hash(&i.to_be_bytes());
            leaves.push(hash);
            frontier.push(hash, |node| nodes.push(node));
            if i % 97 == 0 || i > 1_090 {
                assert_eq!(frontier.root(), mth(&leaves), "{i}");
            }
            frontier = Frontier::from_bytes(frontier.size(), &frontier.to_bytes()).expect("round trip");
        }
        assert_eq!(nodes.len(), 4);
        for node in nodes {
            let first = usize::try_from(node.index).expect("small") * 256;
            assert_eq!((node.level, node.hash), (8, mth(&leaves[first..first + 256])));
        }
        assert_eq!(Frontier::from_bytes(3, &[0; 32]), None);
    }
}
