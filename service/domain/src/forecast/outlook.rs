//! The forecast of one machine's meter: when it will have run so many hours more.

use super::course::Course;
use super::fleet::FleetFigures;
use super::passage::{Passage, Way, least_days};
use super::rate::Rate;
use super::units::{Days, Hours};
use super::usage::{Statistics, Usage};
use crate::time::Ts;
use serde::{Deserialize, Serialize};

/// A silence counts as long from so many days on, and from so many usual gaps on.
const SILENT_DAYS: f64 = 14.0;
const SILENT_GAPS: f64 = 3.0;
/// How many halvings find a time within a planned shift: of 31 days to less than a second.
const HALVINGS: u32 = 22;

/// What the forecast of a meter rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// No report at all: what a machine of the fleet runs.
    Fleet,
    /// One report, which says when counting began and not yet how fast the machine runs.
    OneReport,
    /// Its own reports.
    Reports,
}

/// A meter's time ahead, as known at an instant. It is made once and asked for every task of the meter.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlook {
    /// The rate expected.
    pub rate: Rate,
    /// What it rests on.
    pub basis: Basis,
    /// Whether reports have stayed away for unusually long, for longer than 14 days: the machine may stand, or its
    /// reports may be late; its dates are then no promise.
    pub silent: bool,
    drift: f64,
    course: Course,
}

/// When a meter will have run so many hours more, in days from now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Due {
    /// It has: there is nothing left to forecast.
    Reached,
    /// It has not.
    Ahead(Quantiles),
}

/// Days within which the hours will have been run with a chance of 10, 50 and 90 in 100; none beyond the horizon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantiles {
    /// One in ten.
    pub p10: Option<Days>,
    /// The median.
    pub p50: Option<Days>,
    /// Nine in ten.
    pub p90: Option<Days>,
}

impl Outlook {
    /// The outlook at an instant, from the reports that had ended by then and the figures of the fleet, with the weekly
    /// pattern of the machine's own past.
    pub fn of(usage: &Usage, fleet: &FleetFigures, now: Ts) -> Outlook {
        Outlook::with_course(&usage.statistics(now), fleet, Course::of_week(usage, now))
    }

    /// The outlook of a machine with these statistics, for a given course of the time ahead.
    pub fn with_course(own: &Statistics, fleet: &FleetFigures, course: Course) -> Outlook {
        let basis = match own.reports {
            0 => Basis::Fleet,
            1 => Basis::OneReport,
            _ => Basis::Reports,
        };
        Outlook {
            rate: Rate::of(own, fleet),
            basis,
            silent: own.gap.0 > SILENT_DAYS.max(SILENT_GAPS * own.usual_gap.0),
            drift: fleet.drift,
            course,
        }
    }

    /// When so many hours more will have been run.
    pub fn due(&self, remaining: Hours) -> Due {
        if remaining.0 <= 0.0 {
            return Due::Reached;
        }
        let way = self.way(remaining);
        let quantile = |chance| self.quantile_on(way.as_ref(), remaining, chance);
        Due::Ahead(Quantiles { p10: quantile(0.1), p50: quantile(0.5), p90: quantile(0.9) })
    }

    /// The days within which so many hours more will have been run with the given chance, above 0 and below 1; none
    /// beyond the horizon of ten years.
    pub fn quantile(&self, remaining: Hours, chance: f64) -> Option<Days> {
        if remaining.0 <= 0.0 {
            return Some(Days(0.0));
        }
        self.quantile_on(self.way(remaining).as_ref(), remaining, chance)
    }

    /// The chance that so many hours more will have been run within some days of the clock: of a calendar limit, that
    /// the meter comes first.
    pub fn chance_within(&self, remaining: Hours, days: Days) -> f64 {
        if days.0 < least_days(remaining).0 {
            return 0.0;
        }
        let elapsed = self.course.elapsed(days);
        self.passage().chance(Hours(remaining.0 - elapsed.planned.0), elapsed.load)
    }

    fn passage(&self) -> Passage {
        Passage { rate: self.rate, drift: self.drift }
    }

    fn quantile_on(&self, way: Option<&Way>, remaining: Hours, chance: f64) -> Option<Days> {
        let days = if self.course.has_planned() {
            match self.in_known_stretch(remaining, chance) {
                Some(days) => days,
                None => self.course.after_known(way?.quantile(chance)?),
            }
        } else {
            self.course.at_load(way?.quantile(chance)?)
        };
        Some(Days(days.0.max(least_days(remaining).0)))
    }

    /// The way to the hours by the load alone; where some are planned, the way after the stretches that are known one by
    /// one, and none where plans alone reach the hours.
    fn way(&self, remaining: Hours) -> Option<Way> {
        if !self.course.has_planned() {
            return Some(self.passage().way(remaining, Days(0.0)));
        }
        let known = self.course.all_known();
        let left = Hours(remaining.0 - known.planned.0);
        (left.0 > 0.0).then(|| self.passage().way(left, known.load))
    }

    fn in_known_stretch(&self, remaining: Hours, chance: f64) -> Option<Days> {
        let passage = self.passage();
        let is_reached = |elapsed: super::course::Elapsed| {
            passage.chance(Hours(remaining.0 - elapsed.planned.0), elapsed.load) >= chance
        };
        let stretch = self.course.first_known(is_reached)?;
        if let Some(before) = stretch.before {
            let left = Hours(remaining.0 - before.planned.0);
            return Some(self.course.at_load(passage.way(left, Days(0.0)).quantile(chance)?));
        }
        let (mut from, mut until) = (stretch.start, stretch.end);
        for _ in 0..HALVINGS {
            let middle = Days(f64::midpoint(from.0, until.0));
            if is_reached(self.course.elapsed(middle)) { until = middle } else { from = middle }
        }
        Some(until)
    }
}

impl Quantiles {
    /// The same with a limit by the calendar that stands after so many days: whichever comes first.
    #[must_use]
    pub fn limited_to(self, limit: Days) -> Quantiles {
        let limited = |days: Option<Days>| Some(Days(days.map_or(limit.0, |days| days.0.min(limit.0))));
        Quantiles { p10: limited(self.p10), p50: limited(self.p50), p90: limited(self.p90) }
    }
}
