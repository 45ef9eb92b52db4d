//! Judging intervals again: in turn, each change passed on to the overlapping ones after it.

use super::{Batch, Cause, Draft, Drafted, Verdict, Work};
use crate::ledger::changes::Need;
use crate::ledger::declare::{Declarations, Meter};
use crate::ledger::fit::{fit, overlap, segment};
use crate::ledger::history::Segment;
use crate::ledger::report::{ReportKey, Statement};
use crate::ledger::row::{Feed, Reason, Row};
use crate::ledger::seat::Turn;
use crate::time::{MICROS_PER_DAY, Ts};
use std::collections::{BTreeMap, BTreeSet};

/// How much further a window reaches when a change is passed on, so that a chain of overlapping reports is seen
/// in few rounds.
const FURTHER_MICROS: i64 = 2 * MICROS_PER_DAY;

/// An interval on the meter, with whether it counts as far as judged.
struct Placed<'a> {
    row: &'a Row,
    counts: bool,
}

/// The intervals of a meter that were seen or drafted, by their start.
struct Line<'a> {
    declarations: &'a Declarations,
    placed: BTreeMap<Ts, Vec<Placed<'a>>>,
    longest_micros: i64,
}

/// Judges the meter's drafted intervals and all that their changes reach; what was not seen is asked for.
pub(super) fn judge(
    batch: &Batch<'_>,
    draft: &Draft<'_>,
    meter: &Meter,
    work: &Work,
    needs: &mut Vec<Need>,
) -> Vec<(ReportKey, Cause, Verdict)> {
    if meter.feed == Feed::Absolute {
        return Vec::new();
    }
    let mut line = Line::new(batch, draft, meter, work);
    let mut queue: BTreeMap<Turn, (&Row, Cause)> = BTreeMap::new();
    let unseen = |row: &Row, further: i64| {
        let (start, end) = row.span()?;
        let (from, to) = (start.plus_micros(-further), end.plus_micros(further));
        let seen = batch.seen.covers(meter.id, start, end);
        (!seen).then_some(Need::Overlapping { meter: meter.id, from, to })
    };
    for (key, cause) in &work.gone {
        let Some(row) = batch.seen.rows.get(key) else { continue };
        match unseen(row, 0) {
            Some(need) => needs.push(need),
            None => queue.extend(line.waiting_on(row).into_iter().map(|(turn, row)| (turn, (row, *cause)))),
        }
    }
    for (key, cause) in &work.intervals {
        if let Some(Drafted { row, .. }) = draft.rows.get(key)
            && let Some(turn) = Turn::of(row, batch.declarations)
        {
            queue.insert(turn, (row, *cause));
        }
    }
    let mut verdicts = Vec::new();
    while let Some((turn, (row, cause))) = queue.pop_first() {
        let drafted = draft.rows.contains_key(&row.key);
        if let Some(need) = unseen(row, if drafted { 0 } else { FURTHER_MICROS }) {
            needs.push(need);
            continue;
        }
        let Some(own) = segment(row) else { continue };
        let verdict = if row.settled_count() {
            Ok(own)
        } else {
            fit(row, &line.counted_before(row, &turn), meter.max).map(|()| own)
        };
        if line.set(row, own, verdict.is_ok()) {
            for (turn, later) in line.waiting_on(row) {
                queue.entry(turn).or_insert((later, cause));
            }
        }
        verdicts.push((row.key.clone(), cause, verdict));
    }
    verdicts
}

impl<'a> Line<'a> {
    fn new(batch: &'a Batch<'_>, draft: &'a Draft<'_>, meter: &Meter, work: &'a Work) -> Line<'a> {
        let mut line = Line { declarations: batch.declarations, placed: BTreeMap::new(), longest_micros: 0 };
        let gone: BTreeSet<&ReportKey> = work.gone.iter().map(|(key, _)| key).collect();
        for row in batch.seen.on_meter(meter.id) {
            if !draft.rows.contains_key(&row.key) {
                line.place(row, row.counts());
            }
        }
        for (key, _) in &work.intervals {
            if let Some(Drafted { row, before, .. }) = draft.rows.get(key) {
                let stored = before.filter(|stored| stored.meter == Some(meter.id));
                line.place(row, stored.is_some_and(Row::counts) && !gone.contains(key));
            }
        }
        line
    }

    fn place(&mut self, row: &'a Row, counts: bool) {
        if let Statement::Interval { start, end, .. } = row.content.statement {
            self.longest_micros = self.longest_micros.max(end.micros_since(start));
            self.placed.entry(start).or_default().push(Placed { row, counts });
        }
    }

    /// Notes a verdict, and says whether it is another than before.
    fn set(&mut self, row: &Row, own: Segment, counts: bool) -> bool {
        let mut here = self.placed.get_mut(&own.start).into_iter().flatten();
        let placed = here.find(|placed| placed.row.key == row.key);
        placed.is_some_and(|placed| std::mem::replace(&mut placed.counts, counts) != counts)
    }

    /// What overlaps a row, itself left out.
    fn overlapping(&self, row: &Row) -> impl Iterator<Item = &Placed<'a>> {
        let own = row.span().unwrap_or((Ts::MIN, Ts::MIN));
        let from = Ts(own.0.0 - self.longest_micros).min(own.1);
        let near = self.placed.range(from..own.1).flat_map(|(_, placed)| placed);
        near.filter(move |other| {
            other.row.key != row.key && other.row.span().is_some_and(|span| overlap(span, own))
        })
    }

    /// The counted ones that overlap a row and come before it in turn, in turn.
    fn counted_before(&self, row: &Row, turn: &Turn) -> Vec<&'a Row> {
        let counted = self.overlapping(row).filter(|other| other.counts);
        let in_turn = counted.filter_map(|other| Some((Turn::of(other.row, self.declarations)?, other.row)));
        let before: BTreeMap<Turn, &'a Row> = in_turn.filter(|(other, _)| other < turn).collect();
        before.into_values().collect()
    }

    /// Those after a row in turn whose verdict rests on what counts before them, and that overlap it.
    fn waiting_on(&self, row: &Row) -> Vec<(Turn, &'a Row)> {
        let Some(own) = Turn::of(row, self.declarations) else { return Vec::new() };
        let rests = |row: &Row| {
            let held_beside = row.reason.as_ref().is_some_and(Reason::rests_on_others);
            (row.counts() || held_beside) && !row.settled_count()
        };
        let waiting = self.overlapping(row).filter(|other| rests(other.row));
        let in_turn = waiting.filter_map(|other| Some((Turn::of(other.row, self.declarations)?, other.row)));
        in_turn.filter(|(turn, _)| *turn > own).collect()
    }
}
