//! What goes into the sumps and reservoirs of machines and what comes out: told, kept and withdrawn like a reading.

use crate::consumables::oil::Oil;
use crate::error::Violation;
use crate::ids::{ClosingId, MachineId, OrderNumber, PersonId};
use crate::physics::measure::Volume;
use crate::quantity::{Amount, Unit};
use crate::reading::{PointUnit, Value, Withdrawn};
use crate::shop::{KitItem, PointCard, TaskCard};
use crate::text::{ForeignName, Key, Name};
use crate::time::Ts;
use serde::{Deserialize, Serialize};
use serde_with::skip_serializing_none;
use std::collections::BTreeSet;

/// The most pieces of waste that a closing says.
pub const WASTE_MAX: usize = 20;

/// What was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FluidAct {
    /// Some was added to what was in it.
    Added,
    /// What was in it came out, and this went in.
    Changed,
    /// Waste came out of it.
    Waste,
}

/// An addition, a change or waste as somebody tells it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FluidSaid {
    /// The machine, by its tag or another of its names.
    pub machine: ForeignName,
    /// Its sump or reservoir.
    pub reservoir: Key,
    /// What was done.
    pub act: FluidAct,
    /// The fluid, or the kind of waste.
    pub fluid: Name,
    /// How much, in millilitres.
    pub amount: Amount,
    /// The lot that it was taken from.
    pub lot: Option<Name>,
    /// Of waste: the container or who collected it.
    pub route: Option<String>,
    /// Of waste: the number of its document.
    pub document: Option<String>,
    /// When.
    pub at: Ts,
    /// Who did it.
    pub by: Name,
    /// A note.
    pub note: String,
}

/// Waste as a closing says it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WasteSaid {
    /// The sump or reservoir; none means the only one there can be.
    pub reservoir: Option<Key>,
    /// What kind of waste.
    pub kind: Name,
    /// How much, in millilitres.
    pub amount: Amount,
    /// The container or who collected it.
    pub route: Option<String>,
    /// The number of its document.
    pub document: Option<String>,
}

/// Where an item of a kit goes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Into {
    /// The machine's sump or reservoir.
    pub reservoir: Key,
    /// Whether it goes in instead of what was there.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub change: bool,
}

/// An entry of the record as it is kept.
#[skip_serializing_none]
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FluidRecord {
    /// The machine.
    pub machine: MachineId,
    /// Its sump or reservoir.
    pub reservoir: Key,
    /// What was done.
    pub act: FluidAct,
    /// The fluid, or the kind of waste.
    pub fluid: Name,
    /// How much, in millilitres.
    pub amount: Amount,
    /// The lots that it came from.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lots: Vec<Name>,
    /// Of waste: the container or who collected it.
    pub route: Option<String>,
    /// Of waste: the number of its document.
    pub document: Option<String>,
    /// When.
    pub at: Ts,
    /// When it was entered.
    pub entered_at: Ts,
    /// Who did it.
    pub by: PersonId,
    /// The work order whose closing says it, and that closing.
    pub order: Option<OrderNumber>,
    /// The closing.
    pub closing: Option<ClosingId>,
    /// The journal entry by which it was taken off the shelf, where it was said by itself.
    pub issued: Option<i64>,
    /// Whether it is not the fluid of the machine's card, so that it fills up no level.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub other: bool,
    /// What was not as it should be about it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<String>,
    /// When, by whom and why it was withdrawn.
    pub withdrawn: Option<Withdrawn>,
}

/// What went into a sump or reservoir at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Poured {
    /// When.
    pub at: Ts,
    /// How much, in millilitres.
    pub amount: Amount,
    /// Whether what was in it came out first.
    pub change: bool,
}

impl FluidRecord {
    /// What it tells the models; nothing of waste or another fluid than the card's, and nothing once it is withdrawn.
    pub fn poured(&self) -> Option<Poured> {
        let change = match self.act {
            FluidAct::Added => false,
            FluidAct::Changed => true,
            FluidAct::Waste => return None,
        };
        (self.withdrawn.is_none() && !self.other).then_some(Poured {
            at: self.at,
            amount: self.amount,
            change,
        })
    }
}

