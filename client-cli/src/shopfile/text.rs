//! The other short texts of a shop file: kits, windows, and when something was last done.

use fettler_proto::v1 as pb;
use serde::{
    Deserialize, Deserializer, Serialize, Serializer,
    de::{Error as _, MapAccess, SeqAccess, Visitor, value::MapAccessDeserializer},
    ser::SerializeMap as _,
};
use std::{collections::BTreeMap, fmt, marker::PhantomData};

/// One text, or a list of them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct OneOrMany<T>(pub(super) Vec<T>);

struct OneOrManyVisitor<T>(PhantomData<T>);

impl<'de, T: Deserialize<'de> + TryFrom<String, Error = String>> Visitor<'de> for OneOrManyVisitor<T> {
    type Value = OneOrMany<T>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a text or a list of texts, in quotes")
    }

    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<OneOrMany<T>, E> {
        T::try_from(text.to_owned()).map(|one| OneOrMany(vec![one])).map_err(E::custom)
    }

    fn visit_map<A: MapAccess<'de>>(self, table: A) -> Result<OneOrMany<T>, A::Error> {
        T::deserialize(MapAccessDeserializer::new(table)).map(|one| OneOrMany(vec![one]))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<OneOrMany<T>, A::Error> {
        let mut all = Vec::new();
        while let Some(one) = list.next_element()? {
            all.push(one);
        }
        Ok(OneOrMany(all))
    }
}

impl<'de, T: Deserialize<'de> + TryFrom<String, Error = String>> Deserialize<'de> for OneOrMany<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<OneOrMany<T>, D::Error> {
        deserializer.deserialize_any(OneOrManyVisitor(PhantomData))
    }
}

impl<T: Serialize> Serialize for OneOrMany<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self.0.as_slice() {
            [one] => one.serialize(serializer),
            many => many.serialize(serializer),
        }
    }
}

/// An item of a kit: "way oil VG 68: 2 L", with the sump or reservoir into which it goes where that matters: "coolant: 8 L
/// into sump", or "hydraulic oil: 40 L fills tank" where it goes in instead of what was there.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(try_from = "String", into = "String")]
pub(super) struct Kit(pub(super) pb::KitItem);

impl TryFrom<String> for Kit {
    type Error = String;

    fn try_from(text: String) -> Result<Kit, String> {
        let bad = |what: &str| format!("the kit item `{text}` {what}; write it like \"way oil VG 68: 2 L\"");
        let (item, amount) = text.rsplit_once(':').ok_or_else(|| bad("names no quantity"))?;
        let words: Vec<&str> = amount.split_whitespace().collect();
        let (words, into, change) = match words.as_slice() {
            [rest @ .., "into", into] => (rest, *into, false),
            [rest @ .., "fills", into] => (rest, *into, true),
            all => (all, "", false),
        };
        let (quantity, unit) = match words {
            [quantity] => (*quantity, ""),
            [quantity, unit] => (*quantity, *unit),
            _ => return Err(bad("needs a quantity and at most one word for its unit")),
        };
        if item.trim().is_empty() {
            return Err(bad("has no name"));
        }
        if quantity.is_empty() || !quantity.bytes().all(|b| b.is_ascii_digit() || b == b'.') {
            return Err(bad("has no plain decimal quantity"));
        }
        Ok(Kit(pb::KitItem {
            item: item.trim().into(),
            quantity: quantity.into(),
            unit: unit.into(),
            lot: String::new(),
            into: into.into(),
            change,
        }))
    }
}

impl From<Kit> for String {
    fn from(Kit(item): Kit) -> String {
        let goes = match (item.into.as_str(), item.change) {
            ("", _) => String::new(),
            (into, false) => format!(" into {into}"),
            (into, true) => format!(" fills {into}"),
        };
        format!("{}{goes}", format!("{}: {} {}", item.item, item.quantity, item.unit).trim_end())
    }
}

/// A window, or a part of one: "10 %", "3 days", "20 h".
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(try_from = "String", into = "String")]
pub(super) enum Window {
    /// A share of the interval.
    Percent(i32),
    /// Days, of clauses that give days.
    Days(i32),
    /// A count, of clauses that count a meter.
    Count(String, pb::Unit),
}

