//! A shop as it stands: what a declaration is compared with.

use super::check::CheckCard;
use super::{PointCard, SheetCard, SourceCard, TaskCard};
use crate::calendar::CalendarSpec;
use crate::ledger::row::Feed;
use crate::quantity::{Amount, MaxPerHour, MeterKind};
use crate::shelf::ItemCard;
use crate::text::{ForeignName, Key, Name};
use crate::time::ShopDay;
use std::collections::{BTreeMap, BTreeSet};

/// A whole shop as it stands; without a site it is yet to be created.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ShopState {
    /// The site's settings.
    pub site: Option<SiteState>,
    /// Sources of reports by name.
    pub sources: BTreeMap<ForeignName, SourceCard>,
    /// People that the installation knows.
    pub people: BTreeSet<Name>,
    /// Task sheets by key.
    pub sheets: BTreeMap<Key, SheetCard>,
    /// Machines by tag, retired ones among them.
    pub machines: BTreeMap<Key, MachineShape>,
    /// Items on the shelf by name, those that are no longer bought among them.
    pub items: BTreeMap<Name, ItemCard>,
}

/// A site's settings as they stand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SiteState {
    /// Its name.
    pub name: Name,
    /// Its calendar as stated.
    pub calendar: CalendarSpec,
    /// Whether what is said in a person's name needs their PIN or a token of their own.
    pub asks_pin: bool,
}

/// A machine as it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MachineShape {
    /// Its name.
    pub name: Name,
    /// Names that other systems give it.
    pub also_known_as: Vec<ForeignName>,
    /// Its family.
    pub family: String,
    /// Its area.
    pub area: String,
    /// Whether it has left the shop.
    pub retired: bool,
    /// Its meters by key.
    pub meters: BTreeMap<Key, MeterShape>,
    /// Its test points by key.
    pub points: BTreeMap<Key, PointCard>,
    /// Its task sheets.
    pub sheets: Vec<Key>,
    /// Its tasks by key, retired ones among them.
    pub tasks: BTreeMap<Key, TaskShape>,
    /// Its own checks.
    pub checks: Vec<CheckCard>,
}

/// A meter as it stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MeterShape {
    /// What it accumulates.
    pub kind: MeterKind,
    /// How it is fed.
    pub feed: Feed,
    /// The most in an hour.
    pub max_per_hour: MaxPerHour,
    /// Whether any report counts on it.
    pub counts: bool,
    /// The count to be stated for work done now, when it is known.
    pub now: Option<Amount>,
}

/// A task as it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TaskShape {
    /// Its card; within it the rule that was declared last, and from when that is in effect if not at once.
    pub card: TaskCard,
    /// The sheet from which it comes; none for the machine's own.
    pub sheet: Option<Key>,
    /// Whether it is no longer done.
    pub retired: bool,
    /// Whether it was ever closed.
    pub closed: bool,
    /// What was stated before its record began.
    pub last_done: Option<Stated>,
}

/// What was stated to have been done before records began.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stated {
    /// The shop day.
    pub day: ShopDay,
    /// What the meters showed, by key.
    pub counts: BTreeMap<Key, Amount>,
}

/// A change that a load makes: its words, and what is to be written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShopStep {
    /// The words.
    pub words: super::ShopChange,
    /// What is to be written.
    pub write: Write,
}

/// What a step writes; each is one fact of the journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Write {
    /// A site was created, or its settings changed.
    Site {
        /// Its key.
        key: Key,
        /// Its settings from now on.
        state: SiteState,
    },
    /// A source was declared or changed.
    Source(SourceCard),
    /// A person was added.
    Person(Name),
    /// A sheet was declared or changed; all of its tasks.
    Sheet(SheetCard),
    /// A machine was declared, or its names, family, area or sheets changed.
    Machine(MachineWrite),
    /// A meter was declared or changed.
    Meter {
        /// The machine's tag.
        machine: Key,
        /// The meter's key.
        key: Key,
        /// How it stands from now on.
        meter: MeterShape,
    },
    /// A test point was declared or changed.
    Point {
        /// The machine's tag.
        machine: Key,
        /// The card.
        point: PointCard,
    },
    /// A task was declared, changed or taken up again.
    Task {
        /// The machine's tag.
        machine: Key,
        /// The card, its rule and the keys of its meters within it.
        card: TaskCard,
        /// The sheet from which it comes.
        sheet: Option<Key>,
        /// From which shop day on its rule is new or changed; none where it stays as it was.
        new_rule: Option<ShopDay>,
        /// Whether it was not done before: an order is to be opened.
        opens: bool,
    },
    /// A task is no longer done.
    Retire {
        /// The machine's tag.
        machine: Key,
        /// The card as it stood, marked as retired.
        card: TaskCard,
        /// The sheet from which it comes.
        sheet: Option<Key>,
    },
    /// An item was declared or changed.
    Item(ItemCard),
    /// It was stated when a task was last done.
    LastDone {
        /// The machine's tag.
        machine: Key,
        /// The task's key.
        task: Key,
        /// What was stated.
        stated: Stated,
    },
}

impl MachineShape {
    /// What a step that wrote it as it stands would have written.
    pub fn as_written(&self, tag: &Key) -> MachineWrite {
        MachineWrite {
            tag: tag.clone(),
            name: self.name.clone(),
            also_known_as: self.also_known_as.clone(),
            family: self.family.clone(),
            area: self.area.clone(),
            sheets: self.sheets.clone(),
            checks: self.checks.clone(),
        }
    }
}

/// A machine as it stands from now on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MachineWrite {
    /// Its tag.
    pub tag: Key,
    /// Its name.
    pub name: Name,
    /// Names that other systems give it.
    pub also_known_as: Vec<ForeignName>,
    /// Its family.
    pub family: String,
    /// Its area.
    pub area: String,
    /// Its task sheets.
    pub sheets: Vec<Key>,
    /// Its own checks.
    pub checks: Vec<CheckCard>,
}
