//! `hours plan` and `hours planned`: what is to run, stated period by period, and what stands so.

use super::{board, instant, paging, request_id};
use crate::{
    again::Again,
    args::planned::{PlanArgs, PlannedArgs},
    clock,
    exit::{Answer, Complaint, Failure},
    planfile::{self, Planned},
    render,
    session::Session,
};
use fettler_proto::v1 as pb;
use uuid::Uuid;

/// States what is planned.
pub(super) async fn plan(session: &Session, args: PlanArgs) -> Result<Answer, Failure> {
    let from = instant(session, "--from", Some(&args.from)).await?;
    let until = instant(session, "--until", Some(&args.until)).await?;
    let ask = pb::PlanUseRequest {
        site: session.site(),
        from,
        until,
        withdraw: args.withdraw,
        by: args.by.clone().unwrap_or_default(),
        validate_only: args.dry_run,
        ..Default::default()
    };
    let answers = match &args.csv {
        None => vec![one(session, &args, ask).await?],
        Some(file) => from_file(session, &args, ask, file).await?,
    };
    let board = board(session).await?;
    session.show_each(
        &answers,
        || render::planned::taken(&answers, args.dry_run, board),
        || render::planned::taken_rows(&answers),
    )?;
    Ok(Answer::Done)
}

/// Plans one machine's meter from what was typed.
async fn one(
    session: &Session,
    args: &PlanArgs,
    ask: pb::PlanUseRequest,
) -> Result<pb::PlanUseResponse, Failure> {
    let mut shifts = Vec::new();
    for typed in args.shifts.chunks_exact(3) {
        let start = instant(session, "--shift START", Some(&typed[0])).await?;
        let end = instant(session, "--shift END", Some(&typed[1])).await?;
        shifts.push(pb::PlannedShift { start, end, amount: typed[2].clone() });
    }
    let machine = args.machine.clone().unwrap_or_default();
    let meter = args.meter.clone().unwrap_or_default();
    let id = request_id(&args.change);
    send(session, pb::PlanUseRequest { machine, meter, shifts, ..ask }, id, Again::of(id)).await
}

/// Plans every meter that a file names. A meter whose plan is refused ends it: those before it stand, and the same file
/// may be given again.
async fn from_file(
    session: &Session,
    args: &PlanArgs,
    ask: pb::PlanUseRequest,
    file: &str,
) -> Result<Vec<pb::PlanUseResponse>, Failure> {
    if args.change.request_id.is_some() {
        return Err(Failure::usage(
            "--request-id stands for one change, and a file may hold many; leave it out",
        )
        .with_hint("the same file given again plans the same, whatever came of the first time"));
    }
    let plans = planfile::read(file, session.zone().await?)?;
    let mut answers = Vec::with_capacity(plans.len());
    for ((machine, meter), planned) in plans {
        let named = if meter.is_empty() { machine.clone() } else { format!("{machine} {meter}") };
        let Planned { shifts, lines } = planned;
        let ask = pb::PlanUseRequest { machine, meter, shifts, ..ask.clone() };
        // A file as a whole is repeated as it was typed.
        match send(session, ask, clock::request_id(), Again::default()).await {
            Ok(answer) => answers.push(answer),
            Err(failure) => return Err(of_file(failure, &named, &lines, answers.len())),
        }
    }
    Ok(answers)
}

async fn send(
    session: &Session,
    ask: pb::PlanUseRequest,
    id: Uuid,
    again: Again,
) -> Result<pb::PlanUseResponse, Failure> {
    let ask = pb::PlanUseRequest { request_id: id.to_string(), ..ask };
    session.say(&ask, again, |link, request| async move { link.planned().plan_use(request).await }).await
}

/// A failure with the lines of the file that it is about.
fn of_file(failure: Failure, named: &str, lines: &[u64], done: usize) -> Failure {
    let told = |complaint: Complaint| {
        let message = if complaint.fields.is_empty() {
            format!("{named}: {}", complaint.message)
        } else {
            format!("{named} cannot be planned as the file says")
        };
        let fields =
            complaint.fields.into_iter().map(|(field, text)| (on_line(&field, lines), text)).collect();
        let meters = render::words::count(done, "meter", "meters");
        let hint = format!("{meters} before it planned; mend the file and give it again as a whole");
        Complaint { message, fields, ..complaint }.hint(hint)
    };
    match failure {
        Failure::Usage(complaint) => Failure::Usage(told(complaint)),
        Failure::Refused(complaint) => Failure::Refused(told(complaint)),
        Failure::NotReachable(complaint) => Failure::NotReachable(told(complaint)),
        Failure::Interrupted => Failure::Interrupted,
        Failure::BrokenPipe => Failure::BrokenPipe,
    }
}

/// `shifts[3].amount` as the line on which it stands.
fn on_line(field: &str, lines: &[u64]) -> String {
    let line = || {
        let (index, rest) = field.strip_prefix("shifts[")?.split_once(']')?;
        let line = lines.get(index.parse::<usize>().ok()?)?;
        Some(format!("line {line}, {}", rest.trim_start_matches('.')))
    };
    line().unwrap_or_else(|| field.to_owned())
}

/// Lists planned shifts.
pub(super) async fn planned(session: &Session, args: PlannedArgs) -> Result<Answer, Failure> {
    let wanted = pb::ListPlannedUseRequest {
        site: session.site(),
        machine: args.machine.unwrap_or_default(),
        from: instant(session, "--from", args.from.as_deref()).await?,
        until: instant(session, "--until", args.until.as_deref()).await?,
        ..Default::default()
    };
    let all: pb::ListPlannedUseResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListPlannedUseRequest { page_size, page_token, ..wanted.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.planned().list_planned_use(request).await })
                .await
        }
    })
    .await?;
    let board = board(session).await?;
    session.show(&all, || render::planned::list(&all, board), || render::planned::rows(&all.shifts))?;
    Ok(Answer::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_of_a_shift_is_told_as_its_line() {
        for (field, expect) in [
            ("shifts[1].amount", "line 7, amount"),
            ("shifts[9].amount", "shifts[9].amount"),
            ("until", "until"),
        ] {
            assert_eq!(on_line(field, &[5, 7]), expect);
        }
    }
}
