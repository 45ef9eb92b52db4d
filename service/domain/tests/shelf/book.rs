//! What is said of an item's stock, and what that makes of it.

use super::{day, name, noon, of, oil};
use fettler_domain::error::Error;
use fettler_domain::quantity::Amount;
use fettler_domain::shelf::ItemCard;
use fettler_domain::shelf::book::{Counted, LOTS_MAX, Ordering, Receipt, Shelf, WhyCount};
use fettler_domain::shelf::said::{Applied, StockSaid, apply, use_up};
use fettler_domain::shop::KitItem;

const TODAY: &str = "2026-03-10";

fn say(card: &ItemCard, shelf: &mut Shelf, said: &StockSaid) -> Result<Applied, Error> {
    apply(card, shelf, said, day(TODAY), noon(TODAY))
}

fn receipt(units: i64, lot: Option<&str>, expires: Option<&str>) -> StockSaid {
    StockSaid::Received(Receipt {
        amount: of(units),
        lot: lot.map(name),
        expires: expires.map(day),
        purchase: None,
    })
}

fn ordering(units: i64) -> Ordering {
    Ordering { amount: of(units), arrives: None, reference: String::new(), purchase: None }
}

/// A shelf with three lots: one that has expired, one that expires soon, one that does so later.
fn shelf() -> Shelf {
    let mut shelf = Shelf::default();
    for (units, lot, expires) in
        [(2, "late", "2026-12-01"), (3, "soon", "2026-04-01"), (4, "old", "2026-03-01")]
    {
        say(&oil(), &mut shelf, &receipt(units, Some(lot), Some(expires))).expect("received");
    }
    shelf
}

fn lots(shelf: &Shelf) -> Vec<(&str, i64)> {
    shelf.lots.iter().map(|lot| (lot.lot.as_str(), lot.amount.0 / 1_000)).collect()
}

#[test]
fn what_expires_first_is_used_first_and_what_has_expired_last() {
    let mut shelf = shelf();
    assert_eq!(lots(&shelf), [("old", 4), ("soon", 3), ("late", 2)]);
    assert_eq!((shelf.usable(day(TODAY)), shelf.in_all()), (of(5), of(9)));
    let used = use_up(&oil(), &mut shelf, of(4), None, day(TODAY), noon(TODAY));
    assert!(used.findings.is_empty(), "{:?}", used.findings);
    assert_eq!(lots(&shelf), [("old", 4), ("late", 1)]);
    let used = use_up(&oil(), &mut shelf, of(2), None, day(TODAY), noon(TODAY));
    assert_eq!(used.findings, ["way oil: lot old was used, it had expired on 2026-03-01"]);
    assert_eq!(lots(&shelf), [("old", 3)]);
}

/// What had expired when it came goes back: nothing of what was ordered is here by that.
#[test]
fn an_expired_lot_fills_no_purchase() {
    let mut shelf = Shelf::default();
    say(&oil(), &mut shelf, &StockSaid::Ordered(ordering(5))).expect("ordered");
    let bad = say(&oil(), &mut shelf, &receipt(5, Some("old"), Some("2026-03-01"))).expect("received");
    assert_eq!(shelf.to_come(), of(5));
    assert_eq!(
        bad.remarks,
        [
            "lot old had expired on 2026-03-01 when it came; send it back",
            "it fills no purchase: what was ordered is still to come"
        ]
    );
    say(&oil(), &mut shelf, &receipt(5, Some("new"), Some(TODAY))).expect("received");
    assert_eq!(shelf.to_come(), Amount::ZERO, "a lot may be used on its last day");
}

#[test]
fn a_slip_in_what_was_taken_is_asked_back_once() {
    let mut shelf = shelf();
    let issued = |units, lot: Option<&str>, confirmed| StockSaid::Issued {
        amount: of(units),
        lot: lot.map(name),
        confirmed,
    };
    let before = shelf.clone();
    for (units, lot, expect) in [
        (10, None, "10 L is more than the 9 L by the book; if it is so, confirm it (`--it-is-so`)"),
        (
            3,
            Some("late"),
            "3 L is more than the 2 L of lot late by the book; if it is so, confirm it (`--it-is-so`)",
        ),
    ] {
        let Err(Error::AskedBack(asked)) = say(&oil(), &mut shelf, &issued(units, lot, false)) else {
            panic!("taken")
        };
        assert_eq!((asked[0].odd.field.as_str(), asked[0].odd.text.as_str()), ("quantity", expect));
    }
    assert_eq!(shelf, before);
    say(&oil(), &mut shelf, &issued(9, None, false)).expect("all there is is no question");
    let done = say(&oil(), &mut shelf, &issued(10, None, true)).expect("it is so");
    assert_eq!(done.taken.expect("taken").beyond, of(10));
}

