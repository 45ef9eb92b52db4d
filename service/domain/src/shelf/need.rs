//! What is needed of an item ahead, and how sure that is.
//!
//! The work ahead is walked along three paces ([`crate::plan::Pace`]), those of p10, p50 and p90. Taken as three cases with
//! the weights 0.3, 0.4 and 0.3 they give the mean and the variance of what a machine takes up to a day (Swanson's rule:
//! Hurst, Brown and Swanson 2000, from memory; of a normal spread it keeps 98.5 % of the variance). Tasks of one machine
//! hang on the same meters and go together; machines go by themselves.

use super::units;
use crate::ids::{MachineId, OrderNumber};
use crate::quantity::Amount;
use crate::statistics::normal;
use crate::time::ShopDay;
use std::collections::BTreeMap;

/// The weights of the quick, the middle and the slow pace.
const WEIGHTS: [f64; 3] = [0.3, 0.4, 0.3];
/// How far p90 of a normal spread lies from its middle, in thousandths of the deviation.
const P90_OF_DEVIATION_PERMILLE: i64 = 1_282;
/// The most different amounts up to which what may be needed is reckoned exactly; beyond, it is as good as normal.
const CASES_MAX: usize = 200;
/// A chance that is missed by less than this is met: what sums of weights may err by.
const CHANCE_GRAIN: f64 = 1e-9;
/// How far back issues by hand are looked at, in days: half a year.
pub const BY_HAND_DAYS: i64 = 182;
/// From so many weeks on the spread of issues by hand is taken from them.
const WEEKS_MIN: usize = 8;
/// Before, it is this share of their mean (common practice, no source).
const SPREAD_SHARE: f64 = 0.3;

/// What one task takes of an item each time, and when it is expected to be done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Need {
    /// The machine.
    pub machine: MachineId,
    /// The task's open order; the later ones are not open yet.
    pub order: OrderNumber,
    /// How much it takes each time.
    pub amount: Amount,
    /// The days along the quick, the middle and the slow pace, the first of each being the open order's.
    pub days: [Vec<ShopDay>; 3],
}

/// What is needed up to a day.
#[derive(Clone, Debug, PartialEq)]
pub struct Spread {
    /// On average.
    pub mean: f64,
    /// Its standard deviation.
    pub deviation: f64,
    /// Every amount it may be with its chance, in thousandths, where these are few.
    cases: Option<BTreeMap<i64, f64>>,
}

impl Spread {
    /// What is needed of some needs up to and with a day.
    pub fn up_to(needs: &[Need], last: ShopDay) -> Spread {
        let mut machines: BTreeMap<MachineId, [i64; 3]> = BTreeMap::new();
        for need in needs {
            let sums = machines.entry(need.machine).or_default();
            for (sum, days) in sums.iter_mut().zip(&need.days) {
                let times = days.iter().filter(|day| **day <= last).count();
                *sum += need.amount.0 * i64::try_from(times).unwrap_or(i64::MAX);
            }
        }
        let mut spread = Spread { mean: 0.0, deviation: 0.0, cases: Some(BTreeMap::from([(0, 1.0)])) };
        let mut variance = 0.0;
        for sums in machines.values() {
            let weighted = || sums.iter().map(|sum| units(Amount(*sum))).zip(WEIGHTS);
            let mean: f64 = weighted().map(|(sum, weight)| weight * sum).sum();
            spread.mean += mean;
            variance += weighted().map(|(sum, weight)| weight * (sum - mean).powi(2)).sum::<f64>();
            spread.cases = spread.cases.and_then(|cases| with_machine(&cases, sums));
        }
        spread.deviation = variance.sqrt();
        spread
    }

