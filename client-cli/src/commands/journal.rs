//! `journal`: everything that changed.

use super::{board, journal_proof, journal_verify, paging};
use crate::{
    args::journal::{JournalCommand, JournalListArgs},
    exit::{Answer, Failure},
    render::{self, table::Table},
    session::Session,
};
use fettler_proto::v1 as pb;

/// Runs a `journal` command.
pub(super) async fn run(session: &Session, command: JournalCommand) -> Result<Answer, Failure> {
    match command {
        JournalCommand::List(args) => list(session, args).await,
        JournalCommand::Head => head(session).await,
        JournalCommand::Checkpoint => journal_proof::checkpoint(session).await,
        JournalCommand::Checkpoints(args) => journal_proof::checkpoints(session, args).await,
        JournalCommand::Key => journal_proof::key(session).await,
        JournalCommand::Export(args) => journal_proof::export(session, args).await,
        JournalCommand::Verify(args) => journal_verify::run(session, &args).await,
        JournalCommand::Proof(args) => journal_proof::proof(session, args).await,
        JournalCommand::Confirm(args) => journal_proof::confirm(session, &args),
    }
}

async fn list(session: &Session, args: JournalListArgs) -> Result<Answer, Failure> {
    let wanted = pb::ListEntriesRequest {
        site: session.site(),
        from: args.from,
        kind: args.kind.unwrap_or_default(),
        subject: args.subject.unwrap_or_default(),
        ..Default::default()
    };
    let all: pb::ListEntriesResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListEntriesRequest { page_size, page_token, ..wanted.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.journal().list_entries(request).await })
                .await
        }
    })
    .await?;
    // The installation's own journal belongs to no site, so its times are told in UTC.
    let board = if session.settings.site == "installation" {
        super::board_in(session, chrono_tz::UTC, crate::clock::told_at())
    } else {
        board(session).await?
    };
    session.show(
        &all,
        || match all.entries.as_slice() {
            [] => "no entries\n".to_owned(),
            entries => render::journal::list(entries, board),
        },
        || render::journal::rows(&all.entries),
    )?;
    Ok(Answer::Done)
}

async fn head(session: &Session) -> Result<Answer, Failure> {
    let request = pb::GetJournalHeadRequest { site: session.site() };
    let answer = session
        .ask(&request, |link, request| async move { link.journal().get_journal_head(request).await })
        .await?;
    let rows = || {
        let mut table = Table::new(["lineage", "size", "root"]);
        table.push([answer.lineage.to_string(), answer.size.to_string(), answer.root.clone()]);
        table
    };
    session.show_list(&answer, "", rows)?;
    Ok(Answer::Done)
}
