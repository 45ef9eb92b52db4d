//! An item's stock by the book: its lots and open purchases, and what each thing that is said of them changes.
//!
//! What was done is never refused: what is taken beyond the book is kept as said and asks for a count. Only what contradicts
//! itself is asked back.

use super::{ItemCard, amount_text};
use crate::error::Violation;
use crate::quantity::Amount;
use crate::text::Name;
use crate::time::{ShopDay, Ts};
use serde::{Deserialize, Serialize};

/// The most lots of an item with anything in them: a leaf holds them all.
pub const LOTS_MAX: usize = 200;
/// The most open purchases of an item.
pub const PURCHASES_MAX: usize = 100;

/// What is on the shelf of an item, and on its way.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shelf {
    /// Its lots with anything in them, in the order in which they are used up.
    pub lots: Vec<Lot>,
    /// What was used beyond the book since it was last counted.
    pub beyond: Amount,
    /// Why it is to be counted, and since when.
    pub asks: Option<CountAsked>,
    /// When it was last counted.
    pub counted_at: Option<Ts>,
    /// Purchases of which some is still to come, the oldest first.
    pub purchases: Vec<Purchase>,
    /// How many purchases were ever recorded.
    pub purchases_made: i64,
}

/// A lot on the shelf.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lot {
    /// What it is called.
    pub lot: Name,
    /// The last shop day on which it may be used; none where it does not expire or nobody knows.
    pub expires: Option<ShopDay>,
    /// When it was received, or first counted.
    pub received: ShopDay,
    /// How much of it there is.
    pub amount: Amount,
}

impl Lot {
    /// Whether it may no longer be used.
    pub fn has_expired(&self, today: ShopDay) -> bool {
        self.expires.is_some_and(|last| last < today)
    }
}

/// That an item is to be counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CountAsked {
    /// Why.
    pub why: WhyCount,
    /// Since when.
    pub since: Ts,
}

/// Why an item is to be counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WhyCount {
    /// More was used than there was by the book.
    Beyond,
    /// A use was undone that had been said before the last count, so the count may hold it already.
    ReturnedAfterCount,
}

/// A purchase of which some is still to come.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Purchase {
    /// Its number within the item, from 1.
    pub number: i64,
    /// How much was ordered.
    pub ordered: Amount,
    /// How much of that is still to come.
    pub open: Amount,
    /// When it was ordered.
    pub ordered_day: ShopDay,
    /// The day that its supplier has confirmed.
    pub arrives: Option<ShopDay>,
    /// The number by which others know it.
    pub reference: String,
}

/// What was taken off the shelf, as it is given back when that is undone.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Taken {
    /// From which lots, each with the amount that was taken of it.
    pub from: Vec<Lot>,
    /// What was taken beyond the book.
    pub beyond: Amount,
}

/// What is said to be on the shelf.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Counted {
    /// So much in all.
    Total(Amount),
    /// These lots and no others, each with its last day where it is new.
    Lots(Vec<(Name, Amount, Option<ShopDay>)>),
}

/// What is said to have been received.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Receipt {
    /// How much.
    pub amount: Amount,
    /// Of which lot.
    pub lot: Option<Name>,
    /// The last shop day on which it may be used.
    pub expires: Option<ShopDay>,
    /// From which purchase.
    pub purchase: Option<i64>,
}

/// What is said to be ordered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ordering {
    /// How much is to come.
    pub amount: Amount,
    /// The day that the supplier has confirmed.
    pub arrives: Option<ShopDay>,
    /// The number by which others know it.
    pub reference: String,
    /// The open purchase that is restated.
    pub purchase: Option<i64>,
}

impl Shelf {
    /// What there is by the book, expired or not.
    pub fn in_all(&self) -> Amount {
        self.lots.iter().map(|lot| lot.amount).sum()
    }

    /// What may be used.
    pub fn usable(&self, today: ShopDay) -> Amount {
        self.lots.iter().filter(|lot| !lot.has_expired(today)).map(|lot| lot.amount).sum()
    }

