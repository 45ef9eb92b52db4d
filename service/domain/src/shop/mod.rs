//! A shop as it is declared. A declaration owns only what it names: every part that may be left out is an `Option`
//! or an empty list, and absence changes nothing and retires nothing.
//!
//! [`diff`] says what a declaration changes in a shop as it stands ([`state`]); the store writes it.

pub mod check;
mod check_diff;
pub mod diff;
#[cfg(test)]
mod diff_tests;
mod item_diff;
mod last_done_diff;
pub mod limits;
mod machine_diff;
mod model_card;
mod point_diff;
pub mod review_card;
pub mod rule_card;
#[cfg(test)]
mod rule_from_tests;
pub mod state;
pub mod suggest;
mod task_diff;
#[cfg(test)]
mod wrong_tests;

use self::check::CheckCard;
use crate::calendar::{Closure, ExtraShift, Shift, WallTime, Zone};
use crate::fluid::Into;
use crate::ids::{MachineId, MeterId};
use crate::ledger::row::Feed;
use crate::quantity::{Amount, MaxPerHour, MeterKind, Unit};
use crate::reading::{Limits, Possible, Taker};
use crate::rule::model::Model;
use crate::rule::{Combine, Every, Recurrence};
use crate::shelf::ItemCard;
use crate::text::{ForeignName, Key, Name};
use crate::time::ShopDay;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A whole declaration.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Declaration {
    /// The site.
    pub site: SiteCard,
    /// Sources of reports.
    pub sources: Vec<SourceCard>,
    /// People by name.
    pub people: Vec<Name>,
    /// Task sheets.
    pub sheets: Vec<SheetCard>,
    /// Machines.
    pub machines: Vec<MachineCard>,
    /// Items on the shelf.
    #[serde(default)]
    pub items: Vec<ItemCard>,
    /// Whether a manager confirms changes of rules from a day that is past.
    #[serde(default)]
    pub past_rules: bool,
}

/// A site's settings. Empty lists leave what stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SiteCard {
    /// Its key.
    pub key: Key,
    /// Its name.
    pub name: Option<Name>,
    /// Its IANA time zone.
    pub zone: Option<Zone>,
    /// When the shop day starts.
    pub day_starts_at: Option<WallTime>,
    /// The shifts of a week.
    pub shifts: Vec<Shift>,
    /// Closed days.
    pub closures: Vec<Closure>,
    /// Shifts beside the week's.
    pub extra_shifts: Vec<ExtraShift>,
    /// Whether what is said in a person's name needs their PIN or a token of their own; none leaves what stands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asks_pin: Option<bool>,
}

/// A source of reports.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SourceCard {
    /// Its name.
    pub name: ForeignName,
    /// Its rank; the lower counts.
    pub rank: u32,
    /// The meter kind it means when a report names none.
    pub feeds: Option<MeterKind>,
}

/// A task sheet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SheetCard {
    /// Its key.
    pub key: Key,
    /// Its title.
    pub title: Name,
    /// Its tasks.
    pub tasks: Vec<TaskCard>,
    /// Its checks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub checks: Vec<CheckCard>,
}

/// A machine's card.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct MachineCard {
    /// Its tag.
    pub tag: Key,
    /// Its name.
    pub name: Option<Name>,
    /// Names that other systems give it; empty leaves what stands.
    pub also_known_as: Vec<ForeignName>,
    /// Its family.
    pub family: Option<String>,
    /// Its area.
    pub area: Option<String>,
    /// Its meters.
    pub meters: Vec<MeterCard>,
    /// Its test points.
    pub points: Vec<PointCard>,
    /// Keys of its task sheets.
    pub sheets: Vec<Key>,
    /// Its own tasks.
    pub tasks: Vec<TaskCard>,
    /// "Done now" for every task without a record.
    pub last_done_now: bool,
    /// When tasks were last done.
    pub last_done: Vec<LastDoneCard>,
    /// Its own checks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub checks: Vec<CheckCard>,
}

/// A meter's card.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct MeterCard {
    /// Its key on the machine.
    pub key: Key,
    /// What it accumulates; required for a new meter.
    pub kind: Option<MeterKind>,
    /// How it is fed.
    pub feed: Option<Feed>,
    /// The most in an hour; required for cycles and litres.
    pub max_per_hour: Option<MaxPerHour>,
}

