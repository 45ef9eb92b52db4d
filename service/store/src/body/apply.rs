//! What a judged batch changes beside its rows: month totals, how far hours are known, and the plan.

use super::Conn;
use super::ledger::{self, Arrived};
use super::mind::Mind;
use super::{history, refresh};
use crate::contract::Result;
use fettler_domain::ids::{MachineId, MeterId, SiteId};
use fettler_domain::ledger::changes::Changes;
use fettler_domain::ledger::declare::Declarations;
use fettler_domain::ledger::history::Segment;
use fettler_domain::ledger::row::Feed;
use fettler_domain::time::{MICROS_PER_DAY, Ts};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Segments of a meter that left the count and that came into it.
#[derive(Default)]
pub(super) struct Turnover {
    exchanged: Vec<(Option<Segment>, Option<Segment>)>,
    /// Of reports only: the latest end that left, and the latest that came.
    left: Option<Ts>,
    came: Option<Ts>,
}

/// What a judged batch changed in the mind, and what of it can be known only from rows that have been written.
pub(super) struct Absorbed {
    /// The meters that count otherwise than before.
    pub(super) meters: BTreeSet<MeterId>,
    /// How far their hours are known now, where that changed.
    known_to: Vec<(MeterId, Option<Ts>)>,
    /// Of these meters the latest report left; the one before it stands in the ledger.
    looked_up: Vec<MeterId>,
    /// Whether a meter is among them that is fed by readings, the first of which may be another one now.
    read: bool,
}

impl Absorbed {
    /// Whether the mind knows all that follows already, so that a plan can be computed before the rows are written.
    pub(super) fn is_whole(&self) -> bool {
        self.looked_up.is_empty() && !self.read
    }
}

/// Writes the changes and takes them into the mind; gives the meters that count otherwise than before.
pub(super) async fn apply(
    conn: &mut Conn,
    site: SiteId,
    mind: &mut Mind,
    changes: &Changes,
    arrived: &Arrived,
) -> Result<BTreeSet<MeterId>> {
    let turnovers = turnovers(changes);
    mind.know_meters(conn, turnovers.keys().copied()).await?;
    let absorbed = absorb(mind, changes, turnovers);
    write(conn, site, changes, arrived, &absorbed).await?;
    look_up(conn, site, mind, &absorbed).await?;
    Ok(absorbed.meters)
}

/// Takes changes into the mind, which must know the meters.
pub(super) fn absorb(mind: &mut Mind, changes: &Changes, turnovers: Turnovers) -> Absorbed {
    for ((meter, month), delta) in changes.month_totals() {
        if let Some(known) = mind.meters.get_mut(&meter) {
            known.history.add_to_month(month, delta);
        }
    }
    let calendar = Arc::clone(&mind.calendar);
    let (mut known_to, mut looked_up, mut read) = (Vec::new(), Vec::new(), false);
    for (meter, turned) in &turnovers {
        let Some(known) = mind.meters.get_mut(meter) else { continue };
        read |= known.feed == Feed::Absolute;
        let ends = turned.exchanged.iter().flat_map(|(before, after)| [before, after]).flatten();
        let told_from = |segment: &Segment| {
            // Of what took more than a day the part before an instant is looked at by then.
            let is_long = segment.end.micros_since(segment.start) > MICROS_PER_DAY;
            if is_long { segment.start } else { segment.end }
        };
        let earliest = ends.map(told_from).chain(mind.changed).min();
        mind.changed = earliest;
        for (before, after) in &turned.exchanged {
            known.exchange(&calendar, *before, *after);
        }
        let known_before = known.history.known_to();
        let latest = known_before.max(turned.came);
        if turned.left.is_some_and(|left| Some(left) >= latest) {
            looked_up.push(*meter);
        } else if latest != known_before {
            known.history.know_to(latest);
            known_to.push((*meter, latest));
        }
    }
    Absorbed { meters: turnovers.into_keys().collect(), known_to, looked_up, read }
}

/// Writes the rows of changes that were taken into the mind.
pub(super) async fn write(
    conn: &mut Conn,
    site: SiteId,
    changes: &Changes,
    arrived: &Arrived,
    absorbed: &Absorbed,
) -> Result<()> {
    ledger::write(conn, site, changes, arrived).await?;
    ledger::write_known_to(conn, site, &absorbed.known_to).await
}

/// Takes into the mind what can be known only from the written rows.
pub(super) async fn look_up(
    conn: &mut Conn,
    site: SiteId,
    mind: &mut Mind,
    absorbed: &Absorbed,
) -> Result<()> {
    let latest = history::latest(conn, site, &absorbed.looked_up).await?;
    let known_to: Vec<(MeterId, Option<Ts>)> =
        absorbed.looked_up.iter().map(|meter| (*meter, latest.get(meter).copied())).collect();
    for (meter, at) in &known_to {
        if let Some(known) = mind.meters.get_mut(meter) {
            known.history.know_to(*at);
        }
    }
    ledger::write_known_to(conn, site, &known_to).await?;
    if absorbed.read {
        history::renew_openings(conn, site, &mut mind.meters, absorbed.meters.iter().copied()).await?;
    }
    Ok(())
}

/// Turnovers by meter; meters whose count is as before are left out.
pub(super) type Turnovers = BTreeMap<MeterId, Turnover>;

/// What left and what came.
pub(super) fn turnovers(changes: &Changes) -> Turnovers {
    let mut all = Turnovers::new();
    for change in &changes.rows {
        let before = change.before.as_ref().and_then(|row| row.meter.zip(row.segment));
        let after = change.after.meter.zip(change.after.segment);
        if before == after {
            continue;
        }
        if let Some((meter, segment)) = before {
            let turned = all.entry(meter).or_default();
            turned.exchanged.push((Some(segment), None));
            turned.left = turned.left.max(Some(segment.end));
        }
        if let Some((meter, segment)) = after {
            let turned = all.entry(meter).or_default();
            turned.exchanged.push((None, Some(segment)));
            turned.came = turned.came.max(Some(segment.end));
        }
    }
    for change in &changes.replaced {
        all.entry(change.meter).or_default().exchanged.push((change.before, change.after));
    }
    all
}

/// Computes the plan of the machines whose meters count otherwise, as of the shop day of an instant.
pub(super) async fn plan_of(
    conn: &mut Conn,
    site: SiteId,
    mind: &mut Mind,
    declarations: &Declarations,
    meters: &BTreeSet<MeterId>,
    now: Ts,
) -> Result<u64> {
    let machines = machines_of(declarations, meters);
    let as_of = mind.calendar.shop_day_of(now);
    refresh::refresh(conn, site, mind, &machines, as_of).await
}

/// The machines that meters belong to.
pub(super) fn machines_of(declarations: &Declarations, meters: &BTreeSet<MeterId>) -> BTreeSet<MachineId> {
    meters.iter().filter_map(|meter| declarations.meter_of(*meter)).map(|meter| meter.machine).collect()
}
