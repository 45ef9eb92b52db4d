//! `journal checkpoint`, `checkpoints`, `key`, `export`, `proof` and `confirm`: what is kept elsewhere.

use super::paging;
use crate::{
    args::{
        OutputForm,
        journal::{CheckpointsArgs, ConfirmArgs, ExportArgs, ProofArgs},
    },
    exit::{Answer, Complaint, Failure},
    proving::{self, NewFile, Report, verify},
    render::table::Table,
    session::Session,
    times::rfc3339,
};
use fettler_domain::journal::Hash;
use fettler_domain::journal::export::{EntryRead, Reader, header, kept_line, line};
use fettler_domain::journal::note::VerifierKey;
use fettler_domain::journal::proof_file::ProofFile;
use fettler_domain::time::Ts;
use fettler_proto::v1::{self as pb, get_inclusion_request::Which};
use std::path::Path;

/// Asks for a checkpoint of now.
pub(super) async fn signed_now(
    session: &Session,
) -> Result<(pb::GetCheckpointResponse, pb::Checkpoint), Failure> {
    let request = pb::GetCheckpointRequest { site: session.site() };
    let answer = session
        .ask(&request, |link, request| async move { link.proofs().get_checkpoint(request).await })
        .await?;
    let checkpoint = answer.checkpoint.clone().ok_or_else(|| odd("a checkpoint"))?;
    Ok((answer, checkpoint))
}

/// That the service's answer lacks what it always has.
pub(super) fn odd(what: &str) -> Failure {
    Failure::Refused(Complaint::new(format!(
        "the service's answer holds no {what} that this client can read"
    )))
}

/// Reads a key's file.
pub(super) fn key_in(path: &Path) -> Result<VerifierKey, Failure> {
    let text = proving::read(path)?;
    VerifierKey::parse(text.trim()).map_err(|error| Failure::usage(format!("{}: {error}", path.display())))
}

/// `journal checkpoint`.
pub(super) async fn checkpoint(session: &Session) -> Result<Answer, Failure> {
    let (answer, checkpoint) = signed_now(session).await?;
    let rows = || {
        let mut table = Table::new(["size", "made_at", "verifier_key", "note"]);
        let made_at = rfc3339(checkpoint.made_at.as_ref());
        table.push([
            checkpoint.size.to_string(),
            made_at,
            answer.verifier_key.clone(),
            checkpoint.note.clone(),
        ]);
        table
    };
    session.show(&answer, || checkpoint.note.clone(), rows)?;
    Ok(Answer::Done)
}

/// `journal checkpoints`.
pub(super) async fn checkpoints(session: &Session, args: CheckpointsArgs) -> Result<Answer, Failure> {
    let site = session.site();
    let all: pb::ListCheckpointsResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListCheckpointsRequest { site: site.clone(), page_size, page_token };
        async move {
            session
                .ask(&request, |link, request| async move { link.proofs().list_checkpoints(request).await })
                .await
        }
    })
    .await?;
    let rows = || {
        let mut table = Table::new(["lineage", "size", "made_at", "root"]);
        for checkpoint in &all.checkpoints {
            let root = checkpoint.note.lines().nth(2).unwrap_or_default().to_owned();
            table.push([
                checkpoint.lineage.to_string(),
                checkpoint.size.to_string(),
                rfc3339(checkpoint.made_at.as_ref()),
                root,
            ]);
        }
        table
    };
    session.show_list(&all, "nothing was signed yet", rows)?;
    Ok(Answer::Done)
}

/// `journal key`.
pub(super) async fn key(session: &Session) -> Result<Answer, Failure> {
    let (answer, _) = signed_now(session).await?;
    let rows = || {
        let mut table = Table::new(["verifier_key"]);
        table.push([answer.verifier_key.clone()]);
        table
    };
    session.show(&answer, || format!("{}\n", answer.verifier_key), rows)?;
    Ok(Answer::Done)
}

/// `journal export`: what is written is verified as it is written.
pub(super) async fn export(session: &Session, args: ExportArgs) -> Result<Answer, Failure> {
    let mut file = NewFile::begin(&args.file)?;
    let (answer, checkpoint) = signed_now(session).await?;
    let key = VerifierKey::parse(&answer.verifier_key).map_err(|_| odd("key"))?;
    let first = header(&checkpoint.note, &key);
    file.write(&first)?;
    let mut reader = Reader::new(first.as_bytes(), None, &[], verify);
    let written = entries(session, checkpoint.size, |line| {
        reader.take(line.as_bytes());
        file.write(line)
    })
    .await?;
    file.end()?;
    let report = Report::of_export(reader.end(), &[], true);
    if report.is_whole() {
        session.out.note(&format!("{written} entries written to {}\n", args.file.display()));
        return Ok(Answer::Done);
    }
    report.show(session)
}

