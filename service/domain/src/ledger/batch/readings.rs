//! Judging readings again: in time order from the first change on, until the counter is known as it was before.

use super::{Batch, Cause, Draft, Work};
use crate::ledger::absolute::Contribution;
use crate::ledger::changes::{Need, ReplacedChange};
use crate::ledger::declare::Meter;
use crate::ledger::history::Segment;
use crate::ledger::judge::Walk;
use crate::ledger::row::{Feed, Row};
use crate::ledger::seat::Moment;
use crate::time::Ts;
use std::collections::BTreeMap;

/// How many readings are asked for at first; each further round asks for four times as many.
const COUNT_FIRST: usize = 4;

/// Judges the meter's readings from the first instant that changed; what was not seen is asked for.
pub(super) fn judge(
    batch: &Batch<'_>,
    draft: &Draft<'_>,
    meter: &Meter,
    work: &Work,
    needs: &mut Vec<Need>,
) -> (Vec<(Row, Cause)>, Vec<ReplacedChange>) {
    let nothing = (Vec::new(), Vec::new());
    let (Some((&first, _)), Some((&last, _))) =
        (work.instants.first_key_value(), work.instants.last_key_value())
    else {
        return nothing;
    };
    let Some(seen) = batch.seen.readings.get(&meter.id).filter(|seen| seen.from <= first) else {
        needs.push(Need::Readings { meter: meter.id, from: first, count: COUNT_FIRST });
        return nothing;
    };
    let more = Need::Readings { meter: meter.id, from: first, count: seen.count * 4 };
    if seen.to.is_some_and(|to| to <= last) {
        needs.push(more);
        return nothing;
    }
    if meter.feed == Feed::Interval {
        let none = BTreeMap::new();
        return (Vec::new(), changed(meter, &seen.replaced, &none, (Ts(i64::MIN), Ts(i64::MAX))));
    }
    let base = base(batch, draft, meter, first);
    let after = base.map_or(Ts(i64::MIN), |row| row.span().map_or(Ts::MIN, |(at, _)| at));
    let mut walk = Walk::resume(meter, base);
    let mut judged = Vec::new();
    let mut settled_at = None;
    for (moment, row) in in_time(batch, draft, meter, work, first, seen.to) {
        let mut row = row.clone();
        let before = row.counts();
        walk.take(&mut row);
        let as_before = before && row.counts() && moment.at > last;
        let cause = work.instants.range(..=moment.at).next_back().and_then(|(_, cause)| *cause);
        judged.push((row, cause));
        if as_before {
            settled_at = Some(moment.at);
            break;
        }
    }
    let contributions = match (settled_at, seen.to) {
        (Some(_), _) => walk.so_far(),
        (None, None) => walk.finish(),
        (None, Some(_)) => {
            needs.push(more);
            return nothing;
        }
    };
    let now: BTreeMap<Ts, Segment> = contributions.into_iter().map(|c| (c.at, c.segment)).collect();
    (judged, changed(meter, &seen.replaced, &now, (after, settled_at.unwrap_or(Ts(i64::MAX)))))
}

/// The counted reading last known before an instant.
fn base<'a>(batch: &'a Batch<'_>, draft: &Draft<'_>, meter: &Meter, first: Ts) -> Option<&'a Row> {
    let stored = batch.seen.on_meter(meter.id);
    let untouched = stored.filter(|row| row.counts() && !draft.rows.contains_key(&row.key));
    let moments = untouched.filter_map(|row| Some((Moment::of(row)?, row)));
    moments.filter(|(moment, _)| moment.at < first).max_by(|a, b| a.0.cmp(&b.0)).map(|(_, row)| row)
}

/// The readings from `first` on, drafted ones in place of stored ones, up to where they were seen.
fn in_time<'a>(
    batch: &'a Batch<'_>,
    draft: &'a Draft<'_>,
    meter: &Meter,
    work: &Work,
    first: Ts,
    to: Option<Ts>,
) -> BTreeMap<Moment, &'a Row> {
    let stored = batch.seen.on_meter(meter.id).filter(|row| !draft.rows.contains_key(&row.key));
    let drafted = work.readings.iter().filter_map(|key| Some(&draft.rows.get(key)?.row));
    let moments = stored.filter(|row| row.rests_on_readings()).chain(drafted);
    let moments = moments.filter_map(|row| Some((Moment::of(row)?, row)));
    moments.filter(|(moment, _)| moment.at >= first && to.is_none_or(|to| moment.at < to)).collect()
}

/// What changed of the replacements' contributions after one instant and up to another.
fn changed(
    meter: &Meter,
    stored: &[Contribution],
    now: &BTreeMap<Ts, Segment>,
    (after, up_to): (Ts, Ts),
) -> Vec<ReplacedChange> {
    let within = |at: Ts| at > after && at <= up_to;
    let mut both: BTreeMap<Ts, (Option<Segment>, Option<Segment>)> = BTreeMap::new();
    for contribution in stored.iter().filter(|c| within(c.at)) {
        both.entry(contribution.at).or_default().0 = Some(contribution.segment);
    }
    for (at, segment) in now.iter().filter(|(at, _)| within(**at)) {
        both.entry(*at).or_default().1 = Some(*segment);
    }
    both.into_iter()
        .filter(|(_, (before, after))| before != after)
        .map(|(at, (before, after))| ReplacedChange { meter: meter.id, at, before, after })
        .collect()
}
