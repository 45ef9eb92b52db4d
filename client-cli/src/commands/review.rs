//! `review`: what closings tell of intervals, and a manager's answer.

use super::{board, paging, request_id};
use crate::{
    args::review::{AnswerArgs, ReviewArgs, ReviewCommand, ReviewListArgs},
    exit::{Answer, Failure},
    render::review as show,
    session::Session,
};
use fettler_proto::v1 as pb;

/// Lists advice, or answers one.
pub(crate) async fn run(session: &Session, args: ReviewArgs) -> Result<Answer, Failure> {
    match args.answer {
        None => list(session, args.list).await,
        Some(ReviewCommand::Accept(args)) => answer(session, args, pb::AdviceAnswer::Accept).await,
        Some(ReviewCommand::Decline(args)) => answer(session, args, pb::AdviceAnswer::Decline).await,
    }
}

async fn list(session: &Session, args: ReviewListArgs) -> Result<Answer, Failure> {
    let request = pb::ListAdviceRequest {
        site: session.site(),
        machine: args.machine.unwrap_or_default(),
        family: args.family.unwrap_or_default(),
        task: args.task.unwrap_or_default(),
        all: args.all,
        ..Default::default()
    };
    let answer = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListAdviceRequest { page_size, page_token, ..request.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.review().list_advice(request).await })
                .await
        }
    })
    .await?;
    let board = board(session).await?;
    session.show(&answer, || show::list(&answer, board), || show::rows(&answer.advice))?;
    Ok(Answer::Done)
}

async fn answer(session: &Session, args: AnswerArgs, answer: pb::AdviceAnswer) -> Result<Answer, Failure> {
    let (machine, sheet) = (args.machine.unwrap_or_default(), args.sheet.unwrap_or_default());
    let interval = if let Some(interval) = args.interval {
        interval
    } else {
        let request = pb::GetAdviceRequest {
            site: session.site(),
            machine: machine.clone(),
            sheet: sheet.clone(),
            task: args.task.clone(),
        };
        let ask =
            session.ask(&request, |link, request| async move { link.review().get_advice(request).await });
        let advice = ask.await?.advice.unwrap_or_default();
        if advice.advised_interval.is_empty() {
            return Err(Failure::usage(format!("there is nothing to answer: {}", advice.words)));
        }
        advice.advised_interval
    };
    let id = request_id(&args.change);
    let request = pb::AnswerAdviceRequest {
        site: session.site(),
        request_id: id.to_string(),
        machine,
        sheet,
        task: args.task,
        answer: answer.into(),
        interval,
        by: args.by,
        reason: args.reason.unwrap_or_default(),
        validate_only: args.dry_run,
    };
    let done = session
        .change(&request, id, |link, request| async move { link.review().answer_advice(request).await })
        .await?;
    let board = board(session).await?;
    let text = || show::answered(&done, answer, args.dry_run, board);
    session.show(&done, text, || show::rows(done.advice.as_slice()))?;
    Ok(Answer::Done)
}
