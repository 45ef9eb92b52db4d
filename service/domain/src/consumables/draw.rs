//! How fast a reservoir is used in fact, learnt from looks at its level, and whether that is a fault.
//!
//! Time is what the reservoir's meter counts, in hours of run for one that counts hours. From few looks the formula of
//! the reservoir stands ([`super::reservoir`]).

use crate::physics::measure::{Hours, Volume};
use crate::statistics::consumption::{Visit, consumption};
use crate::statistics::cusum::{CusumSettings, cusum};
use crate::statistics::individuals::individuals;
use crate::statistics::median;

/// Below this part of what the strokes take, an outlet or a line is blocked or the pump fails (common practice, no
/// source).
pub const LOW_SHARE: f64 = 0.7;
/// Above this part of it, it leaks (common practice, no source).
pub const HIGH_SHARE: f64 = 1.3;
/// A change from its own past that is smaller is none that anybody would find, however sure it is (own choice).
const CHANGE_SHARE: f64 = 0.15;
/// Stretches from look to look that tell a rate; with fewer the formula stands (own choice).
pub const STRETCHES_MIN: usize = 4;
/// The newest stretches that the rate is taken from.
const STRETCHES_MAX: usize = 12;
/// Stretches since the last service that tell whether strokes take what they should (own choice).
const RECENT_MIN: usize = 3;
/// Stretches from which it is taken what is usual (common practice, no source).
const USUAL: usize = 8;
/// The most stretches that are looked at.
const ALL_MAX: usize = 80;
/// A rise by more than this part of the way between the marks is a refill that nobody recorded (own choice).
const RISE_SHARE: f64 = 0.1;
/// A sum adds what lies beyond half a deviation and signals beyond five (Montgomery, Introduction to Statistical Quality
/// Control, the tabular chart).
const SLACK: f64 = 0.5;
const SIGNAL: f64 = 5.0;
/// Two neighbouring stretches share a look, which one has too long and the other too short: the range of two is larger than
/// that of two that share nothing, by the root of 6 over 4.
const SHARED_LOOK: f64 = 1.224_744_871_391_589;

/// A look at a reservoir, or a service of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// When, in what its meter counted.
    pub at: Hours,
    /// What was found; none where nobody looked before it was filled.
    pub found: Option<Volume>,
    /// What was left.
    pub left: Volume,
}

/// The reservoir whose looks are judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drawn {
    /// What its strokes take of it in an hour of run, by the formula.
    pub formula: Volume,
    /// What lies between its marks.
    pub between: Volume,
    /// What its gauge can tell apart.
    pub grain: Volume,
    /// The place of its last service among the looks; none before the first.
    pub served: Option<usize>,
}

/// What looks tell together.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Learned {
    /// What is used in an hour of run, in L; none where the formula stands.
    pub rate_l: Option<f64>,
    /// How many stretches that rests on.
    pub stretches: usize,
    /// A fault, where there is one.
    pub fault: Option<UseFault>,
}

/// That a reservoir is used otherwise than it should be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UseFault {
    /// What is used, as a part of what should be.
    pub share: f64,
    /// Against what.
    pub against: Against,
    /// The place of the look that showed it.
    pub shown: usize,
    /// The place of the last look before it began.
    pub since: usize,
}

/// What a use is judged against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Against {
    /// What the strokes should take.
    Formula,
    /// What it used before.
    OwnPast,
}

/// A stretch from one look to the next.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    /// The places of its looks.
    from: usize,
    to: usize,
    hours: f64,
    used_l: f64,
    start: Look,
    end: Look,
}

/// What looks tell, in the order of time.
pub fn learn(looks: &[Look], drawn: &Drawn) -> Learned {
    let stretches = stretches(looks, drawn);
    let newest = &stretches[stretches.len().saturating_sub(STRETCHES_MAX)..];
    let noise = noise(&stretches, drawn);
    let rate = rate(newest).filter(|rate| {
        let hours: f64 = newest.iter().map(|stretch| stretch.hours).sum();
        // A use that the gauge can hardly tell apart from its scatter tells no rate.
        newest.len() >= STRETCHES_MIN && *rate > 0.0 && rate * hours >= SIGNAL * noise
    });
    let fault = against_formula(&stretches, drawn, noise).or_else(|| against_past(&stretches, drawn, noise));
    Learned { rate_l: rate, stretches: rate.map_or(0, |_| newest.len()), fault }
}

