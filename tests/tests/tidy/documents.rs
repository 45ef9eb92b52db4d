//! That the documents hold together: links lead somewhere, decisions are numbered once.

use crate::none;
use crate::tree::{File, files, root};
use std::collections::BTreeSet;
use std::path::Path;

/// The targets of the Markdown links of a text, code blocks left out.
fn links(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut code = false;
    for line in text.lines() {
        if line.trim_start().starts_with("```") {
            code = !code;
        }
        if !code {
            let targets = line.split("](").skip(1).filter_map(|rest| rest.split(')').next());
            found.extend(targets.map(str::to_owned));
        }
    }
    found
}

/// The anchors that a text's headings give: lower case, words joined by hyphens, other signs dropped.
fn anchors(text: &str) -> BTreeSet<String> {
    let headings = text.lines().filter(|line| line.starts_with('#'));
    headings
        .map(|line| {
            let heading = line.trim_start_matches('#').trim().to_lowercase().replace(' ', "-");
            heading.chars().filter(|c| c.is_alphanumeric() || *c == '-' || *c == '_').collect()
        })
        .collect()
}

fn broken_links(file: &File, exists: impl Fn(&str) -> Option<String>) -> Vec<String> {
    let folder = Path::new(&file.path).parent().unwrap_or(Path::new(""));
    let mut findings = Vec::new();
    for link in links(&file.text) {
        if link.starts_with("http") || link.starts_with("mailto:") {
            continue;
        }
        let (target, anchor) = link.split_once('#').unwrap_or((&link, ""));
        let path =
            if target.is_empty() { file.path.clone() } else { folder.join(target).to_string_lossy().into() };
        match exists(&path) {
            None => findings.push(format!("{}: {link} leads nowhere", file.path)),
            Some(text) if !anchor.is_empty() && !anchors(&text).contains(anchor) => {
                findings.push(format!("{}: {link} names no heading there", file.path));
            }
            Some(_) => (),
        }
    }
    findings
}

#[test]
fn links_lead_somewhere() {
    let exists = |path: &str| {
        let path = root().join(path);
        path.exists().then(|| std::fs::read_to_string(&path).unwrap_or_default())
    };
    let findings: Vec<String> = files("", ".md").iter().flat_map(|file| broken_links(file, exists)).collect();
    none("links lead somewhere", &findings);
}

#[test]
fn a_broken_link_is_found() {
    let text = "See [a](b.md), [c](b.md#two-words) and [d](gone.md).\n```\n[not](a-link)\n```\n";
    let file = File { path: "docs/x.md".into(), text: text.into() };
    let exists = |path: &str| (path == "docs/b.md").then(|| "# Other\n".to_owned());
    assert_eq!(
        broken_links(&file, exists),
        ["docs/x.md: b.md#two-words names no heading there", "docs/x.md: gone.md leads nowhere"]
    );
}

#[test]
fn decisions_are_numbered_one_after_the_other() {
    let decisions = files("docs/decisions", ".md");
    for (number, file) in (1..).zip(&decisions) {
        let start = format!("docs/decisions/{number:04}-");
        assert!(file.path.starts_with(&start), "{} should be number {number:04}", file.path);
        for part in ["## Context", "## Choice", "## Alternatives", "## Consequences"] {
            assert!(file.text.contains(part), "{} has no part `{part}`", file.path);
        }
    }
    assert!(!decisions.is_empty(), "no decision was found");
}

/// The packages of a file of requirements, as `name==version`.
fn packages(text: &str) -> BTreeSet<String> {
    let lines = text.lines().filter(|line| !line.starts_with(['#', ' ']) && !line.is_empty());
    lines.map(|line| line.trim_end_matches(" \\").to_ascii_lowercase().replace('_', "-")).collect()
}

#[test]
fn every_package_of_python_that_is_wanted_is_pinned_by_hashes() {
    let file = |path: &str| std::fs::read_to_string(root().join(path)).expect(path);
    let pinned = file("tests/python/pinned.txt");
    let wanted = file("tests/python/wanted.txt") + &file("docs/clients/python/requirements.txt");
    let (pins, wants) = (packages(&pinned), packages(&wanted));
    assert!(wants.len() > 5 && wants.is_subset(&pins), "not pinned: {:?}", wants.difference(&pins));
    for package in pinned.lines().filter(|line| line.contains("==")) {
        assert!(package.ends_with('\\'), "{package} has no hash");
    }
    for hash in pinned.lines().filter(|line| line.starts_with(' ')) {
        let hash = hash.trim().trim_end_matches(" \\").strip_prefix("--hash=sha256:").expect("a hash");
        assert!(hash.len() == 64 && hash.bytes().all(|byte| byte.is_ascii_hexdigit()), "{hash}");
    }
}
