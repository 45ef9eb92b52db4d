//! The shelf: what changes an item's stock, and the lines of the buy list.

mod book;
mod buy;
mod year;

use fettler_domain::quantity::Amount;
use fettler_domain::shelf::ItemCard;
use fettler_domain::text::Name;
use fettler_domain::time::{ShopDay, Ts};

fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

fn day(text: &str) -> ShopDay {
    ShopDay(text.parse().expect("a day"))
}

/// Noon of a day.
fn noon(text: &str) -> Ts {
    Ts::from_utc(format!("{text}T12:00:00Z").parse::<chrono::DateTime<chrono::Utc>>().expect("an instant"))
}

/// So many whole units.
fn of(units: i64) -> Amount {
    Amount(units * 1_000)
}

/// An oil in litres, hazardous with its sheet, in packs of 5.
fn oil() -> ItemCard {
    ItemCard {
        unit: "L".into(),
        pack: of(5),
        hazardous: true,
        data_sheet: "folder 3".into(),
        ..ItemCard::plain(name("way oil"))
    }
}
