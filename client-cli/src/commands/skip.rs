//! `skip`: an order ends without its being done, with a reason and a name.

use super::{board, request_id};
use crate::{
    args::orders::SkipArgs,
    exit::{Answer, Failure},
    render,
    session::Session,
};
use fettler_proto::v1 as pb;

/// Skips an order.
pub(crate) async fn run(session: &Session, args: SkipArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::SkipOrderRequest {
        site: session.site(),
        request_id: id.to_string(),
        order: args.order,
        by: args.by,
        reason: args.reason,
        validate_only: args.dry_run,
    };
    let board = board(session).await?;
    let answer = session
        .change(&request, id, |link, request| async move { link.orders().skip_order(request).await })
        .await?;
    session.show(
        &answer,
        || render::order::skipped(&answer, args.dry_run, board),
        || render::order::rows(answer.order.as_slice()),
    )?;
    Ok(Answer::Done)
}
