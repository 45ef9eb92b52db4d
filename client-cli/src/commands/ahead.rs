//! `ahead`: how often tasks are expected to fall due, month by month.

use super::board;
use crate::{
    args::ahead::AheadArgs,
    exit::{Answer, Failure},
    render,
    session::Session,
    times,
};
use fettler_proto::v1 as pb;

/// The most pages that are gathered: 50,000 machines.
const PAGES_MAX: usize = 1_000;
/// Machines of a page: the most that a service gives.
const PAGE_SIZE: i32 = 50;

/// Looks ahead.
pub(crate) async fn run(session: &Session, args: AheadArgs) -> Result<Answer, Failure> {
    let until = times::day(&args.until).map_err(|error| Failure::usage(format!("--until: {error}")))?;
    let mut request = pb::LookAheadRequest {
        site: session.site(),
        until,
        machine: args.machine.unwrap_or_default(),
        area: args.area.unwrap_or_default(),
        page_size: PAGE_SIZE,
        page_token: String::new(),
    };
    let mut answer = ask(session, &request).await?;
    for _ in 1..PAGES_MAX {
        if answer.next_page_token.is_empty() {
            break;
        }
        request.page_token = std::mem::take(&mut answer.next_page_token);
        let page = ask(session, &request).await?;
        answer.tasks.extend(page.tasks);
        answer.next_page_token = page.next_page_token;
    }
    if !answer.next_page_token.is_empty() {
        session.out.note("there are more machines; narrow it with --area or --machine\n");
    }
    let board = board(session).await?;
    session.show(&answer, || render::ahead::text(&answer, board), || render::ahead::rows(&answer))?;
    Ok(Answer::Done)
}

async fn ask(session: &Session, request: &pb::LookAheadRequest) -> Result<pb::LookAheadResponse, Failure> {
    session.ask(request, |link, request| async move { link.due().look_ahead(request).await }).await
}
