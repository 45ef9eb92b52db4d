//! Reads XML that may be hostile: no document type, no entities of its own, bounded in depth and size. What is meant by
//! its elements is not known here.

use quick_xml::{
    Reader, XmlVersion,
    events::{BytesStart, Event},
};

/// The largest document, in bytes: an agent's largest answers are a tenth of it.
pub(crate) const BYTES_MAX: usize = 64 << 20;
/// The deepest nesting: documents of the standard need eight.
const DEPTH_MAX: usize = 64;
/// The longest beginning of an element with all its attributes, in bytes.
const TAG_BYTES_MAX: usize = 16 << 10;
/// The most attributes of an element.
const ATTRIBUTES_MAX: usize = 64;
/// The longest text of an element that is kept, in bytes: a counter's value is a number.
const TEXT_BYTES_MAX: usize = 64 << 10;

/// What is wrong with a document, with its line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Fault {
    /// The line.
    pub(crate) line: u64,
    /// What is wrong, and what to do.
    pub(crate) why: String,
}

/// A step through a document.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Step {
    /// An element begins.
    Start(Element),
    /// The element that began last, and has not ended, ends: with all the text that stands in it itself.
    End {
        /// The text without blanks around it.
        text: String,
    },
}

/// An element's beginning. Names are without their prefixes: versions and vendors differ in these alone.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Element {
    /// Its name.
    pub(crate) name: String,
    /// Its attributes.
    pub(crate) attributes: Vec<(String, String)>,
    /// On which line it begins.
    pub(crate) line: u64,
}

impl Element {
    /// An attribute's value.
    pub(crate) fn attribute(&self, name: &str) -> Option<&str> {
        self.attributes.iter().find(|(other, _)| other == name).map(|(_, value)| value.as_str())
    }
}

/// A document that is being read.
pub(crate) struct Document<'d> {
    reader: Reader<&'d [u8]>,
    text: &'d str,
    /// Up to where lines are counted, and how many there are.
    counted: (usize, u64),
    /// The texts of the elements that have not ended.
    open: Vec<String>,
    /// An element without content ends as soon as it began.
    ends: bool,
    had_root: bool,
}

impl<'d> Document<'d> {
    /// Opens a document of at most [`BYTES_MAX`].
    pub(crate) fn open(bytes: &'d [u8]) -> Result<Document<'d>, Fault> {
        let first = |why: String| Fault { line: 1, why };
        if bytes.len() > BYTES_MAX {
            return Err(first(format!(
                "the document is larger than {} MiB; ask the agent for less at once",
                BYTES_MAX >> 20
            )));
        }
        if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
            return Err(first("the document is UTF-16; only UTF-8 is read".to_owned()));
        }
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let text = std::str::from_utf8(bytes).map_err(|error| {
            let line = lines_in(&String::from_utf8_lossy(&bytes[..error.valid_up_to()])) + 1;
            Fault { line, why: "the document is not UTF-8; only that is read".to_owned() }
        })?;
        let mut reader = Reader::from_str(text);
        reader.config_mut().enable_all_checks(true);
        Ok(Document { reader, text, counted: (0, 1), open: Vec::new(), ends: false, had_root: false })
    }

    /// The next step; none at the end.
    pub(crate) fn step(&mut self) -> Result<Option<Step>, Fault> {
        if self.ends {
            self.ends = false;
            return Ok(Some(self.end()));
        }
        loop {
            let begins = self.position();
            let event = match self.reader.read_event() {
                Ok(event) => event,
                Err(error) => return Err(self.fault(begins, format!("it is not well-formed: {error}"))),
            };
            match event {
                Event::Start(start) => return self.start(&start, begins).map(Some),
                Event::Empty(start) => {
                    self.ends = true;
                    return self.start(&start, begins).map(Some);
                }
                Event::End(_) => return Ok(Some(self.end())),
                Event::Text(text) => self.text(&text.xml10_content(), begins)?,
                Event::CData(text) => self.text(&text.xml10_content(), begins)?,
                Event::GeneralRef(name) => {
                    let letter = self.letter(&name, begins)?;
                    self.text(letter.encode_utf8(&mut [0; 4]), begins)?;
                }
                Event::Decl(decl) => self.declared(&decl, begins)?,
                Event::DocType(_) => {
                    return Err(self.fault(
                        begins,
                        "it has a document type; none is read, because it may name files and swell without bound".to_owned(),
                    ));
                }
                Event::Comment(_) | Event::PI(_) => {}
                Event::Eof => {
                    if !self.open.is_empty() {
                        return Err(
                            self.fault(begins, "it breaks off; an element is never closed".to_owned())
                        );
                    }
                    return Ok(None);
                }
            }
        }
    }

