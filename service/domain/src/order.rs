//! Work orders and closings as data: what is said when one is raised, closed, skipped or undone.

use crate::calendar::Calendar;
use crate::error::Violation;
use crate::fluid::WasteSaid;
use crate::ids::{ClosingId, OrderNumber, PersonId};
use crate::pin::Known;
use crate::plan::{DueKind, Satisfied, Timing};
use crate::quantity::{Amount, Unit};
use crate::shop::KitItem;
use crate::shop::limits::{COVERS_MAX, KIT_MAX, MINUTES_MAX, SHORT_TEXT_MAX, UNIT_MAX};
use crate::text::{Key, Name, line, note};
use crate::time::{ShopDay, Ts};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Where an order stands; nothing lies between these.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OrderState {
    /// To be done.
    Open,
    /// Ended by a closing.
    Closed,
    /// Ended with a reason and a name, without being done.
    Skipped,
    /// No longer stands.
    Void,
}

/// How the part was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AsFound {
    /// In good condition.
    Good,
    /// Worn but working.
    Worn,
    /// Found failed at the look.
    Failed,
    /// It broke down in work.
    BrokeDown,
}

/// A value read at a test point.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadingSaid {
    /// The test point's key.
    pub point: Key,
    /// The value, a plain decimal text.
    pub value: String,
    /// The unit; none means the test point's own.
    pub unit: Option<String>,
    /// That it is so, however odd it looks.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub confirmed: bool,
}

/// What a technician says when closing an order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClosingSaid {
    /// The order.
    pub order: OrderNumber,
    /// When it was done.
    pub done_at: Ts,
    /// By whom.
    pub done_by: Name,
    /// By whom it is entered.
    pub entered_by: Option<Name>,
    /// As found.
    pub as_found: AsFound,
    /// What was read.
    pub readings: Vec<ReadingSaid>,
    /// What was used.
    pub used: Vec<KitItem>,
    /// Whether the task's kit was used as it stands, save for items that `used` names.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub kit_used: bool,
    /// Waste that came out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub waste: Vec<WasteSaid>,
    /// Whether the cautions were shown and confirmed.
    pub cautions_confirmed: bool,
    /// A certificate's number.
    pub certificate: Option<String>,
    /// The second person.
    pub second_person: Option<Name>,
    /// Minutes it took.
    pub minutes: u32,
    /// Tasks that the order's task covers and that were not done this time: their orders stay open.
    pub left_out: Vec<Key>,
    /// The note.
    pub note: String,
    /// What of it is so, however odd it looks.
    #[serde(default, skip_serializing_if = "Confirmed::is_none")]
    pub confirmed: Confirmed,
}

/// What of a closing is so, however odd it looks; each reading has its own word beside this.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Confirmed {
    /// The time at which it was done.
    pub done_at: bool,
    /// Items that were used, by their places among those.
    pub used: BTreeSet<usize>,
}

/// The most fields that a closing confirms beside its readings: the time, and every item.
pub const CONFIRMED_MAX: usize = KIT_MAX + 1;

impl Confirmed {
    /// The field of the time.
    pub const DONE_AT: &str = "done_at";

    /// The field of an item that was used, by its place.
    pub fn item_field(at: usize) -> String {
        format!("used[{at}].item")
    }

    /// That the time is so, and nothing else.
    pub fn time() -> Confirmed {
        Confirmed { done_at: true, used: BTreeSet::new() }
    }

    /// Whether nothing is confirmed.
    pub fn is_none(&self) -> bool {
        !self.done_at && self.used.is_empty()
    }

    /// Confirms the field with this name, as a question names it; false where a closing with so many items used has no such field.
    pub fn confirm(&mut self, field: &str, used: usize) -> bool {
        if field == Confirmed::DONE_AT {
            self.done_at = true;
            return true;
        }
        let at = (0..used.min(KIT_MAX)).find(|at| Confirmed::item_field(*at) == field);
        self.used.extend(at);
        at.is_some()
    }
}

/// The most readings that a closing takes: more than a task asks for, since others may have been read as well.
pub const READINGS_SAID_MAX: usize = 100;