impl TryFrom<String> for Window {
    type Error = String;

    fn try_from(text: String) -> Result<Window, String> {
        let bad = || {
            format!(
                "the window `{text}` is no percentage of 0 to 50, number of days of 0 to 366 or count of a meter; write it like \"10 %\", \"3 days\" or \"20 h\""
            )
        };
        let end = text.find(|c: char| !c.is_ascii_digit() && c != '.').ok_or_else(bad)?;
        let (number, unit) = text.split_at(end);
        if let Some(unit) = super::rule::meter_unit(unit.trim()) {
            let plain = number.bytes().any(|b| b.is_ascii_digit()) && number.matches('.').count() <= 1;
            return if plain { Ok(Window::Count(number.to_owned(), unit)) } else { Err(bad()) };
        }
        let number: i32 = number.parse().map_err(|_| bad())?;
        match unit.trim() {
            "%" if number <= 50 => Ok(Window::Percent(number)),
            "day" | "days" if number <= 366 => Ok(Window::Days(number)),
            _ => Err(bad()),
        }
    }
}

impl From<Window> for String {
    fn from(window: Window) -> String {
        match window {
            Window::Percent(percent) => format!("{percent} %"),
            Window::Days(1) => "1 day".to_owned(),
            Window::Days(days) => format!("{days} days"),
            Window::Count(count, unit) => format!("{count} {}", crate::render::words::unit(unit)),
        }
    }
}

/// A base or a count: a text, or a bare number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Plain(pub(super) String);

struct PlainVisitor;

impl<'de> Visitor<'de> for PlainVisitor {
    type Value = Plain;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a number, or a text in quotes such as \"2026-01-01\"")
    }

    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Plain, E> {
        Ok(Plain(text.to_owned()))
    }

    fn visit_i64<E: serde::de::Error>(self, number: i64) -> Result<Plain, E> {
        Ok(Plain(number.to_string()))
    }

    fn visit_f64<E: serde::de::Error>(self, number: f64) -> Result<Plain, E> {
        Ok(Plain(number.to_string()))
    }

    fn visit_map<A: MapAccess<'de>>(self, _: A) -> Result<Plain, A::Error> {
        Err(A::Error::custom("a date stands here without quotes; write it like \"2026-01-01\""))
    }
}

impl<'de> Deserialize<'de> for Plain {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Plain, D::Error> {
        deserializer.deserialize_any(PlainVisitor)
    }
}

/// One of them, or a list.
pub(super) fn one_or_many<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Plain>, D::Error> {
    struct OneOrMany;

    impl<'de> Visitor<'de> for OneOrMany {
        type Value = Vec<Plain>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("a number, or a list of them")
        }

        fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Vec<Plain>, E> {
            PlainVisitor.visit_str(text).map(|one| vec![one])
        }

        fn visit_i64<E: serde::de::Error>(self, number: i64) -> Result<Vec<Plain>, E> {
            PlainVisitor.visit_i64(number).map(|one| vec![one])
        }

        fn visit_f64<E: serde::de::Error>(self, number: f64) -> Result<Vec<Plain>, E> {
            PlainVisitor.visit_f64(number).map(|one| vec![one])
        }

        fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Vec<Plain>, A::Error> {
            let mut many = Vec::new();
            while let Some(one) = list.next_element()? {
                many.push(one);
            }
            Ok(many)
        }
    }

    deserializer.deserialize_any(OneOrMany)
}

impl Serialize for Plain {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.0)
    }
}

/// When a task was last done: "2026-10-01", or a table with the day and what meters showed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct LastDone {
    /// The shop day.
    pub(super) day: String,
    /// What each meter showed.
    pub(super) counts: BTreeMap<String, String>,
}

struct LastDoneVisitor;

