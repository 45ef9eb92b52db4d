//! A path of use: what a meter will have run by the times ahead, at one chance throughout.

use super::outlook::Outlook;
use super::passage::HOURS_PER_DAY_MOST;
use super::units::{Days, Hours};

/// How many halvings find what runs between two times: 24 hours to three seconds.
const HALVINGS: u32 = 15;

impl Outlook {
    /// What will have been run by the end of each of some rising spans from now: the most of which it can be said, with the
    /// given chance (above 0 and below 1), that at least so much will have been run by then.
    ///
    /// It is the inverse of [`Outlook::quantile`]: so many hours are reached along the path when that quantile says so,
    /// to within what an even course between two ends hides. The path never falls, and no day has more than 24 hours.
    pub fn path(&self, chance: f64, ends: impl IntoIterator<Item = Days>) -> Vec<Hours> {
        let mut before = (Days(0.0), 0.0);
        let next = |end: Days| {
            let (day, ran) = before;
            let most = ran + HOURS_PER_DAY_MOST * (end.0 - day.0).max(0.0);
            before = (end, self.most_by(end, chance, (ran, most)));
            Hours(before.1)
        };
        ends.into_iter().map(next).collect()
    }

    /// The most that will have been run within some days with a chance, between two bounds.
    fn most_by(&self, days: Days, chance: f64, (mut low, mut high): (f64, f64)) -> f64 {
        let is_likely = |hours: f64| self.chance_within(Hours(hours), days) >= chance;
        if is_likely(high) {
            return high;
        }
        for _ in 0..HALVINGS {
            let middle = f64::midpoint(low, high);
            if is_likely(middle) { low = middle } else { high = middle }
        }
        low
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::{Course, FleetFigures, PlannedUse, Statistics};

    fn steady() -> Statistics {
        Statistics {
            reports: 100,
            age: Days(100.0),
            weighted_hours: Hours(560.0),
            weighted_days: Days(70.0),
            ..Statistics::NONE
        }
    }

    #[test]
    fn a_threshold_is_reached_along_the_path_when_its_quantile_says_so() {
        let outlook = Outlook::with_course(&steady(), &FleetFigures::ASSUMED, Course::EVEN);
        for chance in [0.1, 0.5, 0.9] {
            let path = outlook.path(chance, (1..=400).map(|day| Days(f64::from(day))));
            assert!(path.is_sorted_by(|a, b| a.0 <= b.0));
            for hours in [30.0, 250.0, 1_000.0] {
                let day = outlook.quantile(Hours(hours), chance).expect("within ten years").0;
                let reached = path.iter().position(|ran| ran.0 >= hours).expect("within 400 days");
                #[expect(clippy::cast_precision_loss, reason = "a number of days")]
                let reached = reached as f64;
                assert!(
                    (reached..=reached + 1.001).contains(&day),
                    "{hours} h at {chance}: {day}, {reached}"
                );
            }
        }
    }

    #[test]
    fn what_is_planned_is_certain_at_every_chance() {
        let plan = PlannedUse { start: Days(0.0), end: Days(100.0), hours: Hours(800.0) };
        let course = Course::EVEN.with_planned(&[plan]);
        let outlook = Outlook::with_course(&steady(), &FleetFigures::ASSUMED, course);
        for chance in [0.1, 0.5, 0.9] {
            let path = outlook.path(chance, [10.0, 50.0, 100.0].map(Days));
            for (ran, expect) in path.iter().zip([80.0, 400.0, 800.0]) {
                assert!((ran.0 - expect).abs() < 0.05, "{ran:?} for {expect}");
            }
        }
    }
}