/// A lot may be used on its last day.
#[test]
fn the_last_day_is_a_day_of_use() {
    let mut shelf = Shelf::default();
    say(&oil(), &mut shelf, &receipt(2, Some("a"), Some(TODAY))).expect("received");
    assert_eq!(shelf.usable(day(TODAY)), of(2));
    assert_eq!(shelf.usable(day(TODAY).plus_days(1)), Amount::ZERO);
}

#[test]
fn what_is_used_beyond_the_book_is_kept_and_asks_for_a_count() {
    let mut shelf = shelf();
    let used = use_up(&oil(), &mut shelf, of(12), None, day(TODAY), noon(TODAY));
    assert_eq!(used.taken.beyond, of(3));
    assert_eq!(used.findings[0], "way oil: 3 L more used than the 9 by the book; count it");
    assert_eq!(shelf.asks.map(|asked| asked.why), Some(WhyCount::Beyond));
    assert_eq!(shelf.findings(&oil(), day(TODAY)), ["count it: 3 L used beyond the book"]);
    let counted = say(&oil(), &mut shelf, &StockSaid::Counted(Counted::Total(of(1)))).expect("counted");
    assert_eq!(counted.remarks, ["1 L more than by the book"]);
    assert_eq!((shelf.asks, shelf.beyond, shelf.in_all()), (None, Amount::ZERO, of(1)));
}

#[test]
fn a_lot_that_is_named_is_the_one_that_is_taken_from() {
    let mut shelf = shelf();
    let used = use_up(&oil(), &mut shelf, of(3), Some(&name("late")), day(TODAY), noon(TODAY));
    assert_eq!(used.findings, ["way oil: 1 L more used than the 2 of lot late by the book; count it"]);
    assert_eq!(lots(&shelf), [("old", 4), ("soon", 3)]);
}

#[test]
fn what_is_given_back_lies_where_it_lay() {
    let before = shelf();
    let mut shelf = before.clone();
    let used = use_up(&oil(), &mut shelf, of(12), None, day(TODAY), noon(TODAY));
    shelf.give_back(&used.taken, noon(TODAY), noon("2026-03-11"));
    assert_eq!(shelf, before);
}

#[test]
fn what_is_given_back_after_a_count_asks_for_another() {
    let mut shelf = shelf();
    let used = use_up(&oil(), &mut shelf, of(4), None, day(TODAY), noon(TODAY));
    apply(
        &oil(),
        &mut shelf,
        &StockSaid::Counted(Counted::Total(of(5))),
        day("2026-03-11"),
        noon("2026-03-11"),
    )
    .expect("counted");
    shelf.give_back(&used.taken, noon(TODAY), noon("2026-03-12"));
    assert_eq!(
        (shelf.in_all(), shelf.asks.map(|asked| asked.why)),
        (of(9), Some(WhyCount::ReturnedAfterCount))
    );
}

#[test]
fn a_count_by_lots_says_all_there_is() {
    let mut shelf = shelf();
    let said = vec![(name("soon"), of(1), None), (name("new"), of(6), Some(day("2027-01-01")))];
    let counted = say(&oil(), &mut shelf, &StockSaid::Counted(Counted::Lots(said))).expect("counted");
    assert_eq!(counted.remarks, ["2 L less than by the book"]);
    assert_eq!(lots(&shelf), [("soon", 1), ("new", 6)]);
    assert_eq!(shelf.lots[0].expires, Some(day("2026-04-01")), "a known lot keeps its day");
}

