//! The words for what the contract counts up.

use super::time::Teller;
use fettler_domain::reading::PointUnit;
use fettler_proto::v1;

/// What stands under every list or order that shows a hazard or a caution.
pub(super) const DEFERRAL: &str =
    "The builder's manual, local codes and licensed practice come before all this.";

/// A tag with its name, unless they are the same.
pub(super) fn named(tag: &str, name: &str) -> String {
    if name.is_empty() || name == tag { tag.to_owned() } else { format!("{tag} {name}") }
}

/// An area's name as a heading.
pub(super) fn area(area: &str) -> String {
    let mut letters = area.chars();
    letters.next().map_or_else(|| "No area".to_owned(), |first| first.to_uppercase().chain(letters).collect())
}

/// How a part was found.
pub(super) const AS_FOUND: [(v1::AsFound, &str, &str); 4] = [
    (v1::AsFound::Good, "good", "Good"),
    (v1::AsFound::Worn, "worn", "Worn, but working"),
    (v1::AsFound::Failed, "failed", "Failed, as the look showed"),
    (v1::AsFound::BrokeDown, "broke-down", "Broke down in work"),
];

/// How a machine stands before a shift, the worst first.
pub(super) const READINESS: [(v1::Readiness, &str); 5] = [
    (v1::Readiness::MustNotStart, "Must not start"),
    (v1::Readiness::Cold, "Cold"),
    (v1::Readiness::Armed, "Armed: warms up by itself"),
    (v1::Readiness::Warm, "Warm"),
    (v1::Readiness::Resting, "Resting"),
];

/// A test point's unit as people write it; one that is not known here stands as it is.
pub(super) fn unit(code: &str) -> &str {
    PointUnit::parse(code).map_or(code, |unit| unit.sign())
}

/// The limits of a test point in a line; empty where it has none.
pub(super) fn limits(point: &v1::TestPoint) -> String {
    let all = [
        ("act below", &point.act_below),
        ("stop below", &point.stop_below),
        ("act above", &point.act_above),
        ("stop above", &point.stop_above),
    ];
    let given = all.iter().filter(|(_, limit)| !limit.is_empty());
    given.map(|(words, limit)| format!("{words} {limit}")).collect::<Vec<_>>().join(", ")
}

/// An item and how much of it.
pub(super) fn item(item: &v1::KitItem) -> String {
    format!("{} {} {}", item.item, item.quantity, item.unit).trim_end().to_owned()
}

/// Items in one line.
pub(super) fn kit(items: &[v1::KitItem]) -> String {
    items.iter().map(item).collect::<Vec<_>>().join("; ")
}

/// When an order is due.
pub(super) fn due(item: &v1::DueItem, teller: Teller) -> String {
    match item.kind() {
        v1::DueKind::Expected => expected(item, teller),
        v1::DueKind::Crossed => teller.instant(item.due.as_ref()),
        v1::DueKind::Unspecified | v1::DueKind::Calendar | v1::DueKind::Raised => day(item, teller),
        v1::DueKind::Unknown => "not known".to_owned(),
        v1::DueKind::Ended => "no further day".to_owned(),
    }
}

/// How sure it is that an order is due.
pub(super) fn sure(item: &v1::DueItem, teller: Teller) -> String {
    match item.kind() {
        v1::DueKind::Expected => expected(item, teller),
        v1::DueKind::Crossed => format!("exact: reached {}", teller.instant(item.due.as_ref())),
        v1::DueKind::Unspecified | v1::DueKind::Calendar => format!("{}, by the calendar", day(item, teller)),
        v1::DueKind::Raised => format!("raised for {}", day(item, teller)),
        v1::DueKind::Unknown => "not known".to_owned(),
        v1::DueKind::Ended => "no further day".to_owned(),
    }
}

fn day(item: &v1::DueItem, teller: Teller) -> String {
    if item.due_day.is_empty() { teller.day_of(item.due.as_ref()) } else { teller.day(&item.due_day) }
}

fn expected(item: &v1::DueItem, teller: Teller) -> String {
    let day = |time: &Option<prost_types::Timestamp>| teller.day_of(time.as_ref());
    match (day(&item.p10), day(&item.p90)) {
        (first, last) if first == last || first.is_empty() => format!("expected {}", day(&item.due)),
        (first, last) => format!("expected {}, between {first} and {last}", day(&item.due)),
    }
}

/// The first letter made large.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
