//! Arguments of `sheet`.

use clap::{Args, Subcommand};

/// What to do with the sheets that come with the client.
#[derive(Debug, Subcommand)]
pub(crate) enum SheetCommand {
    /// The sheets there are.
    List,
    /// One sheet as the shop file that declares it, to be changed and loaded.
    Show(SheetShowArgs),
    /// Give a machine the tasks, checks and test points of a sheet.
    Use(SheetUseArgs),
}

/// Arguments of `sheet show`.
#[derive(Debug, Args)]
pub(crate) struct SheetShowArgs {
    /// The sheet's name.
    pub(crate) name: String,
}

/// Arguments of `sheet use`.
#[derive(Debug, Args)]
pub(crate) struct SheetUseArgs {
    /// The sheet's name.
    pub(crate) name: String,
    /// The machine's tag.
    pub(crate) machine: String,
    /// By which of the machine's meters hours are counted; needed where it has several.
    #[arg(long, value_name = "KEY")]
    pub(crate) meter: Option<String>,
    /// Every task of the machine without a record counts from now.
    #[arg(long)]
    pub(crate) done_now: bool,
    /// Who says so.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// Show what would change, and change nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
}
