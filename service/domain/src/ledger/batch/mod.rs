//! The ledger kept up to date: what arrives, or waits to be judged again, is judged beside the stored rows it
//! can touch, and ends in exactly the rows that judging everything at once gives.
//!
//! A batch knows no store. It says which rows it must see, is given them, and is asked again until it can judge:
//!
//! ```text
//! let mut batch = Batch::arriving(&declarations, arrivals);
//! let changes = loop {
//!     match batch.judge(as_of) {
//!         Ok(changes) => break changes,
//!         Err(needs) => for need in needs { batch.load(&need, store.find(&need)) },
//!     }
//! };
//! ```
//!
//! Each round asks for what no earlier round gave, so the loop ends. The rows must be read in the transaction that
//! writes the changes.
//!
//! Why it is exact: an interval's verdict rests only on the counted intervals before it in turn that overlap it,
//! so judging again in turn, from each change on to the overlapping ones after it, ends in the only set in which
//! every verdict follows from those before it. A reading's verdict rests only on what was last known of the
//! counter, so judging again in time order may stop at the first later reading that counts before and after.

mod intervals;
mod readings;
mod seen;

use super::changes::{Change, Changes, Found, Need, Outcome, ReplacedChange, Told};
use super::declare::Declarations;
use super::report::{Received, ReportId, ReportKey};
use super::row::{Reason, Row, Settlement, State};
use super::seat::{Seat, Turn, take, window};
use super::standing::stand;
use crate::ids::MeterId;
use crate::quantity::Amount;
use crate::time::Ts;
use seen::Seen;
use std::collections::{BTreeMap, BTreeSet};

/// What must be judged again because something it waits for changed.
///
/// * A machine's names: the reports that name it so.
/// * A meter's kind, feed or most an hour; the rank of a source, or what it feeds: every report resolved to the
///   meters in question, and every report held for an unknown meter that may now be found.
/// * A replacement of a counter recorded, changed or taken back: its meter and instant.
/// * Time: the reports held as future whose instant has come.
///
/// Such a set may be cut into batches of any size and order; the ledger is exact again when all are done.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Dirty {
    /// Reports to be resolved and judged again.
    pub reports: BTreeSet<ReportId>,
    /// Meters whose counter was replaced, or no longer was, at an instant.
    pub replaced: BTreeSet<(MeterId, Ts)>,
}

/// A set of arrivals, settlements or rejudgements, and the stored rows seen for it so far.
#[derive(Clone, Debug)]
pub struct Batch<'d> {
    declarations: &'d Declarations,
    arrivals: Vec<Received>,
    settlements: BTreeMap<ReportKey, Settlement>,
    dirty: Dirty,
    reports: BTreeSet<ReportId>,
    seen: Seen,
}

/// The arrival to which a change is put down, by its place in the batch; none for settlements and rejudgements.
type Cause = Option<usize>;

/// The rows of the touched reports as they will be, and what remains to be judged on each meter.
#[derive(Debug, Default)]
struct Draft {
    rows: BTreeMap<ReportKey, Row>,
    causes: BTreeMap<ReportKey, Cause>,
    meters: BTreeMap<MeterId, Work>,
}

/// What remains to be judged on one meter.
#[derive(Debug, Default)]
struct Work {
    /// Intervals to be judged, of the draft.
    intervals: Vec<(ReportKey, Cause)>,
    /// Stored intervals that counted and are no longer in their place.
    gone: Vec<(ReportKey, Cause)>,
    /// Readings to be judged, of the draft.
    readings: Vec<ReportKey>,
    /// Instants from which readings must be judged again.
    instants: BTreeMap<Ts, Cause>,
}

impl<'d> Batch<'d> {
    /// Reports that arrived, in the order of their arrival.
    pub fn arriving(declarations: &'d Declarations, arrivals: Vec<Received>) -> Batch<'d> {
        let reports = arrivals.iter().map(|arrival| arrival.key.id()).collect();
        Batch { arrivals, ..Batch::new(declarations, reports) }
    }

    /// Settlements made; of two for one statement the last rules.
    pub fn settling(
        declarations: &'d Declarations,
        settlements: impl IntoIterator<Item = (ReportKey, Settlement)>,
    ) -> Batch<'d> {
        let settlements: BTreeMap<_, _> = settlements.into_iter().collect();
        let reports = settlements.keys().map(ReportKey::id).collect();
        Batch { settlements, ..Batch::new(declarations, reports) }
    }

