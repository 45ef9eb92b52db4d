//! Machines of a declaration: names, meters and test points; tasks follow in their own room.

use super::diff::{Differ, Sheet, Words, differs, twice};
use super::last_done_diff;
use super::limits::{
    ALIASES_MAX, FAMILY_MAX, MACHINES_MAX, METERS_MAX, SHEETS_OF_MACHINE_MAX, SHORT_TEXT_MAX, TASKS_MAX,
};
use super::point_diff::points;
use super::state::{MachineShape, MachineWrite, MeterShape, Write};
use super::suggest::remedy;
use super::task_diff;
use super::{Declaration, MachineCard, MeterCard, PointCard};
use crate::ledger::row::Feed;
use crate::quantity::{Amount, MaxPerHour, Unit};
use crate::text::{Key, Name};
use std::collections::BTreeMap;

/// A machine under comparison.
pub(super) struct At<'a> {
    /// Its tag.
    pub(super) tag: &'a Key,
    /// Its card; none where only a sheet of it changed.
    pub(super) card: Option<&'a MachineCard>,
    /// Its path in the declaration.
    pub(super) field: String,
    /// As it stood; none for a new one.
    pub(super) old: Option<&'a MachineShape>,
    /// Its meters after the load.
    pub(super) meters: BTreeMap<Key, MeterShape>,
    /// Its test points after the load.
    pub(super) points: BTreeMap<Key, PointCard>,
    /// Its sheets after the load.
    pub(super) sheets: Vec<Key>,
}

/// Compares all machines of the declaration, then those that it does not name but whose sheets it changes.
pub(super) fn machines(differ: &mut Differ<'_>, declared: &Declaration, sheets: &BTreeMap<Key, Sheet>) {
    if !differ.at_most("shop.machines", declared.machines.len(), MACHINES_MAX) {
        return;
    }
    let mut named: BTreeMap<&Key, usize> = BTreeMap::new();
    for (i, card) in declared.machines.iter().enumerate() {
        if let Some(first) = named.get(&card.tag) {
            let text = format!("{} (first in machines[{first}])", twice("machine", &card.tag));
            differ.wrong(format!("shop.machines[{i}].tag"), text);
        } else {
            named.insert(&card.tag, i);
        }
    }
    names_are_unique(differ, declared, &named);
    for (i, card) in declared.machines.iter().enumerate() {
        if named.get(&card.tag) == Some(&i) {
            machine(differ, card, format!("shop.machines[{i}]"), sheets);
        }
    }
    let current = differ.current;
    for (tag, old) in &current.machines {
        let changed = |key: &Key| sheets.get(key).is_some_and(|sheet| differs(current, key, sheet));
        if old.retired || named.contains_key(tag) || !old.sheets.iter().any(changed) {
            continue;
        }
        let at = At {
            tag,
            card: None,
            field: String::new(),
            old: Some(old),
            meters: old.meters.clone(),
            points: old.points.clone(),
            sheets: old.sheets.clone(),
        };
        task_diff::tasks(differ, &at, sheets);
    }
}

/// Every name of a machine, its tag or one that another system gives it, means one machine.
fn names_are_unique(differ: &mut Differ<'_>, declared: &Declaration, named: &BTreeMap<&Key, usize>) {
    let mut owner: BTreeMap<&str, &Key> = BTreeMap::new();
    let current = differ.current;
    for (tag, old) in &current.machines {
        owner.insert(tag.as_str(), tag);
        if named.get(tag).is_none_or(|i| declared.machines[*i].also_known_as.is_empty()) {
            owner.extend(old.also_known_as.iter().map(|alias| (alias.as_str(), tag)));
        }
    }
    for (tag, i) in named {
        if let Some(taken) = owner.insert(tag.as_str(), tag)
            && taken != *tag
        {
            let text = format!("`{tag}` already stands for machine `{taken}`; give another tag");
            differ.wrong(format!("shop.machines[{i}].tag"), text);
        }
    }
    for (i, card) in declared.machines.iter().enumerate() {
        for (j, alias) in card.also_known_as.iter().enumerate() {
            let field = format!("shop.machines[{i}].also_known_as[{j}]");
            match owner.get(alias.as_str()) {
                Some(taken) if *taken != &card.tag => {
                    let text = format!("`{alias}` already stands for machine `{taken}`; give another name");
                    differ.wrong(field, text);
                }
                Some(_) if card.also_known_as[..j].contains(alias) => {
                    differ.wrong(field, twice("name", alias));
                }
                Some(_) => {}
                None => {
                    owner.insert(alias.as_str(), &card.tag);
                }
            }
        }
    }
}

