//! `hours list`, `hours held` and `hours meter`: what the ledger keeps and what meters show.

use super::{board, instant, paging};
use crate::{
    args::{
        OutputForm,
        hours::{HeldArgs, HeldWord, ListArgs, MeterArgs},
    },
    exit::{Answer, Failure},
    render,
    session::Session,
};
use fettler_proto::v1 as pb;

/// Lists kept reports.
pub(super) async fn list(session: &Session, args: ListArgs) -> Result<Answer, Failure> {
    let wanted = pb::ListReportsRequest {
        site: session.site(),
        machine: args.machine.unwrap_or_default(),
        source: args.source.unwrap_or_default(),
        ..Default::default()
    };
    let all: pb::ListReportsResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListReportsRequest { page_size, page_token, ..wanted.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.hours().list_reports(request).await })
                .await
        }
    })
    .await?;
    let board = board(session).await?;
    session.show(
        &all,
        || {
            if all.reports.is_empty() {
                "no reports\n".to_owned()
            } else {
                render::hours::list(&all.reports, board)
            }
        },
        || render::hours::reports(&all.reports),
    )?;
    if session.settings.output == OutputForm::Table {
        for remark in &all.remarks {
            session.out.note(&format!("{remark}\n"));
        }
    }
    Ok(Answer::Done)
}

/// Lists held reports.
pub(super) async fn held(session: &Session, args: HeldArgs) -> Result<Answer, Failure> {
    let wanted = pb::ListHeldReportsRequest {
        site: session.site(),
        code: args.reason.map_or(pb::HeldCode::Unspecified, held_code).into(),
        ..Default::default()
    };
    let all: pb::ListHeldReportsResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListHeldReportsRequest { page_size, page_token, ..wanted.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.hours().list_held_reports(request).await })
                .await
        }
    })
    .await?;
    let board = board(session).await?;
    session.show(&all, || render::hours::held(&all, board), || render::hours::reports(&all.reports))?;
    Ok(Answer::Done)
}

fn held_code(word: HeldWord) -> pb::HeldCode {
    match word {
        HeldWord::UnknownMachine => pb::HeldCode::UnknownMachine,
        HeldWord::UnknownMeter => pb::HeldCode::UnknownMeter,
        HeldWord::WrongKind => pb::HeldCode::WrongKind,
        HeldWord::Impossible => pb::HeldCode::Impossible,
        HeldWord::MoreThanTime => pb::HeldCode::MoreThanTime,
        HeldWord::Overlap => pb::HeldCode::Overlap,
        HeldWord::Conflict => pb::HeldCode::Conflict,
        HeldWord::SameRevision => pb::HeldCode::SameRevision,
        HeldWord::Future => pb::HeldCode::Future,
        HeldWord::Fell => pb::HeldCode::Fell,
    }
}

/// Shows a meter.
pub(super) async fn meter(session: &Session, args: MeterArgs) -> Result<Answer, Failure> {
    let request = pb::GetMeterRequest {
        site: session.site(),
        machine: args.machine,
        meter: args.meter.unwrap_or_default(),
        at: instant(session, "--at", args.at.as_deref()).await?,
    };
    let answer =
        session.ask(&request, |link, request| async move { link.hours().get_meter(request).await }).await?;
    let board = board(session).await?;
    session.show(
        &answer,
        || answer.meter.as_ref().map(|meter| render::hours::meter(meter, board)).unwrap_or_default(),
        || render::hours::meters(answer.meter.as_slice()),
    )?;
    Ok(Answer::Done)
}
