//! What of a closing looks like a slip of the hand: a time before the order can have been meant, a reading that is odd, a test point or an
//! item that there is not. All of it is asked back together, so that whoever confirms one thing has seen the others; each is confirmed
//! by itself, and may be so: work is entered late, and a point or an item is declared after it was used.

use super::Stood;
use crate::error::Question;
use crate::fluid::is_water;
use crate::near;
use crate::order::{ClosingSaid, Confirmed};
use crate::reading::ask::{Odd, OddKind};
use crate::shop::{KitItem, PointCard};
use crate::text::{Key, Name};
use crate::time::{MICROS_PER_DAY, Ts};
use std::collections::BTreeMap;

/// How long before its order was opened work may have been done without a question, in microseconds: a day, since what was done in
/// the night is raised in the morning, and a shop's first orders are opened when it is declared.
pub const BEFORE_OPENED_MICROS: i64 = MICROS_PER_DAY;

/// What is known of the things that a closing names.
#[derive(Clone, Copy, Debug)]
pub struct Known<'a> {
    /// The machine's tag.
    pub tag: &'a str,
    /// Its test points.
    pub points: &'a BTreeMap<Key, PointCard>,
    /// What is on the shelf; empty where the site keeps no stock.
    pub shelf: &'a [OnShelf],
    /// The kits of the order and of those that are closed with it.
    pub kits: &'a [&'a KitItem],
}

/// What an item on the shelf is called.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OnShelf {
    /// Its name.
    pub name: String,
    /// The code by which it is known elsewhere.
    pub code: Option<String>,
}

impl Known<'_> {
    /// Whether there is such an item: on the shelf, in a kit, or as the fluid of one of the machine's test points. Water comes from the
    /// tap.
    fn has(&self, item: &Name) -> bool {
        let text = item.as_str();
        let on_shelf = |of: &OnShelf| of.name == text || of.code.as_deref() == Some(text);
        is_water(item)
            || self.shelf.iter().any(on_shelf)
            || self.kits.iter().any(|of| of.item == *item)
            || self.points.values().any(|point| point.fluid.eq_ignore_ascii_case(text))
    }

    /// The names by which items are known here.
    fn names(&self) -> impl Iterator<Item = &str> {
        let on_shelf = self.shelf.iter().map(|of| of.name.as_str());
        let fluids = self.points.values().map(|point| point.fluid.as_str()).filter(|fluid| !fluid.is_empty());
        on_shelf.chain(self.kits.iter().map(|of| of.item.as_str())).chain(fluids)
    }
}

/// Asks back what looks like a slip and was not confirmed: the time, then the readings, then the items. `odd` is what is odd about
/// readings at points that there are, by their places.
pub fn slips(said: &ClosingSaid, stood: Stood, known: Known<'_>, odd: &[(usize, Odd)]) -> Vec<Question> {
    let mut asked = Vec::new();
    if !said.confirmed.done_at {
        asked.extend(before_its_time(stood, said.done_at));
    }
    for (at, reading) in said.readings.iter().enumerate().filter(|(_, reading)| !reading.confirmed) {
        if known.points.contains_key(&reading.point) {
            let of_reading = odd.iter().filter(|(of, _)| *of == at);
            asked.extend(of_reading.map(|(_, odd)| odd_reading(at, odd)));
        } else {
            asked.push(no_point(at, reading.point.as_str(), known));
        }
    }
    for (at, used) in said.used.iter().enumerate().filter(|_| !known.shelf.is_empty()) {
        if !said.confirmed.used.contains(&at) && !known.has(&used.item) {
            asked.push(no_item(at, used.item.as_str(), known));
        }
    }
    asked
}

/// Asks a done time back that is before the order can have been meant. An order that follows a closing is opened when that is entered,
/// which may be days after it was done: there the closing is the bound.
fn before_its_time(stood: Stood, done_at: Ts) -> Option<Question> {
    let (bound, leeway, what) = match (stood.last_closing, stood.opened) {
        (Some(last), _) => (last, 0, "the last closing of this task"),
        (None, Some(opened)) => (opened, BEFORE_OPENED_MICROS, "its order was opened"),
        (None, None) => return None,
    };
    let before = bound.ahead_in_words(done_at);
    let text = format!("lies {before} before {what}; give when it was done, or confirm this time");
    (bound.micros_since(done_at) > leeway).then(|| Question::new(Confirmed::DONE_AT, text))
}

