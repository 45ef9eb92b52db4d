//! One file per verb: what was typed becomes a request, the request is called, the answer is rendered.

mod ahead;
mod asked_back;
mod audit;
mod backtest;
mod calc;
mod calendar;
mod close;
mod doctor;
mod due;
mod due_watch;
mod figures;
mod fluid;
mod hours_ask;
mod hours_change;
mod hours_follow;
mod hours_import;
mod hours_plan;
mod hours_push;
mod journal;
mod journal_proof;
mod journal_verify;
mod machine;
mod orders;
mod outbound;
mod own;
mod paging;
mod person;
mod raise;
mod read;
mod readings;
pub(crate) mod readings_file;
mod ready;
mod report;
mod review;
mod round;
mod round_answers;
mod sheet;
mod sheet_print;
mod shop;
mod skip;
mod stock;
mod stop;
mod stop_jobs;
mod stop_talk;
mod suggest;
mod undo;
mod why;

pub(crate) use person::people;
pub(crate) use round::seen as seen_round;

use crate::{
    args::{
        ChangeArgs, Command, OutputForm, hours::HoursCommand, journal::JournalCommand, sheet::SheetCommand,
    },
    clock,
    config::Settings,
    exit::{Answer, Failure},
    origin::Given,
    out::Out,
    render::due::Board,
    session::Session,
    times::{self, Teller},
};
use chrono::{DateTime, Utc};
use prost_types::Timestamp;
use uuid::Uuid;

/// Runs what was typed until it is done or the person stops it.
pub(crate) async fn run(command: Command, given: &Given, out: Out) -> Result<Answer, Failure> {
    // What needs neither a service nor a token is stopped by nothing that concerns these.
    if let Command::Calc(args) = command {
        return calc::run(args, given.output, usize::from(given.width), &out);
    }
    if let Command::Doctor = command {
        return doctor::run(given, &out).await;
    }
    if let Some(result) = own::run(&command, given, &out) {
        return result;
    }
    let settings = if asks_nobody(&command) { Settings::offline(given) } else { Settings::resolve(given)? };
    let session = Session::new(settings, out);
    let result = tokio::select! {
        result = dispatch(&session, command) => result,
        stopped = tokio::signal::ctrl_c() => Err(match stopped {
            Ok(()) => Failure::Interrupted,
            Err(error) => Failure::usage(format!("cannot listen for an interruption: {error}")),
        }),
    };
    suggest::with_names(&session, result).await
}

/// Whether a command says the same whatever the settings are, so that a fault in them does not stop it.
pub(crate) fn needs_no_settings(command: &Command) -> bool {
    matches!(command, Command::Completions(_) | Command::Manual(_))
}

/// Whether a command needs neither a service nor a token.
fn asks_nobody(command: &Command) -> bool {
    if let Command::Journal(JournalCommand::Verify(args)) = command {
        return args.file.is_some();
    }
    matches!(command, Command::Sheet(SheetCommand::List | SheetCommand::Show(_)))
        || matches!(command, Command::Journal(JournalCommand::Confirm(_)))
        || matches!(command, Command::Hours(HoursCommand::Import(args)) if args.dry_run)
        || matches!(command, Command::Hours(HoursCommand::Follow(args)) if args.dry_run)
        || matches!(command, Command::Backtest(args) if args.cases.is_some())
}

async fn dispatch(session: &Session, command: Command) -> Result<Answer, Failure> {
    match command {
        Command::Due(args) => due::run(session, args).await,
        Command::Ahead(args) => ahead::run(session, args).await,
        Command::Calendar(command) => calendar::run(session, command).await,
        Command::Why(args) => why::run(session, args).await,
        Command::Close(args) => close::run(session, args).await,
        Command::Skip(args) => skip::run(session, args).await,
        Command::Raise(args) => raise::run(session, args).await,
        Command::Undo(args) => undo::run(session, args).await,
        Command::Round(args) => round::run(session, args).await,
        Command::Ready(args) => ready::run(session, args).await,
        Command::Read(args) => read::run(session, args).await,
        Command::Readings(args) => readings::run(session, args).await,
        Command::Withdraw(args) => read::withdraw(session, args).await,
        Command::Orders(args) => orders::run(session, args).await,
        Command::Audit(args) => audit::run(session, args).await,
        Command::Fluid(command) => fluid::run(session, command).await,
        Command::Hours(command) => hours(session, command).await,
        Command::Stock(command) => stock::run(session, command).await,
        Command::Buy(args) => stock::buy(session, args).await,
        Command::Outbound(command) => outbound::run(session, command).await,
        Command::Review(args) => review::run(session, args).await,
        Command::Figures(args) => figures::run(session, args).await,
        Command::Report(args) => report::run(session, args).await,
        Command::Machine(command) => machine::run(session, command).await,
        Command::Person(command) => person::run(session, command).await,
        Command::Shop(command) => shop::run(session, command).await,
        Command::Sheet(command) => sheet::run(session, command).await,
        Command::Journal(command) => journal::run(session, command).await,
        Command::Backtest(args) => backtest::run(session, args).await,
        Command::Calc(_)
        | Command::Doctor
        | Command::Config(_)
        | Command::Completions(_)
        | Command::Manual(_) => {
            unreachable!("these were run before")
        }
    }
}

