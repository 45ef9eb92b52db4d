//! What a load changes, as data. Nothing is changed when anything is wrong, and everything wrong is told at once.
//!
//! The declaration owns only what it names: what is absent stays as it is, and nothing is ever retired by absence.
//! So a declaration that was loaded gives no steps when it is loaded again.

use super::check_diff::{self, Retired};
use super::limits::{PEOPLE_MAX, RANK_MAX, SHEETS_MAX, SOURCES_MAX, TASKS_MAX, VIOLATIONS_MAX};
use super::machine_diff::machines;
use super::state::{ShopState, ShopStep, SiteState, Write};
use super::task_diff::check_task_card;
use super::{Declaration, LastDoneCard, SheetCard, ShopChange, SiteCard};
use crate::calendar::{Calendar, CalendarError, CalendarSpec, WallTime};
use crate::error::Violation;
use crate::near;
use crate::text::{Key, Name};
use crate::time::ShopDay;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Display;

/// When the shop day starts where a site does not say (common practice, no source).
const DAY_STARTS_AT: &str = "06:00";

/// What loading `declared` changes in a shop that stands as `current`, in the order of the declaration; or all
/// that is wrong with it.
pub fn diff(
    current: &ShopState,
    declared: &Declaration,
    today: ShopDay,
) -> Result<Vec<ShopStep>, Vec<Violation>> {
    let mut differ = Differ { past_rules: declared.past_rules, ..Differ::new(current, today) };
    differ.site(&declared.site);
    differ.sources(declared);
    differ.people(declared);
    let sheets = differ.sheets(declared);
    machines(&mut differ, declared, &sheets);
    super::item_diff::items(&mut differ, &declared.items);
    differ.finish()
}

/// The sheets that loading `declared` changes: their machines are part of the comparison even where it does not name them.
pub fn changed_sheets(current: &ShopState, declared: &Declaration) -> BTreeSet<Key> {
    // What is wrong is told by the comparison itself; no rule of a sheet's card hangs on the day.
    let mut differ = Differ::new(current, ShopDay::from_days(0));
    let sheets = differ.sheets(declared);
    let changed = sheets.into_iter().filter(|(key, sheet)| differs(current, key, sheet));
    changed.map(|(key, _)| key).collect()
}

/// Whether a sheet is declared, and so that it changes.
pub(super) fn differs(current: &ShopState, key: &Key, sheet: &Sheet) -> bool {
    sheet.declared.is_some() && current.sheets.get(key) != Some(&sheet.card)
}

/// What stating when tasks were last done changes; `field` is the path of the list.
pub fn diff_last_done(
    current: &ShopState,
    stated: &[LastDoneCard],
    today: ShopDay,
    field: &str,
) -> Result<Vec<ShopStep>, Vec<Violation>> {
    let mut differ = Differ::new(current, today);
    super::last_done_diff::stand_alone(&mut differ, stated, field);
    differ.finish()
}

/// A comparison under way: what was found wrong, and the steps so far.
pub(super) struct Differ<'a> {
    pub(super) current: &'a ShopState,
    pub(super) today: ShopDay,
    /// Whether rule changes whose day is past are confirmed.
    pub(super) past_rules: bool,
    wrong: Vec<Violation>,
    more_wrong: usize,
    steps: Vec<ShopStep>,
}