fn odd_reading(at: usize, odd: &Odd) -> Question {
    // A yes to what is missing is no yes to the value.
    let yes = if odd.kind == OddKind::NotLicensed {
        "or confirm that it was read without: that is put on record"
    } else {
        "confirm the reading where it is right as it was said"
    };
    let text = format!("{}; {yes}", odd.text);
    Question::new(format!("readings[{at}].{}", odd.field), text)
}

fn no_point(at: usize, key: &str, known: Known<'_>) -> Question {
    let keys = known.points.keys().map(Key::as_str);
    let meant = near::nearest(key, keys.clone());
    let there = match near::listed(&meant, "and") {
        Some(near) => near,
        None if known.points.is_empty() => "none".to_owned(),
        None => near::some_of(keys),
    };
    let tag = known.tag;
    let text = format!("`{key}` is no test point of {tag}, which has {there}; {}", say_again_or_confirm(key));
    Question { meant: owned(&meant), ..Question::new(format!("readings[{at}].point"), text) }
}

fn no_item(at: usize, item: &str, known: Known<'_>) -> Question {
    let meant = near::nearest(item, known.names());
    let there = match near::listed(&meant, "and") {
        Some(near) => format!(", where there is {near}"),
        None => String::new(),
    };
    let text =
        format!("`{item}` is neither on the shelf nor in the kit{there}; {}", say_again_or_confirm(item));
    Question { meant: owned(&meant), ..Question::new(Confirmed::item_field(at), text) }
}

/// What to do about a name that there is not. "Yes" to it can only mean the name that was typed.
fn say_again_or_confirm(typed: &str) -> String {
    format!("say it again, or confirm that `{typed}` is meant")
}

