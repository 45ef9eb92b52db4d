//! The words of the glossary are used, and none of those that mean the same or less.

use crate::none;
use crate::tree::{File, files};

/// Words that must not become labels, and the project's own word.
const WORDS: &[(&str, &str)] = &[
    ("amber", "say it in words"),
    ("asset", "machine"),
    ("assets", "machines"),
    ("backlog", "late, and due"),
    ("checklist", "the checks of the round"),
    ("checklists", "the checks of the round"),
    ("criticality", "hazard"),
    ("dashboard", "board"),
    ("equipment", "machine"),
    ("in progress", "open"),
    ("inspection", "check"),
    ("inventory", "items on the shelf"),
    ("job plan", "task sheet"),
    ("on hold", "open"),
    ("out of service", "forbidden, or resting"),
    ("pass/fail", "as it should be, or a finding"),
    ("reopen", "undo"),
    ("reopened", "undone"),
    ("reschedule", "skip with a reason"),
    ("snooze", "skip with a reason"),
    ("ticket", "work order"),
    ("tickets", "work orders"),
    ("work request", "raised order, or finding"),
];

fn findings(file: &File) -> Vec<String> {
    let mut found = Vec::new();
    for (i, line) in file.text.lines().enumerate() {
        // Padded, and every sign but the slash made a space, so that only whole words are found.
        let plain: String =
            line.chars().map(|c| if c.is_alphanumeric() || c == '/' { c } else { ' ' }).collect();
        let plain = format!(" {} ", plain.to_lowercase());
        let words = WORDS.iter().filter(|(word, _)| plain.contains(&format!(" {word} ")));
        found.extend(words.map(|(word, ours)| format!("{}:{}: `{word}`; say: {ours}", file.path, i + 1)));
    }
    found
}

#[test]
fn the_words_are_the_glossary_s() {
    // The store speaks to nobody; what it says in words comes from the domain.
    let folders = ["proto", "service/domain", "service/server", "client-cli", "migrations", "docs"];
    let endings = [".proto", ".rs", ".sql", ".md", ".toml"];
    let all = folders.iter().flat_map(|folder| endings.iter().flat_map(|ending| files(folder, ending)));
    let found: Vec<String> = all.flat_map(|file| findings(&file)).collect();
    none("the words are the glossary's", &found);
}

#[test]
fn a_word_is_found_whole_only() {
    let file = |text: &str| File { path: "x".into(), text: text.into() };
    assert_eq!(findings(&file("an asset, on_hold")).len(), 2);
    assert_eq!(findings(&file("facets of a ticketed event")).len(), 0);
}
