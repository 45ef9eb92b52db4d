//! Arguments of `outbound`.

use super::ChangeArgs;
use clap::{Args, Subcommand};

/// What an ERP books.
#[derive(Debug, Subcommand)]
pub(crate) enum OutboundCommand {
    /// What is to be booked: closed work, undone closings, and what is to be bought.
    Pull(PullArgs),
    /// All up to a number is booked; the next pull begins after it.
    Done(DoneArgs),
}

/// Arguments of `outbound pull`.
#[derive(Debug, Args)]
pub(crate) struct PullArgs {
    /// Who books: a name of your choice, under which its place is remembered.
    #[arg(long, value_name = "NAME", required_unless_present = "after", conflicts_with = "after")]
    pub(crate) reader: Option<String>,
    /// Begin after this number instead; nothing is remembered.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(i64).range(0..))]
    pub(crate) after: Option<i64>,
    /// How many entries at most.
    #[arg(long, value_name = "N", default_value = "1000", value_parser = clap::value_parser!(i32).range(1..=1_000))]
    pub(crate) limit: i32,
    /// Wait so many seconds for an entry where there is none.
    #[arg(long, value_name = "SECONDS", default_value = "0", value_parser = clap::value_parser!(i32).range(0..=25))]
    pub(crate) wait: i32,
}

/// Arguments of `outbound done`.
#[derive(Debug, Args)]
pub(crate) struct DoneArgs {
    /// Who has booked.
    #[arg(long, value_name = "NAME")]
    pub(crate) reader: String,
    /// All up to this number.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(i64).range(1..))]
    pub(crate) through: i64,
    /// What makes a repeat harmless.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}
