//! Proofs over the journal's tree: published values, the definition written as it reads, and what must be refused.

use fettler_domain::journal::Hash;
use fettler_domain::journal::proof::{
    Full, Head, Span, consistency, inclusion, proves_consistency, proves_inclusion, root_of_peaks,
};
use fettler_domain::journal::tree::{leaf_hash, node_hash};

/// Leaves of the tests that the certificate transparency project publishes for RFC 6962
/// (github.com/transparency-dev/merkle, proof/verify_test.go).
const LEAVES: [&str; 8] =
    ["", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"];

/// Inclusion proofs of the same source: entry from 0, size, path.
const INCLUSIONS: &[(i64, i64, &[&str])] = &[
    (0, 1, &[]),
    (
        0,
        8,
        &[
            "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
        ],
    ),
    (
        5,
        8,
        &[
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        ],
    ),
    (2, 3, &["fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"]),
    (
        1,
        5,
        &[
            "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        ],
    ),
];

/// Consistency proofs of the same source: old size, new size, proof.
const CONSISTENCIES: &[(i64, i64, &[&str])] = &[
    (1, 1, &[]),
    (
        1,
        8,
        &[
            "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
        ],
    ),
    (
        6,
        8,
        &[
            "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        ],
    ),
    (
        2,
        5,
        &[
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        ],
    ),
    (
        6,
        7,
        &[
            "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
            "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        ],
    ),
];

fn read(text: &str) -> Hash {
    Hash(hex::decode(text).expect("hexadecimal").try_into().expect("32 bytes"))
}

fn published() -> Vec<Hash> {
    LEAVES.iter().map(|leaf| leaf_hash(&hex::decode(leaf).expect("hexadecimal"))).collect()
}

fn numbered(count: u32) -> Vec<Hash> {
    (0..count).map(|n| leaf_hash(&n.to_be_bytes())).collect()
}

/// The definition of RFC 6962, section 2.1, written as it reads.
fn mth(leaves: &[Hash]) -> Hash {
    match leaves {
        [] => root_of_peaks(&[]),
        [one] => *one,
        many => {
            let k = many.len().next_power_of_two() / 2;
            node_hash(&mth(&many[..k]), &mth(&many[k..]))
        }
    }
}

fn place(number: i64) -> usize {
    usize::try_from(number).expect("a place")
}

/// A span's root by the definition.
fn root(leaves: &[Hash], span: Span) -> Hash {
    mth(&leaves[place(span.first)..place(span.end)])
}

fn roots(leaves: &[Hash], spans: &[Span]) -> Vec<Hash> {
    spans.iter().map(|span| root(leaves, *span)).collect()
}

fn head(leaves: &[Hash], size: i64) -> Head {
    Head { size, root: mth(&leaves[..place(size)]) }
}

#[test]
fn published_proofs_are_made_and_accepted() {
    let leaves = published();
    for (number, size, path) in INCLUSIONS {
        let path: Vec<Hash> = path.iter().map(|hash| read(hash)).collect();
        assert_eq!(roots(&leaves, &inclusion(*number, *size)), path, "{number} of {size}");
        let root = head(&leaves, *size).root;
        assert!(proves_inclusion(leaves[place(*number)], *number, *size, &path, root));
    }
    for (old, new, proof) in CONSISTENCIES {
        let proof: Vec<Hash> = proof.iter().map(|hash| read(hash)).collect();
        assert_eq!(roots(&leaves, &consistency(*old, *new)), proof, "{old} to {new}");
        assert!(proves_consistency(head(&leaves, *old), head(&leaves, *new), &proof));
    }
}

/// Everything near a right proof that must not pass.
fn wrong(proof: &[Hash]) -> Vec<Vec<Hash>> {
    let some = leaf_hash(b"some other leaf");
    let mut wrong = vec![[proof, &[some]].concat(), [&[some], proof].concat()];
    for i in 0..proof.len() {
        let mut bent = proof.to_vec();
        bent[i].0[i % 32] ^= 1 << (i % 8);
        wrong.push(bent);
        wrong.push([&proof[..i], &proof[i + 1..]].concat());
    }
    wrong
}

#[test]
fn every_entry_of_every_small_tree_is_proven_and_nothing_else() {
    let leaves = numbered(70);
    for size in 1..=70_i64 {
        let Head { root, .. } = head(&leaves, size);
        for number in 0..size {
            let (leaf, path) = (leaves[place(number)], roots(&leaves, &inclusion(number, size)));
            assert!(proves_inclusion(leaf, number, size, &path, root), "{number} of {size}");
            assert!(!proves_inclusion(leaf, number + 1, size, &path, root), "{number} of {size}");
            assert!(!proves_inclusion(leaf, number, size, &path, leaf_hash(b"x")), "{number} of {size}");
            assert!(!proves_inclusion(leaf_hash(b"x"), number, size, &path, root), "{number} of {size}");
            for path in wrong(&path) {
                assert!(!proves_inclusion(leaf, number, size, &path, root), "{number} of {size}");
            }
        }
        assert!(!proves_inclusion(leaves[0], -1, size, &[], root));
        assert!(inclusion(size, size).is_empty() && inclusion(-1, size).is_empty());
    }
}

#[test]
fn every_small_tree_is_the_beginning_of_every_larger_one_and_of_no_other() {
    let leaves = numbered(50);
    for new in 1..=50_i64 {
        for old in 0..=new {
            let (before, after) = (head(&leaves, old), head(&leaves, new));
            let proof = roots(&leaves, &consistency(old, new));
            assert!(proves_consistency(before, after, &proof), "{old} to {new}");
            let other = Head { root: leaf_hash(b"x"), ..before };
            assert!(!proves_consistency(other, after, &proof), "{old} to {new}");
            assert!(!proves_consistency(before, Head { root: leaf_hash(b"x"), ..after }, &proof) || old == 0);
            assert!(old == new || !proves_consistency(after, before, &proof), "{old} to {new}");
            for proof in wrong(&proof) {
                assert!(!proves_consistency(before, after, &proof), "{old} to {new}");
            }
        }
    }
}

#[test]
fn spans_are_put_together_from_what_is_stored() {
    let leaves = numbered(1_500);
    let stored = |full: &Full| {
        let stored = full.stored();
        assert!(stored.count <= 128 && stored.level.is_multiple_of(8), "{stored:?}");
        let width = place(1 << stored.level);
        let hashes: Vec<Hash> = (stored.first..stored.first + stored.count)
            .map(|n| mth(&leaves[place(n) * width..(place(n) + 1) * width]))
            .collect();
        Full::root(&hashes).expect("some hashes")
    };
    for (number, size) in [(0, 1_500), (1_024, 1_500), (1_499, 1_500), (300, 777), (700, 1_281)] {
        for span in inclusion(number, size).into_iter().chain([Span::whole(size)]) {
            let peaks: Vec<Hash> = span.peaks().iter().map(stored).collect();
            assert_eq!(root_of_peaks(&peaks), root(&leaves, span), "{span:?}");
        }
    }
    assert_eq!(Full::root(&[]), None);
}
