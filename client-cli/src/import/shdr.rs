//! Logs of an adapter in SHDR, the lines by which adapters tell an agent what a control says:
//! `timestamp|key|value|key|value…`. One reader for logs as they are: times step back, lines repeat, bodies span lines.

use super::{
    counters::{Counters, Said, Sort},
    facts::{Fact, Facts},
    wall::Wall,
};
use crate::{
    exit::Failure,
    push::input::{Line, Lines},
};
use chrono::{DateTime, Utc};

/// What begins the mark that ends a body of several lines; the mark stands alone on the body's last line.
const MULTILINE: &str = "--multiline--";
/// Why a counter may be reset, as the standard names it (the schema's DataItemResetValueEnum).
const RESETS: [&str; 9] =
    ["ACTION_COMPLETE", "ANNUAL", "DAY", "LIFE", "MAINTENANCE", "MONTH", "POWER_ON", "SHIFT", "WEEK"];

/// Reads a log. Values of mapped keys go to `counters`; everything else is counted.
pub(crate) fn read(
    file: &str,
    mut lines: Lines,
    counters: &mut Counters<'_>,
    facts: &mut Facts,
) -> Result<(), Failure> {
    let wall = Wall { zone: counters.plan().zone, ..Wall::default() };
    let mut log = Log { file, wall, body: None, before: None, counters, facts };
    loop {
        match lines.next_line() {
            Ok(Some((number, Line::Text(text)))) => log.line(number, text)?,
            Ok(Some((number, Line::Unreadable(what)))) => {
                log.facts.count(Fact::Lines);
                log.counters.fault(file, number, "line", format!("the line {what}"))?;
            }
            Ok(None) => break,
            Err(error) => return Err(Failure::usage(format!("cannot read `{file}`: {error}"))),
        }
    }
    let Some((number, mark)) = log.body else { return Ok(()) };
    let why =
        format!("a body begins here and its end, `{mark}`, never comes; what follows it was passed over");
    log.counters.fault(file, number, "line", why)
}

struct Log<'a, 'p> {
    file: &'a str,
    wall: Wall,
    /// The line on which a body began, and the mark that ends it.
    body: Option<(u64, String)>,
    before: Option<DateTime<Utc>>,
    counters: &'a mut Counters<'p>,
    facts: &'a mut Facts,
}

impl Log<'_, '_> {
    fn line(&mut self, number: u64, text: &str) -> Result<(), Failure> {
        self.facts.count(Fact::Lines);
        if let Some((_, mark)) = &self.body {
            self.facts.count(Fact::Body);
            if text.trim() == mark {
                self.body = None;
            }
            return Ok(());
        }
        if text.starts_with('*') {
            self.facts.count(Fact::Protocol);
            return Ok(());
        }
        let parts: Vec<&str> = text.split('|').map(str::trim).collect();
        let at = match self.time(parts[0], parts.len()) {
            Ok(at) => at,
            Err(why) => return self.counters.fault(self.file, number, "time", why),
        };
        if self.before.is_some_and(|before| at < before) {
            self.facts.count(Fact::StepBack);
        }
        self.before = Some(at);
        if parts[1].starts_with('@') {
            match parts.last().filter(|last| last.starts_with(MULTILINE)) {
                Some(mark) => {
                    self.facts.count(Fact::Body);
                    self.body = Some((number, (*mark).to_owned()));
                }
                None => self.facts.count(Fact::Protocol),
            }
            return Ok(());
        }
        self.values(number, at, &parts[1..])
    }

    fn time(&self, text: &str, parts: usize) -> Result<DateTime<Utc>, String> {
        if parts < 2 {
            let shown: String = text.chars().take(40).collect();
            return Err(format!("`{shown}` is not a line of a log; they read time|key|value"));
        }
        // A duration may follow the time.
        let text = text.split('@').next().unwrap_or_default();
        if text.is_empty() {
            return Err("no time stands before the values; an agent would take its own".to_owned());
        }
        let said = self.wall.read(text)?;
        Ok(self.wall.settle(text, said)?.at)
    }

    fn values(&mut self, number: u64, at: DateTime<Utc>, parts: &[&str]) -> Result<(), Failure> {
        let mut rest = parts;
        while let Some((name, others)) = rest.split_first() {
            let (device, key, is_message) = self.named(name);
            // A message says a code of its own before its text.
            let skipped = usize::from(is_message);
            rest = others.get(skipped + 1..).unwrap_or(&[]);
            if key.is_empty() {
                continue;
            }
            let (text, why) = others.get(skipped).map_or(("", None), |value| parted(value));
            let said = Said {
                device,
                device_name: device,
                item: key,
                at,
                text,
                sort: Sort::Other,
                units: None,
                reset: why,
                number: None,
                file: self.file,
                line: number,
            };
            self.counters.take(&said, self.facts)?;
        }
        Ok(())
    }

    /// A key's device and name, and whether the mapping says that it is a message.
    fn named<'t>(&self, name: &'t str) -> (&'t str, &'t str, bool) {
        let items = &self.counters.plan().items;
        let (device, key) = match name.split_once(':') {
            Some((device, key)) if !items.contains_key(name) => (device, key),
            _ => ("", name),
        };
        let is_message = items.get(key).is_some_and(|items| items.iter().any(|item| item.message));
        (device, key, is_message)
    }
}

/// A value, and why it was reset where a word of the standard follows it.
fn parted(value: &str) -> (&str, Option<&str>) {
    match value.rsplit_once(':') {
        Some((text, why)) if RESETS.contains(&why) => (text.trim(), Some(why)),
        _ => (value, None),
    }
}

#[cfg(test)]
mod tests;
