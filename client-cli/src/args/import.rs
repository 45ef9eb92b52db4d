//! Arguments of `hours import` and `hours follow`.

use clap::Args;
use std::{path::PathBuf, time::Duration};

/// The shortest and the longest pause between two turns, in seconds.
const PAUSE_SECONDS: std::ops::RangeInclusive<u64> = 1..=86_400;

/// Arguments of `hours import`.
#[derive(Debug, Args)]
pub(crate) struct ImportArgs {
    /// The files, gzip or plain; - reads stdin.
    #[arg(required = true)]
    pub(crate) files: Vec<String>,
    /// How they are read: a TOML file.
    #[arg(long, value_name = "FILE")]
    pub(crate) mapping: String,
    /// Show what would be sent, and send nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// List everything that was held, refused or met, not only the first 20 of each.
    #[arg(long)]
    pub(crate) all: bool,
}

/// Arguments of `hours follow`.
#[derive(Debug, Args)]
pub(crate) struct FollowArgs {
    /// The agent's address, such as http://10.0.0.7:5000.
    pub(crate) agent: String,
    /// How its documents are read: a TOML file.
    #[arg(long, value_name = "FILE")]
    pub(crate) mapping: String,
    /// The file that says how far the agent was followed; it is begun where there is none.
    #[arg(long, value_name = "FILE")]
    pub(crate) state: PathBuf,
    /// Go on until stopped, with so long a pause between turns: 30s, 5m or 1h [default: one turn].
    #[arg(long, value_name = "SPAN", value_parser = pause)]
    pub(crate) every: Option<Duration>,
    /// Show what would be sent, send nothing and leave the state as it is.
    #[arg(long, conflicts_with = "every")]
    pub(crate) dry_run: bool,
    /// List everything that was held, refused or met, not only the first 20 of each.
    #[arg(long)]
    pub(crate) all: bool,
}

fn pause(text: &str) -> Result<Duration, String> {
    let units = [("s", 1), ("m", 60), ("h", 3_600)];
    let seconds = units.iter().find_map(|(unit, seconds)| {
        let digits =
            text.strip_suffix(unit).filter(|digits| digits.bytes().all(|byte| byte.is_ascii_digit()))?;
        digits.parse::<u64>().ok()?.checked_mul(*seconds)
    });
    match seconds {
        Some(seconds) if PAUSE_SECONDS.contains(&seconds) => Ok(Duration::from_secs(seconds)),
        Some(_) | None => Err("give 1s to 24h, written like 30s, 5m or 1h".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_are_bounded() {
        for (text, seconds) in
            [("30s", Some(30)), ("5m", Some(300)), ("24h", Some(86_400)), ("25h", None), ("0s", None)]
        {
            assert_eq!(pause(text).ok(), seconds.map(Duration::from_secs), "{text}");
        }
        for text in ["", "s", "30", "+5s", "1d", "99999999999999999999h"] {
            assert!(pause(text).is_err(), "{text}");
        }
    }
}