fn machine(differ: &mut Differ<'_>, card: &MachineCard, field: String, sheets: &BTreeMap<Key, Sheet>) {
    let current = differ.current;
    let old = current.machines.get(&card.tag);
    if old.is_some_and(|old| old.retired) {
        let text = format!(
            "machine `{}` has left the shop; take it out of the declaration, or give the new machine another tag",
            card.tag
        );
        return differ.wrong(format!("{field}.tag"), text);
    }
    differ.at_most(&format!("{field}.also_known_as"), card.also_known_as.len(), ALIASES_MAX);
    differ.at_most(&format!("{field}.sheets"), card.sheets.len(), SHEETS_OF_MACHINE_MAX);
    if !differ.at_most(&format!("{field}.tasks"), card.tasks.len(), TASKS_MAX) {
        return;
    }
    differ.text(format!("{field}.family"), card.family.as_deref().unwrap_or(""), FAMILY_MAX);
    differ.text(format!("{field}.area"), card.area.as_deref().unwrap_or(""), SHORT_TEXT_MAX);
    let mut all_sheets = old.map_or_else(Vec::new, |old| old.sheets.clone());
    for (i, key) in card.sheets.iter().enumerate() {
        if !sheets.contains_key(key) {
            let text = format!(
                "there is no sheet `{key}`; {}",
                remedy(key.as_str(), sheets.keys().map(Key::as_str), "sheets")
            );
            differ.wrong(format!("{field}.sheets[{i}]"), text);
        } else if !all_sheets.contains(key) {
            all_sheets.push(key.clone());
        }
    }
    machine_step(differ, card, old, &all_sheets);
    let meters = meters(differ, card, old, &field);
    let points = points(differ, card, old, &field);
    let at = At { tag: &card.tag, card: Some(card), field, old, meters, points, sheets: all_sheets };
    let tasks = task_diff::tasks(differ, &at, sheets);
    last_done_diff::of_card(differ, &at, card, &tasks);
}

fn machine_step(differ: &mut Differ<'_>, card: &MachineCard, old: Option<&MachineShape>, sheets: &[Key]) {
    let name = card.name.clone().or_else(|| old.map(|old| old.name.clone()));
    // A tag keeps the rules of a name, being shorter and of fewer characters.
    let Some(name) = name.or_else(|| Name::new(card.tag.as_str()).ok()) else { return };
    let text = |said: &Option<String>, stood: Option<&String>| {
        said.clone().or_else(|| stood.cloned()).unwrap_or_default()
    };
    let also_known_as = match old {
        Some(old) if card.also_known_as.is_empty() => old.also_known_as.clone(),
        Some(_) | None => card.also_known_as.clone(),
    };
    let write = MachineWrite {
        tag: card.tag.clone(),
        name,
        also_known_as,
        family: text(&card.family, old.map(|old| &old.family)),
        area: text(&card.area, old.map(|old| &old.area)),
        sheets: sheets.to_vec(),
    };
    let change = match old {
        None => "added".to_owned(),
        Some(old) => {
            let mut words = Words::default();
            words.changed("name", &old.name, &write.name);
            words.list("names elsewhere", &old.also_known_as, &write.also_known_as);
            words.changed("family", &old.family, &write.family);
            words.changed("area", &old.area, &write.area);
            words.list("sheets", &old.sheets, &write.sheets);
            words.text()
        }
    };
    if !change.is_empty() {
        differ.step(format!("machine {}", card.tag), change, Write::Machine(write));
    }
}

