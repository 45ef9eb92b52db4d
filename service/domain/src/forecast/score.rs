//! How good forecasts were: held against what came, over any number of them.
//!
//! Data ends somewhere, so some of what was forecast had not come by then. The end is known when the forecast is made
//! and the same for every method, so both sides are capped there and no forecast is left out: the loss stays a proper
//! one (Gneiting and Raftery, "Strictly proper scoring rules, prediction, and estimation", 2007, from memory).

use super::outlook::Quantiles;
use super::passage::HORIZON;
use super::units::Days;
use super::usage::count;

/// What became of a forecast, in days after it was made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outcome {
    /// When the data ends.
    pub data_end: Days,
    /// When the hours had been run; none if not by the data's end.
    pub due: Option<Days>,
}

/// Figures of forecasts as they are collected.
#[derive(Clone, Debug, Default)]
pub struct Scores {
    cases: usize,
    open: usize,
    pinball: f64,
    misses: f64,
    width: f64,
    before_p10: Share,
    by_p50: Share,
    after_p90: Share,
    within: Share,
}

/// How good the forecasts were. A share has none where no forecast could be judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Score {
    /// How many forecasts.
    pub cases: usize,
    /// Of how many the hours had not been run by the data's end.
    pub open: usize,
    /// The mean pinball loss over the three quantiles: the main figure, the lower the better.
    pub pinball: Days,
    /// How far the median lay off, on the mean.
    pub off: Days,
    /// From p10 to p90, on the mean.
    pub width: Days,
    /// The share due before p10; a tenth is right. This share and the next three are taken over the forecasts whose
    /// quantile lies within the data: of those it is known, whatever came.
    pub before_p10: Option<f64>,
    /// The share due by the median; a half is right.
    pub by_p50: Option<f64>,
    /// The share due after p90; a tenth is right.
    pub after_p90: Option<f64>,
    /// The share due from p10 to p90; eight tenths are right.
    pub within: Option<f64>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Share {
    of: usize,
    those: usize,
}

impl Share {
    fn add(&mut self, is_one: bool) {
        self.of += 1;
        self.those += usize::from(is_one);
    }

    fn get(self) -> Option<f64> {
        (self.of > 0).then(|| count(self.those) / count(self.of))
    }
}

impl Scores {
    /// Adds a forecast with what became of it.
    pub fn add(&mut self, forecast: &Quantiles, outcome: &Outcome) {
        let end = outcome.data_end.0;
        let days = |quantile: Option<Days>| quantile.unwrap_or(HORIZON).0;
        let (p10, p50, p90) = (days(forecast.p10), days(forecast.p50), days(forecast.p90));
        let due = outcome.due.map_or(f64::INFINITY, |due| due.0);
        let came = due.min(end);
        let loss = |chance: f64, quantile: f64| {
            let late = came - quantile.min(end);
            (chance * late).max((chance - 1.0) * late)
        };
        self.cases += 1;
        self.open += usize::from(outcome.due.is_none());
        self.pinball += (loss(0.1, p10) + loss(0.5, p50) + loss(0.9, p90)) / 3.0;
        self.misses += (came - p50.min(end)).abs();
        self.width += p90.min(end) - p10.min(end);
        if p10 <= end {
            self.before_p10.add(due < p10);
        }
        if p50 <= end {
            self.by_p50.add(due <= p50);
        }
        if p90 <= end {
            self.after_p90.add(due > p90);
            self.within.add(p10 <= due && due <= p90);
        }
    }

    /// The figures; none without a forecast.
    pub fn score(&self) -> Option<Score> {
        let mean = |sum: f64| Days(sum / count(self.cases));
        (self.cases > 0).then(|| Score {
            cases: self.cases,
            open: self.open,
            pinball: mean(self.pinball),
            off: mean(self.misses),
            width: mean(self.width),
            before_p10: self.before_p10.get(),
            by_p50: self.by_p50.get(),
            after_p90: self.after_p90.get(),
            within: self.within.get(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn forecast(p10: f64, p50: f64, p90: f64) -> Quantiles {
        Quantiles { p10: Some(Days(p10)), p50: Some(Days(p50)), p90: Some(Days(p90)) }
    }

    // By hand: losses (0.1 x 2 + 0.5 x 1 + 0.1 x 1) / 3 for a due day of 11 within 9, 10, 12; nothing for a forecast
    // beyond the data's end that was right to lie there; and an early one is charged up to the end.
    #[test]
    fn losses_are_capped_at_the_datas_end() {
        let check = |forecast: Quantiles, due: Option<f64>, pinball: f64| {
            let mut scores = Scores::default();
            scores.add(&forecast, &Outcome { data_end: Days(20.0), due: due.map(Days) });
            let got = scores.score().unwrap().pinball.0;
            assert!((got - pinball).abs() < 1e-12, "{got}, expected {pinball}");
        };
        check(forecast(9.0, 10.0, 12.0), Some(11.0), (0.2 + 0.5 + 0.1) / 3.0);
        check(forecast(21.0, 22.0, 23.0), None, 0.0);
        check(Quantiles { p10: Some(Days(15.0)), p50: None, p90: None }, None, 0.5 / 3.0);
        check(forecast(10.0, 15.0, 30.0), None, (1.0 + 2.5) / 3.0);
    }

    #[test]
    fn shares_are_taken_over_what_can_be_judged() {
        let mut scores = Scores::default();
        let end = Days(20.0);
        scores.add(&forecast(5.0, 10.0, 15.0), &Outcome { data_end: end, due: Some(Days(4.0)) });
        scores.add(&forecast(5.0, 10.0, 15.0), &Outcome { data_end: end, due: Some(Days(15.0)) });
        scores.add(&forecast(5.0, 10.0, 25.0), &Outcome { data_end: end, due: None });
        let score = scores.score().unwrap();
        assert_eq!((score.cases, score.open), (3, 1));
        assert_eq!((score.before_p10, score.by_p50), (Some(1.0 / 3.0), Some(1.0 / 3.0)));
        assert_eq!((score.after_p90, score.within), (Some(0.0), Some(0.5)));
        assert_eq!(Scores::default().score(), None);
    }
}
