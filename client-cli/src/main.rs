//! `fettler`, the client of the maintenance planner: arguments as typed, resolved into a request, called, rendered.
//!
//! The client decides nothing about intervals, lateness or hours; it asks the service and shows the answer. Only
//! `backtest` asks nobody: it computes from files, with the service's own rules. Data goes to stdout, everything else
//! to stderr, both through [`out::Out`] alone. Here a result becomes an exit code, and nothing else; the codes
//! stand in [`exit`].

mod again;
mod args;
mod backtest;
mod calc;
mod chromium;
mod clock;
mod commands;
mod config;
mod csvout;
mod declared;
mod ended;
mod exit;
#[cfg(test)]
#[path = "../../tests/src/fuzz.rs"]
#[expect(
    unreachable_pub,
    dead_code,
    reason = "a file of the tests, which use it from elsewhere and use more of it"
)]
mod fuzz;
#[cfg(test)]
mod fuzzed;
mod html;
mod import;
mod json;
mod link;
mod origin;
mod out;
mod pager;
mod pin;
mod planfile;
mod profile;
mod proving;
mod push;
mod render;
mod report;
mod session;
mod sheet;
mod shipped;
mod shopfile;
#[cfg(test)]
#[path = "../../tests/src/shuffle.rs"]
#[expect(unreachable_pub, reason = "a file of the tests, which use it from elsewhere")]
mod shuffle;
mod table_file;
#[cfg(test)]
mod testkit;
mod times;
mod trace;
mod trust;
mod walk;

use clap::Parser as _;
use std::process::ExitCode;

fn main() -> ExitCode {
    let args = match args::Args::try_parse() {
        Ok(args) => args,
        Err(error) => return exit::from_clap(&error),
    };
    let given = if commands::needs_no_settings(&args.command) {
        Ok(origin::Given::bare(&args.global))
    } else {
        origin::Given::settle(&args.global)
    };
    let given = match given {
        Ok(given) => given,
        Err(failure) => return exit::finish(&out::Out::standard(&origin::Given::default()), Err(failure)),
    };
    let out = out::Out::standard(&given);
    let result = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(exit::Failure::from)
        .and_then(|runtime| {
            let result = runtime.block_on(commands::run(args.command, &given, out.clone()));
            // A thread that waits for somebody to type must not hold up the end.
            runtime.shutdown_background();
            result
        });
    exit::finish(&out, result)
}
