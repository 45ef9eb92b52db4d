//! `shop`: the declared shop, loaded from and shown as TOML, and when tasks were last done.

use super::request_id;
use crate::{
    args::shop::{LastDoneArgs, LoadArgs, ShopCommand},
    exit::{Answer, Failure},
    render::{self, table::Table, words},
    session::Session,
    shopfile,
};
use fettler_proto::v1 as pb;
use std::{
    fmt::Write as _,
    io::{self, Read as _},
    path::Path,
};

/// The largest file that is read, in bytes: the service takes no larger message.
const FILE_BYTES_MAX: u64 = 4 * 1024 * 1024;

/// Runs a `shop` command.
pub(super) async fn run(session: &Session, command: ShopCommand) -> Result<Answer, Failure> {
    match command {
        ShopCommand::Load(args) => load(session, args).await,
        ShopCommand::Show => show(session).await,
        ShopCommand::LastDone(args) => last_done(session, args).await,
    }
}

pub(super) fn read_file(path: &Path) -> Result<String, Failure> {
    let name = path.display();
    let cannot = |error: io::Error| Failure::usage(format!("cannot read {name}: {error}"));
    let mut text = String::new();
    let read = if path.as_os_str() == "-" {
        io::stdin().take(FILE_BYTES_MAX + 1).read_to_string(&mut text)
    } else {
        std::fs::File::open(path).and_then(|file| file.take(FILE_BYTES_MAX + 1).read_to_string(&mut text))
    };
    if read.map_err(cannot)? as u64 > FILE_BYTES_MAX {
        return Err(Failure::usage(format!(
            "{name} is larger than 4 MiB; split it and load the parts in turn"
        )));
    }
    Ok(text)
}

async fn load(session: &Session, args: LoadArgs) -> Result<Answer, Failure> {
    let shop = shopfile::read(&args.file.display().to_string(), &read_file(&args.file)?)?;
    let id = request_id(&args.change);
    let request = pb::LoadShopRequest {
        shop: Some(shop),
        validate_only: args.dry_run,
        request_id: id.to_string(),
        by: args.by.unwrap_or_default(),
        past_rules: args.past_rules,
    };
    let asks_pin = request
        .shop
        .as_ref()
        .and_then(|shop| shop.site.as_ref())
        .is_some_and(|site| site.asks_pin == Some(true));
    let answer = session
        .change(&request, id, |link, request| async move { link.shop().load_shop(request).await })
        .await?;
    session.show(&answer, || loaded_text(session, &answer, args.dry_run), || changes(&answer.changes))?;
    if asks_pin {
        let without = super::person::without_pin(session).await?;
        if !without.is_empty() {
            session.out.note(&format!(
                "the site asks for PINs, and these have none yet: {}; `fettler person pin NAME` gives one\n",
                without.join(", ")
            ));
        }
    }
    Ok(Answer::Done)
}

/// What a load did, or would do.
pub(super) fn loaded_text(session: &Session, answer: &pb::LoadShopResponse, dry_run: bool) -> String {
    let mut text = changes_text(session, &answer.changes, dry_run);
    let opened = usize::try_from(answer.orders_opened).unwrap_or_default();
    if opened > 0 {
        let _ = writeln!(text, "{} opened", words::count(opened, "work order", "work orders"));
    }
    let waiting = usize::try_from(answer.reports_waiting).unwrap_or_default();
    if waiting > 0 {
        let reports = words::count(waiting, "held report is", "held reports are");
        let _ = writeln!(text, "{reports} judged again because of it");
    }
    text
}

pub(super) fn changes(changes: &[pb::ShopChange]) -> Table {
    let mut table = Table::new(["subject", "change"]);
    for change in changes {
        table.push([change.subject.clone(), change.change.clone()]);
    }
    table
}

fn changes_text(session: &Session, made: &[pb::ShopChange], dry_run: bool) -> String {
    if made.is_empty() {
        return "nothing changes: the shop stands as declared\n".to_owned();
    }
    let mut text = render::order::dry(dry_run);
    text.push_str(&changes(made).text(session.settings.width, session.out.style()));
    text
}

async fn show(session: &Session) -> Result<Answer, Failure> {
    let request = pb::GetShopRequest { site: session.site() };
    let answer =
        session.ask(&request, |link, request| async move { link.shop().get_shop(request).await }).await?;
    let shop = answer.shop.clone().unwrap_or_default();
    session.show(&answer, || shopfile::write(&shop), || tasks(&shop))?;
    Ok(Answer::Done)
}

/// The shop's tasks as rows: what a spreadsheet is most often asked for.
pub(super) fn tasks(shop: &pb::Shop) -> Table {
    let mut table =
        Table::new(["sheet", "machine", "task", "title", "place", "every", "kit", "minutes", "hazard"]);
    let sheets = shop
        .sheets
        .iter()
        .flat_map(|sheet| sheet.tasks.iter().map(move |task| (sheet.key.as_str(), "", task)));
    let machines = shop
        .machines
        .iter()
        .flat_map(|card| card.tasks.iter().map(move |task| ("", card.tag.as_str(), task)));
    for (sheet, machine, task) in sheets.chain(machines) {
        table.push([
            sheet.to_owned(),
            machine.to_owned(),
            task.key.clone(),
            task.title.clone(),
            task.place.clone(),
            task.rule.as_ref().map(|rule| shopfile::every_words(shop, rule)).unwrap_or_default(),
            words::kit(&task.kit),
            words::unless_zero(task.minutes.into()),
            if task.hazard { "yes" } else { "no" }.to_owned(),
        ]);
    }
    table
}

async fn last_done(session: &Session, args: LastDoneArgs) -> Result<Answer, Failure> {
    let stated = shopfile::last_done::read(&args.file.display().to_string(), &read_file(&args.file)?)?;
    let id = request_id(&args.change);
    let request = pb::StateLastDoneRequest {
        site: session.site(),
        request_id: id.to_string(),
        last_done: stated,
        validate_only: args.dry_run,
        by: args.by.unwrap_or_default(),
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.shop().state_last_done(request).await })
        .await?;
    session.show(
        &answer,
        || changes_text(session, &answer.changes, args.dry_run),
        || changes(&answer.changes),
    )?;
    Ok(Answer::Done)
}
