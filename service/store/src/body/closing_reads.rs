//! Readings that closings say: judged before the closing is recorded, kept with it, withdrawn when it is undone.

use super::decode::Reading;
use super::fluid_reads::judged_by;
use super::readings::{before, mark, put};
use super::tx::Tx;
use crate::contract::Result;
use fettler_domain::error::{Error, Violation};
use fettler_domain::ids::{ClosingId, MachineId, PersonId, PointId, SiteId};
use fettler_domain::order::{ClosingSaid, Undone};
use fettler_domain::reading::ask::{Odd, OddKind, Told, judge};
use fettler_domain::reading::{ReadingRecord, Step, with_sign};
use fettler_domain::shop::PointCard;

const OF_CLOSING: &str =
    "SELECT leaf, record FROM reading WHERE site = $1 AND closing = $2 AND withdrawn IS NULL ORDER BY leaf";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[OF_CLOSING];

/// A reading that is said in a closing, judged and ready to be kept.
pub(super) struct Said {
    point: PointId,
    record: ReadingRecord,
}

/// What a closing says was read, judged.
#[derive(Default)]
pub(super) struct Read {
    /// The readings, ready to be kept.
    pub(super) said: Vec<Said>,
    /// What is odd about them, by their places in the closing.
    pub(super) odd: Vec<(usize, Odd)>,
}

/// Judges what a closing says was read at a machine's test points; refused is only what cannot be read as a number, field by field. What
/// was read where there is no test point is no reading; the closing notes it as a finding.
pub(super) async fn said_in_closing(
    tx: &mut Tx,
    site: SiteId,
    (machine, points): (MachineId, &[(PointId, PointCard)]),
    said: &ClosingSaid,
    by: PersonId,
) -> Result<Read> {
    let (mut read, mut wrong) = (Read::default(), Vec::new());
    for (i, reading) in said.readings.iter().enumerate() {
        let Some((point, card)) = points.iter().find(|(_, card)| card.key == reading.point) else { continue };
        let unit = reading.unit.as_deref().unwrap_or_default();
        let has_record = said.certificate.is_some();
        let told = Told { value: &reading.value, unit, at: said.done_at, has_record };
        let before = before(&mut tx.conn, site, *point, card, said.done_at).await?;
        let card = &judged_by(&mut tx.conn, site, machine, card).await?;
        match judge(card, told, before) {
            Err(violation) => {
                let field = format!("readings[{i}].{}", violation.field);
                wrong.push(Violation { field, ..violation });
            }
            Ok(judged) => {
                let record = ReadingRecord {
                    machine,
                    point: reading.point.clone(),
                    at: said.done_at,
                    entered_at: tx.caller.now,
                    by,
                    value: judged.value,
                    unit: card.unit.clone(),
                    said_value: reading.value.clone(),
                    said_unit: unit.to_owned(),
                    limits: card.limits,
                    beyond: judged.beyond,
                    confirmed: judged.odd.iter().map(|odd| odd.kind).collect(),
                    electrician_record: said.certificate.clone().filter(|_| !card.taker.is_anyone()),
                    closing: None,
                    withdrawn: None,
                };
                read.odd.extend(judged.odd.into_iter().map(|odd| (i, odd)));
                read.said.push(Said { point: *point, record });
            }
        }
    }
    if wrong.is_empty() { Ok(read) } else { Err(Error::Invalid(wrong).into()) }
}

/// What a closing's readings find.
pub(super) fn findings(said: &[Said]) -> impl Iterator<Item = String> + '_ {
    said.iter().flat_map(|Said { record, .. }| {
        let value = record.value.map(|value| with_sign(value, record.sign())).unwrap_or_default();
        let out = record.beyond.map(|beyond| {
            let stop = if beyond.step == Step::Stop {
                "; stop the machine until somebody competent has looked"
            } else {
                ""
            };
            format!("{} {value}, {}{stop}", record.point, beyond.in_words(record.sign()))
        });
        let odd = record.confirmed.contains(&OddKind::Impossible);
        let odd = odd.then(|| format!("{} {value}, beyond what it can show, said to be so", record.point));
        let unlicensed = record.confirmed.contains(&OddKind::NotLicensed);
        let unlicensed =
            unlicensed.then(|| format!("{} taken without a licensed electrician's record", record.point));
        out.into_iter().chain(odd).chain(unlicensed)
    })
}

/// Those that are beyond a stop limit.
pub(super) fn beyond_stop(said: &[Said]) -> Vec<ReadingRecord> {
    let is_stop = |record: &&ReadingRecord| record.beyond.is_some_and(|beyond| beyond.step == Step::Stop);
    said.iter().map(|said| &said.record).filter(is_stop).cloned().collect()
}

/// Keeps the readings of a closing, one fact each.
pub(super) async fn put_of_closing(
    tx: &mut Tx,
    site: SiteId,
    said: Vec<Said>,
    closing: ClosingId,
) -> Result<()> {
    for Said { point, record } in said {
        let record = ReadingRecord { closing: Some(closing), ..record };
        put(tx, site, point, &record, None).await?;
    }
    Ok(())
}

/// Withdraws the readings of a closing that is undone.
pub(super) async fn undo_of_closing(
    tx: &mut Tx,
    site: SiteId,
    closing: ClosingId,
    undone: &Undone,
) -> Result<()> {
    let rows =
        sqlx::query(OF_CLOSING).bind(i64::from(site.0)).bind(closing.0).fetch_all(&mut tx.conn).await?;
    for row in &rows {
        let mut row = Reading::new(row, "reading");
        let (entry, record) = (row.next()?, row.json("record")?);
        mark(tx, site, entry, record, undone.into()).await?;
    }
    Ok(())
}