impl ClosingSaid {
    /// An order done by someone at an instant, as found good, and nothing else said.
    pub fn plain(order: OrderNumber, done_at: Ts, done_by: Name) -> ClosingSaid {
        ClosingSaid {
            order,
            done_at,
            done_by,
            entered_by: None,
            as_found: AsFound::Good,
            readings: Vec::new(),
            used: Vec::new(),
            kit_used: false,
            waste: Vec::new(),
            cautions_confirmed: false,
            certificate: None,
            second_person: None,
            minutes: 0,
            left_out: Vec::new(),
            note: String::new(),
            confirmed: Confirmed::default(),
        }
    }

    /// What was used in all, with a kit where that was used as it stands.
    pub fn used_with(&self, kit: &[KitItem]) -> Vec<KitItem> {
        let mut used = self.used.clone();
        if self.kit_used {
            let is_said = |item: &&KitItem| self.used.iter().any(|said| said.item == item.item);
            used.extend(kit.iter().filter(|item| !is_said(item)).cloned());
        }
        used
    }

    /// Whether the second person named is the one who did the work.
    pub fn second_person_is_doer(&self) -> bool {
        self.second_person.as_ref() == Some(&self.done_by)
    }

    /// What cannot be kept because it is longer, greater or other than its field holds.
    pub fn beyond_bounds(&self) -> Vec<Violation> {
        let mut found = Vec::new();
        let mut wrong = |field: String, text: String| found.push(Violation::new(field, text));
        let at_most =
            |len: usize, max: usize| (len > max).then(|| format!("has {len} entries; give at most {max}"));
        if let Some(text) = at_most(self.readings.len(), READINGS_SAID_MAX) {
            wrong("readings".into(), text);
        } else {
            for (i, reading) in self.readings.iter().enumerate() {
                if let Err(error) = Amount::parse(&reading.value, Unit::Cycles) {
                    wrong(format!("readings[{i}].value"), error.to_string());
                }
                if let Err(error) = line(reading.unit.as_deref().unwrap_or_default(), UNIT_MAX) {
                    wrong(format!("readings[{i}].unit"), error.to_string());
                }
            }
        }
        if let Some(text) = at_most(self.used.len(), KIT_MAX) {
            wrong("used".into(), text);
        } else {
            for (i, item) in self.used.iter().enumerate() {
                if let Err(text) = item.checked_quantity() {
                    wrong(format!("used[{i}].quantity"), text);
                }
                if let Err(error) = line(&item.unit, UNIT_MAX) {
                    wrong(format!("used[{i}].unit"), error.to_string());
                }
            }
        }
        if let Some(text) = at_most(self.left_out.len(), COVERS_MAX) {
            wrong("left_out".into(), text);
        }
        if let Err(error) = line(self.certificate.as_deref().unwrap_or_default(), SHORT_TEXT_MAX) {
            wrong("certificate".into(), error.to_string());
        }
        if self.minutes > MINUTES_MAX {
            wrong("minutes".into(), format!("{} is out of bounds; give 0 to {MINUTES_MAX}", self.minutes));
        }
        if let Err(error) = note(&self.note) {
            wrong("note".into(), error.to_string());
        }
        found
    }
}