fn owned(names: &[&str]) -> Vec<String> {
    names.iter().map(|name| (*name).to_owned()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::OrderNumber;
    use crate::order::ReadingSaid;
    use crate::reading::{Limits, Taker};

    const NOW: Ts = Ts(1_800_000_000_000_000);

    fn name(text: &str) -> Name {
        Name::new(text).expect("a name")
    }

    fn days(days: i64) -> Ts {
        NOW.plus_micros(-days * MICROS_PER_DAY)
    }

    fn item(text: &str) -> KitItem {
        KitItem { item: name(text), quantity: "2".into(), unit: "L".into(), lot: None, into: None }
    }

    fn point(key: &str, fluid: &str) -> (Key, PointCard) {
        let key = Key::new(key).expect("a key");
        let card = PointCard {
            key: key.clone(),
            title: String::new(),
            place: String::new(),
            good: String::new(),
            fluid: fluid.into(),
            reservoir: None,
            unit: "bar".into(),
            limits: Limits::default(),
            possible: None,
            taker: Taker::Anyone,
            cautions: Vec::new(),
        };
        (key, card)
    }

    /// A closing six days ago, with readings at these points and these items.
    fn said(read: &[&str], used: &[&str]) -> ClosingSaid {
        let reading = |point: &&str| ReadingSaid {
            point: Key::new(*point).expect("a key"),
            value: "61".into(),
            unit: None,
            confirmed: false,
        };
        ClosingSaid {
            readings: read.iter().map(reading).collect(),
            used: used.iter().map(|text| item(text)).collect(),
            ..ClosingSaid::plain(OrderNumber(7), days(6), name("Ada"))
        }
    }

    /// What is asked back on a lathe with two test points, its shelf as given; each with what may be meant.
    fn asked(said: &ClosingSaid, last_closing: Option<Ts>, shelf: &[&str]) -> Vec<(String, String)> {
        let points = BTreeMap::from([point("coolant", "Emulsion E"), point("p-air", "")]);
        let of = |name: &&str| OnShelf { name: (*name).to_owned(), code: Some("4711".into()) };
        let shelf: Vec<OnShelf> = shelf.iter().map(of).collect();
        let (own, smaller) = (item("cloth"), item("bowl gasket"));
        let known = Known { tag: "L-1", points: &points, shelf: &shelf, kits: &[&own, &smaller] };
        let odd = Odd { kind: OddKind::Impossible, field: "value".into(), text: "61 is too much".into() };
        let stood = Stood { last_closing, ..Stood::default() };
        let told = |of: Question| (of.odd.field, format!("{} {:?}", of.odd.text, of.meant));
        slips(said, stood, known, &[(0, odd)]).into_iter().map(told).collect()
    }

    fn fields(asked: &[(String, String)]) -> Vec<&str> {
        asked.iter().map(|(field, _)| field.as_str()).collect()
    }

    #[test]
    fn everything_is_asked_back_together_and_each_is_confirmed_by_itself() {
        let mut slip = said(&["p-air", "colant"], &["way oil", "way oyl"]);
        let all = ["done_at", "readings[0].value", "readings[1].point", "used[1].item"];
        let check = |said: &ClosingSaid, expect: &[&str]| {
            assert_eq!(fields(&asked(said, Some(days(5)), &["way oil"])), expect, "{:?}", said.confirmed);
        };
        check(&slip, &all);
        check(&ClosingSaid { confirmed: Confirmed::time(), ..slip.clone() }, &all[1..]);
        let item = Confirmed { used: [1].into(), ..Confirmed::default() };
        check(&ClosingSaid { confirmed: item, ..slip.clone() }, &all[..3]);
        slip.readings[0].confirmed = true;
        check(&slip, &["done_at", "readings[1].point", "used[1].item"]);
        slip.readings[1].confirmed = true;
        slip.confirmed = Confirmed { done_at: true, used: [1].into() };
        check(&slip, &[]);
    }

    #[test]
    fn yes_can_only_mean_what_was_typed() {
        let slip = said(&["p-air", "colant"], &["way oyl", "grease"]);
        let told = asked(&slip, Some(days(5)), &["way oil"]);
        let texts: Vec<&str> = told.iter().map(|(_, text)| text.as_str()).collect();
        let expect = [
            "lies 24 h before the last closing of this task; give when it was done, or confirm this time []",
            "61 is too much; confirm the reading where it is right as it was said []",
            "`colant` is no test point of L-1, which has `coolant`; say it again, or confirm that `colant` is meant [\"coolant\"]",
            "`way oyl` is neither on the shelf nor in the kit, where there is `way oil`; say it again, or confirm that `way oyl` is \
             meant [\"way oil\"]",
            "`grease` is neither on the shelf nor in the kit; say it again, or confirm that `grease` is meant []",
        ];
        assert_eq!(texts, expect);
        let far = asked(&said(&["p-air", "vibration"], &[]), None, &[]);
        assert!(far[1].1.contains("no test point of L-1, which has coolant, p-air; say it again"), "{far:?}");
    }

    #[test]
    fn yes_to_a_missing_record_is_none_to_the_value() {
        let odd =
            Odd { kind: OddKind::NotLicensed, field: "electrician_record".into(), text: "is missing".into() };
        let asked = odd_reading(2, &odd).odd;
        assert_eq!(asked.field, "readings[2].electrician_record");
        assert_eq!(asked.text, "is missing; or confirm that it was read without: that is put on record");
    }

    #[test]
    fn an_item_is_known_by_the_shelf_a_kit_the_tap_or_the_machine() {
        for (used, shelf, is_asked) in [
            ("way oil", &["way oil"][..], false),
            ("4711", &["way oil"], false),
            ("cloth", &["way oil"], false),
            ("bowl gasket", &["way oil"], false),
            ("Water", &["way oil"], false),
            ("emulsion e", &["way oil"], false),
            ("emulsion f", &["way oil"], true),
            ("Way oil", &["way oil"], true),
            // Where no stock is kept, nothing is on a shelf.
            ("emulsion f", &[], false),
        ] {
            assert_eq!(!asked(&said(&[], &[used]), None, shelf).is_empty(), is_asked, "{used}");
        }
    }

    #[test]
    fn a_time_before_the_order_can_have_been_meant_is_asked_back() {
        for (last_closing, opened, done_days_ago, expect) in [
            (Some(days(5)), Some(days(1)), 6, Some("lies 24 h before the last closing of this task")),
            // Entered late, one closing after the other: the order after the first is younger than the work of the second.
            (Some(days(5)), Some(days(1)), 4, None),
            (None, Some(days(1)), 3, Some("lies 2 days before its order was opened")),
            // Done in the night and raised in the morning, or on the day before the shop was declared.
            (None, Some(days(1)), 2, None),
            (None, None, 300, None),
        ] {
            let stood = Stood { opened, last_closing, ..Stood::default() };
            let asked = before_its_time(stood, days(done_days_ago));
            let text = asked.as_ref().and_then(|asked| asked.odd.text.split(';').next());
            assert_eq!(text, expect, "{done_days_ago} days ago");
        }
    }
}
