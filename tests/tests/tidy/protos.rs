//! What every message and method of the wire contract must have, read from the descriptors.

use crate::none;
use fettler_proto::DESCRIPTORS;
use prost::Message as _;
use prost_types::{DescriptorProto, EnumDescriptorProto, FileDescriptorProto, FileDescriptorSet};
use std::collections::{BTreeMap, BTreeSet};

/// Methods that change something and need no request id, each with its reason.
const WITHOUT_REQUEST_ID: &[(&str, &str)] = &[
    ("PushReport", "a report's own key makes a repeat harmless"),
    ("PushReports", "a report's own key makes a repeat harmless"),
    ("StreamReports", "a report's own key makes a repeat harmless"),
];

/// Lists that come whole, each with its reason.
const WITHOUT_PAGES: &[(&str, &str)] = &[("ListSites", "an installation has a handful of sites")];

/// How a method that changes nothing begins.
const READING: &[&str] = &["Get", "List", "Explain", "Export", "Look", "Watch", "Check"];

fn own_files() -> Vec<FileDescriptorProto> {
    let set = FileDescriptorSet::decode(DESCRIPTORS).expect("the descriptors of this build");
    set.file.into_iter().filter(|file| file.package() == "fettler.v1").collect()
}

/// The paths of a file that carry a comment, as the descriptor numbers them.
fn commented(file: &FileDescriptorProto) -> BTreeSet<Vec<i32>> {
    let info = file.source_code_info.as_ref().expect("descriptors are built with their comments");
    let located = info.location.iter().filter(|l| !l.leading_comments().trim().is_empty());
    located.map(|location| location.path.clone()).collect()
}

/// Every thing of a file that needs a comment: its path and its name.
fn things(file: &FileDescriptorProto) -> Vec<(Vec<i32>, String)> {
    let mut all = Vec::new();
    for (i, message) in (0..).zip(&file.message_type) {
        message_things(&[4, i], message, &mut all);
    }
    for (i, list) in (0..).zip(&file.enum_type) {
        enum_things(&[5, i], list, &mut all);
    }
    for (i, service) in (0..).zip(&file.service) {
        all.push((vec![6, i], service.name().to_owned()));
        let methods = (0..).zip(&service.method);
        all.extend(methods.map(|(j, m)| (vec![6, i, 2, j], format!("{}.{}", service.name(), m.name()))));
    }
    all
}

fn message_things(path: &[i32], message: &DescriptorProto, all: &mut Vec<(Vec<i32>, String)>) {
    let at = |kind: i32, i: i32| [path, &[kind, i]].concat();
    all.push((path.to_vec(), message.name().to_owned()));
    let fields = (0..).zip(&message.field);
    all.extend(fields.map(|(i, f)| (at(2, i), format!("{}.{}", message.name(), f.name()))));
    // An optional field makes a hidden oneof of its own name with a leading underscore.
    let oneofs = (0..).zip(&message.oneof_decl).filter(|(_, oneof)| !oneof.name().starts_with('_'));
    all.extend(oneofs.map(|(i, o)| (at(8, i), format!("{}.{}", message.name(), o.name()))));
    for (i, nested) in (0..).zip(&message.nested_type) {
        message_things(&at(3, i), nested, all);
    }
    for (i, nested) in (0..).zip(&message.enum_type) {
        enum_things(&at(4, i), nested, all);
    }
}

fn enum_things(path: &[i32], list: &EnumDescriptorProto, all: &mut Vec<(Vec<i32>, String)>) {
    all.push((path.to_vec(), list.name().to_owned()));
    let values = (0..).zip(&list.value);
    all.extend(values.map(|(i, value)| ([path, &[2, i]].concat(), value.name().to_owned())));
}

#[test]
fn everything_on_the_wire_is_explained() {
    let mut findings = Vec::new();
    let mut seen = 0;
    for file in own_files() {
        let commented = commented(&file);
        for (path, name) in things(&file) {
            seen += 1;
            if !commented.contains(&path) {
                findings.push(format!("{}: {name} has no comment", file.name()));
            }
        }
    }
    assert!(seen > 300, "only {seen} messages, fields and methods were read");
    none("everything on the wire is explained", &findings);
}

#[test]
fn a_missing_comment_is_found() {
    let mut file = own_files().remove(0);
    let info = file.source_code_info.as_mut().expect("comments");
    info.location.retain(|location| location.path != [4, 0, 2, 0]);
    let commented = commented(&file);
    let missing: Vec<_> = things(&file).into_iter().filter(|(path, _)| !commented.contains(path)).collect();
    assert_eq!(missing.len(), 1);
}

/// The names of a message's fields, by the message's full name.
fn fields_by_message() -> BTreeMap<String, BTreeSet<String>> {
    let mut all = BTreeMap::new();
    for file in own_files() {
        for message in &file.message_type {
            let fields = message.field.iter().map(|field| field.name().to_owned()).collect();
            all.insert(format!(".fettler.v1.{}", message.name()), fields);
        }
    }
    all
}

#[test]
fn methods_have_the_fields_of_their_kind() {
    let fields = fields_by_message();
    let has = |message: &str, field: &str| fields[message].contains(field);
    let excused = |list: &[(&str, &str)], name: &str| list.iter().any(|(method, _)| *method == name);
    let mut findings = Vec::new();
    let mut need = |name: &str, message: &str, field: &str| {
        if !has(message, field) {
            findings.push(format!("{name}: {message} needs {field}"));
        }
    };
    for method in own_files().iter().flat_map(|file| &file.service).flat_map(|service| &service.method) {
        let (name, input, output) = (method.name(), method.input_type(), method.output_type());
        assert_eq!(input, format!(".fettler.v1.{name}Request"), "each method owns its request");
        assert_eq!(output, format!(".fettler.v1.{name}Response"), "each method owns its response");
        if name.starts_with("List") && !excused(WITHOUT_PAGES, name) {
            need(name, input, "page_size");
            need(name, input, "page_token");
            need(name, output, "next_page_token");
        }
        let reading = READING.iter().any(|verb| name.starts_with(verb));
        if !reading && !excused(WITHOUT_REQUEST_ID, name) {
            need(name, input, "request_id");
        }
    }
    none("methods have the fields of their kind", &findings);
}
