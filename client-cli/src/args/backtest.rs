//! Arguments of `backtest`.

use clap::Args;

/// Arguments of `backtest`.
#[derive(Debug, Args)]
pub(crate) struct BacktestArgs {
    /// What machines ran, gzip or plain; each file is a fleet of its own, given once or several times [default: with no
    /// files, the site's own history is asked of the service].
    #[arg(long, value_name = "FILE", requires = "cases")]
    pub(crate) reports: Vec<String>,
    /// What to forecast as of when, gzip or plain.
    #[arg(long, value_name = "FILE", requires = "reports")]
    pub(crate) cases: Option<String>,
    /// Give p20, p30 and so on to p80 as well.
    #[arg(long, requires = "cases")]
    pub(crate) deciles: bool,
}
