//! Arguments of `sheet`.

use clap::{Args, Subcommand, value_parser};
use std::path::PathBuf;

/// What to do with the sheets that come with the client.
#[derive(Debug, Subcommand)]
pub(crate) enum SheetCommand {
    /// The sheets there are.
    List,
    /// One sheet as the shop file that declares it, to be changed and loaded.
    Show(SheetShowArgs),
    /// Give a machine the tasks, checks and test points of a sheet.
    Use(SheetUseArgs),
    /// Work on paper: a page to take along, to be ticked off and filled in by hand.
    Print(SheetPrintArgs),
    /// Labels for machines, with a QR code that leads to the due list of each.
    Labels(SheetLabelsArgs),
}

/// Arguments of `sheet print`.
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("what").required(true).args(["round", "due", "machine"]))]
pub(crate) struct SheetPrintArgs {
    /// The open checks of the shift's round.
    #[arg(long)]
    pub(crate) round: bool,
    /// The due list.
    #[arg(long)]
    pub(crate) due: bool,
    /// What there is to do on this machine: the open checks of the shift, what is due, and what may be done while it is stopped.
    /// Repeatable.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Vec<String>,
    /// Only this area; with --round and --due.
    #[arg(long, value_name = "AREA", conflicts_with = "machine")]
    pub(crate) area: Option<String>,
    /// How far to look ahead, in days or weeks: 7d, 2w; with --due and --machine.
    #[arg(long, value_name = "SPAN", conflicts_with = "round")]
    pub(crate) within: Option<String>,
    /// The round of the shift at this time, instead of the one of now; with --round.
    #[arg(long, value_name = "TIME", requires = "round")]
    pub(crate) at: Option<String>,
    /// Where the page goes.
    #[command(flatten)]
    pub(crate) page: PageArgs,
}

/// Arguments of `sheet labels`.
#[derive(Debug, Args)]
pub(crate) struct SheetLabelsArgs {
    /// Only this machine; else all that are not retired. Repeatable.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Vec<String>,
    /// Only machines of this area.
    #[arg(long, value_name = "AREA", conflicts_with = "machine")]
    pub(crate) area: Option<String>,
    /// How wide a label is, in mm.
    #[arg(long, value_name = "MM", default_value = "63", value_parser = value_parser!(u32).range(45..=190))]
    pub(crate) wide: u32,
    /// How high a label is, in mm.
    #[arg(long, value_name = "MM", default_value = "38", value_parser = value_parser!(u32).range(25..=277))]
    pub(crate) high: u32,
    /// Where the page goes.
    #[command(flatten)]
    pub(crate) page: PageArgs,
}

/// What a page's codes hold, and where the page goes.
#[derive(Debug, Args)]
pub(crate) struct PageArgs {
    /// The web page that QR codes open; {machine} in it stands for the tag, else it gets the parameter machine [default: codes
    /// hold the command that shows the due list].
    #[arg(long, value_name = "URL", env = "FETTLER_ADDRESS")]
    pub(crate) address: Option<String>,
    /// Write the page to a new file instead of stdout.
    #[arg(short = 'o', long = "to", value_name = "FILE")]
    pub(crate) to: Option<PathBuf>,
    /// Make a PDF, in a new file; it needs Chromium.
    #[arg(long, value_name = "FILE")]
    pub(crate) pdf: Option<PathBuf>,
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
