//! A year of buying by the list, day by day, against the best order-up-to policy that could have been chosen in hindsight.
//!
//! Demand, lead times and wear are drawn from a generator with fixed seeds. Every morning the list is asked for, what it says to
//! order today is ordered, and comes after its lead time; what lacks waits for it. The rival knows the year: of all pairs
//! (s, S) it takes the one that costs least in ordering and holding among those that keep the service level in that very year.

use super::{day, name};
use fettler_domain::ids::{MachineId, OrderNumber};
use fettler_domain::quantity::Amount;
use fettler_domain::shelf::ItemCard;
use fettler_domain::shelf::book::{Counted, Ordering, Receipt, Shelf};
use fettler_domain::shelf::buy::{Ask, line};
use fettler_domain::shelf::need::{ByHand, Need};
use fettler_domain::shelf::said::{StockSaid, apply, use_up};
use fettler_domain::time::{ShopDay, Ts};

const DAYS: usize = 365;
const SEEDS: u64 = 20;

/// A generator that gives the same in every run (Steele, Lea and Flood 2014: splitmix64).
struct Random(u64);

impl Random {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From 0 to below 1.
    fn share(&mut self) -> f64 {
        f64::from(u32::try_from(self.bits() >> 32).expect("32 bits")) / 4_294_967_296.0
    }

    /// As good as normal: twelve shares.
    fn normal(&mut self, mean: f64, deviation: f64) -> f64 {
        let sum: f64 = (0..12).map(|_| self.share()).sum();
        mean + deviation * (sum - 6.0)
    }
}

/// What a year came to.
#[derive(Debug, Default)]
struct Year {
    /// Orders that came.
    cycles: u32,
    /// Of these, before which the shelf had run out.
    short: u32,
    /// The stock at the end of the days, summed up.
    stock: f64,
    /// What was received, and what of it expired.
    received: f64,
    expired: f64,
}

impl Year {
    fn add(&mut self, other: &Year) {
        self.cycles += other.cycles;
        self.short += other.short;
        self.stock += other.stock;
        self.received += other.received;
        self.expired += other.expired;
    }

    fn service(&self) -> f64 {
        1.0 - f64::from(self.short) / f64::from(self.cycles.max(1))
    }
}

/// What is needed on each day of a year, and how long each order takes that is given on it.
struct Fate {
    demand: Vec<i64>,
    leads: Vec<usize>,
}

/// A year by the list. `needs` tells what is known on a morning of the work ahead.
fn by_the_list(
    card: &ItemCard,
    start: i64,
    fate: &Fate,
    mut known: impl FnMut(usize) -> (Vec<Need>, ByHand),
) -> Year {
    let first = day("2026-01-05");
    let noon =
        |place: i64| Ts::from_utc(first.plus_days(place).0.and_hms_opt(12, 0, 0).expect("noon").and_utc());
    let mut shelf = Shelf::default();
    let receive = |shelf: &mut Shelf, amount: i64, today: ShopDay, at: Ts| {
        let receipt = Receipt { amount: Amount(amount), lot: None, expires: None, purchase: None };
        apply(card, shelf, &StockSaid::Received(receipt), today, at).expect("received");
    };
    receive(&mut shelf, start, first, noon(0));
    let (mut year, mut coming, mut owed, mut ran_out) = (Year::default(), Vec::new(), 0, false);
    for (place, of_day) in (0_i64..).zip(fate.demand.iter().take(DAYS)) {
        let index = usize::try_from(place).expect("a day");
        let today = first.plus_days(place);
        let arrived: i64 = coming.iter().filter(|(when, _)| *when == index).map(|(_, amount)| *amount).sum();
        if arrived > 0 {
            year.cycles += 1;
            year.short += u32::from(ran_out);
            ran_out = false;
            year.received += as_units(arrived);
            receive(&mut shelf, arrived, today, noon(place));
        }
        // What has expired is thrown away, as a count by lots says.
        let thrown = shelf.in_all() - shelf.usable(today);
        if thrown > Amount::ZERO {
            year.expired += as_units(thrown.0);
            let left = shelf.lots.iter().filter(|lot| !lot.has_expired(today));
            let left = left.map(|lot| (lot.lot.clone(), lot.amount, None)).collect();
            apply(card, &mut shelf, &StockSaid::Counted(Counted::Lots(left)), today, noon(place))
                .expect("counted");
        }
        coming.retain(|(when, _)| *when != index);
        let (needs, by_hand) = known(index);
        let ask = Ask { card, shelf: &shelf, needs: &needs, by_hand, today, until: today.plus_days(91) };
        if let Some(line) = line(ask).expect("a line").filter(|line| line.order_by == today) {
            let ordering =
                Ordering { amount: line.amount, arrives: None, reference: String::new(), purchase: None };
            apply(card, &mut shelf, &StockSaid::Ordered(ordering), today, noon(place)).expect("ordered");
            coming.push((index + fate.leads[index], line.amount.0));
        }
        owed += of_day;
        let taken = owed.min(shelf.in_all().0);
        if taken > 0 {
            use_up(card, &mut shelf, Amount(taken), None, today, noon(place));
        }
        owed -= taken;
        ran_out |= owed > 0;
        year.stock += as_units(shelf.in_all().0);
    }
    year
}

