//! Statements of when tasks were last done before their record began.

use super::diff::Differ;
use super::limits::LAST_DONE_MAX;
use super::machine_diff::At;
use super::rule_card::{Meters, meant, stated};
use super::state::{MeterShape, Stated, Write};
use super::suggest::remedy;
use super::{ClauseCard, LastDoneCard, MachineCard, TaskCard};
use crate::error::Violation;
use crate::ids::MeterId;
use crate::quantity::Amount;
use crate::text::Key;
use crate::time::ShopDay;
use std::collections::{BTreeMap, BTreeSet};

/// The statements in a machine's card, and "done now" for every task without a record.
pub(super) fn of_card(
    differ: &mut Differ<'_>,
    at: &At<'_>,
    card: &MachineCard,
    tasks: &BTreeMap<Key, TaskCard>,
) {
    let field = format!("{}.last_done", at.field);
    if !differ.at_most(&field, card.last_done.len(), LAST_DONE_MAX) {
        return;
    }
    let mut said = BTreeSet::new();
    for (i, statement) in card.last_done.iter().enumerate() {
        let field = format!("{field}[{i}]");
        if statement.machine != card.tag {
            let text = format!(
                "is `{}` within the card of machine `{}`; leave it out or state it there",
                statement.machine, card.tag
            );
            differ.wrong(format!("{field}.machine"), text);
        } else if !said.insert(&statement.task) {
            differ.wrong(format!("{field}.task"), super::diff::twice("task", &statement.task));
        } else {
            statement_step(differ, at.tag, &at.meters, at.stood(&statement.task), tasks, statement, &field);
        }
    }
    if !card.last_done_now {
        return;
    }
    for (key, task) in tasks {
        let stood = at.old.and_then(|old| old.tasks.get(key));
        let recorded = stood.is_some_and(|stood| stood.closed || stood.last_done.is_some());
        if task.retire || recorded || said.contains(key) {
            continue;
        }
        let stated = Stated { day: differ.today, counts: counts_now(task, &at.meters) };
        step(differ, at.tag, key, &at.meters, stated);
    }
}

/// Statements by themselves, outside a declaration.
pub(super) fn stand_alone(differ: &mut Differ<'_>, stated: &[LastDoneCard], field: &str) {
    if !differ.at_most(field, stated.len(), LAST_DONE_MAX) {
        return;
    }
    let current = differ.current;
    let mut said = BTreeSet::new();
    for (i, statement) in stated.iter().enumerate() {
        let field = format!("{field}[{i}]");
        let machine = current.machines.get(&statement.machine).filter(|machine| !machine.retired);
        let Some(machine) = machine else {
            let known = current.machines.iter().filter(|(_, machine)| !machine.retired);
            let known = known.map(|(tag, _)| tag.as_str());
            let text = format!(
                "there is no machine `{}`; {}",
                statement.machine,
                remedy(statement.machine.as_str(), known, "machines")
            );
            differ.wrong(format!("{field}.machine"), text);
            continue;
        };
        if !said.insert((&statement.machine, &statement.task)) {
            let task = format!("{} {}", statement.machine, statement.task);
            differ.wrong(format!("{field}.task"), super::diff::twice("task", &task));
            continue;
        }
        let tasks = machine.tasks.iter().map(|(key, task)| (key.clone(), task.card.clone())).collect();
        let stood = machine.tasks.get(&statement.task).and_then(|task| task.last_done.as_ref());
        statement_step(differ, &statement.machine, &machine.meters, stood, &tasks, statement, &field);
    }
}

impl At<'_> {
    fn stood(&self, task: &Key) -> Option<&Stated> {
        self.old.and_then(|old| old.tasks.get(task)).and_then(|task| task.last_done.as_ref())
    }
}

fn statement_step(
    differ: &mut Differ<'_>,
    machine: &Key,
    meters: &BTreeMap<Key, MeterShape>,
    stood: Option<&Stated>,
    tasks: &BTreeMap<Key, TaskCard>,
    statement: &LastDoneCard,
    field: &str,
) {
    let task = &statement.task;
    if !tasks.contains_key(task) {
        let known = tasks.keys().map(Key::as_str);
        let text = format!(
            "machine `{machine}` has no task `{task}`; {}",
            remedy(task.as_str(), known, "its tasks")
        );
        return differ.wrong(format!("{field}.task"), text);
    }
    match checked(statement, meters, differ.today, field) {
        Err(wrong) => differ.wrong_all(wrong),
        Ok(stated) if stood == Some(&stated) => {}
        Ok(stated) => step(differ, machine, task, meters, stated),
    }
}

fn checked(
    statement: &LastDoneCard,
    meters: &BTreeMap<Key, MeterShape>,
    today: ShopDay,
    field: &str,
) -> Result<Stated, Vec<Violation>> {
    let meters: Meters =
        (1..).zip(meters).map(|(id, (key, meter))| (key.clone(), (MeterId(id), meter.kind))).collect();
    let mut wrong = Vec::new();
    let day = statement.day;
    if day > today {
        let text = format!("{day} is in the future; give a day up to {today}");
        wrong.push(Violation::new(format!("{field}.day"), text));
    } else if day.to_days() < 0 {
        wrong.push(Violation::new(format!("{field}.day"), format!("{day} is before 1970; give a later day")));
    }
    let mut counts = BTreeMap::new();
    for (i, (meter, count)) in statement.counts.iter().enumerate() {
        let field = format!("{field}.counts[{i}]");
        match meant(meter.as_ref(), &meters) {
            Err(text) => wrong.push(Violation::new(format!("{field}.meter"), text)),
            Ok((key, _, kind)) => match stated(count, kind, &format!("{field}.count")) {
                Err(violation) => wrong.push(violation),
                Ok(amount) => {
                    if counts.insert(key.clone(), amount).is_some() {
                        wrong
                            .push(Violation::new(format!("{field}.meter"), super::diff::twice("meter", key)));
                    }
                }
            },
        }
    }
    if wrong.is_empty() { Ok(Stated { day, counts }) } else { Err(wrong) }
}

/// What the meters of a task's clauses show now, as far as it is known.
fn counts_now(task: &TaskCard, meters: &BTreeMap<Key, MeterShape>) -> BTreeMap<Key, Amount> {
    let only = if meters.len() == 1 { meters.keys().next() } else { None };
    let clauses = task.rule.iter().flat_map(|rule| &rule.clauses);
    let keys = clauses.filter_map(|clause| match clause {
        ClauseCard::Meter { meter, .. } => meter.as_ref().or(only),
        ClauseCard::Model { model } => super::model_card::meter_key(model),
        ClauseCard::Calendar { .. } | ClauseCard::Recurrence(_) | ClauseCard::Reading { .. } => None,
    });
    keys.filter_map(|key| Some((key.clone(), meters.get(key)?.now?))).collect()
}

fn step(
    differ: &mut Differ<'_>,
    machine: &Key,
    task: &Key,
    meters: &BTreeMap<Key, MeterShape>,
    stated: Stated,
) {
    let mut words = vec![format!("last done {}", stated.day)];
    for (key, count) in &stated.counts {
        if let Some(meter) = meters.get(key) {
            words.push(format!("at {} {key}", count.display(meter.kind.unit())));
        }
    }
    let write = Write::LastDone { machine: machine.clone(), task: task.clone(), stated };
    differ.step(format!("task {machine} {task}"), words.join(", "), write);
}