/// A test point's card.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PointCard {
    /// Its key on the machine.
    pub key: Key,
    /// What is read.
    pub title: String,
    /// Where it is.
    pub place: String,
    /// What good looks like.
    pub good: String,
    /// Which fluid.
    pub fluid: String,
    /// The sump or reservoir whose fluid is read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reservoir: Option<Key>,
    /// Its unit, a UCUM code.
    pub unit: String,
    /// Its limits.
    #[serde(default, skip_serializing_if = "Limits::is_none")]
    pub limits: Limits,
    /// What it can show at all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub possible: Option<Possible>,
    /// Who may take it.
    #[serde(default, skip_serializing_if = "Taker::is_anyone")]
    pub taker: Taker,
    /// What to heed before reading it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
}

/// An item and how much of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct KitItem {
    /// What it is called on the shelf.
    pub item: Name,
    /// How much, a plain decimal text.
    pub quantity: String,
    /// In what.
    pub unit: String,
    /// In a closing: the lot it was taken from, where one is named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot: Option<Name>,
    /// The sump or reservoir into which it goes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub into: Option<Into>,
}

impl KitItem {
    /// The quantity, if it is a plain number greater than 0, else what is wrong with it.
    pub fn checked_quantity(&self) -> Result<Amount, String> {
        let amount = Amount::parse(&self.quantity, Unit::Cycles).ok().filter(|amount| *amount > Amount::ZERO);
        amount.ok_or_else(|| {
            format!(
                "`{}` is no quantity of {}; give a plain number greater than 0 such as 0.5",
                self.quantity, self.item
            )
        })
    }
}

/// One piece of care.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[expect(clippy::struct_excessive_bools, reason = "each is a different thing that a declaration says")]
pub struct TaskCard {
    /// Its key on the machine.
    pub key: Key,
    /// What is to be done.
    pub title: Name,
    /// Where on the machine.
    pub place: String,
    /// When it is due; required for a new task.
    pub rule: Option<RuleCard>,
    /// From which shop day on a changed rule is in effect; none means the day on which it is declared. A new task's
    /// rule is in effect from its first day.
    #[serde(default)]
    pub rule_from: Option<ShopDay>,
    /// Where the interval comes from.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub basis: String,
    /// What to bring.
    pub kit: Vec<KitItem>,
    /// What to heed.
    pub cautions: Vec<String>,
    /// Keys of test points to be read.
    pub readings: Vec<Key>,
    /// Minutes it takes.
    pub minutes: u32,
    /// Whether neglect or the work can hurt someone.
    pub hazard: bool,
    /// Keys of tasks that are done with it.
    pub covers: Vec<Key>,
    /// Whether a second person has to be there.
    pub second_person: bool,
    /// Whether a certificate is needed.
    pub certificate: bool,
    /// Whether it is no longer done.
    pub retire: bool,
    /// What the review of its interval goes by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub review: Option<ReviewCard>,
}

/// What the review of a task's interval goes by.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReviewCard {
    /// What doing it as planned costs, in thousandths of the shop's money.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub planned_cost: Option<Amount>,
    /// What a failure costs with all that follows it, in thousandths of the shop's money.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failure_cost: Option<Amount>,
    /// At how many of a hundred closings it is to be found good.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub good_percent: Option<u8>,
    /// The longest interval that the builder allows, a plain decimal text in the unit of the meter, or in days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_most: Option<String>,
    /// Whether its interval is never lengthened.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub never_longer: bool,
}

impl TaskCard {
    /// What of the things that were used at a closing is not the oil of the machine's card, as findings; `points` are the
    /// machine's test points.
    pub fn wrongly_poured(&self, points: &BTreeMap<Key, PointCard>, used: &[&str]) -> Vec<String> {
        model_card::wrongly_poured(self, points, used)
    }

    /// The test points of the levels that its rule follows.
    pub fn level_points(&self) -> impl Iterator<Item = &Key> {
        self.models()
            .filter_map(|model| if let Model::Level(level) = model { level.point.as_ref() } else { None })
    }

    /// The test points that its models read, and those that it asks to be read.
    pub fn points_read(&self) -> impl Iterator<Item = &Key> {
        let of_models = self.models().flat_map(|model| model.points().into_iter().map(|(_, key)| key));
        of_models.chain(&self.readings)
    }

