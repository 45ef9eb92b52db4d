//! How large a file or a function may grow before it is split.

use crate::arrows::before_tests;
use crate::none;
use crate::tree::rust_files;

/// Lines of a file outside its unit tests.
const FILE_LINES_MAX: usize = 500;
/// Lines of a function, from its `fn` to its closing brace.
const FUNCTION_LINES_MAX: usize = 70;
/// Lines of a test, which may tell a whole story.
const TEST_LINES_MAX: usize = 110;

/// Files and functions that may be longer, each with its reason.
const LONGER: &[(&str, &str)] = &[
    ("service/store/src/copy.rs", "the list of every table with its columns, beside what copies them"),
    ("service/store/src/body/shop_write.rs", "one write for each kind of step of a load, each short"),
    (
        "service/domain/src/shop/wrong_tests.rs::everything_wrong_is_told_with_its_path",
        "one declaration with everything wrong in it, and all that is said of it",
    ),
];

/// A function's name, its first line and its length; read from the indentation that `cargo fmt` gives.
fn functions(text: &str) -> Vec<(String, usize, usize)> {
    let lines: Vec<&str> = text.lines().collect();
    let mut found = Vec::new();
    for (first, line) in lines.iter().enumerate() {
        let indent = line.len() - line.trim_start().len();
        let Some(name) = function_name(line.trim_start()) else { continue };
        let end = lines[first..].iter().position(|l| l.len() == indent + 1 && l.trim_start() == "}");
        // A function of one line, or one that a trait only declares, has no closing line of its own.
        let one_line = line.trim_end().ends_with(['}', ';']);
        if let (Some(length), false) = (end, one_line) {
            found.push((name, first + 1, length + 1));
        }
    }
    found
}

fn function_name(line: &str) -> Option<String> {
    let mut words = line.split_whitespace();
    let head = words.by_ref().take_while(|word| *word != "fn").collect::<Vec<_>>();
    let modifier =
        |w: &str| matches!(w, "pub" | "pub(crate)" | "pub(super)" | "async" | "const" | "unsafe" | "extern");
    let name = words.next()?;
    head.iter().all(|word| modifier(word)).then(|| name.split(['(', '<']).next().unwrap_or(name).to_owned())
}

#[test]
fn files_and_functions_keep_their_bounds() {
    let mut findings = Vec::new();
    let mut used = Vec::new();
    let mut excused = |what: &str| {
        let found = LONGER.iter().any(|(name, _)| *name == what);
        used.extend(found.then(|| what.to_owned()));
        found
    };
    for file in rust_files() {
        let own = before_tests(&file.text).lines().count();
        if own > FILE_LINES_MAX && !excused(&file.path) {
            findings.push(format!("{} has {own} lines outside its tests, over {FILE_LINES_MAX}", file.path));
        }
        let all_tests = file.path.contains("/tests/") || file.path.ends_with("tests.rs");
        for (name, line, length) in functions(&file.text) {
            let max = if all_tests || line > own { TEST_LINES_MAX } else { FUNCTION_LINES_MAX };
            if length > max && !excused(&format!("{}::{name}", file.path)) {
                findings.push(format!("{}:{line}: {name} has {length} lines, over {max}", file.path));
            }
        }
    }
    for (what, _) in LONGER {
        if !used.iter().any(|u| u == what) {
            findings.push(format!("{what} no longer needs its exception"));
        }
    }
    none("files and functions keep their bounds", &findings);
}

#[test]
fn functions_are_measured_by_their_indentation() {
    let text = "impl A {\n    pub(crate) async fn long<T>(\n        &self,\n    ) -> T {\n        let x = || {\n            1\n        };\n    }\n\n    fn short() {}\n}\n";
    assert_eq!(functions(text), [("long".to_owned(), 2, 7)]);
}
