//! A line of the buy list: what is needed day by day against what is on the shelf and on its way.

use super::book::Shelf;
use super::need::{ByHand, Need, Spread, daily_mean, daily_middle};
use super::{ItemCard, quantity, units};
use crate::consumables::netting::{Lots, Period, net_within};
use crate::consumables::order_quantity::Costs;
use crate::consumables::reorder::{Demand, LeadTime, reorder_point};
use crate::consumables::shelf_life::{Lot, order_max_along, use_up_along};
use crate::consumables::stock::{Cost, CycleService, Quantity, UsePerDay, UsePerYear};
use crate::ids::OrderNumber;
use crate::physics::measure::{Days, Impossible, ceil, floor};
use crate::quantity::{Amount, Unit};
use crate::statistics::normal;
use crate::time::ShopDay;
use serde::{Deserialize, Serialize};

/// How far the list looks where it is not said, in days: a quarter of a year.
pub const HORIZON_DAYS_DEFAULT: i64 = 91;
/// The farthest horizon, in days.
pub const HORIZON_DAYS_MAX: i64 = 366;
/// The most waiting orders that a line names.
pub const WAITING_MAX: usize = 100;
/// How long something without a last day is taken to be good, in days: longer than anything is kept.
const FOR_EVER: Days = Days(1e6);
const DAYS_A_YEAR: f64 = 365.0;

/// What a line of the buy list says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// To be ordered by its day.
    Order,
    /// To be ordered today, and late even so.
    Late,
    /// Nothing is to be ordered, but what is on its way comes after the shelf has run out.
    Hurry,
    /// Needed, and not to be bought: hazardous, and without a safety data sheet.
    NoDataSheet,
}

/// A line of the buy list.
#[derive(Clone, Debug, PartialEq)]
pub struct BuyLine {
    /// What it says.
    pub verdict: Verdict,
    /// How much to order: whole packs.
    pub amount: Amount,
    /// How many packs that is.
    pub packs: i64,
    /// By when to order.
    pub order_by: ShopDay,
    /// When it is then expected to arrive.
    pub arrives: ShopDay,
    /// When the stock would fall below what is kept against spread.
    pub low_on: ShopDay,
    /// When the shelf runs out without it, within the horizon.
    pub runs_out: Option<ShopDay>,
    /// Open orders that have to wait for it.
    pub waiting: Vec<OrderNumber>,
    /// What it rests on.
    pub ground: Ground,
    /// Whether some of it will expire before it is used, because no less can be bought.
    pub some_will_expire: bool,
}

/// What a line rests on, in the item's unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Ground {
    /// What may be used of what is on the shelf.
    pub usable: Amount,
    /// What of that expires before it is used.
    pub expiring: Amount,
    /// What is on its way.
    pub to_come: Amount,
    /// What is needed up to the horizon: on average, not reached with one chance in ten, not exceeded with nine.
    pub needed: [Amount; 3],
    /// What is kept against the spread of need and lead time.
    pub safety_stock: Amount,
    /// The stock at which to order.
    pub reorder_point: Amount,
    /// The economic order quantity in whole packs.
    pub economic: Option<Amount>,
    /// The most that can be used before it expires.
    pub usable_in_time: Option<Amount>,
}

/// What a line is made from.
#[derive(Clone, Copy, Debug)]
pub struct Ask<'a> {
    /// The item.
    pub card: &'a ItemCard,
    /// What there is of it.
    pub shelf: &'a Shelf,
    /// What work ahead takes of it.
    pub needs: &'a [Need],
    /// What is taken by hand.
    pub by_hand: ByHand,
    /// Today.
    pub today: ShopDay,
    /// The last day that is looked at.
    pub until: ShopDay,
}

/// The last day that the list has to look at for an item: past its lead time with twice its spread.
pub fn least_horizon(card: &ItemCard, today: ShopDay) -> ShopDay {
    let days = i64::from(card.lead_days) + 2 * i64::from(card.lead_spread_days) + 7;
    today.plus_days(days.min(HORIZON_DAYS_MAX))
}

/// When a purchase is expected: on the day that its supplier has confirmed, else after the lead time; where that is past, the
/// lead time's spread from tomorrow on.
pub fn expected_on(card: &ItemCard, purchase: &super::book::Purchase, today: ShopDay) -> ShopDay {
    let said = purchase.arrives.unwrap_or(purchase.ordered_day.plus_days(i64::from(card.lead_days)));
    if said < today { today.plus_days(1 + i64::from(card.lead_spread_days)) } else { said }
}

