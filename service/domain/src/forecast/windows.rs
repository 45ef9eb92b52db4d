//! Windows of a fleet's past: what was expected of its machines at the start of each, held against what came.
//!
//! The windows are fixed stretches counted back from now, so nothing is left out for not having come yet, and machines
//! that fell silent are in them.

use super::fleet::{DRIFT_PRIOR, FleetFigures, OWN_WEIGHT, drift_growth, sum};
use super::rate::Rate;
use super::units::{Days, Hours};
use super::usage::{Statistics, Usage, count};
use crate::time::{MICROS_PER_DAY, Ts};

/// Thirteen windows of four weeks: a year.
const WINDOW_DAYS: i64 = 28;
const WINDOW: Days = Days(28.0);
const WINDOWS: i64 = 13;
/// The least and the most that a drift may come to.
const DRIFT_LEAST: f64 = 0.001;
const DRIFT_MOST: f64 = 0.3;
/// A surprise counts up to so many times the variance expected of it, so that one machine does not rule the fleet.
const SURPRISE_MOST: f64 = 16.0;
/// How many windows of one machine the assumed weight of its own days counts for, and the bounds of what is learnt.
const OWN_WEIGHT_WINDOWS: f64 = 5.0;
const OWN_WEIGHT_LEAST_DAYS: f64 = 1.0;
const OWN_WEIGHT_MOST_DAYS: f64 = 60.0;
/// How many windows the assumption counts for that scatter lasts, and the least of it that is taken to last.
const LASTING_WINDOWS: f64 = 10.0;
const LASTING_LEAST: f64 = 0.3;

/// What the figures of a fleet take from one machine: its statistics at an instant and at the start of each window before
/// it, and what came in each. It is small, so that a fleet of any size is learnt from machine by machine.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Past {
    now: Option<Statistics>,
    /// Those windows at whose start the machine was known, the newest first.
    windows: Vec<OwnWindow>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct OwnWindow {
    own: Statistics,
    came: Hours,
}

impl Past {
    /// The past of a machine at an instant, from what was known by then.
    pub fn of(usage: &Usage, now: Ts) -> Past {
        let Some(first) = usage.first().filter(|first| *first <= now) else { return Past::default() };
        let starts = (1..=WINDOWS).map(|back| Ts(now.0 - back * WINDOW_DAYS * MICROS_PER_DAY));
        let window = |start: Ts| {
            let end = Ts(start.0 + WINDOW_DAYS * MICROS_PER_DAY);
            OwnWindow { own: usage.statistics(start), came: usage.hours_between(start, end) }
        };
        let mut windows: Vec<OwnWindow> = starts.take_while(|start| first <= *start).map(window).collect();
        // Most of a large fleet's machines are young, and all pasts are held at once.
        windows.shrink_to_fit();
        Past { now: Some(usage.statistics(now)), windows }
    }

    /// The machine's statistics at the instant; none without a report by then.
    pub fn now(&self) -> Option<Statistics> {
        self.now
    }
}

/// The windows before an instant, the newest first.
pub(super) struct Windows(Vec<Window>);

struct Window {
    known: Vec<OwnWindow>,
}

impl Windows {
    /// The windows of machines' pasts, back to the first in which no machine was known.
    pub(super) fn of(pasts: &[&Past]) -> Windows {
        let most = pasts.iter().map(|past| past.windows.len()).max().unwrap_or(0);
        let known = |back: usize| pasts.iter().filter_map(|past| past.windows.get(back).copied()).collect();
        Windows((0..most).map(|back| Window { known: known(back) }).collect())
    }