    /// The models that its rule follows.
    pub fn models(&self) -> impl Iterator<Item = &Model<Option<Key>>> {
        let clauses = self.rule.iter().flat_map(|rule| &rule.clauses);
        clauses.filter_map(|clause| match clause {
            ClauseCard::Model { model } => Some(&**model),
            ClauseCard::Calendar { .. }
            | ClauseCard::Meter { .. }
            | ClauseCard::Recurrence(_)
            | ClauseCard::Reading { .. } => None,
        })
    }

    /// What to heed before starting: what the card says, and what the work asks that its models make due.
    pub fn heeded(&self) -> Vec<String> {
        let mut all = self.cautions.clone();
        let clauses = self.rule.iter().flat_map(|rule| &rule.clauses);
        let models = clauses.filter_map(|clause| match clause {
            ClauseCard::Model { model } => Some(crate::plan::cautions(model)),
            ClauseCard::Calendar { .. }
            | ClauseCard::Meter { .. }
            | ClauseCard::Recurrence(_)
            | ClauseCard::Reading { .. } => None,
        });
        for caution in models.flatten() {
            if !all.iter().any(|said| said == caution) {
                all.push((*caution).to_owned());
            }
        }
        all
    }
}

/// A rule as declared: meters by key, amounts as text until the meter's unit is known.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RuleCard {
    /// Its clauses.
    pub clauses: Vec<ClauseCard>,
    /// How they combine.
    pub combine: Combine,
    /// The window; none means the default.
    pub window: Option<WindowCard>,
    /// Whether a due day stays though the shop is closed.
    pub keep_closed_days: bool,
}

/// A window as declared.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WindowCard {
    /// A share of the interval in percent.
    Percent(u8),
    /// Widths on either side; where one is left out, its clauses keep the default share.
    Exact {
        /// Of clauses that give days, in days.
        days: Option<u32>,
        /// Of meter clauses, a plain decimal text in the unit of their meters.
        count: Option<String>,
    },
}

/// A clause as declared.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ClauseCard {
    /// Every n days, weeks, months or years; on a grid when a base day is given.
    Calendar {
        /// How often.
        every: Every,
        /// The base day of a grid.
        grid_base: Option<ShopDay>,
    },
    /// Every x of a meter; on a grid when a base count is given.
    Meter {
        /// The meter's key; none means the machine's only meter.
        meter: Option<Key>,
        /// How much, a plain decimal text in the meter's unit.
        every: String,
        /// The base count of a grid, a plain decimal text.
        grid_base: Option<String>,
    },
    /// The days of a recurrence rule; they stand on a grid.
    Recurrence(Recurrence),
    /// A reading out of limits at a test point.
    Reading {
        /// The point's key on the machine.
        point: Key,
        /// Whether readings that drift towards a limit say when it is expected.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        expects: bool,
    },
    /// What a model says of something that is used up or fills; its meter by key, none means the machine's only one.
    Model {
        /// The model.
        model: Box<Model<Option<Key>>>,
    },
}

/// When a task was last done before its record began.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastDoneCard {
    /// The machine's tag.
    pub machine: Key,
    /// The task's key.
    pub task: Key,
    /// The shop day.
    pub day: ShopDay,
    /// What meters showed: the meter's key (none: the only one) and a plain decimal text.
    pub counts: Vec<(Option<Key>, String)>,
}

/// A change that a load makes, in words.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShopChange {
    /// What it is about.
    pub subject: String,
    /// What happens to it.
    pub change: String,
}

/// A meter as the store keeps it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct MeterRecord {
    /// Its number.
    pub meter: MeterId,
    /// Its machine.
    pub machine: MachineId,
    /// Its key on the machine.
    pub key: Key,
    /// What it accumulates.
    pub kind: MeterKind,
    /// How it is fed.
    pub feed: Feed,
    /// The most in an hour.
    pub max_per_hour: MaxPerHour,
}

/// What a meter shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MeterShows {
    /// What has been counted.
    pub counted: Amount,
    /// The latest end of a counted report.
    pub known_to: Option<crate::time::Ts>,
    /// The last counter reading.
    pub last_reading: Option<Amount>,
    /// The last counter reading less what was counted then, on a meter fed by intervals.
    pub gap: Option<Amount>,
}
