//! Models of clauses as declared: their meter, their test points and the oil that goes in.

use super::rule_card::{Meters, meant};
use super::{ClauseCard, PointCard, TaskCard};
use crate::consumables::oil::Oil;
use crate::error::Violation;
use crate::quantity::{MeterKind, Unit};
use crate::reading::{PointUnit, Quantity};
use crate::rule::Clause;
use crate::rule::model::{Cycle, Model};
use crate::text::Key;
use std::collections::BTreeMap;

/// A model as it is declared.
type Declared = Model<Option<Key>>;

/// The clause of a model on a machine with these meters.
pub(super) fn checked(model: &Declared, field: &str, meters: &Meters) -> Result<Clause, Violation> {
    let field = format!("{field}.{}", model.word());
    let wrong = |text: String| Violation::new(format!("{field}.meter"), text);
    let bound =
        model.with_meter(|named| meant(named.as_ref(), meters).map(|(_, id, _)| id)).map_err(wrong)?;
    let unit = kind(model, meters).map(MeterKind::unit);
    let fits = match (model, unit) {
        (Model::Level(level), Some(unit)) => match level.cycle {
            Cycle::Minutes(_) => unit == Unit::Hours,
            Cycle::Count(_) => unit != Unit::Hours,
        },
        (Model::Fill(_) | Model::Element(_), Some(unit)) => unit == Unit::Hours,
        (Model::Coolant(_) | Model::NeatOil(_) | Model::IdleAir(_), _) | (_, None) => true,
    };
    if !fits {
        let counted = unit.map_or("", Unit::sign);
        let text = if matches!(model, Model::Level(_)) {
            format!(
                "the meter counts {counted}; state cycle_min with a meter of hours, cycle_count with one of cycles or litres"
            )
        } else {
            format!("the meter counts {counted}, but air flows by the hour; name a meter of hours")
        };
        return Err(wrong(text));
    }
    Ok(Clause::Model { model: Box::new(bound) })
}

/// The model with its meter named, so that it means the same when the machine gets another.
pub(super) fn with_meter_named(model: &Declared, only: Option<&Key>) -> Declared {
    let named = |meter: &Option<Key>| Ok::<_, std::convert::Infallible>(meter.as_ref().or(only).cloned());
    match model.with_meter(named) {
        Ok(named) => named,
        Err(never) => match never {},
    }
}

/// The key of its meter, where it is named.
pub(super) fn meter_key(model: &Declared) -> Option<&Key> {
    model.meter().and_then(Option::as_ref)
}

/// What its meter accumulates.
pub(super) fn kind(model: &Declared, meters: &Meters) -> Option<MeterKind> {
    model.meter()?;
    meant(meter_key(model), meters).ok().map(|(_, _, kind)| kind)
}

/// The clause in words.
pub(super) fn in_words(model: &Declared) -> String {
    crate::plan::model_clause_in_words(model)
}

/// The test points that a rule's clauses name, each with its path below the task.
pub(super) fn points_of(card: &TaskCard) -> Vec<(String, &Key)> {
    let clauses = card.rule.iter().flat_map(|rule| rule.clauses.iter().enumerate());
    let mut named = Vec::new();
    for (i, clause) in clauses {
        match clause {
            ClauseCard::Reading { point, .. } => {
                named.push((format!("rule.clauses[{i}].reading.point"), point));
            }
            ClauseCard::Model { model } => {
                let of = |(field, point)| (format!("rule.clauses[{i}].{}.{field}", model.word()), point);
                named.extend(model.points().into_iter().map(of));
            }
            ClauseCard::Calendar { .. } | ClauseCard::Meter { .. } | ClauseCard::Recurrence(_) => {}
        }
    }
    named
}

/// What is wrong between a task's models, its kit and the machine's test points: each with its path below the task.
pub(super) fn at_odds(card: &TaskCard, points: &BTreeMap<Key, PointCard>) -> Vec<(String, String)> {
    let clauses = card.rule.iter().flat_map(|rule| rule.clauses.iter().enumerate());
    let mut odd = Vec::new();
    for (i, clause) in clauses {
        let ClauseCard::Model { model } = clause else { continue };
        let path = format!("rule.clauses[{i}].{}", model.word());
        for (field, key) in model.points() {
            odd.extend(
                points
                    .get(key)
                    .and_then(|point| unit_at_odds(model, field, point))
                    .map(|text| (format!("{path}.{field}"), text)),
            );
        }
        odd.extend(oil_at_odds(card, model, points, &path));
    }
    odd
}

