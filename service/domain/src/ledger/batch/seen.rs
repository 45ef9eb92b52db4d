//! The stored rows that a batch has been given, and how far they reach.

use crate::ids::MeterId;
use crate::ledger::absolute::Contribution;
use crate::ledger::changes::{Found, Need};
use crate::ledger::report::{Digest, ReportId, ReportKey};
use crate::ledger::row::Row;
use crate::time::Ts;
use std::collections::{BTreeMap, BTreeSet};

/// What has been seen.
#[derive(Clone, Debug, Default)]
pub(super) struct Seen {
    pub(super) rows: BTreeMap<ReportKey, Row>,
    pub(super) reports: BTreeSet<ReportId>,
    pub(super) readings: BTreeMap<MeterId, ReadingsSeen>,
    on_meter: BTreeMap<MeterId, BTreeSet<ReportKey>>,
    windows: BTreeMap<MeterId, BTreeMap<Ts, Ts>>,
}

/// How far the readings of a meter have been seen.
#[derive(Clone, Debug)]
pub(super) struct ReadingsSeen {
    /// From here on.
    pub(super) from: Ts,
    /// Up to here, exclusive; none when to the end.
    pub(super) to: Option<Ts>,
    /// How many were asked for.
    pub(super) count: usize,
    /// What is stored of the replacements' contributions.
    pub(super) replaced: Vec<Contribution>,
}

impl Seen {
    pub(super) fn load(&mut self, need: &Need, found: Found) {
        match need {
            Need::Reports(reports) => self.reports.extend(reports.iter().cloned()),
            Need::Overlapping { meter, from, to } => {
                cover(self.windows.entry(*meter).or_default(), *from, *to);
            }
            Need::Readings { meter, from, count } => {
                let starts = found.rows.iter().filter_map(|row| row.span().map(|(start, _)| start));
                let starts: Vec<Ts> = starts.filter(|start| start >= from).collect();
                // Of the last instant some rows may have been left off.
                let to = if starts.len() < *count { None } else { starts.into_iter().max() };
                let replaced = found.replaced;
                self.readings.insert(*meter, ReadingsSeen { from: *from, to, count: *count, replaced });
            }
        }
        for row in found.rows {
            if let Some(meter) = row.meter {
                self.on_meter.entry(meter).or_default().insert(row.key.clone());
            }
            self.rows.entry(row.key.clone()).or_insert(row);
        }
    }

    /// The stored rows of a report.
    pub(super) fn of_report(&self, id: &ReportId) -> impl Iterator<Item = &Row> {
        of_report(&self.rows, id)
    }

    /// The stored rows resolved to a meter, as far as they were seen.
    pub(super) fn on_meter(&self, meter: MeterId) -> impl Iterator<Item = &Row> {
        self.on_meter.get(&meter).into_iter().flatten().filter_map(|key| self.rows.get(key))
    }

    /// Whether all that overlaps [from, to) on the meter was seen.
    pub(super) fn covers(&self, meter: MeterId, from: Ts, to: Ts) -> bool {
        let window = self.windows.get(&meter).and_then(|windows| windows.range(..=from).next_back());
        window.is_some_and(|(_, end)| *end >= to)
    }
}

/// What belongs to a report, of what is ordered by key.
pub(super) fn of_report<'a, T>(
    rows: &'a BTreeMap<ReportKey, T>,
    id: &ReportId,
) -> impl Iterator<Item = &'a T> + use<'a, T> {
    let key = |revision, byte| ReportKey {
        source: id.source.clone(),
        report: id.report.clone(),
        revision,
        digest: Digest([byte; 32]),
    };
    rows.range(key(0, 0)..=key(u32::MAX, u8::MAX)).map(|(_, row)| row)
}

/// Adds [from, to) to windows that neither overlap nor touch.
fn cover(windows: &mut BTreeMap<Ts, Ts>, mut from: Ts, mut to: Ts) {
    while let Some((&start, &end)) = windows.range(..=to).next_back()
        && end >= from
    {
        windows.remove(&start);
        (from, to) = (from.min(start), to.max(end));
    }
    windows.insert(from, to);
}

/// The needs, with overlapping windows of a meter made one and each of the others once.
pub(super) fn merged(needs: Vec<Need>) -> Vec<Need> {
    let mut windows: BTreeMap<MeterId, BTreeMap<Ts, Ts>> = BTreeMap::new();
    let mut others = BTreeSet::new();
    for need in needs {
        match need {
            Need::Overlapping { meter, from, to } => cover(windows.entry(meter).or_default(), from, to),
            Need::Reports(_) | Need::Readings { .. } => {
                others.insert(need);
            }
        }
    }
    let windows = windows.into_iter().flat_map(|(meter, windows)| {
        windows.into_iter().map(move |(from, to)| Need::Overlapping { meter, from, to })
    });
    windows.chain(others).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn windows_that_overlap_or_touch_become_one() {
        let mut windows = BTreeMap::new();
        for (from, to) in [(10, 20), (40, 50), (20, 25), (60, 70), (0, 5)] {
            cover(&mut windows, Ts(from), Ts(to));
        }
        let spans = |windows: &BTreeMap<Ts, Ts>| windows.iter().map(|(a, b)| (a.0, b.0)).collect::<Vec<_>>();
        assert_eq!(spans(&windows), [(0, 5), (10, 25), (40, 50), (60, 70)]);
        cover(&mut windows, Ts(24), Ts(61));
        assert_eq!(spans(&windows), [(0, 5), (10, 70)]);
        cover(&mut windows, Ts(30), Ts(31));
        assert_eq!(spans(&windows), [(0, 5), (10, 70)]);
    }
}
