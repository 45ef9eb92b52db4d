//! Which crate may know which, and what may stand in which crate.

use crate::none;
use crate::tree::{File, files, rust_files};
use std::collections::BTreeSet;

/// The pure crates that the domain may know: values in, values out, no clock, no input or output.
const DOMAIN_MAY_KNOW: &[&str] = &[
    "base64",
    "chrono",
    "chrono-tz",
    "hex",
    "num-bigint",
    "num-rational",
    "num-traits",
    "rrule",
    "rust_decimal",
    "serde",
    "serde_json",
    "serde_with",
    "sha2",
    "statrs",
    "strsim",
    "thiserror",
    "unicode-security",
];

/// For each crate, which of the project's own crates it may know.
const ARROWS: &[(&str, &[&str])] = &[
    ("proto", &[]),
    ("service/domain", &[]),
    ("service/store", &["fettler-domain", "fettler-pg"]),
    ("service/server", &["fettler-domain", "fettler-proto", "fettler-store"]),
    ("client-cli", &["fettler-domain", "fettler-proto"]),
    ("tests", &["fettler-domain", "fettler-pg", "fettler-proto", "fettler-server", "fettler-store"]),
    ("tests/pg", &[]),
];

/// Words that begin an SQL statement, as they stand in a statement's text.
const SQL: &[&str] =
    &["SELECT ", "INSERT INTO ", "DELETE FROM ", "CREATE TABLE", "BEGIN IMMEDIATE", "PRAGMA "];

/// Where SQL may stand beside the store: rows that a test reads with its own eyes, and the benchmark's floor.
const SQL_ALSO_IN: &[&str] = &[
    "tests/tests/tidy/arrows.rs",
    "tests/src/floor/body.rs",
    "tests/src/floor/postgres/mod.rs",
    "tests/src/floor/sqlite/mod.rs",
    "tests/src/standing_reader.rs",
    "tests/pg/src/lib.rs",
];

/// What the domain's text must not hold, and why.
const NOT_IN_DOMAIN: &[(&str, &str)] = &[
    ("::now(", "time is a parameter"),
    ("SystemTime", "time is a parameter"),
    ("Instant", "time is a parameter"),
    ("async fn", "the domain waits for nothing"),
    ("std::fs", "the domain reads nothing"),
    ("std::env", "the domain reads nothing"),
    ("HashMap", "its order is random; take a BTreeMap"),
    ("HashSet", "its order is random; take a BTreeSet"),
];

/// The names under `[dependencies]` and `[build-dependencies]` of a manifest.
fn dependencies(manifest: &str) -> BTreeSet<String> {
    let manifest: toml::Table = manifest.parse().expect("a manifest");
    let tables = ["dependencies", "build-dependencies"].iter().filter_map(|name| manifest.get(*name));
    tables.filter_map(toml::Value::as_table).flat_map(|table| table.keys().cloned()).collect()
}

fn arrow_findings(member: &str, manifest: &str, may_know: &[&str]) -> Vec<String> {
    let own = dependencies(manifest).into_iter().filter(|name| name.starts_with("fettler-"));
    own.filter(|name| !may_know.contains(&name.as_str()))
        .map(|name| format!("{member} must not know {name}"))
        .collect()
}

/// The text of a file before its unit tests, which stand last.
pub(crate) fn before_tests(text: &str) -> &str {
    text.split("#[cfg(test)]\nmod ").next().unwrap_or(text)
}

/// Lines of a file that hold one of the words, comments left out.
fn lines_with<'a>(file: &'a File, words: &'a [&'a str]) -> impl Iterator<Item = String> + 'a {
    before_tests(&file.text).lines().enumerate().filter_map(move |(i, line)| {
        let code = !line.trim_start().starts_with("//");
        let word = words.iter().find(|word| code && line.contains(**word))?;
        Some(format!("{}:{}: `{}`", file.path, i + 1, word.trim()))
    })
}

