//! A line through median ranks: the second opinion on a Weibull fit, its plot, and how straight it is.

use super::solve::root;
use super::{Life, NotTold, Seen, checked};
use crate::statistics::number;
use statrs::function::beta::beta_reg;

/// The share of straight lines that are poorer, for so many failures: 1 in 10 (simulated, 100,000 complete sets each).
const STRAIGHT: [(f64, f64); 10] = [
    (3.0, 0.794),
    (4.0, 0.800),
    (5.0, 0.808),
    (6.0, 0.820),
    (8.0, 0.843),
    (10.0, 0.860),
    (15.0, 0.887),
    (20.0, 0.904),
    (30.0, 0.925),
    (50.0, 0.945),
];

/// How the share that has failed by a rank is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MedianRank {
    /// Benard's (rank - 0.3) / (n + 0.4).
    Benard,
    /// The median of the beta distribution of the rank.
    Exact,
}

/// Failures on Weibull paper, and the lines through them.
#[derive(Clone, Debug, PartialEq)]
pub struct Ranked {
    /// The adjusted rank of each failure in order of age.
    pub ranks: Vec<f64>,
    /// The line of ages on shares, the usual one.
    pub ages_on_shares: Line,
    /// The line of shares on ages.
    pub shares_on_ages: Line,
    /// How much of the scatter the line explains.
    pub r_squared: f64,
}

/// A line on Weibull paper.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Its shape.
    pub shape: f64,
    /// Its scale.
    pub scale: f64,
}

/// Lines through the median ranks of failures at known ages among lives that lasted longer. Lives of which only an interval is
/// known, or which were looked at from an age on, have no rank.
pub fn ranked(lives: &[Life], by: MedianRank) -> Result<Ranked, NotTold> {
    checked(lives, 2)?;
    if lives.iter().any(|life| life.entered > 0.0 || matches!(life.seen, Seen::Between(..))) {
        return Err(NotTold::Unfit("ranks need ages that are known, from new on"));
    }
    let mut sorted = lives.to_vec();
    // Of equal ages the failure comes first: what lasted, lasted at least so long.
    sorted.sort_by(|one, other| one.age().total_cmp(&other.age()).then(other.failed().cmp(&one.failed())));
    let count = number(sorted.len());
    let (mut rank, mut ranks, mut points) = (0.0, Vec::new(), Vec::new());
    for (before, life) in sorted.iter().enumerate() {
        if life.failed() {
            rank += (count + 1.0 - rank) / (1.0 + count - number(before));
            ranks.push(rank);
            points.push((life.age().ln(), (-(-share(by, rank, count)).ln_1p()).ln()));
        }
    }
    lines(ranks, &points)
}

fn share(by: MedianRank, rank: f64, count: f64) -> f64 {
    match by {
        MedianRank::Benard => (rank - 0.3) / (count + 0.4),
        MedianRank::Exact => root(|x| beta_reg(rank, count - rank + 1.0, x) - 0.5, 0.0, 1.0),
    }
}

fn lines(ranks: Vec<f64>, points: &[(f64, f64)]) -> Result<Ranked, NotTold> {
    let count = number(points.len());
    let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / count;
    let (age, share) = (mean(|point| point.0), mean(|point| point.1));
    let sum = |of: &dyn Fn(f64, f64) -> f64| points.iter().map(|(x, y)| of(x - age, y - share)).sum::<f64>();
    let (ages, shares, both) = (sum(&|x, _| x * x), sum(&|_, y| y * y), sum(&|x, y| x * y));
    if ages <= 0.0 {
        return Err(NotTold::NoMaximum);
    }
    let line = |shape: f64| Line { shape, scale: (age - share / shape).exp() };
    Ok(Ranked {
        ranks,
        ages_on_shares: line(shares / both),
        shares_on_ages: line(both / ages),
        r_squared: both * both / (ages * shares),
    })
}

/// Whether a line is poorer than nine in ten of truly straight ones with so many failures; none below three failures.
pub fn is_poor(failures: usize, r_squared: f64) -> Option<bool> {
    let count = number(failures);
    let (first, last) = (STRAIGHT[0], STRAIGHT[STRAIGHT.len() - 1]);
    if count < first.0 {
        return None;
    }
    let between = STRAIGHT.windows(2).find(|pair| count <= pair[1].0);
    let wanted = between.map_or(last.1, |pair| {
        let share = (count - pair[0].0) / (pair[1].0 - pair[0].0);
        pair[0].1 + share * (pair[1].1 - pair[0].1)
    });
    Some(r_squared < wanted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_is_found_whole_and_a_kink_is_poor() {
        let at = |rank: f64| {
            let share = (rank - 0.3) / 8.4;
            Life::new(Seen::Failed(100.0 * (-(-share).ln_1p()).powf(0.5)))
        };
        let lives: Vec<Life> = (1..=8_u32).map(|rank| at(f64::from(rank))).collect();
        let found = ranked(&lives, MedianRank::Benard).expect("a line");
        assert!(
            (found.ages_on_shares.shape - 2.0).abs() < 1e-12
                && (found.ages_on_shares.scale - 100.0).abs() < 1e-9
        );
        assert!(found.r_squared > 1.0 - 1e-12);
        assert_eq!(is_poor(8, found.r_squared), Some(false));
        let kink: Vec<Life> =
            [1.0, 1.1, 1.2, 1.3, 900.0, 950.0, 1000.0, 1010.0].map(|age| Life::new(Seen::Failed(age))).into();
        assert_eq!(is_poor(8, ranked(&kink, MedianRank::Exact).expect("a line").r_squared), Some(true));
        assert_eq!((is_poor(2, 1.0), is_poor(7, 0.83), is_poor(900, 0.95)), (None, Some(true), Some(false)));
    }

    #[test]
    fn what_has_no_rank_is_refused() {
        let failed = Life::new(Seen::Failed(3.0));
        assert!(ranked(&[failed, Life::new(Seen::Between(1.0, 2.0))], MedianRank::Exact).is_err());
        assert!(
            ranked(&[failed, Life { seen: Seen::Failed(4.0), entered: 1.0 }], MedianRank::Exact).is_err()
        );
        assert_eq!(ranked(&[failed, failed], MedianRank::Benard), Err(NotTold::NoMaximum));
        assert_eq!(ranked(&[failed], MedianRank::Benard), Err(NotTold::TooFewFailures { has: 1, needs: 2 }));
    }
}