    /// What is still to come.
    pub fn to_come(&self) -> Amount {
        self.purchases.iter().map(|purchase| purchase.open).sum()
    }

    /// Takes some off the shelf: of the lot that is named, else of what expires first and has not expired, then of what has.
    pub fn take(&mut self, amount: Amount, lot: Option<&Name>, today: ShopDay, now: Ts) -> Taken {
        let mut taken = Taken { beyond: amount, ..Taken::default() };
        for is_expired in [false, true] {
            for on_shelf in &mut self.lots {
                let is_meant = match lot {
                    Some(lot) => on_shelf.lot == *lot && !is_expired,
                    None => on_shelf.has_expired(today) == is_expired,
                };
                let part = taken.beyond.min(on_shelf.amount);
                if is_meant && part > Amount::ZERO {
                    on_shelf.amount = on_shelf.amount - part;
                    taken.beyond = taken.beyond - part;
                    taken.from.push(Lot { amount: part, ..on_shelf.clone() });
                }
            }
        }
        if taken.beyond > Amount::ZERO {
            self.beyond = self.beyond + taken.beyond;
            self.asks = self.asks.or(Some(CountAsked { why: WhyCount::Beyond, since: now }));
        }
        self.tidy();
        taken
    }

    /// Gives back what was taken at an instant; `now` is when that is undone.
    pub fn give_back(&mut self, taken: &Taken, taken_at: Ts, now: Ts) {
        for part in &taken.from {
            match self.lots.iter_mut().find(|lot| lot.lot == part.lot) {
                Some(lot) => lot.amount = lot.amount + part.amount,
                None => self.lots.push(part.clone()),
            }
        }
        if self.counted_at.is_some_and(|counted| counted > taken_at) {
            self.asks = self.asks.or(Some(CountAsked { why: WhyCount::ReturnedAfterCount, since: now }));
        } else {
            self.beyond = (self.beyond - taken.beyond).max(Amount::ZERO);
            let is_settled = self.beyond == Amount::ZERO;
            self.asks = self.asks.filter(|asked| !(is_settled && asked.why == WhyCount::Beyond));
        }
        self.tidy();
    }

    /// Puts on the shelf what was received; gives the lot, and by how much each purchase is lessened: by nothing where the lot had
    /// expired when it came.
    pub fn receive(
        &mut self,
        card: &ItemCard,
        said: &Receipt,
        today: ShopDay,
    ) -> Result<(Lot, Vec<(i64, Amount)>), Violation> {
        let kept = card.shelf_life_days.map(|days| i64::from(days.saturating_sub(card.lost_days)));
        let expires = said.expires.or(kept.map(|days| today.plus_days(days)));
        let lot = match &said.lot {
            Some(lot) => self.known_or_new(lot, said.expires, expires)?,
            None => self.of_the_day(today, expires)?,
        };
        // What had expired when it came is to go back: its purchase stays open, and the buy list goes on to count on it.
        let is_good = lot.1.is_none_or(|last| last >= today);
        if let Some(number) = said.purchase {
            self.known_purchase(number)?;
        }
        let arrived = if is_good { self.arrive(said.purchase, said.amount)? } else { Vec::new() };
        if let Some(place) = self.lots.iter().position(|on_shelf| on_shelf.lot == lot.0) {
            self.lots[place].amount = self.lots[place].amount + said.amount;
        } else {
            self.may_grow("lot")?;
            let (name, expires) = lot.clone();
            self.lots.push(Lot { lot: name, expires, received: today, amount: said.amount });
        }
        self.tidy();
        let of_it = self.lots.iter().find(|on_shelf| on_shelf.lot == lot.0);
        let of_it = of_it.map_or(today, |on_shelf| on_shelf.received);
        let received = Lot { lot: lot.0, expires: lot.1, received: of_it, amount: said.amount };
        Ok((received, arrived))
    }

