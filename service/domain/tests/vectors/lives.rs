//! Lives of parts: fits, their limits, few failures, and the intervals that follow.

use crate::rows::{EXACT, Row, near, rows};
use fettler_domain::statistics::life::block::{block, minimal_repair};
use fettler_domain::statistics::life::few::stated_shape;
use fettler_domain::statistics::life::fit::{Fit, fit};
use fettler_domain::statistics::life::limits::Limits;
use fettler_domain::statistics::life::posterior::{Beforehand, Spread, posterior};
use fettler_domain::statistics::life::rank::{MedianRank, Ranked, ranked};
use fettler_domain::statistics::life::repaired::trend;
use fettler_domain::statistics::life::replacement::{Costs, cost, replacement};
use fettler_domain::statistics::life::weibull::{Weibull, rule_of_thumb_between_looks};
use fettler_domain::statistics::life::{Life, Seen};

/// The files state 1e-5 for likelihoods.
const LIKELIHOOD: f64 = 1e-5;
/// And 1e-3 and 1e-2 for means and quantiles of a grid.
const GRID_MEAN: f64 = 1e-3;
const GRID_QUANTILE: f64 = 1e-2;

/// `54`, `500+`, `100~200`, each perhaps with `@80` for the age from which it was looked at and `x10` for ten of them.
fn lives(text: &str) -> Vec<Life> {
    let number = |text: &str| text.parse::<f64>().unwrap_or_else(|_| panic!("`{text}` is no number"));
    let token = |token: &str| {
        let (token, times) = token.split_once('x').unwrap_or((token, "1"));
        let (token, entered) = token.split_once('@').unwrap_or((token, "0"));
        let seen = match (token.split_once('~'), token.strip_suffix('+')) {
            (Some((good, failed)), _) => Seen::Between(number(good), number(failed)),
            (None, Some(good)) => Seen::Good(number(good)),
            (None, None) => Seen::Failed(number(token)),
        };
        vec![Life { seen, entered: number(entered) }; times.parse().expect("times")]
    };
    text.split_whitespace().flat_map(token).collect()
}

fn limits(row: &Row, name: &str, found: Limits) {
    row.near_or_none(&format!("{name}_lo"), found.low, LIKELIHOOD);
    row.near_or_none(&format!("{name}_hi"), found.high, LIKELIHOOD);
}

/// Everything that a file of fits says.
fn fits(family: &str) {
    for row in rows(family) {
        let found = fit(&lives(row.text("data"))).unwrap_or_else(|e| panic!("{}: {e}", row.name()));
        row.near("beta", found.life.shape(), LIKELIHOOD);
        row.near("eta", found.life.scale(), LIKELIHOOD);
        row.near("loglik", found.log_likelihood, LIKELIHOOD);
        row.near("se_ln_beta", found.ln_shape_error, LIKELIHOOD);
        row.near("se_ln_eta", found.ln_scale_error, LIKELIHOOD);
        // A correlation near 0 is the difference of great numbers.
        let off = (found.correlation - row.number("corr")).abs();
        assert!(off < LIKELIHOOD, "{}: corr {}", row.name(), found.correlation);
        limits(&row, "beta_wald", found.shape_wald());
        limits(&row, "beta_pl", found.shape_limits());
        limits(&row, "eta_wald", found.scale_wald());
        limits(&row, "eta_pl", found.scale_limits());
        row.near("b10", found.life.by_which_fail(0.1), LIKELIHOOD);
        limits(&row, "b10_wald", found.age_wald(0.1));
        limits(&row, "b10_pl", found.age_limits(0.1));
        row.near("mean", found.life.mean(), LIKELIHOOD);
        row.near("lr_vs_exponential", found.wear_out().statistic, 1e-4);
        row.near("p_exponential", found.wear_out().p, 1e-4);
    }
}

/// Lieblein and Zelen 1956, NIST/SEMATECH 8.4.1.3, Meeker and Escobar 1998, Nelson 1982 and others; estimates agree with lifelines.
#[test]
fn weibull_right() {
    fits("weibull_right");
}