impl<'a> Differ<'a> {
    fn new(current: &'a ShopState, today: ShopDay) -> Differ<'a> {
        Differ { current, today, past_rules: false, wrong: Vec::new(), more_wrong: 0, steps: Vec::new() }
    }

    fn finish(mut self) -> Result<Vec<ShopStep>, Vec<Violation>> {
        if self.wrong.is_empty() {
            return Ok(self.steps);
        }
        if self.more_wrong > 0 {
            let text = format!("{} more are wrong; mend these first", self.more_wrong);
            self.wrong.push(Violation::new("shop", text));
        }
        Err(self.wrong)
    }

    pub(super) fn wrong(&mut self, field: impl Into<String>, text: impl Into<String>) {
        self.wrong_all([Violation::new(field, text)]);
    }

    pub(super) fn wrong_all(&mut self, violations: impl IntoIterator<Item = Violation>) {
        for violation in violations {
            if self.wrong.len() < VIOLATIONS_MAX {
                self.wrong.push(violation);
            } else {
                self.more_wrong += 1;
            }
        }
    }

    pub(super) fn step(&mut self, subject: String, change: String, write: Write) {
        self.steps.push(ShopStep { words: ShopChange { subject, change }, write });
    }

    /// Whether there are not too many of something.
    pub(super) fn at_most(&mut self, field: &str, count: usize, max: usize) -> bool {
        if count > max {
            self.wrong(field, format!("has {count} entries; give at most {max}"));
        }
        count <= max
    }

    /// Whether a text is not too long and has no control characters.
    pub(super) fn text(&mut self, field: String, text: &str, max: usize) {
        let len = text.chars().count();
        if len > max {
            self.wrong(field, format!("has {len} characters; give at most {max}"));
        } else if text.chars().any(char::is_control) {
            self.wrong(field, "has a control character; remove it");
        }
    }

    fn site(&mut self, card: &SiteCard) {
        let old = self.current.site.as_ref();
        let Some(zone) = card.zone.or(old.map(|site| site.calendar.zone)) else {
            let text =
                format!("site `{}` is new and has no time zone; give one such as Europe/Berlin", card.key);
            return self.wrong("shop.site.zone", text);
        };
        let spec = old.map(|site| &site.calendar);
        let list = |declared: bool| !declared && spec.is_some();
        let mut calendar = CalendarSpec {
            revision: spec.map_or(0, |spec| spec.revision),
            zone,
            day_starts_at: card
                .day_starts_at
                .or(spec.map(|spec| spec.day_starts_at))
                .unwrap_or_else(day_starts_at),
            shifts: card.shifts.clone(),
            closures: card.closures.clone(),
            extra_shifts: card.extra_shifts.clone(),
        };
        if let Some(spec) = spec {
            if list(!card.shifts.is_empty()) {
                calendar.shifts.clone_from(&spec.shifts);
            }
            if list(!card.closures.is_empty()) {
                calendar.closures.clone_from(&spec.closures);
            }
            if list(!card.extra_shifts.is_empty()) {
                calendar.extra_shifts.clone_from(&spec.extra_shifts);
            }
        }
        if let Err(error) = Calendar::new(calendar.clone()) {
            return self.wrong(calendar_field(&error), error.to_string());
        }
        let name = card.name.clone().or_else(|| old.map(|site| site.name.clone()));
        let Some(name) = name.or_else(|| Name::new(card.key.as_str()).ok()) else {
            return self.wrong("shop.site.name", "is empty; give 1 to 120 characters");
        };
        let asks_pin = card.asks_pin.or(old.map(|site| site.asks_pin)).unwrap_or_default();
        self.site_step(&card.key, SiteState { name, calendar, asks_pin });
    }

    fn site_step(&mut self, key: &Key, mut state: SiteState) {
        let subject = format!("site {key}");
        let Some(old) = &self.current.site else {
            let change = format!("added, zone {}", state.calendar.zone.name());
            return self.step(subject, change, Write::Site { key: key.clone(), state });
        };
        if state == *old {
            return;
        }
        if state.calendar != old.calendar {
            state.calendar.revision += 1;
        }
        let (was, is) = (&old.calendar, &state.calendar);
        let mut words = Words::default();
        words.changed("name", &old.name, &state.name);
        words.changed("zone", was.zone.name(), is.zone.name());
        words.changed("day starts at", &was.day_starts_at, &is.day_starts_at);
        words.list("shifts", &was.shifts, &is.shifts);
        words.list("closures", &was.closures, &is.closures);
        words.list("extra shifts", &was.extra_shifts, &is.extra_shifts);
        let asks = |site: &SiteState| if site.asks_pin { "yes" } else { "no" };
        words.changed("asks for PINs", asks(old), asks(&state));
        self.step(subject, words.text(), Write::Site { key: key.clone(), state });
    }

    fn sources(&mut self, declared: &Declaration) {
        let sources = &declared.sources;
        if !self.at_most("shop.sources", sources.len(), SOURCES_MAX) {
            return;
        }
        for (i, card) in sources.iter().enumerate() {
            if sources[..i].iter().any(|other| other.name == card.name) {
                self.wrong(format!("shop.sources[{i}].name"), twice("source", &card.name));
                continue;
            }
            if card.rank < 1 || card.rank > RANK_MAX {
                let text = format!("is {}; give 1 (counts before all others) to {RANK_MAX}", card.rank);
                self.wrong(format!("shop.sources[{i}].rank"), text);
            }
            let old = self.current.sources.get(&card.name);
            let change = match old {
                Some(old) if old == card => continue,
                None => format!("added, rank {}", card.rank),
                Some(old) => {
                    let feeds = |card: &super::SourceCard| card.feeds.map_or("the only meter", |k| k.word());
                    let mut words = Words::default();
                    words.changed("rank", &old.rank, &card.rank);
                    words.changed("feeds", feeds(old), feeds(card));
                    words.text()
                }
            };
            self.step(format!("source {}", card.name), change, Write::Source(card.clone()));
        }
    }

    fn people(&mut self, declared: &Declaration) {
        if !self.at_most("shop.people", declared.people.len(), PEOPLE_MAX) {
            return;
        }
        let mut seen = BTreeSet::new();
        let mut known = BTreeMap::new();
        for name in &self.current.people {
            known.extend(near::looks(name.as_str()).map(|look| (look, name.clone())));
        }
        for (i, name) in declared.people.iter().enumerate() {
            let field = format!("shop.people[{i}]");
            if !seen.insert(name) {
                self.wrong(field, twice("person", name));
            } else if !self.current.people.contains(name) {
                let looks = near::looks(name.as_str());
                if let Some(other) = looks.iter().find_map(|look| known.get(look)) {
                    let text = near::looks_like(name.as_str(), other.as_str());
                    self.wrong(field, text);
                } else {
                    self.step(format!("person {name}"), "added".to_owned(), Write::Person(name.clone()));
                    known.extend(looks.map(|look| (look, name.clone())));
                }
            }
        }
    }

    /// The sheets as they stand after the load, each with its place in the declaration if it is named there.
    fn sheets(&mut self, declared: &Declaration) -> BTreeMap<Key, Sheet> {
        let stand = |card: &SheetCard| Sheet { card: card.clone(), declared: None };
        let mut sheets: BTreeMap<Key, Sheet> =
            self.current.sheets.iter().map(|(key, card)| (key.clone(), stand(card))).collect();
        if !self.at_most("shop.sheets", declared.sheets.len(), SHEETS_MAX) {
            return sheets;
        }
        for (i, card) in declared.sheets.iter().enumerate() {
            let field = format!("shop.sheets[{i}]");
            if declared.sheets[..i].iter().any(|other| other.key == card.key) {
                self.wrong(format!("{field}.key"), twice("sheet", &card.key));
                continue;
            }
            if !self.at_most(&format!("{field}.tasks"), card.tasks.len(), TASKS_MAX) {
                continue;
            }
            let old = self.current.sheets.get(&card.key);
            let merged = self.merged_sheet(card, old, &field);
            let change = match old {
                None => Some(added(merged.tasks.len(), merged.checks.len())),
                Some(old) if *old == merged => None,
                Some(old) => {
                    let mut words = Words::default();
                    words.changed("title", &old.title, &merged.title);
                    words.list("tasks", &old.tasks, &merged.tasks);
                    words.list("checks", &old.checks, &merged.checks);
                    if old.checks != merged.checks {
                        words.say(check_diff::walked_on(self.current, &card.key));
                    }
                    Some(words.text())
                }
            };
            if let Some(change) = change {
                self.step(format!("sheet {}", card.key), change, Write::Sheet(merged.clone()));
            }
            sheets.insert(card.key.clone(), Sheet { card: merged, declared: Some(i) });
        }
        sheets
    }

    /// A sheet's tasks by key: those named in place of those that stood, the others as they were.
    fn merged_sheet(&mut self, card: &SheetCard, old: Option<&SheetCard>, field: &str) -> SheetCard {
        let mut tasks = old.map_or_else(Vec::new, |old| old.tasks.clone());
        for (i, task) in card.tasks.iter().enumerate() {
            let field = format!("{field}.tasks[{i}]");
            if card.tasks[..i].iter().any(|other| other.key == task.key) {
                self.wrong(format!("{field}.key"), twice("task", &task.key));
                continue;
            }
            check_task_card(self, task, &field);
            let mut task = task.clone();
            match tasks.iter_mut().find(|other| other.key == task.key) {
                Some(stood) => {
                    if task.rule.is_none() {
                        task.rule_from = task.rule_from.or(stood.rule_from);
                        task.rule.clone_from(&stood.rule);
                    }
                    *stood = task;
                }
                None if task.rule.is_none() => {
                    self.wrong(format!("{field}.rule"), no_rule(&task.key));
                }
                None => tasks.push(task),
            }
        }
        let stood = old.map_or(&[][..], |old| &old.checks);
        let field = format!("{field}.checks");
        let checks = check_diff::merged(self, stood, &card.checks, &field, Retired::Go);
        SheetCard { key: card.key.clone(), title: card.title.clone(), tasks, checks }
    }
}

/// A task sheet after the load.
pub(super) struct Sheet {
    pub(super) card: SheetCard,
    /// Its place in the declaration.
    pub(super) declared: Option<usize>,
}

/// Changes of one thing, in words.
#[derive(Default)]
pub(super) struct Words(Vec<String>);

impl Words {
    /// Notes a change of a field.
    pub(super) fn changed<T: PartialEq + Display + ?Sized>(&mut self, what: &str, was: &T, is: &T) {
        if was != is {
            let shown = |value: &T| Some(value.to_string()).filter(|text| !text.is_empty());
            let none = || "none".to_owned();
            self.0.push(format!(
                "{what} {} -> {}",
                shown(was).unwrap_or_else(none),
                shown(is).unwrap_or_else(none)
            ));
        }
    }