/// A closing as the store keeps it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClosingRecord {
    /// Its number.
    pub closing: ClosingId,
    /// The order it ended.
    pub order: OrderNumber,
    /// When it was done.
    pub done_at: Ts,
    /// By whom.
    pub done_by: PersonId,
    /// When it was entered.
    pub entered_at: Ts,
    /// By whom.
    pub entered_by: PersonId,
    /// How that person was known; none when they were only named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub known: Option<Known>,
    /// As found.
    pub as_found: AsFound,
    /// What was read.
    pub readings: Vec<ReadingSaid>,
    /// What was used.
    pub used: Vec<KitItem>,
    /// From which lots that came, where it was an item on the shelf.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lots: Vec<LotUsed>,
    /// The cautions that stood on the order.
    pub cautions_shown: Vec<String>,
    /// Whether they were confirmed.
    pub cautions_confirmed: bool,
    /// A certificate's number.
    pub certificate: Option<String>,
    /// The second person.
    pub second_person: Option<PersonId>,
    /// Minutes it took.
    pub minutes: u32,
    /// The due instant as known then, or as expected then: the kind tells.
    pub due_then: Option<Ts>,
    /// What kind of due instant that was; absent in records from before it was kept.
    #[serde(default)]
    pub due_kind_then: Option<DueKind>,
    /// From when on it might be done, as known then: what comes before is early. None where no meter had come that far, and in
    /// records from before it was kept: of those nothing tells any more whether they were early, so that they count as not early.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opens_then: Option<Ts>,
    /// From when on it was late, as known then.
    pub late_from_then: Option<Ts>,
    /// The clause that governed, what its meter had counted and until when that was known, as known then.
    pub governed_then: Option<GovernedThen>,
    /// The day from which the rule that applied was in effect.
    pub rule_effective: Option<ShopDay>,
    /// The task sheet from which the task came.
    pub sheet: Option<Key>,
    /// Tasks that it covers and that were said not to be done.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<Key>,
    /// Orders that were closed with it because it covers them.
    pub covered: Vec<OrderNumber>,
    /// The closing of the larger order that covered it.
    pub covered_by: Option<ClosingId>,
    /// What was not as it should be about it.
    pub findings: Vec<String>,
    /// When, by whom and why it was undone.
    pub undone: Option<Undone>,
}

impl ClosingRecord {
    /// Whether the due instant known at the closing was a forecast.
    pub fn was_expected(&self) -> bool {
        self.due_kind_then == Some(DueKind::Expected)
    }

    /// When it was due, as known then; what was only expected is no due instant.
    pub fn was_due(&self) -> Option<Ts> {
        self.due_then.filter(|_| !self.was_expected())
    }

    /// Whether it was late, as known then. Nothing is late by a forecast.
    pub fn was_late(&self) -> bool {
        !self.was_expected() && self.late_from_then.is_some_and(|late| self.done_at >= late)
    }

    /// When it was due: as known now by what it met, else as known then. What is only expected is no due instant.
    pub fn due(&self, met: Option<&Satisfied>) -> Option<Ts> {
        match met {
            Some(met) => met.due.filter(|_| met.kind != DueKind::Expected),
            None => self.was_due(),
        }
    }

    /// Whether it was late: as known now by what it met, else as known then.
    pub fn is_late(&self, met: Option<&Satisfied>) -> bool {
        met.map_or_else(|| self.was_late(), |met| matches!(met.timing, Timing::Late(_)))
    }

    /// How many shop days after a due instant it was done; below 0 where before.
    pub fn days_from(&self, due: Ts, calendar: &Calendar) -> i64 {
        calendar.shop_day_of(self.done_at).days_since(calendar.shop_day_of(due))
    }

    /// Whether an audit of one doer, or of late work only, takes it.
    pub fn is_audited(&self, by: Option<PersonId>, only_late: bool, met: Option<&Satisfied>) -> bool {
        by.is_none_or(|by| by == self.done_by) && (!only_late || self.is_late(met))
    }
}

/// A lot from which a closing took something.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LotUsed {
    /// The item.
    pub item: Name,
    /// The lot.
    pub lot: Name,
    /// How much of it, in thousandths of the item's unit.
    pub amount: Amount,
}

/// The clause that governed a closed order, as known at the closing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct GovernedThen {
    /// Its index in the rule.
    pub clause: usize,
    /// What its meter had counted, where it counts one.
    pub h: Option<Amount>,
    /// Until when hours were known.
    pub known_to: Option<Ts>,
}

/// That a closing was undone.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Undone {
    /// When.
    pub at: Ts,
    /// By whom.
    pub by: PersonId,
    /// Why.
    pub reason: String,
}

/// What is said when an order is raised by hand.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RaiseSaid {
    /// The machine's tag.
    pub machine: Key,
    /// What is to be done.
    pub title: Name,
    /// Who raises it.
    pub by: Name,
    /// The shop day it is due; none means today.
    pub due_day: Option<ShopDay>,
    /// Whether neglect can hurt someone.
    pub hazard: bool,
    /// What was seen.
    pub note: String,
}
