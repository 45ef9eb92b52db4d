//! From JSON to the bytes of a gRPC call and back: the protobuf JSON mapping, made from the contract's own descriptors.

use super::faults;
use crate::status::{Failure, MESSAGE_BYTES_MAX};
use axum::body::Bytes;
use fettler_proto::DESCRIPTORS;
use prost::Message as _;
use prost_reflect::{DescriptorPool, DynamicMessage, MessageDescriptor, MethodDescriptor, Value};
use std::collections::BTreeMap;
use std::sync::LazyLock;
use tonic::Status;

/// What stands before each message of a call: whether it is compressed, and its length.
pub(super) const HEAD_BYTES: usize = 5;

/// The longest complaint about a text that is told whole, in bytes.
const WHY_BYTES_MAX: usize = 400;

/// The field in which a message of a stream says that it could not be read.
const UNREADABLE: &str = "unreadable";

/// The calls by their paths.
static METHODS: LazyLock<BTreeMap<String, MethodDescriptor>> = LazyLock::new(|| {
    let pool = DescriptorPool::decode(DESCRIPTORS).expect("the descriptors of this build");
    let own = pool.services().filter(|service| service.package_name() == "fettler.v1");
    let methods = own.flat_map(|service| service.methods().collect::<Vec<_>>());
    let path =
        |method: &MethodDescriptor| format!("/{}/{}", method.parent_service().full_name(), method.name());
    methods.map(|method| (path(&method), method)).collect()
});

/// `google.rpc.Status`, in a pool that knows the details which errors carry.
static STATUS: LazyLock<MessageDescriptor> = LazyLock::new(|| {
    let pool = DescriptorPool::decode(tonic_types::pb::FILE_DESCRIPTOR_SET);
    let pool = pool.expect("the descriptors of the library for errors");
    pool.get_message_by_name("google.rpc.Status").expect("it is a part of them")
});

/// The call at a path.
pub(super) fn method(path: &str) -> Option<&'static MethodDescriptor> {
    METHODS.get(path)
}

/// The calls by their paths.
pub(super) fn methods() -> impl Iterator<Item = (&'static String, &'static MethodDescriptor)> {
    METHODS.iter()
}

/// A message in JSON as a frame of a call. No text at all is a message without fields.
pub(super) fn frame(kind: &MessageDescriptor, json: &[u8]) -> Result<Bytes, Failure> {
    let message = if json.trim_ascii().is_empty() {
        DynamicMessage::new(kind.clone())
    } else {
        let mut reader = serde_json::Deserializer::from_slice(json);
        let read = DynamicMessage::deserialize(kind.clone(), &mut reader);
        let read = read.and_then(|message| reader.end().map(|()| message));
        read.map_err(|error| unreadable(kind, json, &error))?
    };
    framed(&message)
}

/// A message that says of a line that it could not be read, as a frame of a call; none where the call has no room for that, or
/// where something else is wrong with the line.
pub(super) fn unread(kind: &MessageDescriptor, line: u64, failure: &Failure) -> Option<Bytes> {
    let Failure::UnreadableJson { why, .. } = failure else { return None };
    let field = kind.get_field_by_name(UNREADABLE)?;
    let mut message = DynamicMessage::new(kind.clone());
    // The text is one line, so that only the column tells where in it.
    let why = why.replace("line 1 column", "column");
    message.set_field(&field, Value::String(format!("line {line}: {why}")));
    framed(&message).ok()
}

fn framed(message: &DynamicMessage) -> Result<Bytes, Failure> {
    let length = message.encoded_len();
    if length > MESSAGE_BYTES_MAX {
        return Err(Failure::TooLarge);
    }
    let mut frame = Vec::with_capacity(HEAD_BYTES + length);
    frame.push(0);
    frame.extend(u32::try_from(length).map_err(|_| Failure::TooLarge)?.to_be_bytes());
    frame.extend(message.encode_to_vec());
    Ok(frame.into())
}

/// That a text is no such message: the fields that are wrong, or else where the reader stopped. What that complains of may be as
/// long as the text itself.
fn unreadable(kind: &MessageDescriptor, json: &[u8], error: &serde_json::Error) -> Failure {
    let message = kind.name().to_owned();
    let fields = faults::of(kind, json);
    if !fields.is_empty() {
        let told: Vec<String> =
            fields.iter().map(|fault| format!("{}: {}", fault.field, fault.text)).collect();
        return Failure::UnreadableJson { message, why: told.join("; "), fields };
    }
    let (mut why, place) = (error.to_string(), format!(", line {} column {}", error.line(), error.column()));
    if why.len() > WHY_BYTES_MAX {
        why = why.chars().take(WHY_BYTES_MAX / 4).chain(['…']).collect::<String>() + &place;
    }
    Failure::UnreadableJson { message, why, fields }
}

/// The first whole message of what came of an answer, and how many bytes it takes with its head.
pub(super) fn first_message(bytes: &[u8]) -> Option<(&[u8], usize)> {
    let (head, rest) = bytes.split_first_chunk::<HEAD_BYTES>()?;
    let length = usize::try_from(u32::from_be_bytes([head[1], head[2], head[3], head[4]])).ok()?;
    Some((rest.get(..length)?, HEAD_BYTES + length))
}

