//! What the HTTP port takes and answers, as an OpenAPI 3.1 document: made from the descriptors and comments of the protos, so that
//! it says what they say.

use super::codec;
use axum::body::Bytes;
use fettler_proto::DESCRIPTORS;
use prost_reflect::{
    DescriptorPool, EnumDescriptor, FieldDescriptor, FileDescriptor, Kind, MessageDescriptor,
    MethodDescriptor,
};
use serde_json::{Map, Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

/// What the document is about.
const ABOUT: &str = "Every call of the service in JSON, each under the path that it has over gRPC. Bodies follow the protobuf JSON \
    mapping: 64-bit numbers are texts, instants are RFC 3339 in UTC, fields with their default value are left out. Streams go line \
    by line. Errors are a google.rpc.Status.";
/// The numbers under which a call may be answered with an error, each with what it means.
const ILL: &[(&str, &str)] = &[
    ("400", "What is asked cannot be taken, or not as things stand."),
    ("401", "No token that is taken came with the call."),
    ("403", "The token may not do this."),
    ("404", "What is named is not there."),
    ("409", "Other writers were faster; ask again."),
    ("413", "The body is too large."),
    ("415", "The body is in a form that is not taken."),
    ("429", "A limit is reached; wait."),
    ("500", "The service failed."),
    ("503", "The service is stopping, or its store is away; ask again."),
    ("504", "The deadline passed first."),
];

/// The document as it is served.
pub(super) static DOCUMENT: LazyLock<Bytes> = LazyLock::new(|| format!("{:#}\n", document()).into());

/// The document.
fn document() -> Value {
    let mut paths = Map::new();
    let mut wanted = Vec::new();
    for (path, method) in codec::methods() {
        wanted.extend([method.input(), method.output()]);
        paths.insert(path.clone(), json!({"post": operation(method)}));
    }
    for (path, about) in others() {
        paths.insert(path.to_owned(), json!({"get": about}));
    }
    let mut schemas = schemas(wanted);
    schemas.insert("Status".to_owned(), status());
    json!({
        "openapi": "3.1.0",
        "info": {"title": "Fettler", "version": env!("CARGO_PKG_VERSION"), "description": ABOUT},
        "servers": [{"url": "http://127.0.0.1:7134"}],
        "security": [{"token": []}],
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer", "description": "A token, as fettlerd token add prints it."}},
        },
    })
}

fn operation(method: &MethodDescriptor) -> Value {
    let service = method.parent_service();
    let about = comment(&method.parent_service().parent_file(), method.path());
    let asked = reference(&method.input());
    let asked = if method.is_client_streaming() {
        json!({"application/x-ndjson": {"schema": asked}})
    } else {
        json!({"application/json": {"schema": asked}})
    };
    let told = if method.is_server_streaming() {
        json!({"application/x-ndjson": {"schema": reference(&method.output())}})
    } else {
        json!({"application/json": {"schema": reference(&method.output())}})
    };
    let mut answers = Map::new();
    answers.insert("200".to_owned(), json!({"description": "The answer.", "content": told}));
    for (number, about) in ILL {
        let status = json!({"application/json": {"schema": {"$ref": "#/components/schemas/Status"}}});
        answers.insert((*number).to_owned(), json!({"description": about, "content": status}));
    }
    json!({
        "operationId": format!("{}_{}", service.name(), method.name()),
        "tags": [service.name()],
        "summary": about.split(". ").next().unwrap_or_default().trim_end_matches('.'),
        "description": about,
        "requestBody": {"content": asked},
        "responses": answers,
    })
}

