//! An agent as the standard describes one, for the client to follow: it holds the last values that were said, numbers
//! them, forgets the oldest, can be started anew, and answers `/current` and `/sample` over HTTP. Every document that
//! it ever answers with is held against the published schema.

use crate::oracle::data;
use flate2::read::GzDecoder;
use std::fs;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex};

/// The schema that documents are held against.
const SCHEMA: &str = "mtconnect/MTConnectStreams_2.7_1.0.xsd.gz";

/// A value that was said.
#[derive(Clone, Debug)]
struct Value {
    element: &'static str,
    item: &'static str,
    at: String,
    text: String,
    number: u64,
}

#[derive(Debug)]
struct Inside {
    run: u64,
    values: Vec<Value>,
    next: u64,
    first: u64,
    said_at: String,
    asked: Vec<String>,
    at_once: usize,
    answered: Vec<String>,
    /// What it answers in place of what it has, while it is at fault.
    fault: Option<(&'static str, &'static str)>,
}

/// A running agent; its thread ends with the test's process.
#[derive(Debug)]
pub struct Agent {
    /// Where it is asked.
    pub address: String,
    inside: Arc<Mutex<Inside>>,
}

impl Agent {
    /// Starts an agent that has said nothing yet.
    pub fn start() -> Agent {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = format!("http://{}", listener.local_addr().expect("an address"));
        let inside = Arc::new(Mutex::new(Inside {
            run: 1,
            values: Vec::new(),
            next: 1,
            first: 1,
            said_at: "2026-11-02T05:00:00Z".into(),
            asked: Vec::new(),
            at_once: usize::MAX,
            answered: Vec::new(),
            fault: None,
        }));
        let shared = Arc::clone(&inside);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                // A client that goes away is no fault of the agent.
                let _ = answer(stream, &shared);
            }
        });
        Agent { address, inside }
    }

    fn with<T>(&self, change: impl FnOnce(&mut Inside) -> T) -> T {
        change(&mut self.inside.lock().expect("no thread broke"))
    }

    /// Says a value of a timer, in seconds, at a time of 2 November 2026.
    pub fn says(&self, at: &str, seconds: &str) {
        self.say("EquipmentTimer", "op", at, seconds);
    }

    /// Says a number of parts.
    pub fn counts(&self, at: &str, parts: &str) {
        self.say("PartCount", "parts", at, parts);
    }

    fn say(&self, element: &'static str, item: &'static str, at: &str, text: &str) {
        self.with(|inside| {
            let at = format!("2026-11-02T{at}Z");
            inside.values.push(Value {
                element,
                item,
                at: at.clone(),
                text: text.into(),
                number: inside.next,
            });
            inside.next += 1;
            inside.said_at = at;
        });
    }

    /// The time is so late now, without a value.
    pub fn clock(&self, at: &str) {
        self.with(|inside| inside.said_at = format!("2026-11-02T{at}Z"));
    }

    /// Forgets all that was said before a number.
    pub fn forgets_before(&self, number: u64) {
        self.with(|inside| inside.first = number);
    }

    /// Answers with so many values at once.
    pub fn answers_in_parts_of(&self, values: usize) {
        self.with(|inside| inside.at_once = values);
    }

    /// Is started anew: its numbers begin again, and it has what its items show.
    pub fn starts_anew(&self) {
        self.with(|inside| {
            inside.run += 1;
            (inside.first, inside.next) = (1, 1);
            inside.values.clear();
        });
    }

    /// From now on it answers everything with this status and body.
    pub fn is_at_fault(&self, status: &'static str, body: &'static str) {
        self.with(|inside| inside.fault = Some((status, body)));
    }

    /// It answers again as it should.
    pub fn is_mended(&self) {
        self.with(|inside| inside.fault = None);
    }

    /// What it was asked since the last time.
    pub fn asked(&self) -> Vec<String> {
        self.with(|inside| std::mem::take(&mut inside.asked))
    }

    /// Holds every document of values that it answered with against the schema.
    pub fn check_documents(&self) {
        let documents = self.with(|inside| inside.answered.clone());
        assert!(!documents.is_empty(), "it answered nothing");
        let folder = tempfile::tempdir().expect("a folder");
        for (number, document) in documents.iter().enumerate() {
            fs::write(folder.path().join(format!("{number}.xml")), document).expect("a file");
        }
        check(folder.path());
    }
}

