//! Collects what is wrong with a message, field by field, so that a caller mends everything at once.

use fettler_domain::error::{Error, Violation};
use fettler_domain::text::{ForeignName, Key, NOTE_MAX, Name, TextError, line, note};
use fettler_store::contract::Withdrawal;
use uuid::Uuid;

/// The longest reason and the longest place, in characters.
pub const LINE_MAX: usize = 400;
/// The longest area, fluid or certificate number, in characters.
pub const SHORT_MAX: usize = 120;
/// The longest value shown in a complaint, in characters; the rest is cut.
const SHOWN_MAX: usize = 60;

/// What a field says; none when it cannot be taken, which was noted then. A field that may be left out says an
/// `Option`, so that nothing said and nothing readable are two things.
pub type Said<T> = Option<T>;

/// The violations found so far, below one path.
#[derive(Debug, Default)]
pub struct Fields {
    found: Vec<Violation>,
    prefix: String,
}

/// A value as it is shown in a complaint: cut to a readable length.
pub fn shown(value: &str) -> String {
    let mut cut: String = value.chars().take(SHOWN_MAX).collect();
    if value.chars().count() > SHOWN_MAX {
        cut.push('…');
    }
    cut
}

impl Fields {
    /// Nothing wrong yet.
    pub fn new() -> Fields {
        Fields::default()
    }

    /// The path of a field below the present prefix.
    fn path(&self, field: &str) -> String {
        match (self.prefix.is_empty(), field.is_empty()) {
            (true, _) => field.to_owned(),
            (false, true) => self.prefix.clone(),
            (false, false) => format!("{}.{field}", self.prefix),
        }
    }

    /// Reads a part of the message; the paths of its fields start with `part`.
    pub fn within<T>(&mut self, part: &str, read: impl FnOnce(&mut Fields) -> T) -> T {
        let outer = self.path(part);
        let before = std::mem::replace(&mut self.prefix, outer);
        let value = read(self);
        self.prefix = before;
        value
    }

    /// Reads every entry of a list of at most `max`.
    pub fn each<M, T>(
        &mut self,
        field: &str,
        list: &[M],
        max: usize,
        mut read: impl FnMut(&mut Fields, &M) -> Option<T>,
    ) -> Vec<T> {
        if list.len() > max {
            self.wrong(field, format!("has {} entries; give at most {max}", list.len()));
            return Vec::new();
        }
        let mut values = Vec::with_capacity(list.len());
        for (i, entry) in list.iter().enumerate() {
            values.extend(self.within(&format!("{field}[{i}]"), |fields| read(fields, entry)));
        }
        values
    }

