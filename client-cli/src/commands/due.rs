//! `due`: what is due, the forbidden machines first.

use super::{board_in, due_watch, paging};
use crate::{
    args::{OutputForm, orders::DueArgs},
    exit::{Answer, Failure},
    render,
    session::Session,
    times,
};
use fettler_proto::v1 as pb;

/// Shows the due list.
pub(crate) async fn run(session: &Session, args: DueArgs) -> Result<Answer, Failure> {
    let mut request = resolve(session.site(), &args)?;
    if let Some(span) = &args.within {
        request.until = look_ahead(session, &request, span).await?;
    }
    if args.watch {
        return due_watch::run(session, request).await;
    }
    let list = gather(session, &request).await?;
    let now = list.as_of.as_ref().and_then(times::from_wire).unwrap_or_else(crate::clock::now);
    let board = board_in(session, times::zone(&list.zone)?, now);
    let until = Some(request.until.as_str()).filter(|until| !until.is_empty());
    let shown = render::due::Shown { until, sure: request.sure };
    // JSON and CSV are the list alone.
    let round = match session.settings.output {
        OutputForm::Table => super::round::on_board(session, board).await,
        OutputForm::Json | OutputForm::Csv => String::new(),
    };
    let text = || format!("{round}{}", render::due::board(&list, shown, board));
    session.show(&list, text, || render::due::rows(&list))?;
    Ok(Answer::Done)
}

fn resolve(site: String, args: &DueArgs) -> Result<pb::ListDueRequest, Failure> {
    let until = match &args.until {
        Some(text) => times::day(text).map_err(|error| Failure::usage(format!("--until: {error}")))?,
        None => String::new(),
    };
    Ok(pb::ListDueRequest {
        site,
        until,
        while_stopped: args.while_stopped,
        machine: args.machine.clone().unwrap_or_default(),
        area: args.area.clone().unwrap_or_default(),
        page_size: paging::PAGE_MAX,
        page_token: String::new(),
        sure: args.sure,
    })
}

/// The whole list.
pub(super) async fn gather(
    session: &Session,
    request: &pb::ListDueRequest,
) -> Result<pb::ListDueResponse, Failure> {
    paging::all(|page_token| {
        let request = pb::ListDueRequest { page_token, page_size: paging::PAGE_MAX, ..request.clone() };
        async move { ask(session, &request).await }
    })
    .await
}

/// The last day of a span. The service's clock says which shop day it is, not this machine's.
pub(super) async fn look_ahead(
    session: &Session,
    request: &pb::ListDueRequest,
    span: &str,
) -> Result<String, Failure> {
    let days = times::span_days(span).map_err(|error| Failure::usage(format!("--within: {error}")))?;
    let probe = pb::ListDueRequest { page_size: 1, ..request.clone() };
    let answer = ask(session, &probe).await?;
    times::days_after(&answer.shop_day, days)
        .ok_or_else(|| Failure::usage(format!("--within: `{span}` leads out of the calendar; give less")))
}

async fn ask(session: &Session, request: &pb::ListDueRequest) -> Result<pb::ListDueResponse, Failure> {
    session.ask(request, |link, request| async move { link.due().list_due(request).await }).await
}