    /// Reports and readings to be judged again.
    pub fn rejudging(declarations: &'d Declarations, dirty: Dirty) -> Batch<'d> {
        let reports = dirty.reports.clone();
        Batch { dirty, ..Batch::new(declarations, reports) }
    }

    fn new(declarations: &'d Declarations, reports: BTreeSet<ReportId>) -> Batch<'d> {
        Batch {
            declarations,
            arrivals: Vec::new(),
            settlements: BTreeMap::new(),
            dirty: Dirty::default(),
            reports,
            seen: Seen::default(),
        }
    }

    /// What must be seen before judging can begin: the rows of the same reports, and beside them what overlaps the
    /// arriving intervals, which nearly all of them will ask for.
    pub fn needs(&self) -> Vec<Need> {
        let missing: Vec<ReportId> = self.reports.difference(&self.seen.reports).cloned().collect();
        if missing.is_empty() {
            return Vec::new();
        }
        let windows = self.arrivals.iter().filter_map(|arrival| window(arrival, self.declarations));
        seen::merged(windows.chain([Need::Reports(missing)]).collect())
    }

    /// Gives what the store found for a need.
    pub fn load(&mut self, need: &Need, found: Found) {
        self.seen.load(need, found);
    }

    /// Judges, or asks for more.
    pub fn judge(&self, as_of: Ts) -> Result<Changes, Vec<Need>> {
        let mut needs = self.needs();
        if !needs.is_empty() {
            return Err(needs);
        }
        let mut draft = self.draft(as_of);
        let mut replaced = Vec::new();
        for (id, work) in std::mem::take(&mut draft.meters) {
            let Some(meter) = self.declarations.meter_of(id) else { continue };
            let verdicts = intervals::judge(self, &draft, meter, &work, &mut needs);
            for (key, cause, verdict) in verdicts {
                let Some(row) = self.row_of(&mut draft, &key, cause) else { continue };
                match verdict {
                    Ok(segment) => row.count(segment),
                    Err(reason) => row.hold(reason),
                }
            }
            let (rows, contributions) = readings::judge(self, &draft, meter, &work, &mut needs);
            for (row, cause) in rows {
                draft.causes.entry(row.key.clone()).or_insert(cause);
                draft.rows.insert(row.key.clone(), row);
            }
            replaced.extend(contributions);
        }
        if needs.is_empty() { Ok(self.changes(draft, replaced)) } else { Err(seen::merged(needs)) }
    }

    /// The row of the draft, taken in from the stored ones when it is not there yet.
    fn row_of<'a>(&self, draft: &'a mut Draft, key: &ReportKey, cause: Cause) -> Option<&'a mut Row> {
        if !draft.rows.contains_key(key) {
            draft.rows.insert(key.clone(), self.seen.rows.get(key)?.clone());
            draft.causes.insert(key.clone(), cause);
        }
        draft.rows.get_mut(key)
    }

    /// Decides what stands for each touched report, and lists what remains to be judged.
    fn draft(&self, as_of: Ts) -> Draft {
        let mut draft = Draft::default();
        let mut arrived: BTreeMap<ReportId, Vec<usize>> = BTreeMap::new();
        for (place, arrival) in self.arrivals.iter().enumerate() {
            if !self.seen.rows.contains_key(&arrival.key) {
                arrived.entry(arrival.key.id()).or_default().push(place);
            }
        }
        for id in &self.reports {
            let mut rows: Vec<Row> = self.seen.of_report(id).cloned().collect();
            let mut changed = self.dirty.reports.contains(id);
            let mut came: BTreeMap<&ReportKey, usize> = BTreeMap::new();
            for &place in arrived.get(id).into_iter().flatten() {
                let arrival = &self.arrivals[place];
                if came.insert(&arrival.key, place).is_none() {
                    rows.push(Row::unjudged(arrival.clone()));
                }
            }
            for row in &mut rows {
                if let Some(settlement) = self.settlements.get(&row.key) {
                    changed |= row.settlement != Some(*settlement);
                    row.settlement = Some(*settlement);
                }
            }
            if !changed && came.is_empty() {
                continue;
            }
            let standing = stand(&mut rows);
            let cause = standing
                .and_then(|place| came.get(&rows[place].key).copied())
                .or_else(|| came.values().copied().max());
            let seat = standing.map(|place| take(&mut rows[place], self.declarations, as_of));
            let seated = standing.map(|place| &rows[place]).zip(seat);
            self.list_work(id, seated, cause, &mut draft.meters);
            for row in rows {
                let own = came.get(&row.key).copied().or(cause);
                draft.causes.insert(row.key.clone(), own);
                draft.rows.insert(row.key.clone(), row);
            }
        }
        for (meter, at) in &self.dirty.replaced {
            draft.meters.entry(*meter).or_default().instants.entry(*at).or_insert(None);
        }
        draft
    }

