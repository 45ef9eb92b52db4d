//! A file as lines, and lines as rows, on a thread of their own.

use super::row::{Fields, Form, Row, cut, problem};
use crate::exit::Failure;
use flate2::bufread::MultiGzDecoder;
use std::{
    fs::File,
    io::{self, BufRead, BufReader, Read as _},
    ops::Range,
    thread,
};
use tokio::sync::mpsc;

/// The longest line that is read; a longer one is no report, and is refused without being kept.
const LINE_BYTES_MAX: u64 = 64 * 1024;
/// How many rows go from thread to thread at once.
const BATCH_ROWS: usize = 512;
/// How many batches may wait.
const BATCHES_WAITING: usize = 4;
/// How much is read from the file at once, in bytes.
const BUFFER_BYTES: usize = 256 * 1024;
/// The two bytes that every gzip file starts with (RFC 1952).
const GZIP_MAGIC: [u8; 2] = [0x1f, 0x8b];

/// What the reading thread gives.
pub(crate) enum Batch {
    /// Rows in the order of the file.
    Rows(Vec<Row>),
    /// The file cannot be read any further.
    Broken(String),
}

/// A file that is open at its first line.
pub(crate) struct Lines {
    reader: Box<dyn BufRead + Send>,
    buffer: Vec<u8>,
    number: u64,
    leaves_comments_out: bool,
}

