//! `audit`: every closing with all that belongs to it, written as it comes, however many there are.

use super::{between, board_in};
use crate::{
    args::{OutputForm, audit::AuditArgs},
    clock, csvout,
    exit::{self, Answer, Failure},
    json,
    render::audit as show,
    session::Session,
    times,
};
use fettler_proto::v1 as pb;

/// How often an export that makes no progress is taken up again.
const ATTEMPTS_MAX: u32 = 4;

/// Exports closings.
pub(crate) async fn run(session: &Session, args: AuditArgs) -> Result<Answer, Failure> {
    let (from, until) = between(session, args.from.as_deref(), args.until.as_deref()).await?;
    let mut wanted = pb::ExportClosingsRequest {
        site: session.site(),
        from,
        until,
        machine: args.machine.unwrap_or_default(),
        task: args.task.unwrap_or_default(),
        area: args.area.unwrap_or_default(),
        by: args.by.unwrap_or_default(),
        late: args.late,
        undone: args.undone,
        resume_token: args.resume.unwrap_or_default(),
    };
    if session.settings.output == OutputForm::Csv && wanted.resume_token.is_empty() {
        session.out.data(&csvout::text(&show::rows(&[])))?;
    }
    let mut shown = 0_usize;
    let mut attempt = 1;
    loop {
        let before = wanted.resume_token.clone();
        let ended = export(session, &mut wanted, &mut shown).await;
        let Err(status) = ended else { break };
        let status = match status {
            Ended::Told(failure) => return Err(failure),
            Ended::BrokeOff(status) => *status,
        };
        attempt = if wanted.resume_token == before { attempt + 1 } else { 1 };
        if !exit::is_unreachable(&status) || attempt > ATTEMPTS_MAX {
            let failure = Failure::from(status);
            let token = &wanted.resume_token;
            let hint = format!("{shown} closings were written; --resume {token} goes on after them");
            return Err(if token.is_empty() { failure } else { failure.with_hint(hint) });
        }
        tokio::time::sleep(clock::backoff(attempt)).await;
    }
    if shown == 0 && session.settings.output == OutputForm::Table {
        session.out.data("no closings\n")?;
    }
    Ok(Answer::Done)
}

/// Why an export ended before its end.
enum Ended {
    /// What was received could not be written.
    Told(Failure),
    /// The service or the way to it failed.
    BrokeOff(Box<tonic::Status>),
}

impl From<tonic::Status> for Ended {
    fn from(status: tonic::Status) -> Ended {
        Ended::BrokeOff(Box::new(status))
    }
}

/// Writes what comes until the stream ends; where it went is in `wanted`.
async fn export(
    session: &Session,
    wanted: &mut pb::ExportClosingsRequest,
    shown: &mut usize,
) -> Result<(), Ended> {
    let mut stream = session.link.audit().export_closings(wanted.clone()).await?.into_inner();
    while let Some(message) = stream.message().await? {
        *shown += message.rows.len();
        write(session, &message).map_err(Ended::Told)?;
        if message.resume_token.is_empty() {
            return Ok(());
        }
        wanted.resume_token = message.resume_token;
    }
    Ok(())
}

fn write(session: &Session, message: &pb::ExportClosingsResponse) -> Result<(), Failure> {
    let text = match session.settings.output {
        OutputForm::Json => message.rows.iter().map(json::line).collect(),
        OutputForm::Csv => {
            let rows = show::rows(&message.rows).rows;
            rows.iter().map(|row| csvout::line(row.iter().map(String::as_str))).collect()
        }
        OutputForm::Table => {
            let board = board_in(session, times::zone(&message.zone)?, clock::told_at());
            message.rows.iter().map(|row| show::one(row, board)).collect::<String>()
        }
    };
    session.out.data(&text)?;
    Ok(())
}
