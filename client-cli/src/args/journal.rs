//! `journal`: what changed, and that nothing of it was altered.

use super::LimitArgs;
use clap::{Args, Subcommand};
use std::path::PathBuf;

/// What to look at in the journal.
#[derive(Debug, Subcommand)]
pub(crate) enum JournalCommand {
    /// Entries, newest first; --site installation shows the installation's own.
    List(JournalListArgs),
    /// The journal's size and root.
    Head,
    /// Sign the journal as it stands: a note to keep elsewhere.
    Checkpoint,
    /// Checkpoints that were signed, newest first.
    Checkpoints(CheckpointsArgs),
    /// The key by which checkpoints are checked: to keep elsewhere.
    Key,
    /// Write the whole journal into a file that is verified without a service.
    Export(ExportArgs),
    /// Find out whether anything was altered: in an exported file, or between checkpoints of the service.
    Verify(VerifyArgs),
    /// The proof that one closing, or one entry, stands in the journal, as a small file.
    Proof(ProofArgs),
    /// Find out whether such a file proves its entry; asks no service.
    Confirm(ConfirmArgs),
}

/// Arguments of `journal list`.
#[derive(Debug, Args)]
pub(crate) struct JournalListArgs {
    /// From this number on, oldest first.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(i64).range(0..))]
    pub(crate) from: Option<i64>,
    /// Only this kind: order.closed, or all that start so: order.
    #[arg(long, value_name = "KIND")]
    pub(crate) kind: Option<String>,
    /// Only those about this: orders/1042
    #[arg(long, value_name = "SUBJECT")]
    pub(crate) subject: Option<String>,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// Arguments of `journal checkpoints`.
#[derive(Debug, Args)]
pub(crate) struct CheckpointsArgs {
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// Arguments of `journal export`.
#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    /// The file to write; it must not be there yet.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
}

/// Arguments of `journal verify`.
#[derive(Debug, Args)]
pub(crate) struct VerifyArgs {
    /// An exported journal, verified without a service. Without it, the service's own is.
    #[arg(value_name = "FILE")]
    pub(crate) file: Option<PathBuf>,
    /// A checkpoint that was kept elsewhere; several may be given. Only against one is a cut tail or a rewritten past found.
    #[arg(long, value_name = "FILE")]
    pub(crate) checkpoint: Vec<PathBuf>,
    /// The file that holds the key, as `journal key` printed it; several may be given, where one took another's place. Else the
    /// journal's own is taken, and shown.
    #[arg(long, value_name = "FILE")]
    pub(crate) key: Vec<PathBuf>,
}

/// Arguments of `journal proof`.
#[derive(Debug, Args)]
pub(crate) struct ProofArgs {
    /// The order whose closing is to be proven.
    #[arg(value_name = "ORDER", required_unless_present = "entry", conflicts_with = "entry",
          value_parser = clap::value_parser!(i64).range(1..))]
    pub(crate) order: Option<i64>,
    /// The number of the entry that is to be proven.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(i64).range(0..))]
    pub(crate) entry: Option<i64>,
    /// The file to write; it must not be there yet [default: stdout].
    #[arg(long, value_name = "FILE")]
    pub(crate) to: Option<PathBuf>,
}

/// Arguments of `journal confirm`.
#[derive(Debug, Args)]
pub(crate) struct ConfirmArgs {
    /// The proof.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// The file that holds the key, as `journal key` printed it.
    #[arg(long, value_name = "FILE")]
    pub(crate) key: PathBuf,
}