    /// Lists what follows on each meter from a report's new seat, and from the one that it had.
    fn list_work(
        &self,
        id: &ReportId,
        seated: Option<(&Row, Seat)>,
        cause: Cause,
        meters: &mut BTreeMap<MeterId, Work>,
    ) {
        let old = self.seen.of_report(id).find(|row| row.counts());
        if let (Some(old), Some(meter)) = (old, old.and_then(|row| row.meter)) {
            let work = meters.entry(meter).or_default();
            let turn = Turn::of(old, self.declarations);
            let stays = seated.is_some_and(|(row, seat)| {
                seat == Seat::Interval(meter)
                    && row.key == old.key
                    && Turn::of(row, self.declarations) == turn
            });
            if turn.is_none() {
                let at = old.span().map_or(Ts::MIN, |(at, _)| at);
                work.instants.insert(at, cause);
            } else if !stays {
                work.gone.push((old.key.clone(), cause));
            }
        }
        match seated {
            Some((row, Seat::Interval(meter))) => {
                meters.entry(meter).or_default().intervals.push((row.key.clone(), cause));
            }
            Some((row, Seat::Reading(meter))) => {
                let work = meters.entry(meter).or_default();
                work.readings.push(row.key.clone());
                work.instants.insert(row.span().map_or(Ts::MIN, |(at, _)| at), cause);
            }
            Some((_, Seat::Decided)) | None => {}
        }
    }

    /// Puts together what is to be written and told.
    fn changes(&self, draft: Draft, replaced: Vec<ReplacedChange>) -> Changes {
        let told = self.told(&draft);
        let unknown =
            self.settlements.keys().filter(|key| !self.seen.rows.contains_key(key)).cloned().collect();
        let rows = draft.rows.into_iter().filter_map(|(key, after)| {
            let before = self.seen.rows.get(&key).cloned();
            (before.as_ref() != Some(&after)).then_some(Change { before, after })
        });
        Changes { rows: rows.collect(), replaced, told, unknown }
    }

    /// What is told of each arrival.
    fn told(&self, draft: &Draft) -> Vec<Told> {
        let mut first: BTreeSet<&ReportKey> = BTreeSet::new();
        let mut told: Vec<Told> = self
            .arrivals
            .iter()
            .map(|arrival| {
                let key = arrival.key.clone();
                let row = draft.rows.get(&key).or_else(|| self.seen.rows.get(&key));
                let repeated = !first.insert(&arrival.key) || self.seen.rows.contains_key(&key);
                let outcome = row.map_or(Outcome::Superseded, |row| draft.outcome(row, repeated));
                Told { key, outcome, left: Amount::ZERO, displaced: Vec::new(), let_in: Vec::new() }
            })
            .collect();
        for (key, row) in &draft.rows {
            let Some(Some(cause)) = draft.causes.get(key) else { continue };
            let told = &mut told[*cause];
            let before = self.seen.rows.get(key).and_then(|row| row.segment);
            let own = key.source == told.key.source && key.report == told.key.report;
            match (before, row.segment) {
                (Some(before), None) => {
                    if !own || !draft.report_counts(key) {
                        told.left = told.left + before.amount;
                    }
                    if !own || key.revision == told.key.revision {
                        told.displaced.push(key.clone());
                    }
                }
                (None, Some(_)) if !own => told.let_in.push(key.clone()),
                _ => {}
            }
        }
        told
    }
}

impl Draft {
    /// What became of a row that came with the batch.
    fn outcome(&self, row: &Row, repeated: bool) -> Outcome {
        let reason = row.reason.clone();
        match (row.state, reason) {
            (state, reason) if repeated => Outcome::Duplicate { state, reason },
            (_, Some(reason)) => Outcome::Held { reason },
            (State::Superseded | State::Dropped | State::Held, None) => Outcome::Superseded,
            (State::Counted | State::Check | State::Withdrawn, None) => {
                let older = |other: &Row| other.key.revision < row.key.revision;
                if seen::of_report(&self.rows, &row.key.id()).any(older) {
                    Outcome::Replaces
                } else {
                    Outcome::Accepted
                }
            }
        }
    }

    /// Whether anything counts of the report that a statement belongs to.
    fn report_counts(&self, key: &ReportKey) -> bool {
        seen::of_report(&self.rows, &key.id()).any(Row::counts)
    }
}

/// What an interval's judging came to.
type Verdict = Result<super::history::Segment, Reason>;
