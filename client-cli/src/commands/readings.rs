//! `readings`: readings as a list, or those of one test point with what they tell.

use super::{board, board_in, paging};
use crate::{
    args::readings::ReadingsArgs,
    clock,
    exit::{Answer, Failure},
    render,
    session::Session,
    times,
};
use fettler_proto::v1 as pb;

/// Shows readings.
pub(crate) async fn run(session: &Session, args: ReadingsArgs) -> Result<Answer, Failure> {
    match (&args.machine, &args.point) {
        (Some(machine), Some(point)) => {
            let (machine, point) = (machine.clone(), point.clone());
            explain(session, machine, point, args.limit.limit).await
        }
        _ => list(session, args).await,
    }
}

async fn explain(session: &Session, machine: String, point: String, limit: u32) -> Result<Answer, Failure> {
    let request = pb::ExplainPointRequest { site: session.site(), machine, point };
    let answer = session
        .ask(&request, |link, request| async move { link.readings().explain_point(request).await })
        .await?;
    let board = board_in(session, times::zone(&answer.zone)?, clock::told_at());
    let limit = usize::try_from(limit).unwrap_or(usize::MAX);
    session.show(
        &answer,
        || render::point::explained(&request.machine, &answer, limit, board),
        || render::readings::rows(&answer.readings),
    )?;
    Ok(Answer::Done)
}

async fn list(session: &Session, args: ReadingsArgs) -> Result<Answer, Failure> {
    let wanted = pb::ListReadingsRequest {
        site: session.site(),
        machine: args.machine.unwrap_or_default(),
        out_of_limits: args.out_of_limits,
        ..Default::default()
    };
    let all: pb::ListReadingsResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListReadingsRequest { page_size, page_token, ..wanted.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.readings().list_readings(request).await })
                .await
        }
    })
    .await?;
    let board = board(session).await?;
    session.show(
        &all,
        || render::readings::list(&all.readings, board),
        || render::readings::rows(&all.readings),
    )?;
    Ok(Answer::Done)
}