/// Hands over the lines of an export, one for each of the first entries; gives how many there were.
pub(super) async fn entries(
    session: &Session,
    size: i64,
    mut take: impl FnMut(&str) -> Result<(), Failure>,
) -> Result<usize, Failure> {
    let size = usize::try_from(size).unwrap_or_default();
    let (mut page_token, mut read) = (String::new(), 0);
    while read < size {
        let request =
            pb::ListLeavesRequest { site: session.site(), from: 0, page_size: paging::PAGE_MAX, page_token };
        let page = session
            .ask(&request, |link, request| async move { link.proofs().list_leaves(request).await })
            .await?;
        // A service that is older tells no hashes.
        let hashes: Vec<Hash> =
            page.hashes.iter().filter_map(|hash| Some(Hash(hash.as_slice().try_into().ok()?))).collect();
        let told = hashes.len() == page.leaves.len();
        for (at, leaf) in page.leaves.iter().take(size - read).enumerate() {
            take(&if told { kept_line(&hashes[at], leaf) } else { line(leaf) })?;
            read += 1;
        }
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    Ok(read)
}

async fn asked_inclusion(
    session: &Session,
    which: Option<Which>,
) -> Result<pb::GetInclusionResponse, Failure> {
    let request = pb::GetInclusionRequest { site: session.site(), which };
    session.ask(&request, |link, request| async move { link.proofs().get_inclusion(request).await }).await
}

fn proof_of(answer: &pb::GetInclusionResponse) -> Result<ProofFile, Failure> {
    let hash = |bytes: &Vec<u8>| <[u8; 32]>::try_from(bytes.as_slice()).map(Hash).map_err(|_| odd("hash"));
    Ok(ProofFile {
        leaf: answer.leaf.clone().into_bytes(),
        number: answer.entry,
        path: answer.hashes.iter().map(hash).collect::<Result<_, _>>()?,
        checkpoint: answer.checkpoint.clone().ok_or_else(|| odd("a checkpoint"))?.note,
    })
}

/// The proof that an entry stands in the journal as it is now.
pub(super) async fn inclusion(session: &Session, which: Which) -> Result<ProofFile, Failure> {
    proof_of(&asked_inclusion(session, Some(which)).await?)
}

/// What to know of a closing that was recorded, and undone since: its entry stays, and so does its proof.
async fn undone(session: &Session, proof: &ProofFile) -> Result<Option<String>, Failure> {
    let Ok(read) = EntryRead::of(&proof.leaf) else { return Ok(None) };
    let number = read.subject.strip_prefix("orders/").and_then(|number| number.parse().ok());
    let (Some(order), "order.closed") = (number, read.kind.as_str()) else { return Ok(None) };
    let request = pb::GetOrderRequest { site: session.site(), order };
    let answer =
        session.ask(&request, |link, request| async move { link.orders().get_order(request).await }).await?;
    let closings = answer.order.map(|order| order.undone).unwrap_or_default();
    Ok(closings.iter().find(|closing| closing.entry == proof.number).map(|closing| {
        format!(
            "this closing of order {order} was undone at {} by {}: {}; the proof shows that it was recorded\n",
            rfc3339(closing.undone_at.as_ref()),
            closing.undone_by,
            closing.undone_reason
        )
    }))
}

/// `journal proof`.
pub(super) async fn proof(session: &Session, args: ProofArgs) -> Result<Answer, Failure> {
    let file = args.to.as_deref().map(NewFile::begin).transpose()?;
    let which = args.order.map(Which::Order).or(args.entry.map(Which::Entry));
    let answer = asked_inclusion(session, which).await?;
    let proof = proof_of(&answer)?;
    if let Some(undone) = undone(session, &proof).await? {
        session.out.note(&undone);
    }
    let text = proof.text();
    if let Some(mut file) = file {
        file.write(&text)?;
        file.end()?;
        return Ok(Answer::Done);
    }
    let rows = || {
        let mut table = Table::new(["entry", "leaf", "proof"]);
        table.push([answer.entry.to_string(), answer.leaf.clone(), text.clone()]);
        table
    };
    session.show(&answer, || text.clone(), rows)?;
    Ok(Answer::Done)
}

/// `journal confirm`.
pub(super) fn confirm(session: &Session, args: &ConfirmArgs) -> Result<Answer, Failure> {
    let key = key_in(&args.key)?;
    let text = proving::read(&args.file)?;
    let proven = ProofFile::parse(&text).and_then(|proof| Ok((proof.proven_by(&key, verify)?, proof)));
    let shown = match proven {
        Err(error) if session.settings.output == OutputForm::Json => {
            format!("{:#}\n", serde_json::json!({"proven": false, "why": error.to_string()}))
        }
        Err(error) => format!("NOT PROVEN: {}: {error}\n", args.file.display()),
        Ok((checkpoint, proof)) => {
            let leaf = String::from_utf8_lossy(&proof.leaf).into_owned();
            let read = EntryRead::of(&proof.leaf).ok();
            if session.settings.output == OutputForm::Json {
                let value = serde_json::json!({
                    "proven": true,
                    "origin": checkpoint.origin.to_string(),
                    "entry": proof.number,
                    "size": checkpoint.head.size,
                    "leaf": leaf,
                });
                session.out.data(&format!("{value:#}\n"))?;
                return Ok(Answer::Done);
            }
            let said = read.map_or_else(String::new, |read| {
                format!(
                    "  recorded  {}\n  kind      {}\n  about     {}\n",
                    Ts(read.at),
                    read.kind,
                    read.subject
                )
            });
            let (number, size) = (proof.number, checkpoint.head.size);
            let origin = checkpoint.origin;
            let text =
                format!("proven: entry {number} of the {size} in {origin}\n{said}  entry     {leaf}\n");
            session.out.data(&text)?;
            return Ok(Answer::Done);
        }
    };
    session.out.data(&shown)?;
    Ok(Answer::No)
}