    /// What is needed until something comes whose days scatter: the same three cases, of a day that is early, usual or late.
    pub fn until_it_comes(needs: &[Need], usual: ShopDay, spread_days: u32) -> Spread {
        if spread_days == 0 {
            return Spread::up_to(needs, usual);
        }
        let off = i64::from(spread_days) * P90_OF_DEVIATION_PERMILLE / 1_000;
        let days = [usual.plus_days(-off), usual, usual.plus_days(off)];
        let all = days.map(|day| Spread::up_to(needs, day));
        let weighted = || all.iter().zip(WEIGHTS);
        let mean: f64 = weighted().map(|(of, weight)| weight * of.mean).sum();
        let square: f64 =
            weighted().map(|(of, weight)| weight * (of.deviation.powi(2) + of.mean.powi(2))).sum();
        let mut cases = Some(BTreeMap::new());
        for (of, weight) in all.iter().zip(WEIGHTS) {
            cases = cases.zip(of.cases.as_ref()).map(|(mut sums, of)| {
                for (amount, chance) in of {
                    *sums.entry(*amount).or_default() += weight * chance;
                }
                sums
            });
        }
        Spread { mean, deviation: (square - mean.powi(2)).max(0.0).sqrt(), cases }
    }

    /// What is not exceeded with a chance.
    pub fn quantile(&self, chance: f64) -> f64 {
        let Some(cases) = &self.cases else {
            return (self.mean + normal::quantile(chance) * self.deviation).max(0.0);
        };
        let mut so_far = 0.0;
        for (amount, of_it) in cases {
            so_far += of_it;
            if so_far >= chance - CHANCE_GRAIN {
                return units(Amount(*amount));
            }
        }
        cases.last_key_value().map_or(0.0, |(amount, _)| units(Amount(*amount)))
    }
}

/// The cases with one machine more; none once they are too many.
fn with_machine(cases: &BTreeMap<i64, f64>, sums: &[i64; 3]) -> Option<BTreeMap<i64, f64>> {
    let mut all: BTreeMap<i64, f64> = BTreeMap::new();
    for (amount, chance) in cases {
        for (sum, weight) in sums.iter().zip(WEIGHTS) {
            *all.entry(amount + sum).or_default() += chance * weight;
        }
    }
    (all.len() <= CASES_MAX).then_some(all)
}

/// What is expected to be needed on each day from the first on, on average.
pub fn daily_mean(needs: &[Need], first: ShopDay, days: usize) -> Vec<f64> {
    let mut daily = vec![0.0; days];
    for need in needs {
        for (of_pace, weight) in need.days.iter().zip(WEIGHTS) {
            add(&mut daily, of_pace, first, weight * units(need.amount));
        }
    }
    daily
}

/// What is needed on each day from the first on at the middle pace.
pub fn daily_middle(needs: &[Need], first: ShopDay, days: usize) -> Vec<f64> {
    let mut daily = vec![0.0; days];
    for need in needs {
        add(&mut daily, &need.days[1], first, units(need.amount));
    }
    daily
}

fn add(daily: &mut [f64], on: &[ShopDay], first: ShopDay, amount: f64) {
    for day in on {
        let place = usize::try_from(day.days_since(first)).unwrap_or(0);
        if let Some(sum) = daily.get_mut(place) {
            *sum += amount;
        }
    }
}

/// What is taken off the shelf by hand, as its past says.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ByHand {
    /// On a day, on average.
    pub per_day: f64,
    /// The standard deviation of what a week takes.
    pub week_deviation: f64,
}

impl ByHand {
    /// From what was taken on which days before today; a week begins seven days before another.
    pub fn of(issues: &[(ShopDay, Amount)], today: ShopDay) -> ByHand {
        let age = |day: ShopDay| today.days_since(day).clamp(0, BY_HAND_DAYS - 1);
        let Some(oldest) = issues.iter().map(|(day, _)| age(*day)).max() else { return ByHand::default() };
        let weeks = usize::try_from(oldest / 7 + 1).unwrap_or(1);
        let mut sums = vec![0.0; weeks];
        for (day, amount) in issues {
            let week = usize::try_from(age(*day) / 7).unwrap_or(0);
            sums[week] += units(*amount);
        }
        #[expect(clippy::cast_precision_loss, reason = "at most 26 weeks")]
        let count = weeks as f64;
        let mean = sums.iter().sum::<f64>() / count;
        let squares: f64 = sums.iter().map(|sum| (sum - mean).powi(2)).sum();
        let seen = (squares / (count - 1.0).max(1.0)).sqrt();
        let week_deviation = if weeks < WEEKS_MIN { SPREAD_SHARE * mean } else { seen };
        ByHand { per_day: mean / 7.0, week_deviation }
    }

