//! Readings that closings say: judged before the closing is recorded, kept with it, withdrawn when it is undone.

use super::decode::Reading;
use super::fluid_reads::judged_by;
use super::readings::{before, mark, points, put};
use super::tx::Tx;
use crate::contract::Result;
use fettler_domain::error::{Error, Violation};
use fettler_domain::ids::{ClosingId, MachineId, PersonId, PointId, SiteId};
use fettler_domain::near;
use fettler_domain::order::{ClosingSaid, Undone};
use fettler_domain::reading::ask::{Odd, OddKind, Told, judge};
use fettler_domain::reading::{ReadingRecord, Step, with_sign};

const OF_CLOSING: &str =
    "SELECT leaf, record FROM reading WHERE site = $1 AND closing = $2 AND withdrawn IS NULL ORDER BY leaf";

/// How a reading that looks like a slip is asked back.
const CONFIRM_READING: &str = "if it is so, confirm the reading";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[OF_CLOSING];

/// A reading that is said in a closing, judged and ready to be kept.
pub(super) struct Said {
    point: PointId,
    record: ReadingRecord,
}

/// Judges what a closing says was read; what looks like a slip is asked back, field by field, a key that is no test point of the
/// machine too. Confirmed, that is no reading; the closing notes it as a finding.
pub(super) async fn said_in_closing(
    tx: &mut Tx,
    site: SiteId,
    (machine, tag): (MachineId, &str),
    said: &ClosingSaid,
    by: PersonId,
) -> Result<Vec<Said>> {
    let points = points(&mut tx.conn, site, machine).await?;
    let (mut all, mut wrong) = (Vec::new(), Vec::new());
    for (i, reading) in said.readings.iter().enumerate() {
        let Some((point, card)) = points.iter().find(|(_, card)| card.key == reading.point) else {
            if !reading.confirmed {
                let keys = points.iter().map(|(_, card)| card.key.as_str());
                wrong.push(no_point(i, reading.point.as_str(), tag, keys));
            }
            continue;
        };
        let unit = reading.unit.as_deref().unwrap_or_default();
        let has_record = said.certificate.is_some();
        let told = Told { value: &reading.value, unit, at: said.done_at, has_record };
        let field = |of: &str| format!("readings[{i}].{of}");
        let before = before(&mut tx.conn, site, *point, card, said.done_at).await?;
        let card = &judged_by(&mut tx.conn, site, machine, card).await?;
        match judge(card, told, before) {
            Err(violation) => wrong.push(Violation { field: field(&violation.field), ..violation }),
            Ok(judged) => {
                if !reading.confirmed {
                    wrong.extend(judged.odd.iter().map(|odd| asked_back(odd, &field(&odd.field))));
                }
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
                all.push(Said { point: *point, record });
            }
        }
    }
    if wrong.is_empty() { Ok(all) } else { Err(Error::Invalid(wrong).into()) }
}

/// Asks a reading back whose key is no test point of the machine, with those that may be meant.
fn no_point<'a>(at: usize, key: &str, tag: &str, keys: impl Iterator<Item = &'a str> + Clone) -> Violation {
    let meant = near::remedy(key, keys, &format!("{tag} has"));
    let text = format!("`{key}` is no test point of {tag}: {meant}; {CONFIRM_READING}");
    Violation::new(format!("readings[{at}].point"), text)
}

fn asked_back(odd: &Odd, field: &str) -> Violation {
    Violation::new(field, format!("{}; {CONFIRM_READING}", odd.text))
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
