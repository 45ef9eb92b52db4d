//! The course of the time ahead: which days bear how much of a machine's load, and what is planned for it.
//!
//! The forecast counts in average days. A course turns them into days of the clock: by the weekly pattern learnt from
//! the machine's own past, by a known work calendar, and by planned use, whose hours stand for certain and take the
//! place of the rate.

use super::passage::HOURS_PER_DAY_MOST;
use super::units::{Days, Hours};
use super::usage::{HALF_LIFE_DAYS, Usage, count};
use crate::time::Ts;

/// How many whole weeks a weekly pattern needs.
const WEEKS_LEAST: usize = 4;

/// Use that is planned: so many hours in a stretch ahead, in days from now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlannedUse {
    /// From when.
    pub start: Days,
    /// Until when.
    pub end: Days,
    /// What is to run in it; nothing says that the machine will stand.
    pub hours: Hours,
}

/// The time ahead of a machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    /// Stretches that are known one by one, from now on without a hole.
    known: Vec<Stretch>,
    /// The load of the first, second … 24 hours from now, relative to an average day; it repeats after a week and rules
    /// where nothing else is known.
    week: [f64; 7],
}

/// A stretch of even load, with what came before it.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Stretch {
    start: f64,
    end: f64,
    /// Average days in a day of the clock.
    load: f64,
    /// Planned hours in a day of the clock.
    planned: f64,
    before: Elapsed,
}

/// A known stretch within which something comes about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Reached {
    pub(super) start: Days,
    pub(super) end: Days,
    /// What had elapsed before it, where nothing is planned in it, so that it comes about by the load alone.
    pub(super) before: Option<Elapsed>,
}

/// What has elapsed by a time ahead.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Elapsed {
    /// In average days.
    pub(super) load: Days,
    /// In planned hours.
    pub(super) planned: Hours,
}

impl Stretch {
    /// When so many average days have elapsed, which they have by its end.
    fn at_load(&self, load: Days) -> Days {
        let more = load.0 - self.before.load.0;
        if more > 0.0 && self.load > 0.0 { Days(self.start + more / self.load) } else { Days(self.start) }
    }

    fn elapsed(&self, at: f64) -> Elapsed {
        let since = at.clamp(self.start, self.end) - self.start;
        Elapsed {
            load: Days(self.before.load.0 + self.load * since),
            planned: Hours(self.before.planned.0 + self.planned * since),
        }
    }
}

impl Course {
    /// Every day alike.
    pub const EVEN: Course = Course { known: Vec::new(), week: [1.0; 7] };

    /// The weekly pattern of a machine's own past. It is trusted as far as it stands out from the scatter of days, so
    /// that a machine without one gets none; the days are counted back from `now`, and need no calendar.
    pub fn of_week(usage: &Usage, now: Ts) -> Course {
        let weeks = usage.weeks(now);
        let days = usage.daily(now, 7 * weeks);
        let mean = days.iter().sum::<f64>() / count(days.len().max(1));
        if weeks < WEEKS_LEAST || mean <= 0.0 {
            return Course::EVEN;
        }
        // The first 24 hours from now are of the same weekday as the seventh back.
        let sums: [f64; 7] = std::array::from_fn(|ahead| days.iter().skip(6 - ahead).step_by(7).sum::<f64>());
        let loads = sums.map(|sum| sum / (count(weeks) * mean));
        let of_weekday = |back: usize| sums[6 - back % 7] / count(weeks);
        let scatter =
            days.iter().enumerate().map(|(back, ran)| (ran - of_weekday(back)).powi(2)).sum::<f64>();
        let noise = scatter / (7.0 * count(weeks - 1)) / count(weeks) / (mean * mean);
        let between = (loads.iter().map(|load| (load - 1.0).powi(2)).sum::<f64>() / 6.0 - noise).max(0.0);
        let trust = if between + noise > 0.0 { between / (between + noise) } else { 0.0 };
        Course { known: Vec::new(), week: loads.map(|load| 1.0 + trust * (load - 1.0)) }
    }

    /// A known work calendar: which of the days before now were worked, the newest first, and which of the days ahead
    /// will be. A worked day bears what the share of worked days, weighed as the rate weighs them, leaves to it; the
    /// others bear nothing. After the days given, every day bears an average day's load.
    pub fn of_calendar(worked_before: &[bool], worked_ahead: &[bool]) -> Course {
        let weights = (0..worked_before.len()).map(|back| (-count(back) / HALF_LIFE_DAYS).exp2());
        let (mut all, mut worked) = (0.0, 0.0);
        for (weight, was_worked) in weights.zip(worked_before) {
            all += weight;
            worked += if *was_worked { weight } else { 0.0 };
        }
        let load = if worked > 0.0 { all / worked } else { 1.0 };
        let mut course = Course::EVEN;
        for (day, is_worked) in worked_ahead.iter().enumerate() {
            course.push(count(day + 1), if *is_worked { load } else { 0.0 }, 0.0);
        }
        course
    }

    /// The course with planned use in it. Where plans overlap they are taken as one, with the sum of their hours; no more
    /// is planned than a stretch can hold.
    #[must_use]
    pub fn with_planned(&self, plans: &[PlannedUse]) -> Course {
        let mut course = Course { known: Vec::new(), week: self.week };
        for plan in merged(plans) {
            course.follow(self, plan.start.0);
            let length = plan.end.0 - plan.start.0;
            course.push(plan.end.0, 0.0, (plan.hours.0 / length).min(HOURS_PER_DAY_MOST));
        }
        course.follow(self, self.known_until());
        course
    }

