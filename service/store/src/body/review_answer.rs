//! The answers of managers to advice: taken, turned into rules, and found again in the journal.

use super::decode::Reading;
use super::journal::Fact;
use super::people::speaker;
use super::request::Keep;
use super::review::{cursor, one};
use super::tx::Tx;
use super::{Conn, machines, shop, shop_state, sites};
use crate::contract::{AdviceAnswer, AdviceAnswered, AdviceCursor, AdvicePlace, AdviceRecord, Result};
use fettler_domain::error::Error;
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::journal::Kind;
use fettler_domain::review::rule::shown;
use fettler_domain::shop::{Declaration, MachineCard, ShopChange, SiteCard, TaskCard};
use fettler_domain::text::Key;
use fettler_domain::time::Ts;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::BTreeMap;

/// The most answers of a kind that are read; the newest of them.
const ANSWERS_MAX: i64 = 10_000;

const ANSWERS: &str = "SELECT at, bytes FROM journal_leaf WHERE site = $1 AND kind = $2 \
    AND kind <> 'report.arrived' ORDER BY number DESC LIMIT $3";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[ANSWERS];

/// What an advice was answered at, as its leaf keeps it.
#[derive(Deserialize)]
struct AnswerLeaf {
    after: AnswerState,
}

#[derive(Deserialize)]
struct AnswerState {
    place: String,
    task: String,
    advised: String,
}

/// The newest answers: by task when, and at which interval.
pub(super) type Answers = BTreeMap<AdviceCursor, (Ts, f64)>;

/// The newest answer of this kind for each task.
pub(super) async fn newest(conn: &mut Conn, site: SiteId, kind: Kind) -> Result<Answers> {
    let rows = sqlx::query(ANSWERS)
        .bind(i64::from(site.0))
        .bind(kind.word())
        .bind(ANSWERS_MAX)
        .fetch_all(conn)
        .await?;
    let mut found = BTreeMap::new();
    for row in &rows {
        let mut row = Reading::new(row, "journal_leaf");
        let at = Ts(row.next()?);
        let bytes: &[u8] = row.next()?;
        let leaf: AnswerLeaf = serde_json::from_slice(bytes).map_err(|_| row.corrupt("bytes", at))?;
        let interval = leaf.after.advised.parse().map_err(|_| row.corrupt("bytes", at))?;
        found.entry((leaf.after.place, leaf.after.task)).or_insert((at, interval));
    }
    Ok(found)
}

/// What an answer brought about, as its request id keeps it.
#[derive(Serialize, Deserialize)]
struct Brought {
    changes: Vec<ShopChange>,
    entry: i64,
    by: PersonId,
}

/// Takes a manager's answer.
pub(super) async fn answer(
    tx: &mut Tx,
    site: SiteId,
    said: AdviceAnswer,
    validate_only: bool,
) -> Result<AdviceAnswered> {
    if validate_only {
        tx.undo_at_end();
    }
    tx.take(site).await?;
    let now = tx.caller.now;
    let replayed: Option<Brought> = tx.replayed(site).await?;
    let advice = one(&mut tx.conn, site, &said.subject, now).await?;
    if let Some(Brought { changes, entry, by }) = replayed {
        return Ok(AdviceAnswered { advice, changes, entry, by });
    }
    let by = speaker(tx, site, "by", &said.by).await?;
    must_be_advised(&advice, &said.interval)?;
    let changes = if said.accept { change_rule(tx, site, &advice, by).await? } else { Vec::new() };
    let entry = tx.append(site, fact(&advice, &said, by))?;
    tx.remember(site, &Brought { changes: changes.clone(), entry, by }, Some(entry), Keep::ForEver).await?;
    Ok(AdviceAnswered { advice, changes, entry, by })
}