    /// Notes a change of a list.
    pub(super) fn list<T: PartialEq>(&mut self, what: &str, was: &[T], is: &[T]) {
        if was != is {
            let added = is.iter().filter(|entry| !was.contains(entry)).count();
            let gone = was.iter().filter(|entry| !is.contains(entry)).count();
            self.0.push(format!("{what} changed ({added} new, {gone} gone)"));
        }
    }

    /// Notes a change in words of one's own.
    pub(super) fn say(&mut self, words: String) {
        self.0.push(words);
    }

    pub(super) fn text(&self) -> String {
        self.0.join("; ")
    }
}

pub(super) fn twice(what: &str, name: &dyn Display) -> String {
    format!("{what} `{name}` is given twice; take one of them out or give it another name")
}

pub(super) fn no_rule(task: &Key) -> String {
    format!("task `{task}` is new and has no rule; say when it is due, such as every 6 months")
}

/// When a shop day starts where a site does not say.
pub fn day_starts_at() -> WallTime {
    WallTime::parse(DAY_STARTS_AT).unwrap_or(WallTime::MIDNIGHT)
}

fn calendar_field(error: &CalendarError) -> String {
    let list = match error {
        CalendarError::TooMany { what, .. } => return format!("shop.site.{}", what.replace(' ', "_")),
        CalendarError::SameKey(_) | CalendarError::NoWorkingDay => "shifts",
        CalendarError::Backwards { .. }
        | CalendarError::TooLong { .. }
        | CalendarError::NothingWorkedAfter(_) => "closures",
    };
    format!("shop.site.{list}")
}

/// A new sheet, by what it holds.
fn added(tasks: usize, checks: usize) -> String {
    let of = |count: usize, one: &str| format!("{count} {one}{}", if count == 1 { "" } else { "s" });
    match checks {
        0 => format!("added, {}", of(tasks, "task")),
        _ => format!("added, {} and {}", of(tasks, "task"), of(checks, "check")),
    }
}
