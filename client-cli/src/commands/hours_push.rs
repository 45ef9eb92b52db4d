//! `hours push`: run hours from a CSV file, each row with its own outcome.

use crate::{
    args::hours::PushArgs,
    exit::{Answer, Failure},
    push::{
        input,
        row::{Columns, Form, unit_of},
        stream::Push,
        tally::{Tally, Telling},
    },
    session::Session,
};
use chrono_tz::Tz;

/// Pushes a file. The answer is no when any row was held or refused.
pub(super) async fn run(session: &Session, args: PushArgs) -> Result<Answer, Failure> {
    let zone = args.zone.as_deref().map(zone).transpose()?;
    let mut lines = input::open(&args.file)?;
    let columns = lines.header(args.delimiter, |headers| Columns::find(headers, &args.columns))?;
    let telling = Telling { form: session.settings.output, width: session.settings.width, all: args.all };
    let mut tally = Tally::new(session.out.clone(), &telling, columns.clone(), args.source.clone())?;
    let form =
        Form { source: args.source, unit: unit_of(args.unit), zone, delimiter: args.delimiter, columns };
    let pushed = Push::new(session, lines.rows(form), &mut tally).run().await;
    // What was settled is told even when the rest could not be pushed.
    tally.finish()?;
    pushed?;
    Ok(if tally.all_count() { Answer::Done } else { Answer::No })
}

fn zone(name: &str) -> Result<Tz, Failure> {
    name.parse().map_err(|_| {
        Failure::usage(format!(
            "--zone `{name}` is not a time zone; write an IANA name such as Europe/Berlin"
        ))
    })
}
