//! Lines of the buy list.

use super::{day, name, noon, of, oil};
use fettler_domain::ids::{MachineId, OrderNumber};
use fettler_domain::quantity::Amount;
use fettler_domain::shelf::ItemCard;
use fettler_domain::shelf::book::{Ordering, Receipt, Shelf};
use fettler_domain::shelf::buy::{Ask, BuyLine, Verdict, line};
use fettler_domain::shelf::need::{ByHand, Need};
use fettler_domain::shelf::said::{StockSaid, apply};

const TODAY: &str = "2026-03-02";

/// A machine that takes so much on each of some days from today, whatever it runs.
fn surely(machine: i64, units: i64, days: &[i64]) -> Need {
    let days: Vec<_> = days.iter().map(|of| day(TODAY).plus_days(*of)).collect();
    Need {
        machine: MachineId(machine),
        order: OrderNumber(machine),
        amount: of(units),
        days: [days.clone(), days.clone(), days],
    }
}

fn stocked(card: &ItemCard, units: i64, expires: Option<&str>) -> Shelf {
    let mut shelf = Shelf::default();
    let receipt =
        Receipt { amount: of(units), lot: Some(name("a")), expires: expires.map(day), purchase: None };
    apply(card, &mut shelf, &StockSaid::Received(receipt), day(TODAY), noon(TODAY)).expect("received");
    shelf
}

fn ordered(card: &ItemCard, shelf: &mut Shelf, units: i64, arrives: Option<&str>) {
    let said =
        Ordering { amount: of(units), arrives: arrives.map(day), reference: String::new(), purchase: None };
    apply(card, shelf, &StockSaid::Ordered(said), day(TODAY), noon(TODAY)).expect("ordered");
}

fn ask<'a>(card: &'a ItemCard, shelf: &'a Shelf, needs: &'a [Need]) -> Ask<'a> {
    let today = day(TODAY);
    Ask { card, shelf, needs, by_hand: ByHand::default(), today, until: today.plus_days(91) }
}

fn of_line(card: &ItemCard, shelf: &Shelf, needs: &[Need]) -> Option<BuyLine> {
    line(ask(card, shelf, needs)).expect("a line")
}

#[test]
fn what_suffices_is_not_bought() {
    let shelf = stocked(&oil(), 10, None);
    assert_eq!(of_line(&oil(), &shelf, &[surely(1, 2, &[5, 20, 40, 60, 80])]), None);
    assert_eq!(of_line(&oil(), &Shelf::default(), &[]), None);
}

/// 10 L suffice for five changes; the sixth, on day 50, needs a pack that takes a week.
#[test]
fn a_sure_need_is_ordered_a_lead_time_before_it_lacks() {
    let shelf = stocked(&oil(), 10, None);
    let needs = [surely(1, 2, &[5, 10, 20, 30, 40, 50])];
    let line = of_line(&oil(), &shelf, &needs).expect("a line");
    assert_eq!((line.verdict, line.amount, line.packs), (Verdict::Order, of(5), 1));
    assert_eq!((line.order_by, line.arrives), (day(TODAY).plus_days(43), day(TODAY).plus_days(50)));
    assert_eq!((line.runs_out, line.waiting.len()), (Some(day(TODAY).plus_days(50)), 0));
    assert_eq!(line.ground.needed, [of(12), of(12), of(12)]);
    assert_eq!(line.ground.safety_stock, Amount::ZERO, "what is sure needs none");
}

#[test]
fn what_comes_too_late_says_what_waits() {
    let shelf = stocked(&oil(), 3, None);
    let needs = [surely(1, 2, &[1]), surely(2, 2, &[2, 30]), surely(3, 1, &[3]), surely(4, 2, &[20])];
    let line = of_line(&oil(), &shelf, &needs).expect("a line");
    assert_eq!((line.verdict, line.order_by), (Verdict::Late, day(TODAY)));
    assert_eq!(line.runs_out, Some(day(TODAY).plus_days(2)));
    assert_eq!(line.waiting, [OrderNumber(2)], "the third order needs no more than is left");
    assert_eq!(line.amount, of(5));
}

#[test]
fn the_least_order_and_whole_packs_are_kept() {
    let card = ItemCard { least: of(12), ..oil() };
    let line = of_line(&card, &Shelf::default(), &[surely(1, 2, &[30])]).expect("a line");
    assert_eq!((line.amount, line.packs), (of(15), 3));
}

/// Snyder and Shen, example 3.1: K 8, h 0.225, 1300 a year, Q 304.05; the cheaper neighbour in packs of 5 is 305.
#[test]
fn declared_costs_give_the_economic_quantity() {
    let card = ItemCard { order_cost: Some(of(8)), holding_cost: Some(Amount(225)), lead_days: 0, ..oil() };
    // 92 days from today at 1300 a year.
    let every_day: Vec<i64> = (0..92).collect();
    let need = Need { amount: Amount(3_562), ..surely(1, 1, &every_day) };
    let line = of_line(&card, &Shelf::default(), &[need]).expect("a line");
    assert_eq!(line.ground.economic, Some(of(305)));
    assert_eq!(line.amount, of(305));
}

