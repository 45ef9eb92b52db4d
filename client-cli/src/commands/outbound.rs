//! `outbound`: what other systems book, and that they have.

use super::{board, request_id};
use crate::{
    args::{
        OutputForm,
        outbound::{DoneArgs, OutboundCommand, PullArgs},
    },
    csvout,
    exit::{Answer, Failure},
    json,
    render::outbound as show,
    session::Session,
};
use fettler_proto::v1 as pb;

/// Runs an `outbound` command.
pub(super) async fn run(session: &Session, command: OutboundCommand) -> Result<Answer, Failure> {
    match command {
        OutboundCommand::Pull(args) => pull(session, args).await,
        OutboundCommand::Done(args) => done(session, args).await,
    }
}

async fn pull(session: &Session, args: PullArgs) -> Result<Answer, Failure> {
    let request = pb::GetOutboundRequest {
        site: session.site(),
        reader: args.reader.clone().unwrap_or_default(),
        after: args.after.unwrap_or(0),
        page_size: args.limit,
        wait_seconds: args.wait,
    };
    let answer = session
        .ask(&request, |link, request| async move { link.outbound().get_outbound(request).await })
        .await?;
    let text = match session.settings.output {
        OutputForm::Json => answer.entries.iter().map(json::line).collect(),
        OutputForm::Csv => csvout::text(&show::rows(&answer.entries)),
        OutputForm::Table if answer.entries.is_empty() => "nothing to book\n".to_owned(),
        OutputForm::Table => show::list(&answer.entries, board(session).await?),
    };
    session.out.data(&text)?;
    if let (Some(reader), false) = (args.reader, answer.entries.is_empty()) {
        let more = if answer.more { "; there is more after that" } else { "" };
        let through = answer.through;
        session.out.note(&format!(
            "once all of it is booked: fettler outbound done --reader {reader} --through {through}{more}\n"
        ));
    }
    Ok(Answer::Done)
}

async fn done(session: &Session, args: DoneArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::AcknowledgeOutboundRequest {
        site: session.site(),
        request_id: id.to_string(),
        reader: args.reader,
        through: args.through,
    };
    let answer =
        session
            .change(&request, id, |link, request| async move {
                link.outbound().acknowledge_outbound(request).await
            })
            .await?;
    session.show(&answer, || show::done(&answer), || show::done_rows(&answer))?;
    Ok(Answer::Done)
}
