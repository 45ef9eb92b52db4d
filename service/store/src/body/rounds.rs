//! What was seen at the checks of a machine: recorded, with its readings and the orders that findings raise.

use super::decode::{Reading, to_json};
use super::ending::Raising;
use super::journal::{Fact, digest_of};
use super::machines::{self, Named};
use super::orders::RaisedCard;
use super::people::speaker;
use super::raised::By;
use super::readings::{self, Became};
use super::request::Keep;
use super::round_reads::{checks_of, round_at, sheets};
use super::shop_state::MachineExtra;
use super::tx::Tx;
use super::{Conn, ending, raised, refresh, sites};
use crate::contract::{MachineState, Result, StoreError};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Violation;
use fettler_domain::ids::{MachineId, OrderNumber, PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::order::RaiseSaid;
use fettler_domain::reading::ask::{Odd, OddKind};
use fettler_domain::reading::{ReadingTold, Step, with_sign};
use fettler_domain::round::answer::{
    AnswerRecord, AnswerSaid, ChecksSaid, Recorded, keep, order_title, value_text,
};
use fettler_domain::round::{Round, meant, starting};
use fettler_domain::shop::check::CheckCard;
use fettler_domain::shop::suggest::remedy;
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::Ts;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

const CARD: &str = "SELECT card FROM machine WHERE site = $1 AND number = $2";
const RECORD: &str = "SELECT answers FROM round_record WHERE site = $1 AND shift = $2 AND machine = $3";
const PUT: &str = "INSERT INTO round_record (site, shift, machine, answers, leaf) VALUES ($1, $2, $3, $4, $5) \
    ON CONFLICT (site, shift, machine) DO UPDATE SET answers = excluded.answers, leaf = excluded.leaf";
#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[CARD, RECORD, PUT];

/// What became of answers, as their request id keeps it.
#[derive(Serialize, Deserialize)]
struct Kept {
    round: Round,
    recorded: Vec<Recorded>,
}

/// A machine whose checks are answered.
struct Of {
    machine: MachineId,
    tag: Key,
    retired: bool,
    checks: BTreeMap<Key, CheckCard>,
    by: PersonId,
    by_name: Name,
}

/// An answer that stands, its reading taken.
struct Standing<'s> {
    place: usize,
    said: &'s AnswerSaid,
    reading: Option<i64>,
}

/// The round of a shift that is named, where the calendar has it still; else the one that is meant at an instant.
fn round_of(calendar: &Calendar, shift: Option<Ts>, at: Ts) -> Result<Round> {
    match shift.and_then(|shift| starting(calendar, shift)) {
        Some(round) => Ok(round),
        None => round_at(calendar, at),
    }
}

/// Records what was seen at the checks of a machine.
pub(super) async fn record(tx: &mut Tx, site: SiteId, said: ChecksSaid) -> Result<(Round, Vec<Recorded>)> {
    tx.forget_machines([]);
    tx.take(site).await?;
    if let Some(Kept { round, recorded }) = tx.replayed(site).await? {
        return Ok((round, recorded));
    }
    let of = machine(tx, site, &said).await?;
    let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
    let first = said.answers.first().map_or(tx.caller.now, |answer| answer.at);
    let round = round_of(&calendar, said.shift, first)?;
    let stood = answers(&mut tx.conn, site, &round, of.machine).await?;
    let mut after = stood.clone().unwrap_or_default();
    let mut recorded = vec![Recorded::default(); said.answers.len()];
    if said.shift.is_none() {
        refuse_others(&calendar, &round, &said.answers, &mut recorded);
    }
    let standing = read(tx, site, &of, &said.answers, &after, &mut recorded).await?;
    for Standing { place, said, reading } in &standing {
        let answer = judged(tx, site, &of, said, *reading, &mut recorded[*place]).await?;
        recorded[*place].recorded = true;
        keep(&mut after, answer);
    }
    let leaf = if standing.is_empty() {
        None
    } else {
        Some(put(tx, site, &round, &of, stood.as_deref(), &after).await?)
    };
    // Readings and raised orders change what is due on the machine.
    refresh::machines(tx, site, &BTreeSet::from([of.machine])).await?;
    let kept = Kept { round, recorded };
    tx.remember(site, &kept, leaf, Keep::ForEver).await?;
    tx.forget_machines([of.machine]);
    Ok((kept.round, kept.recorded))
}