    /// A lot by its name with its last day; a day that is said and differs from the one that is known is asked back.
    fn known_or_new(
        &self,
        lot: &Name,
        said: Option<ShopDay>,
        expires: Option<ShopDay>,
    ) -> Result<(Name, Option<ShopDay>), Violation> {
        let Some(known) = self.lots.iter().find(|on_shelf| on_shelf.lot == *lot) else {
            return Ok((lot.clone(), expires));
        };
        match (said, known.expires) {
            (Some(said), Some(day)) if said != day => {
                let text = format!(
                    "{said} is not the last day of lot {lot}, {day}; leave it out, or name another lot"
                );
                Err(Violation::new("expires_day", text))
            }
            (Some(said), None) => {
                let text = format!(
                    "{said}: no last day of lot {lot} is known; leave it out, or count the lot with its day"
                );
                Err(Violation::new("expires_day", text))
            }
            (_, known) => Ok((lot.clone(), known)),
        }
    }

    /// The lot of a day, named after it; with a number where one with another last day has that name.
    fn of_the_day(
        &self,
        today: ShopDay,
        expires: Option<ShopDay>,
    ) -> Result<(Name, Option<ShopDay>), Violation> {
        for number in 1..=LOTS_MAX {
            let text = if number == 1 { today.to_string() } else { format!("{today}-{number}") };
            let name = Name::new(text).map_err(|error| Violation::new("lot", error.to_string()))?;
            let known = self.lots.iter().find(|on_shelf| on_shelf.lot == name);
            if known.is_none_or(|known| known.expires == expires) {
                return Ok((name, expires));
            }
        }
        Err(Violation::new("lot", "is missing, and too many lots are named after this day; name it"))
    }

    fn may_grow(&self, field: &str) -> Result<(), Violation> {
        if self.lots.len() < LOTS_MAX {
            return Ok(());
        }
        let text = format!(
            "there are {LOTS_MAX} lots on the shelf already; use one of them up, or count the item in all"
        );
        Err(Violation::new(field, text))
    }

    /// Lessens purchases by what arrived: the one that is named, else the oldest ones.
    fn arrive(&mut self, named: Option<i64>, amount: Amount) -> Result<Vec<(i64, Amount)>, Violation> {
        if let Some(number) = named {
            self.known_purchase(number)?;
        }
        let (mut rest, mut arrived) = (amount, Vec::new());
        for purchase in &mut self.purchases {
            let part = rest.min(purchase.open);
            if named.is_none_or(|number| number == purchase.number) && part > Amount::ZERO {
                purchase.open = purchase.open - part;
                rest = rest - part;
                arrived.push((purchase.number, part));
            }
        }
        Ok(arrived)
    }

    fn known_purchase(&self, number: i64) -> Result<usize, Violation> {
        self.purchases.iter().position(|purchase| purchase.number == number).ok_or_else(|| {
            let known: Vec<String> = self.purchases.iter().map(|p| p.number.to_string()).collect();
            let known =
                if known.is_empty() { "none is".to_owned() } else { format!("open: {}", known.join(", ")) };
            Violation::new("purchase", format!("{number} is no open purchase of this item; {known}"))
        })
    }

    /// Takes what was counted for what there is; gives how much more or less that is than by the book.
    pub fn count(&mut self, said: &Counted, today: ShopDay, now: Ts) -> Result<Amount, Violation> {
        let before = self.in_all();
        match said {
            Counted::Total(total) if *total < before => {
                self.take(before - *total, None, today, now);
            }
            Counted::Total(total) => {
                let more = *total - before;
                if let Some(last) = self.lots.iter_mut().rfind(|lot| !lot.has_expired(today)) {
                    last.amount = last.amount + more;
                } else if more > Amount::ZERO {
                    let (lot, expires) = self.of_the_day(today, None)?;
                    self.may_grow("quantity")?;
                    self.lots.push(Lot { lot, expires, received: today, amount: more });
                }
            }
            Counted::Lots(lots) => {
                let mut counted = Vec::with_capacity(lots.len());
                for (lot, amount, expires) in lots {
                    let known = self.lots.iter().find(|on_shelf| on_shelf.lot == *lot);
                    let received = known.map_or(today, |known| known.received);
                    let expires = expires.or(known.and_then(|known| known.expires));
                    counted.push(Lot { lot: lot.clone(), expires, received, amount: *amount });
                }
                self.lots = counted;
            }
        }
        (self.beyond, self.asks, self.counted_at) = (Amount::ZERO, None, Some(now));
        self.tidy();
        Ok(self.in_all() - before)
    }