/// A year by (s, S), with what it costs to order and to hold.
fn by_level(card: &ItemCard, start: i64, fate: &Fate, low: i64, high: i64) -> (Year, f64) {
    let (mut year, mut coming, mut stock, mut ran_out) = (Year::default(), Vec::new(), start, false);
    let mut orders = 0.0;
    for (index, of_day) in fate.demand.iter().take(DAYS).enumerate() {
        let arrived: i64 = coming.iter().filter(|(when, _)| *when == index).map(|(_, amount)| *amount).sum();
        if arrived > 0 {
            year.cycles += 1;
            year.short += u32::from(ran_out);
            ran_out = false;
            stock += arrived;
        }
        coming.retain(|(when, _)| *when != index);
        let position = stock + coming.iter().map(|(_, amount)| *amount).sum::<i64>();
        if position <= low {
            let packs = (high - position + card.pack.0 - 1) / card.pack.0;
            coming.push((index + fate.leads[index], packs * card.pack.0));
            orders += 1.0;
        }
        stock -= of_day;
        ran_out |= stock < 0;
        year.stock += as_units(stock.max(0));
    }
    let cost = |amount: Option<Amount>| amount.map_or(0.0, |amount| as_units(amount.0));
    let total = orders * cost(card.order_cost) + cost(card.holding_cost) * year.stock / 365.0;
    (year, total)
}

#[expect(clippy::cast_precision_loss, reason = "amounts of a shelf")]
fn as_units(amount: i64) -> f64 {
    amount as f64 / 1_000.0
}

/// The cheapest (s, S) that keeps the service level over all years at once.
fn best_level(card: &ItemCard, start: i64, fates: &[Fate]) -> Year {
    let step = card.pack.0;
    let service = f64::from(card.service_percent) / 100.0;
    let mut best: Option<(f64, Year)> = None;
    for low in (0..20).map(|packs| packs * step) {
        for high in (8..=40).map(|packs| low + packs * step) {
            let (mut all, mut cost) = (Year::default(), 0.0);
            for fate in fates {
                let (year, of_year) = by_level(card, start, fate, low, high);
                all.add(&year);
                cost += of_year;
            }
            if all.service() >= service && best.as_ref().is_none_or(|(least, _)| cost < *least) {
                best = Some((cost, all));
            }
        }
    }
    best.expect("some level keeps it").1
}

#[expect(clippy::print_stdout, reason = "the figures that docs/measurements.md tells")]
fn tell(figures: &str) {
    println!("{figures}");
}

fn held(what: &str, own: &Year, best: &Year, service: f64) {
    let ratio = own.stock / best.stock;
    tell(&format!(
        "{what}: {} orders, {} after the shelf ran out ({:.3} kept it), mean stock {:.2}, of the best {:.2}: {ratio:.3}",
        own.cycles,
        own.short,
        own.service(),
        own.stock / (365.0 * 20.0),
        best.stock / (365.0 * 20.0),
    ));
    // Three standard errors of the share, as years are drawn.
    let error = (service * (1.0 - service) / f64::from(own.cycles)).sqrt();
    assert!(own.service() >= service - 3.0 * error, "{what}: {own:?}");
    assert!(ratio <= 1.3, "{what}: {own:?} against {best:?}");
}

fn item(service: u32) -> ItemCard {
    ItemCard {
        pack: Amount(5_000),
        lead_days: 7,
        lead_spread_days: 1,
        service_percent: service,
        order_cost: Some(Amount(12_000)),
        holding_cost: Some(Amount(1_500)),
        unit: "L".into(),
        ..ItemCard::plain(name("coolant concentrate"))
    }
}

/// Six to ten days, as a spread of one day says.
fn lead(random: &mut Random) -> usize {
    [6, 7, 7, 7, 7, 8, 8, 7, 6, 7][usize::try_from(random.bits() % 10).expect("small")]
}

