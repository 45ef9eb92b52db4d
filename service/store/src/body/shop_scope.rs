//! Which machines of a shop a declaration is compared with: a shop may be many times what one load names.

use super::decode::Reading;
use super::shop_state::{self, MachineExtra};
use super::{Conn, Db};
use crate::contract::Result;
use fettler_domain::ids::{MachineId, MeterId, SiteId, TaskId};
use fettler_domain::shop::diff::changed_sheets;
use fettler_domain::shop::state::ShopState;
use fettler_domain::shop::{Declaration, LastDoneCard};
use fettler_domain::text::{ForeignName, Key};
use futures::TryStreamExt as _;
use sqlx::QueryBuilder;
use std::collections::{BTreeMap, BTreeSet};

const BY_TAG: &str = "SELECT m.number FROM machine m WHERE m.site = ";
const BY_NAME: &str = "SELECT n.machine FROM machine_name n WHERE n.site = ";
const CARDS: &str = "SELECT number, card FROM machine WHERE site = $1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[CARDS];

/// Names and numbers that one statement looks up; an engine bounds how many it may.
pub(super) const AT_ONCE: usize = 500;

/// The numbers behind the keys of the machines that are compared.
#[derive(Default)]
pub(super) struct Ids {
    /// Machines by tag.
    pub(super) machines: BTreeMap<Key, MachineId>,
    /// Their meters.
    pub(super) meters: BTreeMap<(MachineId, Key), MeterId>,
    /// Their tasks.
    pub(super) tasks: BTreeMap<(MachineId, Key), TaskId>,
}

/// Adds to a shop what a declaration has to do with: the machines that it names, those that have a name which it gives to
/// another, and those with a sheet that it changes.
pub(super) async fn add_declared(
    conn: &mut Conn,
    site: SiteId,
    state: &mut ShopState,
    declared: &Declaration,
) -> Result<Ids> {
    let tags = declared.machines.iter().map(|card| card.tag.as_str());
    let others = declared.machines.iter().flat_map(|card| &card.also_known_as).map(ForeignName::as_str);
    let names: BTreeSet<&str> = tags.chain(others).collect();
    let mut machines = named(conn, site, &names).await?;
    let sheets = changed_sheets(state, declared);
    if !sheets.is_empty() {
        machines.extend(with_sheets(conn, site, &sheets).await?);
    }
    shop_state::add_machines(conn, site, Some(&machines), &mut state.machines).await
}

/// Adds to a shop the machines that statements name; all of them where one is unknown, so that the answer may say which
/// there are.
pub(super) async fn add_stated(
    conn: &mut Conn,
    site: SiteId,
    state: &mut ShopState,
    stated: &[LastDoneCard],
) -> Result<Ids> {
    let names: BTreeSet<&str> = stated.iter().map(|card| card.machine.as_str()).collect();
    let machines = named(conn, site, &names).await?;
    let ids = shop_state::add_machines(conn, site, Some(&machines), &mut state.machines).await?;
    if stated.iter().all(|card| state.machines.contains_key(&card.machine)) {
        return Ok(ids);
    }
    shop_state::add_machines(conn, site, None, &mut state.machines).await
}

/// The machines that have one of these names, as their tag or beside it. A machine that has left the shop keeps its tag.
async fn named(conn: &mut Conn, site: SiteId, names: &BTreeSet<&str>) -> Result<BTreeSet<MachineId>> {
    let names: Vec<&str> = names.iter().copied().collect();
    let mut machines = BTreeSet::new();
    for part in names.chunks(AT_ONCE) {
        for (text, column) in [(BY_TAG, "m.tag"), (BY_NAME, "n.name")] {
            let mut query = QueryBuilder::<Db>::new(text);
            query.push_bind(i64::from(site.0)).push(" AND ").push(column).push(" IN (");
            let mut list = query.separated(", ");
            for name in part {
                list.push_bind(*name);
            }
            query.push(")");
            for row in &query.build().persistent(false).fetch_all(&mut *conn).await? {
                machines.insert(MachineId(Reading::new(row, "machine").next()?));
            }
        }
    }
    Ok(machines)
}

/// The machines that have one of these sheets: looked at one by one, of which there may be many.
async fn with_sheets(conn: &mut Conn, site: SiteId, sheets: &BTreeSet<Key>) -> Result<BTreeSet<MachineId>> {
    let mut machines = BTreeSet::new();
    let mut rows = sqlx::query(CARDS).bind(i64::from(site.0)).fetch(&mut *conn);
    while let Some(row) = rows.try_next().await? {
        let mut row = Reading::new(&row, "machine");
        let machine = MachineId(row.next()?);
        let card: MachineExtra = row.json("card")?;
        if card.sheets.iter().any(|sheet| sheets.contains(sheet)) {
            machines.insert(machine);
        }
    }
    Ok(machines)
}