/// The line of an item; none where nothing is to be bought.
pub fn line(ask: Ask<'_>) -> Result<Option<BuyLine>, Impossible> {
    if ask.card.retire {
        return Ok(None);
    }
    let course = Course::of(&ask);
    let ground = Ground::of(&ask, &course)?;
    let lead = usize::try_from(ask.card.lead_days).unwrap_or(0);
    let least = units(ask.card.least).max(ground.economic.map_or(0.0, units));
    let lots = Lots {
        safety_stock: quantity(ground.safety_stock),
        lead_periods: 0,
        pack: quantity(ask.card.pack),
        least: Quantity(least),
    };
    let most = |period: usize, stock: f64| course.most(&ask, lead + period, stock);
    let plan = net_within(Quantity(course.on_hand), lots, &course.periods(lead), most)?;
    let runs_out = course.runs_out();
    let runs_out_first = runs_out.is_some_and(|day| day < lead);
    let ordered = match plan.receipts.iter().position(|receipt| *receipt > 0.0) {
        Some(ordered) => ordered,
        // What is on its way suffices, but it comes too late.
        None if runs_out_first => 0,
        None => return Ok(None),
    };
    let packs = whole(plan.receipts[ordered] / units(ask.card.pack));
    let arrival = ordered + lead;
    let day = |place: usize| ask.today.plus_days(i64::try_from(place).unwrap_or(i64::MAX));
    let verdict = match (ask.card.lacks_data_sheet(), packs) {
        (true, _) => Verdict::NoDataSheet,
        (false, 0) => Verdict::Hurry,
        (false, _) if ordered == 0 && runs_out_first => Verdict::Late,
        (false, _) => Verdict::Order,
    };
    let stock = course.stock_on(arrival);
    let in_time = course.usable_in_time(&ask, arrival, stock);
    Ok(Some(BuyLine {
        verdict,
        amount: Amount(packs * ask.card.pack.0),
        packs,
        order_by: day(ordered),
        arrives: day(arrival),
        low_on: day(arrival),
        runs_out: runs_out.map(day),
        waiting: course.waiting(&ask, lead),
        ground: Ground { usable_in_time: in_time.map(amount), ..ground },
        some_will_expire: in_time.is_some_and(|most| plan.receipts[ordered] > most + 1e-6),
    }))
}

/// The least that can be bought of an item, in whole packs.
fn least_packs(card: &ItemCard) -> f64 {
    let (pack, least) = (units(card.pack), units(card.least));
    ceil(least.max(pack) / pack) * pack
}

/// What happens to an item's stock day by day if nothing is bought.
struct Course {
    on_hand: f64,
    /// What is needed each day, on average.
    needed: Vec<f64>,
    /// The same at the middle pace: what is done on the days on which it is expected.
    middle: Vec<f64>,
    /// What expires unused at the start of each day.
    lost: Vec<f64>,
    /// What arrives each day.
    arriving: Vec<f64>,
    /// What is needed from now up to the start of each day.
    up_to: Vec<f64>,
}

impl Course {
    fn of(ask: &Ask<'_>) -> Course {
        let days = usize::try_from(ask.until.days_since(ask.today)).unwrap_or(0) + 1;
        let mut needed = daily_mean(ask.needs, ask.today, days);
        let mut middle = daily_middle(ask.needs, ask.today, days);
        for of_day in needed.iter_mut().chain(&mut middle) {
            *of_day += ask.by_hand.per_day;
        }
        let mut up_to = vec![0.0];
        for (day, of_day) in needed.iter().enumerate() {
            up_to.push(up_to[day] + of_day);
        }
        let mut course = Course {
            on_hand: units(ask.shelf.usable(ask.today)),
            needed,
            middle,
            lost: vec![0.0; days],
            arriving: vec![0.0; days],
            up_to,
        };
        for purchase in &ask.shelf.purchases {
            let day = expected_on(ask.card, purchase, ask.today).days_since(ask.today);
            if let Some(of_day) = usize::try_from(day).ok().and_then(|day| course.arriving.get_mut(day)) {
                *of_day += units(purchase.open);
            }
        }
        let usable: Vec<_> = ask.shelf.lots.iter().filter(|lot| !lot.has_expired(ask.today)).collect();
        let good_for = |last: ShopDay| Days(f64::from(last.to_days() - ask.today.to_days()) + 1.0);
        let lots: Vec<Lot> = usable
            .iter()
            .map(|lot| Lot {
                quantity: quantity(lot.amount),
                expires_in: lot.expires.map_or(FOR_EVER, good_for),
            })
            .collect();
        for (lot, becomes) in usable.iter().zip(use_up_along(&lots, |days| course.need_up_to(days.to_days())))
        {
            let day = lot.expires.map(|last| last.days_since(ask.today) + 1);
            let place = day.and_then(|day| usize::try_from(day).ok());
            if let Some(of_day) = place.and_then(|day| course.lost.get_mut(day)) {
                *of_day += becomes.expired.to_units();
            }
        }
        course
    }

