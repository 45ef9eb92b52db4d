//! Arguments of `audit`.

use clap::Args;

/// Arguments of `audit`.
#[derive(Debug, Args)]
pub(crate) struct AuditArgs {
    /// Only this machine: its tag, or a name that other systems give it.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// Only this task, by its key.
    #[arg(long, value_name = "TASK")]
    pub(crate) task: Option<String>,
    /// Only machines in this area.
    #[arg(long, value_name = "AREA")]
    pub(crate) area: Option<String>,
    /// Only what this person did.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// Only what was done from this time on: "2026-11-01", "2026-11-25 05:40" in the site's time zone, or RFC 3339.
    #[arg(long, value_name = "TIME")]
    pub(crate) from: Option<String>,
    /// Only what was done before this time.
    #[arg(long, value_name = "TIME")]
    pub(crate) until: Option<String>,
    /// Only what was late, as known now.
    #[arg(long)]
    pub(crate) late: bool,
    /// Only what was undone.
    #[arg(long)]
    pub(crate) undone: bool,
    /// Go on where an export broke off: the token that it told. A CSV then has no header row.
    #[arg(long, value_name = "TOKEN")]
    pub(crate) resume: Option<String>,
}