/// Nelson's turbine cracks of 1982, a heat exchanger, and simulated closings; estimates agree with lifelines.
#[test]
fn weibull_interval() {
    fits("weibull_interval");
}

fn lines(row: &Row, ending: &str, found: &Ranked) {
    for (name, line) in [("rrx", found.ages_on_shares), ("rry", found.shares_on_ages)] {
        row.near(&format!("{name}_beta_{ending}"), line.shape, EXACT);
        row.near(&format!("{name}_eta_{ending}"), line.scale, EXACT);
    }
    row.near(&format!("r2_{ending}"), found.r_squared, EXACT);
}

/// The method is IEC 61649's and Abernethy's; the same as the library reliability.
#[test]
fn weibull_mrr() {
    for row in rows("weibull_mrr") {
        let lives = lives(row.text("data"));
        let benard = ranked(&lives, MedianRank::Benard).expect("a line");
        row.near_all("adjusted_ranks", &benard.ranks, &[' '], 6e-6);
        lines(&row, "benard", &benard);
        lines(&row, "exact", &ranked(&lives, MedianRank::Exact).expect("a line"));
    }
}

/// Computed with scipy; the method is IEC 61649's and Abernethy's.
#[test]
fn weibayes() {
    for row in rows("weibayes") {
        let found = stated_shape(&lives(row.text("data")), row.number("beta")).expect("a scale");
        row.says("failures", &found.failures.to_string());
        row.near_or_none("eta", found.scale, EXACT);
        row.near("eta_r1", found.cautious_scale, EXACT);
        row.near("eta_lo90", found.scale_at_least, EXACT);
        row.near("b10_lo90", found.tenth_at_least, EXACT);
    }
}

fn spread(row: &Row, name: &str, found: Spread) {
    row.near(&format!("{name}_mean"), found.mean, GRID_MEAN);
    for (quantile, value) in [("p5", found.p5), ("p50", found.p50), ("p95", found.p95)] {
        row.near(&format!("{name}_{quantile}"), value, GRID_QUANTILE);
    }
}

/// Computed on a grid of 200 x 200 points.
#[test]
fn weibull_bayes() {
    for row in rows("weibull_bayes") {
        let beforehand = Beforehand {
            shape: row.number("prior_beta"),
            ln_shape_spread: row.number("s_beta"),
            scale: row.number("prior_eta"),
            ln_scale_spread: row.number("s_eta"),
        };
        let found = posterior(&lives(row.text("data")), beforehand).expect("a grid");
        spread(&row, "beta", found.shape());
        spread(&row, "eta", found.scale());
        let (age, more) = (row.number("age"), row.number("more"));
        row.near("r_at_age", found.lasts(age), GRID_MEAN);
        row.near("p_survive_more", found.lasts(age + more) / found.lasts(age), GRID_MEAN);
    }
}

fn costs(row: &Row) -> Costs {
    Costs::new(row.number("cp"), row.number("cf")).expect("costs")
}

fn life(row: &Row) -> Weibull {
    Weibull::new(row.number("beta"), row.number("eta")).expect("a life")
}

/// Computed with scipy on the equation of Barlow and Proschan 1965.
#[test]
fn age_replacement() {
    for row in rows("age_replacement") {
        let (life, costs) = (life(&row), costs(&row));
        let found = replacement(life, costs);
        row.near("cost_never", found.cost_never, EXACT);
        let best = found.best;
        row.near_or_none("t_opt", best.map(|best| best.age), EXACT);
        row.near_or_none("cost_opt", best.map(|best| best.cost), EXACT);
        row.near_or_none("t_opt_over_eta", best.map(|best| best.age / life.scale()), EXACT);
        row.near_or_none("p_fail", best.map(|best| best.fails), EXACT);
        // A saving of nothing is a difference of equals.
        let saving = best.map(|best| 100.0 * (1.0 - best.cost / found.cost_never));
        assert_eq!(saving.is_some(), row.maybe("saving_pct").is_some(), "{}", row.name());
        let off = saving.unwrap_or(0.0) - row.maybe("saving_pct").unwrap_or(0.0);
        assert!(off.abs() < 1e-4, "{}: saving_pct off by {off}", row.name());
        for (name, share) in [("within1", 0.01), ("within5", 0.05)] {
            let near = best.map(|best| best.within(share, life, costs));
            row.near_or_none(&format!("{name}_lo"), near.map(|near| near.low), EXACT);
            row.near_or_none(&format!("{name}_hi"), near.and_then(|near| near.high), EXACT);
        }
    }
}