fn meters(
    differ: &mut Differ<'_>,
    card: &MachineCard,
    old: Option<&MachineShape>,
    field: &str,
) -> BTreeMap<Key, MeterShape> {
    let mut meters = old.map_or_else(BTreeMap::new, |old| old.meters.clone());
    for (i, meter) in card.meters.iter().enumerate() {
        let field = format!("{field}.meters[{i}]");
        if card.meters[..i].iter().any(|other| other.key == meter.key) {
            differ.wrong(format!("{field}.key"), twice("meter", &meter.key));
            continue;
        }
        let stood = meters.get(&meter.key).copied();
        let Some(shape) = meter_shape(differ, &card.tag, meter, stood, &field) else { continue };
        let change = match stood {
            None => format!("added, {}", shape.kind.word()),
            Some(stood) => {
                let unit = shape.kind.unit();
                let rate = |max: MaxPerHour| Amount(max.0).to_text(unit, 3);
                let mut words = Words::default();
                words.changed("fed by", feed_word(stood.feed), feed_word(shape.feed));
                words.changed("most in an hour", &rate(stood.max_per_hour), &rate(shape.max_per_hour));
                words.text()
            }
        };
        if !change.is_empty() {
            let write = Write::Meter { machine: card.tag.clone(), key: meter.key.clone(), meter: shape };
            differ.step(format!("meter {} {}", card.tag, meter.key), change, write);
        }
        meters.insert(meter.key.clone(), shape);
    }
    differ.at_most(&format!("{field}.meters"), meters.len(), METERS_MAX);
    meters
}

fn meter_shape(
    differ: &mut Differ<'_>,
    tag: &Key,
    card: &MeterCard,
    stood: Option<MeterShape>,
    field: &str,
) -> Option<MeterShape> {
    let key = &card.key;
    let Some(kind) = card.kind.or(stood.map(|stood| stood.kind)) else {
        let text =
            format!("meter `{key}` is new and has no kind; say what it accumulates, such as operating");
        differ.wrong(format!("{field}.kind"), text);
        return None;
    };
    if let Some(stood) = stood.filter(|stood| stood.kind != kind) {
        let text = format!(
            "is {}, but meter `{key}` of machine `{tag}` is {} and cannot change; declare another meter with its own key",
            kind.word(),
            stood.kind.word()
        );
        differ.wrong(format!("{field}.kind"), text);
        return None;
    }
    let feed = card.feed.or(stood.map(|stood| stood.feed)).unwrap_or(Feed::Interval);
    if stood.is_some_and(|stood| stood.counts && stood.feed != feed) {
        let text = format!(
            "meter `{key}` of machine `{tag}` has reports that count, so its feed cannot change; declare another meter with its own key"
        );
        differ.wrong(format!("{field}.feed"), text);
        return None;
    }
    let max = card.max_per_hour.or(stood.map(|stood| stood.max_per_hour));
    let unit = kind.unit();
    let max = match (unit, max) {
        (Unit::Hours, max) => max.unwrap_or(MaxPerHour::ONE_HOUR_AN_HOUR),
        (Unit::Cycles | Unit::Litres, Some(max)) => max,
        (Unit::Cycles | Unit::Litres, None) => {
            let text = format!("meter `{key}` counts {}; say how many it can count in an hour", unit.sign());
            differ.wrong(format!("{field}.max_per_hour"), text);
            return None;
        }
    };
    let most = if unit == Unit::Hours { MaxPerHour::ONE_HOUR_AN_HOUR.0 } else { MAX_PER_HOUR };
    if max.0 <= 0 || max.0 > most {
        let text = |amount: i64| Amount(amount).to_text(unit, 3);
        let text = format!(
            "is {} {} in an hour; give more than 0 and at most {}",
            text(max.0),
            unit.sign(),
            text(most)
        );
        differ.wrong(format!("{field}.max_per_hour"), text);
        return None;
    }
    let (counts, now) = stood.map_or((false, None), |stood| (stood.counts, stood.now));
    // Nothing has been counted yet on a new meter that is fed by intervals; a counter may show anything.
    let now = now.or(Some(Amount::ZERO).filter(|_| feed == Feed::Interval));
    Some(MeterShape { kind, feed, max_per_hour: max, counts, now })
}

/// The most cycles or litres in an hour, in kept units: a million.
const MAX_PER_HOUR: i64 = 1_000_000_000;

fn feed_word(feed: Feed) -> &'static str {
    match feed {
        Feed::Interval => "intervals",
        Feed::Absolute => "readings",
    }
}
