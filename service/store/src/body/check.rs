//! Whether a store is whole: what is stored twice is compared, and what follows from something is worked out again.

use super::journal::Fact;
use super::store::SqlStore;
use super::tx::Tx;
use super::{check_closings, check_journal, check_ledger, check_plan, copy, dialect, entries};
use crate::contract::{KeptNote, Part, Restore, Result, StoreError};
use crate::copy::TABLES;
use fettler_domain::ids::SiteId;
use fettler_domain::journal::lineage::{Opening, Stand};
use fettler_domain::journal::note::Verify;
use fettler_domain::journal::proof::Head;
use fettler_domain::journal::{Hash, Kind};
use sqlx::Row as _;

/// Rows that are read at once.
const ROWS: usize = 2_000;

/// What to do where the file or database itself is damaged.
const RESTORE: &str =
    "stop the service, keep what is there, and restore the newest backup that `fettlerd check` finds whole";

/// Checks everything.
pub(super) async fn check(store: &SqlStore, notes: &[KeptNote], verify: Verify) -> Result<Vec<Part>> {
    let mut parts = vec![engine(store).await?];
    if !parts[0].faults.is_empty() {
        // What is read from a damaged file says nothing.
        return Ok(parts);
    }
    let heads = entries::heads(&mut *store.read().await?).await?;
    let mut arrivals = Vec::new();
    for (site, head) in heads {
        match check_journal::check(store, site, notes, verify).await {
            Ok(checked) => {
                arrivals.push((site, Some((head.size.min(checked.size), checked.arrivals))));
                parts.push(checked.part);
            }
            unread => {
                arrivals.push((site, None));
                let part = or_fault("journal", site, unread.map(|checked| checked.part))?;
                parts.push(part);
            }
        }
    }
    for (site, journal) in arrivals {
        if site == SiteId::INSTALLATION {
            continue;
        }
        // Where the journal itself cannot be read, there is nothing to hold these against.
        if let Some((size, arrived)) = journal {
            let closings = check_closings::check(store, site, size).await;
            parts.push(or_fault("closings", site, closings)?);
            let ledger = check_ledger::check(store, site, (size, arrived)).await;
            parts.push(or_fault("ledger", site, ledger)?);
        }
        parts.push(or_fault("plan", site, check_plan::check(store, site).await)?);
    }
    Ok(parts)
}

/// A part, or that what is stored of it cannot be read: a fault like others, so that the other parts are looked at all the same.
fn or_fault(name: &'static str, site: SiteId, looked: Result<Part>) -> Result<Part> {
    match looked {
        Err(error @ StoreError::Corrupt { .. }) => {
            let mut part = Part::new(name, Some(site));
            part.seen = "not read to its end".into();
            part.fault(error.to_string(), RESTORE);
            Ok(part)
        }
        looked => looked,
    }
}

/// The engine's own check, and each row of each table read once.
async fn engine(store: &SqlStore) -> Result<Part> {
    let mut part = Part::new("database", None);
    let mut conn = store.read().await?;
    for (statement, what) in dialect::OWN_CHECKS {
        let rows = match sqlx::query(*statement).fetch_all(&mut *conn).await {
            Ok(rows) => rows,
            Err(error) => {
                part.fault(format!("{what} cannot be done: {error}"), RESTORE);
                continue;
            }
        };
        for row in &rows {
            // The one says in words what is wrong, or that all is well; the other names the table whose row names none.
            let said: String = row.try_get(0)?;
            if said != dialect::ALL_IS_WELL {
                part.fault(format!("{what} says: {said}"), RESTORE);
            }
        }
    }
    if !part.faults.is_empty() {
        return Ok(part);
    }
    let mut rows = 0;
    for table in TABLES {
        let mut after = None;
        loop {
            let read = match copy::read(&mut conn, table, after.as_deref(), ROWS).await {
                Ok(read) => read,
                Err(error) => {
                    part.fault(format!("table {} cannot be read: {error}", table.name), RESTORE);
                    break;
                }
            };
            let Some(last) = read.last() else { break };
            rows += read.len();
            after = Some(last[..table.key].to_vec());
        }
    }
    part.seen = format!("{}; {rows} rows of {} tables read", dialect::OWN_CHECK_IN_WORDS, TABLES.len());
    Ok(part)
}

/// Opens a lineage in each journal.
pub(super) async fn open_lineages(tx: &mut Tx, restore: Restore) -> Result<Vec<(SiteId, Opening)>> {
    let heads = entries::heads(&mut tx.conn).await?;
    let mut opened = Vec::with_capacity(heads.len());
    // The installation's number is the smallest, and it is taken before all others.
    for (site, head) in heads {
        tx.take(site).await?;
        if restore.lineage <= head.lineage {
            return Err(StoreError::Conflict);
        }
        let opening = Opening {
            number: head.size,
            lineage: restore.lineage,
            at: tx.caller.now,
            backup: Stand { lineage: head.lineage, head: Head { size: head.size, root: Hash(head.root) } },
            made_at: restore.made_at,
            cites: restore.cites.get(&site).copied(),
        };
        tx.head(site)?.lineage = restore.lineage;
        let (subject, after) = (opening.subject(), opening.state());
        let kind = Kind::JournalRestored;
        tx.append(site, Fact { kind, subject, person: None, after, before: None, sealed: None })?;
        opened.push((site, opening));
    }
    Ok(opened)
}