/// A quantity of an item in millilitres; none where its unit is not one of volume.
pub fn millilitres(quantity: &str, unit: &str) -> Option<Amount> {
    let (value, unit) = (Value::parse(quantity).ok()?, PointUnit::parse(unit)?);
    let litres = unit.convert(value, PointUnit::parse("L")?)?;
    // Values are in millionths.
    let amount = Amount((litres.0 + 500) / 1_000);
    (amount > Amount::ZERO).then_some(amount)
}

/// An amount of a fluid as people write it: `2.5 L`.
pub fn litres_in_words(amount: Amount) -> String {
    format!("{} L", amount.to_text(Unit::Litres, 3))
}

/// Where an item goes that a closing used: as it says or its kit does; what a task's level clause asks to be filled goes
/// into the reservoir of that clause's test point.
pub fn goes_into(used: &KitItem, task: Option<&TaskCard>, points: &[PointCard]) -> Option<Into> {
    if let Some(into) = &used.into {
        return Some(into.clone());
    }
    let task = task?;
    if let Some(into) = task.kit.iter().find(|item| item.item == used.item).and_then(|item| item.into.clone())
    {
        return Some(into);
    }
    let filled: BTreeSet<&Key> = task.level_points().filter_map(|key| reservoir_of(key, points)).collect();
    let mut filled = filled.into_iter();
    let only = filled.next().filter(|_| filled.next().is_none())?;
    Some(Into { reservoir: only.clone(), change: false })
}

/// The sump or reservoir of a waste that does not name it: the only one of the task, else of the machine.
pub fn comes_out_of(task: Option<&TaskCard>, points: &[PointCard]) -> Result<Key, String> {
    let all = reservoirs(points);
    let kit = task.iter().flat_map(|task| &task.kit).filter_map(|item| Some(&item.into.as_ref()?.reservoir));
    let read = task.iter().flat_map(|task| task.points_read()).filter_map(|key| reservoir_of(key, points));
    let of_task: BTreeSet<&Key> = kit.chain(read).collect();
    let only = |of: &BTreeSet<&Key>| if of.len() == 1 { of.first().copied().cloned() } else { None };
    only(&of_task).or_else(|| only(&all.iter().collect())).ok_or_else(|| match all.len() {
        0 => NO_RESERVOIR.to_owned(),
        _ => format!("is missing; the machine has {}, so name the one it came out of", listed(&all)),
    })
}

const NO_RESERVOIR: &str =
    "the machine has no sump or reservoir; give its test points a `reservoir` in the shop file";

/// That a machine has no such sump or reservoir.
pub fn no_reservoir(field: &str, key: &Key, points: &[PointCard]) -> Option<Violation> {
    let all = reservoirs(points);
    if all.contains(key) {
        return None;
    }
    let text = if all.is_empty() {
        NO_RESERVOIR.to_owned()
    } else {
        format!("`{key}` is no sump or reservoir of the machine; it has {}", listed(&all))
    };
    Some(Violation::new(field, text))
}

fn listed(keys: &BTreeSet<Key>) -> String {
    keys.iter().map(Key::as_str).collect::<Vec<_>>().join(", ")
}

/// The sumps and reservoirs that test points name.
pub fn reservoirs(points: &[PointCard]) -> BTreeSet<Key> {
    points.iter().filter_map(|point| point.reservoir.clone()).collect()
}

fn reservoir_of<'a>(point: &Key, points: &'a [PointCard]) -> Option<&'a Key> {
    points.iter().find(|card| card.key == *point)?.reservoir.as_ref()
}

/// What kind of fluid a text names, as far as its words do (own choice).
#[derive(Clone, Copy, PartialEq, Eq)]
enum Sort {
    Oil,
    Coolant,
    Water,
}

impl Sort {
    fn named(text: &str) -> Option<Sort> {
        let text = text.to_lowercase();
        let has = |word: &str| text.split(|c: char| !c.is_alphanumeric()).any(|of| of == word);
        if has("coolant") || has("emulsion") || has("concentrate") || text.contains("water-mi") {
            Some(Sort::Coolant)
        } else if has("oil") {
            Some(Sort::Oil)
        } else if has("water") {
            Some(Sort::Water)
        } else {
            None
        }
    }
}

/// Whether a fluid is water, which no shop keeps on the shelf.
pub fn is_water(fluid: &Name) -> bool {
    fluid.as_str().eq_ignore_ascii_case("water")
}

