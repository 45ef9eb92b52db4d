//! Declarations: a shop as it is loaded, stated and shown.

use super::Conn;
use super::decode::Reading;
use super::people::{known_person, must_be_known, nobody_looks_like, person_named, speaker};
use super::request::Keep;
use super::shop_scope::Ids;
use super::shop_write::Writing;
use super::tx::Tx;
use super::{refresh, shop_scope, shop_state, sites};
use crate::contract::{LoadReport, Result};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Error;
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::shop::diff::{day_starts_at, diff, diff_last_done};
use fettler_domain::shop::state::ShopState;
use fettler_domain::shop::state::ShopStep;
use fettler_domain::shop::{Declaration, LastDoneCard, ShopChange, SiteCard};
use fettler_domain::text::Name;
use fettler_domain::time::ShopDay;
use serde::{Deserialize, Serialize};

const SITE: &str = "SELECT number FROM site WHERE key = $1";
const WAITING: &str = "SELECT COUNT(*) FROM ledger WHERE site = $1 AND waiting = 1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[SITE, WAITING];

/// What a load brought about, as its request id keeps it.
#[derive(Serialize, Deserialize)]
struct Loaded {
    changes: Vec<ShopChange>,
    orders_opened: u32,
    reports_waiting: u64,
}

impl Loaded {
    fn report(self) -> LoadReport {
        let Loaded { changes, orders_opened, reports_waiting } = self;
        LoadReport { changes, orders_opened, reports_waiting }
    }
}

/// Declares a shop, or says what would change. Loading the same twice changes nothing; a request id that is used again
/// is told what it changed the first time.
pub(super) async fn load(
    tx: &mut Tx,
    declared: Declaration,
    by: Option<Name>,
    validate_only: bool,
) -> Result<LoadReport> {
    if validate_only {
        tx.undo_at_end();
    }
    tx.take(SiteId::INSTALLATION).await?;
    if let Some(loaded) = tx.replayed::<Loaded>(SiteId::INSTALLATION).await? {
        return Ok(loaded.report());
    }
    let person = declarer(tx, by.as_ref(), &declared.people).await?;
    let row = sqlx::query(SITE).bind(declared.site.key.as_str()).fetch_optional(&mut tx.conn).await?;
    let known = row.map(|row| Reading::new(&row, "site").number("number").map(SiteId)).transpose()?;
    if let Some(site) = known {
        tx.take(site).await?;
        if let Some((name, person)) = by.as_ref().zip(person) {
            must_be_known(tx, site, "by", name, person).await?;
        }
    }
    let mut current = shop_state::without_machines(&mut tx.conn, known).await?;
    asks_on(tx, &current, &declared.site)?;
    past_is_meant(tx, &declared)?;
    let ids = match known {
        Some(site) => shop_scope::add_declared(&mut tx.conn, site, &mut current, &declared).await?,
        None => Ids::default(),
    };
    let today = match (known, declared.site.zone) {
        (Some(site), _) => {
            let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
            today(tx, &calendar)
        }
        (None, Some(zone)) => {
            let starts = declared.site.day_starts_at.unwrap_or_else(day_starts_at);
            today(tx, &Calendar::every_day(zone, starts))
        }
        (None, None) => ShopDay(tx.caller.now.to_utc().date_naive()),
    };
    let steps = diff(&current, &declared, today).map_err(Error::Invalid)?;
    let site = match known {
        Some(site) => site,
        None => tx.create_site().await?,
    };
    let mut writing = Writing::new(site, person, today, &current, ids);
    let changes = write_all(tx, &mut writing, steps).await?;
    let reports_waiting = count_waiting(&mut tx.conn, site).await?;
    let loaded = Loaded { changes, orders_opened: writing.orders_opened, reports_waiting };
    tx.remember(SiteId::INSTALLATION, &loaded, None, Keep::AWhile).await?;
    Ok(loaded.report())
}

/// Writes steps one by one, each a fact, and computes the plan of the machines they touch.
async fn write_all(tx: &mut Tx, writing: &mut Writing<'_>, steps: Vec<ShopStep>) -> Result<Vec<ShopChange>> {
    let mut changes = Vec::with_capacity(steps.len());
    writing.drop_names(tx, &steps).await?;
    if !steps.is_empty() {
        tx.head(writing.site)?.mark_machines();
    }
    for step in steps {
        writing.write(tx, step.write).await?;
        tx.keep_statistics().await?;
        changes.push(step.words);
    }
    writing.finish(tx).await?;
    tx.minds.forget_site(writing.site);
    refresh::machines(tx, writing.site, &writing.touched).await?;
    tx.minds.forget_site(writing.site);
    Ok(changes)
}