    /// What is needed in so many days from now on; beyond the horizon at its mean rate.
    fn need_up_to(&self, days: f64) -> f64 {
        let last = self.up_to.len() - 1;
        let whole = floor(days.max(0.0));
        if whole <= as_f64(last) {
            return self.up_to[as_place(whole)];
        }
        self.up_to[last] + (days - as_f64(last)) * self.up_to[last] / as_f64(last.max(1))
    }

    /// The days as periods. What is ordered today arrives in the first of them, which is all the time up to then: what
    /// lacks before that no order mends.
    fn periods(&self, lead: usize) -> Vec<Period> {
        let days = self.needed.iter().zip(&self.lost).zip(&self.arriving);
        let days: Vec<(f64, f64)> =
            days.map(|((needed, lost), arriving)| (needed + lost, *arriving)).collect();
        let first = days.iter().take(lead).fold((0.0, 0.0), |sum, of| (sum.0 + of.0, sum.1 + of.1));
        let mut periods: Vec<Period> = days
            .iter()
            .skip(lead)
            .map(|(gross, scheduled)| Period { gross: Quantity(*gross), scheduled: Quantity(*scheduled) })
            .collect();
        if let Some(period) = periods.first_mut() {
            period.gross = Quantity(period.gross.to_units() + first.0);
            period.scheduled = Quantity(period.scheduled.to_units() + first.1);
        }
        periods
    }

    /// The stock at the end of a day if nothing is bought; below 0 where it lacks.
    fn stock_on(&self, day: usize) -> f64 {
        let of_days = |all: &[f64]| all.iter().take(day + 1).sum::<f64>();
        self.on_hand + of_days(&self.arriving) - of_days(&self.needed) - of_days(&self.lost)
    }

    /// What can be used before it expires of what arrives on a day, after the stock that there is then, with nine chances in
    /// ten.
    fn usable_in_time(&self, ask: &Ask<'_>, day: usize, stock: f64) -> Option<f64> {
        let life = Days(f64::from(ask.card.shelf_life_days?));
        let from = as_f64(day) + 1.0;
        let used_up_to = |days: Days| self.need_up_to(from + days.to_days()) - self.need_up_to(from);
        let most = order_max_along(used_up_to, life, Days(f64::from(ask.card.lost_days)));
        let end = from + (life.to_days() - f64::from(ask.card.lost_days)).max(0.0);
        Some((most.to_units() - self.may_lack(ask, end) - stock).max(0.0))
    }

    /// By how much the need of so many days from now falls short of its mean with one chance in ten.
    fn may_lack(&self, ask: &Ask<'_>, days: f64) -> f64 {
        let horizon = as_f64(self.needed.len());
        let seen = days.min(horizon);
        let last = ask.today.plus_days(whole(seen) - 1);
        let work = Spread::up_to(ask.needs, last);
        // Beyond the horizon the spread grows with the root of the time.
        let of_work = (work.mean - work.quantile(0.1)).max(0.0) * (days / seen).sqrt();
        let by_hand = normal::quantile(0.9) * ask.by_hand.variance(days).sqrt();
        of_work.hypot(by_hand)
    }

    /// The most to be received on a day, in whole packs: what can be used in time; no less than can be bought where it is
    /// really lacking.
    fn most(&self, ask: &Ask<'_>, day: usize, stock: f64) -> Option<Quantity> {
        let pack = units(ask.card.pack);
        let most = floor(self.usable_in_time(ask, day, stock)? / pack) * pack;
        let least = least_packs(ask.card);
        Some(Quantity(match (most < least, stock < -1e-9) {
            (false, _) => most,
            (true, true) => least,
            (true, false) => 0.0,
        }))
    }

    /// The first day at whose end the shelf lacks, at the middle pace.
    fn runs_out(&self) -> Option<usize> {
        let mut stock = self.on_hand;
        (0..self.middle.len()).find(|day| {
            stock += self.arriving[*day] - self.middle[*day] - self.lost[*day];
            stock < -1e-6
        })
    }

