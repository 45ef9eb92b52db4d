//! The files of the project, and the rules about where they lie.

use crate::none;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// What may lie at the top. The list is closed: a new entry is a decision.
const TOP: &[&str] = &[
    ".cargo",
    ".ci",
    ".clippy.toml",
    ".config",
    ".gitattributes",
    ".gitignore",
    ".rustfmt.toml",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "README.md",
    "client-cli",
    "docs",
    "migrations",
    "proto",
    "service",
    "tests",
];

/// What is never part of the project, wherever it lies.
const IGNORED: &[&str] = &[".git", "target", ".venv", "__pycache__"];

/// The project's folder.
pub(crate) fn root() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
}

/// A text file: its path from the top, with `/`, and its text.
pub(crate) struct File {
    pub(crate) path: String,
    pub(crate) text: String,
}

/// Every file below `folder` (from the top) that ends so, in order of path.
pub(crate) fn files(folder: &str, ending: &str) -> Vec<File> {
    let mut found = Vec::new();
    walk(&root().join(folder), folder, ending, &mut found);
    found.sort_by(|a, b| a.path.cmp(&b.path));
    found
}

fn walk(folder: &Path, from_top: &str, ending: &str, found: &mut Vec<File>) {
    for entry in fs::read_dir(folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display())) {
        let entry = entry.expect("a readable folder");
        let name = entry.file_name().to_string_lossy().into_owned();
        let path = if from_top.is_empty() { name.clone() } else { format!("{from_top}/{name}") };
        if IGNORED.contains(&name.as_str()) {
            continue;
        }
        if entry.file_type().expect("a file type").is_dir() {
            walk(&entry.path(), &path, ending, found);
        } else if name.ends_with(ending) {
            let text = fs::read_to_string(entry.path()).unwrap_or_else(|e| panic!("{path}: {e}"));
            found.push(File { path, text });
        }
    }
}

/// Every Rust source of the project's crates.
pub(crate) fn rust_files() -> Vec<File> {
    ["proto", "service", "client-cli", "tests"].iter().flat_map(|folder| files(folder, ".rs")).collect()
}

#[test]
fn the_top_level_is_closed() {
    let findings: Vec<String> = fs::read_dir(root())
        .expect("the top folder")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .filter(|name| !TOP.contains(&name.as_str()) && !IGNORED.contains(&name.as_str()))
        .map(|name| format!("{name} is not on the list of what may lie at the top"))
        .collect();
    none("the top level is closed", &findings);
}

#[test]
fn sql_files_end_their_lines_with_lf() {
    let sql = files("", ".sql");
    assert!(!sql.is_empty(), "no migration was found");
    let findings: Vec<String> =
        sql.iter().filter(|file| file.text.contains('\r')).map(|file| file.path.clone()).collect();
    none("a carriage return changes a migration's checksum", &findings);
    let attributes = fs::read_to_string(root().join(".gitattributes")).expect(".gitattributes");
    assert!(attributes.contains("*.sql text eol=lf"), ".gitattributes keeps *.sql on LF");
}

#[test]
fn migrations_are_twins_by_name() {
    let names = |engine: &str| -> BTreeSet<String> {
        let folder = root().join("migrations").join(engine);
        let Ok(entries) = fs::read_dir(folder) else { return BTreeSet::new() };
        let names = entries.map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned());
        names.filter(|name| Path::new(name).extension().is_some_and(|e| e == "sql")).collect()
    };
    let (sqlite, postgres) = (names("sqlite"), names("postgres"));
    // The second engine has its folder before it has its migrations.
    if !postgres.is_empty() {
        assert_eq!(sqlite, postgres, "each migration has a twin of the same name for the other engine");
    }
    for name in &sqlite {
        let number = name.get(..4).filter(|n| n.bytes().all(|b| b.is_ascii_digit()));
        assert!(number.is_some() && name.get(4..5) == Some("_"), "{name} is named NNNN_what_it_does.sql");
    }
    assert!(!sqlite.is_empty(), "no migration was found");
}
