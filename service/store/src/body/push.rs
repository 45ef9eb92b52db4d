//! Taking reports: judged as a batch beside the rows they can touch, each new one with a leaf of its own, and the plan
//! of the touched machines computed in the same transaction.

use super::apply::{Absorbed, Turnovers};
use super::journal::{Made, unfit};
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
use fettler_domain::ledger::report::{Content, Received, ReportId, ReportKey, Statement};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::time::Ts;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet, HashMap};

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
    let mut taking = Taking { site, declarations: &declarations, now, touched: BTreeSet::new() };
    let mut acknowledged = Vec::with_capacity(arrivals.len());
    let mut parts = parts(arrivals);
    let last = parts.pop().unwrap_or_default();
    for part in parts {
        let mut judged = taking.judge(tx, &mut mind, part).await?;
        let absorbed = judged.absorb(&mut mind);
        judged.write(tx, site, &absorbed).await?;
        apply::look_up(&mut tx.conn, site, &mut mind, &absorbed).await?;
        acknowledged.extend(judged.told(tx, site, &declarations).await?);
    }
    let mut judged = taking.judge(tx, &mut mind, last).await?;
    let machines = apply::machines_of(&declarations, &taking.touched);
    let as_of = mind.calendar.shop_day_of(now);
    refresh::know(&mut tx.conn, &mut mind, &machines, as_of).await?;
    let absorbed = judged.absorb(&mut mind);
    let planning = if absorbed.is_whole() {
        let planning = refresh::begin(mind, machines, as_of);
        judged.write(tx, site, &absorbed).await?;
        planning
    } else {
        judged.write(tx, site, &absorbed).await?;
        apply::look_up(&mut tx.conn, site, &mut mind, &absorbed).await?;
        refresh::begin(mind, machines, as_of)
    };
    acknowledged.extend(judged.told(tx, site, &declarations).await?);
    tx.write_leaves(site).await?;
    let mind = planning.write(&mut tx.conn, site).await?;
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

/// A push being taken.
struct Taking<'d> {
    site: SiteId,
    declarations: &'d Declarations,
    now: Ts,
    /// The meters that count otherwise than before.
    touched: BTreeSet<MeterId>,
}

/// A part of a push that was judged, while its leaves are made.
struct Judged<F> {
    changes: Changes,
    turnovers: Turnovers,
    arrived: Arrived,
    units: Vec<Option<Unit>>,
    leaves: F,
}

impl Taking<'_> {
    /// Judges one part, beside the meters that it touches, and begins to make its leaves.
    async fn judge(
        &mut self,
        tx: &mut Tx,
        mind: &mut Mind,
        part: Vec<Arrival>,
    ) -> Result<Judged<impl Future<Output = Result<(Vec<Told>, Made)>> + use<>>> {
        let (callers, reports): (Vec<Caller>, Vec<Received>) = part.into_iter().unzip();
        let contents: Vec<Content> = reports.iter().map(|report| report.content.clone()).collect();
        let units: Vec<Option<Unit>> = contents.iter().map(|content| unit_of(&content.statement)).collect();
        let mut batch = Batch::arriving(self.declarations, reports);
        let mut changes = ledger::judge(&mut tx.conn, self.site, &mut batch, self.now).await?;
        let told = std::mem::take(&mut changes.told);
        let mut made = tx.leaves_beside(self.site)?;
        let arrived = arrived(made.next(), &told, &callers);
        let leaves = beside(move || {
            for ((told, caller), content) in told.iter().zip(&callers).zip(&contents) {
                if !is_duplicate(told) {
                    made.arrival(caller, subject(&told.key), state(told, &content.canonical())?)?;
                }
            }
            Ok((told, made))
        });
        let turnovers = apply::turnovers(&changes);
        mind.know_meters(&mut tx.conn, turnovers.keys().copied()).await?;
        self.touched.extend(turnovers.keys());
        Ok(Judged { changes, turnovers, arrived, units, leaves })
    }
}

impl<F: Future<Output = Result<(Vec<Told>, Made)>>> Judged<F> {
    /// Takes what changed into the mind.
    fn absorb(&mut self, mind: &mut Mind) -> Absorbed {
        apply::absorb(mind, &self.changes, std::mem::take(&mut self.turnovers))
    }

    /// Writes the rows that changed.
    async fn write(&self, tx: &mut Tx, site: SiteId, absorbed: &Absorbed) -> Result<()> {
        apply::write(&mut tx.conn, site, &self.changes, &self.arrived, absorbed).await
    }

    /// Takes the leaves, and gives what each report is told.
    async fn told(self, tx: &mut Tx, site: SiteId, declarations: &Declarations) -> Result<Vec<Acknowledged>> {
        let (told, made) = self.leaves.await?;
        tx.take_leaves(site, made)?;
        // A push has few sources: what is to be said of each is found once.
        let sources: BTreeSet<_> = told.iter().map(|told| &told.key.source).collect();
        let remarks: BTreeMap<_, _> = sources
            .into_iter()
            .filter_map(|source| Some((source.clone(), declarations.of_undeclared(source)?)))
            .collect();
        let told = told.into_iter().zip(self.units).map(|(told, unit)| {
            let remark = remarks.get(&told.key.source).cloned();
            acknowledge(told, unit, &self.changes, remark)
        });
        Ok(told.collect())
    }
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

fn unit_of(statement: &Statement) -> Option<Unit> {
    match statement {
        Statement::Interval { unit, .. } | Statement::Absolute { unit, .. } => Some(*unit),
        Statement::Withdrawn => None,
    }
}

fn acknowledge(told: Told, unit: Option<Unit>, changes: &Changes, remark: Option<String>) -> Acknowledged {
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
        remarks: remark.into_iter().collect(),
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

/// What the entry of an arriving report is about.
pub(super) fn subject(ReportKey { source, report, revision, .. }: &ReportKey) -> String {
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