/// Holds every document of a folder against the published schema.
pub fn check(folder: &Path) {
    let mut schema = String::new();
    let packed = fs::File::open(data(SCHEMA)).expect("the schema");
    GzDecoder::new(packed).read_to_string(&mut schema).expect("a schema");
    let beside = tempfile::tempdir().expect("a folder");
    let path = beside.path().join("streams.xsd");
    fs::write(&path, schema).expect("a file");
    let mut documents: Vec<_> =
        fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path()).collect();
    documents.retain(|path| path.extension().is_some_and(|extension| extension == "xml"));
    assert!(!documents.is_empty(), "no document lies in {}", folder.display());
    let ran =
        Command::new("xmllint").args(["--nonet", "--noout", "--schema"]).arg(&path).args(&documents).output();
    let ran = ran.unwrap_or_else(|error| {
        panic!("xmllint: {error}; install libxml2-utils, or run ./tests/run --tools")
    });
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
}

fn answer(mut stream: TcpStream, shared: &Mutex<Inside>) -> std::io::Result<()> {
    let mut reader = BufReader::new(stream.try_clone()?);
    let mut first = String::new();
    reader.read_line(&mut first)?;
    let mut line = String::new();
    while reader.read_line(&mut line)? > 2 {
        line.clear();
    }
    let path = first.split_whitespace().nth(1).unwrap_or_default().to_owned();
    let (status, body) = {
        let mut inside = shared.lock().expect("no thread broke");
        inside.asked.push(path.clone());
        match inside.fault {
            Some((status, body)) => (status, body.to_owned()),
            None => said(&mut inside, &path),
        }
    };
    write!(
        stream,
        "HTTP/1.1 {status}\r\nContent-Type: text/xml\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
        body.len()
    )
}

fn said(inside: &mut Inside, path: &str) -> (&'static str, String) {
    let from =
        path.split("from=").nth(1).map(|rest| rest.split('&').next().unwrap_or_default().parse::<u64>());
    let chosen: Vec<Value> = match from {
        None => {
            let newest = |item: &str| inside.values.iter().rev().find(|value| value.item == item);
            ["op", "parts"].into_iter().filter_map(newest).cloned().collect()
        }
        Some(Ok(from)) if (inside.first..=inside.next).contains(&from) => {
            inside.values.iter().filter(|value| value.number >= from).take(inside.at_once).cloned().collect()
        }
        Some(_) => {
            let text = format!("'from' must be between {} and {}", inside.first, inside.next);
            let body = format!(
                "<?xml version=\"1.0\"?><MTConnectError xmlns=\"urn:mtconnect.org:MTConnectError:2.7\"><Header instanceId=\"{}\"/>\
                 <Errors><Error errorCode=\"OUT_OF_RANGE\">{text}</Error></Errors></MTConnectError>",
                inside.run
            );
            return ("404 Not Found", body);
        }
    };
    let next = match (from, chosen.last()) {
        (Some(_), Some(last)) => last.number + 1,
        _ => inside.next,
    };
    let body = document(inside, &chosen, next);
    inside.answered.push(body.clone());
    ("200 OK", body)
}

fn document(inside: &Inside, values: &[Value], next: u64) -> String {
    let of = |element: &str| -> String {
        let sub = if element == "EquipmentTimer" { " subType=\"OPERATING\"" } else { "" };
        let chosen = values.iter().filter(|value| value.element == element);
        let written = chosen.map(|value| {
            let Value { item, at, text, number, .. } = value;
            format!("<{element} dataItemId=\"{item}\" sequence=\"{number}\" timestamp=\"{at}\"{sub}>{text}</{element}>")
        });
        written.collect()
    };
    let group = |name: &str, inside: String| {
        if inside.is_empty() { inside } else { format!("<{name}>{inside}</{name}>") }
    };
    let parts = group("Samples", of("EquipmentTimer")) + &group("Events", of("PartCount"));
    let streams = if values.is_empty() {
        "<Streams/>".to_owned()
    } else {
        format!(
            "<Streams><DeviceStream name=\"mc-07\" uuid=\"north.mc-07\"><ComponentStream component=\"Controller\" componentId=\"c\">\
             {parts}</ComponentStream></DeviceStream></Streams>"
        )
    };
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<MTConnectStreams xmlns=\"urn:mtconnect.org:MTConnectStreams:2.7\"><Header \
         creationTime=\"{}\" sender=\"north\" instanceId=\"{}\" version=\"2.7.0.3\" deviceModelChangeTime=\"2026-10-31T09:00:00Z\" \
         bufferSize=\"8\" nextSequence=\"{next}\" firstSequence=\"{}\" lastSequence=\"{}\"/>{streams}</MTConnectStreams>\n",
        inside.said_at,
        inside.run,
        inside.first,
        inside.next.saturating_sub(1)
    )
}
