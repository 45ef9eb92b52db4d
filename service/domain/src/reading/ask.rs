//! What is odd about a reading, so that it is asked back once: another unit, a value that cannot be, one far from the
//! last. Bad news is not odd. Whoever says "it is so" is believed, and the reading is kept with what was odd about it.

use super::limits::{Beyond, Taker};
use super::unit::{PointUnit, Quantity};
use super::value::Value;
use super::with_sign;
use crate::error::Violation;
use crate::shop::PointCard;
use crate::time::Ts;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// A value so many times the last one, or the last one so many times it, is asked back: a slipped decimal point.
const FAR_TIMES: i64 = 3;
/// The same where values run over powers of ten.
const FAR_TIMES_OF_COLONIES: i64 = 1_000;
/// A value that is away from the last one by more than this part of what the point can show is asked back.
const FAR_PART_OF_SCALE: i64 = 4;
/// The longest unit that is shown in an answer, in characters.
const UNIT_SHOWN: usize = 20;

/// What is odd about a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OddKind {
    /// Another unit of the same quantity: the value can be turned.
    OtherUnit,
    /// A unit of another quantity, or one that is not known: the value cannot be judged.
    WrongUnit,
    /// The value cannot be: beyond what the point can show, or beyond nature.
    Impossible,
    /// The value is far from the last one.
    FarFromLast,
    /// Another value was told for the same instant.
    ToldOtherwise,
    /// Only a licensed electrician may take it, and no record of theirs was named.
    NotLicensed,
    /// It is an answer to a check that the machine has not.
    UnknownCheck,
}

/// One thing that is odd.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Odd {
    /// What kind.
    pub kind: OddKind,
    /// The field, as a violation names it: `value`, `unit`, `at`, `electrician_record`, `check`.
    pub field: Cow<'static, str>,
    /// The value and the remedy.
    pub text: String,
}

/// What a person says of one reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Told<'a> {
    /// The value, a plain decimal text.
    pub value: &'a str,
    /// The unit; empty means the point's own.
    pub unit: &'a str,
    /// When it was read.
    pub at: Ts,
    /// Whether a licensed electrician's record was named.
    pub has_record: bool,
}

/// A reading that stands at the point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Before {
    /// When it was read.
    pub at: Ts,
    /// Its value in the point's unit.
    pub value: Value,
}

/// A reading, judged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Judged {
    /// The value in the point's own unit; none where it was told in one that does not turn into it.
    pub value: Option<Value>,
    /// The limit that it is beyond.
    pub beyond: Option<Beyond>,
    /// What is odd about it; empty for nearly all.
    pub odd: Vec<Odd>,
}

/// Judges a reading at a point. `before` is the reading there that was taken last, at that instant or before it.
///
/// Refused is only what cannot be read as a number.
pub fn judge(card: &PointCard, told: Told<'_>, before: Option<Before>) -> Result<Judged, Violation> {
    let said = Value::parse(told.value).map_err(|error| Violation::new("value", error.to_string()))?;
    let own = PointUnit::parse(&card.unit);
    let mut odd = Vec::new();
    let value = in_own_unit(card, own, said, told, &mut odd);
    if let Some(value) = value {
        odd.extend(impossible(card, own, value));
        odd.extend(before.and_then(|before| far(card, own, (told.at, value), before)));
    }
    if card.taker == Taker::LicensedElectrician && !told.has_record {
        odd.push(Odd {
            kind: OddKind::NotLicensed,
            field: "electrician_record".into(),
            text: format!(
                "is missing: {} stands inside an electrical cabinet, which only a licensed electrician opens; give the \
                 number of the electrician's record",
                card.key
            ),
        });
    }
    Ok(Judged { value, beyond: value.and_then(|value| card.limits.beyond(value)), odd })
}

fn in_own_unit(
    card: &PointCard,
    own: Option<PointUnit>,
    said: Value,
    told: Told<'_>,
    odd: &mut Vec<Odd>,
) -> Option<Value> {
    if told.unit.is_empty() || told.unit == card.unit {
        return Some(said);
    }
    let unit: String = told.unit.chars().take(UNIT_SHOWN).collect();
    let of_point = if card.unit.is_empty() { "no unit" } else { card.unit.as_str() };
    let (given, own) = match (PointUnit::parse(told.unit), own) {
        (Some(given), Some(own)) if given == own => return Some(said),
        (given, own) => (given, own),
    };
    let turned = given.zip(own).and_then(|(given, own)| given.convert(said, own));
    let (kind, text) = if let Some(turned) = turned {
        let turned_text = with_sign(turned, own.map_or("", PointUnit::sign));
        (
            OddKind::OtherUnit,
            format!(
                "`{unit}` is not the unit of {}, {of_point}; {said} {unit} would be {turned_text}",
                card.key
            ),
        )
    } else {
        let what = given.map_or("no unit that is known here", |given| given.quantity().words());
        (
            OddKind::WrongUnit,
            format!(
                "`{unit}` ({what}) does not turn into the unit of {}, {of_point}; give the value in {of_point}",
                card.key
            ),
        )
    };
    odd.push(Odd { kind, field: "unit".into(), text });
    turned
}

fn impossible(card: &PointCard, own: Option<PointUnit>, value: Value) -> Option<Odd> {
    let sign = own.map_or("", PointUnit::sign);
    let shown = with_sign(value, sign);
    let text = match (card.possible, own.map(|own| own.check(value))) {
        (Some(possible), _) if !possible.holds(value) => {
            let side = if value < possible.from { "less" } else { "more" };
            format!("{shown} is {side} than {} can show ({possible} {sign}); read it again", card.key)
        }
        (_, Some(Err(error))) => format!("{shown}: {error}"),
        (_, _) => return None,
    };
    Some(Odd { kind: OddKind::Impossible, field: "value".into(), text })
}