/// Refuses an answer to what is not, or no longer, advised.
fn must_be_advised(advice: &AdviceRecord, interval: &str) -> Result<()> {
    let told = &advice.told;
    let now = told.advised.map(shown);
    if now.as_deref() == Some(interval) {
        return Ok(());
    }
    let (place, task) = cursor(&advice.subject);
    let stands = match &now {
        Some(now) => format!("every {now} {} is advised", told.unit),
        None => "no other interval is advised".to_owned(),
    };
    let text =
        format!("every {interval} is not what is advised for {place}, task {task}: {stands}; ask again");
    Err(Error::WrongState { reason: "ADVICE_CHANGED", subject: format!("{place}, task {task}"), text }.into())
}

fn fact(advice: &AdviceRecord, said: &AdviceAnswer, by: PersonId) -> Fact {
    let (place, task) = cursor(&advice.subject);
    let told = &advice.told;
    let counted = &told.evidence;
    let after = json!({
        "place": place, "task": task, "interval": shown(told.terms.interval), "advised": said.interval,
        "unit": told.unit, "closings": counted.closings, "found_failed": counted.found_failed,
        "broke_down": counted.broke_down, "machines": counted.machines,
    });
    Fact {
        kind: if said.accept { Kind::AdviceAccepted } else { Kind::AdviceDeclined },
        subject: format!("advice/{}/{task}", place.replace(' ', "/")),
        person: Some(by),
        after,
        before: None,
        sealed: (!said.reason.is_empty()).then(|| ("reason", said.reason.clone())),
    }
}

/// Changes the rule as a declaration that names nothing else would.
async fn change_rule(
    tx: &mut Tx,
    site: SiteId,
    advice: &AdviceRecord,
    by: PersonId,
) -> Result<Vec<ShopChange>> {
    let key = sites::by_number(&mut tx.conn, site).await?.card.key;
    let task = &advice.subject.task;
    let changed = |card: TaskCard| {
        let rule = card.rule.as_ref().and_then(|rule| advice.told.changed(rule));
        TaskCard { rule, rule_from: None, ..card }
    };
    let (mut sheets, mut declared) = (Vec::new(), Vec::new());
    match &advice.subject.place {
        AdvicePlace::Sheet(sheet) => {
            let mut standing = shop_state::without_machines(&mut tx.conn, Some(site)).await?.sheets;
            sheets.extend(standing.remove(sheet).map(|mut sheet| {
                let changed = |card: TaskCard| if card.key == *task { changed(card) } else { card };
                sheet.tasks = sheet.tasks.into_iter().map(changed).collect();
                sheet
            }));
        }
        AdvicePlace::Machine(tag) => {
            let machine = machines::number(&mut tx.conn, site, tag.as_str()).await?;
            let standing = shop_state::card_of(&mut tx.conn, site, machine).await?;
            let own = standing.into_iter().flat_map(|card| card.tasks).find(|card| card.key == *task);
            declared.extend(own.map(|card| only_task(tag, changed(card))));
        }
    }
    let site_card = nothing_of(key);
    let (sources, people, items) = (Vec::new(), Vec::new(), Vec::new());
    let said = Declaration {
        site: site_card,
        sources,
        people,
        sheets,
        machines: declared,
        items,
        past_rules: false,
    };
    shop::declare(tx, site, &said, by).await
}

fn nothing_of(key: Key) -> SiteCard {
    SiteCard {
        key,
        asks_pin: None,
        name: None,
        zone: None,
        day_starts_at: None,
        shifts: Vec::new(),
        closures: Vec::new(),
        extra_shifts: Vec::new(),
    }
}

fn only_task(tag: &Key, task: TaskCard) -> MachineCard {
    MachineCard {
        tag: tag.clone(),
        name: None,
        also_known_as: Vec::new(),
        family: None,
        area: None,
        meters: Vec::new(),
        points: Vec::new(),
        checks: Vec::new(),
        sheets: Vec::new(),
        tasks: vec![task],
        last_done_now: false,
        last_done: Vec::new(),
    }
}