impl<'de> Visitor<'de> for LastDoneVisitor {
    type Value = LastDone;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a day such as \"2026-10-01\", or { day = \"2026-10-01\", operating = \"2900\" }")
    }

    fn visit_str<E: serde::de::Error>(self, day: &str) -> Result<LastDone, E> {
        Ok(LastDone { day: checked_day(day).map_err(E::custom)?, counts: BTreeMap::new() })
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<LastDone, A::Error> {
        let mut done = LastDone::default();
        while let Some(key) = map.next_key::<String>()? {
            if key.starts_with('$') {
                return Err(A::Error::custom(
                    "a date stands here without quotes; write it like \"2026-10-01\"",
                ));
            }
            let Plain(value) = map.next_value()?;
            if key == "day" {
                done.day = checked_day(&value).map_err(A::Error::custom)?;
            } else {
                done.counts.insert(key, value);
            }
        }
        if done.day.is_empty() {
            return Err(A::Error::custom("last_done names no day; add day = \"2026-10-01\""));
        }
        Ok(done)
    }
}

fn checked_day(text: &str) -> Result<String, String> {
    crate::times::day(text).map_err(|error| format!("last_done {error}"))
}

impl<'de> Deserialize<'de> for LastDone {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<LastDone, D::Error> {
        deserializer.deserialize_any(LastDoneVisitor)
    }
}

impl Serialize for LastDone {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if self.counts.is_empty() {
            return serializer.serialize_str(&self.day);
        }
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("day", &self.day)?;
        for (meter, count) in &self.counts {
            map.serialize_entry(meter, count)?;
        }
        map.end()
    }
}

/// When the tasks of a machine were last done: "now", or a table by task.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum MachineLastDone {
    /// Every task that has no record yet counts from the load.
    Now,
    /// By the task's key.
    Tasks(BTreeMap<String, LastDone>),
}

struct MachineLastDoneVisitor;

impl<'de> Visitor<'de> for MachineLastDoneVisitor {
    type Value = MachineLastDone;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("\"now\", or a table such as { drain-bowl = \"2026-10-01\" }")
    }

    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<MachineLastDone, E> {
        match text {
            "now" => Ok(MachineLastDone::Now),
            other => Err(E::custom(format!(
                "last_done of a machine is `{other}`; write \"now\", or a table such as {{ drain-bowl = \"2026-10-01\" }}"
            ))),
        }
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<MachineLastDone, A::Error> {
        let mut tasks = BTreeMap::new();
        while let Some((task, done)) = map.next_entry()? {
            tasks.insert(task, done);
        }
        Ok(MachineLastDone::Tasks(tasks))
    }
}

impl<'de> Deserialize<'de> for MachineLastDone {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<MachineLastDone, D::Error> {
        deserializer.deserialize_any(MachineLastDoneVisitor)
    }
}

impl Serialize for MachineLastDone {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            MachineLastDone::Now => serializer.serialize_str("now"),
            MachineLastDone::Tasks(tasks) => tasks.serialize(serializer),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kits_and_windows_are_read_and_written_back() {
        for text in ["way oil VG 68: 2 L", "filter element: 1", "cleaner: no. 4: 0.5 L"] {
            let kit = Kit::try_from(text.to_owned()).unwrap();
            assert_eq!(String::from(kit), text);
        }
        for bad in ["way oil", "way oil: two L", ": 2 L", "way oil: 2 L extra", "way oil: -2 L"] {
            assert!(Kit::try_from(bad.to_owned()).unwrap_err().contains(&format!("`{bad}`")), "{bad}");
        }
        for (text, written) in [
            ("10 %", "10 %"),
            ("10%", "10 %"),
            ("3 days", "3 days"),
            ("1 day", "1 day"),
            ("0 days", "0 days"),
            ("20 h", "20 h"),
            ("12.5 hours", "12.5 h"),
            ("0 cycles", "0 cycles"),
        ] {
            assert_eq!(String::from(Window::try_from(text.to_owned()).unwrap()), written);
        }
        for bad in ["", "10", "%", "51 %", "367 days", "3 moons", "-1 %", "1.5 days", ". h", "1.2.3 h"] {
            assert!(Window::try_from(bad.to_owned()).is_err(), "{bad}");
        }
    }
}