/// Declares, of a site that is taken, what a declaration names, from today on; gives what changed.
pub(super) async fn declare(
    tx: &mut Tx,
    site: SiteId,
    declared: &Declaration,
    by: PersonId,
) -> Result<Vec<ShopChange>> {
    let mut current = shop_state::without_machines(&mut tx.conn, Some(site)).await?;
    let ids = shop_scope::add_declared(&mut tx.conn, site, &mut current, declared).await?;
    let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
    let today = today(tx, &calendar);
    let steps = diff(&current, declared, today).map_err(Error::Invalid)?;
    let mut writing = Writing::new(site, Some(by), today, &current, ids);
    write_all(tx, &mut writing, steps).await
}

/// Refuses that a site asks for PINs no more, but from a manager.
fn asks_on(tx: &Tx, current: &ShopState, declared: &SiteCard) -> Result<()> {
    let ends = declared.asks_pin == Some(false) && current.site.as_ref().is_some_and(|site| site.asks_pin);
    if !ends || tx.caller.as_manager {
        return Ok(());
    }
    let subject = format!("site {}", declared.key);
    let text =
        "that a site asks for PINs is ended only by a token that may declare the shop and is a manager's too, as an administrator's is; \
         leave asks_pin out, or ask the administrator"
            .into();
    Err(Error::NotAllowed { reason: "MANAGER_ONLY", subject, text }.into())
}

/// Refuses that rules change from a day that is past, but from a manager.
fn past_is_meant(tx: &Tx, declared: &Declaration) -> Result<()> {
    if !declared.past_rules || tx.caller.as_manager {
        return Ok(());
    }
    let subject = format!("site {}", declared.site.key);
    let text = "that rules change from a day that is past is confirmed only by a token that may declare the shop and is a \
                manager's too, as an administrator's is; load without past_rules (--past-rules), or ask the administrator"
        .into();
    Err(Error::NotAllowed { reason: "MANAGER_ONLY", subject, text }.into())
}

fn today(tx: &Tx, calendar: &Calendar) -> ShopDay {
    calendar.shop_day_of(tx.caller.now)
}

/// Who declares: a person who is known, or is declared in the same breath.
async fn declarer(tx: &mut Tx, by: Option<&Name>, declared: &[Name]) -> Result<Option<PersonId>> {
    let Some(name) = by else { return Ok(None) };
    if declared.contains(name) {
        nobody_looks_like(&mut tx.conn, "by", name).await?;
        return Ok(Some(person_named(tx, name).await?.0.person));
    }
    known_person(&mut tx.conn, "by", name).await.map(Some)
}

async fn count_waiting(conn: &mut Conn, site: SiteId) -> Result<u64> {
    let row = sqlx::query(WAITING).bind(i64::from(site.0)).fetch_one(conn).await?;
    Reading::new(&row, "ledger").number("waiting")
}

/// States when tasks were last done.
pub(super) async fn state_last_done(
    tx: &mut Tx,
    site: SiteId,
    stated: Vec<LastDoneCard>,
    by: Option<Name>,
    validate_only: bool,
) -> Result<Vec<ShopChange>> {
    if validate_only {
        tx.undo_at_end();
    }
    tx.take(site).await?;
    if let Some(changes) = tx.replayed(site).await? {
        return Ok(changes);
    }
    let person = match &by {
        Some(name) => Some(speaker(tx, site, "by", name).await?),
        None => None,
    };
    let mut current = shop_state::without_machines(&mut tx.conn, Some(site)).await?;
    let ids = shop_scope::add_stated(&mut tx.conn, site, &mut current, &stated).await?;
    let calendar = sites::by_number(&mut tx.conn, site).await?.calendar;
    let today = today(tx, &calendar);
    let steps = diff_last_done(&current, &stated, today, "last_done").map_err(Error::Invalid)?;
    let mut writing = Writing::new(site, person, today, &current, ids);
    let changes = write_all(tx, &mut writing, steps).await?;
    tx.remember(site, &changes, None, Keep::AWhile).await?;
    Ok(changes)
}