/// One line of a file.
pub(crate) enum Line<'a> {
    /// Its text, without the line end.
    Text(&'a str),
    /// What is wrong with it.
    Unreadable(&'static str),
}

/// Opens a file or, for `-`, stdin; gzip is told by its first bytes.
pub(crate) fn open(name: &str) -> Result<Lines, Failure> {
    let cannot = |error: io::Error| Failure::usage(format!("cannot read `{name}`: {error}"));
    let plain: Box<dyn io::Read + Send> =
        if name == "-" { Box::new(io::stdin()) } else { Box::new(File::open(name).map_err(cannot)?) };
    Lines::new(plain).map_err(cannot)
}

/// A whole file, or stdin for `-`, unpacked; of one that is larger so much and a byte more.
pub(crate) fn whole(name: &str, bytes_max: usize) -> Result<Vec<u8>, Failure> {
    let mut bytes = Vec::new();
    let read = open(name)?.reader.take(bytes_max as u64 + 1).read_to_end(&mut bytes);
    read.map_err(|error| Failure::usage(format!("cannot read `{name}`: {error}")))?;
    Ok(bytes)
}

/// What is read, unpacked if it is compressed.
fn unpacked(mut plain: Box<dyn io::Read + Send>) -> io::Result<Box<dyn BufRead + Send>> {
    let mut head = Vec::new();
    plain.by_ref().take(GZIP_MAGIC.len() as u64).read_to_end(&mut head)?;
    let packed = head == GZIP_MAGIC;
    let whole = BufReader::with_capacity(BUFFER_BYTES, io::Cursor::new(head).chain(plain));
    Ok(if packed {
        Box::new(BufReader::with_capacity(BUFFER_BYTES, MultiGzDecoder::new(whole)))
    } else {
        Box::new(whole)
    })
}

impl Lines {
    /// Reads lines from `plain`, which may be compressed.
    pub(crate) fn new(plain: Box<dyn io::Read + Send>) -> io::Result<Lines> {
        let reader = unpacked(plain)?;
        Ok(Lines { reader, buffer: Vec::new(), number: 0, leaves_comments_out: false })
    }

    /// The same without the lines that start with `#`.
    pub(crate) fn without_comments(self) -> Lines {
        Lines { leaves_comments_out: true, ..self }
    }

    /// Passes over lines, blank ones too.
    pub(crate) fn skip(&mut self, lines: u64) -> io::Result<()> {
        for _ in 0..lines {
            if self.reader.skip_until(b'\n')? == 0 {
                break;
            }
            self.number += 1;
        }
        Ok(())
    }

    /// The next line that is not blank, with its number.
    pub(crate) fn next_line(&mut self) -> io::Result<Option<(u64, Line<'_>)>> {
        loop {
            self.buffer.clear();
            let read = self.reader.by_ref().take(LINE_BYTES_MAX).read_until(b'\n', &mut self.buffer)?;
            if read == 0 {
                return Ok(None);
            }
            self.number += 1;
            if self.number == 1 && self.buffer.starts_with(b"\xef\xbb\xbf") {
                self.buffer.drain(..3);
            }
            if read as u64 == LINE_BYTES_MAX && self.buffer.last() != Some(&b'\n') {
                self.reader.skip_until(b'\n')?;
                return Ok(Some((self.number, Line::Unreadable("is longer than 64 KiB; no row is"))));
            }
            let is_left_out = self.leaves_comments_out && self.buffer.starts_with(b"#");
            if !is_left_out && !self.buffer.iter().all(u8::is_ascii_whitespace) {
                break;
            }
        }
        let line = match std::str::from_utf8(&self.buffer) {
            Ok(text) => Line::Text(text.trim_end_matches(['\n', '\r'])),
            Err(_) => Line::Unreadable("is not UTF-8; save the file in that encoding"),
        };
        Ok(Some((self.number, line)))
    }

    /// Reads the header line and finds the columns in it.
    pub(crate) fn header<T>(
        &mut self,
        delimiter: u8,
        find: impl FnOnce(&[&str]) -> Result<T, Failure>,
    ) -> Result<T, Failure> {
        let (number, line) = match self.next_line() {
            Ok(Some((number, Line::Text(text)))) => (number, text),
            Ok(Some((number, Line::Unreadable(what)))) => {
                return Err(Failure::usage(format!("line {number} should be the header, but it {what}")));
            }
            Ok(None) => return Err(Failure::usage("the file is empty; its first line names the columns")),
            Err(error) => return Err(Failure::usage(format!("cannot read the file: {error}"))),
        };
        let (mut ranges, mut scratch) = (Vec::new(), String::new());
        let text = cut(line, delimiter, &mut ranges, &mut scratch)
            .map_err(|what| Failure::usage(format!("line {number} should be the header, but it {what}")))?;
        let headers: Vec<&str> = ranges.iter().map(|range| text[range.clone()].trim()).collect();
        find(&headers)
    }

    /// Reads the remaining lines on a thread of their own. The thread ends with the file, or once nobody listens.
    pub(crate) fn rows(self, form: Form) -> mpsc::Receiver<Batch> {
        let (mut ranges, mut scratch) = (Vec::new(), String::new());
        self.rows_by(move |line, found| {
            Some(Row { line, place: None, content: row(&form, &found, &mut ranges, &mut scratch) })
        })
    }

    /// The same by another reader of lines, which may pass a line over.
    pub(crate) fn rows_by(
        self,
        read: impl FnMut(u64, Line<'_>) -> Option<Row> + Send + 'static,
    ) -> mpsc::Receiver<Batch> {
        let (sender, receiver) = mpsc::channel(BATCHES_WAITING);
        thread::spawn(move || self.pump(read, &sender));
        receiver
    }

    fn pump(mut self, mut read: impl FnMut(u64, Line<'_>) -> Option<Row>, sender: &mpsc::Sender<Batch>) {
        let mut batch = Vec::with_capacity(BATCH_ROWS);
        loop {
            match self.next_line() {
                Ok(Some((line, found))) => {
                    batch.extend(read(line, found));
                    if batch.len() < BATCH_ROWS {
                        continue;
                    }
                    let full = std::mem::replace(&mut batch, Vec::with_capacity(BATCH_ROWS));
                    if sender.blocking_send(Batch::Rows(full)).is_err() {
                        return;
                    }
                }
                ended => {
                    // Nobody listens any more when these fail, so nobody is missed.
                    let _ = sender.blocking_send(Batch::Rows(batch));
                    if let Err(error) = ended {
                        let _ = sender.blocking_send(Batch::Broken(format!(
                            "the file breaks off after line {}: {error}",
                            self.number
                        )));
                    }
                    return;
                }
            }
        }
    }
}

/// Rows that are there already, on the way that those of a file take.
pub(crate) fn ready(rows: Vec<Row>) -> mpsc::Receiver<Batch> {
    let (sender, receiver) = mpsc::channel(1);
    // There is room for one, and it is listened to.
    let _ = sender.try_send(Batch::Rows(rows));
    receiver
}

fn row(
    form: &Form,
    line: &Line<'_>,
    ranges: &mut Vec<Range<usize>>,
    scratch: &mut String,
) -> Result<fettler_proto::v1::ShiftReport, Vec<fettler_proto::v1::FieldProblem>> {
    let broken = |what: &str| vec![problem("line", format!("the line {what}"))];
    let text = match line {
        Line::Text(text) => text,
        Line::Unreadable(what) => return Err(broken(what)),
    };
    let text = cut(text, form.delimiter, ranges, scratch).map_err(broken)?;
    form.read(&Fields { text, ranges })
}

#[cfg(test)]
mod tests {
    use super::super::row::Columns;
    use super::*;
    use fettler_proto::v1 as pb;
    use flate2::{Compression, write::GzEncoder};
    use std::io::Write as _;

    fn form(columns: Columns) -> Form {
        Form { source: "erp".into(), unit: pb::Unit::Hours, zone: None, delimiter: b',', columns }
    }

    fn columns() -> crate::args::hours::ColumnArgs {
        use clap::Parser as _;
        let args = crate::args::Args::try_parse_from("fettler hours push - --source e".split(' ')).unwrap();
        let crate::args::Command::Hours(crate::args::hours::HoursCommand::Push(args)) = args.command else {
            panic!()
        };
        args.columns
    }

    fn all(bytes: Vec<u8>) -> (Vec<Row>, Option<String>) {
        let mut lines = Lines::new(Box::new(io::Cursor::new(bytes))).unwrap();
        let found = lines.header(b',', |headers| Columns::find(headers, &columns())).unwrap();
        let mut receiver = lines.rows(form(found));
        let (mut rows, mut broken) = (Vec::new(), None);
        while let Some(batch) = receiver.blocking_recv() {
            match batch {
                Batch::Rows(more) => rows.extend(more),
                Batch::Broken(why) => broken = Some(why),
            }
        }
        (rows, broken)
    }

    const HEADER: &str = "machine,report_id,start,end,hours\n";

    fn good(id: u32) -> String {
        format!("L-03,R-{id},2026-11-24T05:00:00Z,2026-11-24T13:00:00Z,7\n")
    }

    #[test]
    fn a_broken_line_spoils_no_other() {
        let mut bytes = format!("\u{feff}{HEADER}{}\"never closed,R\n\n{}", good(1), good(2)).into_bytes();
        bytes.extend(b"L-03,\xff\xfe,x,y,z\n");
        bytes.extend(vec![b'x'; 200_000]);
        bytes.extend(format!("\n{}", good(3)).bytes());
        let (rows, broken) = all(bytes);
        assert_eq!(broken, None);
        let lines: Vec<(u64, bool)> = rows.iter().map(|row| (row.line, row.content.is_ok())).collect();
        assert_eq!(lines, [(2, true), (3, false), (5, true), (6, false), (7, false), (8, true)]);
        let told = |index: usize| rows[index].content.as_ref().unwrap_err()[0].text.clone();
        assert!(told(1).contains("never closed"));
        assert!(told(3).contains("not UTF-8"));
        assert!(told(4).contains("longer than 64 KiB"));
    }

    #[test]
    fn gzip_is_read_by_its_first_bytes() {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
        encoder.write_all(HEADER.as_bytes()).unwrap();
        for id in 0..2_000 {
            encoder.write_all(good(id).as_bytes()).unwrap();
        }
        let packed = encoder.finish().unwrap();
        let (rows, broken) = all(packed.clone());
        assert_eq!((rows.len(), broken), (2_000, None));
        assert!(rows.iter().all(|row| row.content.is_ok()));
        let (_, broken) = all(packed[..packed.len() - 9].to_vec());
        assert!(broken.unwrap().starts_with("the file breaks off after line "));
    }

    #[test]
    fn an_empty_file_and_a_missing_one_are_usage() {
        let mut lines = Lines::new(Box::new(io::Cursor::new(Vec::new()))).unwrap();
        let found = lines.header(b',', |headers| Columns::find(headers, &columns()));
        assert!(matches!(found, Err(Failure::Usage(c)) if c.message.starts_with("the file is empty")));
        assert!(matches!(open("/no/such/file.csv"), Err(Failure::Usage(_))));
    }
}
