//! Arguments of `ahead`.

use clap::Args;

/// Arguments of `ahead`.
#[derive(Debug, Args)]
pub(crate) struct AheadArgs {
    /// The last shop day to look at; two years ahead at most.
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub(crate) until: String,
    /// Only this machine: its tag, or a name that other systems give it.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// Only this area.
    #[arg(long, value_name = "AREA")]
    pub(crate) area: Option<String>,
}