/// Jardine and Tsang, chapter 2, problem 2, as printed: a life even over 0 to 40,000 km, 100 planned and 200 at a failure. The
/// formula's own cost, on that life: (100 R + 200 F) / (T - T^2/80,000).
#[test]
fn the_printed_costs_of_an_even_life() {
    // A Weibull life cannot be even, so that the printed table checks the form of the cost at the ends: at 40,000 km all have
    // failed, at a mean of 20,000 km.
    let at = |age: f64| {
        let fails = age / 40_000.0;
        (100.0 * (1.0 - fails) + 200.0 * fails) / (age - age * age / 80_000.0)
    };
    for (age, printed) in [(10_000.0, 0.0143), (20_000.0, 0.0100), (30_000.0, 0.0093), (40_000.0, 0.0100)] {
        assert!((at(age) - printed).abs() < 5e-5, "{age}: {}", at(age));
    }
}

/// The example in the manual of the library reliability (from memory): 493.185 on its grid of ages, at least as dear as the exact age.
#[test]
fn a_library_s_example_of_age_replacement() {
    let (life, costs) = (Weibull::new(2.5, 1000.0).expect("a life"), Costs::new(1.0, 5.0).expect("costs"));
    let best = replacement(life, costs).best.expect("an age");
    near("age", best.age, 493.185, 5e-4);
    assert!(cost(life, costs, 493.185) >= best.cost);
}

/// Barlow and Hunter 1960 in closed form; renewals by Xie's method of 1989; the Erlang life's condition is Karlin and Taylor's.
#[test]
fn block_minimal() {
    for row in rows("block_minimal") {
        let costs = costs(&row);
        let (found, age, least) = match row.text("policy") {
            "minimal_repair" => (minimal_repair(life(&row), costs), EXACT, EXACT),
            "block" => {
                let life = life(&row);
                (block(|age| life.fails(age), life.mean(), costs).expect("a life"), 2e-3, 1e-5)
            }
            erlang => {
                let rate: f64 = erlang.rsplit('_').next().and_then(|rate| rate.parse().ok()).expect("a rate");
                let fails = |age: f64| -(-rate * age).exp_m1() - rate * age * (-rate * age).exp();
                (block(fails, 2.0 / rate, costs).expect("a life"), 2e-3, 1e-5)
            }
        };
        row.near_or_none("t_opt", found.map(|found| found.interval), age);
        row.near_or_none("cost_opt", found.map(|found| found.cost), least);
        // Failures grow with the shape's power of the interval, and so does what the interval is off.
        let power = row.maybe("beta").unwrap_or(2.0);
        row.near_or_none("failures", found.map(|found| found.failures), power * age);
    }
}

/// Computed with scipy; the rule of thumb is common practice, no source.
#[test]
fn hidden_failure() {
    for row in rows("hidden_failure") {
        let (life, share) = (life(&row), row.number("availability"));
        row.near("t_max", life.longest_between_looks(share).expect("an interval"), EXACT);
        if row.maybe("t_rule").is_some() {
            row.near("t_rule", rule_of_thumb_between_looks(share, life.mean()), EXACT);
        }
    }
}

