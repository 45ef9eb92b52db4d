//! Taking reports: judged as a batch beside the rows they can touch, each new one with a leaf of its own, and the plan
//! of the touched machines computed in the same transaction.

use super::journal::unfit;
use super::ledger::{self, Arrived};
use super::mind::Mind;
use super::tx::Tx;
use super::writer::Push;
use super::{apply, beside, refresh};
use crate::contract::{Acknowledged, Caller, Result};
use fettler_domain::ids::{MeterId, SiteId};
use fettler_domain::journal::{Canonical, ObjectWriter};
use fettler_domain::ledger::batch::Batch;
use fettler_domain::ledger::changes::{Changes, Outcome, Told};
use fettler_domain::ledger::declare::Declarations;
use fettler_domain::ledger::report::{Received, ReportId, ReportKey};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::time::Ts;
use serde_json::{Value, json};
use std::collections::{BTreeSet, HashMap};

/// Takes the reports of several pushes to one site; the answers come in their order.
pub(super) async fn push(tx: &mut Tx, pushes: &mut [Push]) -> Result<Vec<Vec<Acknowledged>>> {
    let Some(site) = pushes.first().map(|push| push.site) else { return Ok(Vec::new()) };
    let now = pushes.iter().map(|push| push.caller.now).max().unwrap_or(Ts::MIN);
    tx.forget_machines([]);
    tx.take(site).await?;
    let mut mind = tx.mind(site).await?;
    let declarations = mind.declarations(&mut tx.conn).await?;
    let mut arrivals = Vec::new();
    let mut counts = Vec::with_capacity(pushes.len());
    for push in pushes {
        counts.push(push.reports.len());
        let caller = Caller { now, ..push.caller.clone() };
        arrivals.extend(std::mem::take(&mut push.reports).into_iter().map(|report| (caller.clone(), report)));
    }
    let mut touched = BTreeSet::new();
    let mut acknowledged = Vec::with_capacity(arrivals.len());
    for part in parts(arrivals) {
        let (told, meters) = take(tx, site, &mut mind, &declarations, part, now).await?;
        acknowledged.extend(told);
        touched.extend(meters);
    }
    let machines = apply::machines_of(&declarations, &touched);
    let as_of = mind.calendar.shop_day_of(now);
    let mind = refresh::beside_leaves(tx, site, mind, machines, as_of).await?;
    tx.keep_mind(mind)?;
    let mut acknowledged = acknowledged.into_iter();
    Ok(counts.into_iter().map(|count| acknowledged.by_ref().take(count).collect()).collect())
}

type Arrival = (Caller, Received);

/// Cuts arrivals so that no part holds two statements of one report: each is then told what became of it when it came,
/// as if they had come one after the other.
fn parts(arrivals: Vec<Arrival>) -> Vec<Vec<Arrival>> {
    let mut parts = vec![Vec::new()];
    let mut seen: HashMap<ReportId, ReportKey> = HashMap::new();
    for (caller, report) in arrivals {
        let id = report.key.id();
        if seen.get(&id).is_some_and(|key| *key != report.key) {
            seen.clear();
            parts.push(Vec::new());
        }
        seen.insert(id, report.key.clone());
        if let Some(part) = parts.last_mut() {
            part.push((caller, report));
        }
    }
    parts
}