/// The stretches of which it is known what was used: not those in which somebody filled it unseen.
fn stretches(looks: &[Look], drawn: &Drawn) -> Vec<Stretch> {
    let rise = RISE_SHARE * drawn.between.to_litres();
    let places: Vec<usize> = (0..looks.len()).filter(|place| !is_wild(looks, *place, rise)).collect();
    let mut all = Vec::new();
    for pair in places.windows(2) {
        let ((from, to), [start, end]) = ((pair[0], pair[1]), [looks[pair[0]], looks[pair[1]]]);
        let hours = end.at.to_hours() - start.at.to_hours();
        let used_l = end.found.map(|found| start.left.to_litres() - found.to_litres());
        if let Some(used_l) = used_l.filter(|used| hours > 0.0 && *used >= -rise) {
            all.push(Stretch { from, to, hours, used_l, start, end });
        }
    }
    all.split_off(all.len().saturating_sub(ALL_MAX))
}

/// Whether a look stands far above or below both its neighbours, which agree with each other: it was misread.
fn is_wild(looks: &[Look], place: usize, rise: f64) -> bool {
    let around = place.checked_sub(1).and_then(|before| Some((looks.get(before)?, looks.get(place + 1)?)));
    let (Some((before, after)), Some(found)) = (around, looks[place].found) else { return false };
    let Some(next) = after.found.map(Volume::to_litres) else { return false };
    let (was, found) = (before.left.to_litres(), found.to_litres());
    let off = [found - was, found - next];
    was >= next && (off.iter().all(|off| *off > rise) || (next - found > rise && was - found > rise))
}

/// The rate of stretches laid end to end, as though nothing had been filled in between: the median of all slopes, which
/// single wild looks hardly move.
fn rate(stretches: &[Stretch]) -> Option<f64> {
    let first = stretches.first()?;
    let mut visits = vec![Visit { at: Hours(0.0), found: first.start.left, left: first.start.left }];
    let mut hours = 0.0;
    for (index, stretch) in stretches.iter().enumerate() {
        hours += stretch.hours;
        let found = stretch.end.found?;
        let left = stretches.get(index + 1).map_or(found, |next| next.start.left);
        visits.push(Visit { at: Hours(hours), found, left });
    }
    consumption(&visits).ok().map(|consumption| consumption.rate_median)
}

/// What a level scatters by, in L: half of it is what the gauge cannot tell apart at least.
fn noise(stretches: &[Stretch], drawn: &Drawn) -> f64 {
    /// What makes a median deviation comparable to a standard deviation.
    const MEDIAN_TO_STANDARD: f64 = 1.4826;
    let floor = drawn.grain.to_litres() / 2.0;
    let Some(rate) = rate(stretches).filter(|_| stretches.len() >= STRETCHES_MIN) else { return floor };
    let off: Vec<f64> =
        stretches.iter().map(|stretch| (stretch.used_l - rate * stretch.hours).abs()).collect();
    // Two looks scatter in each stretch.
    (MEDIAN_TO_STANDARD * median(&off) / std::f64::consts::SQRT_2).max(floor)
}

/// The stretches that began at the last service or since.
fn recent(stretches: &[Stretch], served: Option<usize>) -> &[Stretch] {
    let first = stretches.iter().position(|stretch| served.is_none_or(|served| stretch.from >= served));
    first.map_or(&[], |first| &stretches[first..])
}

/// Whether less or more is used since the last service than the strokes take, whatever the looks scatter by.
fn against_formula(stretches: &[Stretch], drawn: &Drawn, noise: f64) -> Option<UseFault> {
    let recent = recent(stretches, drawn.served);
    let scatter = 2.0 * std::f64::consts::SQRT_2 * noise;
    for (index, last) in recent.iter().enumerate().skip(RECENT_MIN - 1) {
        let of = &recent[..=index];
        let hours: f64 = of.iter().map(|stretch| stretch.hours).sum();
        let used: f64 = of.iter().map(|stretch| stretch.used_l).sum();
        let should = drawn.formula.to_litres() * hours;
        if used - scatter > HIGH_SHARE * should || used + scatter < LOW_SHARE * should {
            let share = used.max(0.0) / should;
            return Some(UseFault {
                share,
                against: Against::Formula,
                shown: last.to,
                since: recent[0].from,
            });
        }
    }
    None
}

