//! How soon the planner tells a leak, a clogged filter and a failing dryer in made-up years, and how often it is wrong.
//!
//! usage: `care_year [--seed FIRST] [--seeds COUNT]`
#![expect(clippy::print_stdout, reason = "a program that talks to a person")]

use clap::Parser;
use fettler_tests::care::{Year, year};

/// Which years.
#[derive(Parser)]
struct Args {
    /// The first seed.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How many.
    #[arg(long, default_value_t = 200)]
    seeds: u64,
}

fn main() {
    let Args { seed, seeds } = Args::parse();
    let years: Vec<Year> = (seed..seed + seeds).map(year).collect();
    let count = |of: &dyn Fn(&Year) -> bool| years.iter().filter(|year| of(year)).count();
    let mut readings: Vec<u32> = years.iter().filter_map(|year| year.leak).collect();
    readings.sort_unstable();
    println!("{} years from seed {seed}", years.len());
    println!(
        "  leaks of 30 % told within 10 readings: {}",
        count(&|year| year.leak.is_some_and(|n| n <= 10))
    );
    println!(
        "  never told: {}; middle {:?} readings",
        count(&|year| year.leak.is_none()),
        readings.get(readings.len() / 2)
    );
    let alarms: u32 = years.iter().map(|year| year.false_alarms).sum();
    let most = years.iter().map(|year| year.false_alarms).max();
    println!("  alarms of reservoirs that had nothing: {alarms}, at most {most:?} in a year");
    let listed = [0, 1].map(|list| count(&|year| year.element[list]));
    println!(
        "  filters listed a morning before their limit, looking a week ahead: {}, with what may come early: {}",
        listed[0], listed[1]
    );
    println!("  dryers told before a bowl was full: {}", count(&|year| year.dryer));
}
