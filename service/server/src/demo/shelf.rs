//! What lies on the invented shop's shelf. Packs, lead times, costs and shelf lives are common practice without a source; codes and
//! numbers of sheets are made up.

use anyhow::Result;
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::shelf::book::{Counted, Ordering};
use fettler_domain::shelf::said::StockSaid;
use fettler_domain::text::{ForeignName, Name};
use fettler_domain::time::ShopDay;
use fettler_proto::v1;
use fettler_store::contract::StockTold;

/// An item, in a few words: name, code, unit, pack, lead time, shelf life in days (0: none), data sheet (`-`: hazardous, and
/// missing; empty: not hazardous).
type Words = (&'static str, &'static str, &'static str, &'static str, i32, i32, &'static str);

const ITEMS: &[Words] = &[
    ("way oil VG 68", "20-068", "L", "20", 5, 1_095, "SDS 12"),
    ("coolant concentrate", "20-300", "L", "25", 7, 365, "SDS 31"),
    ("lint-free cloth", "10-004", "pcs", "50", 3, 0, ""),
    ("filter mat 250 x 250", "30-250", "pcs", "10", 10, 0, ""),
    ("pH strip", "10-021", "pcs", "100", 5, 730, ""),
    ("way wiper set", "40-110", "pcs", "1", 21, 1_825, ""),
    ("filter paper roll", "30-900", "pcs", "1", 14, 0, ""),
    ("coalescing element", "30-014", "pcs", "1", 14, 0, ""),
    ("O-ring set", "40-002", "pcs", "1", 10, 1_825, ""),
    ("pre-filter cassette", "30-077", "pcs", "2", 14, 0, ""),
    ("spindle oil HM 32", "20-032", "L", "20", 5, 1_095, "SDS 14"),
    ("spindle grease", "20-410", "pcs", "1", 10, 730, "-"),
];

/// The items.
pub(super) fn items() -> Vec<v1::ItemCard> {
    let item = |&(name, code, unit, pack, lead, life, sheet): &Words| v1::ItemCard {
        name: name.into(),
        code: code.into(),
        unit: unit.into(),
        pack: pack.into(),
        lead_days: Some(lead),
        lead_spread_days: lead / 5,
        shelf_life_days: life,
        hazardous: !sheet.is_empty(),
        data_sheet: sheet.trim_matches('-').into(),
        order_cost: "15".into(),
        holding_cost: if unit == "L" { "0.8" } else { "12" }.into(),
        ..Default::default()
    };
    ITEMS.iter().map(item).collect()
}

/// What there was when the shelf was counted first; of some there was none.
const COUNTED: &[(&str, i64)] = &[
    ("way oil VG 68", 38),
    ("coolant concentrate", 70),
    ("spindle oil HM 32", 12),
    ("lint-free cloth", 100),
    ("filter mat 250 x 250", 14),
    ("pH strip", 120),
    ("way wiper set", 2),
    ("filter paper roll", 2),
    ("coalescing element", 1),
    ("O-ring set", 4),
    ("pre-filter cassette", 1),
];

fn told(item: &str, said: StockSaid) -> Result<StockTold> {
    let by = Some(Name::new("Ben Holt")?);
    Ok(StockTold { item: ForeignName::new(item)?, said, by, note: String::new() })
}

fn units(of: i64) -> Amount {
    Amount(of * Unit::Cycles.per_unit())
}

/// The first count.
pub(super) fn counted() -> Result<Vec<StockTold>> {
    let count = |(item, of): &(&str, i64)| told(item, StockSaid::Counted(Counted::Total(units(*of))));
    COUNTED.iter().map(count).collect()
}

/// What was ordered since.
pub(super) fn ordered(today: ShopDay) -> Result<Vec<StockTold>> {
    let ordering = Ordering {
        amount: units(50),
        arrives: Some(today.plus_days(9)),
        reference: "P-2207".to_owned(),
        purchase: None,
    };
    Ok(vec![told("coolant concentrate", StockSaid::Ordered(ordering))?])
}