/// What is wrong with the unit of a point that a model reads.
fn unit_at_odds(model: &Declared, field: &str, point: &PointCard) -> Option<String> {
    let unit = PointUnit::parse(&point.unit)?;
    let taken: &[Quantity] = match (model, field) {
        (Model::Level(_) | Model::Fill(_), _) => &[Quantity::Volume, Quantity::Share],
        (Model::Element(_), "flow_point") | (Model::IdleAir(_), _) => {
            &[Quantity::FreeAir, Quantity::LineFlow]
        }
        (Model::Element(_), _) => &[Quantity::PressureDifference],
        (Model::Coolant(_), "ph") => &[Quantity::Acidity],
        (Model::Coolant(_), "nitrite") => &[Quantity::Dissolved],
        (Model::Coolant(_), "dip_slide") => &[Quantity::Colonies],
        (Model::Coolant(_), _) => &[Quantity::Share, Quantity::Refraction],
        (Model::NeatOil(_), "water") => &[Quantity::Share],
        (Model::NeatOil(_), "flash") => &[Quantity::Temperature],
        (Model::NeatOil(_), _) => &[Quantity::Viscosity],
    };
    if let Model::Coolant(coolant) = model
        && unit.quantity() == Quantity::Refraction
        && coolant.factor.is_none()
    {
        return Some(format!(
            "`{}` is read with a refractometer; give refractometer_factor, which is the product's own",
            point.key
        ));
    }
    (!taken.contains(&unit.quantity())).then(|| {
        let words: Vec<&str> = taken.iter().map(|quantity| quantity.words()).collect();
        format!("`{}` is read in `{}`; name a test point of {}", point.key, point.unit, words.join(" or "))
    })
}

/// The oil of a machine's card that a model's reservoir takes: what its test point says, else what the clause says.
fn oil_of_card(model: &Declared, points: &BTreeMap<Key, PointCard>) -> Option<Oil> {
    let Model::Level(level) = model else { return None };
    let of_point = level.point.as_ref().and_then(|key| Oil::named(&points.get(key)?.fluid));
    of_point.or_else(|| Oil::named(&level.oil))
}

/// Oils of a task that must not go into its reservoir.
fn oil_at_odds(
    card: &TaskCard,
    model: &Declared,
    points: &BTreeMap<Key, PointCard>,
    path: &str,
) -> Vec<(String, String)> {
    let (Model::Level(level), Some(of_card)) = (model, oil_of_card(model, points)) else {
        return Vec::new();
    };
    let of_clause = (format!("{path}.oil"), level.oil.as_str());
    let of_kit = card.kit.iter().enumerate().map(|(i, item)| (format!("kit[{i}].item"), item.item.as_str()));
    std::iter::once(of_clause)
        .chain(of_kit)
        .filter_map(|(field, text)| {
            let unlike = Oil::named(text)?.unlike(&of_card)?;
            Some((field, format!("`{text}` is not the oil of the machine's card, {of_card}: {unlike}")))
        })
        .collect()
}

/// What a closing poured that is not the oil of the machine's card, as findings.
pub(super) fn wrongly_poured(
    card: &TaskCard,
    points: &BTreeMap<Key, PointCard>,
    poured: &[&str],
) -> Vec<String> {
    let clauses = card.rule.iter().flat_map(|rule| &rule.clauses);
    let models = clauses.filter_map(|clause| match clause {
        ClauseCard::Model { model } => Some(model),
        ClauseCard::Calendar { .. }
        | ClauseCard::Meter { .. }
        | ClauseCard::Recurrence(_)
        | ClauseCard::Reading { .. } => None,
    });
    let mut findings = Vec::new();
    for of_card in models.filter_map(|model| oil_of_card(model, points)) {
        for text in poured {
            if let Some(unlike) = Oil::named(text).and_then(|oil| oil.unlike(&of_card)) {
                findings.push(format!("{text} was used, the machine's card says {of_card}: {unlike}"));
            }
        }
    }
    findings
}
