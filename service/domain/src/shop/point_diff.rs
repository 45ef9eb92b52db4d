//! Test points of a machine under comparison: units, limits, scale and cautions.

use super::diff::{Differ, Words, twice};
use super::limits::{CAUTIONS_MAX, POINTS_MAX, SHORT_TEXT_MAX, TEXT_MAX};
use super::state::{MachineShape, Write};
use super::suggest::remedy;
use super::{MachineCard, PointCard};
use crate::reading::{PointUnit, Possible, Taker, unit_codes};
use crate::text::Key;
use std::collections::BTreeMap;

/// Compares the test points that a card names, and gives all that stand after the load.
pub(super) fn points(
    differ: &mut Differ<'_>,
    card: &MachineCard,
    old: Option<&MachineShape>,
    field: &str,
) -> BTreeMap<Key, PointCard> {
    let mut all = old.map_or_else(BTreeMap::new, |old| old.points.clone());
    for (i, point) in card.points.iter().enumerate() {
        let field = format!("{field}.points[{i}]");
        if card.points[..i].iter().any(|other| other.key == point.key) {
            differ.wrong(format!("{field}.key"), twice("test point", &point.key));
            continue;
        }
        all.insert(point.key.clone(), point.clone());
        let stood = old.and_then(|old| old.points.get(&point.key));
        let Some(point) = checked(differ, point, stood, &field) else { continue };
        let change = stood.map_or_else(|| "added".to_owned(), |stood| changes(stood, &point));
        if !change.is_empty() {
            let words = format!("test point {} {}", card.tag, point.key);
            differ.step(words, change, Write::Point { machine: card.tag.clone(), point });
        }
    }
    differ.at_most(&format!("{field}.points"), all.len(), POINTS_MAX);
    all
}

/// A point as it is kept: its unit as a code. None where its unit is not known.
fn checked(
    differ: &mut Differ<'_>,
    point: &PointCard,
    stood: Option<&PointCard>,
    field: &str,
) -> Option<PointCard> {
    differ.text(format!("{field}.title"), &point.title, SHORT_TEXT_MAX);
    differ.text(format!("{field}.place"), &point.place, TEXT_MAX);
    differ.text(format!("{field}.good"), &point.good, TEXT_MAX);
    differ.text(format!("{field}.fluid"), &point.fluid, SHORT_TEXT_MAX);
    if differ.at_most(&format!("{field}.cautions"), point.cautions.len(), CAUTIONS_MAX) {
        for (i, caution) in point.cautions.iter().enumerate() {
            differ.text(format!("{field}.cautions[{i}]"), caution, TEXT_MAX);
        }
    }
    let unit = unit(differ, point, stood, &format!("{field}.unit"))?;
    if let Some((limit, text)) = point.limits.wrong() {
        differ.wrong(format!("{field}.{limit}"), text);
    }
    if let Some(Possible { from, to }) = point.possible
        && from >= to
    {
        let text = format!("`{from} to {to}` holds no values; give the lower end first, such as 0 to 16");
        differ.wrong(format!("{field}.possible"), text);
    }
    for beyond in point.limits.each() {
        if let Some(possible) = point.possible.filter(|possible| !possible.holds(beyond.limit)) {
            let text = format!("the limit {} lies outside it, `{possible}`; widen it", beyond.limit);
            differ.wrong(format!("{field}.possible"), text);
        } else if let Err(error) = unit.check(beyond.limit) {
            differ.wrong(format!("{field}.{}", beyond.field()), error.to_string());
        }
    }
    Some(PointCard { unit: unit.code().to_owned(), ..point.clone() })
}

/// The unit that a card names, which measures what it measured so far: readings that stand are to be compared.
fn unit(
    differ: &mut Differ<'_>,
    point: &PointCard,
    stood: Option<&PointCard>,
    field: &str,
) -> Option<PointUnit> {
    let found = PointUnit::parse(&point.unit);
    if found.is_none() {
        let near = remedy(&point.unit, unit_codes(), "the units");
        let text = format!(
            "`{}` is no unit of test points; {near}; docs/shop-file.md lists them with their spellings",
            point.unit
        );
        differ.wrong(field, text);
    }
    let was = stood.and_then(|stood| PointUnit::parse(&stood.unit));
    if let (Some(was), Some(is)) = (was, found)
        && was.quantity() != is.quantity()
        && !was.code().is_empty()
    {
        let text = format!(
            "{} was read in {} so far, which does not turn into {}; give the new gauge a point of its own",
            point.key,
            was.code(),
            is.code()
        );
        differ.wrong(field, text);
        return None;
    }
    found
}

