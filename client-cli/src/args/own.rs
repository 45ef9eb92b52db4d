//! Arguments of what concerns the client alone: its settings, completions and manual.

use clap::{Args, Subcommand};
use std::path::PathBuf;

/// What to do with the client's settings.
#[derive(Debug, Subcommand)]
pub(crate) enum ConfigCommand {
    /// Every setting as it stands, and where it was read.
    Show,
}

/// Arguments of `completions`.
#[derive(Debug, Args)]
pub(crate) struct CompletionsArgs {
    /// The shell.
    #[arg(value_enum)]
    pub(crate) shell: clap_complete::Shell,
}

/// Arguments of `manual`.
#[derive(Debug, Args)]
pub(crate) struct ManualArgs {
    /// The folder for the pages; it is made where there is none, and pages of before are written anew.
    #[arg(long, value_name = "DIR")]
    pub(crate) to: PathBuf,
}
