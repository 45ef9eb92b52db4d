//! How many forecasts, of three quantiles each, one core makes in a second: 2,000 machines of all kinds, each asked
//! for nine remaining amounts, statistics and weekly pattern made once for each machine as the planner does. The floor
//! is what no method of this kind is below: one value of the incomplete gamma function for each quantile.
//!
//! `cargo run --release --example forecast -p fettler-domain`

#![expect(clippy::print_stdout, reason = "a benchmark prints its figures")]

use fettler_domain::forecast::{Due, FleetFigures, Hours, Outlook, Reported, Usage};
use fettler_domain::time::{MICROS_PER_DAY, MICROS_PER_HOUR, Ts};
use statrs::function::gamma::gamma_ur;
use std::hint::black_box;
use std::time::Instant;

/// What the planner needs, so that a site of 20,000 open orders is forecast within a fraction of a second.
const AIM_PER_SECOND: f64 = 150_000.0;
const MACHINES: u32 = 2_000;
const DAYS: i64 = 400;
const REMAINING_HOURS: [f64; 9] = [8.0, 25.0, 40.0, 80.0, 100.0, 250.0, 500.0, 1_000.0, 2_000.0];
const ROUNDS: u32 = 20;

/// A generator of even numbers from 0 to 1, the same in every run (Knuth's 64-bit linear congruence).
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        #[expect(clippy::cast_precision_loss, reason = "31 bits fit")]
        let number = (self.0 >> 33) as f64;
        number / f64::from(1_u32 << 31)
    }
}

/// A machine that runs now and then, or in one, two or three shifts.
fn machine(numbers: &mut Numbers) -> Usage {
    let share_of_days = 0.05 + 0.95 * numbers.next();
    let shifts = 1 + i64::from(numbers.next() > 0.5) + i64::from(numbers.next() > 0.7);
    let mut reports = Vec::new();
    for day in 0..DAYS {
        for shift in 0..shifts {
            if numbers.next() < share_of_days {
                let end = Ts(day * MICROS_PER_DAY + (shift + 1) * 8 * MICROS_PER_HOUR);
                reports.push(Reported { end, hours: Hours(8.0 * numbers.next()) });
            }
        }
    }
    Usage::of(reports)
}

fn main() {
    let mut numbers = Numbers(1);
    let machines: Vec<Usage> = (0..MACHINES).map(|_| machine(&mut numbers)).collect();
    let now = Ts(DAYS * MICROS_PER_DAY);
    let begin = Instant::now();
    let fleet = FleetFigures::of(&machines.iter().collect::<Vec<_>>(), now);
    println!("figures of a fleet of {MACHINES}: {:.1} ms, once a day", begin.elapsed().as_secs_f64() * 1e3);

    let (mut made, mut quantiles) = (0_u32, 0_u32);
    let begin = Instant::now();
    for _ in 0..ROUNDS {
        for usage in &machines {
            let outlook = Outlook::of(usage, &fleet, now);
            for hours in REMAINING_HOURS {
                let due = black_box(outlook.due(black_box(Hours(hours))));
                let Due::Ahead(due) = due else { continue };
                made += 1;
                quantiles += [due.p10, due.p50, due.p90].iter().map(|q| u32::from(q.is_some())).sum::<u32>();
            }
        }
    }
    let forecasts = f64::from(made) / begin.elapsed().as_secs_f64();
    println!(
        "forecasts of three quantiles: {forecasts:.0}/s on one core (aim {AIM_PER_SECOND:.0}/s), {quantiles} dated"
    );
    println!("floor, three values of the gamma function: {:.0}/s", floor(made));
}

/// How many times a second three values of the gamma function are computed, of shapes such as forecasts have.
fn floor(times: u32) -> f64 {
    let begin = Instant::now();
    for n in 0..times {
        let shape = 2.0 + f64::from(n % 50);
        for part in [0.7, 1.0, 1.4] {
            black_box(gamma_ur(black_box(shape), shape * part));
        }
    }
    f64::from(times) / begin.elapsed().as_secs_f64()
}
