//! What a site has declared, as far as judging needs it: which names a machine answers to, which meters it has,
//! what each source feeds and how it ranks, and where a counter was replaced.

use super::row::{Feed, Form, Reason};
use crate::ids::{MachineId, MeterId};
use crate::quantity::{Amount, MaxPerHour, MeterKind};
use crate::text::{ForeignName, Key};
use crate::time::Ts;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// A counter was replaced: the old one showed `closing`, the new one began at `opening`. A reading of the same
/// instant is one of the new counter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Replacement {
    /// When.
    pub at: Ts,
    /// What the old counter showed last.
    pub closing: Amount,
    /// What the new counter showed first.
    pub opening: Amount,
}

/// A meter as declared.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Meter {
    /// Its number.
    pub id: MeterId,
    /// The machine it belongs to.
    pub machine: MachineId,
    /// Its own key, by which a report may name it.
    pub key: Key,
    /// What it accumulates.
    pub kind: MeterKind,
    /// How it is fed: never both ways.
    pub feed: Feed,
    /// The most it can accumulate in an hour.
    pub max: MaxPerHour,
    /// Replacements of its counter, in order of time, at most one at an instant.
    pub replacements: Vec<Replacement>,
}

impl Meter {
    /// What the meter takes.
    pub fn takes(&self) -> Form {
        Form { unit: self.kind.unit(), feed: self.feed }
    }
}

/// A source of reports as declared.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Source {
    /// Its place in the site's order of trust, the best being 0; a source without one comes after all that have.
    pub rank: Option<u32>,
    /// The kind of meter meant by its reports that name none.
    pub feeds: Option<MeterKind>,
}

/// A name cannot stand for two machines.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("machine name `{name}` already stands for machine {taken_by}; give another name")]
pub struct NameTaken {
    /// The name.
    pub name: String,
    /// The machine it stands for.
    pub taken_by: MachineId,
}

/// Everything declared that judging looks up.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Declarations {
    names: BTreeMap<String, MachineId>,
    meters: BTreeMap<MeterId, Meter>,
    of_machine: BTreeSet<(MachineId, MeterId)>,
    sources: BTreeMap<ForeignName, Source>,
}

impl Declarations {
    /// Declares a machine with all its names: its tag and those that other systems give it.
    pub fn machine<'a>(
        &mut self,
        id: MachineId,
        names: impl IntoIterator<Item = &'a str>,
    ) -> Result<(), NameTaken> {
        for name in names {
            match self.names.get(name) {
                Some(taken_by) if *taken_by != id => {
                    return Err(NameTaken { name: name.to_owned(), taken_by: *taken_by });
                }
                _ => self.names.insert(name.to_owned(), id),
            };
        }
        Ok(())
    }

    /// Declares a meter, in place of an earlier declaration with the same number.
    pub fn meter(&mut self, mut meter: Meter) {
        meter.replacements.sort_unstable();
        meter.replacements.dedup_by_key(|r| r.at);
        let (id, machine) = (meter.id, meter.machine);
        if let Some(old) = self.meters.insert(id, meter) {
            self.of_machine.remove(&(old.machine, id));
        }
        self.of_machine.insert((machine, id));
    }

    /// Declares a source, in place of an earlier declaration with the same name.
    pub fn source(&mut self, name: ForeignName, source: Source) {
        self.sources.insert(name, source);
    }

    /// The meter with this number.
    pub fn meter_of(&self, id: MeterId) -> Option<&Meter> {
        self.meters.get(&id)
    }

    /// All meters, in the order of their numbers.
    pub fn meters(&self) -> impl Iterator<Item = &Meter> {
        self.meters.values()
    }

    /// The machine that answers to a name.
    pub fn machine_named(&self, name: &str) -> Option<MachineId> {
        self.names.get(name).copied()
    }

    /// The rank of a source; sources without one come last.
    pub fn rank(&self, source: &ForeignName) -> u32 {
        self.sources.get(source).and_then(|s| s.rank).unwrap_or(u32::MAX)
    }

    /// The meter that a report of `source` means: the one named, or the one that the source feeds, or the only one.
    pub(super) fn resolve(
        &self,
        source: &ForeignName,
        machine: &ForeignName,
        meter: Option<&ForeignName>,
    ) -> Result<&Meter, (Option<MachineId>, Reason)> {
        let Some(id) = self.machine_named(machine.as_str()) else {
            return Err((None, Reason::UnknownMachine { name: machine.clone() }));
        };
        let of_it = (id, MeterId(i64::MIN))..=(id, MeterId(i64::MAX));
        let meters = self.of_machine.range(of_it).filter_map(|(_, meter)| self.meters.get(meter));
        let feeds = self.sources.get(source).and_then(|s| s.feeds);
        let found = match (meter, feeds) {
            (Some(name), _) => meters
                .clone()
                .find(|m| m.key.as_str() == name.as_str())
                .or_else(|| only(meters.filter(|m| m.kind.word() == name.as_str()))),
            (None, Some(kind)) => only(meters.filter(|m| m.kind == kind)),
            (None, None) => only(meters),
        };
        let unknown = || Reason::UnknownMeter { machine: machine.clone(), meter: meter.cloned() };
        found.ok_or_else(|| (Some(id), unknown()))
    }
}

/// The one item, if there is exactly one: which of two is meant must never be guessed.
fn only<T>(mut items: impl Iterator<Item = T>) -> Option<T> {
    let first = items.next()?;
    items.next().is_none().then_some(first)
}
