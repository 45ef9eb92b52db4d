//! `person`: who closes, decides and declares.

use super::{board, board_in, paging, request_id};
use crate::{
    args::shop::{PersonAddArgs, PersonCommand, PersonEraseArgs, PersonListArgs, PersonPinArgs},
    clock,
    exit::{Answer, Failure},
    json::Named,
    pin, render,
    session::Session,
};
use fettler_proto::v1 as pb;

/// Runs a `person` command.
pub(super) async fn run(session: &Session, command: PersonCommand) -> Result<Answer, Failure> {
    match command {
        PersonCommand::Add(args) => add(session, args).await,
        PersonCommand::List(args) => list(session, args).await,
        PersonCommand::Pin(args) => set_pin(session, args).await,
        PersonCommand::Erase(args) => erase(session, args).await,
    }
}

async fn add(session: &Session, args: PersonAddArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::AddPersonRequest { request_id: id.to_string(), name: args.name };
    let answer = session
        .change(&request, id, |link, request| async move { link.people().add_person(request).await })
        .await?;
    let ended = show(session, &answer, answer.person.as_slice(), "nobody").await?;
    if answer.was_there {
        session.out.note(&format!("{} is there already; nothing was changed\n", request.name));
    }
    Ok(ended)
}

/// Gives a person a PIN.
async fn set_pin(session: &Session, args: PersonPinArgs) -> Result<Answer, Failure> {
    let pins = &session.settings.pins;
    if args.own && !pins.has(&args.name) {
        let so_far = pin::typed(&session.out, "the PIN so far (it is not shown) > ")?;
        let missing = || {
            Failure::usage("--own: the PIN so far was not given")
                .with_hint("at a terminal it is asked for; else give it in FETTLER_PIN or --pin-file FILE")
        };
        pins.take_for_all(&so_far.ok_or_else(missing)?)?;
    }
    let new = match pin::given(args.new_pin_file.as_deref(), "FETTLER_NEW_PIN")? {
        Some(new) => new,
        None => typed_twice(session)?,
    };
    let id = request_id(&args.change);
    let request = pb::SetPinRequest { request_id: id.to_string(), name: args.name };
    let answer = session
        .change(&request, id, |link, mut request| {
            request.metadata_mut().insert(pin::NEW_PIN, new.clone());
            async move { link.people().set_pin(request).await }
        })
        .await?;
    show(session, &answer, answer.person.as_slice(), "nobody").await
}

/// What erasing a name leaves.
const LEFT: &str = "backups that were made before still hold the name, and so may exports, other systems and what people wrote in notes \
                    and titles; a shop file that names them adds them anew, as somebody else\n";

/// Erases a person's name.
async fn erase(session: &Session, args: PersonEraseArgs) -> Result<Answer, Failure> {
    if !args.for_good {
        let text = "erasing a name cannot be undone: not by adding it again, which makes another person; nothing was changed";
        return Err(Failure::usage(text).with_hint(
            "name and PIN go, and tokens of their own are taken back; what they did stands under their number; backups, exports of \
             other systems and free texts may still hold the name; --for-good says that it is meant",
        ));
    }
    let id = request_id(&args.change);
    let (name, by, note) = (args.name, args.by, args.note);
    let request = pb::ErasePersonRequest { request_id: id.to_string(), name, by, note };
    let answer = session
        .change(&request, id, |link, request| async move { link.people().erase_person(request).await })
        .await?;
    session.show(&answer, || erased(&answer), || render::machine::people_rows(answer.person.as_slice()))?;
    session.out.note(LEFT);
    Ok(Answer::Done)
}

/// What was erased, by number alone.
fn erased(answer: &pb::ErasePersonResponse) -> String {
    let tokens = match answer.tokens_revoked {
        0 => String::new(),
        1 => "; 1 token of their own was taken back".to_owned(),
        n => format!("; {n} tokens of their own were taken back"),
    };
    let number = answer.person.as_ref().map_or(0, |person| person.number);
    format!(
        "erased: name and PIN of person {number}{tokens}; what they did stands as that of \"person {number}, erased\"\n"
    )
}

fn typed_twice(session: &Session) -> Result<pin::Pin, Failure> {
    let mut typed = [String::new(), String::new()];
    for (typed, prompt) in typed.iter_mut().zip(["the new PIN (it is not shown) > ", "once more > "]) {
        *typed = pin::typed(&session.out, prompt)?.ok_or_else(nobody_typed)?;
    }
    if typed[0] != typed[1] {
        return Err(Failure::usage("the two differ; nothing was changed"));
    }
    pin::fit("what was typed", &typed[0])
}

fn nobody_typed() -> Failure {
    Failure::usage("the new PIN was not given")
        .with_hint("at a terminal it is typed twice; else give it in FETTLER_NEW_PIN or --new-pin-file FILE")
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
    show(session, &all, &all.people, "nobody is known yet").await
}

/// Shows people; JSON and CSV as they are, the table with how their PINs stand in words.
async fn show<A: prost::Message + Named>(
    session: &Session,
    answer: &A,
    people: &[pb::Person],
    empty: &str,
) -> Result<Answer, Failure> {
    // People belong to no site. What was changed is told, too, where no site is declared yet, or several are.
    let (board, zone) = match board(session).await {
        Ok(board) => (board, ""),
        Err(_) => (board_in(session, chrono_tz::UTC, clock::told_at()), "times in UTC\n"),
    };
    let text = || match people {
        [] => format!("{empty}\n"),
        people => render::machine::people(people, board) + zone,
    };
    session.show(answer, text, || render::machine::people_rows(people))?;
    Ok(Answer::Done)
}

/// Those who have no PIN.
pub(super) async fn without_pin(session: &Session) -> Result<Vec<String>, Failure> {
    let all: pb::ListPeopleResponse =
        paging::all(|page_token| page(session, paging::PAGE_MAX, page_token)).await?;
    Ok(all
        .people
        .into_iter()
        .filter(|person| person.pin_set_at.is_none())
        .map(|person| person.name)
        .collect())
}
