//! `ahead`: how often tasks are expected to fall due, month by month.

use super::{board, paging};
use crate::{
    args::ahead::AheadArgs,
    exit::{Answer, Failure},
    render,
    session::Session,
    times,
};
use fettler_proto::v1 as pb;

/// Machines of a page: the most that a service gives.
const PAGE_SIZE: i32 = 50;

/// Looks ahead.
pub(crate) async fn run(session: &Session, args: AheadArgs) -> Result<Answer, Failure> {
    let until = times::day(&args.until).map_err(|error| Failure::usage(format!("--until: {error}")))?;
    let request = pb::LookAheadRequest {
        site: session.site(),
        until,
        machine: args.machine.unwrap_or_default(),
        area: args.area.unwrap_or_default(),
        page_size: PAGE_SIZE,
        page_token: String::new(),
    };
    let answer: pb::LookAheadResponse = paging::all(|page_token| {
        let request = pb::LookAheadRequest { page_token, ..request.clone() };
        async move {
            session.ask(&request, |link, request| async move { link.due().look_ahead(request).await }).await
        }
    })
    .await?;
    let board = board(session).await?;
    session.show(&answer, || render::ahead::text(&answer, board), || render::ahead::rows(&answer))?;
    Ok(Answer::Done)
}
