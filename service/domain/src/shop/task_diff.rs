//! Tasks of a machine: those of its sheets, its own in their place, and what of them changes.

use super::diff::{Differ, Sheet, Words, no_rule, twice};
use super::limits::{
    CAUTIONS_MAX, COVERS_MAX, KIT_MAX, MINUTES_MAX, READINGS_MAX, TASKS_MAX, TEXT_MAX, UNIT_MAX,
};
use super::machine_diff::At;
use super::rule_card::{Meters, checked_rule, rule_in_words, with_meters_named};
use super::state::{TaskShape, Write};
use super::suggest::remedy;
use super::{KitItem, TaskCard, model_card, review_card};
use crate::error::Violation;
use crate::ids::{MeterId, TaskId};
use crate::plan::{CoverError, Covers};
use crate::text::Key;
use crate::time::ShopDay;
use std::collections::BTreeMap;

/// A task as it stands after the load.
pub(super) struct After {
    /// Its card.
    pub(super) card: TaskCard,
    /// The sheet from which it comes.
    sheet: Option<Key>,
    /// Its path in the declaration; none where it is not named.
    field: Option<String>,
}

/// Checks what a task's card says by itself.
pub(super) fn check_task_card(differ: &mut Differ<'_>, card: &TaskCard, field: &str) {
    differ.text(format!("{field}.place"), &card.place, TEXT_MAX);
    differ.text(format!("{field}.basis"), &card.basis, TEXT_MAX);
    if let Some(from) = card.rule_from.filter(|from| !(ShopDay::FIRST..=ShopDay::LAST).contains(from)) {
        let text =
            format!("{from} is out of bounds; give a day from {} to {}", ShopDay::FIRST, ShopDay::LAST);
        differ.wrong(format!("{field}.rule_from"), text);
    }
    if card.minutes > MINUTES_MAX {
        differ.wrong(format!("{field}.minutes"), format!("is {}; give 0 to {MINUTES_MAX}", card.minutes));
    }
    if differ.at_most(&format!("{field}.cautions"), card.cautions.len(), CAUTIONS_MAX) {
        for (i, caution) in card.cautions.iter().enumerate() {
            let field = format!("{field}.cautions[{i}]");
            if caution.trim().is_empty() {
                differ.wrong(field, format!("is empty; give 1 to {TEXT_MAX} characters"));
            } else {
                differ.text(field, caution, TEXT_MAX);
            }
        }
    }
    for (of, text) in card.review.iter().flat_map(review_card::wrong) {
        differ.wrong(format!("{field}.review.{of}"), text);
    }
    differ.at_most(&format!("{field}.readings"), card.readings.len(), READINGS_MAX);
    differ.at_most(&format!("{field}.covers"), card.covers.len(), COVERS_MAX);
    if differ.at_most(&format!("{field}.kit"), card.kit.len(), KIT_MAX) {
        for (i, item) in card.kit.iter().enumerate() {
            check_kit_item(differ, item, &format!("{field}.kit[{i}]"));
        }
    }
}

fn check_kit_item(differ: &mut Differ<'_>, item: &KitItem, field: &str) {
    if let Err(text) = item.checked_quantity() {
        differ.wrong(format!("{field}.quantity"), text);
    }
    differ.text(format!("{field}.unit"), &item.unit, UNIT_MAX);
}

/// Compares a machine's tasks, and gives all that stand after the load, retired ones among them.
pub(super) fn tasks(
    differ: &mut Differ<'_>,
    at: &At<'_>,
    sheets: &BTreeMap<Key, Sheet>,
) -> BTreeMap<Key, TaskCard> {
    let meters: Meters =
        (1..).zip(&at.meters).map(|(id, (key, meter))| (key.clone(), (MeterId(id), meter.kind))).collect();
    let mut order = Vec::new();
    let mut after = declared_tasks(differ, at, sheets, &mut order);
    for (key, stood) in at.old.into_iter().flat_map(|old| &old.tasks) {
        after.entry(key.clone()).or_insert_with(|| After {
            card: TaskCard { retire: stood.retired, ..stood.card.clone() },
            sheet: stood.sheet.clone(),
            field: None,
        });
    }
    let whole_field =
        if at.field.is_empty() { "shop.sheets".to_owned() } else { format!("{}.tasks", at.field) };
    differ.at_most(&whole_field, after.len(), TASKS_MAX);
    for key in &order {
        check_in_place(differ, at, &after, key, &meters);
    }
    check_covers(differ, at, &after, &whole_field);
    for key in &order {
        task_step(differ, at, &after[key], &meters);
    }
    let stands =
        |task: &After| !task.card.retire || at.old.is_some_and(|old| old.tasks.contains_key(&task.card.key));
    after.into_iter().filter(|(_, task)| stands(task)).map(|(key, task)| (key, task.card)).collect()
}

