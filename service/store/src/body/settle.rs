//! Settling held reports: a manager's word on one statement, which stands above all judging.

use super::decode::to_value;
use super::ledger::{self, Arrived};
use super::people::speaker;
use super::push::keys;
use super::request::Keep;
use super::tx::Tx;
use super::{apply, journal, reports};
use crate::contract::{Result, Settled, StoreError};
use fettler_domain::error::Error;
use fettler_domain::ids::SiteId;
use fettler_domain::journal::Kind;
use fettler_domain::ledger::batch::Batch;
use fettler_domain::ledger::changes::Changes;
use fettler_domain::ledger::report::{Digest, ReportId, ReportKey};
use fettler_domain::ledger::row::{Row, Settlement, State};
use fettler_domain::text::{ForeignName, Name};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

/// A settlement that is asked for.
pub(super) struct Ask {
    /// Whose report.
    pub(super) source: ForeignName,
    /// Which report.
    pub(super) report: ForeignName,
    /// Which revision.
    pub(super) revision: u32,
    /// Which content; none when only one is known.
    pub(super) digest: Option<[u8; 32]>,
    /// What is decided.
    pub(super) settlement: Settlement,
    /// By whom.
    pub(super) by: Name,
    /// Why.
    pub(super) note: String,
}

/// Settles a held report.
pub(super) async fn settle(tx: &mut Tx, site: SiteId, ask: Ask) -> Result<Settled> {
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(Brought { entry, displaced, let_in }) = tx.replayed(site).await? {
        let report = reports::one(&mut tx.conn, site, entry).await?;
        return Ok(Settled { report, displaced, let_in });
    }
    let id = ReportId { source: ask.source.clone(), report: ask.report.clone() };
    let rows = ledger::of_report(&mut tx.conn, site, &id).await?;
    let (row, entry) = chosen(rows, &ask)?;
    if matches!(row.state, State::Superseded | State::Withdrawn) {
        return Err(StoreError::Refused(Error::WrongState {
            reason: "REPORT_NOT_STANDING",
            subject: named(&row.key),
            text: format!(
                "report {} does not stand any more; settle its newest revision instead",
                named(&row.key)
            ),
        }));
    }
    let person = speaker(tx, site, "by", &ask.by).await?;
    let mut mind = tx.mind(site).await?;
    let declarations = mind.declarations(&mut tx.conn).await?;
    let mut batch = Batch::settling(&declarations, [(row.key.clone(), ask.settlement)]);
    let now = tx.caller.now;
    let changes = ledger::judge(&mut tx.conn, site, &mut batch, now).await?;
    let (displaced, let_in) = others(&changes, &row.key);
    let after = changes.rows.iter().find(|change| change.after.key == row.key).map(|change| &change.after);
    let fact = journal::Fact {
        kind: Kind::ReportSettled,
        subject: format!("reports/{}", named(&row.key)),
        person: Some(person),
        after: state(after.unwrap_or(&row), ask.settlement, &displaced, &let_in)?,
        before: None,
        sealed: (!ask.note.is_empty()).then_some(("note", ask.note)),
    };
    let leaf = tx.append(site, fact)?;
    let touched = apply::apply(&mut tx.conn, site, &mut mind, &changes, &Arrived::new()).await?;
    apply::plan_of(&mut tx.conn, site, &mut mind, &declarations, &touched, now).await?;
    tx.keep_mind(mind)?;
    let brought = Brought { entry, displaced, let_in };
    tx.remember(site, &brought, Some(leaf), Keep::AWhile).await?;
    let report = reports::one(&mut tx.conn, site, entry).await?;
    Ok(Settled { report, displaced: brought.displaced, let_in: brought.let_in })
}

/// What a settlement brought about, as its request id keeps it.
#[derive(Serialize, Deserialize)]
struct Brought {
    /// The arrival of the report.
    entry: i64,
    displaced: Vec<ReportKey>,
    let_in: Vec<ReportKey>,
}

/// The statement that is meant.
fn chosen(rows: Vec<(Row, i64)>, ask: &Ask) -> Result<(Row, i64)> {
    let digest = ask.digest.map(Digest);
    let mut meant = rows.into_iter().filter(|(row, _)| {
        row.key.revision == ask.revision && digest.is_none_or(|digest| row.key.digest == digest)
    });
    let first = meant.next().ok_or_else(|| Error::NotFound {
        kind: "report",
        name: format!("{}/{}/{}", ask.source, ask.report, ask.revision),
        remedy: "`fettler hours list` shows those there are".into(),
    })?;
    match meant.next() {
        None => Ok(first),
        Some((second, _)) => {
            let (a, b) = (first.0.key.digest, second.key.digest);
            let text = format!("is needed, as this revision came with several contents ({a}, {b}, ...)");
            Err(Error::invalid("digest", text).into())
        }
    }
}

fn named(key: &ReportKey) -> String {
    format!("{}/{}/{}", key.source, key.report, key.revision)
}

/// Other statements that no longer count, and those that count now.
fn others(changes: &Changes, own: &ReportKey) -> (Vec<ReportKey>, Vec<ReportKey>) {
    let (mut displaced, mut let_in) = (Vec::new(), Vec::new());
    for change in changes.rows.iter().filter(|change| change.after.key != *own) {
        match (change.before.as_ref().is_some_and(Row::counts), change.after.counts()) {
            (true, false) => displaced.push(change.after.key.clone()),
            (false, true) => let_in.push(change.after.key.clone()),
            (true, true) | (false, false) => {}
        }
    }
    (displaced, let_in)
}

/// The state that the journal keeps.
fn state(row: &Row, settlement: Settlement, displaced: &[ReportKey], let_in: &[ReportKey]) -> Result<Value> {
    Ok(json!({
        "digest": row.key.digest.to_string(),
        "settlement": to_value(&settlement)?,
        "state": to_value(&row.state)?,
        "reason": to_value(&row.reason)?,
        "displaced": keys(displaced),
        "let_in": keys(let_in),
    }))
}
