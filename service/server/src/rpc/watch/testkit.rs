//! What the tests of watched lists share.

use super::list::List;
use fettler_domain::calendar::{Calendar, WallTime, Zone};
use fettler_domain::ids::SiteId;
use fettler_domain::shop::SiteCard;
use fettler_domain::text::Key;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::SiteRecord;

/// A site.
pub(super) fn site() -> SiteRecord {
    let card = SiteCard {
        asks_pin: None,
        key: Key::new("north").unwrap(),
        name: None,
        zone: Some(Zone::UTC),
        day_starts_at: Some(WallTime::MIDNIGHT),
        shifts: Vec::new(),
        closures: Vec::new(),
        extra_shifts: Vec::new(),
    };
    SiteRecord { site: SiteId(1), card, calendar: Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT) }
}

/// A list of these orders.
pub(super) fn list(orders: &[i64]) -> List {
    let item = |order: &i64| v1::DueItem { order: *order, ..Default::default() };
    let frame = v1::WatchDueResponse { site: "north".into(), ..Default::default() };
    List::new((site(), Ts(0)), frame, v1::DueHead::default(), orders.iter().map(item).collect())
}

/// A list on which these machines must not start, with one order that is told so long.
pub(super) fn forbidding(tags: &[&str], when: &str) -> List {
    let machine = |tag: &&str| v1::Machine { tag: (*tag).to_owned(), ..Default::default() };
    let head = v1::DueHead { forbidden: tags.iter().map(machine).collect(), ..Default::default() };
    let item = v1::DueItem { order: 1, when: when.to_owned(), ..Default::default() };
    List::new((site(), Ts(0)), v1::WatchDueResponse::default(), head, vec![item])
}
