//! Between rows and the domain's types.

use super::DbRow;
use crate::contract::{Result, StoreError};
use fettler_domain::text::TextError;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use sqlx::Row as _;

/// How many characters of a damaged value are shown.
const SHOWN: usize = 120;

/// A row being read: its table, for the message when a column is not what we wrote.
pub(super) struct Reading<'r> {
    pub(super) row: &'r DbRow,
    pub(super) table: &'static str,
    next: usize,
}

impl<'r> Reading<'r> {
    /// Reads a row's columns from the first on.
    pub(super) fn new(row: &'r DbRow, table: &'static str) -> Reading<'r> {
        Reading { row, table, next: 0 }
    }

    /// The next column.
    pub(super) fn next<T>(&mut self) -> Result<T>
    where
        T: sqlx::Decode<'r, super::Db> + sqlx::Type<super::Db>,
    {
        self.next += 1;
        Ok(self.row.try_get(self.next - 1)?)
    }

    /// The next column, a text of the domain.
    pub(super) fn text<T>(
        &mut self,
        column: &'static str,
        parse: impl Fn(String) -> std::result::Result<T, TextError>,
    ) -> Result<T> {
        let text: String = self.next()?;
        parse(text.clone()).map_err(|_| self.corrupt(column, text))
    }

    /// The next column, a text of the domain or nothing.
    pub(super) fn text_or_none<T>(
        &mut self,
        column: &'static str,
        parse: impl Fn(String) -> std::result::Result<T, TextError>,
    ) -> Result<Option<T>> {
        let text: Option<String> = self.next()?;
        text.map(|text| parse(text.clone()).map_err(|_| self.corrupt(column, text))).transpose()
    }

    /// The next column, JSON.
    pub(super) fn json<T: DeserializeOwned>(&mut self, column: &'static str) -> Result<T> {
        let text: &str = self.next()?;
        serde_json::from_str(text).map_err(|_| self.corrupt(column, text))
    }

    /// The next column, JSON or nothing.
    pub(super) fn json_or_none<T: DeserializeOwned>(&mut self, column: &'static str) -> Result<Option<T>> {
        let text: Option<&str> = self.next()?;
        text.map(|text| serde_json::from_str(text).map_err(|_| self.corrupt(column, text))).transpose()
    }

    /// The next column, a word of an enumeration.
    pub(super) fn word<T: DeserializeOwned>(&mut self, column: &'static str) -> Result<T> {
        let text: &str = self.next()?;
        from_word(text).ok_or_else(|| self.corrupt(column, text))
    }

    /// The next column, a word of an enumeration or nothing.
    pub(super) fn word_or_none<T: DeserializeOwned>(&mut self, column: &'static str) -> Result<Option<T>> {
        let text: Option<&str> = self.next()?;
        text.map(|text| from_word(text).ok_or_else(|| self.corrupt(column, text))).transpose()
    }

    /// The next column, a SHA-256.
    pub(super) fn hash(&mut self, column: &'static str) -> Result<[u8; 32]> {
        let bytes: &[u8] = self.next()?;
        bytes.try_into().map_err(|_| self.corrupt(column, format!("{} bytes", bytes.len())))
    }

    /// The next column, a number that fits a smaller type.
    pub(super) fn number<T: TryFrom<i64>>(&mut self, column: &'static str) -> Result<T> {
        let number: i64 = self.next()?;
        number.try_into().map_err(|_| self.corrupt(column, number))
    }

    /// That a column is damaged.
    #[expect(clippy::needless_pass_by_value, reason = "callers hand over numbers and texts alike")]
    pub(super) fn corrupt(&self, column: &'static str, value: impl ToString) -> StoreError {
        let mut row = value.to_string();
        if let Some((end, _)) = row.char_indices().nth(SHOWN) {
            row.truncate(end);
            row.push('…');
        }
        StoreError::Corrupt { table: self.table, column, row }
    }
}

/// The value of an enumeration with this word.
pub(super) fn from_word<T: DeserializeOwned>(word: &str) -> Option<T> {
    use serde::de::IntoDeserializer as _;
    let words: serde::de::value::StrDeserializer<'_, serde::de::value::Error> = word.into_deserializer();
    T::deserialize(words).ok()
}

/// The JSON of a value of ours.
pub(super) fn to_json<T: Serialize>(value: &T) -> Result<String> {
    serde_json::to_string(value).map_err(|error| no_json(&error))
}

/// The same as a value, for a fact.
pub(super) fn to_value<T: Serialize>(value: &T) -> Result<Value> {
    serde_json::to_value(value).map_err(|error| no_json(&error))
}

fn no_json(error: &serde_json::Error) -> StoreError {
    StoreError::Unavailable(format!("no JSON form: {error}"))
}

/// The word of an enumeration's value, as serde writes it.
pub(super) fn to_word<T: Serialize>(value: &T) -> Result<String> {
    Ok(to_json(value)?.trim_matches('"').to_owned())
}
