//! Checkpoints, proof files and exports, with signatures that only pretend: what is tested here is what is asked of them.

use fettler_domain::ids::SiteId;
use fettler_domain::journal::checkpoint::{Checkpoint, Origin};
use fettler_domain::journal::export::{Place, Reader, Verdict, header, line};
use fettler_domain::journal::note::{NoteError, SignedNote, VerifierKey};
use fettler_domain::journal::proof::Head;
use fettler_domain::journal::proof_file::{ProofError, ProofFile};
use fettler_domain::journal::tree::leaf_hash;
use fettler_domain::journal::{Canonical, Frontier, Kind, Leaf};
use fettler_domain::time::Ts;
use sha2::{Digest as _, Sha256};

/// What stands for a signature here: a digest of the public key and the message.
fn pretend(public: &[u8; 32], message: &[u8]) -> Vec<u8> {
    Sha256::digest([&public[..], message].concat()).to_vec()
}

fn verify(public: &[u8; 32], message: &[u8], signature: &[u8]) -> bool {
    pretend(public, message) == signature
}

const PUBLIC: [u8; 32] = [7; 32];

fn leaves(count: i64) -> Vec<String> {
    let leaf = |number| Leaf {
        site: SiteId(1),
        lineage: 1,
        number,
        at: Ts(1_795_600_200_123_456),
        person: None,
        token: None,
        request: None,
        kind: Kind::OrderClosed,
        subject: format!("orders/{number}"),
        after: Canonical::of(&serde_json::json!({"minutes": number})).expect("whole numbers"),
        before: None,
    };
    (0..count).map(|n| String::from_utf8(leaf(n).to_bytes().expect("canonical")).expect("UTF-8")).collect()
}

fn checkpoint(leaves: &[String]) -> Checkpoint {
    let mut frontier = Frontier::new();
    for leaf in leaves {
        frontier.push(leaf_hash(leaf.as_bytes()), |_| ());
    }
    let origin = Origin::new("a1b2", SiteId(1), 1).expect("plain");
    Checkpoint { origin, head: Head { size: frontier.size(), root: frontier.root() } }
}

fn key() -> VerifierKey {
    checkpoint(&[]).key(PUBLIC).expect("a key")
}

fn note(leaves: &[String]) -> String {
    SignedNote::sign(&checkpoint(leaves).text(), &key(), |message| pretend(&PUBLIC, message))
}

/// The lines of an export.
fn export(leaves: &[String]) -> Vec<String> {
    let mut lines = vec![header(&note(leaves), &key())];
    lines.extend(leaves.iter().map(|leaf| line(leaf)));
    lines
}

fn check(lines: &[String], kept: &[String]) -> Verdict {
    let mut reader = Reader::new(lines[0].as_bytes(), None, kept, verify);
    lines[1..].iter().for_each(|line| reader.take(line.as_bytes()));
    reader.end()
}

fn places(lines: &[String], kept: &[String]) -> Vec<Place> {
    check(lines, kept).findings.into_iter().map(|finding| finding.place).collect()
}

#[test]
fn a_whole_export_is_found_whole() {
    for count in [0, 1, 2, 9] {
        let all = leaves(count);
        let verdict = check(&export(&all), &[note(&all), note(&all[..all.len() / 2])]);
        assert_eq!(verdict.findings, []);
        assert_eq!(verdict.checkpoint, Some(checkpoint(&all)));
    }
}

#[test]
fn what_is_missing_twice_or_moved_is_named() {
    let lines = export(&leaves(9));
    let with = |change: fn(&mut Vec<String>)| {
        let mut lines = lines.clone();
        change(&mut lines);
        places(&lines, &[])
    };
    assert_eq!(with(|l| drop(l.remove(4))), [Place::Entry(3), Place::End]);
    assert_eq!(with(|l| drop(l.drain(4..7))), [Place::Entry(3), Place::End]);
    assert_eq!(with(|l| l.insert(4, l[4].clone())), [Place::Entry(4), Place::End]);
    assert_eq!(with(|l| l.swap(4, 5)), [Place::Entry(3), Place::Entry(5), Place::End]);
    assert_eq!(with(|l| drop(l.pop())), [Place::End]);
    assert_eq!(with(|l| l.insert(4, "what\n".into())), [Place::Entry(3), Place::Entry(4), Place::End]);
    assert_eq!(with(|l| _ = l[9].pop()), [Place::Entry(8), Place::End]);
    assert_eq!(with(|l| l.insert(2, "\n".into())), [Place::Entry(1), Place::Entry(2), Place::End]);
}

#[test]
fn an_older_export_or_another_past_is_found_by_a_kept_checkpoint() {
    let all = leaves(9);
    let older = export(&all[..6]);
    assert_eq!(places(&older, &[note(&all)]), [Place::Kept(0)]);
    assert_eq!(places(&older, &[note(&all[..6]), note(&all[..2])]), []);

    // Somebody who has the key writes another past: it is whole in itself.
    let mut other = all.clone();
    other[4] = other[4].replace("\"minutes\":4", "\"minutes\":5");
    assert_eq!(places(&export(&other), &[]), []);
    let verdict = check(&export(&other), &[note(&all[..4]), note(&all[..7]), note(&all)]);
    let texts: Vec<String> = verdict.findings.iter().map(ToString::to_string).collect();
    assert_eq!(
        texts,
        [
            "kept checkpoint 2: entries 4 to 6 are not those of which it was made; something there was altered",
            "kept checkpoint 3: entries 4 to 8 are not those of which it was made; something there was altered",
        ]
    );
}

