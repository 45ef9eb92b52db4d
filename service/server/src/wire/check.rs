//! Checks as they are declared.

use super::fields::Fields;
use super::units::unknown_value;
use fettler_domain::shop::check::{Cadence, CheckCard, StartRole};
use fettler_domain::shop::limits::{CAUTIONS_MAX, TEXT_MAX};
use fettler_domain::text::Key;
use fettler_proto::v1;

/// The longest warm-up, in minutes.
const WARM_UP_MINUTES_MAX: u32 = 480;

/// Reads a check.
pub fn card_in(fields: &mut Fields, said: &v1::CheckCard) -> Option<CheckCard> {
    let key = fields.key("key", &said.key);
    let title = fields.name("title", if said.title.is_empty() { &said.key } else { &said.title });
    let place = fields.line("place", &said.place, TEXT_MAX);
    let good = fields.line("good", &said.good, TEXT_MAX);
    let every = match v1::Cadence::try_from(said.every) {
        Ok(v1::Cadence::Unspecified | v1::Cadence::Shift) => Some(Cadence::Shift),
        Ok(v1::Cadence::Day) => Some(Cadence::Day),
        Ok(v1::Cadence::Week) => Some(Cadence::Week),
        Err(_) => {
            unknown_value(fields, "every", said.every, "shift, day or week");
            None
        }
    };
    let point = fields.optional_key("point", &said.point);
    let cautions = fields.each("cautions", &said.cautions, CAUTIONS_MAX, |fields, caution| {
        fields.required_line("", caution, TEXT_MAX)
    });
    let start = match v1::StartRole::try_from(said.start) {
        Ok(v1::StartRole::Unspecified) => Some(None),
        Ok(v1::StartRole::Step) => Some(Some(StartRole::Step)),
        Ok(v1::StartRole::Armed) => Some(Some(StartRole::Armed)),
        Ok(v1::StartRole::Warm) => Some(Some(StartRole::Warm)),
        Err(_) => {
            unknown_value(fields, "start", said.start, "step, armed or warm");
            None
        }
    };
    let minutes = fields.number("minutes", said.minutes, 0, WARM_UP_MINUTES_MAX);
    Some(CheckCard {
        start: start?,
        minutes: minutes.map(|minutes| (minutes > 0).then_some(minutes))?,
        key: key?,
        title: title?,
        place: place?,
        good: good?,
        every: every?,
        point: point?,
        cautions,
        hazard: said.hazard,
        retire: said.retire,
        since: None,
    })
}

/// A check on the wire.
pub fn card_out(card: &CheckCard) -> v1::CheckCard {
    v1::CheckCard {
        key: card.key.to_string(),
        title: card.title.to_string(),
        place: card.place.clone(),
        good: card.good.clone(),
        every: cadence(card.every).into(),
        point: card.point.as_ref().map(Key::to_string).unwrap_or_default(),
        cautions: card.cautions.clone(),
        hazard: card.hazard,
        retire: card.retire,
        start: match card.start {
            None => v1::StartRole::Unspecified,
            Some(StartRole::Step) => v1::StartRole::Step,
            Some(StartRole::Armed) => v1::StartRole::Armed,
            Some(StartRole::Warm) => v1::StartRole::Warm,
        }
        .into(),
        minutes: card.minutes.and_then(|minutes| i32::try_from(minutes).ok()).unwrap_or(0),
    }
}

/// How often a check is walked.
pub fn cadence(every: Cadence) -> v1::Cadence {
    match every {
        Cadence::Shift => v1::Cadence::Shift,
        Cadence::Day => v1::Cadence::Day,
        Cadence::Week => v1::Cadence::Week,
    }
}
