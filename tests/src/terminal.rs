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
    /// Whether the terminal was left in the modes that it had before.
    pub left: bool,
}

/// What follows when something was shown.
#[derive(Clone, Copy, Debug)]
pub enum Then<'a> {
    /// It is waited for what is shown next.
    Waits,
    /// This is typed.
    Types(&'a str),
    /// The client runs beside it, with these arguments.
    Runs(&'a [&'a str]),
}

/// Runs the client against the service at an address: each time it shows the first text, the second is typed.
pub fn talk(service: &Service, address: &str, arguments: &[&str], talk: &[(&str, &str)]) -> Talked {
    talk_in(service, (address, arguments), &[], talk)
}

/// The same with more in the client's environment.
pub fn talk_in(
    service: &Service,
    asked: (&str, &[&str]),
    environment: &[(&str, &str)],
    talk: &[(&str, &str)],
) -> Talked {
    let talk: Vec<_> = talk
        .iter()
        .map(|&(expect, typed)| (expect, if typed.is_empty() { Then::Waits } else { Then::Types(typed) }))
        .collect();
    talk_beside(service, asked, environment, &talk)
}

/// The same, with the client run beside it as well.
pub fn talk_beside(
    service: &Service,
    (address, arguments): (&str, &[&str]),
    environment: &[(&str, &str)],
    talk: &[(&str, Then<'_>)],
) -> Talked {
    let data = service.data().display().to_string();
    let client = program("fettler").display().to_string();
    let command = |arguments: &[&str]| json!([&[client.as_str()], arguments].concat());
    let talk: Vec<Value> = talk
        .iter()
        .map(|(expect, then)| match then {
            Then::Waits => json!([expect]),
            Then::Types(typed) => json!([expect, typed]),
            Then::Runs(arguments) => json!([expect, command(arguments)]),
        })
        .collect();
    let mut ask = json!({
        "command": command(arguments),
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
    let left = told["left"].as_bool().expect("whether it was left as it was");
    Talked { code: told["code"].as_i64().expect("a code"), shown, left }
}
