//! Arguments of `machine`, `person`, `shop` and `journal`.

use super::{ChangeArgs, LimitArgs};
use clap::{Args, Subcommand, ValueEnum};
use std::path::PathBuf;

/// What to do with machines.
#[derive(Debug, Subcommand)]
pub(crate) enum MachineCommand {
    /// Machines by area and tag.
    List(MachineListArgs),
    /// One machine with its card and meters.
    Show(MachineShowArgs),
    /// Lay a machine up: nothing on it is due until it returns.
    Rest(MoveArgs),
    /// Say that a machine must not start.
    Forbid(MoveArgs),
    /// Return a resting or forbidden machine to service.
    Return(MoveArgs),
    /// Take a machine out of the shop for good; its open orders become void.
    Retire(RetireArgs),
}

/// Whether a machine may run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum MachineWord {
    /// It runs and is cared for.
    InService,
    /// Laid up.
    Resting,
    /// It must not start.
    Forbidden,
    /// It has left the shop.
    Retired,
}

/// Arguments of `machine list`.
#[derive(Debug, Args)]
pub(crate) struct MachineListArgs {
    /// Only those in this state.
    #[arg(long, value_enum)]
    pub(crate) state: Option<MachineWord>,
    /// Only those of this area.
    #[arg(long, value_name = "AREA")]
    pub(crate) area: Option<String>,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// Arguments of `machine show`.
#[derive(Debug, Args)]
pub(crate) struct MachineShowArgs {
    /// The machine's tag, or a name that other systems give it.
    pub(crate) machine: String,
}

/// Arguments of `machine rest`, `forbid` and `return`.
#[derive(Debug, Args)]
pub(crate) struct MoveArgs {
    /// The machine's tag.
    pub(crate) machine: String,
    /// Who says so.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `machine retire`.
#[derive(Debug, Args)]
pub(crate) struct RetireArgs {
    /// Who, why and which.
    #[command(flatten)]
    pub(crate) moved: MoveArgs,
    /// Show what would change, and change nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
}

/// What to do with people.
#[derive(Debug, Subcommand)]
pub(crate) enum PersonCommand {
    /// Add a person; a known name changes nothing.
    Add(PersonAddArgs),
    /// People by name.
    List(PersonListArgs),
    /// Give a person a PIN, typed twice and not shown; a manager may for anybody, everybody for themself.
    Pin(PersonPinArgs),
    /// Erase a person's name for good; what they did stands under their number. An administrator's to do.
    Erase(PersonEraseArgs),
}

/// Arguments of `person add`.
#[derive(Debug, Args)]
pub(crate) struct PersonAddArgs {
    /// The name.
    pub(crate) name: String,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `person pin`.
#[derive(Debug, Args)]
pub(crate) struct PersonPinArgs {
    /// Whose: a name that is known.
    pub(crate) name: String,
    /// It is your own, and you are no manager: the PIN so far is asked for first.
    #[arg(long)]
    pub(crate) own: bool,
    /// The file that holds the new PIN. Else FETTLER_NEW_PIN, or what is typed at the terminal.
    #[arg(long, value_name = "FILE")]
    pub(crate) new_pin_file: Option<PathBuf>,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `person erase`.
#[derive(Debug, Args)]
pub(crate) struct PersonEraseArgs {
    /// Whose: a name that is known.
    pub(crate) name: String,
    /// Who decides it: another person.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// Why.
    #[arg(long, value_name = "TEXT", default_value = "", hide_default_value = true)]
    pub(crate) note: String,
    /// That it is meant, since it cannot be undone.
    #[arg(long)]
    pub(crate) for_good: bool,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `person list`.
#[derive(Debug, Args)]
pub(crate) struct PersonListArgs {
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// What to do with the declared shop.
#[derive(Debug, Subcommand)]
pub(crate) enum ShopCommand {
    /// Declare a shop from a TOML file; what the file does not name stays as it is.
    Load(LoadArgs),
    /// Print the TOML that would declare the shop as it is now.
    Show,
    /// State when tasks were last done, from a CSV file: machine, task, day, and a column for each meter.
    LastDone(LastDoneArgs),
}

/// Arguments of `shop load`.
#[derive(Debug, Args)]
pub(crate) struct LoadArgs {
    /// The TOML file; - reads stdin.
    pub(crate) file: PathBuf,
    /// Who declares it.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// Take changes of rules from a past day (rule_from): a manager's word, so of a token that is a manager's too.
    #[arg(long)]
    pub(crate) past_rules: bool,
    /// Show what would change, and change nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `shop last-done`.
#[derive(Debug, Args)]
pub(crate) struct LastDoneArgs {
    /// The CSV file; - reads stdin.
    pub(crate) file: PathBuf,
    /// Who states it.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// Show what would change, and change nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}