#[test]
fn no_more_is_bought_than_is_used_before_it_expires() {
    // 1 L a day and a life of 20 days: of a least order's lot of 40 only 20 would be used.
    let every_day: Vec<i64> = (0..92).collect();
    let dear = ItemCard { order_cost: Some(of(1_000)), holding_cost: Some(of(1)), ..oil() };
    let card = ItemCard { shelf_life_days: Some(25), lost_days: 5, pack: of(1), ..dear };
    let line = of_line(&card, &stocked(&card, 10, None), &[surely(1, 1, &every_day)]).expect("a line");
    assert!(line.ground.economic.is_some_and(|lot| lot > of(500)), "{:?}", line.ground);
    // What is lacking on the day of its arrival is used at once, and 20 days' use after that.
    assert_eq!((line.amount, line.some_will_expire), (of(21), false));
    // Where the least that can be bought is more than that, it is bought and said.
    let large = ItemCard { pack: of(40), ..card };
    let line = of_line(&large, &stocked(&large, 10, None), &[surely(1, 1, &every_day)]).expect("a line");
    assert_eq!((line.amount, line.some_will_expire), (of(40), true));
}

/// 20 L that expire after ten days of 1 L a day leave 10 unused.
#[test]
fn what_expires_on_the_shelf_does_not_count() {
    let every_day: Vec<i64> = (0..92).collect();
    let shelf = stocked(&oil(), 20, Some("2026-03-11"));
    let line = of_line(&oil(), &shelf, &[surely(1, 1, &every_day)]).expect("a line");
    assert_eq!(line.ground.expiring, of(10));
    assert_eq!(line.runs_out, Some(day("2026-03-12")));
    let expired = stocked(&oil(), 20, Some("2026-03-01"));
    let line = of_line(&oil(), &expired, &[surely(1, 1, &every_day)]).expect("a line");
    assert_eq!((line.ground.usable, line.runs_out), (Amount::ZERO, Some(day(TODAY))));
}

#[test]
fn what_is_on_its_way_counts_when_it_comes() {
    let needs = [surely(1, 5, &[10])];
    let mut shelf = Shelf::default();
    ordered(&oil(), &mut shelf, 5, Some("2026-03-12"));
    assert_eq!(of_line(&oil(), &shelf, &needs), None, "on the day it is needed");
    let mut shelf = Shelf::default();
    ordered(&oil(), &mut shelf, 5, Some("2026-03-13"));
    assert!(of_line(&oil(), &shelf, &needs).is_some(), "a day too late");
    let mut shelf = Shelf::default();
    ordered(&oil(), &mut shelf, 5, None);
    assert_eq!(of_line(&oil(), &shelf, &needs), None, "not confirmed: after its lead time of a week");
}

#[test]
fn an_overdue_purchase_counts_from_tomorrow_on() {
    let mut shelf = Shelf::default();
    ordered(&oil(), &mut shelf, 5, Some("2026-03-03"));
    let (needs, card) = ([surely(1, 5, &[4])], oil());
    let later = |today: i64| {
        let today = day(TODAY).plus_days(today);
        line(Ask { today, ..ask(&card, &shelf, &needs) }).expect("a line")
    };
    assert_eq!(later(3), None, "due the day before yesterday, counted for tomorrow");
    // It is enough once it is here, so no other is ordered.
    let hurry = later(4).expect("a line");
    assert_eq!(
        (hurry.verdict, hurry.amount, hurry.runs_out),
        (Verdict::Hurry, Amount::ZERO, Some(day("2026-03-06")))
    );
    assert_eq!(hurry.waiting, [OrderNumber(1)]);
}

/// A machine may take 1 within the lead time with a chance of three in ten: at 95 % one is kept for it, at 70 % none.
#[test]
fn the_service_level_says_what_is_kept() {
    let need = Need {
        days: [vec![day(TODAY).plus_days(3)], vec![day(TODAY).plus_days(60)], vec![day(TODAY).plus_days(80)]],
        ..surely(1, 5, &[])
    };
    let sure = of_line(&oil(), &Shelf::default(), std::slice::from_ref(&need)).expect("a line");
    assert_eq!((sure.order_by, sure.ground.reorder_point), (day(TODAY), of(5)));
    assert_eq!(sure.verdict, Verdict::Order, "it lacks only if it comes early");
    let bold = ItemCard { service_percent: 70, ..oil() };
    let bold = of_line(&bold, &Shelf::default(), &[need]).expect("a line");
    assert_eq!(bold.ground.safety_stock, Amount::ZERO);
}

/// Heizer and Render (from memory): 150 a day, 16 from day to day, 5 days with a spread of 1, 95 %: 254 are kept. The list
/// adds the day until it is looked at again, so a lead time of 4 days is taken for theirs of 5.
#[test]
fn the_spread_of_use_and_of_the_lead_time_is_kept() {
    let card = ItemCard { lead_days: 4, lead_spread_days: 1, pack: of(1), ..oil() };
    let by_hand = ByHand { per_day: 150.0, week_deviation: 16.0 * 7.0_f64.sqrt() };
    let shelf = Shelf::default();
    let line = line(Ask { by_hand, ..ask(&card, &shelf, &[]) }).expect("no fault").expect("a line");
    assert!((line.ground.safety_stock.0 - 253_633).abs() < 100, "{:?}", line.ground);
    assert!((line.ground.reorder_point.0 - 1_003_633).abs() < 100, "{:?}", line.ground);
}

#[test]
fn a_hazardous_item_without_its_sheet_is_listed_and_not_bought() {
    let bare = ItemCard { data_sheet: String::new(), ..oil() };
    let line = of_line(&bare, &Shelf::default(), &[surely(1, 2, &[3])]).expect("a line");
    assert_eq!(line.verdict, Verdict::NoDataSheet);
    assert_eq!(of_line(&ItemCard { retire: true, ..oil() }, &Shelf::default(), &[surely(1, 2, &[3])]), None);
}