/// That a fluid which was poured is not the one that the machine's card says: another grade or type of oil, or another kind of
/// fluid altogether. None where a text names no kind; water goes into a water-mixed coolant.
pub fn not_of_card(poured: &str, card: &str) -> Option<String> {
    let (oil, of_card) = (Oil::named(poured), Oil::named(card));
    if let (Some(oil), Some(of_card)) = (&oil, &of_card) {
        let unlike = oil.unlike(of_card)?;
        return Some(format!("{poured} was poured, the machine's card says {of_card}: {unlike}"));
    }
    let kind = |oil: Option<Oil>, text| oil.map(|_| Sort::Oil).or_else(|| Sort::named(text));
    match (kind(oil, poured)?, kind(of_card, card)?) {
        (poured, card) if poured == card => None,
        (Sort::Water, Sort::Coolant) | (Sort::Coolant, Sort::Water) => None,
        (Sort::Oil | Sort::Coolant | Sort::Water, Sort::Oil | Sort::Coolant | Sort::Water) => Some(format!(
            "{poured} was poured, the machine's card says {card}: another kind of fluid, which fills up no level; ask the \
             supplier and the builder's manual before the machine runs on it"
        )),
    }
}

/// What is not as it should be about waste.
pub fn waste_findings(route: Option<&str>, document: Option<&str>) -> Vec<String> {
    let mut findings = Vec::new();
    if route.is_none() {
        findings.push(
            "where the waste went is not stated: name the container or who collected it; it is never guessed"
                .to_owned(),
        );
    }
    if document.is_none() {
        findings.push("the waste has no document number; local codes say whether it needs one".to_owned());
    }
    findings
}

/// What to heed with fluids and their waste. Their safety data sheets and local codes stand above it.
pub const CAUTIONS: [&str; 5] = [
    "skin: keep fluids off it, wear gloves where nothing turns, wash before eating, and change soaked clothes",
    "eyes: wear protection while pouring or draining; rinse at once and see a doctor if it splashes in",
    "fire: neat oil, its mist and soaked rags burn; keep flames, sparks and hot chips away, rags in a closed metal bin",
    "environment: nothing into a drain, the ground or water; keep kinds of waste apart, each container labelled",
    "the safety data sheet of the fluid, local codes and a licensed collector decide how waste is stored and disposed of",
];

/// How much a reservoir holds that is so full, in L.
pub fn to_volume(amount: Amount) -> Volume {
    #[expect(clippy::cast_precision_loss, reason = "amounts stay below 2^53")]
    let millilitres = amount.0 as f64;
    Volume(millilitres / 1_000.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn volumes_are_kept_in_whole_millilitres() {
        assert_eq!(millilitres("2.5", "L"), Some(Amount(2_500)));
        assert_eq!(millilitres("30", "mL"), Some(Amount(30)));
        assert_eq!(millilitres("0.0004", "L"), None, "less than can be kept");
        assert_eq!(millilitres("2", "pcs"), None);
        assert_eq!(millilitres("2", ""), None);
        assert_eq!(litres_in_words(Amount(2_500)), "2.5 L");
    }

    #[test]
    fn what_is_not_the_fluid_of_the_card_is_told() {
        let told = |poured, card| not_of_card(poured, card).is_some();
        assert!(told("coolant concentrate", "spindle oil HM 32"));
        assert!(told("way oil VG 68", "water-mixed coolant"));
        assert!(told("water", "way oil CGLP 68") && told("way oil", "water-mixed coolant"));
        assert!(told("HLP 46", "way oil CGLP 68"));
        for (poured, card) in [
            ("coolant concentrate", "water-mixed coolant"),
            ("water", "water-mixed coolant"),
            ("spindle oil", "spindle oil HM 32"),
            ("way oil VG 68", "CGLP 68"),
            ("premix 6 %", "water-mixed coolant"),
            ("way oil VG 68", ""),
        ] {
            assert!(!told(poured, card), "{poured} into {card}");
        }
    }

    #[test]
    fn a_route_is_never_guessed() {
        assert_eq!(waste_findings(Some("drum 7"), Some("4711")), Vec::<String>::new());
        assert!(waste_findings(None, Some("4711"))[0].contains("never guessed"));
        assert_eq!(waste_findings(None, None).len(), 2);
    }
}
