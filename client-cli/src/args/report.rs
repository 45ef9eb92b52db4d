//! Arguments of `report`.

use clap::Args;
use std::path::PathBuf;

/// Arguments of `report`.
#[derive(Debug, Args)]
pub(crate) struct ReportArgs {
    /// The month.
    #[arg(long, value_name = "YYYY-MM")]
    pub(crate) month: String,
    /// The file to write the page of HTML to; it must not be there yet [default: stdout].
    #[arg(short = 'o', long = "file", value_name = "FILE")]
    pub(crate) file: Option<PathBuf>,
    /// A folder to write the tables to as CSV, a file each; none of them may be there yet.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) csv: Option<PathBuf>,
    /// The folder of CSV files of an earlier report: what it expected of the month stands beside what was used.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) earlier: Option<PathBuf>,
}
