//! `raise`: an order for a job that no rule foresaw.

use super::{board, request_id};
use crate::{
    args::orders::RaiseArgs,
    exit::{Answer, Failure},
    render,
    session::Session,
    times,
};
use fettler_proto::v1 as pb;

/// Raises an order.
pub(crate) async fn run(session: &Session, args: RaiseArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let due_day = match &args.due {
        Some(text) => times::day(text).map_err(|error| Failure::usage(format!("--due: {error}")))?,
        None => String::new(),
    };
    let request = pb::RaiseOrderRequest {
        site: session.site(),
        request_id: id.to_string(),
        machine: args.machine,
        title: args.title,
        by: args.by,
        due_day,
        hazard: args.hazard,
        note: args.note.unwrap_or_default(),
    };
    let board = board(session).await?;
    let answer = session
        .change(&request, id, |link, request| async move { link.orders().raise_order(request).await })
        .await?;
    let list = || pb::ListDueResponse { items: answer.item.iter().cloned().collect(), ..Default::default() };
    session.show(
        &answer,
        || answer.item.as_ref().map(|item| render::due::item_alone(item, board)).unwrap_or_default(),
        || render::due::rows(&list()),
    )?;
    Ok(Answer::Done)
}