/// Refuses answers of other rounds than the first one's, where the call names no shift: they would stand in a round in
/// which nobody looks for them.
fn refuse_others(calendar: &Calendar, round: &Round, said: &[AnswerSaid], recorded: &mut [Recorded]) {
    for (place, (said, became)) in said.iter().zip(recorded).enumerate() {
        let Some(other) = meant(calendar, said.at).filter(|other| other.start != round.start) else {
            continue;
        };
        let text = format!(
            "{} belongs to the round of {} {}, the first answer to that of {} {}; say it in a call of its own, or \
             name the shift",
            calendar.minute_in_words(said.at),
            other.shift,
            other.day,
            round.shift,
            round.day
        );
        became.wrong.push(Violation { field: format!("answers[{place}].at"), text });
    }
}

async fn machine(tx: &mut Tx, site: SiteId, said: &ChecksSaid) -> Result<Of> {
    let Named { machine, tag, state, .. } =
        machines::known(&mut tx.conn, site, said.machine.as_str()).await?;
    let row = sqlx::query(CARD).bind(i64::from(site.0)).bind(machine.0).fetch_one(&mut tx.conn).await?;
    let extra: MachineExtra = Reading::new(&row, "machine").json("card")?;
    let sheets = sheets(&mut tx.conn, site).await?;
    let checks = checks_of(&extra, &sheets).into_iter().map(|check| (check.key.clone(), check.clone()));
    let checks = checks.collect();
    let by = speaker(tx, site, "by", &said.by).await?;
    let retired = state == MachineState::Retired;
    Ok(Of { machine, tag, retired, checks, by, by_name: said.by.clone() })
}

async fn answers(
    conn: &mut Conn,
    site: SiteId,
    round: &Round,
    machine: MachineId,
) -> Result<Option<Vec<AnswerRecord>>> {
    let row = sqlx::query(RECORD)
        .bind(i64::from(site.0))
        .bind(round.start.0)
        .bind(machine.0)
        .fetch_optional(conn)
        .await?;
    row.map(|row| Reading::new(&row, "round_record").json("answers")).transpose()
}

/// Takes the readings of answers, and the machine's plan with them; gives those answers that are to stand.
async fn read<'s>(
    tx: &mut Tx,
    site: SiteId,
    of: &Of,
    said: &'s [AnswerSaid],
    stood: &[AnswerRecord],
    recorded: &mut [Recorded],
) -> Result<Vec<Standing<'s>>> {
    let mut touched = BTreeSet::new();
    let mut standing = Vec::new();
    for (place, said) in said.iter().enumerate() {
        let became = &mut recorded[place];
        if !became.wrong.is_empty() {
            continue;
        }
        if let Some(again) = stood.iter().find(|answer| answer.is_said_again(said, of.by)) {
            (became.duplicate, became.order) = (true, again.order);
            continue;
        }
        let check = of.checks.get(&said.check);
        if check.is_none() && !said.confirmed {
            became.odd = vec![unknown_check(of, &said.check)];
            continue;
        }
        if check.is_none() {
            became.remarks.push(format!("{} has no check `{}` now; it was kept as said", of.tag, said.check));
        }
        let point = check.and_then(|check| check.point.clone());
        let mut reading = None;
        match (&said.value, point) {
            (None, _) => {}
            (Some(_), None) => {
                became
                    .remarks
                    .push(format!("the check `{}` asks for no value; it was kept as said", said.check));
            }
            (Some((value, unit)), Some(point)) => {
                let told = ReadingTold {
                    machine: ForeignName::new(of.tag.as_str()).map_err(|_| lost(&of.tag))?,
                    point,
                    value: value.clone(),
                    unit: unit.clone(),
                    at: said.at,
                    by: of.by_name.clone(),
                    electrician_record: None,
                    confirmed: said.confirmed,
                    note: String::new(),
                };
                match readings::take_one(tx, site, &told, &mut touched).await? {
                    Became::Taken(entry, _) | Became::Duplicate(entry) => reading = Some(entry),
                    Became::AskedBack(odd) => became.odd = odd,
                    Became::Refused(wrong) => became.wrong = at_place(place, wrong),
                }
            }
        }
        if became.odd.is_empty() && became.wrong.is_empty() {
            standing.push(Standing { place, said, reading });
        }
    }
    refresh::machines(tx, site, &touched).await?;
    tx.flush().await?;
    Ok(standing)
}