    /// Complains where a key stands twice in a list.
    pub fn unique<'a>(&mut self, list: &str, field: &str, keys: impl Iterator<Item = &'a str>) {
        let mut seen = std::collections::BTreeMap::new();
        for (i, key) in keys.enumerate() {
            if key.is_empty() {
                continue;
            }
            if let Some(first) = seen.insert(key.to_owned(), i) {
                let at = format!("{list}[{i}].{field}");
                let other = self.path(&format!("{list}[{first}].{field}"));
                self.wrong(&at, format!("`{}` stands in {other} too; give each its own {field}", shown(key)));
            }
        }
    }

    /// Notes a violation.
    pub fn wrong(&mut self, field: &str, text: impl Into<String>) {
        self.found.push(Violation::new(self.path(field), text));
    }

    /// How much was wrong so far.
    pub fn wrong_so_far(&self) -> usize {
        self.found.len()
    }

    /// Whether nothing was wrong so far.
    pub fn is_clean(&self) -> bool {
        self.found.is_empty()
    }

    /// What was found.
    pub fn into_violations(self) -> Vec<Violation> {
        self.found
    }

    /// The value, unless something was wrong.
    ///
    /// A value that is missing although nothing was complained of is a defect of the reader; it is answered as an
    /// unreadable message rather than by a panic.
    pub fn finish<T>(self, value: Option<T>) -> Result<T, Error> {
        match value {
            Some(value) if self.found.is_empty() => Ok(value),
            None if self.found.is_empty() => Err(Error::invalid("", "the message could not be read")),
            _ => Err(Error::Invalid(self.found)),
        }
    }

    fn text<T>(&mut self, field: &str, value: &str, read: Result<T, TextError>) -> Option<T> {
        match read {
            Ok(taken) => Some(taken),
            Err(error) => {
                let value = if value.is_empty() { String::new() } else { format!("`{}` ", shown(value)) };
                self.wrong(field, format!("{value}{error}"));
                None
            }
        }
    }

    /// A required key.
    pub fn key(&mut self, field: &str, value: &str) -> Option<Key> {
        self.text(field, value, Key::new(value))
    }

    /// A key that may be left out.
    pub fn optional_key(&mut self, field: &str, value: &str) -> Said<Option<Key>> {
        if value.is_empty() { Some(None) } else { self.key(field, value).map(Some) }
    }

    /// A required name.
    pub fn name(&mut self, field: &str, value: &str) -> Option<Name> {
        self.text(field, value, Name::new(value))
    }

    /// A name that may be left out.
    pub fn optional_name(&mut self, field: &str, value: &str) -> Said<Option<Name>> {
        if value.is_empty() { Some(None) } else { self.name(field, value).map(Some) }
    }

    /// A required name that another system gives.
    pub fn foreign(&mut self, field: &str, value: &str) -> Option<ForeignName> {
        self.text(field, value, ForeignName::new(value))
    }

    /// A foreign name that may be left out.
    pub fn optional_foreign(&mut self, field: &str, value: &str) -> Said<Option<ForeignName>> {
        if value.is_empty() { Some(None) } else { self.foreign(field, value).map(Some) }
    }

    /// A text of at most `max` characters that may be empty and holds no control characters.
    pub fn line(&mut self, field: &str, value: &str, max: usize) -> Option<String> {
        self.text(field, value, line(value, max)).map(str::to_owned)
    }

    /// A text of at most `max` characters that may be left out.
    pub fn optional_line(&mut self, field: &str, value: &str, max: usize) -> Said<Option<String>> {
        if value.is_empty() { Some(None) } else { self.line(field, value, max).map(Some) }
    }

    /// A text of 1 to `max` characters that is not blank.
    pub fn required_line(&mut self, field: &str, value: &str, max: usize) -> Option<String> {
        if value.trim().is_empty() {
            return self.text(field, "", Err(TextError::Empty { max }));
        }
        self.line(field, value, max)
    }

    /// A note, which may be empty and may have line breaks.
    pub fn note(&mut self, field: &str, value: &str) -> Option<String> {
        self.text(field, value, note(value)).map(str::to_owned)
    }

    /// A note that must say something.
    pub fn required_note(&mut self, field: &str, value: &str) -> Option<String> {
        if value.trim().is_empty() {
            return self.text(field, "", Err(TextError::Empty { max: NOTE_MAX }));
        }
        self.note(field, value)
    }

    /// A whole number from `least` to `most`.
    pub fn number(&mut self, field: &str, value: i32, least: u32, most: u32) -> Option<u32> {
        match u32::try_from(value) {
            Ok(number) if (least..=most).contains(&number) => Some(number),
            _ => {
                self.wrong(
                    field,
                    format!("{value} is out of bounds; give a whole number from {least} to {most}"),
                );
                None
            }
        }
    }

    /// A work order's number.
    pub fn order(&mut self, field: &str, value: i64) -> Option<fettler_domain::ids::OrderNumber> {
        if value > 0 {
            return Some(fettler_domain::ids::OrderNumber(value));
        }
        self.wrong(
            field,
            format!("{value} is not a work order's number; give the number that the due list shows"),
        );
        None
    }

    /// Which entry of the journal is withdrawn, by whom and why.
    pub fn withdrawal(&mut self, entry: i64, by: &str, reason: &str) -> Option<Withdrawal> {
        if entry < 0 {
            self.wrong("entry", format!("{entry} is no journal entry; give the number that lists show"));
        }
        let by = self.name("by", by);
        let reason = self.required_line("reason", reason, LINE_MAX);
        Some(Withdrawal { entry, by: by?, reason: reason? })
    }

    /// A request id, which may be left out.
    pub fn request_id(&mut self, field: &str, value: &str) -> Said<Option<String>> {
        if value.is_empty() {
            return Some(None);
        }
        let id = Uuid::parse_str(value).ok();
        if id.is_none() {
            self.wrong(field, format!("`{}` is not a UUID; give one, or leave it out", shown(value)));
        }
        id.map(|id| Some(id.to_string()))
    }
}
