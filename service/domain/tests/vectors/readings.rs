//! Charts, trends and consumption.

use crate::rows::{EXACT, Row, near, of, rows};
use fettler_domain::physics::measure::{Hours, Volume};
use fettler_domain::statistics::changepoint::change_point;
use fettler_domain::statistics::consumption::{Visit, consumption};
use fettler_domain::statistics::cusum::{CusumSettings, cusum};
use fettler_domain::statistics::ewma::{EwmaSettings, ewma};
use fettler_domain::statistics::individuals::individuals;
use fettler_domain::statistics::run_length::{Standardised, run_length};
use fettler_domain::statistics::trend::{At, theil_sen};

/// Series of a chart are printed to six digits.
const SIX_DIGITS: f64 = 6e-6;
/// Nine printed digits, for what the file claims to 1e-9.
const NINE_DIGITS: f64 = 6e-9;

fn data(row: &Row) -> Vec<f64> {
    row.numbers("data", &[' '])
}

fn points(row: &Row, column: &str, found: &[usize]) {
    let found: Vec<String> = found.iter().map(ToString::to_string).collect();
    row.says(column, &found.join(" "));
}

/// The first point at which something happens; the files write 0 for never.
fn first(row: &Row, column: &str, found: Option<usize>) {
    row.says(column, &found.unwrap_or(0).to_string());
}

/// Computed with numpy; row 1 is the example of NIST/SEMATECH 6.3.2.2, another a published sample of Wheeler's.
#[test]
fn individuals_chart() {
    for row in rows("individuals_chart") {
        let found = individuals(&data(&row)).expect("readings");
        row.near("mean", found.mean, EXACT);
        row.near("mr_mean", found.mean_range, EXACT);
        row.near("sigma", found.deviation, EXACT);
        row.near("ucl", found.high, EXACT);
        row.near("lcl", found.low, EXACT);
        row.near("mr_ucl", found.range_high, EXACT);
        row.near("sigma_median", found.robust_deviation, EXACT);
        points(&row, "out", &found.outside);
        points(&row, "mr_out", &found.ranges_outside);
        for (column, rule) in ["rule1", "rule2", "rule3", "rule4"].iter().zip(found.rules) {
            first(&row, column, rule);
        }
    }
}

/// NIST/SEMATECH 6.3.2.2 itself: data from memory, its printed limits 55.8041 and 45.8159.
#[test]
fn individuals_of_the_handbook() {
    let flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    let found = individuals(&flow).expect("readings");
    near("upper limit", found.high, 55.8041, 1e-6);
    near("lower limit", found.low, 45.8159, 1e-6);
    near("mean range", found.mean_range, 1.8778, 2e-5);
}

/// Computed with numpy; the example of NIST/SEMATECH 6.3.2.4 and Montgomery's data.
#[test]
fn ewma_chart() {
    for row in rows("ewma_chart") {
        let settings = EwmaSettings {
            target: row.number("target"),
            deviation: row.number("sigma"),
            weight: row.number("lambda"),
            width: row.number("L"),
        };
        let found = ewma(&data(&row), settings).expect("a chart");
        row.near("ucl", found.high, EXACT);
        row.near("lcl", found.low, EXACT);
        row.near("z_last", *found.averages.last().expect("a reading"), EXACT);
        row.near_all("z", &found.averages, &[' '], SIX_DIGITS);
        first(&row, "first_exact", found.first_exact);
        first(&row, "first_fixed", found.first_settled);
    }
}

/// Computed in double precision; the example of NIST/SEMATECH 6.3.2.3, and Montgomery and Runger 16-6.
#[test]
fn cusum_chart() {
    for row in rows("cusum_chart") {
        let settings = CusumSettings {
            target: row.number("target"),
            slack: row.number("k"),
            limit: row.number("h"),
            head_start: row.number("head_start"),
        };
        let found = cusum(&data(&row), settings).expect("a chart");
        row.near_all("up", &found.up, &[' '], SIX_DIGITS);
        row.near_all("down", &found.down, &[' '], SIX_DIGITS);
        first(&row, "first_up", found.first_up);
        first(&row, "first_down", found.first_down);
        first(&row, "onset", found.onset);
    }
}

