//! The load tool: how fast reports are taken and lists are given, by a real service in a process of its own, beside the floors of
//! the same run. See `docs/operations.md` for what the figures mean and `docs/measurements.md` for some.
#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a program that talks to a person")]

use anyhow::Result;
use clap::{Parser, Subcommand};
use fettler_tests::load::figures::{Form, shown, table};
use fettler_tests::load::fleet::Fleet;
use fettler_tests::load::ground::Ground;
use fettler_tests::load::growth::Growth;
use fettler_tests::load::measure::{Size, run};
use fettler_tests::load::{Engine, echo};
use std::path::PathBuf;

/// Measures a service under load, beside its floors. Build all programs with --release first.
#[derive(Debug, Parser)]
#[command(name = "load")]
struct Arguments {
    #[command(subcommand)]
    own: Option<Own>,
    /// Where the service keeps its data.
    #[arg(long, value_enum, default_value = "sqlite")]
    engine: Engine,
    /// Machines of the fleet, each with six tasks.
    #[arg(long, default_value_t = 2_500)]
    machines: usize,
    /// Shift reports of the fleet; a tenth more are faults: sent twice, corrected, overlapping, of unknown machines.
    #[arg(long, default_value_t = 200_000)]
    reports: usize,
    /// Connections that push at once.
    #[arg(long, default_value_t = 4)]
    connections: usize,
    /// Items of a page of the due list.
    #[arg(long, default_value_t = 500)]
    items: i32,
    /// How often a page is asked for.
    #[arg(long, default_value_t = 300)]
    pages: usize,
    /// How often everything is measured; the median is shown.
    #[arg(long, default_value_t = 5)]
    runs: usize,
    /// What everything random follows from.
    #[arg(long, default_value_t = 20_261_125)]
    seed: u64,
    /// The first day after the reports, YYYY-MM-DD. Default: today.
    #[arg(long)]
    day: Option<chrono::NaiveDate>,
    /// How the table is written.
    #[arg(long, value_enum, default_value = "table")]
    output: Form,
    /// Instead, let one shop grow and show how the figures grow with it.
    #[arg(long)]
    growth: bool,
    /// The numbers of open tasks at which a growing shop is measured.
    #[arg(long, value_delimiter = ',', default_values_t = [1_000, 3_000, 10_000, 30_000, 100_000, 300_000, 1_000_000])]
    tasks: Vec<usize>,
}

#[derive(Debug, Subcommand)]
enum Own {
    /// What the tool starts beside itself: a bare service that gives a page.
    #[command(hide = true)]
    Echo { page: PathBuf },
}

#[tokio::main]
async fn main() -> Result<()> {
    let arguments = Arguments::parse();
    if let Some(Own::Echo { page }) = arguments.own {
        return echo::serve(&page, |line| println!("{line}")).await;
    }
    if arguments.growth { grow(arguments).await } else { measure(arguments).await }
}

/// The start of a day in microseconds since 1970.
#[expect(
    clippy::disallowed_methods,
    reason = "reports end today, so that a list of today is that of a living shop"
)]
fn midnight(day: Option<chrono::NaiveDate>) -> i64 {
    let day = day.unwrap_or_else(|| chrono::Utc::now().date_naive());
    day.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_micros()
}

async fn measure(arguments: Arguments) -> Result<()> {
    let Arguments { engine, machines, reports, connections, items, pages, .. } = arguments;
    let fleet = Fleet::until(machines, arguments.seed, reports, midnight(arguments.day));
    let size = Size { fleet, reports, connections, items, pages };
    let ground = Ground::prepare(engine, fleet).await?;
    let mut runs = Vec::new();
    for number in 1..=arguments.runs {
        eprintln!("run {number} of {}", arguments.runs);
        runs.push(run(&ground, size).await?);
    }
    if arguments.output == Form::Table {
        println!(
            "{engine:?}, {machines} machines, {reports} reports, {connections} connections, medians of {}",
            runs.len()
        );
    }
    print!("{}", table(&runs, arguments.output));
    Ok(())
}

async fn grow(arguments: Arguments) -> Result<()> {
    let mut growth = Growth::start(arguments.engine, arguments.seed, midnight(arguments.day))?;
    for (place, tasks) in arguments.tasks.iter().enumerate() {
        let figures = growth.step(*tasks, arguments.items, arguments.pages).await?.0;
        if place == 0 {
            let heads = figures.iter().map(|figure| match (arguments.output, figure.unit) {
                (Form::Csv, _) | (Form::Table, "") => figure.what.clone(),
                (Form::Table, unit) => format!("{} ({unit})", figure.what),
            });
            println!("{}", row(heads, arguments.output));
        }
        println!("{}", row(figures.iter().map(|figure| shown(figure.value)), arguments.output));
    }
    Ok(())
}

/// A row of the curve: for a person columns between bars, for a program commas.
fn row(cells: impl Iterator<Item = String>, form: Form) -> String {
    let cells: Vec<String> = cells.collect();
    match form {
        Form::Table => format!("| {} |", cells.join(" | ")),
        // A heading may hold a comma.
        Form::Csv => cells.iter().map(|cell| format!("\"{cell}\"")).collect::<Vec<_>>().join(","),
    }
}
