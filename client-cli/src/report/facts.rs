//! What a report tells, as it was asked for: the service's answers, added up by month where they are many.

use crate::{backtest::own::Own, times};
use chrono::{DateTime, Days, LocalResult, Months, NaiveDate, NaiveTime, TimeDelta, TimeZone as _, Utc};
use chrono_tz::Tz;
use fettler_domain::quantity::{Amount, Unit};
use fettler_proto::v1 as pb;
use std::collections::BTreeMap;

/// How many months a report looks back on, its own among them.
pub(crate) const MONTHS: u32 = 12;
/// How many shop days after its own a report looks ahead: three months.
pub(crate) const AHEAD_DAYS: u64 = 92;

/// What a month's report is made of.
pub(crate) struct Facts {
    /// The site's name.
    pub(crate) site_name: String,
    /// Its time zone.
    pub(crate) zone: Tz,
    /// The months.
    pub(crate) year: Year,
    /// The figures of the month.
    pub(crate) whole: Vec<pb::Figure>,
    /// Compliance, a group a month.
    pub(crate) compliance: Vec<pb::FigureGroup>,
    /// What was overdue at the month's end, or is now.
    pub(crate) overdue: Vec<Overdue>,
    /// What machines ran in the month.
    pub(crate) machines: Vec<Ran>,
    /// What was used, by item and month.
    pub(crate) uses: Uses,
    /// What is expected from now on.
    pub(crate) ahead: pb::LookAheadResponse,
    /// What an earlier report expected of the month, where there is one.
    pub(crate) earlier: Option<Vec<Before>>,
    /// The forecast held against the reports that had ended with the month.
    pub(crate) own: Own,
    /// The closings of the months.
    pub(crate) closings: Vec<Closed>,
}

/// The months that a report looks back on, as shop days begin them.
#[derive(Clone, Debug)]
pub(crate) struct Year {
    firsts: Vec<NaiveDate>,
    edges: Vec<DateTime<Utc>>,
}

/// An order that is overdue.
#[derive(Clone, Debug)]
pub(crate) struct Overdue {
    /// The order.
    pub(crate) order: pb::Order,
    /// When it was due, as known at its closing, or now.
    pub(crate) due: Option<DateTime<Utc>>,
}

/// What a machine ran in the month.
#[derive(Clone, Debug)]
pub(crate) struct Ran {
    /// The machine.
    pub(crate) machine: pb::Machine,
    /// Its hours.
    pub(crate) hours: f64,
    /// Whether they are known for all of the month.
    pub(crate) is_known: bool,
}

/// A closing, as its due point stands to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Closed {
    /// Shop days from the due point to it, as known now; none where it has no due point.
    pub(crate) days: Option<i64>,
    /// Whether the due point is another now than was stated at the closing.
    pub(crate) has_moved: bool,
}

/// What an earlier report expected of the month.
#[derive(Clone, Debug, PartialEq, Eq, serde::Deserialize)]
pub(crate) struct Before {
    /// The item.
    pub(crate) item: String,
    /// In what.
    pub(crate) unit: String,
    /// The month, YYYY-MM.
    pub(crate) month: String,
    /// How much, by the middle expectation; decimal text.
    pub(crate) expected: String,
    /// The shop day on which it was expected.
    pub(crate) from_day: NaiveDate,
}

/// By what way something was used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Way {
    /// In a closing.
    Closing = 0,
    /// Poured into a sump or reservoir outside a work order.
    Poured = 1,
    /// Taken off the shelf by hand.
    ByHand = 2,
}

/// An item with its unit.
pub(crate) type Item = (String, String);
/// How much by month, in thousandths, by the way it was used.
pub(crate) type ByMonth = BTreeMap<String, [i64; 3]>;

/// What was used, by item and month.
#[derive(Clone, Debug, Default)]
pub(crate) struct Uses {
    cards: Vec<pb::StockItem>,
    /// The amounts.
    pub(crate) items: BTreeMap<Item, ByMonth>,
    /// How many amounts could not be read.
    pub(crate) unread: usize,
}

