//! What a review goes by, as declared: its bounds, and in words.

use super::ReviewCard;
use crate::quantity::{Amount, Unit};

/// The share of closings that are to find a part good where none is said, in percent (own convention).
pub const GOOD_PERCENT_DEFAULT: u8 = 90;
/// The least share that may be asked for: below, failing is the rule.
pub const GOOD_PERCENT_MIN: u8 = 50;
/// The greatest; nothing is certain.
pub const GOOD_PERCENT_MAX: u8 = 99;

/// What is wrong with a card: the field and the text.
pub fn wrong(card: &ReviewCard) -> Vec<(&'static str, String)> {
    let mut found = Vec::new();
    for (field, cost) in [("planned_cost", card.planned_cost), ("failure_cost", card.failure_cost)] {
        if cost.is_some_and(|cost| cost <= Amount::ZERO) {
            found.push((field, "is not more than 0; give a larger number".to_owned()));
        }
    }
    if card.planned_cost.is_some() != card.failure_cost.is_some() {
        let (has, lacks) = if card.planned_cost.is_some() {
            ("planned_cost", "failure_cost")
        } else {
            ("failure_cost", "planned_cost")
        };
        found.push((lacks, format!("is missing; give it beside {has}, or neither")));
    }
    if let Some(percent) = card.good_percent
        && !(GOOD_PERCENT_MIN..=GOOD_PERCENT_MAX).contains(&percent)
    {
        found.push((
            "good_percent",
            format!("{percent} is out of bounds; give {GOOD_PERCENT_MIN} to {GOOD_PERCENT_MAX}"),
        ));
    }
    if let Some(text) = &card.at_most
        && !Amount::parse(text, Unit::Cycles).is_ok_and(|amount| amount > Amount::ZERO)
    {
        found.push((
            "at_most",
            format!("`{text}` is no interval; give a plain number greater than 0 such as 500"),
        ));
    }
    found
}

/// A card in words; empty where there is none.
pub(super) fn in_words(card: Option<&ReviewCard>) -> String {
    let Some(card) = card else { return String::new() };
    let cost = |amount: Amount| amount.to_text(Unit::Cycles, 3);
    let mut words = Vec::new();
    if let (Some(planned), Some(failure)) = (card.planned_cost, card.failure_cost) {
        words.push(format!("planned {}, a failure {}", cost(planned), cost(failure)));
    }
    words.extend(card.good_percent.map(|percent| format!("found good at {percent} %")));
    words.extend(card.at_most.as_ref().map(|limit| format!("at most {limit}")));
    words.extend(card.never_longer.then(|| "never longer".to_owned()));
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_is_named() {
        let card = ReviewCard {
            planned_cost: Some(Amount(0)),
            good_percent: Some(100),
            at_most: Some("-3".into()),
            ..ReviewCard::default()
        };
        let fields: Vec<&str> = wrong(&card).into_iter().map(|(field, _)| field).collect();
        assert_eq!(fields, ["planned_cost", "failure_cost", "good_percent", "at_most"]);
        assert_eq!(wrong(&ReviewCard::default()), []);
    }

    #[test]
    fn a_card_is_said_in_words() {
        let card = ReviewCard {
            planned_cost: Some(Amount(20_000)),
            failure_cost: Some(Amount(400_500)),
            good_percent: Some(95),
            at_most: Some("500".into()),
            never_longer: true,
        };
        assert_eq!(
            in_words(Some(&card)),
            "planned 20, a failure 400.5, found good at 95 %, at most 500, never longer"
        );
    }
}
