//! Arguments of `read`, `readings` and `withdraw`.

use super::{ChangeArgs, LimitArgs};
use clap::Args;
use std::path::PathBuf;

/// Arguments of `read`.
#[derive(Debug, Args)]
pub(crate) struct ReadArgs {
    /// The machine's tag, or a name that other systems give it.
    #[arg(required_unless_present = "from", conflicts_with = "from")]
    pub(crate) machine: Option<String>,
    /// What was read at which test point: p-air=6.1bar (the unit may be left out).
    #[arg(value_name = "POINT=VALUE[UNIT]", required_unless_present = "from", conflicts_with = "from")]
    pub(crate) readings: Vec<String>,
    /// Take the readings of a CSV file instead, `-` for stdin; lines that were taken before are known again.
    #[arg(long, value_name = "FILE.csv")]
    pub(crate) from: Option<PathBuf>,
    /// Who read it. Of a file: of lines that do not say it.
    #[arg(long, value_name = "NAME", required_unless_present = "from")]
    pub(crate) by: Option<String>,
    /// When it was read: "2026-11-25 05:40" in the site's time zone, or RFC 3339 [default: now].
    #[arg(long, value_name = "TIME", conflicts_with = "from")]
    pub(crate) at: Option<String>,
    /// A reading that is so, however odd it looks: the test point's key. Repeatable.
    #[arg(long = "it-is-so", value_name = "POINT", conflicts_with = "from")]
    pub(crate) it_is_so: Vec<String>,
    /// The number of a licensed electrician's record, for points inside an electrical cabinet.
    #[arg(long, value_name = "NUMBER", conflicts_with = "from")]
    pub(crate) record: Option<String>,
    /// A note.
    #[arg(long, value_name = "TEXT", conflicts_with = "from")]
    pub(crate) note: Option<String>,
    /// Show what would come of it, and change nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `readings`.
#[derive(Debug, Args)]
pub(crate) struct ReadingsArgs {
    /// Only those of this machine: its tag, or a name that other systems give it.
    pub(crate) machine: Option<String>,
    /// The key of a test point: its readings are drawn, with limits and trend.
    pub(crate) point: Option<String>,
    /// Only those that stand and are out of limits.
    #[arg(long, conflicts_with = "point")]
    pub(crate) out_of_limits: bool,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// Arguments of `withdraw`.
#[derive(Debug, Args)]
pub(crate) struct WithdrawArgs {
    /// The reading's number, as `readings` shows it.
    #[arg(value_parser = clap::value_parser!(i64).range(0..))]
    pub(crate) reading: i64,
    /// Who withdraws it.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}
