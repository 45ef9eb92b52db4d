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
use std::collections::btree_map::Entry;
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
struct Draft<'s> {
    rows: BTreeMap<ReportKey, Drafted<'s>>,
    meters: BTreeMap<MeterId, Work>,
    /// Which arrivals are new, by their place: neither stored nor the repetition of an earlier one.
    new: Vec<bool>,
}

/// A row as it will be.
#[derive(Debug)]
struct Drafted<'s> {
    row: Row,
    /// The row as it is stored, if it is.
    before: Option<&'s Row>,
    cause: Cause,
    /// Whether an older revision of its report is there too.
    has_older: bool,
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
                let Some(row) = self.row_of(&mut draft, key, cause) else { continue };
                match verdict {
                    Ok(segment) => row.count(segment),
                    Err(reason) => row.hold(reason),
                }
            }
            let (rows, contributions) = readings::judge(self, &draft, meter, &work, &mut needs);
            for (row, cause) in rows {
                if let Some(drafted) = self.row_of(&mut draft, row.key.clone(), cause) {
                    *drafted = row;
                }
            }
            replaced.extend(contributions);
        }
        if needs.is_empty() { Ok(self.changes(draft, replaced)) } else { Err(seen::merged(needs)) }
    }

    /// The row of the draft, taken in from the stored ones when it is not there yet.
    fn row_of<'d2, 's>(
        &'s self,
        draft: &'d2 mut Draft<'s>,
        key: ReportKey,
        cause: Cause,
    ) -> Option<&'d2 mut Row> {
        match draft.rows.entry(key) {
            Entry::Occupied(drafted) => Some(&mut drafted.into_mut().row),
            Entry::Vacant(vacant) => {
                let stored = self.seen.rows.get(vacant.key())?;
                let row = stored.clone();
                Some(&mut vacant.insert(Drafted { row, before: Some(stored), cause, has_older: false }).row)
            }
        }
    }

    /// The places of the new arrivals, in the order of their reports, each statement once.
    fn new_arrivals(&self) -> Vec<usize> {
        let key = |place: &usize| &self.arrivals[*place].key;
        let stored = |place: &usize| !self.seen.rows.is_empty() && self.seen.rows.contains_key(key(place));
        let mut places: Vec<usize> = (0..self.arrivals.len()).filter(|place| !stored(place)).collect();
        // A stable sort: of repetitions the first stays.
        places.sort_by(|a, b| key(a).cmp(key(b)));
        places.dedup_by(|later, first| key(later) == key(first));
        places
    }

    /// Decides what stands for each touched report, and lists what remains to be judged.
    fn draft(&self, as_of: Ts) -> Draft<'_> {
        let mut draft = Draft { new: vec![false; self.arrivals.len()], ..Draft::default() };
        let places = self.new_arrivals();
        for place in &places {
            draft.new[*place] = true;
        }
        let mut rest = places.as_slice();
        for id in &self.reports {
            let is_own = |place: &usize| {
                let key = &self.arrivals[*place].key;
                key.source == id.source && key.report == id.report
            };
            let own = rest.iter().take_while(|place| is_own(place)).count();
            let (came, others) = rest.split_at(own);
            rest = others;
            self.draft_report(id, came, as_of, &mut draft);
        }
        for (meter, at) in &self.dirty.replaced {
            draft.meters.entry(*meter).or_default().instants.entry(*at).or_insert(None);
        }
        draft
    }

    /// Decides what stands for one report, to which these arrivals are new.
    fn draft_report<'s>(&'s self, id: &ReportId, came: &[usize], as_of: Ts, draft: &mut Draft<'s>) {
        let stored: Vec<&Row> = self.seen.of_report(id).collect();
        let mut rows: Vec<Row> = stored.iter().copied().cloned().collect();
        rows.extend(came.iter().map(|place| Row::unjudged(self.arrivals[*place].clone())));
        let mut changed = self.dirty.reports.contains(id) || !came.is_empty();
        for row in &mut rows {
            if let Some(settlement) = self.settlements.get(&row.key) {
                changed |= row.settlement != Some(*settlement);
                row.settlement = Some(*settlement);
            }
        }
        if !changed {
            return;
        }
        // The stored rows stand first, then those that came, in the order of their places in `came`.
        let came_as = |row: usize| row.checked_sub(stored.len()).map(|new| came[new]);
        let standing = stand(&mut rows);
        let cause = standing.and_then(came_as).or_else(|| came.iter().copied().max());
        let seat = standing.map(|place| take(&mut rows[place], self.declarations, as_of));
        let seated = standing.map(|place| &rows[place]).zip(seat);
        let counted = stored.iter().copied().find(|row| row.counts());
        self.list_work(counted, seated, cause, &mut draft.meters);
        let lowest = rows.iter().map(|row| row.key.revision).min();
        for (place, row) in rows.into_iter().enumerate() {
            let cause = came_as(place).or(cause);
            let has_older = lowest < Some(row.key.revision);
            let before = stored.get(place).copied();
            draft.rows.insert(row.key.clone(), Drafted { row, before, cause, has_older });
        }
    }

    /// Lists what follows on each meter from a report's new seat, and from that of the row that counted so far.
    fn list_work(
        &self,
        old: Option<&Row>,
        seated: Option<(&Row, Seat)>,
        cause: Cause,
        meters: &mut BTreeMap<MeterId, Work>,
    ) {
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
    fn changes(&self, draft: Draft<'_>, replaced: Vec<ReplacedChange>) -> Changes {
        let told = self.told(&draft);
        let unknown =
            self.settlements.keys().filter(|key| !self.seen.rows.contains_key(key)).cloned().collect();
        let changed = draft.rows.into_values().filter(|drafted| drafted.before != Some(&drafted.row));
        let rows = changed.map(|Drafted { row, before, .. }| Change { before: before.cloned(), after: row });
        Changes { rows: rows.collect(), replaced, told, unknown }
    }

    /// What is told of each arrival.
    fn told(&self, draft: &Draft<'_>) -> Vec<Told> {
        let told = self.arrivals.iter().zip(&draft.new).map(|(arrival, new)| {
            let key = arrival.key.clone();
            let outcome = match draft.rows.get(&key) {
                Some(drafted) if *new => drafted.outcome(),
                Some(drafted) => repeated(&drafted.row),
                None => self.seen.rows.get(&key).map_or(Outcome::Superseded, repeated),
            };
            Told { key, outcome, left: Amount::ZERO, displaced: Vec::new(), let_in: Vec::new() }
        });
        let mut told: Vec<Told> = told.collect();
        for (key, Drafted { row, before, cause, .. }) in &draft.rows {
            let Some(cause) = cause else { continue };
            let told = &mut told[*cause];
            let before = before.and_then(|before| before.segment);
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

/// What became of a row that came again.
fn repeated(row: &Row) -> Outcome {
    Outcome::Duplicate { state: row.state, reason: row.reason.clone() }
}

impl Drafted<'_> {
    /// What became of a row that came with the batch.
    fn outcome(&self) -> Outcome {
        match (self.row.state, self.row.reason.clone()) {
            (_, Some(reason)) => Outcome::Held { reason },
            (State::Superseded | State::Dropped | State::Held, None) => Outcome::Superseded,
            (State::Counted | State::Check | State::Withdrawn, None) if self.has_older => Outcome::Replaces,
            (State::Counted | State::Check | State::Withdrawn, None) => Outcome::Accepted,
        }
    }
}

impl Draft<'_> {
    /// Whether anything counts of the report that a statement belongs to.
    fn report_counts(&self, key: &ReportKey) -> bool {
        seen::of_report(&self.rows, &key.id()).any(|drafted| drafted.row.counts())
    }
}

/// What an interval's judging came to.
type Verdict = Result<super::history::Segment, Reason>;
