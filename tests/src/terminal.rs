//! The client at a terminal of its own, as wide as a small screen, with somebody who reads and types.

use crate::oracle;
use crate::programs::program;
use crate::service::Service;
use serde_json::{Value, json};

/// How wide a small screen is, in characters.
const COLUMNS: usize = 50;

/// What came of a talk.
#[derive(Debug)]
pub struct Talked {
    /// The exit code.
    pub code: i64,
    /// All that was shown.
    pub shown: String,
}

/// Runs the client against the service at an address: each time it shows the first text, the second is typed.
pub fn talk(service: &Service, address: &str, arguments: &[&str], talk: &[(&str, &str)]) -> Talked {
    talk_in(service, (address, arguments), &[], talk)
}

/// The same with more in the client's environment.
pub fn talk_in(
    service: &Service,
    (address, arguments): (&str, &[&str]),
    environment: &[(&str, &str)],
    talk: &[(&str, &str)],
) -> Talked {
    let data = service.data().display().to_string();
    let command: Vec<String> = std::iter::once(program("fettler").display().to_string())
        .chain(arguments.iter().map(|&argument| argument.to_owned()))
        .collect();
    let talk: Vec<Vec<&str>> = talk
        .iter()
        .map(|(expect, typed)| if typed.is_empty() { vec![*expect] } else { vec![*expect, *typed] })
        .collect();
    let mut ask = json!({
        "command": command,
        "env": {
            "HOME": data, "FETTLER_DATA": data,
            "FETTLER_STATE": service.data().join(".local/state").display().to_string(),
            "FETTLER_SERVER": address, "TERM": "xterm",
        },
        "columns": COLUMNS,
        "talk": talk,
    });
    for (name, value) in environment {
        ask["env"][*name] = (*value).into();
    }
    let told: Value =
        serde_json::from_str(&oracle::run("terminal.py", &[], &format!("{ask}\n"))).expect("JSON");
    let shown = told["shown"].as_str().expect("a text").to_owned();
    assert!(told["missing"].is_null(), "it never showed {}:\n{shown}", told["missing"]);
    Talked { code: told["code"].as_i64().expect("a code"), shown }
}
