//! `hours settle`, `hours read`, `hours replace` and `hours adjust`: what people say about run hours.

use super::{board, instant, request_id};
use crate::{
    again::Again,
    args::hours::{AdjustArgs, ReadArgs, ReplaceArgs, SettleArgs, SettleWord},
    clock,
    exit::{Answer, Complaint, Failure},
    push::row::unit_of,
    render,
    session::Session,
    times,
};
use fettler_proto::v1 as pb;
use prost_types::Timestamp;
use uuid::Uuid;

/// How many pages of held reports are searched for the one that is meant.
const HELD_PAGES_MAX: usize = 100;

/// Settles a held report.
pub(super) async fn settle(session: &Session, args: SettleArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let report = find_held(session, &args).await?;
    let again = again(id, &report);
    let settlement = match args.settlement {
        SettleWord::Count => pb::Settlement::Count,
        SettleWord::Drop => pb::Settlement::Drop,
    };
    let request = pb::SettleReportRequest {
        site: session.site(),
        request_id: id.to_string(),
        report: Some(report),
        settlement: settlement.into(),
        by: args.by,
        note: args.note.unwrap_or_default(),
    };
    let board = board(session).await?;
    let answer = session
        .say(&request, again, |link, request| async move { link.hours().settle_report(request).await })
        .await?;
    session.show(
        &answer,
        || render::hours::settled(&answer, board),
        || render::hours::reports(answer.report.as_slice()),
    )?;
    let held = answer.report.as_ref().filter(|kept| kept.state() == pb::ReportState::Held);
    if let (pb::Settlement::Count, Some(kept)) = (settlement, held) {
        let reason = kept.reason.as_ref().map(|reason| reason.text.as_str()).unwrap_or_default();
        session
            .out
            .note(&format!("it does not count yet, for a manager's word does not lift this: {reason}\n"));
        return Ok(Answer::No);
    }
    Ok(Answer::Done)
}

/// A report that was settled is no longer held, so a repeat has to name it whole.
fn again(id: Uuid, report: &pb::ReportReference) -> Again {
    let again = Again::of(id).with("--revision", report.revision.to_string());
    if report.digest.is_empty() { again } else { again.with("--digest", report.digest.as_str()) }
}

/// The report that is meant. Where the revision was typed it is taken at its word, since a report that was settled
/// before is no longer among the held ones and may be settled anew.
async fn find_held(session: &Session, args: &SettleArgs) -> Result<pb::ReportReference, Failure> {
    if let Some(revision) = args.revision {
        let digest = args.digest.clone().unwrap_or_default();
        return Ok(pb::ReportReference {
            source: args.source.clone(),
            report_id: args.report.clone(),
            revision,
            digest,
        });
    }
    let prefix = args.digest.as_deref().unwrap_or_default();
    let mut found: Vec<pb::ReportReference> = Vec::new();
    let mut request =
        pb::ListHeldReportsRequest { site: session.site(), page_size: 1_000, ..Default::default() };
    for _ in 0..HELD_PAGES_MAX {
        let page = session
            .ask(&request, |link, request| async move { link.hours().list_held_reports(request).await })
            .await?;
        found.extend(page.reports.into_iter().filter_map(|kept| kept.report).filter(|reference| {
            reference.source == args.source
                && reference.report_id == args.report
                && reference.digest.starts_with(prefix)
        }));
        if page.next_page_token.is_empty() {
            break;
        }
        request.page_token = page.next_page_token;
    }
    one_of(found, args)
}

fn one_of(mut found: Vec<pb::ReportReference>, args: &SettleArgs) -> Result<pb::ReportReference, Failure> {
    let named = format!("`{}` of source `{}`", args.report, args.source);
    match found.len() {
        1 => Ok(found.remove(0)),
        0 => Err(Failure::usage(format!("no report {named} is held")).with_hint(
            "see what is held with `fettler hours held`; a report settled before needs --revision N",
        )),
        _ => {
            let mut complaint = Complaint::new(format!("several contents of report {named} are held"))
                .hint("say which with --revision N or --digest HEX");
            for reference in found {
                complaint.fields.push((
                    format!("revision {}", reference.revision),
                    format!("digest {}", reference.digest),
                ));
            }
            Err(Failure::Usage(complaint))
        }
    }
}

