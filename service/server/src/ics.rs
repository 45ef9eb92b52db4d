//! Due calendars in the form of RFC 5545, with the properties of RFC 7986 that say how a calendar is called and how often to ask.

use fettler_domain::due_calendar::Entry;
use fettler_domain::time::Ts;
use icalendar::{Calendar, Component as _, Event, EventLike as _, EventStatus, Property};

/// What made the calendar, as it has to be said.
const MADE_BY: &str = "-//Fettler//Due calendar//EN";
/// The most bytes of a line without its end (RFC 5545, 3.1).
const LINE_BYTES_MAX: usize = 75;
/// How often a calendar need not ask more: what is due changes by the shop day, and at closings.
const ASK_AGAIN: &str = "PT1H";

/// Writes a calendar under a name; each entry with whether it is told as cancelled.
///
/// It holds nothing of the moment at which it is written, so that it is the same byte by byte until something is told anew.
pub fn write(name: &str, entries: &[(Entry, bool)]) -> String {
    let mut calendar = Calendar::empty();
    for (key, value) in
        [("VERSION", "2.0"), ("PRODID", MADE_BY), ("CALSCALE", "GREGORIAN"), ("X-PUBLISHED-TTL", ASK_AGAIN)]
    {
        calendar.append_property(Property::new(key, value));
    }
    for key in ["NAME", "X-WR-CALNAME"] {
        calendar.append_property(Property::new(key, name).add_parameter("VALUE", "TEXT").done());
    }
    let refresh = Property::new("REFRESH-INTERVAL", ASK_AGAIN).add_parameter("VALUE", "DURATION").done();
    calendar.append_property(refresh);
    for (entry, is_cancelled) in entries {
        calendar.push(event(entry, *is_cancelled));
    }
    folded(&calendar.to_string())
}

/// The same with lines of at most [`LINE_BYTES_MAX`] bytes: the library counts the space at the beginning of a last part for nothing.
fn folded(text: &str) -> String {
    let mut told = String::with_capacity(text.len() + text.len() / LINE_BYTES_MAX * 3);
    for line in text.replace("\r\n ", "").split_terminator("\r\n") {
        let mut room = LINE_BYTES_MAX;
        for letter in line.chars() {
            if letter.len_utf8() > room {
                told.push_str("\r\n ");
                room = LINE_BYTES_MAX - 1;
            }
            room -= letter.len_utf8();
            told.push(letter);
        }
        told.push_str("\r\n");
    }
    told
}

fn event(entry: &Entry, is_cancelled: bool) -> Event {
    let status = match (is_cancelled, entry.said.expected) {
        (true, _) => EventStatus::Cancelled,
        (false, true) => EventStatus::Tentative,
        (false, false) => EventStatus::Confirmed,
    };
    let mut event = Event::new();
    event
        .uid(&entry.uid)
        .timestamp(entry.told_at.to_utc())
        .created(entry.first_told.to_utc())
        .last_modified(entry.told_at.to_utc())
        .sequence(entry.sequence)
        .starts(entry.said.day.0)
        .summary(&entry.said.title)
        .description(&entry.said.text)
        .status(status)
        // It takes nobody's time of the day.
        .add_property("TRANSP", "TRANSPARENT");
    if !entry.said.area.is_empty() {
        event.location(&entry.said.area);
    }
    event.done()
}

/// When something of a calendar was told last; none of an empty one.
pub fn told_last(entries: &[(Entry, bool)]) -> Option<Ts> {
    entries.iter().map(|(entry, _)| entry.told_at).max()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_folded_at_75_bytes_between_letters() {
        for (letters, letter) in
            [(10, 'x'), (74, 'x'), (75, 'x'), (76, 'x'), (149, 'x'), (150, 'x'), (500, 'ß'), (300, '€')]
        {
            let line = letter.to_string().repeat(letters);
            // As a library would fold it, one byte too late.
            let before: Vec<char> = line.chars().collect();
            let before = before
                .chunks(76 / letter.len_utf8())
                .map(String::from_iter)
                .collect::<Vec<_>>()
                .join("\r\n ");
            let told = folded(&format!("{before}\r\nEND:VCALENDAR\r\n"));
            assert!(told.split("\r\n").all(|part| part.len() <= LINE_BYTES_MAX), "{told}");
            assert_eq!(told.replace("\r\n ", ""), format!("{line}\r\nEND:VCALENDAR\r\n"));
        }
    }
}