impl Year {
    /// The twelve months that end with one, of which the first day is given.
    pub(crate) fn ending(month: NaiveDate, zone: Tz, day_starts: NaiveTime) -> Year {
        let back = |months: u32| month.checked_sub_months(Months::new(months)).unwrap_or(month);
        let firsts: Vec<NaiveDate> = (0..MONTHS).rev().map(back).collect();
        let next = month.checked_add_months(Months::new(1)).unwrap_or(month);
        let edges = firsts.iter().chain([&next]).map(|day| start(*day, zone, day_starts)).collect();
        Year { firsts, edges }
    }

    /// The first day of the report's month.
    pub(crate) fn month(&self) -> NaiveDate {
        *self.firsts.last().expect("a year has months")
    }

    /// The last day of the report's month.
    pub(crate) fn last_day(&self) -> NaiveDate {
        let next = self.month().checked_add_months(Months::new(1)).unwrap_or(self.month());
        next.checked_sub_days(Days::new(1)).unwrap_or(next)
    }

    /// The first day of the first month.
    pub(crate) fn first_day(&self) -> NaiveDate {
        self.firsts[0]
    }

    /// From the first instant of the first month to the first one after the last.
    pub(crate) fn span(&self) -> (DateTime<Utc>, DateTime<Utc>) {
        (self.edges[0], *self.edges.last().expect("a year ends"))
    }

    /// The months, YYYY-MM, the oldest first.
    pub(crate) fn keys(&self) -> impl DoubleEndedIterator<Item = String> + '_ {
        self.firsts.iter().map(|first| first.format("%Y-%m").to_string())
    }

    /// The month that an instant lies in.
    pub(crate) fn month_of(&self, at: DateTime<Utc>) -> Option<String> {
        let after = self.edges.iter().filter(|edge| **edge <= at).count();
        self.firsts.get(after.checked_sub(1)?).map(|first| first.format("%Y-%m").to_string())
    }
}

/// When a shop day starts; where the clocks jump over that, when they have.
fn start(day: NaiveDate, zone: Tz, day_starts: NaiveTime) -> DateTime<Utc> {
    let local = day.and_time(day_starts);
    let at = match zone.from_local_datetime(&local) {
        LocalResult::Single(at) | LocalResult::Ambiguous(at, _) => at,
        LocalResult::None => zone
            .from_local_datetime(&(local + TimeDelta::hours(1)))
            .earliest()
            .unwrap_or_else(|| zone.from_utc_datetime(&local)),
    };
    at.with_timezone(&Utc)
}

impl Uses {
    /// Nothing used yet of what is on the shelf.
    pub(crate) fn of(cards: Vec<pb::StockItem>) -> Uses {
        Uses { cards, ..Uses::default() }
    }

    /// An item by its number on the shelf.
    pub(crate) fn numbered(&self, number: i64) -> Option<Item> {
        let card = self.cards.iter().find(|item| item.number == number)?.card.as_ref()?;
        Some((card.name.clone(), card.unit.clone()))
    }

    /// An item as the shelf calls it, where it is one there; a unit that is not said is the shelf's.
    pub(crate) fn named(&self, name: &str, unit: &str) -> Item {
        let is_it = |card: &&pb::ItemCard| {
            card.name.eq_ignore_ascii_case(name)
                || !card.code.is_empty() && card.code.eq_ignore_ascii_case(name)
        };
        match self.cards.iter().filter_map(|item| item.card.as_ref()).find(is_it) {
            Some(card) if unit.is_empty() => (card.name.clone(), card.unit.clone()),
            Some(card) => (card.name.clone(), unit.to_owned()),
            None => (name.to_owned(), unit.to_owned()),
        }
    }

    /// Adds what was used in a month; a quantity in decimal text.
    pub(crate) fn add(&mut self, way: Way, month: &str, (name, unit): (&str, &str), quantity: &str) {
        let item = self.named(name, unit);
        match thousandths(quantity) {
            Some(amount) => self.add_amount(way, month, item, amount),
            None => self.unread += 1,
        }
    }

    /// Adds an amount in thousandths.
    pub(crate) fn add_amount(&mut self, way: Way, month: &str, item: Item, amount: i64) {
        let sum = &mut self.items.entry(item).or_default().entry(month.to_owned()).or_default()[way as usize];
        *sum = sum.saturating_add(amount);
    }
}

