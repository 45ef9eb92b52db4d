//! Runs the oracles: independent computations in Python, from `tests/oracle`.

use crate::programs::root;
use serde_json::Value;
use std::io::Write as _;
use std::path::PathBuf;
use std::process::{Command, Stdio};

/// The folder of the tests' data.
pub fn data(file: &str) -> PathBuf {
    root().join("tests/data").join(file)
}

/// Runs an oracle with arguments and a text on its standard input; answers what it printed.
pub fn run(script: &str, arguments: &[&str], input: &str) -> String {
    let python = std::env::var("FETTLER_PYTHON").unwrap_or_else(|_| "python3".into());
    let mut child = Command::new(&python)
        .arg(root().join("tests/oracle").join(script))
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::inherit())
        .spawn()
        .unwrap_or_else(|e| panic!("{python}: {e}; install Python 3.11 or name one with FETTLER_PYTHON"));
    let mut stdin = child.stdin.take().expect("a pipe");
    let input = input.to_owned();
    // From a thread of its own: an oracle that answers while it reads would else wait for us.
    let writer = std::thread::spawn(move || stdin.write_all(input.as_bytes()));
    let output = child.wait_with_output().expect("the oracle ran");
    assert!(output.status.success(), "{script} failed: {}", output.status);
    writer.join().expect("the writer lives").expect("the oracle reads its input");
    String::from_utf8(output.stdout).expect("the oracle prints UTF-8")
}

/// The lines of an answer as JSON.
pub fn lines(text: &str) -> Vec<Value> {
    text.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{line}: {e}"))).collect()
}

/// The rows of a CSV text as Python's own reader sees them.
pub fn csv_rows(text: &str) -> Vec<Vec<String>> {
    serde_json::from_str(&run("csv_rows.py", &[], text)).expect("rows")
}

/// What another HTTP stack is answered: each request as `http_calls.py` takes it.
pub fn http(requests: &[Value]) -> Vec<Value> {
    let asked: Vec<String> = requests.iter().map(Value::to_string).collect();
    lines(&run("http_calls.py", &[], &asked.join("\n")))
}
