//! Streams documents of MTConnect (Part 1 and 2 of the standard): what an agent says that its devices said. Elements
//! are told by their names without prefix, so that every version, vendors' additions and documents without a namespace
//! are read alike.

use super::{
    counters::{Counters, Said, Sort},
    facts::{Fact, Facts},
    markup::{Document, Element, Fault, Step},
    wall::Wall,
};
use crate::{exit::Failure, times};
use chrono::{DateTime, Utc};

/// How many refusals of an agent are told of one document.
const ERRORS_MAX: usize = 5;

/// The head of a document, as far as it is said.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Header {
    /// The agent's run: another one counts its values from 1 again.
    pub(crate) run: Option<String>,
    /// The number of the first value that the agent still has.
    pub(crate) first: Option<u64>,
    /// The number of the last value that the agent has.
    pub(crate) last: Option<u64>,
    /// The number to ask for next.
    pub(crate) next: Option<u64>,
    /// When the agent said this.
    pub(crate) said_at: Option<DateTime<Utc>>,
}

/// What a document came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Read {
    /// Its head.
    pub(crate) header: Header,
    /// The lowest and the highest number of its values.
    pub(crate) numbers: Option<(u64, u64)>,
    /// What the agent refused: the standard's word and the agent's text.
    pub(crate) refusals: Vec<(String, String)>,
}

/// Why a document was not read.
#[derive(Debug)]
pub(crate) enum Unread {
    /// It cannot be read.
    Fault(Fault),
    /// There is no point in going on.
    Failed(Failure),
}

impl From<Fault> for Unread {
    fn from(fault: Fault) -> Unread {
        Unread::Fault(fault)
    }
}

impl From<Failure> for Unread {
    fn from(failure: Failure) -> Unread {
        Unread::Failed(failure)
    }
}

/// Reads a document. Values of mapped items go to `counters`.
pub(crate) fn read(
    file: &str,
    bytes: &[u8],
    counters: &mut Counters<'_>,
    facts: &mut Facts,
) -> Result<Read, Unread> {
    // Walked once before anything is taken: of a document that breaks off nothing is.
    let mut document = Document::open(bytes)?;
    let mut is_empty = true;
    while document.step()?.is_some() {
        is_empty = false;
    }
    if is_empty {
        return Err(Fault { line: 1, why: "there is no element in it; it is no document".to_owned() }.into());
    }
    let mut document = Document::open(bytes)?;
    let mut reader =
        Reader { file, path: Vec::new(), device: Default::default(), read: Read::default(), counters, facts };
    while let Some(step) = document.step()? {
        match step {
            Step::Start(element) => reader.start(element)?,
            Step::End { text } => reader.end(&text)?,
        }
    }
    let read = reader.read;
    facts.count(Fact::Documents);
    if read.numbers.is_none() && read.refusals.is_empty() {
        facts.count(Fact::Heartbeats);
    }
    Ok(read)
}

struct Reader<'a, 'p> {
    file: &'a str,
    /// The elements around, outermost first.
    path: Vec<Element>,
    /// The device's uuid and name.
    device: (String, String),
    read: Read,
    counters: &'a mut Counters<'p>,
    facts: &'a mut Facts,
}

impl Reader<'_, '_> {
    fn start(&mut self, element: Element) -> Result<(), Unread> {
        if self.path.is_empty() && !["MTConnectStreams", "MTConnectError"].contains(&element.name.as_str()) {
            let name: String = element.name.chars().take(40).collect();
            let why = format!(
                "it is a document `{name}`; MTConnectStreams is read, what an agent says under /current and /sample"
            );
            return Err(Fault { line: element.line, why }.into());
        }
        match element.name.as_str() {
            "Header" if self.path.len() == 1 => self.read.header = header(&element),
            "DeviceStream" => {
                let said = |name: &str| element.attribute(name).unwrap_or_default().to_owned();
                let (uuid, name) = (said("uuid"), said("name"));
                self.device = if uuid.is_empty() { (name.clone(), name) } else { (uuid, name) };
            }
            _ => {}
        }
        self.path.push(element);
        Ok(())
    }

    fn end(&mut self, text: &str) -> Result<(), Unread> {
        let Some(element) = self.path.pop() else { return Ok(()) };
        let parent = self.path.last().map_or("", |parent| parent.name.as_str());
        if let Some(code) = element.attribute("errorCode") {
            if self.read.refusals.len() < ERRORS_MAX {
                let text: String = text.chars().take(200).collect();
                self.read.refusals.push((code.to_owned(), text));
            }
            return Ok(());
        }
        if ["Samples", "Events", "Condition"].contains(&parent)
            && let Some(item) = element.attribute("dataItemId")
        {
            self.value(&element, item, text)?;
        }
        Ok(())
    }

