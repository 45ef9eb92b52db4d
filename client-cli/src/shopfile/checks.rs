//! Checks of a shop file: `[[sheet.check]]` and `[[machine.check]]`.

use fettler_proto::v1 as pb;
use serde::{Deserialize, Serialize};

/// How often a check is walked, as a file writes it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
pub(super) enum Every {
    #[serde(rename = "each shift")]
    Shift,
    #[serde(rename = "first of the day")]
    Day,
    #[serde(rename = "first of the week")]
    Week,
}

/// What a check says of a start, as a file writes it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Start {
    Step,
    Armed,
    Warm,
}

/// `[[sheet.check]]` and `[[machine.check]]`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Check {
    key: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    title: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    place: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    good: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    every: Option<Every>,
    #[serde(skip_serializing_if = "String::is_empty")]
    point: String,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    cautions: Vec<String>,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    hazard: bool,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    retire: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    start: Option<Start>,
    #[serde(skip_serializing_if = "is_zero")]
    minutes: i32,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands over a reference")]
fn is_zero(minutes: &i32) -> bool {
    *minutes == 0
}

/// A check as the contract's message.
pub(super) fn to_wire(table: &Check) -> pb::CheckCard {
    let every = match table.every {
        None => pb::Cadence::Unspecified,
        Some(Every::Shift) => pb::Cadence::Shift,
        Some(Every::Day) => pb::Cadence::Day,
        Some(Every::Week) => pb::Cadence::Week,
    };
    pb::CheckCard {
        key: table.key.clone(),
        title: table.title.clone(),
        place: table.place.clone(),
        good: table.good.clone(),
        every: every.into(),
        point: table.point.clone(),
        cautions: table.cautions.clone(),
        hazard: table.hazard,
        retire: table.retire,
        start: match table.start {
            None => pb::StartRole::Unspecified,
            Some(Start::Step) => pb::StartRole::Step,
            Some(Start::Armed) => pb::StartRole::Armed,
            Some(Start::Warm) => pb::StartRole::Warm,
        }
        .into(),
        minutes: table.minutes,
    }
}

/// The contract's message as a check of a file.
pub(super) fn from_wire(card: &pb::CheckCard) -> Check {
    let every = match card.every() {
        pb::Cadence::Unspecified => None,
        pb::Cadence::Shift => Some(Every::Shift),
        pb::Cadence::Day => Some(Every::Day),
        pb::Cadence::Week => Some(Every::Week),
    };
    Check {
        key: card.key.clone(),
        title: card.title.clone(),
        place: card.place.clone(),
        good: card.good.clone(),
        every,
        point: card.point.clone(),
        cautions: card.cautions.clone(),
        hazard: card.hazard,
        retire: card.retire,
        start: match card.start() {
            pb::StartRole::Unspecified => None,
            pb::StartRole::Step => Some(Start::Step),
            pb::StartRole::Armed => Some(Start::Armed),
            pb::StartRole::Warm => Some(Start::Warm),
        },
        minutes: card.minutes,
    }
}
