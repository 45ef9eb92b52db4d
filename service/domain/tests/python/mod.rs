//! Runs the oracles in `tests/oracle` with the Python that `./tests/run --tools` installs. Without it a comparison
//! cannot be made, and the test fails and says so.

use std::path::{Path, PathBuf};
use std::process::Command;

/// What an oracle printed.
pub(crate) fn python(script: &str, arguments: &[&str]) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/oracle");
    let interpreter = interpreter();
    let output = Command::new(&interpreter)
        .arg(folder.join(script))
        .args(arguments)
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .output()
        .unwrap_or_else(|e| panic!("{} could not be run: {e}; {REMEDY}", interpreter.display()));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{script} with {}: {said}{REMEDY}", interpreter.display());
    String::from_utf8(output.stdout).expect("the scripts write UTF-8")
}

const REMEDY: &str =
    "the comparison needs Python with dateutil and tzdata: ./tests/run --tools installs them";

/// The interpreter named by `FETTLER_PYTHON`, or that of the tools under the target folder, or what the path has.
fn interpreter() -> PathBuf {
    if let Some(named) = std::env::var_os("FETTLER_PYTHON") {
        return named.into();
    }
    let program = std::env::current_exe().expect("a test program knows its path");
    let tools = program.ancestors().map(|folder| folder.join("tools/venv/bin/python"));
    tools.into_iter().find(|path| path.exists()).unwrap_or_else(|| "python3".into())
}