/// The tasks that the declaration names for a machine: its own, then those of its sheets.
fn declared_tasks(
    differ: &mut Differ<'_>,
    at: &At<'_>,
    sheets: &BTreeMap<Key, Sheet>,
    order: &mut Vec<Key>,
) -> BTreeMap<Key, After> {
    let stood = |key: &Key| at.old.and_then(|old| old.tasks.get(key));
    let mut after: BTreeMap<Key, After> = BTreeMap::new();
    for (i, card) in at.card.iter().flat_map(|card| &card.tasks).enumerate() {
        let field = format!("{}.tasks[{i}]", at.field);
        check_task_card(differ, card, &field);
        if after.contains_key(&card.key) {
            differ.wrong(format!("{field}.key"), twice("task", &card.key));
            continue;
        }
        let mut card = card.clone();
        if let Some(stood) = stood(&card.key).filter(|_| card.rule.is_none()) {
            // A rule that is not named stays with its day.
            card.rule.clone_from(&stood.card.rule);
            card.rule_from = card.rule_from.or(stood.card.rule_from);
        }
        let of_sheets =
            || at.sheets.iter().filter_map(|key| sheets.get(key)).flat_map(|sheet| &sheet.card.tasks);
        card.rule =
            card.rule.or_else(|| of_sheets().find(|t| t.key == card.key).and_then(|t| t.rule.clone()));
        if card.rule.is_none() {
            differ.wrong(format!("{field}.rule"), no_rule(&card.key));
            continue;
        }
        order.push(card.key.clone());
        after.insert(card.key.clone(), After { card, sheet: None, field: Some(field) });
    }
    for (i, key) in at.sheets.iter().enumerate() {
        let Some(sheet) = sheets.get(key) else { continue };
        for (j, card) in sheet.card.tasks.iter().enumerate() {
            // The machine's own task stands in the place of the sheet's.
            let own = stood(&card.key).is_some_and(|stood| stood.sheet.is_none());
            let other = after.get(&card.key).and_then(|task| task.sheet.as_ref());
            if let Some(other) = other.filter(|_| sheet.declared.is_some()) {
                let text = format!(
                    "machine `{}` gets the task `{}` from two of its sheets, `{other}` and `{key}`; give it another key in \
                     one of them, or leave it out there",
                    at.tag, card.key
                );
                differ.wrong(sheet_field(at, sheet, i, j), text);
            }
            if own || after.contains_key(&card.key) || (card.retire && stood(&card.key).is_none()) {
                continue;
            }
            order.push(card.key.clone());
            let field = Some(sheet_field(at, sheet, i, j));
            after.insert(card.key.clone(), After { card: card.clone(), sheet: Some(key.clone()), field });
        }
    }
    after
}

fn sheet_field(at: &At<'_>, sheet: &Sheet, of_machine: usize, task: usize) -> String {
    if let Some(i) = sheet.declared {
        return format!("shop.sheets[{i}].tasks[{task}]");
    }
    let named = at.card.and_then(|card| card.sheets.iter().position(|key| *key == sheet.card.key));
    format!("{}.sheets[{}]", at.field, named.unwrap_or(of_machine))
}