    fn position(&self) -> usize {
        usize::try_from(self.reader.buffer_position()).unwrap_or(usize::MAX).min(self.text.len())
    }

    fn line(&mut self, at: usize) -> u64 {
        let (from, lines) = self.counted;
        if at > from {
            let more = self.text.get(from..at).map_or(0, lines_in);
            self.counted = (at, lines + more);
        }
        self.counted.1
    }

    fn fault(&mut self, at: usize, why: String) -> Fault {
        Fault { line: self.line(at), why }
    }

    fn start(&mut self, start: &BytesStart<'_>, begins: usize) -> Result<Step, Fault> {
        if start.len() > TAG_BYTES_MAX {
            return Err(self.fault(
                begins,
                format!("an element begins with more than {TAG_BYTES_MAX} bytes; none that is read does"),
            ));
        }
        if self.open.len() == DEPTH_MAX {
            return Err(self.fault(
                begins,
                format!("elements stand more than {DEPTH_MAX} deep; none that is read does"),
            ));
        }
        if self.open.is_empty() {
            if self.had_root {
                return Err(self.fault(
                    begins,
                    "a second document follows the first; put each into a file of its own".to_owned(),
                ));
            }
            self.had_root = true;
        }
        let mut attributes = Vec::new();
        for attribute in start.attributes() {
            let attribute = attribute
                .map_err(|error| self.fault(begins, format!("an attribute is not well-formed: {error}")))?;
            if attributes.len() == ATTRIBUTES_MAX {
                return Err(self.fault(
                    begins,
                    format!("an element has more than {ATTRIBUTES_MAX} attributes; none that is read has"),
                ));
            }
            // Only the entities of XML itself are known; any other is a fault.
            let value = attribute.normalized_value(XmlVersion::Implicit1_0);
            let value =
                value.map_err(|error| self.fault(begins, format!("an attribute cannot be read: {error}")))?;
            attributes.push((attribute.key.local_name().as_ref().to_owned(), value.into_owned()));
        }
        let name = start.local_name().as_ref().to_owned();
        self.open.push(String::new());
        Ok(Step::Start(Element { name, attributes, line: self.line(begins) }))
    }

    fn end(&mut self) -> Step {
        // The reader itself refuses an end without its beginning.
        let text = self.open.pop().unwrap_or_default();
        Step::End { text: text.trim().to_owned() }
    }

    fn text(&mut self, text: &str, begins: usize) -> Result<(), Fault> {
        match self.open.last_mut() {
            Some(open) if open.len() + text.len() <= TEXT_BYTES_MAX => {
                open.push_str(text);
                Ok(())
            }
            Some(_) => Err(self.fault(
                begins,
                format!("a text is longer than {TEXT_BYTES_MAX} bytes; none that is read is"),
            )),
            None if text.trim().is_empty() => Ok(()),
            None => Err(self.fault(begins, "text stands outside of the document; it is no XML".to_owned())),
        }
    }

    fn letter(&mut self, name: &quick_xml::events::BytesRef<'_>, begins: usize) -> Result<char, Fault> {
        if let Ok(Some(letter)) = name.resolve_char_ref() {
            return Ok(letter);
        }
        match &**name {
            "amp" => Ok('&'),
            "lt" => Ok('<'),
            "gt" => Ok('>'),
            "apos" => Ok('\''),
            "quot" => Ok('"'),
            other => {
                let shown: String = other.chars().take(40).collect();
                Err(self.fault(
                    begins,
                    format!("`&{shown};` is an entity that XML itself does not have; none is looked up"),
                ))
            }
        }
    }

    fn declared(&mut self, decl: &quick_xml::events::BytesDecl<'_>, begins: usize) -> Result<(), Fault> {
        match decl.encoding() {
            Some(Ok(encoding))
                if !["utf-8", "us-ascii"].contains(&encoding.to_ascii_lowercase().as_str()) =>
            {
                let encoding: String = encoding.chars().take(40).collect();
                Err(self.fault(begins, format!("it says that it is `{encoding}`; only UTF-8 is read")))
            }
            Some(Err(error)) => {
                Err(self.fault(begins, format!("its first line is not well-formed: {error}")))
            }
            Some(Ok(_)) | None => Ok(()),
        }
    }
}

