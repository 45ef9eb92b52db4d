//! The log: one event a line on standard error, as text for people or as JSON for programs.

use clap::{Args, FromArgMatches as _};
use std::io::IsTerminal as _;
use tracing_subscriber::EnvFilter;

/// What is told to programs when nothing is said: what happens, and one line for each call that has ended.
pub(crate) const FOR_PROGRAMS: &str = "warn,fettler=info";
/// The same for people at a terminal, who see their calls answered: only calls that ended for the service's own reasons.
pub(crate) const FOR_PEOPLE: &str = "warn,fettler=info,fettler::call=warn";

/// How to log.
#[derive(Debug, Default, Args)]
pub struct LogArguments {
    /// What is logged: a level (error, warn, info, debug, trace), or several parts with one each: warn,fettler=info. Calls that ended
    /// are `fettler::call`.
    #[arg(long, env = "FETTLER_LOG", value_name = "FILTER", value_parser = filter)]
    pub log: Option<String>,
    /// In what form. Default: text at a terminal, else JSON.
    #[arg(long, env = "FETTLER_LOG_FORM", value_name = "FORM", value_enum)]
    pub log_form: Option<LogForm>,
}

/// The form of the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum LogForm {
    /// For people.
    Text,
    /// One object of JSON a line.
    Json,
}

fn filter(text: &str) -> Result<String, String> {
    match EnvFilter::try_new(text) {
        Ok(_) => Ok(text.to_owned()),
        Err(error) => Err(format!("{error}; write a level, or parts like warn,fettler=info")),
    }
}

impl LogArguments {
    /// What the environment alone says, for commands that take no such flags; what cannot be read there counts as not said.
    pub fn of_environment() -> LogArguments {
        let command = LogArguments::augment_args(clap::Command::new("log"));
        let read = command.try_get_matches_from(["log"]);
        read.and_then(|matches| LogArguments::from_arg_matches(&matches)).unwrap_or_default()
    }

    /// Logs from now on.
    pub fn start(&self) {
        let is_json = match self.log_form {
            Some(form) => form == LogForm::Json,
            None => !std::io::stderr().is_terminal(),
        };
        let filter = self.log.as_deref().unwrap_or(if is_json { FOR_PROGRAMS } else { FOR_PEOPLE });
        let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
        if is_json { log.json().flatten_event(true).init() } else { log.init() }
    }
}
