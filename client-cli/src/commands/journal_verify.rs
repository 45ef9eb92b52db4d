//! `journal verify`: whether anything was altered, in a file or in the service, each entry read and held against checkpoints.

use super::journal_proof::{entries, inclusion, key_in, odd, signed_now};
use super::paging;
use crate::{
    args::journal::VerifyArgs,
    exit::{Answer, Failure},
    proving::{self, Report, restores, verify},
    session::Session,
};
use fettler_domain::journal::checkpoint::Checkpoint;
use fettler_domain::journal::export::{Reader, header};
use fettler_domain::journal::lineage::{self, Fate, Lineages, Opening};
use fettler_domain::journal::note::{NoteError, SignedNote, VerifierKey};
use fettler_domain::journal::proof::proves_consistency;
use fettler_domain::journal::{Hash, Kind};
use fettler_proto::v1::{self as pb, get_inclusion_request::Which};
use std::path::Path;

/// The reason by which the service says that its journal does not go on from what it signed.
const ALTERED: &str = "JOURNAL_ALTERED";

/// What to do about a checkpoint that none of the keys has signed.
const EARLIER_KEY: &str =
    "Where the key was replaced, give both, the present one and the earlier, each with a --key";

/// Runs `journal verify`.
pub(super) async fn run(session: &Session, args: &VerifyArgs) -> Result<Answer, Failure> {
    let kept: Vec<String> =
        args.checkpoint.iter().map(|path| checkpoint_in(path)).collect::<Result<_, _>>()?;
    let keys: Vec<VerifierKey> = args.key.iter().map(|path| key_in(path)).collect::<Result<_, _>>()?;
    match &args.file {
        Some(file) => of_file(file, args, &kept, &keys)?.show(session),
        None => of_service(session, args, &kept, keys).await,
    }
}

/// A note that was kept. Another file that was named by mistake says nothing against the journal.
fn checkpoint_in(path: &Path) -> Result<String, Failure> {
    let note = proving::read(path)?;
    match SignedNote::parse(&note) {
        Ok(_) => Ok(note),
        Err(error) => {
            Err(Failure::usage(format!("{} {error}; give a checkpoint that was kept", path.display())))
        }
    }
}

/// Why a checkpoint is not taken, and what to do where none of the keys has signed it.
fn unsigned(error: &NoteError) -> String {
    match error {
        NoteError::NotSigned(_) => format!("{error}. {EARLIER_KEY}"),
        NoteError::NotKey | NoteError::NotNote(_) | NoteError::Altered(_) => error.to_string(),
    }
}

/// What a file begins with that is a checkpoint or a proof, and no export.
const OTHER_FORMS: [(&[u8], &str); 2] = [(b"fettler/", "a checkpoint"), (b"c2sp.org/tlog-proof", "a proof")];

fn of_file(file: &Path, args: &VerifyArgs, kept: &[String], keys: &[VerifierKey]) -> Result<Report, Failure> {
    let (mut reader, mut other) = (None, None);
    proving::lines(file, |line| match &mut reader {
        None => {
            other = OTHER_FORMS.iter().find(|(begins, _)| line.starts_with(begins)).map(|(_, what)| *what);
            reader = Some(Reader::new(line, keys.to_vec(), kept, verify));
        }
        Some(reader) => reader.take(line),
    })?;
    if let Some(what) = other {
        let text = format!(
            "{} is {what}, not an exported journal; a proof is held by `journal confirm`",
            file.display()
        );
        return Err(Failure::usage(text));
    }
    let reader = reader.unwrap_or_else(|| Reader::new(b"", keys.to_vec(), kept, verify));
    Ok(Report::of_export(reader.end(), &names(args), !keys.is_empty()))
}

/// What the checkpoints that were kept are called.
fn names(args: &VerifyArgs) -> Vec<String> {
    args.checkpoint.iter().map(|path| path.display().to_string()).collect()
}

async fn of_service(
    session: &Session,
    args: &VerifyArgs,
    kept: &[String],
    mut keys: Vec<VerifierKey>,
) -> Result<Answer, Failure> {
    let (answer, now) = match signed_now(session).await {
        Err(Failure::Refused(complaint))
            if complaint.code.as_deref().is_some_and(|code| code.ends_with(ALTERED)) =>
        {
            return Report::of_refusal(complaint.message).show(session);
        }
        other => other?,
    };
    let key_was_given = !keys.is_empty();
    let own = VerifierKey::parse(&answer.verifier_key).map_err(|_| odd("key"))?;
    if keys.is_empty() {
        keys.push(own.clone());
    }
    let keys = keys.as_slice();
    let mut report = match Checkpoint::of_any(&now.note, keys, verify) {
        Ok(checkpoint) => Report {
            key: keys.iter().find(|key| key.public() == own.public()).cloned(),
            key_was_given,
            kept_was_given: !kept.is_empty(),
            ..Report::of(checkpoint.origin.to_string(), checkpoint.head)
        },
        Err(error) => {
            return Report::of_refusal(format!("its checkpoint {}", unsigned(&error))).show(session);
        }
    };
    let lineages = lineages(session, &mut report, keys, &now).await?;
    if kept.is_empty()
        && let Some(note) = earlier(session, now.size).await?
    {
        let name = "the service's checkpoint before";
        // One that an earlier key signed says nothing against the journal, but cannot be judged without that key.
        if let Err(NoteError::NotSigned(_)) = Checkpoint::of_any(&note, keys, verify) {
            report
                .passed_over
                .push(format!("{name} was not looked at: another key signed it. {EARLIER_KEY}"));
        } else {
            go_on(session, &mut report, (keys, &lineages), name, &note).await?;
        }
    }
    for (name, note) in names(args).iter().zip(kept) {
        go_on(session, &mut report, (keys, &lineages), name, note).await?;
    }
    // The hashes of the proofs are those that the service has stored: whether the entries are still those of the hashes, they alone show.
    let mut reader = Reader::new(header(&now.note, &own).as_bytes(), keys.to_vec(), &[], verify);
    entries(session, now.size, |line| {
        reader.take(line.as_bytes());
        Ok(())
    })
    .await?;
    report.add(reader.end());
    report.show(session)
}

