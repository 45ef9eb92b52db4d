//! What a review goes by, between the file and the contract.

use super::model::Review;
use super::text::Plain;
use fettler_proto::v1 as pb;

/// A review of the file.
pub(super) fn to_wire(table: &Review) -> pb::TaskReview {
    let plain = |value: &Option<Plain>| value.as_ref().map(|Plain(text)| text.clone()).unwrap_or_default();
    pb::TaskReview {
        planned_cost: plain(&table.planned_cost),
        failure_cost: plain(&table.failure_cost),
        good_percent: table.good_percent,
        at_most: plain(&table.at_most),
        never_longer: table.never_longer,
    }
}

/// A review for the file.
pub(super) fn from_wire(card: &pb::TaskReview) -> Review {
    let plain = |text: &str| (!text.is_empty()).then(|| Plain(text.to_owned()));
    Review {
        planned_cost: plain(&card.planned_cost),
        failure_cost: plain(&card.failure_cost),
        good_percent: card.good_percent,
        at_most: plain(&card.at_most),
        never_longer: card.never_longer,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_review_goes_there_and_back() {
        let text =
            "planned_cost = 20\nfailure_cost = 400.5\ngood_percent = 95\nat_most = 50\nnever_longer = true\n";
        let table: Review = toml::from_str(text).expect("a review");
        let card = to_wire(&table);
        assert_eq!(
            (card.failure_cost.as_str(), card.good_percent, card.at_most.as_str()),
            ("400.5", 95, "50")
        );
        assert_eq!(from_wire(&card), table);
        assert_eq!(from_wire(&to_wire(&Review::default())), Review::default());
    }
}
