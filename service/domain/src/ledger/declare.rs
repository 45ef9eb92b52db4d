//! What a site has declared, as far as judging needs it: which names a machine answers to, which meters it has,
//! what each source feeds and how it ranks, and where a counter was replaced.

use super::row::{Feed, Form, Reason};
use crate::ids::{MachineId, MeterId};
use crate::near;
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

    /// With its replacements in order of time, the first of an instant.
    fn settled(mut self) -> Meter {
        self.replacements.sort_unstable();
        self.replacements.dedup_by_key(|r| r.at);
        self
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
    /// What a whole site declares: names with their machines, meters, and sources. Large sites have hundreds of thousands of
    /// the first two, and this holds them in half the room that declaring them one by one takes.
    pub fn of(
        mut names: Vec<(String, MachineId)>,
        meters: impl IntoIterator<Item = Meter>,
        sources: impl IntoIterator<Item = (ForeignName, Source)>,
    ) -> Result<Declarations, NameTaken> {
        names.sort_unstable();
        if let Some([(name, taken_by), _]) =
            names.array_windows().find(|[(name, of), (next, other)]| name == next && of != other)
        {
            return Err(NameTaken { name: name.clone(), taken_by: *taken_by });
        }
        let meters: BTreeMap<MeterId, Meter> =
            meters.into_iter().map(|meter| (meter.id, meter.settled())).collect();
        Ok(Declarations {
            of_machine: meters.values().map(|meter| (meter.machine, meter.id)).collect(),
            names: names.into_iter().collect(),
            meters,
            sources: sources.into_iter().collect(),
        })
    }

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
    pub fn meter(&mut self, meter: Meter) {
        let (id, machine) = (meter.id, meter.machine);
        if let Some(old) = self.meters.insert(id, meter.settled()) {
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

    /// What is to be said of a source that is not declared where others are; its reports count all the same, behind those of all
    /// that have a rank.
    pub fn of_undeclared(&self, source: &ForeignName) -> Option<String> {
        of_undeclared(source, &self.sources)
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

/// What is to be said of a source that is none of those declared.
pub fn of_undeclared(source: &ForeignName, declared: &BTreeMap<ForeignName, Source>) -> Option<String> {
    if declared.is_empty() || declared.contains_key(source) {
        return None;
    }
    let meant = near::question(source.as_str(), declared.keys().map(ForeignName::as_str));
    let meant = meant.map(|question| format!("{question} Else ")).unwrap_or_default();
    Some(format!(
        "the source `{source}` is not declared: its reports count, after those of every source that has a rank; {meant}declare it in the \
         shop's file"
    ))
}

/// The one item, if there is exactly one: which of two is meant must never be guessed.
fn only<T>(mut items: impl Iterator<Item = T>) -> Option<T> {
    let first = items.next()?;
    items.next().is_none().then_some(first)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_source_that_is_not_declared_where_others_are_is_told_with_those_that_may_be_meant() {
        let name = |text: &str| ForeignName::new(text).expect("a name");
        let none = Declarations::of(Vec::new(), [], []).expect("no names");
        assert_eq!(
            none.of_undeclared(&name("erp")),
            None,
            "a shop that ranks no sources has none that is odd"
        );
        let one = Declarations::of(Vec::new(), [], [(name("erp"), Source::default())]).expect("no names");
        assert_eq!(one.of_undeclared(&name("erp")), None);
        let told = one.of_undeclared(&name("epr")).expect("it is told");
        assert!(
            told.starts_with("the source `epr` is not declared: ") && told.contains("did you mean `erp`?"),
            "{told}"
        );
        let told = one.of_undeclared(&name("walk-round")).expect("it is told");
        assert!(
            !told.contains("did you mean") && told.ends_with("; declare it in the shop's file"),
            "{told}"
        );
    }

    fn meter(id: i64, machine: i64, at: &[i64]) -> Meter {
        let replacement = |at: &i64| Replacement { at: Ts(*at), closing: Amount(*at), opening: Amount::ZERO };
        Meter {
            id: MeterId(id),
            machine: MachineId(machine),
            key: Key::new("operating").expect("a key"),
            kind: MeterKind::Operating,
            feed: Feed::Absolute,
            max: MaxPerHour(3_600_000),
            replacements: at.iter().map(replacement).collect(),
        }
    }

    #[test]
    fn a_site_at_once_is_what_it_is_declared_one_by_one() {
        let names = [("M-2", 2), ("erp 7", 1), ("M-1", 1), ("M-1", 1)];
        let meters = [meter(5, 2, &[30, 10, 30]), meter(3, 1, &[])];
        let source = (ForeignName::new("erp").expect("a name"), Source { rank: Some(0), feeds: None });
        let mut one_by_one = Declarations::default();
        for (name, machine) in names {
            one_by_one.machine(MachineId(machine), [name]).expect("free");
        }
        for meter in meters.clone() {
            one_by_one.meter(meter);
        }
        one_by_one.source(source.0.clone(), source.1.clone());
        let of = |names: &[(&str, i64)]| {
            let names =
                names.iter().map(|(name, machine)| ((*name).to_owned(), MachineId(*machine))).collect();
            Declarations::of(names, meters.clone(), [source.clone()])
        };
        assert_eq!(of(&names), Ok(one_by_one));
        let taken = NameTaken { name: "M-1".to_owned(), taken_by: MachineId(1) };
        assert_eq!(of(&[("M-1", 3), ("M-3", 3), ("M-1", 1), ("M-1", 1)]), Err(taken));
    }
}
