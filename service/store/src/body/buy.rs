//! The buy list: what the work ahead needs of each item, gathered machine by machine, and the lines that follow.

use super::ahead;
use super::decode::Reading;
use super::mind::Mind;
use super::{Conn, beside, shelf};
use crate::contract::{
    AheadFilter, BuyFilter, BuyList, KeptItem, MachineAhead, NOT_COUNTED_MAX, Page, PageAsk, Result,
    StoreError,
};
use fettler_domain::ids::SiteId;
use fettler_domain::plan::{Occurrence, occurrences};
use fettler_domain::quantity::Amount;
use fettler_domain::shelf::buy::{Ask, BuyLine, HORIZON_DAYS_MAX, least_horizon, line};
use fettler_domain::shelf::need::{BY_HAND_DAYS, ByHand, Need};
use fettler_domain::shop::TaskCard;
use fettler_domain::time::{ShopDay, Ts};
use std::collections::{BTreeMap, BTreeSet};

const BY_HAND: &str = "SELECT item, at, amount FROM stock_use WHERE site = $1 AND at >= $2 AND closing IS NULL AND returned = 0 ORDER BY leaf";
/// Machines that are walked at a time.
pub(super) const MACHINES_AT_ONCE: u32 = 50;
/// Items that are read at a time.
const ITEMS_AT_ONCE: u32 = 500;

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[BY_HAND];

/// What is gathered of the work ahead.
pub(super) struct Gathered {
    /// The last day that is looked at.
    pub(super) until: ShopDay,
    today: ShopDay,
    items: Vec<KeptItem>,
    needs: BTreeMap<i64, Vec<Need>>,
    by_hand: BTreeMap<i64, Vec<(ShopDay, Amount)>>,
    not_counted: BTreeSet<String>,
}

/// Begins with the items.
pub(super) async fn begin(conn: &mut Conn, site: SiteId, filter: &BuyFilter, now: Ts) -> Result<Gathered> {
    let calendar = super::sites::by_number(conn, site).await?.calendar;
    let today = calendar.shop_day_of(now);
    let items = match &filter.item {
        Some(item) => vec![shelf::known(conn, site, item.as_str()).await?],
        None => all_items(conn, site).await?,
    };
    let least = items.iter().map(|item| least_horizon(&item.card, today)).max();
    let until = least.map_or(filter.until, |least| least.max(filter.until));
    let until = until.min(today.plus_days(HORIZON_DAYS_MAX)).max(today);
    let since = calendar.start_of(today.plus_days(1 - BY_HAND_DAYS));
    let rows = sqlx::query(BY_HAND).bind(i64::from(site.0)).bind(since.0).fetch_all(conn).await?;
    let mut by_hand: BTreeMap<i64, Vec<(ShopDay, Amount)>> = BTreeMap::new();
    for row in &rows {
        let mut row = Reading::new(row, "stock_use");
        let (item, at, amount): (i64, i64, i64) = (row.next()?, row.next()?, row.next()?);
        by_hand.entry(item).or_default().push((calendar.shop_day_of(Ts(at)), Amount(amount)));
    }
    let (needs, not_counted) = (BTreeMap::new(), BTreeSet::new());
    Ok(Gathered { until, today, items, needs, by_hand, not_counted })
}

async fn all_items(conn: &mut Conn, site: SiteId) -> Result<Vec<KeptItem>> {
    let mut items: Vec<KeptItem> = Vec::new();
    loop {
        let after = items.last().map(|item| item.card.name.to_string());
        let next = shelf::next_items(conn, site, after.as_deref(), ITEMS_AT_ONCE).await?;
        if next.is_empty() {
            return Ok(items);
        }
        items.extend(next);
    }
}