/// The paths that are no calls; they need no token.
fn others() -> [(&'static str, Value); 5] {
    let plain = |description: &str| json!({"description": description, "content": {"text/plain": {"schema": {"type": "string"}}}});
    let open = json!([]);
    let secret = json!({
        "name": "secret", "in": "path", "required": true,
        "description": "The secret of the address: 43 characters of base64url.", "schema": {"type": "string"},
    });
    [
        (
            "/live",
            json!({"operationId": "live", "security": open, "summary": "Whether the process answers", "responses": {"200": plain("It does.")}}),
        ),
        (
            "/ready",
            json!({
                "operationId": "ready", "security": open, "summary": "Whether the service takes calls",
                "responses": {"200": plain("It does."), "503": plain("It is starting or stopping, or its store does not answer.")},
            }),
        ),
        (
            "/metrics",
            json!({
                "operationId": "metrics", "security": [{}, {"token": []}], "summary": "Figures for operators, in the text format of Prometheus",
                "responses": {
                    "200": plain("The figures."), "401": plain("A token for the whole installation is needed."),
                    "403": plain("They are for the service's own computer."), "404": plain("They are off."),
                },
            }),
        ),
        (
            "/openapi.json",
            json!({
                "operationId": "openapi", "security": open, "summary": "This document",
                "responses": {"200": {"description": "The document.", "content": {"application/json": {"schema": {"type": "object"}}}}},
            }),
        ),
        (
            "/calendar/{secret}.ics",
            json!({
                "operationId": "calendar", "security": open, "summary": "A due calendar", "parameters": [secret],
                "responses": {
                    "200": {"description": "An iCalendar object (RFC 5545).", "content": {"text/calendar": {"schema": {"type": "string"}}}},
                    "304": {"description": "It is as it was when it was asked for before."},
                    "404": plain("There is no such address, or not any more."),
                    "503": {"description": "The service is stopping, or its store is away.", "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Status"}}}},
                },
            }),
        ),
    ]
}

/// What an error is told as.
fn status() -> Value {
    json!({
        "type": "object",
        "description": "An error: google.rpc.Status.",
        "required": ["code"],
        "properties": {
            "code": {"type": "integer", "format": "int32", "description": "The gRPC code."},
            "message": {"type": "string", "description": "What is wrong, for people."},
            "details": {
                "type": "array",
                "description": "What is wrong, for programs: each says in @type which it is. One is google.rpc.ErrorInfo with the reason.",
                "items": {"type": "object", "required": ["@type"], "properties": {"@type": {"type": "string"}}},
            },
        },
    })
}

/// The schemas of messages and of all that stands in them.
fn schemas(mut wanted: Vec<MessageDescriptor>) -> Map<String, Value> {
    let mut found = BTreeMap::new();
    let mut seen = BTreeSet::new();
    while let Some(message) = wanted.pop() {
        if !seen.insert(message.full_name().to_owned()) || message.package_name() != "fettler.v1" {
            continue;
        }
        let mut fields = Map::new();
        for field in message.fields() {
            let kind = field.kind();
            wanted.extend(kind.as_message().cloned());
            if let Some(list) = kind.as_enum() {
                found.insert(name(list.full_name()), enumeration(list));
            }
            fields.insert(field.json_name().to_owned(), property(&field));
        }
        let about = comment(&message.parent_file(), message.path());
        let schema = json!({"type": "object", "description": about, "properties": fields});
        found.insert(name(message.full_name()), schema);
    }
    found.into_iter().collect()
}

fn enumeration(list: &EnumDescriptor) -> Value {
    let file = list.parent_file();
    let values: Vec<String> = list.values().map(|value| value.name().to_owned()).collect();
    let told = (0..).zip(list.values()).map(|(i, value)| {
        let path = [list.path(), &[2, i]].concat();
        format!("* {}: {}", value.name(), comment(&file, &path))
    });
    let about = [comment(&file, list.path())].into_iter().chain(told).collect::<Vec<_>>().join("\n");
    json!({"type": "string", "description": about, "enum": values})
}

fn property(field: &FieldDescriptor) -> Value {
    let mut about = comment(&field.parent_file(), field.path());
    if let Some(one_of) = field.containing_oneof().filter(|one_of| one_of.fields().len() > 1) {
        let names: Vec<String> = one_of.fields().map(|field| field.json_name().to_owned()).collect();
        about = format!("{about} At most one of {} is given.", names.join(", "));
    }
    let mut schema = of_kind(&field.kind());
    if field.is_list() {
        schema = json!({"type": "array", "items": schema});
    }
    schema["description"] = about.into();
    schema
}