/// The lineages of the journal: the entries that tell of restores, each proven to stand in it.
async fn lineages(
    session: &Session,
    report: &mut Report,
    keys: &[VerifierKey],
    now: &pb::Checkpoint,
) -> Result<Lineages, Failure> {
    let mut openings = Vec::new();
    if now.lineage > i64::from(lineage::FIRST) {
        let request = pb::ListEntriesRequest {
            site: session.site(),
            from: Some(0),
            kind: Kind::JournalRestored.word().to_owned(),
            page_size: paging::PAGE_MAX,
            ..Default::default()
        };
        let answer = session
            .ask(&request, |link, request| async move { link.journal().list_entries(request).await })
            .await?;
        for entry in answer.entries {
            let proof = inclusion(session, Which::Entry(entry.number)).await?;
            let opening = Opening::read(&proof.leaf).filter(|opening| opening.number == proof.number);
            let proven = keys.iter().map(|key| proof.proven_by(key, verify)).reduce(Result::or);
            match (proven.ok_or_else(|| odd("key"))?, opening) {
                (Ok(_), Some(opening)) => openings.push(opening),
                (Err(error), _) => report.wrong.push((format!("entry {}", entry.number), error.to_string())),
                (Ok(_), None) => return Err(odd("entry of a restore")),
            }
        }
    }
    let lineages = Lineages::of(openings);
    report.restores = restores(&lineages);
    if i64::from(lineages.now()) != now.lineage {
        let text = format!("it is of lineage {}, and no entry opens that", now.lineage);
        report.wrong.push(("the service's checkpoint".to_owned(), text));
    }
    Ok(lineages)
}

/// The checkpoint that the service signed before, with fewer entries.
async fn earlier(session: &Session, size: i64) -> Result<Option<String>, Failure> {
    let request =
        pb::ListCheckpointsRequest { site: session.site(), page_size: 2, page_token: String::new() };
    let answer = session
        .ask(&request, |link, request| async move { link.proofs().list_checkpoints(request).await })
        .await?;
    Ok(answer
        .checkpoints
        .into_iter()
        .find(|checkpoint| checkpoint.size < size)
        .map(|checkpoint| checkpoint.note))
}

/// Judges whether the journal goes on from an earlier checkpoint.
async fn go_on(
    session: &Session,
    report: &mut Report,
    (keys, lineages): (&[VerifierKey], &Lineages),
    name: &str,
    note: &str,
) -> Result<(), Failure> {
    let kept = match Checkpoint::of_any(note, keys, verify) {
        Ok(kept) => kept.stand(),
        Err(error) => {
            report.wrong.push((name.to_owned(), unsigned(&error)));
            return Ok(());
        }
    };
    let Some(new) = report.head else { return Ok(()) };
    let old = kept.head;
    let fate = lineages.fate(kept.lineage, old.size);
    if let Some(text) = fate.words(kept) {
        let told = if let Fate::Ahead(_) = fate { &mut report.wrong } else { &mut report.gone };
        told.push((name.to_owned(), text));
        return Ok(());
    }
    if old.size > new.size {
        let text = format!(
            "it knows {} entries and the journal has {}: it was set back, or its tail was cut off",
            old.size, new.size
        );
        report.wrong.push((name.to_owned(), text));
        return Ok(());
    }
    let request = pb::GetConsistencyRequest { site: session.site(), old_size: old.size, new_size: new.size };
    let answer = session
        .ask(&request, |link, request| async move { link.proofs().get_consistency(request).await })
        .await?;
    let hash = |bytes: &Vec<u8>| <[u8; 32]>::try_from(bytes.as_slice()).map(Hash).map_err(|_| odd("hash"));
    let proof: Vec<Hash> = answer.hashes.iter().map(hash).collect::<Result<_, _>>()?;
    if proves_consistency(old, new, &proof) {
        report.held.push(format!("it goes on from {name}, of {} entries", old.size));
    } else {
        let text = format!(
            "the {} entries that it knows are not those of the journal; something was altered",
            old.size
        );
        report.wrong.push((name.to_owned(), text));
    }
    Ok(())
}
