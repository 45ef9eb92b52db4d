//! Fluids: additions, changes and waste, each kept as one fact, withdrawn when it or its closing is taken back.

use super::close::Subject;
use super::decode::{Reading, to_json, to_value, to_word};
use super::fluid_reads::{find, one};
use super::journal::Fact;
use super::people::speaker;
use super::readings::points;
use super::request::Keep;
use super::shelf_use::UsedInClosing;
use super::tx::Tx;
use super::withdrawal::Recorded;
use super::{machines, refresh, shelf_use, sites, withdrawal};
use crate::contract::{FluidDone, Result, Withdrawal};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::{Error, Violation};
use fettler_domain::fluid::{
    CAUTIONS, FluidAct, FluidRecord, FluidSaid, comes_out_of, goes_into, is_water, millilitres, no_reservoir,
    not_of_card, waste_findings,
};
use fettler_domain::ids::{ClosingId, OrderNumber, PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::order::{ClosingSaid, Undone};
use fettler_domain::quantity::Unit;
use fettler_domain::reading::Withdrawn;
use fettler_domain::shop::{KitItem, PointCard};
use fettler_domain::text::{Key, Name};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

const PUT: &str = "INSERT INTO fluid_entry (site, leaf, machine, reservoir, at, act, amount, closing, record) \
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)";
const WITHDRAW: &str = "UPDATE fluid_entry SET withdrawn = $3, record = $4 WHERE site = $1 AND leaf = $2";
const OF_CLOSING: &str = "SELECT leaf, record FROM fluid_entry WHERE site = $1 AND closing = $2 AND withdrawn IS NULL ORDER BY leaf";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[PUT, WITHDRAW, OF_CLOSING];

/// What becomes of an entry, as its request id keeps it.
#[derive(Serialize, Deserialize)]
struct Brought {
    entry: i64,
    remarks: Vec<String>,
}

async fn done(tx: &mut Tx, site: SiteId, brought: Brought) -> Result<FluidDone> {
    tx.flush().await?;
    Ok(FluidDone { kept: one(&mut tx.conn, site, brought.entry).await?, remarks: brought.remarks })
}

/// Records an addition, a change or waste beside work orders.
pub(super) async fn record(
    tx: &mut Tx,
    site: SiteId,
    said: FluidSaid,
    validate_only: bool,
) -> Result<FluidDone> {
    if validate_only {
        tx.undo_at_end();
    }
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(brought) = tx.replayed(site).await? {
        return done(tx, site, brought).await;
    }
    let machine = machines::number(&mut tx.conn, site, said.machine.as_str()).await?;
    let cards: Vec<PointCard> =
        points(&mut tx.conn, site, machine).await?.into_iter().map(|(_, card)| card).collect();
    let wrong: Vec<Violation> = no_reservoir("said.reservoir", &said.reservoir, &cards).into_iter().collect();
    if !wrong.is_empty() {
        return Err(Error::Invalid(wrong).into());
    }
    let by = speaker(tx, site, "said.by", &said.by).await?;
    let used = taken(tx, site, &said).await?;
    let mut findings = used.findings.clone();
    let unlike = findings_of(said.act, &said.fluid, &said.reservoir, &cards);
    let other = !unlike.is_empty();
    findings.extend(unlike);
    if said.act == FluidAct::Waste {
        findings.extend(waste_findings(said.route.as_deref(), said.document.as_deref()));
    }
    let lots = used.lots().into_iter().map(|used| used.lot).collect();
    let subject = format!("machines/{machine}/reservoirs/{}", said.reservoir);
    let issued = shelf_use::put_by_hand(tx, site, used, &subject, by).await?;
    let record = FluidRecord {
        machine,
        reservoir: said.reservoir,
        act: said.act,
        fluid: said.fluid,
        amount: said.amount,
        lots,
        route: said.route,
        document: said.document,
        at: said.at,
        entered_at: tx.caller.now,
        by,
        order: None,
        closing: None,
        issued,
        other,
        findings: findings.clone(),
        withdrawn: None,
    };
    let entry = put(tx, site, &record, Some(said.note).filter(|note| !note.is_empty())).await?;
    refresh::machines(tx, site, &BTreeSet::from([machine])).await?;
    let remarks = findings.into_iter().chain(CAUTIONS.map(str::to_owned)).collect();
    let brought = Brought { entry, remarks };
    tx.remember(site, &brought, Some(entry), Keep::ForEver).await?;
    tx.forget_machines([machine]);
    done(tx, site, brought).await
}

/// What is taken off the shelf for it; water comes from the tap.
async fn taken(tx: &mut Tx, site: SiteId, said: &FluidSaid) -> Result<UsedInClosing> {
    if said.act == FluidAct::Waste || is_water(&said.fluid) {
        return Ok(UsedInClosing::default());
    }
    let item = KitItem {
        item: said.fluid.clone(),
        quantity: said.amount.to_text(Unit::Litres, 3),
        unit: "L".to_owned(),
        lot: said.lot.clone(),
        into: None,
    };
    shelf_use::said_in_closing(tx, site, &[item], said.at).await
}

/// That what was poured is not the fluid of the machine's card.
fn findings_of(act: FluidAct, fluid: &Name, reservoir: &Key, points: &[PointCard]) -> Vec<String> {
    if act == FluidAct::Waste {
        return Vec::new();
    }
    let of_card = points.iter().filter(|point| point.reservoir.as_ref() == Some(reservoir));
    let unlike: BTreeSet<String> =
        of_card.filter_map(|point| not_of_card(fluid.as_str(), &point.fluid)).collect();
    unlike.into_iter().collect()
}

/// What a closing pours and takes out, ready to be kept, and what was not as it should be about it.
#[derive(Default)]
pub(super) struct InClosing {
    pub(super) records: Vec<FluidRecord>,
    pub(super) findings: Vec<String>,
}

/// Reads what a closing says of fluids. One that says nothing of them costs no statement.
pub(super) async fn said_in_closing(
    tx: &mut Tx,
    site: SiteId,
    own: &Subject,
    said: &ClosingSaid,
    by: PersonId,
) -> Result<InClosing> {
    let mut all = InClosing::default();
    if said.used.is_empty() && said.waste.is_empty() {
        return Ok(all);
    }
    let cards: Vec<PointCard> =
        points(&mut tx.conn, site, own.machine).await?.into_iter().map(|(_, card)| card).collect();
    let plain = |reservoir: Key, act: FluidAct, fluid: Name, amount| FluidRecord {
        machine: own.machine,
        reservoir,
        act,
        fluid,
        amount,
        lots: Vec::new(),
        route: None,
        document: None,
        at: said.done_at,
        entered_at: tx.caller.now,
        by,
        order: Some(own.order),
        closing: None,
        issued: None,
        other: false,
        findings: Vec::new(),
        withdrawn: None,
    };
    for used in &said.used {
        let Some(into) = goes_into(used, own.card.as_ref(), &cards) else { continue };
        if let Some(wrong) = no_reservoir("used", &into.reservoir, &cards) {
            all.findings.push(format!("{} is in no record of fluids: {}", used.item, wrong.text));
            continue;
        }
        let Some(amount) = millilitres(&used.quantity, &used.unit) else {
            // What goes beside the oil, a filter or a rag, is no fluid.
            if used.into.is_some() {
                all.findings.push(format!("{} is not said in L, so no record of fluids has it", used.item));
            }
            continue;
        };
        let act = if into.change { FluidAct::Changed } else { FluidAct::Added };
        let findings = findings_of(act, &used.item, &into.reservoir, &cards);
        all.findings.extend(findings.iter().cloned());
        let record = plain(into.reservoir, act, used.item.clone(), amount);
        all.records.push(FluidRecord { other: !findings.is_empty(), findings, ..record });
    }
    let mut wrong = Vec::new();
    for (i, waste) in said.waste.iter().enumerate() {
        let field = format!("waste[{i}].reservoir");
        let found = waste.reservoir.clone().map_or_else(|| comes_out_of(own.card.as_ref(), &cards), Ok);
        match found {
            Err(text) => wrong.push(Violation::new(&field, text)),
            Ok(reservoir) => {
                wrong.extend(no_reservoir(&field, &reservoir, &cards));
                let findings = waste_findings(waste.route.as_deref(), waste.document.as_deref());
                all.findings.extend(findings.iter().cloned());
                let (route, document) = (waste.route.clone(), waste.document.clone());
                let record = plain(reservoir, FluidAct::Waste, waste.kind.clone(), waste.amount);
                all.records.push(FluidRecord { route, document, findings, ..record });
            }
        }
    }
    if wrong.is_empty() { Ok(all) } else { Err(Error::Invalid(wrong).into()) }
}

/// Keeps what a closing poured and took out, one fact each.
pub(super) async fn put_of_closing(
    tx: &mut Tx,
    site: SiteId,
    fluids: InClosing,
    closing: ClosingId,
    lots: &[fettler_domain::order::LotUsed],
) -> Result<()> {
    for record in fluids.records {
        let of = lots.iter().filter(|used| used.item == record.fluid).map(|used| used.lot.clone());
        let record = FluidRecord { closing: Some(closing), lots: of.collect(), ..record };
        put(tx, site, &record, None).await?;
    }
    Ok(())
}

/// Withdraws what a closing that is undone had poured and taken out.
pub(super) async fn undo_of_closing(
    tx: &mut Tx,
    site: SiteId,
    closing: ClosingId,
    undone: &Undone,
) -> Result<()> {
    let rows =
        sqlx::query(OF_CLOSING).bind(i64::from(site.0)).bind(closing.0).fetch_all(&mut tx.conn).await?;
    for row in &rows {
        let mut row = Reading::new(row, "fluid_entry");
        let (entry, record) = (row.next()?, row.json("record")?);
        mark(tx, site, entry, record, undone.into()).await?;
    }
    Ok(())
}

/// Withdraws an entry; what it took off the shelf is given back.
pub(super) async fn withdraw(tx: &mut Tx, site: SiteId, ask: Withdrawal) -> Result<FluidDone> {
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(brought) = tx.replayed(site).await? {
        return done(tx, site, brought).await;
    }
    let kept = find(&mut tx.conn, site, ask.entry).await?;
    let by = speaker(tx, site, "by", &ask.by).await?;
    let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
    may_be_withdrawn(ask.entry, &kept.record, &calendar)?;
    let (machine, issued) = (kept.record.machine, kept.record.issued);
    let withdrawn = Withdrawn { at: tx.caller.now, by, reason: ask.reason };
    let leaf = mark(tx, site, ask.entry, kept.record, withdrawn).await?;
    let remarks = match issued {
        Some(use_leaf) => shelf_use::give_back_by_hand(tx, site, use_leaf, by).await?,
        None => Vec::new(),
    };
    refresh::machines(tx, site, &BTreeSet::from([machine])).await?;
    let brought = Brought { entry: ask.entry, remarks };
    tx.remember(site, &brought, Some(leaf), Keep::AWhile).await?;
    tx.forget_machines([machine]);
    done(tx, site, brought).await
}

fn may_be_withdrawn(entry: i64, record: &FluidRecord, calendar: &Calendar) -> Result<()> {
    let subject = format!("entry {entry}");
    match (&record.withdrawn, record.order) {
        (Some(withdrawn), _) => {
            Err(withdrawal::twice("FLUID_WITHDRAWN", subject, withdrawn, calendar).into())
        }
        (None, Some(OrderNumber(order))) => {
            let remedy = format!("`fettler undo {order}` takes back the closing with all it said");
            let text = format!("entry {entry} came with the closing of order {order}; {remedy}");
            Err(Error::WrongState { reason: "FLUID_OF_CLOSING", subject, text }.into())
        }
        (None, None) => Ok(()),
    }
}

fn subject(record: &FluidRecord) -> String {
    format!("machines/{}/reservoirs/{}", record.machine, record.reservoir)
}

/// Writes an entry with its leaf, whose number it gets.
async fn put(tx: &mut Tx, site: SiteId, record: &FluidRecord, note: Option<String>) -> Result<i64> {
    let fact = Fact {
        kind: Kind::FluidRecorded,
        subject: subject(record),
        person: Some(record.by),
        after: to_value(record)?,
        before: None,
        sealed: note.map(|note| ("note", note)),
    };
    let leaf = tx.append(site, fact)?;
    sqlx::query(PUT)
        .bind(i64::from(site.0))
        .bind(leaf)
        .bind(record.machine.0)
        .bind(record.reservoir.as_str())
        .bind(record.at.0)
        .bind(to_word(&record.act)?)
        .bind(record.amount.0)
        .bind(record.closing.map(|closing| closing.0))
        .bind(to_json(record)?)
        .execute(&mut tx.conn)
        .await?;
    Ok(leaf)
}

/// Marks an entry as withdrawn, as a fact of its own; the reason stands sealed.
async fn mark(
    tx: &mut Tx,
    site: SiteId,
    entry: i64,
    record: FluidRecord,
    withdrawn: Withdrawn,
) -> Result<i64> {
    let (kind, subject) = (Kind::FluidWithdrawn, subject(&record));
    let what = Recorded { kind, subject, field: "entry", entry, record: &record };
    let leaf = withdrawal::append(tx, site, what, &withdrawn)?;
    let record = FluidRecord { withdrawn: Some(withdrawn), ..record };
    sqlx::query(WITHDRAW)
        .bind(i64::from(site.0))
        .bind(entry)
        .bind(leaf)
        .bind(to_json(&record)?)
        .execute(&mut tx.conn)
        .await?;
    Ok(leaf)
}
