//! The trace of whoever calls the client: shells and tools of builds name it in the environment, by the W3C's Trace Context. It is handed
//! on with each call, so that their trace and the service's are one.

use fettler_proto::{TRACE_STATE_BYTES_MAX, TraceParent};
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
        match parent.and_then(TraceParent::read) {
            Some(parent) => {
                // Beyond that bound the service would leave it out as well.
                let state = state.filter(|text| (1..=TRACE_STATE_BYTES_MAX).contains(&text.len()));
                Trace { parent: value(&parent.header()), state: state.and_then(value) }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trace_is_handed_on_where_it_is_well_formed() {
        // The example of W3C Trace Context, 3.2.3.
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
        // A later version is handed on as the one that is known here.
        let later = "cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more";
        assert_eq!(put(Some(later), None), [Some(good.to_owned()), None]);
        for (bytes, is_kept) in [(512, true), (513, false)] {
            let state = format!("a={}", "x".repeat(bytes - 2));
            let expect = [Some(good.to_owned()), is_kept.then(|| state.clone())];
            assert_eq!(put(Some(good), Some(&state)), expect, "{bytes}");
        }
        assert_eq!(put(Some("00-4bf92f3577b34da6a3ce929d0e0e4736"), Some("a=b")), [None, None]);
        assert_eq!(put(None, Some("a=b")), [None, None]);
    }
}