    /// Adds the stretches of another course, from where this one ends to `until`.
    fn follow(&mut self, other: &Course, until: f64) {
        for stretch in other.known.iter().filter(|stretch| stretch.start < until) {
            if stretch.end > self.known_until() {
                self.push(stretch.end.min(until), stretch.load, stretch.planned);
            }
        }
        while self.known_until() < until {
            let from = self.known_until();
            let next_day = from.floor() + 1.0;
            self.push(next_day.min(until), self.week[weekday(from)], 0.0);
        }
    }

    fn push(&mut self, end: f64, load: f64, planned: f64) {
        // Days that are alike are one stretch: a year of five-day weeks is a hundred of them.
        if let Some(last) = self.known.last_mut()
            && (last.load, last.planned) == (load, planned)
        {
            last.end = end;
            return;
        }
        let start = self.known_until();
        let before = self.known.last().map_or_else(Elapsed::default, |last| last.elapsed(last.end));
        self.known.push(Stretch { start, end, load, planned, before });
    }

    fn known_until(&self) -> f64 {
        self.known.last().map_or(0.0, |last| last.end)
    }

    /// What elapses by a time ahead.
    pub(super) fn elapsed(&self, by: Days) -> Elapsed {
        let at = self.known.partition_point(|stretch| stretch.end < by.0);
        if let Some(stretch) = self.known.get(at) {
            return stretch.elapsed(by.0);
        }
        let known = self.all_known();
        let weekly = self.in_weeks(by.0) - self.in_weeks(self.known_until());
        Elapsed { load: Days(known.load.0 + weekly), ..known }
    }

    /// What elapses in the stretches that are known one by one.
    pub(super) fn all_known(&self) -> Elapsed {
        self.known.last().map_or_else(Elapsed::default, |last| last.elapsed(last.end))
    }

    /// Whether hours are planned in it, so that more than average days elapse.
    pub(super) fn has_planned(&self) -> bool {
        self.all_known().planned.0 > 0.0
    }

    /// When so many average days have elapsed.
    pub(super) fn at_load(&self, load: Days) -> Days {
        let at = self.known.partition_point(|stretch| stretch.elapsed(stretch.end).load.0 < load.0);
        match self.known.get(at) {
            Some(stretch) => stretch.at_load(load),
            None => self.after_known(load),
        }
    }

    /// When so many average days have elapsed, of all that lie after the known stretches.
    pub(super) fn after_known(&self, load: Days) -> Days {
        let more = (load.0 - self.all_known().load.0).max(0.0);
        Days(self.out_of_weeks(self.in_weeks(self.known_until()) + more))
    }

    /// The first known stretch by whose end `is_reached` holds; it holds ever after.
    pub(super) fn first_known(&self, is_reached: impl Fn(Elapsed) -> bool) -> Option<Reached> {
        let at = self.known.partition_point(|stretch| !is_reached(stretch.elapsed(stretch.end)));
        let stretch = self.known.get(at)?;
        let before = (stretch.planned <= 0.0).then_some(stretch.before);
        Some(Reached { start: Days(stretch.start), end: Days(stretch.end), before })
    }

    /// The average days in the first `days` of the weekly pattern.
    fn in_weeks(&self, days: f64) -> f64 {
        let whole = (days / 7.0).floor() * 7.0;
        let mut load = whole;
        let mut left = days - whole;
        for of_day in self.week {
            load += of_day * left.clamp(0.0, 1.0);
            left -= 1.0;
        }
        load
    }

    /// The days of the weekly pattern in which so many average days elapse; the inverse of [`Course::in_weeks`].
    fn out_of_weeks(&self, load: f64) -> f64 {
        let whole = (load / 7.0).floor() * 7.0;
        let mut left = load - whole;
        let mut day = whole;
        for of_day in self.week {
            if left <= of_day {
                return if of_day > 0.0 { day + left / of_day } else { day };
            }
            left -= of_day;
            day += 1.0;
        }
        day
    }
}

/// Plans in order, those that overlap made one, what lies behind cut off.
fn merged(plans: &[PlannedUse]) -> Vec<PlannedUse> {
    let mut ahead: Vec<PlannedUse> = plans.iter().filter_map(|plan| ahead_of_now(*plan)).collect();
    ahead.sort_unstable_by(|a, b| {
        let times = a.start.0.total_cmp(&b.start.0).then(a.end.0.total_cmp(&b.end.0));
        times.then(a.hours.0.total_cmp(&b.hours.0))
    });
    let mut merged: Vec<PlannedUse> = Vec::with_capacity(ahead.len());
    for plan in ahead {
        match merged.last_mut().filter(|last| plan.start.0 < last.end.0) {
            Some(last) => {
                last.end = Days(last.end.0.max(plan.end.0));
                last.hours = Hours(last.hours.0 + plan.hours.0);
            }
            None => merged.push(plan),
        }
    }
    merged
}

/// The part of a plan that lies ahead, with its share of the hours.
fn ahead_of_now(plan: PlannedUse) -> Option<PlannedUse> {
    let (start, end) = (plan.start.0.max(0.0), plan.end.0);
    let length = end - plan.start.0;
    let left = (end - start) / length;
    (end > start && left.is_finite()).then(|| PlannedUse {
        start: Days(start),
        end: plan.end,
        hours: Hours(plan.hours.0.max(0.0) * left),
    })
}

/// Which day of the weekly pattern a time ahead lies in.
fn weekday(at: f64) -> usize {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a number from 0 to 6")]
    let day = at.floor().rem_euclid(7.0) as usize;
    day.min(6)
}
