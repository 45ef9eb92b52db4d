//! What few failures say together with what is known beforehand of shape and scale, on a fixed grid: no sampler, no chance.

use super::likelihood::{AtShape, Likelihood};
use super::weibull::Weibull;
use super::{Life, NotTold, checked};
use crate::statistics::legendre::rule;

/// Points of the grid in each direction.
const POINTS: usize = 200;
/// How far the grid reaches from the likeliest point, in spreads of what is known beforehand.
const REACH: f64 = 6.0;
/// How often the likeliest point is looked for on a finer lattice, and its points in each direction to one side.
const ZOOMS: u32 = 12;
const LATTICE: i32 = 8;
/// Points that weigh less than this share of the whole are left out of means over ages.
const LIGHT: f64 = 1e-10;

/// What is known beforehand: the logarithms of shape and scale are normal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beforehand {
    /// The middle shape.
    pub shape: f64,
    /// The standard deviation of its logarithm.
    pub ln_shape_spread: f64,
    /// The middle scale.
    pub scale: f64,
    /// The standard deviation of its logarithm.
    pub ln_scale_spread: f64,
}

/// Shapes and scales with their weights, which sum to 1.
pub struct Posterior {
    shapes: Vec<(f64, f64)>,
    scales: Vec<(f64, f64)>,
    lives: Vec<(Weibull, f64)>,
}

/// Mean and quantiles of a shape or a scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// The mean.
    pub mean: f64,
    /// With a chance of 5 in 100 it is less.
    pub p5: f64,
    /// The middle.
    pub p50: f64,
    /// With a chance of 5 in 100 it is more.
    pub p95: f64,
}

/// Weighs what is known beforehand by lives.
pub fn posterior(lives: &[Life], beforehand: Beforehand) -> Result<Posterior, NotTold> {
    checked(lives, 0)?;
    let Beforehand { shape, ln_shape_spread, scale, ln_scale_spread } = beforehand;
    if ![shape, ln_shape_spread, scale, ln_scale_spread].iter().all(|value| *value > 0.0 && value.is_finite())
    {
        return Err(NotTold::Unfit("shape, scale and their spreads lie above 0"));
    }
    let likelihood = (!lives.is_empty()).then(|| Likelihood::of(lives));
    // Without any life the unit of age is that of what is known.
    let unit = likelihood.as_ref().map_or(0.0, |likelihood| likelihood.ln_unit);
    let weigher = Weigher {
        likelihood,
        middle: (shape.ln(), scale.ln() - unit),
        spread: (ln_shape_spread, ln_scale_spread),
    };
    let reach = (REACH * ln_shape_spread, REACH * ln_scale_spread);
    let top = weigher.likeliest(reach);
    let most = weigher.column(top.0).ln_weight(top.1);
    let us = rule(top.0 - reach.0, top.0 + reach.0, POINTS);
    let vs = rule(top.1 - reach.1, top.1 + reach.1, POINTS);
    let mut weights = Vec::with_capacity(POINTS * POINTS);
    for (u, share) in &us {
        let column = weigher.column(*u);
        weights.extend(vs.iter().map(|(v, other)| share * other * (column.ln_weight(*v) - most).exp()));
    }
    Ok(Posterior::of(&us, &vs, &weights, unit))
}

/// What weighs a shape and a scale, both as logarithms.
struct Weigher {
    likelihood: Option<Likelihood>,
    middle: (f64, f64),
    spread: (f64, f64),
}

/// The same at one shape, for which most of the work is done once.
struct Column<'w> {
    weigher: &'w Weigher,
    shape: f64,
    off: f64,
    told: Option<AtShape>,
}

impl Weigher {
    fn column(&self, ln_shape: f64) -> Column<'_> {
        let shape = ln_shape.exp();
        let off = ((ln_shape - self.middle.0) / self.spread.0).powi(2);
        let told = self.likelihood.as_ref().map(|likelihood| likelihood.at(shape));
        Column { weigher: self, shape, off, told }
    }

    /// The likeliest point: the best of a lattice that narrows around it and may move.
    fn likeliest(&self, reach: (f64, f64)) -> (f64, f64) {
        let (mut at, mut wide) = (self.middle, reach);
        let mut best = self.column(at.0).ln_weight(at.1);
        let step = |index: i32, wide: f64| f64::from(index) * wide / f64::from(LATTICE);
        for _ in 0..ZOOMS {
            let centre = at;
            for i in -LATTICE..=LATTICE {
                let u = centre.0 + step(i, wide.0);
                let column = self.column(u);
                for v in (-LATTICE..=LATTICE).map(|j| centre.1 + step(j, wide.1)) {
                    let value = column.ln_weight(v);
                    if value > best {
                        (at, best) = ((u, v), value);
                    }
                }
            }
            wide = (wide.0 / 2.0, wide.1 / 2.0);
        }
        at
    }
}

impl Column<'_> {
    fn ln_weight(&self, ln_scale: f64) -> f64 {
        let off = self.off + ((ln_scale - self.weigher.middle.1) / self.weigher.spread.1).powi(2);
        let told = self.told.as_ref().map_or(0.0, |told| told.value(-self.shape * ln_scale));
        told - off / 2.0
    }
}

