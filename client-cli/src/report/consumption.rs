//! What was used, month by month, beside what is expected and what an earlier report expected.

use super::care::month_label;
use super::facts::{Before, Facts, Item, decimal, thousandths};
use super::legend::Marks;
use super::sheet::{Cell, Sheet};
use super::svg::{Axis, Bar, Column, Fill, HALF, Said, bars, columns};
use super::{Section, svg};
use chrono::NaiveDate;
use std::collections::{BTreeMap, BTreeSet};

/// What the columns of an item mean.
const MARKS: Marks<'static> = Marks { full: "used", hatched: "expected", limits: "" };

/// How many items are drawn; the table has all.
const DRAWN_MAX: usize = 12;
/// How many months back are drawn; the table has all.
const BACK: usize = 6;
/// How many months ahead are drawn at most: what is left of this one, and the next two.
const AHEAD: usize = 3;

/// What is expected of an item by month: of the month, by then from today, and not exceeded with nine chances in ten; in
/// thousandths.
type Expected = BTreeMap<Item, BTreeMap<String, [i64; 3]>>;

fn expected(facts: &Facts) -> Expected {
    let mut all = Expected::new();
    for month in facts.ahead.tasks.iter().flat_map(|task| &task.months) {
        for kit in &month.kit {
            let of_item = all.entry(facts.uses.named(&kit.item, &kit.unit)).or_default();
            let sum = of_item.entry(month.month.clone()).or_default();
            for (sum, text) in sum.iter_mut().zip([&kit.quantity, &kit.by_then, &kit.by_then_p90]) {
                *sum = sum.saturating_add(thousandths(text).unwrap_or_default());
            }
        }
    }
    all.retain(|_, months| months.values().any(|sum| sum[2] > 0));
    all
}

fn amount(thousandths: i64) -> Cell {
    Cell::number(Some(units(thousandths)))
}

fn units(thousandths: i64) -> f64 {
    // Every decimal is a number.
    decimal(thousandths).parse().unwrap_or_default()
}

/// A number of at most four signs, for the head of a narrow column.
fn brief(value: f64) -> String {
    if value >= 100.0 { format!("{value:.0}") } else { svg::short((value * 10.0).round() / 10.0) }
}

fn used_sheet(facts: &Facts) -> Sheet {
    let mut sheet = Sheet::new(
        "used",
        "Used by item and month",
        &[
            ("item", "item"),
            ("unit", "unit"),
            ("month", "month"),
            ("in_closings", "in closings"),
            ("poured", "poured beside them"),
            ("by_hand", "taken by hand"),
            ("used", "in all"),
        ],
    );
    for ((item, unit), months) in &facts.uses.items {
        for (month, ways) in months {
            sheet.push([
                Cell::text(item),
                Cell::text(unit),
                Cell::text(month),
                amount(ways[0]),
                amount(ways[1]),
                amount(ways[2]),
                amount(ways.iter().sum()),
            ]);
        }
    }
    sheet
}

fn expected_sheet(facts: &Facts, expected: &Expected) -> Sheet {
    let mut sheet = Sheet::new(
        "expected",
        "Expected by item and month",
        &[
            ("item", "item"),
            ("unit", "unit"),
            ("month", "month"),
            ("expected", "expected"),
            ("by_then", "by then"),
            ("by_then_p90", "by then at most, 9 in 10"),
            ("from_day", "from"),
        ],
    );
    for ((item, unit), months) in expected {
        for (month, sums) in months {
            sheet.push([
                Cell::text(item),
                Cell::text(unit),
                Cell::text(month),
                amount(sums[0]),
                amount(sums[1]),
                amount(sums[2]),
                Cell::text(&facts.ahead.shop_day),
            ]);
        }
    }
    sheet
}

fn used_in(facts: &Facts, item: &Item, month: &str) -> i64 {
    facts.uses.items.get(item).and_then(|months| months.get(month)).map_or(0, |ways| ways.iter().sum())
}

/// The first month in which the use of anything is on record.
fn first_month(facts: &Facts) -> Option<&String> {
    facts.uses.items.values().filter_map(|months| months.keys().next()).min()
}

