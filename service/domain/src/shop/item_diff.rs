//! Items on the shelf, compared. One that is named takes the place of what stood, whole.

use super::diff::{Differ, Words, twice};
use super::limits::{ITEMS_MAX, TEXT_MAX, UNIT_MAX};
use crate::quantity::Amount;
use crate::shelf::{
    ItemCard, LEAD_DAYS_MAX, SERVICE_PERCENT_MAX, SERVICE_PERCENT_MIN, SHELF_LIFE_DAYS_MAX, amount_text,
};
use crate::text::Name;
use std::collections::BTreeMap;

/// Compares the items that are declared.
pub(super) fn items(differ: &mut Differ<'_>, items: &[ItemCard]) {
    if !differ.at_most("shop.items", items.len(), ITEMS_MAX) {
        return;
    }
    let mut after: BTreeMap<&Name, &ItemCard> = differ.current.items.iter().collect();
    for (i, card) in items.iter().enumerate() {
        let field = format!("shop.items[{i}]");
        if items[..i].iter().any(|other| other.name == card.name) {
            differ.wrong(format!("{field}.name"), twice("item", &card.name));
            continue;
        }
        after.insert(&card.name, card);
        check(differ, card, &field);
        let change = match differ.current.items.get(&card.name) {
            Some(old) if old == card => continue,
            None => format!("added, counted in {}", card.unit),
            Some(old) if old.unit != card.unit => {
                let text = format!(
                    "is `{}`, and the item is counted in `{}`; what is on the shelf cannot change its unit, so declare \
                     another item",
                    card.unit, old.unit
                );
                differ.wrong(format!("{field}.unit"), text);
                continue;
            }
            Some(old) => changes(old, card),
        };
        differ.step(format!("item {}", card.name), change, super::state::Write::Item(card.clone()));
    }
    same_names(differ, items, &after);
}

/// An item answers to its name and to its code, so no two may have one.
fn same_names(differ: &mut Differ<'_>, items: &[ItemCard], after: &BTreeMap<&Name, &ItemCard>) {
    let mut owners: BTreeMap<&str, &Name> = BTreeMap::new();
    for name in after.keys() {
        owners.insert(name.as_str(), name);
    }
    for card in after.values() {
        let Some(code) = &card.code else { continue };
        let owner = *owners.entry(code.as_str()).or_insert(&card.name);
        if owner == &card.name {
            continue;
        }
        let place = items.iter().position(|item| item.name == card.name);
        let place = place.or_else(|| items.iter().position(|item| item.name == *owner)).unwrap_or(0);
        let text = format!("`{code}` is what item `{owner}` is called already; give another code");
        differ.wrong(format!("shop.items[{place}].code"), text);
    }
}

fn check(differ: &mut Differ<'_>, card: &ItemCard, field: &str) {
    differ.text(format!("{field}.unit"), &card.unit, UNIT_MAX);
    differ.text(format!("{field}.data_sheet"), &card.data_sheet, TEXT_MAX);
    let mut within = |of: &str, value: u32, least: u32, most: u32| {
        if !(least..=most).contains(&value) {
            differ
                .wrong(format!("{field}.{of}"), format!("{value} is out of bounds; give {least} to {most}"));
        }
    };
    within("lead_days", card.lead_days, 0, LEAD_DAYS_MAX);
    within("lead_spread_days", card.lead_spread_days, 0, LEAD_DAYS_MAX);
    within("service_percent", card.service_percent, SERVICE_PERCENT_MIN, SERVICE_PERCENT_MAX);
    if let Some(days) = card.shelf_life_days {
        within("shelf_life_days", days, 1, SHELF_LIFE_DAYS_MAX);
    }
    if card.lost_days > 0 && card.lost_days >= card.shelf_life_days.unwrap_or(0) {
        let life =
            card.shelf_life_days.map_or("it has no shelf life".to_owned(), |days| format!("{days} days"));
        let text = format!("{} leaves nothing of its shelf life, {life}; give less", card.lost_days);
        differ.wrong(format!("{field}.lost_days"), text);
    }
    for (of, value) in [
        ("pack", Some(card.pack)),
        ("order_cost", card.order_cost),
        ("holding_cost", card.holding_cost),
        ("unit_cost", card.unit_cost),
    ] {
        if value.is_some_and(|value| value <= Amount::ZERO) {
            differ.wrong(format!("{field}.{of}"), "is not more than 0; give a larger number".to_owned());
        }
    }
    if card.order_cost.is_some() != card.holding_cost.is_some() {
        let (has, lacks) = if card.order_cost.is_some() {
            ("order_cost", "holding_cost")
        } else {
            ("holding_cost", "order_cost")
        };
        differ.wrong(format!("{field}.{lacks}"), format!("is missing; give it beside {has}, or neither"));
    }
}

