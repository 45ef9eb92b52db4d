//! `round`: the checks of the shift, walked, listed, told from a file, and handed over.

use super::{board_in, instant, paging, request_id, round_answers};
use crate::{
    args::{OutputForm, round::RoundArgs},
    clock,
    commands::shop::read_file,
    exit::{Answer, Failure},
    pin,
    render::{self, round as shown},
    session::Session,
    times::{self, Teller},
    walk::{self, Outbox, Told},
};
use fettler_proto::v1 as pb;
use std::io::{self, IsTerminal as _};
use uuid::Uuid;

/// Runs `round`.
pub(super) async fn run(session: &Session, args: RoundArgs) -> Result<Answer, Failure> {
    if args.list {
        return list(session, args).await;
    }
    if args.handovers {
        return handovers(session, &args).await;
    }
    if args.send {
        return send(session).await;
    }
    let by = args.by.clone().unwrap_or_default();
    if let Some(handover) = args.acknowledge {
        return acknowledge(session, handover, by, request_id(&args.change)).await;
    }
    if args.end {
        let id = request_id(&args.change);
        let shift_start = match instant(session, "--at", args.at.as_deref()).await? {
            None => None,
            at => head(session, at).await?.round.and_then(|round| round.shift_start),
        };
        let note = args.note.unwrap_or_default();
        let site = session.site();
        let request = pb::EndRoundRequest { site, request_id: id.to_string(), shift_start, by, note };
        return end(session, request, id).await;
    }
    if let Some(file) = &args.answers {
        let name = file.display().to_string();
        return round_answers::run(session, &name, &read_file(file)?, &by).await;
    }
    if !io::stdin().is_terminal() || session.settings.output != OutputForm::Table {
        return Err(Failure::usage("a round is walked at a terminal").with_hint(
            "`fettler round --list` lists its checks, `--answers FILE --by NAME` records what was seen",
        ));
    }
    walk::walk(session, &args).await
}

/// The round of now with all its checks.
pub(crate) async fn seen(
    session: &Session,
) -> Result<(pb::GetRoundResponse, pb::ListChecksResponse), Failure> {
    let head = head(session, None).await?;
    let at = head.round.as_ref().and_then(|round| round.shift_start);
    let request = pb::ListChecksRequest { site: session.site(), at, ..Default::default() };
    let checks = gather(session, request).await?;
    Ok((head, checks))
}

/// The round that is meant at an instant, or now.
pub(super) async fn head(
    session: &Session,
    at: Option<prost_types::Timestamp>,
) -> Result<pb::GetRoundResponse, Failure> {
    let request = pb::GetRoundRequest { site: session.site(), at };
    session.ask(&request, |link, request| async move { link.rounds().get_round(request).await }).await
}

/// All machines of a round with their checks.
pub(super) async fn gather(
    session: &Session,
    request: pb::ListChecksRequest,
) -> Result<pb::ListChecksResponse, Failure> {
    paging::all(|page_token| {
        let request = pb::ListChecksRequest { page_token, ..request.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.rounds().list_checks(request).await })
                .await
        }
    })
    .await
}

async fn list(session: &Session, args: RoundArgs) -> Result<Answer, Failure> {
    let at = instant(session, "--at", args.at.as_deref()).await?;
    let head = head(session, at).await?;
    let request = pb::ListChecksRequest {
        site: session.site(),
        at: head.round.as_ref().and_then(|round| round.shift_start),
        machine: args.machine.unwrap_or_default(),
        area: args.area.unwrap_or_default(),
        only_open: args.open,
        ..Default::default()
    };
    let list = gather(session, request).await?;
    let board = board_in(session, times::zone(&head.zone)?, clock::told_at());
    session.show(&list, || shown::board(&list, board.teller, board.width), || shown::checks(&list))?;
    Ok(Answer::Done)
}

async fn handovers(session: &Session, args: &RoundArgs) -> Result<Answer, Failure> {
    let all: pb::ListHandoversResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request =
            pb::ListHandoversRequest { site: session.site(), only_open: false, page_size, page_token };
        async move {
            session
                .ask(&request, |link, request| async move { link.rounds().list_handovers(request).await })
                .await
        }
    })
    .await?;
    let zone = session.zone().await?;
    let teller = Teller::new(zone, clock::told_at());
    let width = session.settings.width;
    let text = || match all.handovers.as_slice() {
        [] => "no handovers\n".to_owned(),
        handovers => handovers.iter().map(|handover| shown::handover(handover, teller, width)).collect(),
    };
    session.show(&all, text, || shown::handovers(&all.handovers))?;
    Ok(Answer::Done)
}