/// A plot of an item: the last months as they were, the next as they are expected.
fn drawn(facts: &Facts, item: &Item, expected: &Expected) -> String {
    let back: Vec<String> = facts.year.keys().rev().take(BACK).collect();
    let mut shown: Vec<Column> = Vec::new();
    for (place, month) in back.iter().rev().enumerate() {
        // Before the first use of anything there is no record to say that nothing was used.
        let used = first_month(facts)
            .is_some_and(|first| first <= month)
            .then(|| units(used_in(facts, item, month)));
        shown.push(Column {
            label: month_label(month, place == 0),
            value: used,
            text: used.map_or_else(|| "-".to_owned(), brief),
            limits: None,
            fill: Fill::Full,
        });
    }
    let ahead: BTreeSet<&String> =
        facts.ahead.tasks.iter().flat_map(|task| task.months.iter().map(|month| &month.month)).collect();
    for (place, month) in ahead.into_iter().take(AHEAD).enumerate() {
        let sum = expected.get(item).and_then(|months| months.get(month)).map_or(0, |sums| sums[0]);
        let [label, year] = month_label(month, false);
        // The first month ahead has begun: only the rest of it is expected.
        let second = if place == 0 { "rest".to_owned() } else { year };
        shown.push(Column {
            label: [label, second],
            value: Some(units(sum)),
            text: brief(units(sum)),
            limits: None,
            fill: Fill::Hatched,
        });
    }
    let (name, unit) = item;
    let title = format!("{name}: used by month, and expected");
    let desc: Vec<String> = shown
        .iter()
        .map(|column| {
            let what = if column.fill == Fill::Full { "used" } else { "expected" };
            format!("{} {what} {}", column.label[0], column.text)
        })
        .collect();
    let desc = desc.join(", ");
    let most = shown.iter().filter_map(|column| column.value).fold(0.0, f64::max);
    let unit = if unit.chars().count() > 3 { "" } else { unit };
    columns(
        HALF,
        Said { title: &title, desc: &desc, marks: MARKS },
        Axis { most, unit, is_whole: false },
        &shown,
    )
}

/// The items to draw: those used in the most months, then those expected, by name.
fn chosen<'f>(facts: &'f Facts, expected: &'f Expected) -> Vec<&'f Item> {
    let all: BTreeSet<&Item> = facts.uses.items.keys().chain(expected.keys()).collect();
    let mut all: Vec<&Item> = all.into_iter().collect();
    all.sort_by_key(|item| std::cmp::Reverse(facts.uses.items.get(*item).map_or(0, BTreeMap::len)));
    all
}

/// What was used against what an earlier report expected of the month.
fn against(facts: &Facts, before: &[Before], section: &mut Section) {
    let month = facts.year.month().format("%Y-%m").to_string();
    let rows: Vec<&Before> = before.iter().filter(|row| row.month == month).collect();
    let of = |row: &Before| facts.uses.named(&row.item, &row.unit);
    let Some(said_on) = rows.iter().map(|row| row.from_day).max() else {
        section.rests.push("The earlier report expected nothing of this month.".to_owned());
        return;
    };
    if said_on > facts.year.month() {
        section.rests.push(format!(
            "The earlier report is of {}: of this month it expected only the rest, which is not held against the whole.",
            Facts::day(said_on)
        ));
        return;
    }
    let mut sheet = Sheet::new(
        "against",
        "Used in the month, against what the earlier report expected of it",
        &[
            ("item", "item"),
            ("unit", "unit"),
            ("used", "used"),
            ("expected", "expected"),
            ("share", "used / expected"),
        ],
    );
    let known: BTreeMap<Item, i64> =
        rows.iter().map(|row| (of(row), thousandths(&row.expected).unwrap_or_default())).collect();
    let used = facts.uses.items.keys().filter(|item| used_in(facts, item, &month) > 0);
    let items: BTreeSet<&Item> = known.keys().chain(used).collect();
    let mut drawn = Vec::new();
    for item in items {
        let used = used_in(facts, item, &month);
        let expected = known.get(item).copied().unwrap_or_default();
        if used == 0 && expected == 0 {
            continue;
        }
        let share = (expected > 0).then(|| units(used) / units(expected));
        let (name, unit) = item;
        sheet.push([Cell::text(name), Cell::text(unit), amount(used), amount(expected), Cell::share(share)]);
        let text = format!("{} of {} {unit}", decimal(used), decimal(expected));
        drawn.push(Bar { label: shortened(name), value: share, text, fill: Fill::Full });
    }
    section.says.push(format!(
        "Used in {} / expected of it in the report of {}; what was due already counts as expected.",
        facts.month_name(),
        Facts::day(said_on)
    ));
    if !drawn.is_empty() {
        let desc =
            drawn.iter().map(|bar| format!("{}: {}", bar.label, bar.text)).collect::<Vec<_>>().join(", ");
        let said = Said {
            title: "Used of what was expected, by item",
            desc: &desc,
            marks: Marks::full("used, of what was expected"),
        };
        let most = drawn.iter().filter_map(|bar| bar.value).fold(1.2, f64::max);
        let plot = bars(said, Axis { most, unit: "%", is_whole: false }, Some((1.0, "as expected")), &drawn);
        section.plots.push(("Used of what was expected".to_owned(), plot));
    }
    section.sheets.push(sheet);
}