#[test]
fn shelf_life_gives_a_lot_its_last_day() {
    let card = ItemCard { shelf_life_days: Some(365), lost_days: 35, ..oil() };
    let mut shelf = Shelf::default();
    say(&card, &mut shelf, &receipt(5, None, None)).expect("received");
    assert_eq!(shelf.lots[0].lot.as_str(), TODAY);
    assert_eq!(shelf.lots[0].expires, Some(day(TODAY).plus_days(330)));
    say(&card, &mut shelf, &receipt(5, None, Some("2026-06-01"))).expect("another");
    assert_eq!(lots(&shelf), [("2026-03-10-2", 5), (TODAY, 5)]);
    let refused =
        say(&card, &mut shelf, &receipt(5, Some(TODAY), Some("2026-06-02"))).expect_err("another day");
    assert!(refused.to_string().contains("is not the last day of lot 2026-03-10"), "{refused}");
}

#[test]
fn receipts_close_the_oldest_purchases_first() {
    let mut shelf = Shelf::default();
    for units in [5, 10] {
        say(&oil(), &mut shelf, &StockSaid::Ordered(ordering(units))).expect("ordered");
    }
    let arrived = say(&oil(), &mut shelf, &receipt(8, Some("a"), None)).expect("received");
    assert_eq!(
        arrived.remarks,
        ["5 L of purchase 1; all of it is here", "3 L of purchase 2; 7 L still to come"]
    );
    assert_eq!((shelf.to_come(), shelf.in_all()), (of(7), of(8)));
    let named = Receipt { amount: of(1), lot: None, expires: None, purchase: Some(1) };
    let refused = say(&oil(), &mut shelf, &StockSaid::Received(named)).expect_err("closed");
    assert_eq!(refused.to_string(), "purchase: 1 is no open purchase of this item; open: 2");
    let restated = Ordering { purchase: Some(2), arrives: Some(day("2026-04-01")), ..ordering(5) };
    let done = say(&oil(), &mut shelf, &StockSaid::Ordered(restated)).expect("restated");
    assert_eq!((done.purchase, shelf.to_come(), shelf.purchases[0].ordered), (Some(2), of(5), of(8)));
    say(&oil(), &mut shelf, &StockSaid::Cancelled(2)).expect("cancelled");
    assert_eq!(shelf.to_come(), Amount::ZERO);
    let third = say(&oil(), &mut shelf, &StockSaid::Ordered(ordering(5))).expect("ordered");
    assert_eq!(third.purchase, Some(3), "a number is given once");
}

/// What was done is recorded; buying is only meant.
#[test]
fn without_its_data_sheet_an_item_is_used_and_not_bought() {
    let bare = ItemCard { data_sheet: String::new(), ..oil() };
    let mut shelf = shelf();
    let refused = say(&bare, &mut shelf, &StockSaid::Ordered(ordering(5))).expect_err("no sheet");
    assert!(matches!(&refused, Error::WrongState { reason: "NO_SAFETY_DATA_SHEET", .. }), "{refused:?}");
    let used = use_up(&bare, &mut shelf, of(1), None, day(TODAY), noon(TODAY));
    assert_eq!(used.findings, ["way oil: hazardous, and used without a safety data sheet"]);
    say(&bare, &mut shelf, &receipt(5, Some("b"), None)).expect("received all the same");
    let retired = ItemCard { retire: true, ..oil() };
    let refused = say(&retired, &mut shelf, &StockSaid::Ordered(ordering(5))).expect_err("retired");
    assert!(matches!(&refused, Error::WrongState { reason: "ITEM_NOT_BOUGHT", .. }), "{refused:?}");
}

#[test]
fn lots_are_bounded() {
    let mut shelf = Shelf::default();
    for number in 0..LOTS_MAX {
        say(&oil(), &mut shelf, &receipt(1, Some(&format!("lot {number}")), None)).expect("received");
    }
    assert!(say(&oil(), &mut shelf, &receipt(1, Some("one more"), None)).is_err());
    say(&oil(), &mut shelf, &receipt(1, Some("lot 7"), None)).expect("a known one grows");
}

#[test]
fn kits_name_an_item_by_name_or_code_and_in_its_unit() {
    let card = ItemCard { code: Some(name("4711")), ..oil() };
    let said = |unit: &str| KitItem {
        item: name("4711"),
        quantity: "2.5".into(),
        unit: unit.into(),
        lot: None,
        into: None,
    };
    assert!(card.is_named("4711") && card.is_named("way oil") && !card.is_named("oil"));
    assert_eq!(card.amount_of(&said("L")), Some(Amount(2_500)));
    assert_eq!(card.amount_of(&said("")), Some(Amount(2_500)));
    assert_eq!(card.amount_of(&said("mL")), None);
}