/// Row 1 is the data of NIST/SEMATECH 8.4.5.2.
#[test]
fn repairable_trend() {
    for row in rows("repairable_trend") {
        let found = trend(&row.numbers("times", &[' ']), row.number("T")).expect("a trend");
        row.near("laplace", found.laplace, EXACT);
        row.near("p_laplace", found.laplace_p, EXACT);
        row.near("b", found.power, EXACT);
        row.near("b_unbiased", found.unbiased_power, EXACT);
        let off = found.factor / row.number("a") - 1.0;
        assert!(off.abs() < EXACT, "{}: a is {}", row.name(), found.factor);
        row.near("mtbf_now", found.between_failures_now, EXACT);
        row.near("mil_chi2", found.chi_square, EXACT);
        let off = found.below / row.number("p_lower") - 1.0;
        assert!(off.abs() < EXACT, "{}: p_lower is {}", row.name(), found.below);
    }
}

fn fitted(text: &str) -> Fit {
    fit(&lives(text)).expect("a fit")
}

fn printed(found: Limits, low: f64, high: f64, tolerance: f64) {
    near("low", found.low.expect("a limit"), low, tolerance);
    near("high", found.high.expect("a limit"), high, tolerance);
}

/// NIST/SEMATECH 8.4.1.3 prints shape 1.7208, scale 606.5280, log-likelihood -75.135, mean 540.737.
#[test]
fn the_handbook_s_lives() {
    let found = fitted("54 187 216 240 244 335 361 373 375 386 500+x10");
    near("shape", found.life.shape(), 1.7208, 1e-5);
    near("scale", found.life.scale(), 606.528, 1e-5);
    near("log-likelihood", found.log_likelihood, -75.135, 1e-5);
    near("mean", found.life.mean(), 540.737, 1e-5);
}

/// Nelson 1982 p 415, turbine cracks found at looks; the SAS/QC guide prints shape 1.4854 and scale 71.6904 (from memory).
#[test]
fn cracks_between_looks() {
    let found = fitted(
        "0~6.12x5 6.12~19.92x16 19.92~29.64x12 29.64~35.4x18 35.4~39.72x18 39.72~45.24x2 45.24~52.32x6 52.32~63.48x17 63.48+x73",
    );
    near("shape", found.life.shape(), 1.4854, 5e-5);
    near("scale", found.life.scale(), 71.6904, 1e-5);
    near("log-likelihood", found.log_likelihood, -309.6684, 1e-6);
    printed(found.shape_limits(), 1.216, 1.791, 5e-4);
    printed(found.age_limits(0.1), 11.52, 20.19, 5e-4);
}

/// Plant 1 of the heat exchangers in Meeker and Escobar 1998: 1, 2 and 2 of 100 cracked in three years. Five failures tell the scale
/// from above hardly at all, which limits from the curvature would hide.
#[test]
fn few_cracks_of_many_tubes() {
    let found = fitted("0~1 1~2x2 2~3x2 3+x95");
    near("shape", found.life.shape(), 1.420, 5e-4);
    near("scale", found.life.scale(), 24.28, 5e-4);
    let wide = found.scale_limits().high.expect("a limit");
    assert!(wide > 3000.0 && found.scale_wald().high.expect("a limit") < 1000.0, "{wide}");
}

/// Lieblein and Zelen 1956: ball bearings; the manual of surpyval prints 2.102 and 81.875.
#[test]
fn the_ball_bearings() {
    let found = fitted(
        "17.88 28.92 33 41.52 42.12 45.6 48.4 51.84 51.96 54.12 55.56 67.8 68.64 68.64 68.88 84.12 93.12 98.64 105.12 105.84 127.92 128.04 173.4",
    );
    near("shape", found.life.shape(), 2.102, 1e-4);
    near("scale", found.life.scale(), 81.875, 1e-5);
}

/// NIST/SEMATECH 8.4.5.2 prints a growth slope of 0.5165: 1 less the power without its bias.
#[test]
fn the_handbook_s_repaired_machine() {
    let times = [5.0, 40.0, 43.0, 175.0, 389.0, 712.0, 747.0, 795.0, 1299.0, 1478.0];
    let found = trend(&times, 1500.0).expect("a trend");
    near("growth", 1.0 - found.unbiased_power, 0.5165, 1e-4);
    near("laplace", found.laplace, -1.32695, 1e-5);
}