/// What is asked back of an answer to a check that the machine has not. It is not refused: it may come late, from before the check
/// was taken away.
fn unknown_check(of: &Of, check: &Key) -> Odd {
    let known = of.checks.keys().map(Key::as_str);
    let remedy = remedy(check.as_str(), known, "its checks");
    let text =
        format!("{} has no check `{check}`; {remedy}; if it was one when it was seen, confirm it", of.tag);
    Odd { kind: OddKind::UnknownCheck, field: "check".into(), text }
}

fn lost(tag: &Key) -> StoreError {
    StoreError::Corrupt { table: "machine", column: "tag", row: tag.to_string() }
}

fn at_place(place: usize, wrong: Vec<Violation>) -> Vec<Violation> {
    let path = |wrong: Violation| Violation { field: format!("answers[{place}].{}", wrong.field), ..wrong };
    wrong.into_iter().map(path).collect()
}

/// An answer with what follows from it: a finding has an order, one that stands open or one that is raised at once.
async fn judged(
    tx: &mut Tx,
    site: SiteId,
    of: &Of,
    said: &AnswerSaid,
    reading: Option<i64>,
    became: &mut Recorded,
) -> Result<AnswerRecord> {
    let card = of.checks.get(&said.check);
    let title = card.map_or_else(|| Name::new(said.check.as_str()).ok(), |card| Some(card.title.clone()));
    let title = title.ok_or_else(|| lost(&of.tag))?;
    let (mut finding, mut apart, mut read) = (said.finding.clone(), None, None);
    if let Some(entry) = reading {
        let (record, waiting) = readings::stands(&mut tx.conn, site, entry).await?;
        if let Some(beyond) = record.beyond {
            let value = record.value.map(|value| with_sign(value, record.sign())).unwrap_or_default();
            let words = format!("{value} is {}", beyond.in_words(record.sign()));
            became.remarks.push(format!("{title}: {words}"));
            if beyond.step == Step::Stop {
                became.remarks.push(readings::STOP.to_owned());
            }
            read = Some((record.point.clone(), beyond.step));
            apart.clone_from(&finding);
            finding = Some(finding.map_or(words.clone(), |finding| format!("{words}; {finding}")));
        }
        if let Some((order, waits)) = waiting.first() {
            became.order = Some(OrderNumber(*order));
            became.remarks.push(format!("order {order}, {waits}, is due because of it"));
        }
    }
    if finding.is_none()
        && let Some(order) = raised::open_of(tx, site, of.machine, By::Check(&said.check)).await?
    {
        became.remarks.push(format!(
            "order {order}, for what was found there before, stands open: `fettler close {order}` where it was mended, `fettler skip \
             {order} --reason TEXT` where nothing was wrong"
        ));
    }
    if let Some(finding) = &finding
        && (became.order.is_none() || said.finding.is_some())
    {
        became.order =
            order_for(tx, site, of, (said, read.as_ref()), (&title, finding), became).await?.or(became.order);
    }
    Ok(AnswerRecord {
        check: said.check.clone(),
        title,
        at: said.at,
        by: of.by,
        entered_at: tx.caller.now,
        value: said.value.as_ref().map(value_text),
        reading,
        finding,
        said: apart,
        order: became.order,
    })
}

