//! `read`: readings are told, one by one or as a file; `withdraw` takes one back.

use super::shop::read_file;
use super::{asked_back, board, close, instant, request_id};
use crate::{
    args::readings::{ReadArgs, WithdrawArgs},
    exit::{Answer, Failure},
    render,
    session::Session,
    table_file,
};
use fettler_proto::v1 as pb;

/// Takes readings.
pub(crate) async fn run(session: &Session, args: ReadArgs) -> Result<Answer, Failure> {
    let told = match &args.from {
        Some(file) => return from_file(session, file, &args).await,
        None => told(session, &args).await?,
    };
    let id = request_id(&args.change);
    let request = pb::TakeReadingsRequest {
        site: session.site(),
        request_id: id.to_string(),
        readings: told.clone(),
        validate_only: args.dry_run,
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.readings().take_readings(request).await })
        .await?;
    let board = board(session).await?;
    let rows = || render::readings::taken_rows(&told, &answer.taken);
    session.show(&answer, || render::readings::taken(&told, &answer.taken, args.dry_run, board), rows)?;
    Ok(outcome(&answer))
}

/// Asked back or refused is an answer that needs a look.
fn outcome(answer: &pb::TakeReadingsResponse) -> Answer {
    let is_fine = |taken: &pb::TakenReading| {
        matches!(taken.outcome(), pb::ReadingOutcome::Taken | pb::ReadingOutcome::Duplicate)
    };
    if answer.taken.iter().all(is_fine) { Answer::Done } else { Answer::No }
}

async fn told(session: &Session, args: &ReadArgs) -> Result<Vec<pb::ReadingSaid>, Failure> {
    let at = instant(session, "--at", args.at.as_deref()).await?;
    let said = |text: &String| {
        let read = close::reading(&with_point(text)).map_err(Failure::usage)?;
        Ok(pb::ReadingSaid {
            machine: args.machine.clone().unwrap_or_default(),
            point: read.point,
            value: read.value,
            unit: read.unit,
            at,
            by: args.by.clone().unwrap_or_default(),
            electrician_record: args.record.clone().unwrap_or_default(),
            confirmed: false,
            note: args.note.clone().unwrap_or_default(),
        })
    };
    let mut told = args.readings.iter().map(said).collect::<Result<Vec<_>, Failure>>()?;
    let points: Vec<&str> = told.iter().map(|said| said.point.as_str()).collect();
    for at in asked_back::named(&args.it_is_so, &points, "name a test point as it was typed")? {
        told[at].confirmed = true;
    }
    Ok(told)
}

/// What was typed, its value with a decimal point.
fn with_point(text: &str) -> String {
    match text.split_once('=') {
        Some((point, value)) => format!("{point}={}", table_file::decimal(value)),
        None => text.to_owned(),
    }
}

/// How many lines go in one call.
const LINES_AT_ONCE: usize = 200;

/// Takes a file's lines. What stops it part of the way is mended by running it again.
async fn from_file(session: &Session, file: &std::path::Path, args: &ReadArgs) -> Result<Answer, Failure> {
    let name = file.display().to_string();
    let text = read_file(file)?;
    let zone = super::readings_file::needs_zone(&text).then(|| session.zone());
    let zone = match zone {
        Some(zone) => Some(zone.await?),
        None => None,
    };
    let file = super::readings_file::read(&name, &text, args.by.as_deref(), zone)?;
    let lines = &file.lines;
    let mut all = pb::TakeReadingsResponse::default();
    for chunk in lines.chunks(LINES_AT_ONCE) {
        let told: Vec<pb::ReadingSaid> = chunk.iter().map(|line| line.said.clone()).collect();
        // No request id: a line is known again by its point, its instant and its value.
        let request = pb::TakeReadingsRequest {
            site: session.site(),
            readings: told,
            validate_only: args.dry_run,
            ..Default::default()
        };
        let taken = session
            .ask(&request, |link, request| async move { link.readings().take_readings(request).await })
            .await;
        let answer = taken.map_err(|failure| {
            let done = all.taken.len();
            failure
                .with_hint(format!("{done} lines were taken; run it again, they are known by what they say"))
        })?;
        all.taken.extend(answer.taken);
    }
    let rows = || {
        let said: Vec<pb::ReadingSaid> = lines.iter().map(|line| line.said.clone()).collect();
        render::readings::taken_rows(&said, &all.taken)
    };
    session.show(&all, || render::readings::file(&name, &file, &all.taken, args.dry_run), rows)?;
    Ok(if file.faults.is_empty() { outcome(&all) } else { Answer::No })
}

/// Withdraws a reading.
pub(crate) async fn withdraw(session: &Session, args: WithdrawArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::WithdrawReadingRequest {
        site: session.site(),
        request_id: id.to_string(),
        entry: args.reading,
        by: args.by,
        reason: args.reason,
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.readings().withdraw_reading(request).await })
        .await?;
    let board = board(session).await?;
    session.show(
        &answer,
        || {
            answer
                .reading
                .as_ref()
                .map(|reading| render::readings::withdrawn(reading, board))
                .unwrap_or_default()
        },
        || render::readings::rows(answer.reading.as_slice()),
    )?;
    Ok(Answer::Done)
}
