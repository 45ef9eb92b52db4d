//! Arguments of `review`.

use super::{ChangeArgs, LimitArgs};
use clap::{ArgGroup, Args, Subcommand};

/// Arguments of `review`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(crate) struct ReviewArgs {
    /// An answer to an advice.
    #[command(subcommand)]
    pub(crate) answer: Option<ReviewCommand>,
    /// Which tasks to look at.
    #[command(flatten)]
    pub(crate) list: ReviewListArgs,
}

/// Which tasks to look at.
#[derive(Debug, Args)]
pub(crate) struct ReviewListArgs {
    /// Only tasks on this machine.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// Only tasks on machines of this family.
    #[arg(long, value_name = "FAMILY")]
    pub(crate) family: Option<String>,
    /// Only tasks with this key.
    #[arg(long, value_name = "KEY")]
    pub(crate) task: Option<String>,
    /// Also what is to be kept, what is not enough to say, and what was declined.
    #[arg(long)]
    pub(crate) all: bool,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// An answer to an advice.
#[derive(Debug, Subcommand)]
pub(crate) enum ReviewCommand {
    /// Change the rule as advised, from today on.
    Accept(AnswerArgs),
    /// Leave the rule; the advice stays quiet until it comes to another interval.
    Decline(AnswerArgs),
}

/// Arguments of `review accept` and `review decline`.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("whose").required(true).args(["sheet", "machine"])))]
pub(crate) struct AnswerArgs {
    /// The task's key.
    pub(crate) task: String,
    /// The task sheet whose task it is: the rule of all its machines.
    #[arg(long, value_name = "KEY")]
    pub(crate) sheet: Option<String>,
    /// The machine whose own task it is.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// Only if this interval is what is advised [default: whatever is advised now].
    #[arg(long, value_name = "N")]
    pub(crate) interval: Option<String>,
    /// Who answers.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: Option<String>,
    /// Show what would come of it, and change nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}