async fn hours(session: &Session, command: HoursCommand) -> Result<Answer, Failure> {
    match command {
        HoursCommand::Push(args) => hours_push::run(session, args).await,
        HoursCommand::Import(args) => hours_import::run(session, args).await,
        HoursCommand::Follow(args) => hours_follow::run(session, args).await,
        HoursCommand::List(args) => hours_ask::list(session, args).await,
        HoursCommand::Held(args) => hours_ask::held(session, args).await,
        HoursCommand::Meter(args) => hours_ask::meter(session, args).await,
        HoursCommand::Settle(args) => hours_change::settle(session, args).await,
        HoursCommand::Read(args) => hours_change::read(session, args).await,
        HoursCommand::Replace(args) => hours_change::replace(session, args).await,
        HoursCommand::Adjust(args) => hours_change::adjust(session, args).await,
        HoursCommand::Plan(args) => hours_plan::plan(session, args).await,
        HoursCommand::Planned(args) => hours_plan::planned(session, args).await,
    }
}

/// The request id that was typed, or a fresh one.
fn request_id(change: &ChangeArgs) -> Uuid {
    change.request_id.unwrap_or_else(clock::request_id)
}

/// A request id for what is safe to repeat under another.
fn request_id_fresh() -> Uuid {
    clock::request_id()
}

/// How tables are laid out for a site in this zone.
fn board_in(session: &Session, zone: chrono_tz::Tz, now: DateTime<Utc>) -> Board {
    Board { teller: Teller::new(zone, now), width: session.settings.width, style: session.out.style() }
}

/// How tables are laid out. JSON and CSV tell times in UTC, so only the table asks for the site's zone.
async fn board(session: &Session) -> Result<Board, Failure> {
    let zone = match session.settings.output {
        OutputForm::Table => session.zone().await?,
        OutputForm::Json | OutputForm::Csv => chrono_tz::UTC,
    };
    Ok(board_in(session, zone, clock::told_at()))
}

/// A time that was typed under a flag; the site's zone is asked for only where the time has no offset.
async fn instant(session: &Session, flag: &str, text: Option<&str>) -> Result<Option<Timestamp>, Failure> {
    let Some(text) = text else { return Ok(None) };
    let zone = if times::absolute(text).is_some() { None } else { Some(session.zone().await?) };
    match times::instant(text, zone) {
        Ok(time) => Ok(Some(times::to_wire(time))),
        Err(error) => Err(Failure::usage(format!("{flag}: {error}"))),
    }
}

/// The two ends of a period as they were typed, the later one after the other.
async fn between(
    session: &Session,
    from: Option<&str>,
    until: Option<&str>,
) -> Result<(Option<Timestamp>, Option<Timestamp>), Failure> {
    let ends = (since(session, "--from", from).await?, since(session, "--until", until).await?);
    let ((Some(first), Some(last)), (Some(from), Some(until))) = (&ends, (from, until)) else {
        return Ok(ends);
    };
    if (last.seconds, last.nanos) > (first.seconds, first.nanos) {
        return Ok(ends);
    }
    let text =
        format!("--until {until} is not after --from {from}; give a later --until, or change the two over");
    Err(Failure::usage(text))
}

/// A time, or a day for its first instant.
async fn since(session: &Session, flag: &str, text: Option<&str>) -> Result<Option<Timestamp>, Failure> {
    let whole =
        text.map(|text| if times::day(text).is_ok() { format!("{text} 00:00") } else { text.to_owned() });
    instant(session, flag, whole.as_deref()).await
}
