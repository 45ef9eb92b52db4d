//! A place in a trace, as the W3C's Trace Context (level 1) writes it in `traceparent`.

/// The most bytes of `tracestate` that are handed on: the standard asks for this much.
pub const TRACE_STATE_BYTES_MAX: usize = 512;

/// A place in a trace: the trace's number, that of the caller's span in it, and flags.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TraceParent {
    /// All three in hexadecimal digits, 32, 16 and 2 of them, joined by `-`.
    text: String,
}

impl TraceParent {
    /// Reads what a caller said; what is not well formed is no place, as the standard asks. Later versions may say more behind.
    pub fn read(text: &str) -> Option<TraceParent> {
        let parts: Vec<&str> = text.split('-').collect();
        let [version, trace, span, flags, more @ ..] = parts.as_slice() else { return None };
        let is_hex = |part: &str, length| {
            part.len() == length && part.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
        };
        let is_known = is_hex(version, 2) && *version != "ff" && (*version != "00" || more.is_empty());
        let is_well = is_hex(trace, 32) && is_hex(span, 16) && is_hex(flags, 2);
        let names = |part: &str| part.bytes().any(|b| b != b'0');
        let is_taken = is_known && is_well && names(trace) && names(span);
        is_taken.then(|| TraceParent { text: format!("{trace}-{span}-{flags}") })
    }

    /// The trace's number.
    pub fn trace_id(&self) -> &str {
        &self.text[..32]
    }

    /// The numbers of the trace and of the caller's span in it, and whether its caller has it traced (the flag `sampled`).
    pub fn parts(&self) -> (&str, &str, bool) {
        let flags = u8::from_str_radix(&self.text[50..], 16).unwrap_or(0);
        (self.trace_id(), &self.text[33..49], flags & 1 == 1)
    }

    /// The place as it is handed on: in version 00, of whose flags `sampled` is the one there is.
    pub fn header(&self) -> String {
        let (trace, span, is_sampled) = self.parts();
        format!("00-{trace}-{span}-0{}", u8::from(is_sampled))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_in_a_trace_is_read_as_the_standard_writes_it() {
        // The first is the example of W3C Trace Context, 3.2.3; the others break one of its rules each, or are of a later version.
        let trace = "4bf92f3577b34da6a3ce929d0e0e4736";
        let good = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
        for (text, taken) in [
            (good, true),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more", false),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-", false),
            ("cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more", true),
            ("cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-f1", true),
            ("cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-011", false),
            ("ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", false),
            ("00-4BF92F3577B34DA6A3CE929D0E0E4736-00f067aa0ba902b7-01", false),
            ("00-00000000000000000000000000000000-00f067aa0ba902b7-01", false),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01", false),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7", false),
            ("", false),
        ] {
            let read = TraceParent::read(text);
            let parts = taken.then_some((trace, "00f067aa0ba902b7", true));
            assert_eq!(read.as_ref().map(TraceParent::parts), parts, "{text}");
            assert_eq!(read.map(|place| place.header()), taken.then(|| good.to_owned()), "{text}");
        }
        let unsampled = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-00";
        assert_eq!(TraceParent::read(unsampled).map(|place| place.header()).as_deref(), Some(unsampled));
    }
}