/// Adds what a page of machines needs; gives where the next one begins.
pub(super) async fn add_machines(
    conn: &mut Conn,
    site: SiteId,
    gathered: &mut Gathered,
    page: PageAsk<i64>,
) -> Result<Option<i64>> {
    let filter = AheadFilter { until: gathered.until, machine: None, area: None };
    let Page { rows: machines, next } = ahead::machines(conn, site, &filter, page).await?;
    let numbers = machines.iter().map(|machine| machine.number).collect();
    let cards = ahead::cards(conn, site, &numbers).await?;
    let takes = |card: &TaskCard| {
        let kit = || card.kit.iter().map(|said| said.item.as_str());
        kit().any(|name| gathered.items.iter().any(|item| item.card.is_named(name)))
    };
    // Machines whose work takes nothing that is counted need not be walked.
    let taking: BTreeSet<_> =
        cards.iter().filter(|(_, cards)| cards.values().any(takes)).map(|(machine, _)| *machine).collect();
    for card in cards.values().flat_map(BTreeMap::values) {
        gathered.note_not_counted(card);
    }
    if taking.is_empty() {
        return Ok(next);
    }
    let mut mind = Mind::load(conn, site).await?;
    ahead::plan(conn, &mut mind, &taking, gathered.today).await?;
    for machine in machines.iter().filter(|machine| taking.contains(&machine.number)) {
        let by_pace =
            ahead::walk(conn, &mut mind, machine.number, (gathered.today, gathered.until), occurrences)
                .await?;
        let cards = cards.get(&machine.number);
        for (task, card) in cards.into_iter().flatten() {
            let order = mind.machines.get(&machine.number).and_then(|known| {
                known.orders.iter().find(|order| order.task == Some(*task)).map(|order| order.order)
            });
            if let Some(order) = order {
                let days = by_pace.each_ref().map(|done| days_of(done, *task));
                gathered.add(machine, order, card, &days);
            }
        }
    }
    Ok(next)
}

fn days_of(done: &[Occurrence], task: fettler_domain::ids::TaskId) -> Vec<ShopDay> {
    done.iter().filter(|of| of.task == task).map(|of| of.day).collect()
}

impl Gathered {
    fn add(
        &mut self,
        machine: &MachineAhead,
        order: fettler_domain::ids::OrderNumber,
        card: &TaskCard,
        days: &[Vec<ShopDay>; 3],
    ) {
        for said in &card.kit {
            let item = self.items.iter().find(|item| item.card.is_named(said.item.as_str()));
            let Some((item, amount)) = item.and_then(|item| item.card.amount_of(said).map(|a| (item, a)))
            else {
                continue;
            };
            let need = Need { machine: machine.number, order, amount, days: days.clone() };
            self.needs.entry(item.number).or_default().push(need);
        }
    }

    fn note_not_counted(&mut self, card: &TaskCard) {
        for said in &card.kit {
            let item = self.items.iter().find(|item| item.card.is_named(said.item.as_str()));
            let text = match item {
                Some(item) if item.card.amount_of(said).is_some() => continue,
                Some(item) => format!("{} in {}, counted in {}", said.item, said.unit, item.card.unit),
                None => said.item.to_string(),
            };
            if self.not_counted.len() < NOT_COUNTED_MAX {
                self.not_counted.insert(text);
            }
        }
    }

    /// The lines, by the day by which to order and the item's name. `one_item` says that no other was looked at.
    pub(super) async fn lines(self, one_item: bool) -> Result<BuyList> {
        beside(move || {
            let mut lines: Vec<(KeptItem, BuyLine)> = Vec::new();
            for item in self.items {
                let issues = self.by_hand.get(&item.number).map_or(&[][..], Vec::as_slice);
                let needs = self.needs.get(&item.number).map_or(&[][..], Vec::as_slice);
                let found = line(Ask {
                    card: &item.card,
                    shelf: &item.shelf,
                    needs,
                    by_hand: ByHand::of(issues, self.today),
                    today: self.today,
                    until: self.until,
                });
                let damaged =
                    |_| StoreError::Corrupt { table: "item", column: "card", row: item.number.to_string() };
                if let Some(line) = found.map_err(damaged)? {
                    lines.push((item, line));
                }
            }
            lines.sort_by(|(a, one), (b, other)| {
                (one.order_by, a.card.name.as_str()).cmp(&(other.order_by, b.card.name.as_str()))
            });
            let not_counted = if one_item { Vec::new() } else { self.not_counted.into_iter().collect() };
            Ok(BuyList { until: self.until, lines, not_counted })
        })
        .await
    }
}
