//! `undo`: a closing is reversed, and all it did with it.

use super::{board, request_id};
use crate::{
    args::orders::UndoArgs,
    exit::{Answer, Failure},
    render,
    session::Session,
};
use fettler_proto::v1 as pb;

/// Undoes a closing.
pub(crate) async fn run(session: &Session, args: UndoArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::UndoClosingRequest {
        site: session.site(),
        request_id: id.to_string(),
        order: args.order,
        by: args.by,
        reason: args.reason,
        validate_only: args.dry_run,
    };
    let board = board(session).await?;
    let answer = session
        .change(&request, id, |link, request| async move { link.orders().undo_closing(request).await })
        .await?;
    let list = || pb::ListDueResponse { items: answer.open_again.clone(), ..Default::default() };
    session.show(
        &answer,
        || render::order::undone(&answer, args.dry_run, board),
        || render::due::rows(&list()),
    )?;
    Ok(Answer::Done)
}
