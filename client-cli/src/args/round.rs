//! Arguments of `round`.

use super::{ChangeArgs, LimitArgs};
use clap::Args;
use std::path::PathBuf;

/// Arguments of `ready`.
#[derive(Debug, Args)]
pub(crate) struct ReadyArgs {
    /// The shift at this time, instead of the one that runs or comes.
    #[arg(long, value_name = "TIME")]
    pub(crate) at: Option<String>,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// Arguments of `round`.
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of its own")]
#[derive(Debug, Args)]
#[command(after_help = "Without a flag the round of the shift is walked, question by question:\n  \
    Enter or y   as it should be          6.1   a value\n  \
    f            something is wrong       s     later\n  \
    b            back                     e     end the round\n  \
    q            leave; what was said stays, and the next walk goes on")]
pub(crate) struct RoundArgs {
    /// Who walks, acknowledges or hands over: a person's name.
    #[arg(long, value_name = "NAME", env = "FETTLER_BY")]
    pub(crate) by: Option<String>,
    /// Only this area.
    #[arg(long, value_name = "AREA")]
    pub(crate) area: Option<String>,
    /// Only this machine.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// The round of the shift at this time, instead of the one of now; with --list and --end.
    #[arg(
        long,
        value_name = "TIME",
        requires = "act",
        conflicts_with_all = ["answers", "acknowledge", "handovers", "send"]
    )]
    pub(crate) at: Option<String>,
    /// List the checks of the round and where they stand.
    #[arg(long, group = "act")]
    pub(crate) list: bool,
    /// Only what nobody has answered; with --list.
    #[arg(long, requires = "list")]
    pub(crate) open: bool,
    /// Record the answers of a CSV file: machine, check, value, unit, finding, at, confirmed; - reads stdin.
    #[arg(long, value_name = "FILE", group = "act", requires = "by")]
    pub(crate) answers: Option<PathBuf>,
    /// End the round with a handover to the next shift.
    #[arg(long, group = "act", requires = "by")]
    pub(crate) end: bool,
    /// What the next shift should know; with --end.
    #[arg(long, value_name = "TEXT", requires = "end")]
    pub(crate) note: Option<String>,
    /// Say that you have read this handover.
    #[arg(long, value_name = "NUMBER", group = "act", requires = "by")]
    pub(crate) acknowledge: Option<i64>,
    /// List handovers, the newest first.
    #[arg(long, group = "act")]
    pub(crate) handovers: bool,
    /// Send what is kept on this computer because the service could not be reached.
    #[arg(long, group = "act")]
    pub(crate) send: bool,
    /// How much of a list to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
    /// What every change takes; with --end and --acknowledge.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}
