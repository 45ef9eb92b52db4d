//! A due calendar: an entry for each open work order with an expected day, as it is told to people's own calendars, which ask
//! again and again and must be told of every change under the same name.

use crate::calendar::Calendar;
use crate::ids::OrderNumber;
use crate::plan::{DueKind, PlanRow, Section};
use crate::shop::KitItem;
use crate::time::{MICROS_PER_DAY, ShopDay, Ts};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// How far ahead entries are told for the first time, in days: a year, so that yearly work is seen.
pub const DAYS_AHEAD: i64 = 366;
/// The most entries of one calendar that stand, the nearest first; and as many that are cancelled, the newest first.
pub const ENTRIES_MAX: usize = 1_000;
/// How long an entry is told as cancelled, in microseconds: a quarter of a year, in which every calendar has asked again.
pub const CANCELLED_FOR_MICROS: i64 = 92 * MICROS_PER_DAY;
/// The longest text of an entry, in characters.
const TEXT_MAX: usize = 2_000;
/// The most areas that an entry is remembered to have left.
const LEFT_MAX: usize = 8;

/// What an entry says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Said {
    /// The shop day on which the work is due or expected to be.
    pub day: ShopDay,
    /// Whether that is only expected.
    pub expected: bool,
    /// What is to be done, and on which machine.
    pub title: String,
    /// What belongs to it, line by line.
    pub text: String,
    /// The machine's area; empty for none.
    pub area: String,
}

/// An entry as it was told last.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    /// The work order.
    pub order: OrderNumber,
    /// The name under which calendars know it; it never changes.
    pub uid: String,
    /// How often it was changed since it was told first.
    pub sequence: u32,
    /// Whether the work is not to be done any more, or not on its own: closed, skipped, void, or without a day.
    pub cancelled: bool,
    /// When it was told first.
    pub first_told: Ts,
    /// When it was told as it stands now.
    pub told_at: Ts,
    /// Areas in which it stood before, the latest last.
    #[serde(default)]
    pub left: Vec<String>,
    /// What it says.
    pub said: Said,
}

/// The work that an entry is about.
#[derive(Clone, Copy, Debug)]
pub struct Work<'w> {
    /// Its plan row.
    pub plan: &'w PlanRow,
    /// What is to be done.
    pub title: &'w str,
    /// The machine's tag.
    pub machine: &'w str,
    /// The machine's name.
    pub machine_name: &'w str,
    /// The machine's area.
    pub area: &'w str,
    /// Where on the machine.
    pub place: &'w str,
    /// Minutes it takes; 0 when not stated.
    pub minutes: u32,
    /// What to bring.
    pub kit: &'w [KitItem],
    /// What to heed.
    pub cautions: &'w [String],
    /// Whether neglect or the work can hurt someone.
    pub hazard: bool,
    /// Whether the machine must not start.
    pub forbidden: bool,
}

impl Work<'_> {
    /// What an entry says of it; none where no day is known or expected.
    ///
    /// It holds nothing that changes from day to day while the day itself stands, so that an entry changes only where its reader has
    /// something to do about it.
    pub fn said(&self, calendar: &Calendar) -> Option<Said> {
        let due = self.plan.due.filter(|_| self.plan.section == Section::Dated)?;
        let hazard = if self.hazard { "hazard: " } else { "" };
        Some(Said {
            day: calendar.shop_day_of(due),
            expected: self.plan.kind == DueKind::Expected,
            title: format!("{hazard}{}, {}", self.title, self.machine),
            text: self.text(),
            area: self.area.to_owned(),
        })
    }

    fn text(&self) -> String {
        let mut lines =
            vec![format!("work order {} on {}, {}", self.plan.order, self.machine, self.machine_name)];
        let mut line = |label: &str, text: &str| {
            if !text.is_empty() {
                lines.push(format!("{label}: {text}"));
            }
        };
        line("where", self.place);
        if self.minutes > 0 {
            line("takes", &format!("{} min", self.minutes));
        }
        let kit = self.kit.iter().map(|item| format!("{} {} {}", item.item, item.quantity, item.unit));
        line("bring", &kit.map(|item| item.trim_end().to_owned()).collect::<Vec<_>>().join("; "));
        if self.plan.kind == DueKind::Expected {
            line("expected", "from the hours that were run; the day may move");
        }
        if let Some(larger) = self.plan.covered_by {
            line("done with", &format!("work order {larger}"));
        }
        if self.forbidden {
            line("must not start", "the machine is forbidden until somebody returns it");
        }
        for caution in self.cautions {
            line("heed", caution);
        }
        if self.hazard || !self.cautions.is_empty() {
            lines.push(
                "The builder's manual, local codes and licensed practice come before all this.".to_owned(),
            );
        }
        let text = lines.join("\n");
        match text.char_indices().nth(TEXT_MAX) {
            Some((end, _)) => format!("{}…", &text[..end]),
            None => text,
        }
    }
}