/// The order for a finding: the one that the check's last finding, or its test point's last reading, raised while it is open,
/// else a new one.
async fn order_for(
    tx: &mut Tx,
    site: SiteId,
    of: &Of,
    (said, read): (&AnswerSaid, Option<&(Key, Step)>),
    (title, finding): (&Name, &str),
    became: &mut Recorded,
) -> Result<Option<OrderNumber>> {
    let raised_by = [Some(By::Check(&said.check)), read.map(|(point, _)| By::Point(point))];
    for by in raised_by.into_iter().flatten() {
        if let Some(order) = raised::open_of(tx, site, of.machine, by).await? {
            became.remarks.push(format!("order {order} stands open for it already"));
            return Ok(Some(order));
        }
    }
    if of.retired {
        became.remarks.push(format!("{} has left the shop, so no order was raised", of.tag));
        return Ok(None);
    }
    let card = of.checks.get(&said.check);
    let is_stop = read.is_some_and(|(_, step)| *step == Step::Stop);
    let raise = RaiseSaid {
        machine: of.tag.clone(),
        title: Name::new(order_title(title.as_str(), finding)).map_err(|_| lost(&of.tag))?,
        by: of.by_name.clone(),
        due_day: None,
        hazard: is_stop || card.is_some_and(|card| card.hazard),
        note: finding.to_owned(),
    };
    let mut cautions = card.map(|card| card.cautions.clone()).unwrap_or_default();
    let mut place = card.map(|card| card.place.clone()).unwrap_or_default();
    if let Some((point, _)) = read {
        let cards = readings::points(&mut tx.conn, site, of.machine).await?;
        let of_point: Vec<_> = cards.into_iter().filter(|(_, card)| card.key == *point).collect();
        if let Some((_, of_point)) = of_point.first().filter(|_| place.is_empty()) {
            place.clone_from(&of_point.place);
        }
        let more = of_point.into_iter().flat_map(|(_, card)| card.cautions);
        cautions.extend(more.filter(|caution| !card.is_some_and(|card| card.cautions.contains(caution))));
    }
    let (point, check) = (read.map(|(point, _)| point.clone()), Some(said.check.clone()));
    let raised_card = RaisedCard { leaf: None, cautions, place, point, check };
    let raising = Raising { said: &raise, card: raised_card };
    let (order, _) = ending::raise_one(tx, site, raising, of.machine, of.by).await?;
    for by in raised_by.into_iter().flatten() {
        raised::keep(tx, site, of.machine, by, order).await?;
    }
    became.remarks.push(format!("order {order} was raised"));
    Ok(Some(order))
}

/// The state of a machine's answers as a fact has it: what was found stands in the order and its sealed note.
fn state_of(round: &Round, machine: MachineId, answers: &[AnswerRecord]) -> Value {
    let answer = |answer: &AnswerRecord| {
        json!({
            "check": answer.check.as_str(),
            "at": answer.at.0,
            "by": answer.by.0,
            "value": answer.value,
            "reading": answer.reading,
            "found": answer.finding.is_some(),
            "order": answer.order.map(|order| order.0),
        })
    };
    let answers: Vec<Value> = answers.iter().map(answer).collect();
    json!({ "shift": round.start.0, "machine": machine.0, "answers": answers })
}

/// Writes what a machine's checks say now, as one fact.
async fn put(
    tx: &mut Tx,
    site: SiteId,
    round: &Round,
    of: &Of,
    before: Option<&[AnswerRecord]>,
    after: &[AnswerRecord],
) -> Result<i64> {
    let before = before.map(|answers| digest_of(&state_of(round, of.machine, answers))).transpose()?;
    let fact = Fact {
        kind: Kind::RoundWalked,
        subject: format!("rounds/{}/machines/{}", round.start.0, of.machine),
        person: Some(of.by),
        after: state_of(round, of.machine, after),
        before,
        sealed: None,
    };
    let leaf = tx.append(site, fact)?;
    sqlx::query(PUT)
        .bind(i64::from(site.0))
        .bind(round.start.0)
        .bind(of.machine.0)
        .bind(to_json(&after)?)
        .bind(leaf)
        .execute(&mut tx.conn)
        .await?;
    Ok(leaf)
}
