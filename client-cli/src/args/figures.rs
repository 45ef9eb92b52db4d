//! Arguments of `figures`.

use clap::{ArgGroup, Args, ValueEnum};

/// By what figures are told apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum By {
    /// By machine.
    Machine,
    /// By family of machines.
    Family,
    /// By task.
    Task,
    /// By month.
    Month,
}

/// Arguments of `figures`.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("period").required(true).args(["month", "from"])))]
pub(crate) struct FiguresArgs {
    /// The month.
    #[arg(long, value_name = "YYYY-MM")]
    pub(crate) month: Option<String>,
    /// The first shop day.
    #[arg(long, value_name = "YYYY-MM-DD", requires = "until")]
    pub(crate) from: Option<String>,
    /// The last shop day, at most a year later.
    #[arg(long, value_name = "YYYY-MM-DD", requires = "from")]
    pub(crate) until: Option<String>,
    /// By what the figures are told apart.
    #[arg(long, value_enum)]
    pub(crate) by: Option<By>,
    /// Only of this machine.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// Only of machines of this family.
    #[arg(long, value_name = "FAMILY")]
    pub(crate) family: Option<String>,
    /// Only of tasks with this key.
    #[arg(long, value_name = "KEY")]
    pub(crate) task: Option<String>,
    /// Only this figure, such as compliance.
    #[arg(long, value_name = "NAME")]
    pub(crate) figure: Option<String>,
    /// The work orders behind each figure.
    #[arg(long)]
    pub(crate) orders: bool,
}
