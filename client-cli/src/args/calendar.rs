//! Arguments of `calendar`.

use super::{ChangeArgs, LimitArgs};
use clap::{ArgGroup, Args, Subcommand};
use std::path::PathBuf;

/// What falls due, for calendars that read iCalendar.
#[derive(Debug, Subcommand)]
pub(crate) enum CalendarCommand {
    /// Make a secret address, and print it this once.
    Add(CalendarAddArgs),
    /// Addresses that were made.
    List(CalendarListArgs),
    /// Take an address back; within a second it is answered no more.
    Revoke(CalendarRevokeArgs),
    /// The calendar as it stands now, as a file.
    File(CalendarFileArgs),
}

/// Of what a calendar tells.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("part").required(true).args(["area", "whole"])))]
pub(crate) struct PartArgs {
    /// Only what is on machines of this area; may be given several times.
    #[arg(long, value_name = "AREA")]
    pub(crate) area: Vec<String>,
    /// The whole site.
    #[arg(long)]
    pub(crate) whole: bool,
}

/// Arguments of `calendar add`.
#[derive(Debug, Args)]
pub(crate) struct CalendarAddArgs {
    /// What it is for, such as "wall of hall A"; calendars show it as their name.
    #[arg(value_name = "NAME")]
    pub(crate) name: String,
    /// Of what it tells.
    #[command(flatten)]
    pub(crate) part: PartArgs,
    /// Whose it is: a person's name.
    #[arg(long, value_name = "NAME")]
    pub(crate) person: Option<String>,
    /// Where those who ask reach the service over HTTP [default: the host of --server, on the port after its own].
    #[arg(long, value_name = "URL", env = "FETTLER_HTTP_URL")]
    pub(crate) http: Option<String>,
}

/// Arguments of `calendar list`.
#[derive(Debug, Args)]
pub(crate) struct CalendarListArgs {
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// Arguments of `calendar revoke`.
#[derive(Debug, Args)]
pub(crate) struct CalendarRevokeArgs {
    /// Its number, as the list shows it.
    #[arg(value_name = "NUMBER", value_parser = clap::value_parser!(i64).range(0..))]
    pub(crate) number: i64,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `calendar file`.
#[derive(Debug, Args)]
pub(crate) struct CalendarFileArgs {
    /// Of what it tells.
    #[command(flatten)]
    pub(crate) part: PartArgs,
    /// The file to write; one that is there is replaced [default: stdout].
    #[arg(short = 'o', long, value_name = "FILE")]
    pub(crate) to: Option<PathBuf>,
}
