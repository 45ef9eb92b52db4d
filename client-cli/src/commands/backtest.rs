//! `backtest`: forecasts of the past, held against what came; files in, and no service asked.

use crate::{
    args::{OutputForm, backtest::BacktestArgs},
    backtest::{cases, forecasts, reports, show},
    exit::{Answer, Failure},
    out::Out,
    session::Session,
};

/// Reads, forecasts and tells, on threads that no connection waits for.
pub(super) async fn run(session: &Session, args: BacktestArgs) -> Result<Answer, Failure> {
    let (form, width, out) = (session.settings.output, session.settings.width, session.out.clone());
    let work = tokio::task::spawn_blocking(move || backtest(form, width, &out, &args));
    work.await.unwrap_or_else(|broken| match broken.try_into_panic() {
        Ok(panic) => std::panic::resume_unwind(panic),
        Err(_) => Err(Failure::Interrupted),
    })
}

fn backtest(form: OutputForm, width: usize, out: &Out, args: &BacktestArgs) -> Result<Answer, Failure> {
    let cases = cases::cases(&args.cases)?;
    let fleets = args.reports.iter().map(|file| reports::fleet(file)).collect::<Result<Vec<_>, _>>()?;
    let asked = forecasts::assign(&cases, &fleets)?;
    for (dataset, count) in &asked.left_out {
        out.note(&format!(
            "left out: {count} cases of `{dataset}`, of which no reports file has a machine\n"
        ));
    }
    let made = forecasts::forecasts(&asked, args.deciles);
    let text = match form {
        OutputForm::Csv => show::csv(&asked, &made, args.deciles),
        OutputForm::Json => show::json(&asked, &made, args.deciles),
        OutputForm::Table => show::table(&asked, &made, |table| table.text(width, out.style()))?,
    };
    out.data(&text)?;
    Ok(Answer::Done)
}
