//! Units, kinds and amounts.

use super::fields::{Fields, Said, shown};
use fettler_domain::ledger::row::Feed;
use fettler_domain::quantity::{Amount, AmountError, MeterKind, Unit};
use fettler_proto::v1;

/// The unit on the wire.
pub fn unit(unit: Unit) -> v1::Unit {
    match unit {
        Unit::Hours => v1::Unit::Hours,
        Unit::Cycles => v1::Unit::Cycles,
        Unit::Litres => v1::Unit::Litres,
    }
}

/// The meter kind on the wire.
pub fn kind(kind: MeterKind) -> v1::MeterKind {
    match kind {
        MeterKind::Powered => v1::MeterKind::Powered,
        MeterKind::Operating => v1::MeterKind::Operating,
        MeterKind::Working => v1::MeterKind::Working,
        MeterKind::Loaded => v1::MeterKind::Loaded,
        MeterKind::CoolantPump => v1::MeterKind::CoolantPump,
        MeterKind::Cycles => v1::MeterKind::Cycles,
        MeterKind::Litres => v1::MeterKind::Litres,
    }
}

/// The feed on the wire.
pub fn feed(feed: Feed) -> v1::MeterFeed {
    match feed {
        Feed::Interval => v1::MeterFeed::Intervals,
        Feed::Absolute => v1::MeterFeed::Readings,
    }
}

/// An amount as text that reads back as the same kept amount: a millisecond is 0.000000278 of an hour.
pub fn exact(amount: Amount, unit: Unit) -> String {
    let digits = match unit {
        Unit::Hours => 7,
        Unit::Cycles | Unit::Litres => 3,
    };
    amount.to_text(unit, digits)
}

/// A plain decimal number, kept in thousandths, without zeros at its end.
pub fn decimal(thousandths: Amount) -> String {
    thousandths.to_text(Unit::Cycles, 3)
}

/// Complains of an enum value that this service does not know.
pub fn unknown_value(fields: &mut Fields, field: &str, value: i32, choice: &str) {
    fields.wrong(field, format!("{value} is not a value that is known; give {choice}"));
}

impl Fields {
    /// The unit in which an amount is stated; hours when not stated.
    pub fn unit(&mut self, field: &str, value: i32) -> Option<Unit> {
        match v1::Unit::try_from(value) {
            Ok(v1::Unit::Unspecified | v1::Unit::Hours) => Some(Unit::Hours),
            Ok(v1::Unit::Cycles) => Some(Unit::Cycles),
            Ok(v1::Unit::Litres) => Some(Unit::Litres),
            Err(_) => {
                unknown_value(self, field, value, "hours, cycles or litres");
                None
            }
        }
    }

    /// A meter kind that may be left out.
    pub fn optional_kind(&mut self, field: &str, value: i32) -> Said<Option<MeterKind>> {
        Some(match v1::MeterKind::try_from(value) {
            Ok(v1::MeterKind::Unspecified) => None,
            Ok(v1::MeterKind::Powered) => Some(MeterKind::Powered),
            Ok(v1::MeterKind::Operating) => Some(MeterKind::Operating),
            Ok(v1::MeterKind::Working) => Some(MeterKind::Working),
            Ok(v1::MeterKind::Loaded) => Some(MeterKind::Loaded),
            Ok(v1::MeterKind::CoolantPump) => Some(MeterKind::CoolantPump),
            Ok(v1::MeterKind::Cycles) => Some(MeterKind::Cycles),
            Ok(v1::MeterKind::Litres) => Some(MeterKind::Litres),
            Err(_) => {
                let words: Vec<&str> = MeterKind::ALL.iter().map(|kind| kind.word()).collect();
                unknown_value(self, field, value, &words.join(", "));
                return None;
            }
        })
    }

    /// How a meter is fed, which may be left out.
    pub fn optional_feed(&mut self, field: &str, value: i32) -> Said<Option<Feed>> {
        Some(match v1::MeterFeed::try_from(value) {
            Ok(v1::MeterFeed::Unspecified) => None,
            Ok(v1::MeterFeed::Intervals) => Some(Feed::Interval),
            Ok(v1::MeterFeed::Readings) => Some(Feed::Absolute),
            Err(_) => {
                unknown_value(self, field, value, "intervals or readings");
                return None;
            }
        })
    }

    /// A required amount, which may be negative.
    pub fn amount(&mut self, field: &str, value: &str, unit: Unit) -> Option<Amount> {
        if value.is_empty() {
            self.wrong(field, "is missing; give a plain decimal number such as 7.25");
            return None;
        }
        match Amount::parse(value, unit) {
            Ok(amount) => Some(amount),
            Err(error @ AmountError::NotDecimal(_)) => {
                self.wrong(field, format!("{error}; give digits with at most one point"));
                None
            }
            Err(error @ AmountError::TooLarge(_)) => {
                self.wrong(
                    field,
                    format!("{error}; give at most 1000000000 h, or 3600000000000 cycles or litres"),
                );
                None
            }
        }
    }

    /// The text of an amount more than 0 whose unit is not known here.
    pub fn positive_text(&mut self, field: &str, value: &str) -> Option<String> {
        let amount = self.amount(field, value, Unit::Hours)?;
        if amount <= Amount::ZERO {
            self.wrong(field, format!("`{}` is not more than 0; give a larger number", shown(value)));
            return None;
        }
        Some(value.to_owned())
    }

    /// The text of an amount of at least 0 whose unit is not known here.
    pub fn amount_text(&mut self, field: &str, value: &str) -> Option<String> {
        let amount = self.amount(field, value, Unit::Hours)?;
        if amount < Amount::ZERO {
            self.wrong(field, format!("`{}` is less than 0; give 0 or more", shown(value)));
            return None;
        }
        Some(value.to_owned())
    }

    /// A plain decimal text of either sign, kept as it was said.
    pub fn decimal_text(&mut self, field: &str, value: &str) -> Option<String> {
        self.amount(field, value, Unit::Cycles).map(|_| value.to_owned())
    }
}