/// A decimal text in thousandths.
pub(crate) fn thousandths(text: &str) -> Option<i64> {
    Amount::parse(text, Unit::Cycles).ok().map(|amount| amount.0)
}

/// Thousandths as decimal text.
pub(crate) fn decimal(amount: i64) -> String {
    Amount(amount).to_text(Unit::Cycles, 3)
}

impl Facts {
    /// "October 2026".
    pub(crate) fn month_name(&self) -> String {
        self.year.month().format("%B %Y").to_string()
    }

    /// The moment of the answers.
    pub(crate) fn as_of(&self) -> DateTime<Utc> {
        self.ahead.as_of.as_ref().and_then(times::from_wire).unwrap_or_default()
    }

    /// As of when what is open is looked at: the month's end, or now where that is earlier.
    pub(crate) fn looked_at(&self) -> DateTime<Utc> {
        self.year.span().1.min(self.as_of())
    }

    /// Whether the month is over.
    pub(crate) fn is_over(&self) -> bool {
        self.as_of() >= self.year.span().1
    }

    /// A day with its year, as a page that is kept must tell it.
    pub(crate) fn day(day: NaiveDate) -> String {
        day.format("%-d %B %Y").to_string()
    }

    /// What a figure of the month says.
    pub(crate) fn figure(&self, name: &str) -> Option<&pb::Figure> {
        self.whole.iter().find(|figure| figure.name == name)
    }

    /// What stands at the report's head.
    pub(crate) fn heads(&self) -> Vec<String> {
        let told = self.as_of().with_timezone(&self.zone).format("%-d %B %Y, %H:%M");
        let mut heads = vec![format!(
            "Shop days from {} to {}, as known on {told} ({}). What was reported later than that is not in here, and may \
             change it.",
            Facts::day(self.year.month()),
            Facts::day(self.year.last_day()),
            self.zone.name()
        )];
        if !self.is_over() {
            heads.push("The month is not over: its figures are of what has been so far.".to_owned());
        }
        heads
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn year() -> Year {
        let month = NaiveDate::from_ymd_opt(2026, 3, 1).unwrap();
        Year::ending(month, chrono_tz::Europe::Berlin, NaiveTime::from_hms_opt(6, 0, 0).unwrap())
    }

    #[test]
    fn months_begin_with_their_first_shop_day() {
        let year = year();
        let keys: Vec<String> = year.keys().collect();
        assert_eq!((keys.len(), keys[0].as_str(), keys[11].as_str()), (12, "2025-04", "2026-03"));
        let at = |text: &str| times::absolute(text).unwrap();
        assert_eq!(year.month_of(at("2026-02-28T23:00:00Z")).as_deref(), Some("2026-02"));
        assert_eq!(year.month_of(at("2026-03-01T05:00:00Z")).as_deref(), Some("2026-03"));
        // Summer time has begun by the end of March: 06:00 is 04:00 in UTC.
        assert_eq!(year.month_of(at("2026-04-01T03:59:59Z")).as_deref(), Some("2026-03"));
        assert_eq!(year.month_of(at("2025-03-31T00:00:00Z")), None);
        assert_eq!(year.span().1, at("2026-04-01T04:00:00Z"));
        assert_eq!(year.last_day().to_string(), "2026-03-31");
    }

    #[test]
    fn what_is_used_is_added_under_the_shelf_s_name() {
        let card = pb::ItemCard {
            name: "way oil".into(),
            code: "O-1".into(),
            unit: "L".into(),
            ..Default::default()
        };
        let mut uses = Uses::of(vec![pb::StockItem { number: 7, card: Some(card), ..Default::default() }]);
        uses.add(Way::Closing, "2026-03", ("o-1", ""), "2.5");
        uses.add(Way::Poured, "2026-03", ("Way oil", "L"), "1");
        uses.add(Way::Closing, "2026-03", ("rag", ""), "x");
        uses.add_amount(Way::ByHand, "2026-02", uses.numbered(7).unwrap(), 250);
        let oil = &uses.items[&("way oil".to_owned(), "L".to_owned())];
        assert_eq!((oil["2026-03"], oil["2026-02"], uses.unread), ([2_500, 1_000, 0], [0, 0, 250], 1));
        assert_eq!((decimal(2_500), thousandths("1.2.3")), ("2.5".to_owned(), None));
    }
}
