//! The trace of whoever calls the client: shells and tools of builds name it in the environment, by the W3C's Trace Context. It is handed
//! on with each call, so that their trace and the service's are one.

use std::env;
use tonic::metadata::{Ascii, MetadataMap, MetadataValue};

/// What calls carry of a trace.
#[derive(Clone, Debug, Default)]
pub(crate) struct Trace {
    parent: Option<MetadataValue<Ascii>>,
    state: Option<MetadataValue<Ascii>>,
}

impl Trace {
    /// What `TRACEPARENT` and `TRACESTATE` say; nothing where the first is not well formed, as the standard asks.
    pub(crate) fn of_environment() -> Trace {
        let said = |name| env::var(name).ok();
        Trace::of(said("TRACEPARENT").as_deref(), said("TRACESTATE").as_deref())
    }

    fn of(parent: Option<&str>, state: Option<&str>) -> Trace {
        let value = |text: &str| MetadataValue::try_from(text).ok();
        match parent.filter(|text| is_well_formed(text)) {
            Some(parent) => {
                let state = state.filter(|text| !text.is_empty());
                Trace { parent: value(parent), state: state.and_then(value) }
            }
            None => Trace::default(),
        }
    }

    /// Puts it on a call.
    pub(crate) fn put(&self, metadata: &mut MetadataMap) {
        for (name, value) in [("traceparent", &self.parent), ("tracestate", &self.state)] {
            if let Some(value) = value {
                metadata.insert(name, value.clone());
            }
        }
    }
}

/// Whether a text is a `traceparent` of version 00: two digits, the trace, the caller's span, and flags, in lower hexadecimal, of which
/// neither number is 0.
fn is_well_formed(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let [version, trace, span, flags] = parts.as_slice() else { return false };
    let is_hex = |part: &str, length| {
        part.len() == length && part.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
    };
    let names = |part: &str| part.bytes().any(|b| b != b'0');
    let is_hexadecimal = is_hex(trace, 32) && is_hex(span, 16) && is_hex(flags, 2);
    *version == "00" && is_hexadecimal && names(trace) && names(span)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trace_is_handed_on_where_it_is_well_formed() {
        // The first is the example of W3C Trace Context, 3.2.3; the others break one of its rules each.
        let good = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
        let put = |parent: Option<&str>, state: Option<&str>| {
            let mut metadata = MetadataMap::new();
            Trace::of(parent, state).put(&mut metadata);
            ["traceparent", "tracestate"]
                .map(|name| metadata.get(name).map(|value| value.to_str().expect("plain").to_owned()))
        };
        assert_eq!(put(Some(good), None), [Some(good.to_owned()), None]);
        assert_eq!(put(Some(good), Some("a=b")), [Some(good.to_owned()), Some("a=b".to_owned())]);
        assert_eq!(put(Some(good), Some("a\n")), [Some(good.to_owned()), None]);
        for parent in [
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more",
            "00-4BF92F3577B34DA6A3CE929D0E0E4736-00f067aa0ba902b7-01",
            "00-00000000000000000000000000000000-00f067aa0ba902b7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7",
            "",
        ] {
            assert_eq!(put(Some(parent), Some("a=b")), [None, None], "{parent}");
        }
        assert_eq!(put(None, Some("a=b")), [None, None]);
    }
}
