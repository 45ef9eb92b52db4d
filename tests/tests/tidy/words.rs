//! The words of the glossary are used, and none of those that mean the same or less.

use crate::none;
use crate::tree::{File, files, root};

/// Words that must not become labels, and the project's own word.
const WORDS: &[(&str, &str)] = &[
    ("amber", "say it in words"),
    ("asset", "machine"),
    ("assets", "machines"),
    ("assigned", "nothing: an order is open or closed"),
    ("assignee", "nothing: an order is open or closed"),
    ("backlog", "late, and due"),
    ("cause code", "as found, and note"),
    ("cause codes", "as found, and note"),
    ("checklist", "the checks of the round"),
    ("checklists", "the checks of the round"),
    ("completed", "closed"),
    ("criticality", "hazard"),
    ("dashboard", "board"),
    ("dashboards", "boards"),
    ("downtime", "forbidden, or resting"),
    ("equipment", "machine"),
    ("floating", "from the last closing"),
    ("generate", "the next order stands"),
    ("generates", "the next order stands"),
    ("green", "say it in words"),
    ("in progress", "open"),
    ("inspection", "check"),
    ("inspections", "checks"),
    ("inventory", "items on the shelf"),
    ("is down", "is forbidden, or resting"),
    ("job plan", "task sheet"),
    ("location tree", "area"),
    ("on hold", "open"),
    ("out of service", "forbidden, or resting"),
    ("pass/fail", "as it should be, or a finding"),
    ("priorities", "due points and hazards"),
    ("priority", "due point and hazard"),
    ("problem code", "as found, and note"),
    ("problem codes", "as found, and note"),
    ("procedure", "task sheet"),
    ("procedures", "task sheets"),
    ("red", "say it in words"),
    ("release", "the next order stands"),
    ("remedy code", "as found, and note"),
    ("remedy codes", "as found, and note"),
    ("reopen", "undo"),
    ("reopened", "undone"),
    ("reopens", "undoes"),
    ("reschedule", "skip with a reason"),
    ("rescheduled", "skipped with a reason"),
    ("service request", "raised order, or finding"),
    ("snooze", "skip with a reason"),
    ("snoozed", "skipped with a reason"),
    ("spare parts", "items on the shelf"),
    ("template", "task sheet"),
    ("templates", "task sheets"),
    ("ticket", "work order"),
    ("tickets", "work orders"),
    ("trigger", "clause"),
    ("triggers", "clauses"),
    ("work request", "raised order, or finding"),
];

/// Where a word means something else: the path's beginning, the word, a part of the line, and what it means there.
const ELSEWHERE: &[(&str, &str, &str, &str)] = &[
    ("", "floating", "floating point", "numbers with fractions"),
    ("", "procedure", "\"procedure\"", "a column of the check values: a way to the viscosity index"),
    ("client-cli/tests/calc.rs", "procedure", "L H procedure vi", "the same column"),
    ("", "release", "--release", "a flag of cargo"),
    ("", "release", "late_release", "a column of the check values: what should have been ordered already"),
    ("", "release", "release build", "how programs are built"),
    ("DEVELOPERS.md", "release", "To release", "a version of Fettler"),
    ("DEVELOPERS.md", "release", "of that release", "a version of Fettler"),
    (
        "service/domain/tests/vectors",
        "downtime",
        "pm_downtime",
        "a column of the check values: time of standing for planned work",
    ),
    ("client-cli/src/import/shdr", "asset", "ASSET@", "a command of SHDR"),
    ("client-cli/src/fuzzed/imports.rs", "asset", "@ASSET@", "a command of SHDR"),
    (
        "service/domain/tests/planning",
        "floating",
        "floating",
        "short for a clause in the tests' own language",
    ),
    (
        "service/server/src/notary/signer.rs",
        "generate",
        "generate_pkcs8",
        "a call of the library that makes keys",
    ),
    ("service/server/tests/oidc.rs", "generate", "generate_pkcs8", "a call of the library that makes keys"),
    (
        "client-cli/src/commands/own.rs",
        "generate",
        "clap_",
        "calls of the libraries that make completions and pages",
    ),
    ("docs/clients/README.md", "generate", "npm run generate", "a script that makes code of the protos"),
    ("tests/src/languages.rs", "generate", "\"generate\"", "a command of buf"),
    ("tests/tests/tls.rs", "generate", "KeyPair::generate", "a call of the library that makes keys"),
    ("tests/tests/traces.rs", "generate", "KeyPair::generate", "a call of the library that makes keys"),
    ("service/server/src/gate.rs", "service request", "Service<Request", "a type of the HTTP library"),
    (
        "service/store/src/body/ending.rs",
        "reopen",
        "REOPEN",
        "the statement by which an undo opens an order again",
    ),
    ("service/store/src/contract/error.rs", "cause code", "cause.code()", "an error of the database"),
    ("service/store/src/sqlite/mod.rs", "release", "release the file", "a lock on a file"),
    ("service/store/tests", "reopen", "reopen(", "the store's file"),
    ("service/store/tests", "reopened", "a_reopened_store", "the store's file"),
    ("tests/pg/src/lib.rs", "template", "TEMPLATE", "a database that others are cloned from"),
];