/// How an entry is shown in a calendar of some areas.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shown {
    /// Not at all.
    Not,
    /// As it stands.
    Standing,
    /// As cancelled, although the work may stand elsewhere.
    Cancelled,
}

impl Entry {
    /// How it is shown in a calendar of these areas; none mean all.
    pub fn shown_in(&self, areas: &BTreeSet<String>) -> Shown {
        let here = areas.is_empty() || areas.contains(&self.said.area);
        match () {
            () if here && !self.cancelled => Shown::Standing,
            () if here || self.left.iter().any(|area| areas.contains(area)) => Shown::Cancelled,
            () => Shown::Not,
        }
    }

    fn changed(&self, said: Option<Said>, now: Ts) -> Entry {
        let mut entry = self.clone();
        entry.sequence = entry.sequence.saturating_add(1);
        // Time that was set back must not make the newer statement the older one.
        entry.told_at = now.max(entry.told_at);
        entry.cancelled = said.is_none();
        if let Some(said) = said {
            if said.area != entry.said.area {
                entry.left.retain(|area| *area != said.area && *area != entry.said.area);
                entry.left.push(std::mem::take(&mut entry.said.area));
                let over = entry.left.len().saturating_sub(LEFT_MAX);
                entry.left.drain(..over);
            }
            entry.said = said;
        }
        entry
    }
}

/// What has to be told anew: entries that are new, that say something else than they were told to, and that stand no more.
///
/// `standing` says, for every order that is to be told and for every one of `kept` whose work is open, what its entry says and under
/// which name a new one is known.
pub fn changes(kept: &[Entry], mut standing: BTreeMap<OrderNumber, (String, Said)>, now: Ts) -> Vec<Entry> {
    let mut changed = Vec::new();
    for entry in kept {
        match standing.remove(&entry.order) {
            Some((_, said)) if !entry.cancelled && said == entry.said => {}
            Some((_, said)) => changed.push(entry.changed(Some(said), now)),
            None if entry.cancelled => {}
            None => changed.push(entry.changed(None, now)),
        }
    }
    let new = standing.into_iter().map(|(order, (uid, said))| Entry {
        order,
        uid,
        sequence: 0,
        cancelled: false,
        first_told: now,
        told_at: now,
        left: Vec::new(),
        said,
    });
    changed.extend(new);
    changed
}

