//! `round`: the checks of the shift, walked, listed, told from a file, and handed over.

use super::{board_in, instant, paging, request_id, request_id_fresh};
use crate::{
    again::Again,
    args::{OutputForm, round::RoundArgs},
    clock,
    commands::shop::read_file,
    exit::{Answer, Complaint, Failure},
    pin,
    render::{self, round as shown},
    session::Session,
    table_file::{self, TableFile},
    times::{self, Teller},
    walk::{self, Outbox, Told},
};
use chrono_tz::Tz;
use fettler_proto::v1 as pb;
use std::{
    collections::BTreeMap,
    io::{self, IsTerminal as _},
};
use uuid::Uuid;

/// The most answers of one call.
const ANSWERS_MAX: usize = 100;
/// The columns of a file of answers; the first two have to be.
const COLUMNS: [&str; 7] = ["machine", "check", "value", "unit", "finding", "at", "confirmed"];

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
        return answers(session, &name, &read_file(file)?, &by).await;
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

/// Records the answers of a file, machine by machine. An answer that was recorded before is known again by its time.
async fn answers(session: &Session, name: &str, text: &str, by: &str) -> Result<Answer, Failure> {
    let zone = session.zone().await?;
    let (mut replies, mut rows, mut good) = (Vec::new(), Vec::new(), true);
    for (machine, said) in read(name, text, zone)? {
        // Answers of one time are of one round; the calendar is the service's.
        let parts = said.chunk_by(|one, next| one.at == next.at).flat_map(|same| same.chunks(ANSWERS_MAX));
        for part in parts {
            let request = pb::RecordChecksRequest {
                site: session.site(),
                request_id: request_id_fresh().to_string(),
                machine: machine.clone(),
                shift_start: None,
                by: by.to_owned(),
                answers: part.to_vec(),
            };
            let reply = session
                .say(&request, Again::default(), |link, request| async move {
                    link.rounds().record_checks(request).await
                })
                .await?;
            for recorded in &reply.recorded {
                good &=
                    matches!(recorded.outcome(), pb::CheckOutcome::Recorded | pb::CheckOutcome::Duplicate);
                rows.push((machine.clone(), recorded.clone()));
            }
            replies.push(reply);
        }
    }
    let table = shown::recorded(&rows);
    session.show_each(
        &replies,
        || table.text(session.settings.width, session.out.style()),
        || table.clone(),
    )?;
    Ok(if good { Answer::Done } else { Answer::No })
}

/// Reads a file of answers, by machine in the order of the file.
fn read(name: &str, text: &str, zone: Tz) -> Result<Vec<(String, Vec<pb::CheckSaid>)>, Failure> {
    let table = TableFile::open(name, text)?;
    table.only(&COLUMNS)?;
    let places = table.places(&COLUMNS, 2)?;
    let mut order: Vec<String> = Vec::new();
    let mut all: BTreeMap<String, Vec<pb::CheckSaid>> = BTreeMap::new();
    let mut complaint = Complaint::new(format!("{name} has lines that cannot be read; nothing was recorded"));
    for (line, record) in table.lines() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                complaint.fields.push((format!("line {line}"), error));
                continue;
            }
        };
        let [machine, check, value, unit, finding, at, confirmed] =
            places.map(|place| table_file::cell(&record, place));
        let at = if at.is_empty() { Ok(None) } else { times::instant(&at, Some(zone)).map(Some) };
        match (at, table_file::yes_or_no(&confirmed)) {
            (Ok(at), Ok(confirmed)) => {
                if !all.contains_key(&machine) {
                    order.push(machine.clone());
                }
                let at = at.map(times::to_wire);
                let said = pb::CheckSaid { check, at, value, unit, finding, confirmed };
                all.entry(machine).or_default().push(said);
            }
            (Err(error), _) => complaint.fields.push((format!("line {line}, at"), error.to_string())),
            (_, Err(error)) => complaint.fields.push((format!("line {line}, confirmed"), error)),
        }
    }
    if !complaint.fields.is_empty() {
        return Err(Failure::Usage(complaint));
    }
    if order.is_empty() {
        return Err(Failure::usage(format!("{name} holds no answer; add a line for each")));
    }
    Ok(order.into_iter().map(|machine| (machine.clone(), all.remove(&machine).unwrap_or_default())).collect())
}

/// What the due list says of the round. A service or a token without rounds leaves the list as it is.
pub(super) async fn on_board(session: &Session, board: render::due::Board) -> String {
    let Ok(head) = head(session, None).await else { return String::new() };
    shown::on_board(&head, board.teller, board.width)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_of_answers_is_read_by_machine() {
        let text = "machine,check,value,finding,at,confirmed\nL-03,air,6.1,,2026-11-25 05:50,\nL-01,leaks,,oil,,\n\
            L-03,leaks,,,2026-11-25T05:51:00+01:00,yes\n";
        let read = read("f.csv", text, chrono_tz::Europe::Berlin).unwrap();
        let machines: Vec<&str> = read.iter().map(|(machine, _)| machine.as_str()).collect();
        assert_eq!(machines, ["L-03", "L-01"]);
        let of = &read[0].1;
        assert_eq!((of[0].value.as_str(), of[1].confirmed), ("6.1", true));
        let seconds = |said: &pb::CheckSaid| said.at.map_or(0, |at| at.seconds);
        assert_eq!(seconds(&of[1]) - seconds(&of[0]), 60);
        assert!(read[1].1[0].at.is_none());
    }

    #[test]
    fn a_file_of_answers_may_come_from_a_table_program() {
        let text = "\u{feff}machine;check;value;confirmed\r\nL-03;air;6.1;Yes\r\nL-03;leaks\r\n";
        let read = read("f.csv", text, chrono_tz::UTC).unwrap();
        let said: Vec<_> = read[0].1.iter().map(|said| (said.value.as_str(), said.confirmed)).collect();
        assert_eq!(said, [("6.1", true), ("", false)]);
    }

    #[test]
    fn lines_that_cannot_be_read_are_named_and_nothing_is_sent() {
        let told = |text: &str| match read("f.csv", text, chrono_tz::UTC) {
            Err(Failure::Usage(complaint)) => complaint.text(),
            other => panic!("{other:?}"),
        };
        let text = told("machine,check,at,confirmed\nL,a,yesterday,\nL,b,,perhaps\n");
        assert!(text.contains("line 2, at") && text.contains("line 3, confirmed"), "{text}");
        let text = told("machine,check,value\nL,a,6,1\n");
        assert!(
            text.contains("line 2: has 4 cells for 3 columns"),
            "a value is not cut at its comma: {text}"
        );
        assert!(told("machine,check,colour\n").contains("unknown column `colour`"));
        assert!(told("machine,value\n").contains("no column `check`"));
        assert!(told("machine,check\n").contains("holds no answer"));
    }
}
