//! A small service for the client to talk to, and a way to run the client as a person would.

mod care;
mod others;
mod outbound;
mod planned;
mod rounds;
mod service;
mod shop;
mod stock;
mod watch;

pub(crate) use service::{Mock, Plan};

use std::{
    net::SocketAddr,
    process::{Command, Output},
};

/// The token that the service wants.
pub(crate) const TOKEN: &str = "secret";

/// What a run of the client gave.
#[derive(Debug)]
pub(crate) struct Ran {
    pub(crate) code: Option<i32>,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

/// The client as a command with a bare environment.
pub(crate) fn client(server: SocketAddr, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fettler"));
    command
        .env_clear()
        .env("FETTLER_TOKEN", TOKEN)
        .env("FETTLER_SERVER", format!("http://{server}"))
        .args(args);
    command
}

/// Runs the client to its end.
pub(crate) async fn run(server: SocketAddr, args: &[&str]) -> Ran {
    finish(client(server, args)).await
}

/// Runs a command to its end.
pub(crate) async fn finish(mut command: Command) -> Ran {
    let output: Output = tokio::task::spawn_blocking(move || command.output()).await.unwrap().unwrap();
    Ran {
        code: output.status.code(),
        stdout: String::from_utf8(output.stdout).unwrap(),
        stderr: String::from_utf8(output.stderr).unwrap(),
    }
}
