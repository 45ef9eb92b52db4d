//! How fast rows are planned afresh, forecasts made anew, on one core: `cargo bench -p fettler-domain --bench planning`.
//!
//! * `rows`: machines of twenty tasks; items are rows. The aim is 150,000 a second.
//! * `floor`: what no forecast of this kind is below: three values of the incomplete gamma function for each row that has a
//!   forecast, and every row copied.
//! * `one_report`: a report is taken, and its machine's twenty rows planned. The aim is a millisecond.
//! * `growth`: from 1,000 to 1,000,000 tasks; as many items a second wherever time grows with their number.

mod kit;

use divan::Bencher;
use divan::counter::ItemsCount;
use fettler_domain::ledger::history::{Month, Segment};
use fettler_domain::plan::PlanRow;
use fettler_domain::quantity::Amount;
use fettler_domain::time::{MICROS_PER_DAY, MICROS_PER_HOUR, Ts};
use kit::{TASKS, TODAY, every_day, fleet, machine, plan, plan_all};
use statrs::function::gamma::gamma_ur;
use std::hint::black_box;

fn main() {
    divan::main();
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn rows(bencher: Bencher) {
    all(bencher, 2_500);
}

#[divan::bench(sample_count = 3, sample_size = 1, args = [1_000, 3_000, 10_000, 30_000, 100_000, 300_000, 1_000_000])]
fn growth(bencher: Bencher, tasks: i64) {
    all(bencher, tasks / TASKS);
}

fn all(bencher: Bencher, machines: i64) {
    let (mut all, calendar) = (fleet(machines).expect("rules that hold"), every_day());
    let items = all.iter().map(|machine| machine.orders.len()).sum::<usize>();
    bencher.counter(ItemsCount::new(items)).bench_local(|| plan_all(&mut all, &calendar));
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn floor(bencher: Bencher) {
    let mut rows: Vec<PlanRow> = Vec::new();
    for machine in &mut fleet(2_500).expect("rules that hold") {
        plan(machine, &every_day(), |row| rows.push(row));
    }
    bencher.counter(ItemsCount::new(rows.len())).bench_local(|| {
        for (n, row) in (0_u32..).zip(&rows) {
            if row.chance_today.is_some() {
                let shape = 2.0 + f64::from(n % 50);
                for part in [0.7, 1.0, 1.4] {
                    black_box(gamma_ur(black_box(shape), shape * part));
                }
            }
            black_box(row.clone());
        }
    });
}

#[divan::bench(sample_count = 1_000, sample_size = 1)]
fn one_report(bencher: Bencher) {
    let (mut machine, calendar) = (machine(7).expect("rules that hold"), every_day());
    let mut n = 0;
    bencher.bench_local(|| {
        n += 1;
        let start = Ts(i64::from(TODAY) * MICROS_PER_DAY - 9 * MICROS_PER_HOUR + n);
        let segment = Segment { start, end: start.plus_micros(60_000_000), amount: Amount(30_000) };
        machine.history.exchange(None, Some(segment));
        machine.history.add_to_month(Month::of(segment.end), segment.amount);
        machine.usage.count(&calendar, segment);
        plan(&mut machine, &calendar, |row| drop(black_box(row)));
    });
}