/// The entries of a calendar of these areas, by day and order; the cancelled ones after the others, the newest first.
pub fn listed(entries: Vec<Entry>, areas: &BTreeSet<String>, now: Ts) -> Vec<(Entry, bool)> {
    let (mut standing, mut cancelled) = (Vec::new(), Vec::new());
    for entry in entries {
        match entry.shown_in(areas) {
            Shown::Standing => standing.push((entry, false)),
            Shown::Cancelled if now.micros_since(entry.told_at) <= CANCELLED_FOR_MICROS => {
                cancelled.push((entry, true));
            }
            Shown::Cancelled | Shown::Not => {}
        }
    }
    standing.sort_by_key(|(entry, _)| (entry.said.day, entry.order));
    cancelled.sort_by_key(|(entry, _)| (std::cmp::Reverse(entry.told_at), entry.order));
    standing.truncate(ENTRIES_MAX);
    cancelled.truncate(ENTRIES_MAX);
    standing.into_iter().chain(cancelled).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(day: i32, area: &str) -> Said {
        Said {
            day: ShopDay::from_days(day),
            expected: false,
            title: "Drain, L-1".into(),
            text: "work order 7".into(),
            area: area.into(),
        }
    }

    fn standing(day: i32, area: &str) -> BTreeMap<OrderNumber, (String, Said)> {
        BTreeMap::from([(OrderNumber(7), ("7@shop".to_owned(), said(day, area)))])
    }

    fn areas(areas: &[&str]) -> BTreeSet<String> {
        areas.iter().map(|&area| area.to_owned()).collect()
    }

    #[test]
    fn an_entry_keeps_its_name_and_counts_its_changes() {
        let first = changes(&[], standing(100, "hall"), Ts(1)).remove(0);
        assert_eq!((first.uid.as_str(), first.sequence, first.cancelled), ("7@shop", 0, false));
        let kept = std::slice::from_ref(&first);
        assert_eq!(changes(kept, standing(100, "hall"), Ts(2)), [], "what is told already is no change");
        let moved = changes(kept, standing(101, "hall"), Ts(3)).remove(0);
        assert_eq!((moved.sequence, moved.told_at, moved.first_told), (1, Ts(3), Ts(1)));
        let over = changes(std::slice::from_ref(&moved), BTreeMap::new(), Ts(4)).remove(0);
        assert_eq!((over.sequence, over.cancelled, over.said.day), (2, true, ShopDay::from_days(101)));
        let kept = std::slice::from_ref(&over);
        assert_eq!(changes(kept, BTreeMap::new(), Ts(5)), []);
        let again = changes(kept, standing(101, "hall"), Ts(2)).remove(0);
        assert_eq!(
            (again.sequence, again.cancelled, again.told_at),
            (3, false, Ts(4)),
            "time does not run back"
        );
    }

    #[test]
    fn an_entry_that_leaves_an_area_is_cancelled_there_and_stands_in_the_other() {
        let first = changes(&[], standing(100, "hall"), Ts(1));
        let moved = changes(&first, standing(100, "yard"), Ts(2)).remove(0);
        let shown = |entry: &Entry, names: &[&str]| entry.shown_in(&areas(names));
        assert_eq!(shown(&moved, &["hall"]), Shown::Cancelled);
        assert_eq!(
            [shown(&moved, &["yard"]), shown(&moved, &[]), shown(&moved, &["hall", "yard"])],
            [Shown::Standing; 3]
        );
        assert_eq!(shown(&moved, &["roof"]), Shown::Not);
        let back = changes(std::slice::from_ref(&moved), standing(100, "hall"), Ts(3)).remove(0);
        assert_eq!((shown(&back, &["hall"]), shown(&back, &["yard"])), (Shown::Standing, Shown::Cancelled));
    }

    #[test]
    fn cancelled_entries_are_told_for_a_quarter_and_stand_last() {
        let entry = |order: i64, day: i32, cancelled: bool| Entry {
            order: OrderNumber(order),
            cancelled,
            ..changes(&[], standing(day, "hall"), Ts(0)).remove(0)
        };
        let all = vec![entry(1, 103, true), entry(2, 102, false), entry(3, 101, false)];
        let orders = |now| {
            listed(all.clone(), &areas(&[]), now).iter().map(|(e, c)| (e.order.0, *c)).collect::<Vec<_>>()
        };
        assert_eq!(orders(Ts(CANCELLED_FOR_MICROS)), [(3, false), (2, false), (1, true)]);
        assert_eq!(orders(Ts(CANCELLED_FOR_MICROS + 1)), [(3, false), (2, false)]);
    }

    #[test]
    fn a_calendar_tells_the_nearest_entries_only() {
        let entry = |order: i64| Entry {
            order: OrderNumber(order),
            ..changes(&[], standing(100, "hall"), Ts(0)).remove(0)
        };
        let most = i64::try_from(ENTRIES_MAX).unwrap();
        let told = listed((0..=most).rev().map(entry).collect(), &areas(&[]), Ts(0));
        assert_eq!(told.last().map(|(entry, _)| entry.order.0), Some(most - 1));
    }
}