fn changes(stood: &PointCard, point: &PointCard) -> String {
    let mut words = Words::default();
    words.changed("title", &stood.title, &point.title);
    words.changed("place", &stood.place, &point.place);
    words.changed("good", &stood.good, &point.good);
    words.changed("fluid", &stood.fluid, &point.fluid);
    let reservoir = |card: &PointCard| card.reservoir.as_ref().map(Key::to_string).unwrap_or_default();
    words.changed("reservoir", &reservoir(stood), &reservoir(point));
    words.changed("unit", &stood.unit, &point.unit);
    words.changed("limits", &stood.limits.to_string(), &point.limits.to_string());
    let scale = |card: &PointCard| card.possible.as_ref().map(Possible::to_string).unwrap_or_default();
    words.changed("possible", &scale(stood), &scale(point));
    words.changed("taken by", taker_word(stood.taker), taker_word(point.taker));
    words.list("cautions", &stood.cautions, &point.cautions);
    words.text()
}

fn taker_word(taker: Taker) -> &'static str {
    match taker {
        Taker::Anyone => "anyone",
        Taker::LicensedElectrician => "a licensed electrician",
    }
}

#[cfg(test)]
mod tests {
    use super::super::diff::diff;
    use super::super::diff_tests::{apply, loaded, rule, shop, today, words};
    use super::super::{ClauseCard, Declaration};
    use super::*;
    use crate::reading::{Limits, Value};

    fn value(text: &str) -> Option<Value> {
        let value = Value::parse(text);
        assert!(value.is_ok(), "{text}");
        value.ok()
    }

    /// What a load says after an edit of the first machine's only point.
    fn told(edit: impl FnOnce(&mut PointCard)) -> Vec<String> {
        let mut declared = shop();
        edit(&mut declared.machines[0].points[0]);
        answer(&declared)
    }

    fn answer(declared: &Declaration) -> Vec<String> {
        match diff(&loaded(&shop()), declared, today()) {
            Ok(steps) => words(&steps),
            Err(wrong) => wrong.iter().map(|v| format!("{}: {}", v.field, v.text)).collect(),
        }
    }

    #[test]
    fn a_spelling_is_kept_as_its_code_and_changes_are_said() {
        assert_eq!(told(|point| point.unit = "barg".into()), Vec::<String>::new());
        assert_eq!(
            told(|point| {
                point.limits =
                    Limits { stop_below: value("5"), act_below: value("5.5"), ..Limits::default() };
                point.possible = value("0").zip(value("16")).map(|(from, to)| Possible { from, to });
                point.taker = Taker::LicensedElectrician;
                point.cautions = vec!["wear eye protection".into()];
            }),
            [
                "test point L-01 air: limits none -> act below 5.5, stop below 5; possible none -> 0 to 16; taken by \
                 anyone -> a licensed electrician; cautions changed (1 new, 0 gone)"
            ]
        );
    }

    #[test]
    fn what_is_wrong_with_a_point_is_told_with_its_path() {
        let wrong = |edit: fn(&mut PointCard), expect: &str| {
            assert_eq!(told(edit), [format!("shop.machines[0].points[0].{expect}")]);
        };
        wrong(
            |point| point.unit = "baar".into(),
            "unit: `baar` is no unit of test points; did you mean `bar`?; docs/shop-file.md lists them with their \
             spellings",
        );
        wrong(
            |point| point.unit = "bar{abs}".into(),
            "unit: air was read in bar so far, which does not turn into bar{abs}; give the new gauge a point of its own",
        );
        wrong(
            |point| {
                point.limits = Limits { act_below: value("7"), act_above: value("5"), ..Limits::default() }
            },
            "act_below: `7` is more than act_above, `5`; act_below is at most act_above",
        );
        wrong(
            |point| point.possible = value("16").zip(value("0")).map(|(from, to)| Possible { from, to }),
            "possible: `16 to 0` holds no values; give the lower end first, such as 0 to 16",
        );
        wrong(
            |point| point.limits.stop_below = value("-5"),
            "stop_below: `-5` is not possible; give -1.1 to 1000 bar(g)",
        );
        wrong(
            |point| {
                point.limits.act_above = value("17");
                point.possible = value("0").zip(value("16")).map(|(from, to)| Possible { from, to });
            },
            "possible: the limit 17 lies outside it, `0 to 16`; widen it",
        );
    }

    #[test]
    fn a_rule_may_wait_for_a_reading_of_a_point_that_there_is() {
        let mut declared = shop();
        let waits =
            |point: &str| ClauseCard::Reading { point: Key::new(point).expect("a key"), expects: false };
        let with = |clause| Some(rule(vec![clause]));
        declared.machines[0].tasks[0].rule = with(waits("air"));
        assert_eq!(answer(&declared).len(), 1);
        let steps = diff(&loaded(&shop()), &declared, today()).expect("a change");
        let after = apply(loaded(&shop()), steps);
        assert_eq!(diff(&after, &declared, today()).map(|steps| steps.len()), Ok(0), "twice changes nothing");
        declared.machines[0].tasks[0].rule = with(waits("ari"));
        assert_eq!(
            answer(&declared),
            [
                "shop.machines[0].tasks[0].rule.clauses[0].reading.point: the machine has no test point `ari`; did you \
                 mean `air`?"
            ]
        );
    }
}