    fn value(&mut self, element: &Element, item: &str, text: &str) -> Result<(), Unread> {
        let number = element.attribute("sequence").and_then(|text| text.trim().parse::<u64>().ok());
        if let Some(number) = number {
            let (low, high) = self.read.numbers.unwrap_or((number, number));
            self.read.numbers = Some((low.min(number), high.max(number)));
        }
        let at = match instant(element, self.counters.plan().zone) {
            Ok(at) => at,
            // Of an item that nobody asks for it does not matter.
            Err(_) if !self.counters.plan().items.contains_key(item) => DateTime::UNIX_EPOCH,
            Err(why) => {
                self.facts.count(Fact::Values);
                let field = format!("{} `{item}`, timestamp", element.name);
                return Ok(self.counters.fault(self.file, element.line, &field, why)?);
            }
        };
        let said = Said {
            device: &self.device.0,
            device_name: &self.device.1,
            item,
            at,
            text,
            sort: sort(&element.name),
            units: element.attribute("units"),
            reset: element.attribute("resetTriggered"),
            number: self.read.header.run.as_deref().zip(number),
            file: self.file,
            line: element.line,
        };
        Ok(self.counters.take(&said, self.facts)?)
    }
}

fn instant(element: &Element, zone: Option<chrono_tz::Tz>) -> Result<DateTime<Utc>, String> {
    let text = element.attribute("timestamp").unwrap_or_default().trim();
    if text.is_empty() {
        return Err("it has no timestamp; nothing says when that was".to_owned());
    }
    let wall = Wall { zone, ..Wall::default() };
    let said = wall.read(text)?;
    Ok(wall.settle(text, said)?.at)
}

/// Timers and counts of the standard, whose units it names (SECOND for both timers).
fn sort(name: &str) -> Sort {
    match name {
        "EquipmentTimer" | "AccumulatedTime" | "ProcessTimer" => Sort::Timer,
        "PartCount" => Sort::Count,
        _ => Sort::Other,
    }
}

fn header(element: &Element) -> Header {
    let number = |name: &str| element.attribute(name).and_then(|text| text.trim().parse().ok());
    Header {
        run: element
            .attribute("instanceId")
            .map(|text| text.trim().to_owned())
            .filter(|text| !text.is_empty()),
        first: number("firstSequence"),
        last: number("lastSequence"),
        next: number("nextSequence"),
        said_at: element.attribute("creationTime").and_then(|text| times::absolute(text.trim())),
    }
}

/// How one document follows on another: another run, or values between them that neither has.
#[derive(Debug, Default)]
pub(crate) struct Following {
    run: Option<String>,
    next: Option<u64>,
}

impl Following {
    /// Goes on from a run and the number that is next in it.
    pub(crate) fn from(run: String, next: u64) -> Following {
        Following { run: Some(run), next: Some(next) }
    }

    /// Takes a document, telling what lies between it and the one before.
    pub(crate) fn take(&mut self, file: &str, read: &Read, facts: &mut Facts) {
        let header = &read.header;
        if let (Some(before), Some(run)) = (&self.run, &header.run)
            && before != run
        {
            let text = format!(
                "the agent was started anew: its instanceId is {run} and was {before}; what was said between the two runs is not known"
            );
            facts.tell(Fact::Restarted, file, text);
            self.next = None;
        }
        if let Some(next) = self.next {
            let gone = header.first.filter(|first| *first > next);
            let missing = read.numbers.map(|(low, _)| low).filter(|low| *low > next);
            if let Some(first) = gone {
                let text = format!(
                    "values {next} to {} are gone: the agent had no room for them any more",
                    first - 1
                );
                facts.tell(Fact::Gap, file, text);
            } else if let Some(low) = missing {
                let text = format!(
                    "values {next} to {} stand in no document: the agent was asked for a part only, or a document is missing",
                    low - 1
                );
                facts.tell(Fact::Gap, file, text);
            }
        }
        self.run = header.run.clone().or_else(|| self.run.take());
        self.next = header.next.max(read.numbers.map(|(_, high)| high.saturating_add(1))).max(self.next);
    }
}

#[cfg(test)]
mod tests;
