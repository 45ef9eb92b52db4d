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
use fettler_domain::time::Ts;
use std::collections::{BTreeMap, BTreeSet};

/// Segments of a meter that left the count and that came into it.
#[derive(Default)]
struct Turnover {
    exchanged: Vec<(Option<Segment>, Option<Segment>)>,
    /// Of reports only: the latest end that left, and the latest that came.
    left: Option<Ts>,
    came: Option<Ts>,
}

/// Writes the changes and takes them into the mind; gives the meters that count otherwise than before.
pub(super) async fn apply(
    conn: &mut Conn,
    site: SiteId,
    mind: &mut Mind,
    changes: &Changes,
    arrived: &Arrived,
) -> Result<BTreeSet<MeterId>> {
    let turnover = turnover(changes);
    mind.know_meters(conn, turnover.keys().copied()).await?;
    ledger::write(conn, site, changes, arrived).await?;
    for ((meter, month), delta) in changes.month_totals() {
        if let Some(known) = mind.meters.get_mut(&meter) {
            known.history.add_to_month(month, delta);
        }
    }
    let mut known_to: BTreeMap<MeterId, Option<Ts>> = BTreeMap::new();
    let mut looked_up = Vec::new();
    for (meter, turned) in &turnover {
        let Some(known) = mind.meters.get_mut(meter) else { continue };
        let ends = turned.exchanged.iter().flat_map(|(before, after)| [before, after]).flatten();
        let earliest = ends.map(|segment| segment.end).chain(mind.changed).min();
        mind.changed = earliest;
        for (before, after) in &turned.exchanged {
            known.exchange(*before, *after);
        }
        let known_before = known.history.known_to();
        let latest = known_before.max(turned.came);
        if turned.left.is_some_and(|left| Some(left) >= latest) {
            looked_up.push(*meter);
        } else if latest != known_before {
            known_to.insert(*meter, latest);
        }
    }
    let latest = history::latest(conn, site, &looked_up).await?;
    known_to.extend(looked_up.iter().map(|meter| (*meter, latest.get(meter).copied())));
    for (meter, at) in &known_to {
        if let Some(known) = mind.meters.get_mut(meter) {
            known.history.know_to(*at);
        }
    }
    let known_to: Vec<(MeterId, Option<Ts>)> = known_to.into_iter().collect();
    ledger::write_known_to(conn, site, &known_to).await?;
    history::renew_openings(conn, site, &mut mind.meters, turnover.keys().copied()).await?;
    Ok(turnover.into_keys().collect())
}

/// What left and what came, by meter; meters whose count is as before are left out.
fn turnover(changes: &Changes) -> BTreeMap<MeterId, Turnover> {
    let mut all: BTreeMap<MeterId, Turnover> = BTreeMap::new();
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