/// Years of an item that is topped up by hand, some 3 L a day with a spread of 1.2 L, by the list; and what they were made of.
fn by_hand(card: &ItemCard) -> (Year, Vec<Fate>) {
    let (mut own, mut fates) = (Year::default(), Vec::new());
    for seed in 0..SEEDS {
        let mut random = Random(seed);
        let whole = |litres: f64| Amount(if litres > 0.0 { milli(litres) } else { 0 }).0;
        let before: Vec<i64> = (0..182).map(|_| whole(random.normal(3.0, 1.2))).collect();
        let demand: Vec<i64> = (0..DAYS).map(|_| whole(random.normal(3.0, 1.2))).collect();
        let leads = (0..DAYS).map(|_| lead(&mut random)).collect();
        let fate = Fate { demand, leads };
        let all: Vec<i64> = before.iter().chain(&fate.demand).copied().collect();
        let first = day("2026-01-05");
        let known = |index: usize| {
            let today = first.plus_days(i64::try_from(index).expect("a day"));
            let issues: Vec<(ShopDay, Amount)> = (1..=182_i64)
                .map(|ago| {
                    let place = index + 182 - usize::try_from(ago).expect("a day");
                    (today.plus_days(-ago), Amount(all[place]))
                })
                .collect();
            (Vec::new(), ByHand::of(&issues, today))
        };
        own.add(&by_the_list(card, 60_000, &fate, known));
        fates.push(fate);
    }
    (own, fates)
}

#[test]
fn a_year_of_use_by_hand_keeps_its_service_level_and_little_more() {
    for service in [90, 95, 98] {
        let card = item(service);
        let (own, fates) = by_hand(&card);
        let best = best_level(&card, 60_000, &fates);
        held(&format!("by hand, {service} %"), &own, &best, f64::from(service) / 100.0);
    }
}

/// The economic quantity would last some 44 days; it is good for 30, and what is bought is used in them.
#[test]
fn a_year_of_what_expires_throws_next_to_nothing_away() {
    let card = ItemCard { shelf_life_days: Some(30), pack: Amount(1_000), ..item(95) };
    let (own, _) = by_hand(&card);
    tell(&format!(
        "expiring: {:.1} of {:.0} L thrown away, {:.3} kept its service",
        own.expired,
        own.received,
        own.service()
    ));
    assert!(own.expired <= 0.01 * own.received, "{own:?}");
    assert!(own.service() >= 0.95 - 3.0 * (0.95 * 0.05 / f64::from(own.cycles)).sqrt(), "{own:?}");
}

#[expect(clippy::cast_possible_truncation, reason = "litres of a day")]
fn milli(litres: f64) -> i64 {
    (litres * 1_000.0).round() as i64
}

/// Thirty machines that take 5 L each time, some every six weeks, with a spread of a sixth of that.
#[test]
fn a_year_of_planned_work_keeps_its_service_level_and_little_more() {
    const EVERY: f64 = 42.0;
    const SPREAD: f64 = 7.0;
    const Z: [f64; 3] = [-1.2816, 0.0, 1.2816];
    let card = item(95);
    let (mut own, mut fates) = (Year::default(), Vec::new());
    for seed in 0..SEEDS {
        let mut random = Random(seed + 1_000);
        let mut done: Vec<Vec<f64>> = Vec::new();
        for _ in 0..30 {
            let mut days = vec![-random.share() * EVERY];
            while days.last().is_some_and(|last| *last < 500.0) {
                let last = days[days.len() - 1];
                days.push(last + random.normal(EVERY, SPREAD).max(1.0));
            }
            done.push(days);
        }
        let mut demand = vec![0; DAYS];
        for day in done.iter().flatten().filter(|day| **day >= 0.0) {
            if let Some(of_day) = demand.get_mut(place(*day)) {
                *of_day += 5_000;
            }
        }
        let leads = (0..DAYS).map(|_| lead(&mut random)).collect();
        let fate = Fate { demand, leads };
        let known = |index: usize| {
            let now = f64::from(u32::try_from(index).expect("a day"));
            let first = day("2026-01-05");
            let needs = (1_i64..).zip(&done).map(|(machine, days)| {
                let last = days.iter().copied().filter(|day| *day < now).fold(days[0], f64::max);
                let of_pace = |z: f64| {
                    let times = (1..=6_u32).map(|time| {
                        let due = last + EVERY * f64::from(time) + z * SPREAD * f64::from(time).sqrt();
                        first.plus_days(i64::try_from(place(due.max(now))).expect("a day"))
                    });
                    times.collect()
                };
                Need {
                    machine: MachineId(machine),
                    order: OrderNumber(machine),
                    amount: Amount(5_000),
                    days: Z.map(of_pace),
                }
            });
            (needs.collect(), ByHand::default())
        };
        own.add(&by_the_list(&card, 60_000, &fate, known));
        fates.push(fate);
    }
    let best = best_level(&card, 60_000, &fates);
    held("planned work, 95 %", &own, &best, 0.95);
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a day of the year, none below 0"
)]
fn place(day: f64) -> usize {
    day.floor() as usize
}
