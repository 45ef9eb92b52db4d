//! That the declarations hold together, and the documents with them.

use super::*;
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// A calculator to be filled by a test.
pub(super) fn bare() -> Calculator {
    Calculator {
        name: "test",
        about: "",
        formula: "",
        inputs: &[],
        results: &[],
        range: "",
        source: "",
        cautions: &[],
        compute: |_| Ok(Found::new([])),
    }
}

#[test]
fn every_declaration_is_whole() {
    let mut names = BTreeSet::new();
    for calculator in ALL {
        let name = calculator.name;
        assert!(names.insert(name), "{name} stands twice");
        for text in [calculator.about, calculator.formula, calculator.range, calculator.source] {
            assert!(!text.trim().is_empty() && !text.ends_with('.'), "{name}: `{text}`");
        }
        let mut columns = BTreeSet::new();
        for input in calculator.inputs {
            assert!(columns.insert(input.name) && !input.help.is_empty(), "{name}: {}", input.name);
        }
        let mut results = BTreeSet::new();
        for result in calculator.results {
            assert!(results.insert(result.name) && !result.what.is_empty(), "{name}: {}", result.name);
        }
        assert!(calculator.cautions.iter().all(|caution| caution.ends_with('.')), "{name}");
    }
}

/// Defaults pass the checks of their own inputs, and what needs an input says so by its name.
#[test]
fn nothing_given_is_told_input_by_input() {
    for calculator in ALL {
        let problems = match Given::read(calculator, |_| None) {
            Ok(given) => vec![(calculator.compute)(&given).expect_err("something is needed")],
            Err(problems) => problems,
        };
        for problem in problems {
            assert!(problem.text.starts_with("is missing"), "{}: {problem:?}", calculator.name);
        }
    }
}

/// The part of the document that the declarations make stands between these lines.
const BEGIN: &str = "<!-- made from the declarations in client-cli/src/calc -->\n";
const END: &str = "<!-- end of what is made -->\n";

fn document() -> String {
    let mut text = String::new();
    for calculator in ALL {
        let Calculator { name, about, formula, range, source, .. } = calculator;
        let mut letters = about.chars();
        let about: String = letters.next().into_iter().flat_map(char::to_uppercase).chain(letters).collect();
        let _ = write!(text, "\n### {name}\n\n{about}.\n\n");
        for line in formula.lines() {
            let _ = writeln!(text, "    {line}");
        }
        let _ = writeln!(text, "\nHolds for: {range}.\nSource: {source}.");
        let _ = writeln!(text, "Check values: [{name}](../tests/data/vectors/{name}.csv).");
    }
    text + "\n"
}

/// With `FETTLER_WRITE_DOCS` set the part is written instead.
#[test]
fn the_document_of_formulas_follows_the_declarations() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/formulas.md");
    let text = std::fs::read_to_string(path).unwrap();
    let (before, rest) = text.split_once(BEGIN).expect("the line where the part begins");
    let (part, after) = rest.split_once(END).expect("the line where the part ends");
    if std::env::var_os("FETTLER_WRITE_DOCS").is_some() {
        std::fs::write(path, format!("{before}{BEGIN}{}{END}{after}", document())).unwrap();
    } else {
        assert!(
            part == document(),
            "docs/formulas.md is out of date: FETTLER_WRITE_DOCS=1 cargo test -p fettler-cli the_document"
        );
    }
}
