//! Arguments of `hours plan` and `hours planned`.

use super::{ChangeArgs, LimitArgs};
use clap::{ArgGroup, Args};

/// Arguments of `hours plan`.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("what").required(true).args(["shifts", "stands", "withdraw", "csv"])))]
pub(crate) struct PlanArgs {
    /// The machine's tag or other name; a file names its own.
    #[arg(required_unless_present = "csv", conflicts_with = "csv")]
    pub(crate) machine: Option<String>,
    /// The meter's key [default: the machine's only meter].
    #[arg(long, value_name = "KEY", conflicts_with = "csv")]
    pub(crate) meter: Option<String>,
    /// The period's first instant: local time of the site or RFC 3339.
    #[arg(long, value_name = "TIME")]
    pub(crate) from: String,
    /// The first instant after it, at most 366 days later.
    #[arg(long, value_name = "TIME")]
    pub(crate) until: String,
    /// A shift that is planned in the period, and what is to run in it; once for each.
    #[arg(id = "shifts", long = "shift", num_args = 3, value_names = ["START", "END", "HOURS"])]
    pub(crate) shifts: Vec<String>,
    /// The machine is to stand for the whole period.
    #[arg(long)]
    pub(crate) stands: bool,
    /// Nothing is planned in the period any more: its hours are expected from the past.
    #[arg(long)]
    pub(crate) withdraw: bool,
    /// A file with the columns machine, start, end and hours, and meter where machines have several; - reads stdin. The
    /// period of each meter that it names is planned anew.
    #[arg(long, value_name = "FILE")]
    pub(crate) csv: Option<String>,
    /// Who says it [default: nobody is named, only the token].
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// Say what would change, and change nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `hours planned`.
#[derive(Debug, Args)]
pub(crate) struct PlannedArgs {
    /// Only those of this machine, with its planned periods.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// Those that end after this time: local time of the site or RFC 3339 [default: now].
    #[arg(long, value_name = "TIME")]
    pub(crate) from: Option<String>,
    /// Those that start before this time [default: no end].
    #[arg(long, value_name = "TIME")]
    pub(crate) until: Option<String>,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}