/// Pushes what a counter shows. The report's id is made of machine, meter and time, so that saying it again is a
/// duplicate and not a second reading.
pub(super) async fn read(session: &Session, args: ReadArgs) -> Result<Answer, Failure> {
    let typed = instant(session, "--at", args.at.as_deref()).await?;
    // A shorter grain than this second would make every repeat within it another reading.
    let at = typed.unwrap_or_else(|| Timestamp { nanos: 0, ..times::to_wire(clock::now()) });
    let again = Again::default().with("--at", times::rfc3339(Some(&at)));
    let by = args.by.clone().unwrap_or_default();
    let report = reading_report(args, at);
    let request = pb::PushReportRequest { site: session.site(), report: Some(report), by };
    let board = board(session).await?;
    let answer = session
        .say(&request, again, |link, request| async move { link.hours().push_report(request).await })
        .await?;
    let ack = answer.acknowledgement.clone().unwrap_or_default();
    session.show(
        &answer,
        || render::hours::acknowledged(&ack, board),
        || crate::push::report::table_of(std::slice::from_ref(&ack)),
    )?;
    Ok(if crate::push::tally::counts(&ack) { Answer::Done } else { Answer::No })
}

fn reading_report(args: ReadArgs, at: Timestamp) -> pb::ShiftReport {
    let meter = args.meter.unwrap_or_default();
    let key = if meter.is_empty() { "only" } else { meter.as_str() };
    pb::ShiftReport {
        source: args.source,
        report_id: format!("{}/{key}/{}", args.machine, times::rfc3339(Some(&at))),
        revision: args.revision,
        machine: args.machine,
        meter,
        statement: Some(pb::shift_report::Statement::Reading(pb::ReadingStatement {
            at: Some(at),
            value: args.value,
            unit: unit_of(args.unit).into(),
        })),
    }
}

/// Records that a counter was replaced.
pub(super) async fn replace(session: &Session, args: ReplaceArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::ReplaceCounterRequest {
        site: session.site(),
        request_id: id.to_string(),
        machine: args.machine,
        meter: args.meter.unwrap_or_default(),
        // Left out, it is the moment at which the service takes it: a repeat stays the same request.
        at: instant(session, "--at", args.at.as_deref()).await?,
        closing_value: args.closing,
        opening_value: args.opening,
        by: args.by,
    };
    let board = board(session).await?;
    let answer = session
        .change(&request, id, |link, request| async move { link.hours().replace_counter(request).await })
        .await?;
    session.show(
        &answer,
        || answer.meter.as_ref().map(|meter| render::hours::meter(meter, board)).unwrap_or_default(),
        || render::hours::meters(answer.meter.as_slice()),
    )?;
    Ok(Answer::Done)
}

/// Books an adjustment.
pub(super) async fn adjust(session: &Session, args: AdjustArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::BookAdjustmentRequest {
        site: session.site(),
        request_id: id.to_string(),
        machine: args.machine,
        meter: args.meter.unwrap_or_default(),
        at: instant(session, "--at", args.at.as_deref()).await?,
        amount: args.amount,
        by: args.by,
        note: args.note,
    };
    let board = board(session).await?;
    let answer = session
        .change(&request, id, |link, request| async move { link.hours().book_adjustment(request).await })
        .await?;
    session.show(
        &answer,
        || answer.meter.as_ref().map(|meter| render::hours::meter(meter, board)).unwrap_or_default(),
        || render::hours::meters(answer.meter.as_slice()),
    )?;
    Ok(Answer::Done)
}