    /// Open orders that lack something before what is ordered today can arrive, in the order of their days.
    fn waiting(&self, ask: &Ask<'_>, lead: usize) -> Vec<OrderNumber> {
        let mut work: Vec<(usize, OrderNumber, bool, f64)> = Vec::new();
        for need in ask.needs {
            for (time, day) in need.days[1].iter().enumerate() {
                let day = usize::try_from(day.days_since(ask.today)).unwrap_or(0);
                work.push((day, need.order, time == 0, units(need.amount)));
            }
        }
        work.sort_by_key(|(day, order, is_open, _)| (*day, *order, !is_open));
        let (mut taken, mut waiting) = (0.0, Vec::new());
        for (day, order, is_open, amount) in work.into_iter().take_while(|(day, ..)| *day < lead) {
            let of_days = |all: &[f64]| all.iter().take(day + 1).sum::<f64>();
            let by_hand = ask.by_hand.per_day * as_f64(day + 1);
            let there = self.on_hand + of_days(&self.arriving) - of_days(&self.lost) - by_hand;
            taken += amount;
            if taken > there + 1e-6 {
                // What lacks does not take from those who come later and need less.
                taken -= amount;
                if is_open && !waiting.contains(&order) && waiting.len() < WAITING_MAX {
                    waiting.push(order);
                }
            }
        }
        waiting
    }
}

impl Ground {
    fn of(ask: &Ask<'_>, course: &Course) -> Result<Ground, Impossible> {
        let card = ask.card;
        // The list is asked for once a day, so what is ordered today covers the lead time and a day.
        let days = f64::from(card.lead_days) + 1.0;
        let usual = ask.today.plus_days(i64::from(card.lead_days));
        let service = f64::from(card.service_percent) / 100.0;
        let mean = Spread::up_to(ask.needs, usual).mean;
        let scattered = Spread::until_it_comes(ask.needs, usual, card.lead_spread_days);
        let of_work = (scattered.quantile(service) - mean).max(0.0);
        let demand = Demand {
            mean: UsePerDay(ask.by_hand.per_day),
            deviation: UsePerDay(ask.by_hand.variance(1.0).sqrt()),
        };
        let lead = LeadTime { mean: Days(days), deviation: Days(f64::from(card.lead_spread_days)) };
        let by_hand_point = reorder_point(demand, lead, CycleService(service));
        let safety_stock = of_work.hypot(by_hand_point.safety_stock);
        let point = mean + ask.by_hand.per_day * days + safety_stock;
        let all = Spread::up_to(ask.needs, ask.until);
        let horizon = as_f64(course.needed.len());
        let by_hand = ask.by_hand.per_day * horizon;
        let hand_spread = ask.by_hand.variance(horizon).sqrt() * normal::quantile(0.9);
        let needed = all.mean + by_hand;
        let aside = |work: f64| ((work - all.mean).powi(2) + hand_spread.powi(2)).sqrt();
        let low = (needed - aside(all.quantile(0.1))).max(0.0);
        let high = needed + aside(all.quantile(0.9).max(all.mean));
        Ok(Ground {
            usable: ask.shelf.usable(ask.today),
            expiring: amount(course.lost.iter().sum()),
            to_come: ask.shelf.to_come(),
            needed: [amount(needed), amount(low), amount(high)],
            safety_stock: amount(safety_stock),
            reorder_point: amount(point),
            economic: economic(card, needed / horizon * DAYS_A_YEAR)?,
            usable_in_time: None,
        })
    }
}

/// The economic order quantity in whole packs, where the item's costs are declared and it is used at all.
fn economic(card: &ItemCard, used_a_year: f64) -> Result<Option<Amount>, Impossible> {
    let (Some(order), Some(holding)) = (card.order_cost, card.holding_cost) else { return Ok(None) };
    if used_a_year <= 0.0 {
        return Ok(None);
    }
    let costs = Costs {
        order: Cost(units(order)),
        holding_unit_year: Cost(units(holding)),
        used: UsePerYear(used_a_year),
    };
    Ok(Some(amount(costs.best(quantity(card.pack))?.packed.to_units())))
}

/// An amount of the formulas in whole thousandths.
fn amount(value: f64) -> Amount {
    #[expect(clippy::cast_precision_loss, reason = "a thousand")]
    let per_unit = Unit::Cycles.per_unit() as f64;
    Amount(whole(value * per_unit))
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "a cast of a float that is too large gives the largest number"
)]
fn whole(value: f64) -> i64 {
    value.round() as i64
}

#[expect(clippy::cast_precision_loss, reason = "days of a horizon")]
fn as_f64(days: usize) -> f64 {
    days as f64
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a whole number of days, none below 0"
)]
fn as_place(days: f64) -> usize {
    days as usize
}
