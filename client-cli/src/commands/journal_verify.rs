//! `journal verify`: whether anything was altered, in a file or between checkpoints of the service.

use super::journal_proof::{key_in, odd, signed_now};
use crate::{
    args::journal::VerifyArgs,
    exit::{Answer, Failure},
    proving::{self, Report, verify},
    session::Session,
};
use fettler_domain::journal::Hash;
use fettler_domain::journal::checkpoint::Checkpoint;
use fettler_domain::journal::export::Reader;
use fettler_domain::journal::note::VerifierKey;
use fettler_domain::journal::proof::proves_consistency;
use fettler_proto::v1 as pb;
use std::path::Path;

/// The reason by which the service says that its journal does not go on from what it signed.
const ALTERED: &str = "JOURNAL_ALTERED";

/// Runs `journal verify`.
pub(super) async fn run(session: &Session, args: &VerifyArgs) -> Result<Answer, Failure> {
    let kept: Vec<String> =
        args.checkpoint.iter().map(|path| proving::read(path)).collect::<Result<_, _>>()?;
    let key = args.key.as_deref().map(key_in).transpose()?;
    match &args.file {
        Some(file) => of_file(file, &kept, key.as_ref())?.show(session),
        None => of_service(session, args, &kept, key).await,
    }
}

fn of_file(file: &Path, kept: &[String], key: Option<&VerifierKey>) -> Result<Report, Failure> {
    let mut reader = None;
    proving::lines(file, |line| match &mut reader {
        None => reader = Some(Reader::new(line, key.cloned(), kept, verify)),
        Some(reader) => reader.take(line),
    })?;
    let reader = reader.unwrap_or_else(|| Reader::new(b"", key.cloned(), kept, verify));
    Ok(Report::of_export(reader.end(), kept.len(), key.is_some()))
}

async fn of_service(
    session: &Session,
    args: &VerifyArgs,
    kept: &[String],
    key: Option<VerifierKey>,
) -> Result<Answer, Failure> {
    let (answer, now) = match signed_now(session).await {
        Err(Failure::Refused(complaint))
            if complaint.code.as_deref().is_some_and(|code| code.ends_with(ALTERED)) =>
        {
            session.out.data(&format!("NOT WHOLE: {}\n", complaint.message))?;
            return Ok(Answer::No);
        }
        other => other?,
    };
    let key_was_given = key.is_some();
    let key = match key {
        Some(key) => key,
        None => VerifierKey::parse(&answer.verifier_key).map_err(|_| odd("key"))?,
    };
    let mut report = match Checkpoint::of_note(&now.note, &key, verify) {
        Ok(checkpoint) => Report {
            origin: checkpoint.origin.to_string(),
            head: checkpoint.head,
            key: Some(key.clone()),
            key_was_given,
            held: Vec::new(),
            wrong: Vec::new(),
            more: 0,
        },
        Err(error) => {
            session.out.data(&format!("NOT WHOLE: the service's checkpoint {error}\n"))?;
            return Ok(Answer::No);
        }
    };
    if kept.is_empty()
        && let Some(note) = earlier(session, now.size).await?
    {
        go_on(session, &mut report, &key, "the service's checkpoint before", &note).await?;
    }
    for (path, note) in args.checkpoint.iter().zip(kept) {
        go_on(session, &mut report, &key, &path.display().to_string(), note).await?;
    }
    report.show(session)
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
    key: &VerifierKey,
    name: &str,
    note: &str,
) -> Result<(), Failure> {
    let old = match Checkpoint::of_note(note, key, verify) {
        Ok(old) => old.head,
        Err(error) => {
            report.wrong.push((name.to_owned(), error.to_string()));
            return Ok(());
        }
    };
    let new = report.head;
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