    /// Records a purchase, or restates an open one; gives its number.
    pub fn order(&mut self, said: &Ordering, today: ShopDay) -> Result<i64, Violation> {
        if let Some(number) = said.purchase {
            let place = self.known_purchase(number)?;
            let purchase = &mut self.purchases[place];
            purchase.ordered = purchase.ordered - purchase.open + said.amount;
            purchase.open = said.amount;
            purchase.arrives = said.arrives.or(purchase.arrives);
            if !said.reference.is_empty() {
                purchase.reference.clone_from(&said.reference);
            }
            return Ok(number);
        }
        if self.purchases.len() >= PURCHASES_MAX {
            let text = format!("{PURCHASES_MAX} are open already; receive or cancel some");
            return Err(Violation::new("purchase", text));
        }
        self.purchases_made += 1;
        self.purchases.push(Purchase {
            number: self.purchases_made,
            ordered: said.amount,
            open: said.amount,
            ordered_day: today,
            arrives: said.arrives,
            reference: said.reference.clone(),
        });
        Ok(self.purchases_made)
    }

    /// What is open of a purchase will not come; gives how much that is.
    pub fn cancel(&mut self, number: i64) -> Result<Amount, Violation> {
        let place = self.known_purchase(number)?;
        Ok(self.purchases.remove(place).open)
    }

    /// What is empty is gone, and lots stand in the order in which they are used up.
    fn tidy(&mut self) {
        self.lots.retain(|lot| lot.amount > Amount::ZERO);
        self.purchases.retain(|purchase| purchase.open > Amount::ZERO);
        let key = |lot: &Lot| (lot.expires.is_none(), lot.expires, lot.received, lot.lot.clone());
        self.lots.sort_by_key(key);
    }

    /// What stands open about an item, in words.
    pub fn findings(&self, card: &ItemCard, today: ShopDay) -> Vec<String> {
        let asked = self.asks.map(|asked| match asked.why {
            WhyCount::Beyond => format!("count it: {} used beyond the book", card.says(self.beyond)),
            WhyCount::ReturnedAfterCount => {
                "count it: a use was undone that had been said before the last count".to_owned()
            }
        });
        let expired = self.lots.iter().filter(|lot| lot.has_expired(today)).map(|lot| {
            let day = lot.expires.map(|day| day.to_string()).unwrap_or_default();
            format!("lot {} has expired on {day}: {} still on the shelf", lot.lot, card.says(lot.amount))
        });
        let sheet = card.lacks_data_sheet().then(|| {
            "hazardous, and no safety data sheet: it is not bought; declare where its sheet is kept"
                .to_owned()
        });
        asked.into_iter().chain(expired).chain(sheet).collect()
    }
}

/// What was not as it should be about a use, in words.
pub fn findings_of_use(
    card: &ItemCard,
    lot: Option<&Name>,
    taken: &Taken,
    was: Amount,
    today: ShopDay,
) -> Vec<String> {
    let mut found = Vec::new();
    if taken.beyond > Amount::ZERO {
        let of_lot = lot.map(|lot| format!(" of lot {lot}")).unwrap_or_default();
        found.push(format!(
            "{}: {} more used than the {}{of_lot} by the book; count it",
            card.name,
            card.says(taken.beyond),
            amount_text(was),
        ));
    }
    for part in taken.from.iter().filter(|part| part.has_expired(today)) {
        let day = part.expires.map(|day| day.to_string()).unwrap_or_default();
        found.push(format!("{}: lot {} was used, it had expired on {day}", card.name, part.lot));
    }
    if card.lacks_data_sheet() {
        found.push(format!("{}: hazardous, and used without a safety data sheet", card.name));
    }
    found
}