/// Lucas and Crosier 1982, table 1, to its three digits; the file's own computation to its 1e-4.
#[test]
fn cusum_run_lengths() {
    for row in rows("cusum_arl") {
        let settings = Standardised { slack: row.number("k"), limit: row.number("h") };
        let found = run_length(settings, row.number("mu")).expect("a sum");
        row.near("arl", found.plain, 1e-4);
        row.near("arl_fir", found.head_start, 1e-4);
        for (column, value) in [("published", found.plain), ("published_fir", found.head_start)] {
            if row.maybe(column).is_some() {
                row.near(column, value, 0.005);
            }
        }
    }
}

/// scipy 1.17; row 1 is Sen's own example of 1968.
#[test]
fn theil_sen_lines() {
    for row in rows("theil_sen") {
        let (places, readings) = (row.numbers("x", &[' ']), row.numbers("y", &[' ']));
        let pairs = places.iter().zip(&readings);
        let line: Vec<At> = pairs.map(|(place, reading)| At { place: *place, reading: *reading }).collect();
        let found = theil_sen(&line, row.number("conf")).expect("a line");
        row.near("slope", found.slope, NINE_DIGITS);
        row.near("intercept", found.intercept, NINE_DIGITS);
        row.near("slope_lo", found.slope_low, NINE_DIGITS);
        row.near("slope_hi", found.slope_high, NINE_DIGITS);
        row.near("intercept_joint", found.joint_intercept, NINE_DIGITS);
    }
}

/// Computed with numpy and scipy's ranks; the test is Pettitt's of 1979.
#[test]
fn changepoint() {
    for row in rows("changepoint") {
        let found = change_point(&data(&row)).expect("readings");
        row.says("split", &found.split.to_string());
        row.near("mean_before", found.before, EXACT);
        row.near("mean_after", found.after, EXACT);
        row.near_or_none("f", found.f, EXACT);
        row.near("median", found.median, EXACT);
        row.near("mad", found.deviation, EXACT);
        row.says("pettitt_at", &found.pettitt.split.to_string());
        row.near("k", found.pettitt.k, EXACT);
        row.near("p", found.pettitt.p, EXACT);
    }
}

/// `hours=level`, and `+added` after a refill.
fn visits(text: &str) -> Vec<Visit> {
    let number = |text: &str| text.parse::<f64>().unwrap_or_else(|_| panic!("`{text}` is no number"));
    let litres = |value| Volume::litres(value).expect("a level");
    let visit = |event: &str| {
        let (at, levels) = event.split_once('=').expect("HOURS=LEVEL");
        let (found, added) = levels.split_once('+').unwrap_or((levels, "0"));
        let (found, added) = (number(found), number(added));
        Visit {
            at: Hours::new(number(at)).expect("hours"),
            found: litres(found),
            left: litres(found + added),
        }
    };
    text.split_whitespace().map(visit).collect()
}

/// Computed with numpy and scipy.
#[test]
fn consumption_between_visits() {
    for row in rows("consumption") {
        let visits = visits(row.text("events"));
        let found = consumption(&visits).expect("a use");
        row.near("used", found.used, EXACT);
        row.near("rate_total", found.rate, EXACT);
        row.near("rate_ols", found.rate_least_squares, EXACT);
        row.near("rate_theil_sen", found.rate_median, EXACT);
        row.near("rate_origin", found.rate_origin, EXACT);
        let now = visits.last().expect("a visit").left;
        row.near("level_now", now.to_litres(), EXACT);
        let mark = of(&row, "lower_mark", Volume::litres);
        row.near_or_none("hours_left", found.hours_left(now, mark).map(Hours::to_hours), EXACT);
    }
}