/// Checks a task against its machine: meters of its rule, test points, and tasks that it covers.
fn check_in_place(
    differ: &mut Differ<'_>,
    at: &At<'_>,
    after: &BTreeMap<Key, After>,
    key: &Key,
    meters: &Meters,
) {
    let task = &after[key];
    let Some(field) = &task.field else { return };
    if task.card.retire {
        return;
    }
    // A sheet stands on many machines, so what is wrong names the one.
    let on = |text: String| match &task.sheet {
        Some(sheet) => format!("task `{key}` of sheet `{sheet}` on machine `{}`: {text}", at.tag),
        None => text,
    };
    if let Some(rule) = &task.card.rule
        && let Err(wrong) = checked_rule(rule, &format!("{field}.rule"), meters)
    {
        differ.wrong_all(wrong.into_iter().map(|v| Violation { text: on(v.text), ..v }));
    }
    for (of, text) in model_card::at_odds(&task.card, &at.points) {
        differ.wrong(format!("{field}.{of}"), on(text));
    }
    let of_clauses = model_card::points_of(&task.card);
    let readings = task.card.readings.iter().enumerate();
    let named = readings.map(|(i, point)| (format!("readings[{i}]"), point)).chain(of_clauses);
    for (of, point) in named.filter(|(_, point)| !at.points.contains_key(*point)) {
        let known = at.points.keys().map(Key::as_str);
        let text = format!(
            "the machine has no test point `{point}`; {}",
            remedy(point.as_str(), known, "its test points")
        );
        differ.wrong(format!("{field}.{of}"), on(text));
    }
    for (i, covered) in task.card.covers.iter().enumerate() {
        // One that was retired is covered without effect, so that a shop as it is shown can be loaded.
        if !after.contains_key(covered) {
            let known = after.iter().filter(|(other, task)| !task.card.retire && *other != key);
            let known = known.map(|(key, _)| key.as_str());
            let text = format!(
                "the machine has no task `{covered}`; {}",
                remedy(covered.as_str(), known, "its tasks")
            );
            differ.wrong(format!("{field}.covers[{i}]"), on(text));
        }
    }
}

/// Checks that no task covers itself, directly or through others.
fn check_covers(differ: &mut Differ<'_>, at: &At<'_>, after: &BTreeMap<Key, After>, field: &str) {
    let ids: BTreeMap<&Key, TaskId> = after.keys().zip(1..).map(|(key, id)| (key, TaskId(id))).collect();
    let keys: Vec<&Key> = after.keys().collect();
    let named = |id: TaskId| {
        let index = usize::try_from(id.0 - 1).ok();
        index.and_then(|index| keys.get(index)).map_or("", |key| key.as_str())
    };
    let active = after.values().filter(|task| !task.card.retire);
    let pairs = active.flat_map(|task| {
        let larger = ids[&task.card.key];
        task.card.covers.iter().filter_map(|key| ids.get(key)).map(move |smaller| (larger, *smaller))
    });
    match Covers::new(pairs.collect::<Vec<_>>()) {
        Ok(_) => {}
        Err(CoverError::Cycle { cycle }) => {
            let path: Vec<&str> = cycle.iter().map(|id| named(*id)).collect();
            let text = format!(
                "on machine `{}` task `{}` covers itself ({}); take one of these covers out",
                at.tag,
                path.first().unwrap_or(&""),
                path.join(" covers ")
            );
            differ.wrong(field, text);
        }
        Err(CoverError::TooDeep(id)) => {
            let text = format!(
                "on machine `{}` task `{}` starts a chain of more than 20 covers; let it cover the smaller tasks directly",
                at.tag,
                named(id)
            );
            differ.wrong(field, text);
        }
    }
}

