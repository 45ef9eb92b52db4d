//! `person`: who closes, decides and declares.

use super::{paging, request_id};
use crate::{
    args::shop::{PersonAddArgs, PersonCommand, PersonListArgs},
    exit::{Answer, Failure},
    render,
    session::Session,
};
use fettler_proto::v1 as pb;

/// Runs a `person` command.
pub(super) async fn run(session: &Session, command: PersonCommand) -> Result<Answer, Failure> {
    match command {
        PersonCommand::Add(args) => add(session, args).await,
        PersonCommand::List(args) => list(session, args).await,
    }
}

async fn add(session: &Session, args: PersonAddArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::AddPersonRequest { request_id: id.to_string(), name: args.name };
    let answer = session
        .change(&request, id, |link, request| async move { link.people().add_person(request).await })
        .await?;
    session.show_list(&answer, "nobody", || render::machine::people(answer.person.as_slice()))?;
    Ok(Answer::Done)
}

/// The names of all people.
pub(crate) async fn people(session: &Session) -> Result<Vec<String>, Failure> {
    let all: pb::ListPeopleResponse =
        paging::all(|page_token| page(session, paging::PAGE_MAX, page_token)).await?;
    Ok(all.people.into_iter().map(|person| person.name).collect())
}

async fn page(
    session: &Session,
    page_size: i32,
    page_token: String,
) -> Result<pb::ListPeopleResponse, Failure> {
    let request = pb::ListPeopleRequest { page_size, page_token };
    session.ask(&request, |link, request| async move { link.people().list_people(request).await }).await
}

async fn list(session: &Session, args: PersonListArgs) -> Result<Answer, Failure> {
    let all = paging::gather(session, &args.limit, |size, token| page(session, size, token)).await?;
    session.show_list(&all, "nobody is known yet", || render::machine::people(&all.people))?;
    Ok(Answer::Done)
}