#[test]
fn an_export_that_ends_early_or_belongs_elsewhere_is_not_believed() {
    let all = leaves(3);
    let elsewhere: Vec<String> = all.iter().map(|leaf| leaf.replace("\"site\":1", "\"site\":2")).collect();
    assert_eq!(places(&export(&elsewhere), &[]), [Place::Entry(0), Place::Entry(1), Place::Entry(2)]);
    let spaced: Vec<String> = all.iter().map(|leaf| leaf.replace(":{", ": {")).collect();
    assert_eq!(check(&export(&spaced), &[]).findings[0].text, "is not in canonical form");
    let other = VerifierKey::new(key().name(), [8; 32]).expect("a key");
    let reader = Reader::new(export(&all)[0].as_bytes(), Some(other), &[], verify);
    assert_eq!(reader.end().findings[0].place, Place::Header);
    // One of several keys is enough, whichever it is.
    let other = || VerifierKey::new(key().name(), [8; 32]).expect("a key");
    for keys in [[key(), other()], [other(), key()]] {
        let mut reader = Reader::new(export(&all)[0].as_bytes(), keys, &[note(&all[..2])], verify);
        for leaf in &all {
            reader.take(line(leaf).as_bytes());
        }
        let verdict = reader.end();
        assert_eq!((verdict.findings.as_slice(), verdict.key), (&[][..], Some(key())));
    }
    for first in ["", "\n", "{}\n", "{\"form\":\"fettler journal\"}\n"] {
        assert_eq!(Reader::new(first.as_bytes(), None, &[], verify).end().findings[0].place, Place::Header);
    }
}

#[test]
fn a_note_is_of_the_published_form() {
    // The example of c2sp.org/tlog-checkpoint; its key is not published, so its form is what can be read.
    let example = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n\
        \u{2014} example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n";
    let read = SignedNote::parse(example).expect("a note");
    assert!(read.text().ends_with("jxq2I=\n"));
    assert!(matches!(read.proven_by(&key(), verify), Err(NoteError::NotSigned(_))));
    for bad in [
        "",
        "text\n",
        "text\n\n",
        "text\n\n- a AAAA\n",
        "text\n\n\u{2014} a AAAA",
        "te\tt\n\n\u{2014} a AAAAAAA=\n",
    ] {
        assert!(matches!(SignedNote::parse(bad), Err(NoteError::NotNote(_))), "{bad:?}");
    }
    let text = key().to_string();
    assert_eq!(VerifierKey::parse(&text), Ok(key()));
    for bad in
        [text.to_uppercase(), text[1..].to_owned(), text.replace('+', " "), String::new(), format!("{text}=")]
    {
        assert_eq!(VerifierKey::parse(&bad), Err(NoteError::NotKey), "{bad}");
    }
}

#[test]
fn a_checkpoint_is_read_only_as_it_is_written() {
    let text = checkpoint(&leaves(3)).text();
    assert_eq!(Checkpoint::parse(&text), Some(checkpoint(&leaves(3))));
    let more = format!("{text}another line\n");
    assert_eq!(Checkpoint::parse(&more), Some(checkpoint(&leaves(3))));
    for bad in [
        text.replace("\n3\n", "\n03\n"),
        text.replace("site-1", "site-01"),
        text.replace('/', "."),
        format!("{text}\n"),
    ] {
        assert_eq!(Checkpoint::parse(&bad), None, "{bad}");
    }
    assert!(Origin::new("has space", SiteId(1), 1).is_none() && Origin::new("", SiteId(1), 1).is_none());
}

#[test]
fn a_proof_file_is_accepted_as_it_was_made_and_not_otherwise() {
    let all = leaves(2);
    let path = vec![leaf_hash(all[0].as_bytes())];
    let file = ProofFile { leaf: all[1].clone().into_bytes(), number: 1, path, checkpoint: note(&all) };
    let text = file.text();
    assert_eq!(ProofFile::parse(&text), Ok(file.clone()));
    assert_eq!(file.proven_by(&key(), verify), Ok(checkpoint(&all)));
    let only = leaves(1);
    let alone = ProofFile {
        leaf: only[0].clone().into_bytes(),
        number: 0,
        path: Vec::new(),
        checkpoint: note(&only),
    };
    assert_eq!(ProofFile::parse(&alone.text()).map(|file| file.proven_by(&key(), verify).is_ok()), Ok(true));

    let another = ProofFile { leaf: all[0].clone().into_bytes(), ..file.clone() };
    assert_eq!(another.proven_by(&key(), verify), Err(ProofError::NotIncluded { number: 1, size: 2 }));
    for at in 0..text.len() {
        for bit in 0..8 {
            let mut bent = text.clone().into_bytes();
            bent[at] ^= 1 << bit;
            let accepted = std::str::from_utf8(&bent).is_ok_and(|bent| {
                ProofFile::parse(bent).is_ok_and(|file| file.proven_by(&key(), verify).is_ok())
            });
            assert!(!accepted, "bit {bit} of byte {at}");
        }
    }
}