fn task_step(differ: &mut Differ<'_>, at: &At<'_>, task: &After, meters: &Meters) {
    let subject = format!("task {} {}", at.tag, task.card.key);
    let stood = at.old.and_then(|old| old.tasks.get(&task.card.key));
    let mut card = task.card.clone();
    card.rule = card.rule.map(|rule| with_meters_named(&rule, meters));
    let (machine, sheet) = (at.tag.clone(), task.sheet.clone());
    if card.retire {
        if let Some(stood) = stood.filter(|stood| !stood.retired) {
            let card = TaskCard { retire: true, ..stood.card.clone() };
            let change = "retired; its open order becomes void".to_owned();
            differ.step(subject, change, Write::Retire { machine, card, sheet });
        }
        return;
    }
    let rule_words =
        |card: &TaskCard| card.rule.as_ref().map_or(String::new(), |rule| rule_in_words(rule, meters));
    let Some(stood) = stood else {
        let change = format!("added, {}", rule_words(&card));
        let write = Write::Task { machine, card, sheet, new_rule: Some(differ.today), opens: true };
        return differ.step(subject, change, write);
    };
    let new_rule = rule_change(stood, &card, meters, differ.today);
    let mut words = words_of_change(stood, &card, sheet.as_ref());
    match new_rule {
        // The same rule in other letters ("400.0") is no change.
        RuleChange::None => (card.rule, card.rule_from) = (stood.card.rule.clone(), stood.card.rule_from),
        RuleChange::Rule(from) => {
            words.say(format!("rule {} -> {} from {from}", rule_words(&stood.card), rule_words(&card)));
        }
        RuleChange::Day(from, was) => {
            words.say(format!("rule {} from {from} instead of {was}", rule_words(&card)));
        }
    }
    if let Some(from) = new_rule.from().filter(|from| *from < differ.today && !differ.past_rules) {
        let text = format!(
            "{from} is past, so that what has been due since is judged anew; a manager confirms that, or give a day from \
             {} on",
            differ.today
        );
        return differ.wrong(format!("{}.rule_from", task.field.as_deref().unwrap_or_default()), text);
    }
    if stood.retired {
        words.say("taken up again".to_owned());
    }
    let change = words.text();
    if !change.is_empty() {
        let new_rule = new_rule.from();
        let write = Write::Task { machine, card, sheet, new_rule, opens: stood.retired };
        differ.step(subject, change, write);
    }
}

/// What a declaration changes about a task's rule.
#[derive(Clone, Copy)]
enum RuleChange {
    /// Nothing.
    None,
    /// Another rule, in effect from this day on.
    Rule(ShopDay),
    /// The rule that was to be in effect from a later day on is so from the first of these days instead.
    Day(ShopDay, ShopDay),
}

impl RuleChange {
    fn from(self) -> Option<ShopDay> {
        match self {
            RuleChange::None => None,
            RuleChange::Rule(from) | RuleChange::Day(from, _) => Some(from),
        }
    }
}

fn rule_change(stood: &TaskShape, card: &TaskCard, meters: &Meters, today: ShopDay) -> RuleChange {
    let same = match (&stood.card.rule, &card.rule) {
        (Some(was), Some(is)) => checked_rule(was, "", meters) == checked_rule(is, "", meters),
        (None, None) => true,
        (Some(_), None) | (None, Some(_)) => false,
    };
    if !same {
        return RuleChange::Rule(card.rule_from.unwrap_or(today));
    }
    // A rule that is in effect already is not changed by a day; one that is still to come may come on another.
    let is = card.rule_from.unwrap_or(today);
    match stood.card.rule_from.filter(|was| *was > today) {
        Some(was) if was != is => RuleChange::Day(is, was),
        _ => RuleChange::None,
    }
}

fn words_of_change(stood: &TaskShape, card: &TaskCard, sheet: Option<&Key>) -> Words {
    let was = &stood.card;
    let from = |sheet: Option<&Key>| sheet.map_or("the machine".to_owned(), ToString::to_string);
    let mut words = Words::default();
    words.changed("title", &was.title, &card.title);
    words.changed("place", &was.place, &card.place);
    words.changed("basis", &was.basis, &card.basis);
    words.list("kit", &was.kit, &card.kit);
    words.list("cautions", &was.cautions, &card.cautions);
    words.list("readings", &was.readings, &card.readings);
    words.changed("minutes", &was.minutes, &card.minutes);
    words.changed("hazard", yes(was.hazard), yes(card.hazard));
    words.list("covers", &was.covers, &card.covers);
    words.changed("second person", yes(was.second_person), yes(card.second_person));
    words.changed("certificate", yes(was.certificate), yes(card.certificate));
    words.changed(
        "review",
        &review_card::in_words(was.review.as_ref()),
        &review_card::in_words(card.review.as_ref()),
    );
    words.changed("comes from", &from(stood.sheet.as_ref()), &from(sheet));
    words
}

fn yes(flag: bool) -> &'static str {
    if flag { "yes" } else { "no" }
}