/// A name that leaves room for its bar; the table has it whole.
fn shortened(name: &str) -> String {
    const LETTERS: usize = 34;
    if name.chars().count() <= LETTERS {
        return name.to_owned();
    }
    let begin: String = name.chars().take(LETTERS - 1).collect();
    format!("{begin}…")
}

/// The heading of what was used against what an earlier report expected.
pub(super) const HELD: &str = "Used against what was expected";

/// What was used, and what is expected.
pub(super) fn used(facts: &Facts) -> Vec<Section> {
    let expected = expected(facts);
    let mut held = Section { title: HELD, ..Section::empty() };
    match &facts.earlier {
        Some(before) => against(facts, before, &mut held),
        None => held.rests.push(
            "What was expected on past days is not kept. A report that is written with its CSV files keeps it: give the folder of \
             the last month's to the next report, and what was used stands here beside what was expected."
                .to_owned(),
        ),
    }
    let mut section = Section { title: "Used by month, and expected", is_pair: true, ..Section::empty() };
    section.says.push(
        "Full columns: used, as closings say, as was poured outside work orders, and as was taken off the shelf by hand. Hatched: \
         expected, by the middle expectation of when kits are needed."
            .to_owned(),
    );
    let since =
        NaiveDate::parse_from_str(&facts.ahead.shop_day, "%Y-%m-%d").map(Facts::day).unwrap_or_default();
    section.rests.push(format!(
        "Expected is what the kits of tasks come to from {since} on; what nobody put into a kit, and what models of sumps and \
         bowls may take, is not in it."
    ));
    if let Some(first) = first_month(facts) {
        section.rests.push(format!(
            "The first use of anything on record is of {first}; a dash stands for what is not known."
        ));
    }
    if facts.uses.unread > 0 {
        section.rests.push(format!("{} amounts could not be read, and are left out.", facts.uses.unread));
    }
    let chosen = chosen(facts, &expected);
    if chosen.is_empty() {
        section
            .rests
            .push("Nothing was used and nothing is expected, so that there is nothing to draw.".to_owned());
    }
    if chosen.len() > DRAWN_MAX {
        section.rests.push(format!(
            "Drawn are {DRAWN_MAX} of {} items, those used in the most months first; the table has all.",
            chosen.len()
        ));
    }
    for item in chosen.into_iter().take(DRAWN_MAX) {
        let (name, unit) = item;
        let heading = if unit.is_empty() { name.clone() } else { format!("{name}, {unit}") };
        section.plots.push((heading, drawn(facts, item, &expected)));
    }
    section.sheets.push(used_sheet(facts));
    section.sheets.push(expected_sheet(facts, &expected));
    vec![held, section]
}

#[cfg(test)]
mod tests {
    #[test]
    fn large_amounts_are_not_cut() {
        assert_eq!(super::units(3_600_000_000_000).to_string(), "3600000000");
        assert_eq!(super::units(-2_147_483_649).to_string(), "-2147483.649");
    }
}