/// How many lines end in a text.
fn lines_in(text: &str) -> u64 {
    text.matches('\n').count() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn walk(bytes: &[u8]) -> Result<Vec<Step>, Fault> {
        let mut document = Document::open(bytes)?;
        let mut steps = Vec::new();
        while let Some(step) = document.step()? {
            steps.push(step);
        }
        Ok(steps)
    }

    #[track_caller]
    fn refused(text: &str, line: u64, part: &str) {
        let fault = walk(text.as_bytes()).expect_err(part);
        assert!(fault.line == line && fault.why.contains(part), "{fault:?} for {part}");
    }

    #[test]
    fn elements_are_read_without_prefixes_and_with_their_own_text() {
        let text = "<?xml version=\"1.0\" encoding=\"utf-8\"?>\n<?xml-stylesheet href='x'?>\n<a:b c='1 &amp; 2'\n d=\"x\">\n  \
                    &lt;<!-- no -->5<![CDATA[ 6 ]]>&#55;<e f:g='h'/> </a:b>\n";
        let element = |name: &str, attributes: &[(&str, &str)], line| {
            let attributes = attributes.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
            Step::Start(Element { name: name.into(), attributes, line })
        };
        let steps = walk(text.as_bytes()).unwrap();
        assert_eq!(
            steps,
            [
                element("b", &[("c", "1 & 2"), ("d", "x")], 3),
                element("e", &[("g", "h")], 5),
                Step::End { text: String::new() },
                Step::End { text: "<5 6 7".into() },
            ]
        );
    }

    /// Entities that double ten times over, the entity that names a file, and the one that asks a host.
    #[test]
    fn bombs_and_outside_entities_are_refused_unread() {
        refused(
            "<!DOCTYPE a [<!ENTITY x \"xx\"><!ENTITY y \"&x;&x;\">]>\n<a>&y;</a>",
            1,
            "has a document type",
        );
        refused("\n<!DOCTYPE a SYSTEM \"file:///etc/passwd\"><a/>", 2, "has a document type");
        refused("<!DOCTYPE a [<!ENTITY % p SYSTEM \"http://x/\"> %p;]><a/>", 1, "has a document type");
        refused("<a>\n&y;</a>", 2, "`&y;` is an entity that XML itself does not have");
        refused("<a b='&y;'/>", 1, "an attribute cannot be read");
    }

    #[test]
    fn what_has_no_bound_is_refused() {
        refused(&"<a>".repeat(65), 1, "more than 64 deep");
        refused(&format!("<a b='{}'/>", "x".repeat(TAG_BYTES_MAX)), 1, "begins with more than 16384 bytes");
        refused(&format!("<a>\n{}</a>", "x".repeat(TEXT_BYTES_MAX)), 1, "longer than 65536 bytes");
        let many = (0..=ATTRIBUTES_MAX).map(|n| format!(" a{n}=''")).collect::<Vec<_>>().concat();
        refused(&format!("<a{many}/>"), 1, "more than 64 attributes");
        let fault = Document::open(&vec![b' '; BYTES_MAX + 1]).err().unwrap();
        assert!(fault.why.contains("larger than 64 MiB"), "{fault:?}");
    }

    #[test]
    fn what_is_not_well_formed_or_no_utf_8_is_refused_with_its_line() {
        refused("<a>\n<b></a>", 2, "not well-formed");
        refused("<a>\n<b>", 2, "never closed");
        refused("<a/><a/>", 1, "a second document");
        refused("no xml", 1, "outside of the document");
        refused("<a b=1/>", 1, "not well-formed");
        refused("<a b='1' b='2'/>", 1, "not well-formed");
        refused("<?xml version='1.0' encoding='ISO-8859-1'?><a/>", 1, "`ISO-8859-1`; only UTF-8");
        assert!(walk(b"\xff\xfe<\0").unwrap_err().why.contains("UTF-16"));
        let fault = walk(b"<a>\n\xff</a>").unwrap_err();
        assert!(fault.line == 2 && fault.why.contains("not UTF-8"), "{fault:?}");
    }
}