    /// How many days of its own should weigh as much as the fleet's rate. How much machines differ lastingly shows in
    /// what their past and a window have in common: its scatter is in only one of the two.
    pub(super) fn own_weight(&self, level: &FleetFigures) -> Days {
        let Days(assumed) = OWN_WEIGHT;
        let assumed_difference = level.spread.0 / (level.rate.0 * assumed);
        let mut common = Vec::new();
        for window in &self.0 {
            let fleet = window.level();
            let over_fleet = |hours: Hours, days: Days| hours.0 / days.0 / fleet.rate.0 - 1.0;
            common.extend(window.seasoned().map(|OwnWindow { own, came }| {
                over_fleet(own.weighted_hours, own.weighted_days) * over_fleet(*came, WINDOW)
            }));
        }
        let windows = count(common.len());
        let difference =
            (sum(common) + OWN_WEIGHT_WINDOWS * assumed_difference) / (windows + OWN_WEIGHT_WINDOWS);
        let most = level.spread.0 / (level.rate.0 * OWN_WEIGHT_MOST_DAYS);
        let days = level.spread.0 / (level.rate.0 * difference.max(most));
        Days(days.max(OWN_WEIGHT_LEAST_DAYS))
    }

    /// How far what came lay from what was expected, with the fleet's figures of each window's start.
    pub(super) fn surprises(&self, figures: impl Fn(&[Statistics]) -> FleetFigures) -> Surprises {
        let mut surprises = Surprises::default();
        for window in &self.0 {
            let fleet = figures(&window.statistics());
            for OwnWindow { own, came } in window.seasoned() {
                surprises.add(&Rate::of(own, &fleet), *came);
            }
        }
        surprises
    }
}

impl Window {
    /// The machines known for as long as a window lasts.
    fn seasoned(&self) -> impl Iterator<Item = &OwnWindow> {
        self.known.iter().filter(|known| known.own.age.0 >= WINDOW.0)
    }

    fn statistics(&self) -> Vec<Statistics> {
        self.known.iter().map(|known| known.own).collect()
    }

    fn level(&self) -> FleetFigures {
        FleetFigures::level(&self.statistics())
    }
}

/// Surprises of the past in relative variances, each with its weight.
#[derive(Debug, Default)]
pub(super) struct Surprises {
    weights: Vec<f64>,
    squares: Vec<f64>,
    explained: Vec<f64>,
    unexplained: Vec<f64>,
}

impl Surprises {
    /// Adds one machine's window: the rate expected at its start, and what came.
    fn add(&mut self, rate: &Rate, came: Hours) {
        let growth = drift_growth(WINDOW);
        let expected = rate.mean.0 * WINDOW.0;
        let explained = rate.spread.0 / expected + rate.doubt;
        let variance = explained + DRIFT_PRIOR * growth;
        let weight = 1.0 / (variance * variance);
        let square = (came.0 / expected - 1.0).powi(2).min(SURPRISE_MOST * variance);
        self.weights.push(weight);
        self.squares.push(weight * square);
        self.explained.push(weight * explained);
        self.unexplained.push(weight * (square - explained) / growth);
    }

    /// The drift that accounts for what scatter and doubt leave unexplained.
    pub(super) fn drift(&self) -> f64 {
        let prior = 1.0 / (2.0 * DRIFT_PRIOR).powi(2);
        let unexplained = sum(self.unexplained.clone()) + DRIFT_PRIOR * prior;
        (unexplained / (sum(self.weights.clone()) + prior)).clamp(DRIFT_LEAST, DRIFT_MOST)
    }

    /// What part of the scatter came, where even the least drift and the scatter explain more than came.
    pub(super) fn lasting_scatter(&self) -> f64 {
        if self.weights.is_empty() {
            return 1.0;
        }
        let windows = count(self.weights.len());
        let growth = drift_growth(WINDOW);
        let expected = sum(self.explained.clone()) + self.drift() * growth * sum(self.weights.clone());
        let came = sum(self.squares.clone()) / expected;
        let part = (came * windows + LASTING_WINDOWS) / (windows + LASTING_WINDOWS);
        part.clamp(LASTING_LEAST, 1.0)
    }
}