fn changes(old: &ItemCard, card: &ItemCard) -> String {
    let mut words = Words::default();
    let days = |days: Option<u32>| days.map(|days| format!("{days} days")).unwrap_or_default();
    let cost = |cost: Option<Amount>| cost.map(amount_text).unwrap_or_default();
    let code = |card: &ItemCard| card.code.as_ref().map(Name::to_string).unwrap_or_default();
    words.changed("code", &code(old), &code(card));
    words.changed("pack", &amount_text(old.pack), &amount_text(card.pack));
    words.changed("least order", &amount_text(old.least), &amount_text(card.least));
    words.changed("lead time in days", &old.lead_days, &card.lead_days);
    words.changed("its spread", &old.lead_spread_days, &card.lead_spread_days);
    words.changed("shelf life", &days(old.shelf_life_days), &days(card.shelf_life_days));
    words.changed("days of it lost", &old.lost_days, &card.lost_days);
    words.changed("safety data sheet", &old.data_sheet, &card.data_sheet);
    words.changed("service level in %", &old.service_percent, &card.service_percent);
    words.changed("cost of an order", &cost(old.order_cost), &cost(card.order_cost));
    words.changed("cost of a unit", &cost(old.unit_cost), &cost(card.unit_cost));
    words.changed("cost of holding", &cost(old.holding_cost), &cost(card.holding_cost));
    if old.hazardous != card.hazardous {
        words.say(if card.hazardous { "marked as hazardous" } else { "no longer hazardous" }.to_owned());
    }
    if old.retire != card.retire {
        words.say(if card.retire { "no longer bought" } else { "bought again" }.to_owned());
    }
    words.text()
}

#[cfg(test)]
mod tests {
    use super::super::Declaration;
    use super::super::diff::diff;
    use super::super::diff_tests::{loaded, shop, today, words};
    use super::*;

    fn declared(items: Vec<ItemCard>) -> Declaration {
        Declaration { items, ..shop() }
    }

    fn item(name: &str) -> ItemCard {
        ItemCard::plain(Name::new(name).expect("a name"))
    }

    fn code(text: &str) -> Option<Name> {
        Name::new(text).ok()
    }

    #[test]
    fn an_item_is_added_changed_and_left_alone() {
        let oil = ItemCard { unit: "L".into(), ..item("oil") };
        let stands = loaded(&declared(vec![oil.clone()]));
        assert!(diff(&stands, &declared(vec![oil.clone()]), today()).expect("no fault").is_empty());
        assert!(
            diff(&stands, &declared(Vec::new()), today()).expect("no fault").is_empty(),
            "absence retires nothing"
        );
        let changed = ItemCard { code: code("4711"), service_percent: 99, hazardous: true, ..oil };
        let steps = diff(&stands, &declared(vec![changed, item("cloth")]), today()).expect("no fault");
        assert_eq!(
            words(&steps),
            [
                "item oil: code none -> 4711; service level in % 95 -> 99; marked as hazardous",
                "item cloth: added, counted in pcs"
            ]
        );
    }

    #[test]
    fn what_is_wrong_with_items_is_told_field_by_field() {
        let stands = loaded(&declared(vec![ItemCard { code: code("1"), ..item("oil") }]));
        let check = |items: Vec<ItemCard>, expect: &[(&str, &str)]| {
            let wrong = diff(&stands, &declared(items), today()).expect_err("wrong");
            let found: Vec<_> = wrong.iter().map(|v| (v.field.as_str(), v.text.as_str())).collect();
            assert_eq!(found.len(), expect.len(), "{found:?}");
            for ((field, text), (at, start)) in found.iter().zip(expect) {
                assert!(field == at && text.starts_with(start), "{field}: {text}");
            }
        };
        check(vec![item("a"), item("a")], &[("shop.items[1].name", "item `a` is given twice")]);
        check(vec![ItemCard { code: code("1"), ..item("a") }], &[("shop.items[0].code", "`1` is what item")]);
        check(
            vec![ItemCard { code: code("oil"), ..item("a") }],
            &[("shop.items[0].code", "`oil` is what item `oil`")],
        );
        check(vec![ItemCard { unit: "L".into(), ..item("oil") }], &[("shop.items[0].unit", "is `L`")]);
        check(
            vec![ItemCard {
                pack: Amount::ZERO,
                lead_days: 367,
                service_percent: 100,
                lost_days: 3,
                order_cost: Some(Amount(1)),
                ..item("a")
            }],
            &[
                ("shop.items[0].lead_days", "367 is out of bounds"),
                ("shop.items[0].service_percent", "100 is out of bounds"),
                ("shop.items[0].lost_days", "3 leaves nothing"),
                ("shop.items[0].pack", "is not more than 0"),
                ("shop.items[0].holding_cost", "is missing"),
            ],
        );
    }

    #[test]
    fn two_items_may_exchange_their_codes() {
        let with = |name: &str, of: &str| ItemCard { code: code(of), ..item(name) };
        let stands = loaded(&declared(vec![with("a", "1"), with("b", "2")]));
        assert_eq!(
            diff(&stands, &declared(vec![with("a", "2"), with("b", "1")]), today()).expect("no fault").len(),
            2
        );
    }
}