/// Whether the use went away from what it was, and stayed there.
fn against_past(stretches: &[Stretch], drawn: &Drawn, noise: f64) -> Option<UseFault> {
    let usual = stretches.get(..USUAL)?;
    let total = |of: &[Stretch]| -> (f64, f64) {
        of.iter().fold((0.0, 0.0), |(hours, used), stretch| (hours + stretch.hours, used + stretch.used_l))
    };
    let (hours, used) = total(usual);
    let (before, typical) = (used / hours, hours / crate::statistics::number(USUAL));
    if before <= 0.0 {
        return None;
    }
    // A rate over few hours scatters more, by the root of its hours.
    let scaled = |stretch: &Stretch| {
        (stretch.used_l / stretch.hours / before - 1.0) * (stretch.hours / typical).sqrt()
    };
    let chart = individuals(&usual.iter().map(scaled).collect::<Vec<f64>>()).ok()?;
    let least = std::f64::consts::SQRT_2 * noise / (before * typical);
    let deviation = (chart.robust_deviation / SHARED_LOOK).max(least);
    let settings =
        CusumSettings { target: 0.0, slack: SLACK * deviation, limit: SIGNAL * deviation, head_start: 0.0 };
    let changed = |watched: &[Stretch]| -> Option<UseFault> {
        let told = cusum(&watched.iter().map(scaled).collect::<Vec<f64>>(), settings).ok()?;
        let onset = told.onset?.checked_sub(1)?;
        let signal = [told.first_up, told.first_down].into_iter().flatten().min()?.checked_sub(1)?;
        let (hours, used) = total(watched.get(onset..=signal)?);
        let share = used.max(0.0) / hours / before;
        let (shown, since) = (watched.get(signal)?.to, watched.get(onset)?.from);
        Some(UseFault { share, against: Against::OwnPast, shown, since })
    };
    let watched = &stretches[USUAL..];
    let is_seen = |fault: &UseFault| drawn.served.is_none_or(|served| fault.shown >= served);
    // What was shown before the last service was seen to by it: from there the sums begin anew.
    let fault = changed(watched).filter(is_seen).or_else(|| changed(recent(watched, drawn.served)));
    fault.filter(|fault| (fault.share - 1.0).abs() >= CHANGE_SHARE)
}

#[cfg(test)]
mod tests {
    use super::*;

    const DRAWN: Drawn =
        Drawn { formula: Volume(0.003), between: Volume(2.2), grain: Volume(0.01), served: None };

    /// A look each 80 hours; what is used in them as a part of the formula.
    fn looks(shares: &[f64]) -> Vec<Look> {
        let mut level = 2.7;
        let mut looks = vec![Look { at: Hours(0.0), found: None, left: Volume(level) }];
        for (index, share) in shares.iter().enumerate() {
            level -= 80.0 * DRAWN.formula.to_litres() * share;
            let found = Volume((level * 100.0).round() / 100.0);
            let left = if level < 0.9 { Volume(2.7) } else { found };
            if level < 0.9 {
                level = 2.7;
            }
            let at = Hours(80.0 * crate::statistics::number(index + 1));
            looks.push(Look { at, found: Some(found), left });
        }
        looks
    }

    #[test]
    fn few_looks_leave_the_formula_and_more_of_them_tell_the_rate() {
        assert_eq!(learn(&looks(&[1.1, 1.1, 1.1]), &DRAWN).rate_l, None);
        let learned = learn(&looks(&[1.1; 9]), &DRAWN);
        let rate = learned.rate_l.expect("a rate");
        assert!((rate / 0.0033 - 1.0).abs() < 0.03, "{rate}");
        assert_eq!((learned.stretches, learned.fault), (9, None));
        assert_eq!(learn(&[], &DRAWN), Learned::default());
    }

    #[test]
    fn a_wild_look_and_a_refill_that_nobody_recorded_do_not_move_it() {
        let mut wild = looks(&[1.0; 12]);
        wild[5].found = Some(Volume(0.6));
        wild[5].left = Volume(0.6);
        let rate = learn(&wild, &DRAWN).rate_l.expect("a rate");
        assert!((rate / 0.003 - 1.0).abs() < 0.06, "{rate}");
        let mut filled = looks(&[1.0; 6]);
        for look in &mut filled[4..] {
            look.found = look.found.map(|found| Volume(found.to_litres() + 0.9));
            look.left = Volume(look.left.to_litres() + 0.9);
        }
        let rate = learn(&filled, &DRAWN).rate_l.expect("a rate");
        assert!((rate / 0.003 - 1.0).abs() < 0.05, "{rate}");
    }

    #[test]
    fn a_use_far_from_the_formula_is_a_fault_and_a_use_near_it_is_none() {
        for (share, told) in [(0.64, true), (0.75, false), (1.0, false), (1.25, false), (1.4, true)] {
            let fault = learn(&looks(&[share; 6]), &DRAWN).fault;
            assert_eq!(fault.is_some(), told, "{share}: {fault:?}");
            if let Some(fault) = fault {
                assert!((fault.share - share).abs() < 0.03 && fault.against == Against::Formula, "{fault:?}");
            }
        }
    }

    #[test]
    fn a_leak_is_found_against_the_own_past_and_not_again_once_it_was_served() {
        let shares: Vec<f64> = (0..16).map(|week| if week < 10 { 0.95 } else { 1.24 }).collect();
        let fault = learn(&looks(&shares), &DRAWN).fault.expect("a leak");
        assert_eq!((fault.against, fault.since), (Against::OwnPast, 10), "{fault:?}");
        assert!((fault.share - 1.3).abs() < 0.05, "{fault:?}");
        let mended = Drawn { served: Some(16), ..DRAWN };
        assert_eq!(learn(&looks(&shares), &mended).fault, None);
    }
}