/// A message of an answer in JSON.
pub(super) fn json(kind: &MessageDescriptor, bytes: &[u8]) -> Result<Vec<u8>, Failure> {
    let message = DynamicMessage::decode(kind.clone(), bytes).map_err(|error| broken(&error))?;
    serde_json::to_vec(&message).map_err(|error| broken(&error))
}

fn broken(error: &(dyn std::error::Error + 'static)) -> Failure {
    tracing::error!(error, "an answer cannot be told in JSON");
    Failure::Broken
}

/// A status as `google.rpc.Status` in JSON, with its details.
pub(super) fn status_json(status: &Status) -> Vec<u8> {
    let told = DynamicMessage::decode(STATUS.clone(), status.details())
        .unwrap_or(DynamicMessage::new(STATUS.clone()));
    let whole = with_code(told, status);
    serde_json::to_vec(&whole).unwrap_or_else(|_| {
        // Details of a kind that is not known here are left out; ours are.
        serde_json::to_vec(&with_code(DynamicMessage::new(STATUS.clone()), status)).unwrap_or_default()
    })
}

fn with_code(mut told: DynamicMessage, status: &Status) -> DynamicMessage {
    told.set_field_by_name("code", Value::I32(i32::from(status.code())));
    told.set_field_by_name("message", Value::String(status.message().to_owned()));
    told
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::status::Then;
    use fettler_proto::{Method, v1};

    #[test]
    fn every_call_has_its_path_here_too() {
        let mut paths = METHODS.keys().filter_map(|path| Method::from_path(path)).collect::<Vec<_>>();
        paths.sort_unstable();
        let mut all = Method::ALL.to_vec();
        all.sort_unstable();
        assert_eq!((paths, METHODS.len()), (all, Method::ALL.len()));
    }

    /// How the JSON mapping of Protocol Buffers writes each kind of field (protobuf.dev, "ProtoJSON Format").
    #[test]
    fn messages_are_written_as_the_json_mapping_says() {
        let kind = method("/fettler.v1.ReadingService/TakeReadings").unwrap().input();
        let text = br#"{"requestId": "r", "validate_only": true, "readings": [{"at": "2026-11-25T10:00:00+01:00"}]}"#;
        let frame = frame(&kind, text).unwrap();
        let (bytes, taken) = first_message(&frame).unwrap();
        assert_eq!((taken, frame[0]), (frame.len(), 0));
        let message = v1::TakeReadingsRequest::decode(bytes).unwrap();
        assert!(message.validate_only && message.request_id == "r");
        let shown: serde_json::Value = serde_json::from_slice(&json(&kind, bytes).unwrap()).unwrap();
        assert_eq!(shown["readings"][0]["at"], "2026-11-25T09:00:00Z");
        assert!(first_message(&frame[..taken - 1]).is_none() && first_message(&frame[..3]).is_none());
    }

    #[test]
    fn what_is_no_such_message_is_told_with_its_place() {
        let kind = method("/fettler.v1.DueService/ListDue").unwrap().input();
        assert_eq!(&frame(&kind, b" \n").unwrap()[..], [0; HEAD_BYTES]);
        for (text, why) in [
            (&b"{\"sites\": 1}"[..], "sites: is no field of ListDueRequest; did you mean `site`?"),
            (b"{\"pageSize\": 3000000000}", "pageSize: `3000000000` is no whole number that fits"),
            (b"{} {}", "trailing"),
            (b"[]", "line 1"),
            (b"{", "EOF"),
            (b"\xff", "line 1"),
        ] {
            let failure = frame(&kind, text).unwrap_err();
            assert!(matches!(failure, Failure::UnreadableJson { .. }), "{failure:?}");
            let told = failure.to_string();
            assert!(told.contains("ListDueRequest") && told.contains(why), "{told}");
        }
    }

    #[test]
    fn a_complaint_is_no_longer_than_people_read() {
        let kind = method("/fettler.v1.DueService/ListDue").unwrap().input();
        let text = format!("{{\"{}\": 1}}", "é".repeat(100_000));
        let told = frame(&kind, text.as_bytes()).unwrap_err().to_string();
        assert!(told.len() < 700 && told.contains("…: is no field of ListDueRequest"), "{told}");
    }

    #[test]
    fn an_error_is_told_with_its_details() {
        let told: serde_json::Value =
            serde_json::from_slice(&status_json(&Status::from(Failure::Stopping(Then::AskAgain)))).unwrap();
        assert_eq!(told["code"], 14);
        let details = told["details"].as_array().unwrap();
        let of = |kind: &str| details.iter().find(|detail| detail["@type"].as_str().unwrap().ends_with(kind));
        assert_eq!(of("type.googleapis.com/google.rpc.ErrorInfo").unwrap()["reason"], "STOPPING");
        assert_eq!(of("type.googleapis.com/google.rpc.RetryInfo").unwrap()["retryDelay"], "1s");
        let bare: serde_json::Value =
            serde_json::from_slice(&status_json(&Status::not_found("gone"))).unwrap();
        assert_eq!(bare, serde_json::json!({"code": 5, "message": "gone"}));
    }
}