fn of_kind(kind: &Kind) -> Value {
    match kind {
        Kind::Bool => json!({"type": "boolean"}),
        Kind::String => json!({"type": "string"}),
        Kind::Bytes => json!({"type": "string", "contentEncoding": "base64"}),
        Kind::Double | Kind::Float => {
            json!({"type": ["number", "string"], "description": "NaN and Infinity are texts."})
        }
        Kind::Int32 | Kind::Sint32 | Kind::Sfixed32 => json!({"type": "integer", "format": "int32"}),
        Kind::Uint32 | Kind::Fixed32 => json!({"type": "integer", "format": "int64", "minimum": 0}),
        Kind::Int64 | Kind::Sint64 | Kind::Sfixed64 => {
            json!({"type": "string", "pattern": "^-?[0-9]+$", "format": "int64"})
        }
        Kind::Uint64 | Kind::Fixed64 => json!({"type": "string", "pattern": "^[0-9]+$"}),
        Kind::Enum(list) => json!({"$ref": format!("#/components/schemas/{}", name(list.full_name()))}),
        Kind::Message(message) if message.full_name() == "google.protobuf.Timestamp" => {
            json!({"type": "string", "format": "date-time"})
        }
        Kind::Message(message) => reference(message),
    }
}

fn reference(message: &MessageDescriptor) -> Value {
    json!({"$ref": format!("#/components/schemas/{}", name(message.full_name()))})
}

/// A thing's name without its package.
fn name(full: &str) -> String {
    full.strip_prefix("fettler.v1.").unwrap_or(full).to_owned()
}

/// What the proto says above a thing, in one line.
fn comment(file: &FileDescriptor, path: &[i32]) -> String {
    let comments = COMMENTS.get(file.name());
    comments.and_then(|comments| comments.get(path)).cloned().unwrap_or_default()
}

/// The comments of each file, by the paths of what they stand above.
static COMMENTS: LazyLock<BTreeMap<String, BTreeMap<Vec<i32>, String>>> = LazyLock::new(|| {
    let pool = DescriptorPool::decode(DESCRIPTORS).expect("the descriptors of this build");
    let of = |file: FileDescriptor| {
        let info = file.file_descriptor_proto().source_code_info.clone().unwrap_or_default();
        let told = info.location.into_iter().map(|at| {
            let text = at.leading_comments().split_whitespace().collect::<Vec<_>>().join(" ");
            (at.path, text)
        });
        (file.name().to_owned(), told.filter(|(_, text)| !text.is_empty()).collect())
    };
    pool.files().map(of).collect()
});

#[cfg(test)]
mod tests {
    use super::*;

    /// The document in `docs` is the one that is served. With `FETTLER_WRITE_DOCS` set it is written instead.
    #[test]
    fn the_document_of_the_http_port_follows_the_protos() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../docs/openapi.json");
        if std::env::var_os("FETTLER_WRITE_DOCS").is_some() {
            std::fs::write(path, &*DOCUMENT).unwrap();
            return;
        }
        let kept = std::fs::read_to_string(path).unwrap_or_default();
        assert!(
            kept.as_bytes() == &**DOCUMENT,
            "docs/openapi.json is out of date: FETTLER_WRITE_DOCS=1 cargo test --workspace --lib the_document_of_the_http_port"
        );
    }

    #[test]
    fn every_call_and_everything_in_it_is_described_and_every_reference_leads_somewhere() {
        let document = document();
        let paths = document["paths"].as_object().unwrap();
        assert_eq!(paths.len(), fettler_proto::Method::ALL.len() + others().len());
        let schemas = document["components"]["schemas"].as_object().unwrap();
        for (name, schema) in schemas {
            assert!(!schema["description"].as_str().unwrap().is_empty(), "{name}");
            for (field, property) in schema["properties"].as_object().into_iter().flatten() {
                assert!(!property["description"].as_str().unwrap_or_default().is_empty(), "{name}.{field}");
            }
        }
        let text = document.to_string();
        let referred =
            text.split("#/components/schemas/").skip(1).map(|rest| rest.split('"').next().unwrap());
        let mut count = 0;
        for name in referred {
            assert!(schemas.contains_key(name), "{name}");
            count += 1;
        }
        assert!(count > 500 && schemas.len() > 150, "{count} {}", schemas.len());
        let due = &document["paths"]["/fettler.v1.DueService/ListDue"]["post"];
        assert_eq!(
            due["requestBody"]["content"]["application/json"]["schema"]["$ref"],
            "#/components/schemas/ListDueRequest"
        );
        let asked = &schemas["ListDueRequest"]["properties"];
        assert_eq!(
            (&asked["pageSize"]["type"], &asked["whileStopped"]["type"]),
            (&json!("integer"), &json!("boolean"))
        );
        assert_eq!(schemas["DueItem"]["properties"]["due"]["format"], "date-time");
    }
}
