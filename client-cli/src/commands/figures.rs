//! `figures`: what was done in time, what is overdue, what it took.

use super::board;
use crate::{
    args::figures::{By, FiguresArgs},
    exit::{Answer, Failure},
    render::figures as show,
    session::Session,
    times,
};
use chrono::{Days, Months, NaiveDate};
use fettler_proto::v1 as pb;

/// Gives figures of a period.
pub(crate) async fn run(session: &Session, args: FiguresArgs) -> Result<Answer, Failure> {
    let (from_day, until_day) = period(&args)?;
    let group_by = match args.by {
        None => pb::FigureGrouping::Unspecified,
        Some(By::Machine) => pb::FigureGrouping::Machine,
        Some(By::Family) => pb::FigureGrouping::Family,
        Some(By::Task) => pb::FigureGrouping::Task,
        Some(By::Month) => pb::FigureGrouping::Month,
    };
    let request = pb::GetFiguresRequest {
        site: session.site(),
        from_day,
        until_day,
        group_by: group_by.into(),
        machine: args.machine.unwrap_or_default(),
        family: args.family.unwrap_or_default(),
        task: args.task.unwrap_or_default(),
        figure: args.figure.unwrap_or_default(),
        with_orders: args.orders,
    };
    let ask = session.ask(&request, |link, request| async move { link.figures().get_figures(request).await });
    let answer = ask.await?;
    let board = board(session).await?;
    session.show(&answer, || show::text(&answer, board), || show::rows(&answer))?;
    Ok(Answer::Done)
}

fn period(args: &FiguresArgs) -> Result<(String, String), Failure> {
    if let Some(text) = &args.month {
        let (first, last) = month(text)?;
        return Ok((first.to_string(), last.to_string()));
    }
    let day = |flag: &str, text: &Option<String>| {
        times::day(text.as_deref().unwrap_or_default())
            .map_err(|error| Failure::usage(format!("{flag}: {error}")))
    };
    Ok((day("--from", &args.from)?, day("--until", &args.until)?))
}

/// The first and the last day of a month, YYYY-MM.
pub(super) fn month(month: &str) -> Result<(NaiveDate, NaiveDate), Failure> {
    let wrong = || Failure::usage(format!("--month: `{month}` is no month; write it like 2026-10"));
    let first = NaiveDate::parse_from_str(&format!("{month}-01"), "%Y-%m-%d").map_err(|_| wrong())?;
    let last = first.checked_add_months(Months::new(1)).and_then(|next| next.checked_sub_days(Days::new(1)));
    Ok((first, last.ok_or_else(wrong)?))
}