/// Judges one part and writes what it changes; gives the answers and the meters that count otherwise.
async fn take(
    tx: &mut Tx,
    site: SiteId,
    mind: &mut Mind,
    declarations: &Declarations,
    part: Vec<Arrival>,
    now: Ts,
) -> Result<(Vec<Acknowledged>, BTreeSet<MeterId>)> {
    let (callers, reports): (Vec<Caller>, Vec<Received>) = part.into_iter().unzip();
    let contents: Vec<Canonical> = reports.iter().map(|report| report.content.canonical()).collect();
    let units: Vec<Option<Unit>> = reports.iter().map(|report| unit_of(&report.content.statement)).collect();
    let mut batch = Batch::arriving(declarations, reports);
    let mut changes = ledger::judge(&mut tx.conn, site, &mut batch, now).await?;
    let told = std::mem::take(&mut changes.told);
    let mut made = tx.leaves_beside(site)?;
    let arrived = arrived(made.next(), &told, &callers);
    let leaves = beside(move || {
        for ((told, caller), content) in told.iter().zip(&callers).zip(&contents) {
            if !is_duplicate(told) {
                made.arrival(caller, subject(&told.key), state(told, content)?)?;
            }
        }
        Ok((told, made))
    });
    let touched = apply::apply(&mut tx.conn, site, mind, &changes, &arrived).await?;
    let (told, made) = leaves.await?;
    tx.take_leaves(site, made)?;
    let acknowledged =
        told.into_iter().zip(units).map(|(told, unit)| acknowledge(told, unit, &changes)).collect();
    Ok((acknowledged, touched))
}

fn is_duplicate(told: &Told) -> bool {
    matches!(told.outcome, Outcome::Duplicate { .. })
}

/// The leaves that the new statements will have, from the tree's next one on.
fn arrived(mut next: i64, told: &[Told], callers: &[Caller]) -> Arrived {
    let mut arrived = Arrived::new();
    for (told, caller) in told.iter().zip(callers).filter(|(told, _)| !is_duplicate(told)) {
        arrived.insert(told.key.clone(), (next, caller.token));
        next += 1;
    }
    arrived
}

fn unit_of(statement: &fettler_domain::ledger::report::Statement) -> Option<Unit> {
    use fettler_domain::ledger::report::Statement;
    match statement {
        Statement::Interval { unit, .. } | Statement::Absolute { unit, .. } => Some(*unit),
        Statement::Withdrawn => None,
    }
}

fn acknowledge(told: Told, unit: Option<Unit>, changes: &Changes) -> Acknowledged {
    let left = (told.left != Amount::ZERO).then(|| {
        // A withdrawal has no unit of its own; what it withdraws has.
        let withdrawn = || {
            let before = changes.rows.iter().filter_map(|change| change.before.as_ref());
            let mut own = before.filter(|row| row.key.id() == told.key.id());
            own.find_map(|row| unit_of(&row.content.statement))
        };
        (told.left, unit.or_else(withdrawn).unwrap_or(Unit::Hours))
    });
    Acknowledged {
        key: told.key,
        outcome: told.outcome,
        left,
        displaced: told.displaced,
        let_in: told.let_in,
    }
}

/// The state that the leaf of an arriving report holds: what it said, what became of it, and what it displaced or
/// let in.
fn state(told: &Told, content: &Canonical) -> Result<Canonical> {
    let (outcome, reason) = match &told.outcome {
        Outcome::Accepted => ("accepted", None),
        Outcome::Duplicate { reason, .. } => ("duplicate", reason.as_ref()),
        Outcome::Replaces => ("replaces", None),
        Outcome::Superseded => ("superseded", None),
        Outcome::Held { reason } => ("held", Some(reason)),
    };
    let reason = serde_json::to_value(reason).map_err(|error| unfit(&error))?;
    let canonical = |value: Value| Canonical::of(&value).map_err(|error| unfit(&error));
    let object = ObjectWriter::default()
        .value("content", content)
        .text("digest", Some(&told.key.digest.to_string()))
        .value("displaced", &canonical(keys(&told.displaced))?)
        .value("let_in", &canonical(keys(&told.let_in))?)
        .text("outcome", Some(outcome))
        .value("reason", &canonical(reason)?);
    Ok(object.end())
}

fn subject(ReportKey { source, report, revision, .. }: &ReportKey) -> String {
    format!("reports/{source}/{report}/{revision}")
}

/// Keys as the journal writes them.
pub(super) fn keys(keys: &[ReportKey]) -> Value {
    keys.iter()
        .map(|key| {
            json!({
                "source": key.source.as_str(),
                "report": key.report.as_str(),
                "revision": key.revision,
                "digest": key.digest.to_string(),
            })
        })
        .collect()
}