    /// The variance of what some days take.
    pub fn variance(&self, days: f64) -> f64 {
        self.week_deviation.powi(2) * days / 7.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::ShopDay;

    fn day(days: i32) -> ShopDay {
        ShopDay::from_days(days)
    }

    fn need(machine: i64, amount: i64, days: [&[i32]; 3]) -> Need {
        let days = days.map(|days| days.iter().map(|of| day(*of)).collect());
        Need { machine: MachineId(machine), order: OrderNumber(machine), amount: Amount(amount), days }
    }

    /// One machine that takes 2 in seven cases of ten: mean 1.4, variance 4 × 0.7 × 0.3.
    #[test]
    fn three_paces_are_three_cases() {
        let needs = [need(1, 2_000, [&[5], &[10], &[20]])];
        let spread = Spread::up_to(&needs, day(12));
        assert!((spread.mean - 1.4).abs() < 1e-12 && (spread.deviation.powi(2) - 0.84).abs() < 1e-12);
        assert!((spread.quantile(0.95) - 2.0).abs() < 1e-12 && spread.quantile(0.3).abs() < 1e-12);
        assert!(Spread::up_to(&needs, day(4)).quantile(0.99).abs() < 1e-12);
        assert!((daily_mean(&needs, day(0), 30).iter().sum::<f64>() - 2.0).abs() < 1e-12);
        assert!((daily_middle(&needs, day(0), 30)[10] - 2.0).abs() < 1e-12);
    }

    /// Two machines that each take 1 with chance 0.3: none 0.49, one 0.42, two 0.09 (the binomial distribution).
    #[test]
    fn machines_go_by_themselves_and_tasks_of_one_together() {
        let apart = [need(1, 1_000, [&[5], &[30], &[30]]), need(2, 1_000, [&[5], &[30], &[30]])];
        let spread = Spread::up_to(&apart, day(12));
        assert!((spread.quantile(0.9) - 1.0).abs() < 1e-12 && (spread.quantile(0.92) - 2.0).abs() < 1e-12);
        let together = [apart[0].clone(), Need { machine: MachineId(1), ..apart[1].clone() }];
        let spread = Spread::up_to(&together, day(12));
        assert!((spread.quantile(0.72) - 2.0).abs() < 1e-12 && spread.quantile(0.69).abs() < 1e-12);
    }

    /// Early on day 4, usual on day 10, late on day 16: of one machine that takes 1 on day 12 only the late case takes.
    #[test]
    fn days_that_scatter_are_three_cases_too() {
        let needs = [need(1, 1_000, [&[12], &[12], &[12]])];
        assert!(Spread::until_it_comes(&needs, day(10), 0).mean.abs() < 1e-12);
        let spread = Spread::until_it_comes(&needs, day(10), 5);
        assert!((spread.mean - 0.3).abs() < 1e-12 && (spread.deviation.powi(2) - 0.21).abs() < 1e-12);
        assert!((spread.quantile(0.75) - 1.0).abs() < 1e-12 && spread.quantile(0.7).abs() < 1e-12);
    }

    #[test]
    fn many_cases_are_as_good_as_normal() {
        let many: Vec<Need> = (1..=60).map(|m| need(m, 1_000 + m, [&[5], &[5], &[30]])).collect();
        let spread = Spread::up_to(&many, day(12));
        assert!(spread.cases.is_none());
        let expect = spread.mean + 1.644_853_6 * spread.deviation;
        assert!((spread.quantile(0.95) - expect).abs() < 1e-6);
    }

    #[test]
    fn issues_by_hand_give_a_rate_and_a_spread() {
        assert_eq!(ByHand::of(&[], day(400)), ByHand::default());
        let short = ByHand::of(&[(day(390), Amount(7_000))], day(400));
        assert!((short.per_day - 0.5).abs() < 1e-12 && (short.week_deviation - 0.3 * 3.5).abs() < 1e-12);
        let weekly: Vec<(ShopDay, Amount)> = (0..10)
            .map(|week| (day(400 - week * 7), Amount(if week % 2 == 0 { 2_000 } else { 4_000 })))
            .collect();
        let long = ByHand::of(&weekly, day(400));
        assert!((long.per_day - 3.0 / 7.0).abs() < 1e-12);
        assert!((long.week_deviation - (10.0_f64 / 9.0).sqrt()).abs() < 1e-12, "{long:?}");
    }
}