async fn acknowledge(session: &Session, handover: i64, by: String, id: Uuid) -> Result<Answer, Failure> {
    let request =
        pb::AcknowledgeHandoverRequest { site: session.site(), request_id: id.to_string(), handover, by };
    let answer = session
        .change(
            &request,
            id,
            |link, request| async move { link.rounds().acknowledge_handover(request).await },
        )
        .await?;
    let handover = answer.handover.clone().unwrap_or_default();
    let teller = Teller::new(session.zone().await?, clock::told_at());
    let width = session.settings.width;
    session.show(
        &answer,
        || shown::handover(&handover, teller, width),
        || shown::handovers(std::slice::from_ref(&handover)),
    )?;
    Ok(Answer::Done)
}

async fn end(session: &Session, request: pb::EndRoundRequest, id: Uuid) -> Result<Answer, Failure> {
    let answer = session
        .change(&request, id, |link, request| async move { link.rounds().end_round(request).await })
        .await?;
    let handover = answer.handover.clone().unwrap_or_default();
    let teller = Teller::new(session.zone().await?, clock::told_at());
    let width = session.settings.width;
    session.show(
        &answer,
        || shown::handover(&handover, teller, width),
        || shown::handovers(std::slice::from_ref(&handover)),
    )?;
    Ok(Answer::Done)
}

/// Sends what is kept on this computer.
async fn send(session: &Session) -> Result<Answer, Failure> {
    let outbox = Outbox::open()?;
    let (entries, unreadable) = outbox.entries(&session.settings.server.to_string(), &session.site())?;
    for path in &unreadable {
        session.out.note(&format!("{} cannot be read; it is left as it is\n", path.display()));
    }
    let mut answer = if unreadable.is_empty() { Answer::Done } else { Answer::No };
    let (mut sent, mut text) = (0, String::new());
    let mut unreachable = None;
    for entry in &entries {
        let told = match settled(session, &outbox, entry).await? {
            Ok(told) => told,
            Err(status) => {
                unreachable = Some(status);
                break;
            }
        };
        let lines: Vec<String> = match told {
            Told::Sent(remarks) => {
                sent += 1;
                remarks.iter().map(|remark| format!("{}: {remark}\n", entry.words())).collect()
            }
            Told::AskedBack(_, questions) => {
                vec![format!("{}: {}; `fettler round` asks\n", entry.words(), questions.join("; "))]
            }
            Told::Refused(why) | Told::Kept(why) => vec![format!("{why}\n")],
            Told::PinWanted(..) => {
                vec![format!(
                    "{} is kept here: the service asks for the PIN of {}\n",
                    entry.words(),
                    entry.by()
                )]
            }
        };
        text.extend(lines);
    }
    if sent < entries.len() {
        answer = Answer::No;
    }
    session.out.data(&format!("{text}{sent} of {} sent\n", entries.len()))?;
    if let Some(status) = unreachable {
        return Err(Failure::from(status));
    }
    for (server, site) in outbox.elsewhere(&session.settings.server.to_string(), &session.site())? {
        let site = if site.is_empty() { String::new() } else { format!(" --site {site}") };
        session
            .out
            .note(&format!("answers for another service wait here: --server {server}{site} sends them\n"));
    }
    Ok(answer)
}

/// Sends an entry, with the PIN of whoever said it where the service asks for it and somebody is there to type it.
async fn settled(
    session: &Session,
    outbox: &Outbox,
    entry: &walk::Entry,
) -> Result<Result<Told, tonic::Status>, Failure> {
    let mut asked = 0;
    loop {
        let told = walk::settle(&session.link, &session.settings.pins, outbox, entry).await;
        let Ok(Told::PinWanted(_, wrong)) = &told else { return Ok(told) };
        if asked == pin::ASKED_MAX || !session.has_pin(entry.by(), *wrong)? {
            return Ok(told);
        }
        asked += 1;
    }
}

/// What the due list says of the round. A service or a token without rounds leaves the list as it is.
pub(super) async fn on_board(session: &Session, board: render::due::Board) -> String {
    let Ok(head) = head(session, None).await else { return String::new() };
    shown::on_board(&head, board.teller, board.width)
}
