//! `backtest`: forecasts of the past, held against what came: of files, without a service, or of the site's own history.

use super::{board, paging::PAGE_MAX};
use crate::{
    args::{OutputForm, backtest::BacktestArgs},
    backtest::{cases, forecasts, own, reports, show},
    exit::{Answer, Failure},
    out::Out,
    session::Session,
    times,
};
use chrono::{DateTime, Utc};
use fettler_proto::v1::{self as pb, shift_report::Statement};

/// Reads, forecasts and tells, on threads that no connection waits for.
pub(super) async fn run(session: &Session, args: BacktestArgs) -> Result<Answer, Failure> {
    let (form, width, out) = (session.settings.output, session.settings.width, session.out.clone());
    let work = if let Some(cases) = args.cases {
        let (reports, deciles) = (args.reports, args.deciles);
        tokio::task::spawn_blocking(move || backtest(form, width, &out, (&reports, &cases, deciles)))
    } else {
        let kept = gather(session, |_| true).await?;
        let board = board(session).await?;
        tokio::task::spawn_blocking(move || {
            let own = own::judge(kept);
            out.data(&match form {
                OutputForm::Csv => own::csv(&own),
                OutputForm::Json => own::json(&own),
                OutputForm::Table => own::text(&own, board),
            })?;
            // Without a case there is nothing to judge by.
            Ok(if own.is_empty() { Answer::No } else { Answer::Done })
        })
    };
    work.await.unwrap_or_else(|broken| match broken.try_into_panic() {
        Ok(panic) => std::panic::resume_unwind(panic),
        Err(_) => Err(Failure::Interrupted),
    })
}

fn backtest(
    form: OutputForm,
    width: usize,
    out: &Out,
    (files, cases, deciles): (&[String], &str, bool),
) -> Result<Answer, Failure> {
    let cases = cases::cases(cases)?;
    let fleets = files.iter().map(|file| reports::fleet(file)).collect::<Result<Vec<_>, _>>()?;
    let asked = forecasts::assign(&cases, &fleets)?;
    for (dataset, count) in &asked.left_out {
        out.note(&format!(
            "left out: {count} cases of `{dataset}`, of which no reports file has a machine\n"
        ));
    }
    let made = forecasts::forecasts(&asked, deciles);
    let text = match form {
        OutputForm::Csv => show::csv(&asked, &made, deciles),
        OutputForm::Json => show::json(&asked, &made, deciles),
        OutputForm::Table => show::table(&asked, &made, |table| table.text(width, out.style()))?,
    };
    out.data(&text)?;
    Ok(Answer::Done)
}

/// The most pages of reports that are asked for: five million reports, far more than forecasts look back on.
const PAGES_MAX: usize = 5_000;

/// When what a report says had ended.
pub(super) fn ended(kept: &pb::KeptReport) -> Option<DateTime<Utc>> {
    let end = match kept.sent.as_ref()?.statement.as_ref()? {
        Statement::Interval(said) => said.end.as_ref(),
        Statement::Reading(said) => said.at.as_ref(),
        Statement::Withdrawal(_) => None,
    };
    end.and_then(times::from_wire)
}

/// What the site's reports come to, or those of them that are wanted, page by page, so that no more is held than is needed.
pub(super) async fn gather(
    session: &Session,
    is_wanted: impl Fn(&pb::KeptReport) -> bool,
) -> Result<own::Kept, Failure> {
    let mut request =
        pb::ListReportsRequest { site: session.site(), page_size: PAGE_MAX, ..Default::default() };
    let mut kept = own::Kept::default();
    for _ in 0..PAGES_MAX {
        let page = session
            .ask(&request, |link, request| async move { link.hours().list_reports(request).await })
            .await?;
        page.reports.iter().filter(|report| is_wanted(report)).for_each(|report| kept.take(report));
        if page.next_page_token.is_empty() {
            return Ok(kept);
        }
        request.page_token = page.next_page_token;
    }
    session.out.note("there are more reports than are asked for; the oldest are left out\n");
    Ok(kept)
}
