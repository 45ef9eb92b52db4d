//! Checks as they are declared: what is looked at, read or done in a shift.

use super::SheetCard;
use crate::text::{Key, Name};
use crate::time::ShopDay;
use serde::{Deserialize, Serialize};

/// How often a check is walked.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cadence {
    /// In each shift.
    #[default]
    Shift,
    /// In the first shift of each shop day.
    Day,
    /// In the first shift of each week, from Monday's shop day on.
    Week,
}

/// What a check says of a machine's start.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StartRole {
    /// A step of the start-up; one that fails means that the machine must not start.
    Step,
    /// Left so that it warms up by itself.
    Armed,
    /// Warm.
    Warm,
}

/// A check of a machine or of a sheet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckCard {
    /// Its key on the machine.
    pub key: Key,
    /// What is looked at.
    pub title: Name,
    /// Where on the machine.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub place: String,
    /// How it should be.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub good: String,
    /// How often.
    pub every: Cadence,
    /// The test point at which a value is asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<Key>,
    /// What to heed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
    /// Whether what is found there can hurt someone.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub hazard: bool,
    /// Whether it is not walked any more; on a machine this takes a sheet's check away.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub retire: bool,
    /// What it says of the machine's start.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start: Option<StartRole>,
    /// For a warm-up: how long it takes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<u32>,
    /// The shop day on which it was declared first: before it nobody missed it. Set when it is declared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<ShopDay>,
}

/// The checks of a machine in walking order: those of its sheets, each with the machine's own in its place, then what only
/// the machine has. Where two sheets have one key, the first counts.
pub fn effective<'a>(
    own: &'a [CheckCard],
    sheets: impl IntoIterator<Item = &'a SheetCard>,
) -> Vec<&'a CheckCard> {
    let mut all: Vec<&CheckCard> = Vec::new();
    for check in sheets.into_iter().flat_map(|sheet| &sheet.checks) {
        if !all.iter().any(|taken| taken.key == check.key) {
            all.push(own.iter().find(|own| own.key == check.key).unwrap_or(check));
        }
    }
    let taken: Vec<&Key> = all.iter().map(|check| &check.key).collect();
    let only_own: Vec<&CheckCard> = own.iter().filter(|own| !taken.contains(&&own.key)).collect();
    all.extend(only_own);
    all.retain(|check| !check.retire);
    all
}