fn far(card: &PointCard, own: Option<PointUnit>, told: (Ts, Value), before: Before) -> Option<Odd> {
    let (at, value) = told;
    let sign = own.map_or("", PointUnit::sign);
    if at == before.at && value != before.value {
        let text = format!(
            "{} was told for that very instant; give when this one was read",
            with_sign(before.value, sign)
        );
        return Some(Odd { kind: OddKind::ToldOtherwise, field: "at".into(), text });
    }
    let colonies = own.is_some_and(|own| own.quantity() == Quantity::Colonies);
    let times = if colonies { FAR_TIMES_OF_COLONIES } else { FAR_TIMES };
    let (low, high) = (value.0.min(before.value.0), value.0.max(before.value.0));
    // A count from zero on, and a temperature around zero, have no ratio.
    let slipped = low > 0 && i128::from(high) >= i128::from(low) * i128::from(times);
    let leapt = !colonies
        && card.possible.is_some_and(|scale| {
            i128::from(high - low) * i128::from(FAR_PART_OF_SCALE) > i128::from(scale.to.0 - scale.from.0)
        });
    (slipped || leapt).then(|| Odd {
        kind: OddKind::FarFromLast,
        field: "value".into(),
        text: format!(
            "{} is far from the last reading at {}, {}; read it again",
            with_sign(value, sign),
            card.key,
            with_sign(before.value, sign)
        ),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{Limits, Possible};
    use crate::text::Key;

    fn value(text: &str) -> Value {
        Value::parse(text).expect(text)
    }

    fn air() -> PointCard {
        PointCard {
            key: Key::new("p-air").expect("a key"),
            title: "line pressure".into(),
            place: String::new(),
            good: String::new(),
            fluid: String::new(),
            reservoir: None,
            unit: "bar".into(),
            limits: Limits { act_below: Some(value("5.5")), ..Limits::default() },
            possible: Some(Possible { from: value("0"), to: value("16") }),
            taker: Taker::Anyone,
            cautions: Vec::new(),
        }
    }

    fn told<'a>(value: &'a str, unit: &'a str) -> Told<'a> {
        Told { value, unit, at: Ts(1_000), has_record: false }
    }

    #[test]
    fn a_slip_is_asked_back_and_bad_news_is_not() {
        let last = Some(Before { at: Ts(10), value: value("6.1") });
        let check = |text: &str, unit: &str, kinds: &[OddKind], kept: Option<&str>| {
            let judged = judge(&air(), told(text, unit), last).expect("a number");
            assert_eq!(judged.odd.iter().map(|odd| odd.kind).collect::<Vec<_>>(), kinds, "{text} {unit}");
            assert_eq!(judged.value.map(|value| value.to_string()).as_deref(), kept, "{text} {unit}");
        };
        check("6.1", "", &[], Some("6.1"));
        check("6.2", "bar(g)", &[], Some("6.2"));
        check("4.2", "bar", &[], Some("4.2"));
        check("88.0", "psi", &[OddKind::OtherUnit], Some("6.067386"));
        check("6.1", "bar(abs)", &[OddKind::WrongUnit], None);
        check("6.1", "furlong", &[OddKind::WrongUnit], None);
        check("61", "", &[OddKind::Impossible, OddKind::FarFromLast], Some("61"));
        check("1.6", "", &[OddKind::FarFromLast], Some("1.6"));
        check("0", "", &[OddKind::FarFromLast], Some("0"));
        assert!(judge(&air(), told("six", ""), None).is_err());
    }

    #[test]
    fn what_is_odd_names_value_and_remedy() {
        let last = Some(Before { at: Ts(10), value: value("6.1") });
        let text = |text: &str, unit: &str| {
            judge(&air(), told(text, unit), last).expect("a number").odd.remove(0).text
        };
        assert_eq!(text("61", ""), "61 bar is more than p-air can show (0 to 16 bar); read it again");
        assert_eq!(text("88", "psi"), "`psi` is not the unit of p-air, bar; 88 psi would be 6.067386 bar");
        assert_eq!(
            text("6", "L"),
            "`L` (volume) does not turn into the unit of p-air, bar; give the value in bar"
        );
        let twice = Told { at: Ts(10), ..told("6.2", "") };
        let odd = judge(&air(), twice, last).expect("a number").odd;
        assert_eq!(odd[0].kind, OddKind::ToldOtherwise);
    }

    #[test]
    fn inside_a_cabinet_only_an_electrician_s_record_counts() {
        let card = PointCard { taker: Taker::LicensedElectrician, unit: "V".into(), ..air() };
        let card = PointCard { possible: None, limits: Limits::default(), ..card };
        let judged = judge(&card, told("400", ""), None).expect("a number");
        assert_eq!(judged.odd[0].kind, OddKind::NotLicensed);
        let with = Told { has_record: true, ..told("400", "V") };
        assert_eq!(judge(&card, with, None).expect("a number").odd, []);
    }

    /// Colonies run over powers of ten, so a hundredfold is no slip (bands of 10^4 and 10^6 a millilitre: HSE, guidance on
    /// bacteria in metalworking fluids).
    #[test]
    fn colonies_may_leap() {
        let card = PointCard { unit: "{CFU}/mL".into(), possible: None, limits: Limits::default(), ..air() };
        let before = Some(Before { at: Ts(10), value: value("1000") });
        assert_eq!(judge(&card, told("100000", ""), before).expect("a number").odd, []);
        assert_eq!(judge(&card, told("1000000", ""), before).expect("a number").odd.len(), 1);
    }
}
