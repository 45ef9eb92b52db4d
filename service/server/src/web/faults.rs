//! What in a JSON text is no message of its kind, field by field: each with its path, what stands there, and what should.

use fettler_domain::error::Violation;
use fettler_domain::near;
use prost_reflect::{DynamicMessage, EnumDescriptor, FieldDescriptor, Kind, MessageDescriptor};
use serde_json::{Map, Value};

/// How many faults are looked for: who writes every report in the same wrong way sees it by the first few.
const FAULTS_MAX: usize = 10;
/// How many characters of a wrong value are shown.
const SHOWN_MAX: usize = 60;

/// Every field that cannot be read, up to a bound. None where a text is no JSON at all, or where what is wrong lies in no single field.
pub(super) fn of(kind: &MessageDescriptor, json: &[u8]) -> Vec<Violation> {
    let mut found = Vec::new();
    if let Ok(Value::Object(object)) = serde_json::from_slice(json) {
        look(kind, &object, "", &mut found);
    }
    found
}

fn look(kind: &MessageDescriptor, object: &Map<String, Value>, place: &str, found: &mut Vec<Violation>) {
    for (name, value) in object {
        if found.len() >= FAULTS_MAX {
            return;
        }
        let path = if place.is_empty() { cut(name) } else { format!("{place}.{}", cut(name)) };
        let Some(field) = kind.get_field_by_json_name(name).or_else(|| kind.get_field_by_name(name)) else {
            found.push(Violation::new(path, unknown(kind, name)));
            continue;
        };
        if value.is_null() {
            continue;
        }
        if !field.is_list() {
            one(kind, &field, value, value, &path, found);
            continue;
        }
        let Some(items) = value.as_array() else {
            let text =
                format!("{} is no list; write it in brackets, [{}]", shown(value), cut(&value.to_string()));
            found.push(Violation::new(path, text));
            continue;
        };
        for (i, item) in items.iter().enumerate() {
            one(kind, &field, &Value::Array(vec![item.clone()]), item, &format!("{path}[{i}]"), found);
        }
    }
}

/// Looks at one value, and into it where it is a message of the contract: those of the standard are texts in JSON.
fn one(
    kind: &MessageDescriptor,
    field: &FieldDescriptor,
    whole: &Value,
    value: &Value,
    path: &str,
    found: &mut Vec<Violation>,
) {
    let alone = Value::Object(Map::from_iter([(field.json_name().to_owned(), whole.clone())]));
    let Err(error) = DynamicMessage::deserialize(kind.clone(), alone) else { return };
    if found.len() >= FAULTS_MAX {
        return;
    }
    let before = found.len();
    if let (Kind::Message(inner), Value::Object(object)) = (field.kind(), value)
        && !inner.full_name().starts_with("google.protobuf.")
    {
        look(&inner, object, path, found);
    }
    if found.len() == before {
        let text = format!("{} {}", shown(value), wanted(field).unwrap_or_else(|| error.to_string()));
        found.push(Violation::new(path, text));
    }
}

fn unknown(kind: &MessageDescriptor, name: &str) -> String {
    let names: Vec<String> = kind.fields().map(|field| field.json_name().to_owned()).collect();
    let remedy = near::remedy(name, names.iter().map(String::as_str), "its fields are");
    format!("is no field of {}; {remedy}", kind.name())
}

/// A value as it is told: short.
fn shown(value: &Value) -> String {
    format!("`{}`", cut(&value.to_string()))
}

