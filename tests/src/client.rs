//! Runs `fettler` as a person would, with a cleared environment.

use crate::programs::program;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

/// What a run of the client came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ran {
    /// The exit code.
    pub code: i32,
    /// What it printed for programs and people to read on.
    pub stdout: String,
    /// What it said beside that.
    pub stderr: String,
}

impl Ran {
    /// What was printed, when the run was done without fault.
    pub fn done(self) -> String {
        assert_eq!(self.code, 0, "stdout:\n{}\nstderr:\n{}", self.stdout, self.stderr);
        self.stdout
    }

    /// All that was said, as one text.
    pub fn all(&self) -> String {
        format!("{}{}exit {}\n", self.stdout, self.stderr, self.code)
    }
}

/// A command line cut into words; of a shell's signs it may have double quotes only.
pub fn words(line: &str) -> Vec<String> {
    let parts = line.split('"').enumerate();
    let mut words = Vec::new();
    for (place, part) in parts {
        if place % 2 == 1 {
            words.push(part.to_owned());
        } else {
            words.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    words
}

/// Runs the client against a service that listens at `endpoint` and keeps its data in `data`.
pub fn fettler(endpoint: &str, data: &Path, arguments: &[&str], input: &[u8]) -> Ran {
    fettler_in(endpoint, data, (arguments, input), &[])
}

/// The same with more in its environment.
pub fn fettler_in(
    endpoint: &str,
    data: &Path,
    (arguments, input): (&[&str], &[u8]),
    environment: &[(&str, &str)],
) -> Ran {
    let mut child = Command::new(program("fettler"))
        .args(arguments)
        .env_clear()
        .env("HOME", data)
        .env("TZ", "UTC")
        .env("FETTLER_SERVER", endpoint)
        .env("FETTLER_DATA", data)
        .envs(environment.iter().copied())
        .current_dir(data)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the client starts");
    let mut stdin = child.stdin.take().expect("a pipe");
    let input = input.to_vec();
    let writer = std::thread::spawn(move || stdin.write_all(&input));
    let output = child.wait_with_output().expect("the client ends");
    // A client that does not read its input closes the pipe: no fault of the test.
    let _ = writer.join().expect("the writer lives");
    Ran {
        code: output.status.code().expect("the client ends by itself"),
        stdout: String::from_utf8(output.stdout).expect("UTF-8"),
        stderr: String::from_utf8(output.stderr).expect("UTF-8"),
    }
}