impl Posterior {
    fn of(us: &[(f64, f64)], vs: &[(f64, f64)], weights: &[f64], unit: f64) -> Posterior {
        let whole: f64 = weights.iter().sum();
        let mut shapes: Vec<(f64, f64)> = us.iter().map(|(u, _)| (*u, 0.0)).collect();
        let mut scales: Vec<(f64, f64)> = vs.iter().map(|(v, _)| (v + unit, 0.0)).collect();
        let mut lives = Vec::new();
        for (i, row) in weights.chunks(vs.len()).enumerate() {
            for (j, weight) in row.iter().enumerate() {
                let share = weight / whole;
                shapes[i].1 += share;
                scales[j].1 += share;
                if share > LIGHT {
                    let life = Weibull::new(shapes[i].0.exp(), scales[j].0.exp());
                    lives.extend(life.ok().map(|life| (life, share)));
                }
            }
        }
        Posterior { shapes, scales, lives }
    }

    /// The shape.
    pub fn shape(&self) -> Spread {
        spread(&self.shapes)
    }

    /// The scale.
    pub fn scale(&self) -> Spread {
        spread(&self.scales)
    }

    /// The mean over all lives of what each gives.
    pub fn mean(&self, of: impl Fn(Weibull) -> f64) -> f64 {
        let whole: f64 = self.lives.iter().map(|(_, share)| share).sum();
        self.lives.iter().map(|(life, share)| share * of(*life)).sum::<f64>() / whole
    }

    /// The chance to last beyond an age.
    pub fn lasts(&self, age: f64) -> f64 {
        self.mean(|life| life.lasts(age))
    }

    /// The mean life of those that are taken out at an age at the latest.
    pub fn mean_up_to(&self, age: f64) -> f64 {
        self.mean(|life| life.mean_up_to(age))
    }
}

impl Posterior {
    /// Between which values the middle 90 % lie of what each life gives.
    pub fn middle_ninety(&self, of: impl Fn(Weibull) -> f64) -> [f64; 2] {
        let mut values: Vec<(f64, f64)> =
            self.lives.iter().map(|(life, share)| (of(*life), *share)).collect();
        values.sort_by(|one, other| one.0.total_cmp(&other.0));
        let at = |share: f64| {
            let mut below = 0.0;
            let reaches = |(value, weight): &(f64, f64)| {
                below += weight;
                (below >= share).then_some(*value)
            };
            values.iter().find_map(reaches).or(values.last().map(|(value, _)| *value)).unwrap_or(f64::NAN)
        };
        [at(0.05), at(0.95)]
    }
}

/// From logarithms and their weights. The part of a weight below its point is half of it.
fn spread(points: &[(f64, f64)]) -> Spread {
    let quantile = |share: f64| {
        let (mut below, mut last) = (0.0, None);
        for (place, weight) in points {
            let here = below + weight / 2.0;
            if here >= share {
                let Some((before, reached)) = last else { return place.exp() };
                let part = (share - reached) / (here - reached);
                return f64::exp(before + part * (place - before));
            }
            last = Some((*place, here));
            below += weight;
        }
        points.last().map_or(f64::NAN, |(place, _)| place.exp())
    };
    Spread {
        mean: points.iter().map(|(place, weight)| place.exp() * weight).sum(),
        p5: quantile(0.05),
        p50: quantile(0.5),
        p95: quantile(0.95),
    }
}

#[cfg(test)]
mod tests {
    use super::super::Seen;
    use super::*;

    const BEFORE: Beforehand =
        Beforehand { shape: 2.0, ln_shape_spread: 0.3, scale: 100.0, ln_scale_spread: 1.0 };

    /// Without any life, what is known beforehand stays: the moments of a lognormal distribution.
    #[test]
    fn nothing_seen_changes_nothing() {
        let found = posterior(&[], BEFORE).expect("a grid");
        let (shape, scale) = (found.shape(), found.scale());
        assert!((shape.mean / (2.0 * f64::exp(0.045)) - 1.0).abs() < 1e-6, "{shape:?}");
        assert!((scale.mean / (100.0 * f64::exp(0.5)) - 1.0).abs() < 1e-6, "{scale:?}");
        assert!(
            (scale.p50 / 100.0 - 1.0).abs() < 1e-3
                && (scale.p5 / (100.0 * f64::exp(-1.644_854)) - 1.0).abs() < 5e-3
        );
    }

    #[test]
    fn good_ages_lengthen_and_failures_shorten_life() {
        let with = |seen: Seen| posterior(&[Life::new(seen); 3], BEFORE).expect("a grid").lasts(80.0);
        let none = posterior(&[], BEFORE).expect("a grid").lasts(80.0);
        assert!(with(Seen::Good(150.0)) > none && with(Seen::Failed(30.0)) < none);
        assert!(posterior(&[], Beforehand { shape: 0.0, ..BEFORE }).is_err());
    }
}