fn cut(text: &str) -> String {
    match text.char_indices().nth(SHOWN_MAX) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

/// What a field takes; none where the library says it best.
fn wanted(field: &FieldDescriptor) -> Option<String> {
    Some(match field.kind() {
        Kind::Message(kind) if kind.full_name() == "google.protobuf.Timestamp" => {
            "is no time; write it like \"2026-11-25T05:40:00+01:00\"".to_owned()
        }
        Kind::Message(kind) => format!("is no {}; write it as an object, {{…}}", kind.name()),
        Kind::Enum(kind) => format!("is not known here; give one of {}", values(&kind)),
        Kind::String => "is no text; write it in quotes".to_owned(),
        Kind::Bool => "is neither true nor false; write one of them, without quotes".to_owned(),
        Kind::Bytes => "is no text in base64; write it so, in quotes".to_owned(),
        Kind::Uint32 | Kind::Uint64 | Kind::Fixed32 | Kind::Fixed64 => {
            "is no whole number of 0 or more that fits; write one such as 3".to_owned()
        }
        Kind::Int32 | Kind::Int64 | Kind::Sint32 | Kind::Sint64 | Kind::Sfixed32 | Kind::Sfixed64 => {
            "is no whole number that fits; write one such as 3".to_owned()
        }
        Kind::Double | Kind::Float => return None,
    })
}

fn values(kind: &EnumDescriptor) -> String {
    let said = kind.values().filter(|value| value.number() != 0);
    said.map(|value| value.name().to_owned()).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::super::codec::method;
    use super::*;

    fn check(json: &str, expect: &[(&str, &str)]) {
        let kind = method("/fettler.v1.RunHoursService/PushReports").unwrap().input();
        let found = of(&kind, json.as_bytes());
        let told: Vec<(&str, &str)> = found.iter().map(|v| (v.field.as_str(), v.text.as_str())).collect();
        assert_eq!(told, expect);
    }

    #[test]
    fn a_field_is_told_with_the_report_in_which_it_stands_and_what_to_write() {
        let time = "`\"26.11.2026\"` is no time; write it like \"2026-11-25T05:40:00+01:00\"";
        check(
            r#"{"reports": [{"source": "erp"}, {"interval": {"start": "26.11.2026", "amount": 1, "unit": "HOURS"}}]}"#,
            &[
                ("reports[1].interval.amount", "`1` is no text; write it in quotes"),
                ("reports[1].interval.start", time),
                (
                    "reports[1].interval.unit",
                    "`\"HOURS\"` is not known here; give one of UNIT_HOURS, UNIT_CYCLES, UNIT_LITRES",
                ),
            ],
        );
        check(
            r#"{"reports": [{"reprotId": "x"}, 7], "site": 3}"#,
            &[
                ("reports[0].reprotId", "is no field of ShiftReport; did you mean `reportId`?"),
                ("reports[1]", "`7` is no ShiftReport; write it as an object, {…}"),
                ("site", "`3` is no text; write it in quotes"),
            ],
        );
        check(
            r#"{"reports": [{"revision": -1}]}"#,
            &[("reports[0].revision", "`-1` is no whole number of 0 or more that fits; write one such as 3")],
        );
    }

    #[test]
    fn a_list_without_its_brackets_and_a_time_as_an_object_are_told_as_such() {
        check(
            r#"{"reports": {"source": "erp"}}"#,
            &[("reports", "`{\"source\":\"erp\"}` is no list; write it in brackets, [{\"source\":\"erp\"}]")],
        );
        check(r#"{"reports": null}"#, &[]);
        let time = "`{\"seconds\":1764000000}` is no time; write it like \"2026-11-25T05:40:00+01:00\"";
        check(
            r#"{"reports": [{"interval": {"start": {"seconds": 1764000000}}}]}"#,
            &[("reports[0].interval.start", time)],
        );
    }

    #[test]
    fn what_lies_in_no_single_field_is_left_to_the_reader_of_the_whole() {
        for json in ["[]", "{", r#"{"reports": [{"interval": {}, "reading": {}}]"#] {
            check(json, &[]);
        }
    }

    #[test]
    fn no_more_is_told_than_people_read() {
        let kind = method("/fettler.v1.RunHoursService/PushReports").unwrap().input();
        let json = format!(r#"{{"reports": [{}]}}"#, vec![r#"{"source": 1}"#; 100].join(","));
        assert_eq!(of(&kind, json.as_bytes()).len(), FAULTS_MAX);
        let long = format!(r#"{{"site": [{}]}}"#, vec!["1"; 1000].join(","));
        assert!(of(&kind, long.as_bytes())[0].text.chars().count() < 2 * SHOWN_MAX);
    }
}
