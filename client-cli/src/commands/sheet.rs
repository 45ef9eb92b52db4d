//! `sheet`: the task sheets that come with the client, listed, shown, and given to machines; and work on paper.

use super::{sheet_print, shop};
use crate::{
    again::Again,
    args::{
        OutputForm,
        sheet::{SheetCommand, SheetShowArgs, SheetUseArgs},
    },
    exit::{Answer, Failure},
    json,
    render::{table::Table, wrap},
    session::Session,
    shipped::{self, OVERRIDES},
};
use fettler_proto::v1 as pb;

/// Runs a `sheet` command.
pub(super) async fn run(session: &Session, command: SheetCommand) -> Result<Answer, Failure> {
    match command {
        SheetCommand::List => list(session),
        SheetCommand::Show(args) => show(session, &args),
        SheetCommand::Use(args) => give(session, args).await,
        SheetCommand::Print(args) => sheet_print::print(session, args).await,
        SheetCommand::Labels(args) => sheet_print::labels(session, args).await,
    }
}

fn list(session: &Session) -> Result<Answer, Failure> {
    let mut table = Table::new(["sheet", "title", "tasks", "hazards", "checks", "test points"]);
    let mut sheets = Vec::new();
    for (name, _) in shipped::ALL {
        let of = shipped::read(name)?;
        let hazards = of.sheet.tasks.iter().filter(|task| task.hazard).count();
        let counts = [of.sheet.tasks.len(), hazards, of.sheet.checks.len(), of.machine.points.len()];
        let [tasks, hazards, checks, points] = counts.map(|count| count.to_string());
        table.push([(*name).to_owned(), of.sheet.title.clone(), tasks, hazards, checks, points]);
        sheets.push(of.sheet);
    }
    let answer = pb::GetShopResponse { shop: Some(pb::Shop { sheets, ..Default::default() }) };
    let text = || {
        let table = table.text(session.settings.width, session.out.style());
        let hint =
            "`fettler sheet show NAME` prints one, `fettler sheet use NAME MACHINE --dry-run` tries it";
        format!("{table}\n{}{}", wrapped(session, OVERRIDES), wrapped(session, hint))
    };
    session.show(&answer, text, || table.clone())?;
    Ok(Answer::Done)
}

fn wrapped(session: &Session, text: &str) -> String {
    wrap::lines(text, session.settings.width).into_iter().map(|line| line + "\n").collect()
}

fn show(session: &Session, args: &SheetShowArgs) -> Result<Answer, Failure> {
    let shop = shipped::shop(&args.name)?;
    let text = match session.settings.output {
        OutputForm::Table => shipped::file(&args.name)?.to_owned(),
        OutputForm::Json => json::text(&pb::GetShopResponse { shop: Some(shop) }),
        OutputForm::Csv => crate::csvout::text(&shop::tasks(&shop)),
    };
    session.out.data(&text)?;
    Ok(Answer::Done)
}

async fn give(session: &Session, args: SheetUseArgs) -> Result<Answer, Failure> {
    let sheet = shipped::read(&args.name)?;
    let request = pb::GetShopRequest { site: session.site() };
    let stands =
        session.ask(&request, |link, request| async move { link.shop().get_shop(request).await }).await?;
    let stands = stands.shop.unwrap_or_default();
    let mut fitted = shipped::fit(sheet, &stands, &args.machine, args.meter.as_deref())?;
    for card in &mut fitted.shop.machines {
        card.last_done_now = args.done_now;
    }
    let request = pb::LoadShopRequest {
        shop: Some(fitted.shop),
        validate_only: args.dry_run,
        // Loading the same twice changes nothing, and what is to be loaded hangs on the shop as it stands.
        request_id: String::new(),
        by: args.by.unwrap_or_default(),
        past_rules: false,
    };
    let answer = session
        .say(&request, Again::default(), |link, request| async move { link.shop().load_shop(request).await })
        .await?;
    let text = || {
        let mut text = shop::loaded_text(session, &answer, args.dry_run);
        for remark in &fitted.remarks {
            text.push_str(&wrapped(session, remark));
        }
        text.push_str(&wrapped(session, OVERRIDES));
        text
    };
    session.show(&answer, text, || shop::changes(&answer.changes))?;
    Ok(Answer::Done)
}