fn is_elsewhere(path: &str, word: &str, line: &str) -> bool {
    ELSEWHERE.iter().any(|(start, of, part, _)| path.starts_with(start) && *of == word && line.contains(part))
}

fn findings(file: &File) -> Vec<String> {
    let mut found = Vec::new();
    for (i, line) in file.text.lines().enumerate() {
        let words = words_in(line).filter(|(word, _)| !is_elsewhere(&file.path, word, line));
        found.extend(words.map(|(word, ours)| format!("{}:{}: `{word}`; say: {ours}", file.path, i + 1)));
    }
    found
}

fn words_in(line: &str) -> impl Iterator<Item = &'static (&'static str, &'static str)> {
    // Padded, and every sign but the slash made a space, so that only whole words are found.
    let plain: String = line.chars().map(|c| if c.is_alphanumeric() || c == '/' { c } else { ' ' }).collect();
    let plain = format!(" {} ", plain.to_lowercase());
    WORDS.iter().filter(move |(word, _)| plain.contains(&format!(" {word} ")))
}

/// Every text of the project but this list.
fn texts() -> Vec<File> {
    let folders = ["proto", "service", "client-cli", "migrations", "docs", "tests"];
    let endings = [".proto", ".rs", ".sql", ".md", ".toml", ".py"];
    let below = folders.iter().flat_map(|folder| endings.iter().flat_map(|ending| files(folder, ending)));
    let mut all: Vec<File> = below.filter(|file| file.path != "tests/tests/tidy/words.rs").collect();
    for path in ["README.md", "DEVELOPERS.md"] {
        let text = std::fs::read_to_string(root().join(path)).unwrap_or_else(|e| panic!("{path}: {e}"));
        all.push(File { path: path.into(), text });
    }
    all
}

#[test]
fn the_words_are_the_glossary_s() {
    let found: Vec<String> = texts().iter().flat_map(findings).collect();
    none("the words are the glossary's", &found);
}

#[test]
fn every_word_that_means_something_else_still_does() {
    let texts = texts();
    let used = |of: &(&str, &str, &str, &str)| {
        let (start, word, part, _) = *of;
        let stands = |line: &str| line.contains(part) && words_in(line).any(|(found, _)| *found == word);
        texts.iter().any(|file| file.path.starts_with(start) && file.text.lines().any(stands))
    };
    let unused: Vec<String> = ELSEWHERE
        .iter()
        .filter(|of| !used(of))
        .map(|(start, word, ..)| format!("{start}: `{word}`"))
        .collect();
    none("words that mean something else stand there", &unused);
}

#[test]
fn a_word_is_found_whole_only() {
    let file = |text: &str| File { path: "x".into(), text: text.into() };
    assert_eq!(findings(&file("an asset, on_hold")).len(), 2);
    assert_eq!(findings(&file("facets of a ticketed event")).len(), 0);
    assert_eq!(findings(&file("a trigger of high priority; cargo run --release, then release it")).len(), 2);
}
