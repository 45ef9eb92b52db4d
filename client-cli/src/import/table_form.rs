//! The mapping of a table: which column says what, in which form, and what is left out.

use super::{
    amount::{Signs, Written},
    mapping::{check_name, zone},
    wall::{Wall, WhenSkipped, WhenTwice, check_pattern},
};
use chrono::NaiveTime;
use serde::Deserialize;
use std::collections::BTreeMap;

/// One column, or several whose cells are put together.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(untagged)]
pub(super) enum Names {
    One(String),
    Several(Vec<String>),
}

/// What happens to machines that `[machines]` does not name.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub(super) enum OtherMachines {
    /// Their names go to the service as they are.
    #[default]
    #[serde(rename = "as they are")]
    AsTheyAre,
    /// Their rows are left out.
    #[serde(rename = "leave out")]
    LeaveOut,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TableFile {
    #[expect(dead_code, reason = "it was read before, to tell which form this is")]
    form: String,
    source: String,
    #[serde(default)]
    revision: u32,
    zone: Option<String>,
    #[serde(default)]
    when_skipped: WhenSkipped,
    #[serde(default)]
    when_twice: WhenTwice,
    #[serde(default)]
    skip_lines: u64,
    delimiter: Option<String>,
    headers: Option<Vec<String>>,
    ends_at: Option<String>,
    times: Option<String>,
    days: Option<String>,
    #[serde(default)]
    ends_next_day: bool,
    amounts: Option<Written>,
    decimal: Option<String>,
    thousands: Option<String>,
    columns: ColumnsFile,
    #[serde(default)]
    constant: ConstantFile,
    #[serde(default)]
    machines: BTreeMap<String, String>,
    #[serde(default)]
    other_machines: OtherMachines,
    #[serde(default)]
    shifts: BTreeMap<String, ShiftFile>,
    #[serde(default)]
    skip: Vec<SkipFile>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct ColumnsFile {
    machine: Option<String>,
    meter: Option<String>,
    report: Option<Names>,
    revision: Option<String>,
    start: Option<Names>,
    end: Option<Names>,
    day: Option<Names>,
    shift: Option<String>,
    amount: Option<String>,
    reading: Option<String>,
    at: Option<Names>,
    withdrawn: Option<String>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct ConstantFile {
    machine: Option<String>,
    meter: Option<String>,
    shift: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ShiftFile {
    starts: String,
    ends: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SkipFile {
    line_starts_with: Option<String>,
    column: Option<String>,
    is: Option<String>,
    starts_with: Option<String>,
}

/// Which rows are left out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Skip {
    /// Lines that begin so.
    LineStartsWith(String),
    /// Rows of which a cell is this.
    Is(String, String),
    /// Rows of which a cell begins so.
    StartsWith(String, String),
}

/// What a part of a row says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Part {
    Machine,
    Meter,
    Report,
    Revision,
    Start,
    End,
    Day,
    Shift,
    Amount,
    Reading,
    At,
    Withdrawn,
}

/// A mapping of tables that can be used.
#[derive(Clone, Debug)]
pub(crate) struct TableForm {
    /// Who says it.
    pub(crate) source: String,
    pub(super) revision: u32,
    pub(super) wall: Wall,
    pub(super) days: Option<String>,
    pub(super) ends_next_day: bool,
    pub(super) skip_lines: u64,
    pub(super) delimiter: u8,
    pub(super) headers: Option<Vec<String>>,
    pub(super) ends_at: Option<String>,
    pub(super) amounts: Written,
    pub(super) signs: Signs,
    /// The columns that say each part, in the order in which their cells are put together.
    pub(super) columns: BTreeMap<Part, Vec<String>>,
    pub(super) constant: BTreeMap<Part, String>,
    pub(super) machines: BTreeMap<String, String>,
    pub(super) other_machines: OtherMachines,
    pub(super) shifts: BTreeMap<String, (NaiveTime, NaiveTime)>,
    pub(super) skip: Vec<Skip>,
}

impl TableFile {
    /// Checks what can be checked without a file to read.
    pub(super) fn checked(self) -> Result<TableForm, String> {
        check_name("source", &self.source, false)?;
        if let Some(pattern) = &self.times {
            check_pattern("times", pattern, true)?;
        }
        if let Some(pattern) = &self.days {
            check_pattern("days", pattern, false)?;
        }
        let signs = signs(self.decimal.as_deref(), self.thousands.as_deref())?;
        let zone = self.zone.as_deref().map(zone).transpose()?;
        for (from, to) in &self.machines {
            check_name(&format!("the machine for `{from}`"), to, false)?;
        }
        if self.other_machines == OtherMachines::LeaveOut && self.machines.is_empty() {
            return Err("other_machines leaves out every machine, for [machines] names none".to_owned());
        }
        let columns = self.columns.named()?;
        let constant = self.constant.named(&columns)?;
        says_enough(&columns, &constant, &self.shifts)?;
        Ok(TableForm {
            source: self.source,
            revision: self.revision,
            wall: Wall { zone, pattern: self.times, skipped: self.when_skipped, twice: self.when_twice },
            days: self.days,
            ends_next_day: self.ends_next_day,
            skip_lines: self.skip_lines,
            delimiter: delimiter(self.delimiter.as_deref())?,
            headers: self.headers,
            ends_at: self.ends_at.filter(|start| !start.is_empty()),
            amounts: self.amounts.unwrap_or(Written::Hours),
            signs,
            columns,
            constant,
            machines: self.machines,
            other_machines: self.other_machines,
            shifts: self.shifts.into_iter().map(shift).collect::<Result<_, _>>()?,
            skip: self.skip.into_iter().map(SkipFile::rule).collect::<Result<_, _>>()?,
        })
    }
}

fn signs(decimal: Option<&str>, thousands: Option<&str>) -> Result<Signs, String> {
    let one = |key: &str, text: &str| {
        let mut signs = text.chars();
        match (signs.next(), signs.next()) {
            (Some(sign), None) if !sign.is_ascii_alphanumeric() && !matches!(sign, '-' | '+') => Ok(sign),
            _ => Err(format!("{key} `{text}` is not one sign; write one such as \".\" or \",\"")),
        }
    };
    let decimal = one("decimal", decimal.unwrap_or("."))?;
    let thousands = thousands.map(|text| one("thousands", text)).transpose()?;
    if thousands == Some(decimal) {
        return Err(format!(
            "decimal and thousands are both `{decimal}`; no number could be told from another"
        ));
    }
    Ok(Signs { decimal, thousands, exponents: false })
}

fn delimiter(text: Option<&str>) -> Result<u8, String> {
    match text.unwrap_or(",") {
        "tab" => Ok(b'\t'),
        text => match text.as_bytes() {
            [byte]
                if byte.is_ascii()
                    && !byte.is_ascii_alphanumeric()
                    && !matches!(byte, b'"' | b'\n' | b'\r') =>
            {
                Ok(*byte)
            }
            _ => Err(format!("delimiter `{text}` is not one sign; write one such as \";\", or \"tab\"")),
        },
    }
}

fn shift((name, file): (String, ShiftFile)) -> Result<(String, (NaiveTime, NaiveTime)), String> {
    let time = |text: &str| {
        NaiveTime::parse_from_str(text, "%H:%M")
            .map_err(|_| format!("shift `{name}`: `{text}` is not a time of day; write it like 06:00"))
    };
    let hours = (time(&file.starts)?, time(&file.ends)?);
    Ok((name, hours))
}

impl SkipFile {
    fn rule(self) -> Result<Skip, String> {
        match (self.line_starts_with, self.column, self.is, self.starts_with) {
            (Some(start), None, None, None) if !start.is_empty() => Ok(Skip::LineStartsWith(start)),
            (None, Some(column), Some(is), None) => Ok(Skip::Is(column, is)),
            (None, Some(column), None, Some(start)) if !start.is_empty() => {
                Ok(Skip::StartsWith(column, start))
            }
            _ => Err(
                "a [[skip]] says either `line_starts_with`, or `column` with one of `is` and `starts_with`"
                    .to_owned(),
            ),
        }
    }
}

impl ColumnsFile {
    fn named(self) -> Result<BTreeMap<Part, Vec<String>>, String> {
        let one = |name: Option<String>| name.map(Names::One);
        let parts = [
            (Part::Machine, one(self.machine)),
            (Part::Meter, one(self.meter)),
            (Part::Report, self.report),
            (Part::Revision, one(self.revision)),
            (Part::Start, self.start),
            (Part::End, self.end),
            (Part::Day, self.day),
            (Part::Shift, one(self.shift)),
            (Part::Amount, one(self.amount)),
            (Part::Reading, one(self.reading)),
            (Part::At, self.at),
            (Part::Withdrawn, one(self.withdrawn)),
        ];
        let mut columns = BTreeMap::new();
        for (part, names) in parts {
            let names = match names {
                None => continue,
                Some(Names::One(name)) => vec![name],
                Some(Names::Several(names)) => names,
            };
            if names.is_empty() || names.iter().any(|name| name.trim().is_empty()) {
                return Err("a column in [columns] has no name; write its header".to_owned());
            }
            columns.insert(part, names);
        }
        Ok(columns)
    }
}

impl ConstantFile {
    fn named(self, columns: &BTreeMap<Part, Vec<String>>) -> Result<BTreeMap<Part, String>, String> {
        let parts = [
            (Part::Machine, "machine", self.machine),
            (Part::Meter, "meter", self.meter),
            (Part::Shift, "shift", self.shift),
        ];
        let mut constant = BTreeMap::new();
        for (part, key, value) in parts {
            let Some(value) = value else { continue };
            check_name(&format!("constant {key}"), &value, false)?;
            if columns.contains_key(&part) {
                return Err(format!("{key} stands in [columns] and in [constant]; leave one out"));
            }
            constant.insert(part, value);
        }
        Ok(constant)
    }
}

fn says_enough(
    columns: &BTreeMap<Part, Vec<String>>,
    constant: &BTreeMap<Part, String>,
    shifts: &BTreeMap<String, ShiftFile>,
) -> Result<(), String> {
    let has = |part| columns.contains_key(&part) || constant.contains_key(&part);
    if !has(Part::Machine) {
        return Err(
            "nothing says the machine; name its column in [columns], or the machine in [constant]".to_owned()
        );
    }
    let by_shift = has(Part::Day) && has(Part::Shift);
    if has(Part::Day) != has(Part::Shift) {
        return Err("`day` and `shift` go together: the day and the shift make the stretch".to_owned());
    }
    if by_shift && shifts.is_empty() {
        return Err("[shifts] says when each shift starts and ends; it names none".to_owned());
    }
    if by_shift && (has(Part::Start) || has(Part::End)) {
        return Err("a stretch is said by `start` and `end`, or by `day` and `shift`, not by both".to_owned());
    }
    let stretch = has(Part::Amount) && ((has(Part::Start) && has(Part::End)) || by_shift);
    let reading = has(Part::Reading) && has(Part::At);
    if stretch || (reading && !has(Part::Amount)) {
        return Ok(());
    }
    Err("[columns] names neither a stretch (start, end and amount; or day, shift and amount) nor a counter (reading and at)"
        .to_owned())
}