#[test]
fn arrows_point_inward() {
    let manifests = files("", "Cargo.toml");
    let mut findings = Vec::new();
    for (member, may_know) in ARROWS {
        let path = format!("{member}/Cargo.toml");
        let manifest = manifests.iter().find(|file| file.path == path).expect("every member has a manifest");
        findings.extend(arrow_findings(member, &manifest.text, may_know));
    }
    // One manifest at the top, and one for each member named above.
    assert_eq!(manifests.len(), ARROWS.len() + 1, "a new member needs its row in ARROWS");
    none("arrows point inward", &findings);
    let planted = "[dependencies]\nfettler-server = {}\n";
    assert_eq!(arrow_findings("service/store", planted, &["fettler-domain"]).len(), 1);
}

#[test]
fn the_domain_is_pure() {
    let manifest = files("service/domain", "Cargo.toml");
    let known = dependencies(&manifest[0].text);
    let mut findings: Vec<String> = known
        .iter()
        .filter(|name| !DOMAIN_MAY_KNOW.contains(&name.as_str()))
        .map(|name| format!("the domain must not know {name}"))
        .collect();
    for file in files("service/domain/src", ".rs") {
        for (word, why) in NOT_IN_DOMAIN {
            findings.extend(lines_with(&file, &[*word]).map(|line| format!("{line}: {why}")));
        }
    }
    none("the domain is pure", &findings);
    let planted = File { path: "x.rs".into(), text: "let t = Utc::now();".into() };
    assert_eq!(lines_with(&planted, &["::now("]).count(), 1);
}

#[test]
fn sql_stands_in_the_store_only() {
    let mut findings = Vec::new();
    for file in rust_files() {
        if !file.path.starts_with("service/store/") && !SQL_ALSO_IN.contains(&file.path.as_str()) {
            findings.extend(lines_with(&file, SQL));
        }
    }
    none("SQL stands in the store only", &findings);
    let planted = File { path: "x.rs".into(), text: "query(\"SELECT 1\")".into() };
    assert_eq!(lines_with(&planted, SQL).count(), 1);
}

/// Constructors of a status by its code, as tonic names them.
const STATUS: &[&str] = &[
    "Code::",
    "Status::aborted",
    "Status::already_exists",
    "Status::cancelled",
    "Status::data_loss",
    "Status::deadline_exceeded",
    "Status::failed_precondition",
    "Status::internal",
    "Status::invalid_argument",
    "Status::not_found",
    "Status::out_of_range",
    "Status::permission_denied",
    "Status::resource_exhausted",
    "Status::unauthenticated",
    "Status::unavailable",
    "Status::unimplemented",
    "Status::unknown",
];

#[test]
fn status_codes_stand_in_one_file() {
    let status =
        |file: &File| file.path == "service/server/src/status.rs" || file.path.contains("/src/status/");
    let server = files("service/server/src", ".rs");
    let findings: Vec<String> = server
        .iter()
        .filter(|file| !status(file))
        .flat_map(|file| lines_with(file, STATUS))
        .filter(|line| !line.contains("HeldCode"))
        .collect();
    none("gRPC codes stand in service/server/src/status.rs only", &findings);
}

/// Crates that bring a provider of cryptography of their own.
const OTHER_PROVIDERS: &[&str] =
    &["aws-lc-rs", "aws-lc-sys", "boring", "ed25519-dalek", "native-tls", "openssl", "openssl-sys"];

/// The packages of a lock file that bring a provider other than ring.
fn other_providers(lock: &str) -> Vec<String> {
    let names = lock.lines().filter_map(|line| line.strip_prefix("name = \"")?.strip_suffix('"'));
    names.filter(|name| OTHER_PROVIDERS.contains(name)).map(str::to_owned).collect()
}

#[test]
fn there_is_one_provider_of_cryptography() {
    let lock = files("", "Cargo.lock");
    assert!(lock[0].text.contains("name = \"ring\"\n"), "it is ring");
    none("there is one provider of cryptography", &other_providers(&lock[0].text));
    assert_eq!(other_providers("[[package]]\nname = \"openssl\"\n").len(), 1);
}
