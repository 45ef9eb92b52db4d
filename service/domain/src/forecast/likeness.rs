//! Which machines a machine is taken to be like: those of its family within its site, else all of its site, else none.
//!
//! Kinds of meters are kept apart, and so are sites: what one shop runs says nothing of another.

use super::fleet::FleetFigures;
use super::windows::Past;
use crate::ids::MachineId;
use crate::quantity::MeterKind;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use std::collections::{BTreeMap, BTreeSet};

/// So many machines of a family must have a past before they are taken for a fleet of their own: with fewer, the site's
/// machines together say more. The site's figures have no such bound, since the assumed ones are in them with a weight
/// of their own and rule where there is little else.
pub const LIKE_MACHINES_LEAST: usize = 5;

/// Whose past stands beside a meter's own in its forecast.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Likeness {
    /// Nobody's: they are assumed.
    #[default]
    Assumed,
    /// That of so many machines of the site.
    Site(u32),
    /// That of so many machines of the same family within the site.
    Family(u32),
}

/// The figures by which a meter is forecast, and whose they are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fleet {
    /// The figures.
    pub figures: FleetFigures,
    /// Whose.
    pub likeness: Likeness,
}

impl Fleet {
    /// Where nothing is known.
    pub const ASSUMED: Fleet = Fleet { figures: FleetFigures::ASSUMED, likeness: Likeness::Assumed };
}

/// A meter of a machine of the site, with its past.
#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    /// The machine.
    pub machine: MachineId,
    /// Its family; empty where none is stated, and such machines are no family.
    pub family: String,
    /// What the meter accumulates.
    pub kind: MeterKind,
    /// Its past.
    pub past: Past,
}

/// Figures of a family, or of a site.
#[derive(Clone, Debug, PartialEq)]
pub struct FleetRow {
    /// The family; empty for the site.
    pub family: String,
    /// What the meters accumulate.
    pub kind: MeterKind,
    /// How many machines they are learnt from.
    pub machines: u32,
    /// The figures, rounded.
    pub figures: FleetFigures,
}

/// The figures of a site on a shop day: a function of its machines and their reports, whatever their order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FleetTable {
    rows: BTreeMap<(String, MeterKind), (u32, FleetFigures)>,
}

impl FleetTable {
    /// The figures learnt from a site's meters. Those without a report have no part in them.
    pub fn of(members: &[Member]) -> FleetTable {
        let mut groups: BTreeMap<(&str, MeterKind), Vec<&Member>> = BTreeMap::new();
        for member in members.iter().filter(|member| member.past.now().is_some()) {
            groups.entry(("", member.kind)).or_default().push(member);
            if !member.family.is_empty() {
                groups.entry((&member.family, member.kind)).or_default().push(member);
            }
        }
        let rows = groups.into_iter().filter_map(|((family, kind), members)| {
            let machines = members.iter().map(|member| member.machine).collect::<BTreeSet<_>>().len();
            if !family.is_empty() && machines < LIKE_MACHINES_LEAST {
                return None;
            }
            let pasts: Vec<&Past> = members.iter().map(|member| &member.past).collect();
            let machines = u32::try_from(machines).unwrap_or(u32::MAX);
            Some(((family.to_owned(), kind), (machines, FleetFigures::of_pasts(&pasts).rounded())))
        });
        FleetTable { rows: rows.collect() }
    }

    /// A table as it was kept.
    pub fn of_rows(rows: impl IntoIterator<Item = FleetRow>) -> FleetTable {
        let of = |row: FleetRow| ((row.family, row.kind), (row.machines, row.figures));
        FleetTable { rows: rows.into_iter().map(of).collect() }
    }

    /// Its rows in order, for keeping.
    pub fn rows(&self) -> impl Iterator<Item = FleetRow> + '_ {
        self.rows.iter().map(|((family, kind), (machines, figures))| FleetRow {
            family: family.clone(),
            kind: *kind,
            machines: *machines,
            figures: *figures,
        })
    }

    /// The figures for a meter: its machine's family's, else the site's, else those assumed.
    pub fn of_meter(&self, family: &str, kind: MeterKind) -> Fleet {
        let of_family = self.get(family, kind).filter(|_| !family.is_empty());
        if let Some((machines, figures)) = of_family {
            return Fleet { figures, likeness: Likeness::Family(machines) };
        }
        self.get("", kind).map_or(Fleet::ASSUMED, |(machines, figures)| Fleet {
            figures,
            likeness: Likeness::Site(machines),
        })
    }

    fn get(&self, family: &str, kind: MeterKind) -> Option<(u32, FleetFigures)> {
        self.rows.get(&(family.to_owned(), kind)).copied()
    }

    /// A number for what the table says, by which rows are stamped: equal figures have equal numbers, in whatever order and
    /// on whatever day they were learnt. That of an empty table is 0.
    pub fn epoch(&self) -> i64 {
        if self.rows.is_empty() {
            return 0;
        }
        let mut sha = Sha256::new();
        for ((family, kind), (machines, figures)) in &self.rows {
            sha.update((family.len() as u64).to_be_bytes());
            sha.update(family);
            sha.update(kind.word());
            sha.update(machines.to_be_bytes());
            let FleetFigures { rate, spread, lead, own_weight, lasting_scatter, drift, silence } = figures;
            for number in [rate.0, spread.0, lead.0, own_weight.0, *lasting_scatter, *drift] {
                sha.update(number.to_be_bytes());
            }
            sha.update([*silence as u8]);
        }
        let digest: [u8; 32] = sha.finalize().into();
        let mut first = [0; 8];
        first.copy_from_slice(&digest[..8]);
        (i64::from_be_bytes(first) & i64::MAX).max(1)
    }
}
