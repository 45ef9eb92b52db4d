//! What to advise of an interval: shorter, longer, or to keep it, and from what that follows.

use super::evidence::{Evidence, Since};
use crate::statistics::life::few::stated_shape;
use crate::statistics::life::fit::{Fit, fit};
use crate::statistics::life::posterior::{Beforehand, Posterior, posterior};
use crate::statistics::life::replacement::{Best, Costs, replacement, replacement_under};
use crate::statistics::life::weibull::Weibull;
use crate::statistics::life::{Life, Seen, root};

/// Fewer closings whose ages are known say nothing.
pub const CLOSINGS_MIN: usize = 5;
/// From so many failures on, likelihood alone is asked.
pub const FAILURES_MIN: usize = 5;
/// From so many closings on that all found it good, a longer interval is thought of.
pub const ALL_GOOD_MIN: usize = 10;
/// A change smaller than this share of the interval is none.
pub const CHANGE_MIN: f64 = 0.1;
/// One review lengthens an interval by this factor at most, also against the longest age that was found good (own convention).
pub const LONGER_MAX: f64 = 1.25;
/// And shortens it to this share at least (own convention).
pub const SHORTER_MAX: f64 = 0.5;
/// Failed so often of the newest five closings, it is too seldom, whatever else is known (own convention).
const CLUSTER: usize = 2;
/// What then is advised, of the present interval (own convention).
const CLUSTER_SHARE: f64 = 0.75;
/// The shape of what wears, where nothing is known of it, and how unsure that is: wear lies at 2 to 3.5 (common practice, no
/// source).
const SHAPE: f64 = 2.5;
const LN_SHAPE_SPREAD: f64 = 0.3;
/// The scale beforehand: twice the interval, within a factor of about 2.7 (own convention).
const SCALE_INTERVALS: f64 = 2.0;
const LN_SCALE_SPREAD: f64 = 1.0;
/// Where wearing is less likely than this by chance, it is wear.
const WEAR_P: f64 = 0.1;
/// Ages whose cost is so near the least are as good.
const NEAR_CHEAPEST: f64 = 0.05;
/// Saving less than this of never to replace is none.
const SAVING_MIN: f64 = 0.01;

/// Why an interval is never lengthened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Held {
    /// Neglect or the work can hurt someone.
    Hazard,
    /// It needs a certificate from outside.
    Certificate,
    /// The shop says so.
    Stated,
}

/// What an interval is judged by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Terms {
    /// The present interval.
    pub interval: f64,
    /// What planned work and a failure cost, where both are declared.
    pub costs: Option<Costs>,
    /// The share of closings that are to find it good, where costs are not declared.
    pub good: f64,
    /// The longest interval that the builder allows.
    pub at_most: Option<f64>,
    /// Why it is never lengthened.
    pub held: Option<Held>,
    /// What closings tell since a manager accepted the present interval; none where nobody did.
    pub since: Option<Since>,
}

/// From what advice follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// Nothing was fitted.
    None,
    /// The likeliest Weibull life, its shape less its bias.
    Likelihood,
    /// Few failures, weighed with what is known of wear beforehand.
    Beforehand,
    /// No failure: the least life that the ages bear out.
    LeastLife,
}

/// Why it is advised.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// Too few closings whose ages are known.
    TooFew,
    /// It was found failed more often than wanted.
    FailsTooOften,
    /// It failed twice or more of the newest five closings.
    FailsLately,
    /// It is found good more often than wanted.
    LastsLonger,
    /// No closing found it failed.
    AllGood,
    /// Another interval costs less.
    Cheaper,
    /// The interval is near enough to what is wanted.
    NearEnough,
    /// It does not wear out: no interval of planned work makes failures rarer.
    NoWear,
    /// A longer one would do, but it is never lengthened, or its limit is reached.
    NotLengthened,
    /// The present interval was accepted, and so many more closings under it are awaited before another is advised.
    Awaited(usize),
}

/// What is advised.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Advice {
    /// The interval that is advised, not yet rounded; none to keep the present one.
    pub interval: Option<f64>,
    /// Why.
    pub why: Why,
    /// From what.
    pub basis: Basis,
    /// The chance to be found good at the present interval.
    pub good_now: Option<f64>,
    /// The chance to be found good at the advised one.
    pub good_then: Option<f64>,
    /// The interval that the wanted chance or the costs give, before any bound.
    pub wanted: Option<f64>,
    /// Between which values that lies: 95 % limits, or the middle 90 % of what is weighed.
    pub between: (Option<f64>, Option<f64>),
    /// The shape: below 1 early failures, 1 chance, above 1 wear.
    pub shape: Option<f64>,
}

impl Advice {
    fn keep(why: Why) -> Advice {
        Advice {
            interval: None,
            why,
            basis: Basis::None,
            good_now: None,
            good_then: None,
            wanted: None,
            between: (None, None),
            shape: None,
        }
    }
}

/// What fits the lives.
enum Estimate {
    Likelihood(Fit, Weibull),
    Beforehand(Posterior),
}

/// Advises of an interval.
///
/// After an acceptance the closings that spoke for it speak for no further step: another interval is advised once enough of them
/// lie under the accepted one, or where it failed there as often as no other knowledge outweighs.
pub fn advise(evidence: &Evidence, terms: Terms) -> Advice {
    let found = at_once(evidence, terms);
    let Some(since) = terms.since.filter(|since| since.failed < CLUSTER) else { return found };
    let enough = if evidence.failures() == 0 { ALL_GOOD_MIN } else { CLOSINGS_MIN };
    match enough.checked_sub(since.closings).filter(|awaited| *awaited > 0) {
        Some(awaited) if found.interval.is_some() => {
            Advice { interval: None, good_then: None, why: Why::Awaited(awaited), ..found }
        }
        Some(_) | None => found,
    }
}

fn at_once(evidence: &Evidence, terms: Terms) -> Advice {
    if evidence.recent_failed >= CLUSTER && evidence.closings < CLOSINGS_MIN {
        return changed(Advice::keep(Why::FailsLately), terms.interval * CLUSTER_SHARE, evidence, terms);
    }
    if evidence.closings < CLOSINGS_MIN {
        return Advice::keep(Why::TooFew);
    }
    if evidence.failures() == 0 {
        return all_good(evidence, terms);
    }
    let Some(estimate) = estimate(&evidence.lives, evidence.failures(), terms) else {
        return Advice::keep(Why::TooFew);
    };
    let known = estimate.advice(terms);
    let found = match terms.costs {
        Some(costs) => by_costs(&estimate, known, costs, terms),
        None => by_share(&estimate, known, terms),
    };
    let bounded = match found {
        Found::Keep(advice) => advice,
        Found::Towards(advice, wanted) => changed(advice, wanted, evidence, terms),
    };
    let good_then = bounded.interval.map(|interval| estimate.lasts(interval));
    if bounded.interval.is_none() && evidence.recent_failed >= CLUSTER && bounded.why != Why::NoWear {
        let lately = Advice { why: Why::FailsLately, ..bounded };
        let lately = changed(lately, terms.interval * CLUSTER_SHARE, evidence, terms);
        return Advice { good_then: lately.interval.map(|interval| estimate.lasts(interval)), ..lately };
    }
    Advice { good_then, ..bounded }
}

enum Found {
    Keep(Advice),
    Towards(Advice, f64),
}

fn estimate(lives: &[Life], failures: usize, terms: Terms) -> Option<Estimate> {
    if failures >= FAILURES_MIN
        && let Ok(fit) = fit(lives)
        && let Some(life) = fit.unbiased_shape().and_then(|shape| Weibull::new(shape, fit.life.scale()).ok())
    {
        return Some(Estimate::Likelihood(fit, life));
    }
    let beforehand = Beforehand {
        shape: SHAPE,
        ln_shape_spread: LN_SHAPE_SPREAD,
        scale: SCALE_INTERVALS * terms.interval,
        ln_scale_spread: LN_SCALE_SPREAD,
    };
    posterior(lives, beforehand).ok().map(Estimate::Beforehand)
}

impl Estimate {
    fn lasts(&self, age: f64) -> f64 {
        match self {
            Estimate::Likelihood(_, life) => life.lasts(age),
            Estimate::Beforehand(posterior) => posterior.lasts(age),
        }
    }

    /// The age that a share reaches.
    fn age_at(&self, share: f64, interval: f64) -> f64 {
        match self {
            Estimate::Likelihood(_, life) => life.by_which_fail(1.0 - share),
            Estimate::Beforehand(posterior) => {
                let middle = interval.ln();
                root(|ln_age| posterior.lasts(ln_age.exp()) - share, middle - 8.0, middle + 8.0).exp()
            }
        }
    }

    fn between(&self, share: f64) -> (Option<f64>, Option<f64>) {
        match self {
            Estimate::Likelihood(fit, _) => {
                let limits = fit.age_limits(1.0 - share);
                (limits.low, limits.high)
            }
            Estimate::Beforehand(posterior) => {
                let [low, high] = posterior.middle_ninety(|life| life.by_which_fail(1.0 - share));
                (Some(low), Some(high))
            }
        }
    }

    fn advice(&self, terms: Terms) -> Advice {
        let (basis, shape) = match self {
            Estimate::Likelihood(_, life) => (Basis::Likelihood, life.shape()),
            Estimate::Beforehand(posterior) => (Basis::Beforehand, posterior.shape().p50),
        };
        let good_now = Some(self.lasts(terms.interval));
        Advice { basis, shape: Some(shape), good_now, ..Advice::keep(Why::NearEnough) }
    }

    fn cheapest(&self, costs: Costs) -> Option<(Best, Option<Weibull>)> {
        match self {
            Estimate::Likelihood(_, life) => replacement(*life, costs).best.map(|best| (best, Some(*life))),
            Estimate::Beforehand(posterior) => {
                replacement_under(posterior, costs, SAVING_MIN).map(|best| (best, None))
            }
        }
    }

    /// Whether nothing speaks for wear.
    fn does_not_wear(&self) -> bool {
        match self {
            Estimate::Likelihood(fit, life) => life.shape() <= 1.0 || fit.wear_out().p > WEAR_P,
            Estimate::Beforehand(_) => false,
        }
    }

    fn cost(&self, costs: Costs, age: f64) -> f64 {
        let (lasts, lived) = match self {
            Estimate::Likelihood(_, life) => (life.lasts(age), life.mean_up_to(age)),
            Estimate::Beforehand(posterior) => (posterior.lasts(age), posterior.mean_up_to(age)),
        };
        (costs.planned() * lasts + costs.failure() * (1.0 - lasts)) / lived
    }
}

fn by_costs(estimate: &Estimate, known: Advice, costs: Costs, terms: Terms) -> Found {
    let cheapest = if estimate.does_not_wear() { None } else { estimate.cheapest(costs) };
    let Some((best, life)) = cheapest else {
        return Found::Keep(Advice { why: Why::NoWear, ..known });
    };
    let between = life.map_or((None, None), |life| {
        let near = best.within(NEAR_CHEAPEST, life, costs);
        (Some(near.low), near.high)
    });
    let known = Advice { wanted: Some(best.age), between, ..known };
    // The least is flat: an interval that costs hardly more is as good.
    if estimate.cost(costs, terms.interval) <= best.cost * (1.0 + NEAR_CHEAPEST) {
        return Found::Keep(known);
    }
    Found::Towards(Advice { why: Why::Cheaper, ..known }, best.age)
}

fn by_share(estimate: &Estimate, known: Advice, terms: Terms) -> Found {
    let wanted = estimate.age_at(terms.good, terms.interval);
    let between = estimate.between(terms.good);
    let known = Advice { wanted: Some(wanted), between, ..known };
    let why = if wanted < terms.interval { Why::FailsTooOften } else { Why::LastsLonger };
    Found::Towards(Advice { why, ..known }, wanted)
}

/// No failure at all: longer by a step, if the least life that the ages bear out still lasts that long often enough.
fn all_good(evidence: &Evidence, terms: Terms) -> Advice {
    let known = Advice { basis: Basis::LeastLife, ..Advice::keep(Why::AllGood) };
    if evidence.closings < ALL_GOOD_MIN {
        return known;
    }
    let ages: Vec<Life> = evidence.lives.iter().map(|life| Life::new(Seen::Good(life.age()))).collect();
    let least =
        stated_shape(&ages, SHAPE).ok().and_then(|least| Weibull::new(SHAPE, least.scale_at_least).ok());
    let Some(least) = least else { return known };
    let good = |age: f64| least.lasts(age);
    let known = Advice { good_now: Some(good(terms.interval)), shape: Some(SHAPE), ..known };
    let next = terms.interval * LONGER_MAX;
    if good(next) < terms.good {
        return known;
    }
    let found = changed(known, next, evidence, terms);
    Advice { good_then: found.interval.map(good), ..found }
}

/// Goes towards a wanted interval as far as one review may.
fn changed(advice: Advice, wanted: f64, evidence: &Evidence, terms: Terms) -> Advice {
    let now = terms.interval;
    if wanted < now {
        let interval = wanted.max(now * SHORTER_MAX);
        let enough = interval <= now * (1.0 - CHANGE_MIN);
        return if enough { Advice { interval: Some(interval), ..advice } } else { near_enough(advice) };
    }
    if wanted < now * (1.0 + CHANGE_MIN) {
        return near_enough(advice);
    }
    let bound = (now * LONGER_MAX)
        .min(evidence.longest_good * LONGER_MAX)
        .min(terms.at_most.unwrap_or(f64::INFINITY));
    let interval = wanted.min(bound);
    if terms.held.is_some() || interval < now * (1.0 + CHANGE_MIN) {
        return Advice { interval: None, why: Why::NotLengthened, ..advice };
    }
    Advice { interval: Some(interval), ..advice }
}

fn near_enough(advice: Advice) -> Advice {
    let why = if advice.why == Why::AllGood { Why::AllGood } else { Why::NearEnough };
    Advice { interval: None, why, ..advice }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::order::AsFound;
    use crate::review::{Course, Look, evidence};
    use crate::time::Ts;

    const TERMS: Terms =
        Terms { interval: 40.0, costs: None, good: 0.9, at_most: None, held: None, since: None };

    /// Closings every 40 h, of which some found it failed, spread over time.
    fn closings(all: u32, failed: u32) -> Evidence {
        let every = all.checked_div(failed).unwrap_or(u32::MAX);
        let look = |n: u32| {
            let as_found = if n.is_multiple_of(every) { AsFound::Failed } else { AsFound::Good };
            Look { at: Ts(i64::from(n)), count: Some(f64::from(n) * 40.0), as_found }
        };
        evidence(&[Course { looks: (1..=all).map(look).collect(), begins: Some(0.0), now: None }])
    }

    /// The example that people meet: 6 of 40 bowls found over the mark at 40 h. With a shape near 2.5 the chance 0.9 lies at
    /// 40 x (ln 0.9 / ln 0.85)^(1/2.5) = 33.6 h, worked by hand.
    #[test]
    fn six_bowls_of_forty_were_over_the_mark() {
        let found = advise(&closings(40, 6), TERMS);
        assert_eq!((found.why, found.basis), (Why::FailsTooOften, Basis::Beforehand), "{found:?}");
        let interval = found.interval.expect("an interval");
        assert!((interval - 33.6).abs() < 1.2, "{found:?}");
        assert!((found.good_now.expect("a chance") - 0.85).abs() < 0.02, "{found:?}");
        assert!((found.good_then.expect("a chance") - 0.9).abs() < 1e-6, "{found:?}");
        let (low, high) = found.between;
        assert!(low.expect("low") < interval && interval < high.expect("high"));
    }

    #[test]
    fn few_closings_say_nothing_unless_they_failed_twice() {
        assert_eq!(advise(&closings(4, 0), TERMS).why, Why::TooFew);
        let twice = advise(&closings(4, 2), TERMS);
        assert_eq!((twice.why, twice.interval), (Why::FailsLately, Some(30.0)));
    }

    #[test]
    fn what_is_always_good_may_be_done_less_often_by_one_step() {
        let longer = advise(&closings(60, 0), TERMS);
        assert_eq!((longer.why, longer.interval), (Why::AllGood, Some(50.0)));
        // Ten closings bear out too short a life for that.
        assert_eq!(advise(&closings(10, 0), TERMS).interval, None);
        let capped = Terms { at_most: Some(46.0), ..TERMS };
        assert_eq!(advise(&closings(60, 0), capped).interval, Some(46.0));
        let at_its_limit = Terms { at_most: Some(40.0), ..TERMS };
        assert_eq!(advise(&closings(60, 0), at_its_limit).why, Why::NotLengthened);
    }

    #[test]
    fn what_can_hurt_is_shortened_and_never_lengthened() {
        for held in [Held::Hazard, Held::Certificate, Held::Stated] {
            let terms = Terms { held: Some(held), ..TERMS };
            let kept = advise(&closings(60, 0), terms);
            assert_eq!((kept.interval, kept.why), (None, Why::NotLengthened));
            assert!(advise(&closings(40, 8), terms).interval.expect("an interval") < 36.0);
        }
    }

    #[test]
    fn an_accepted_interval_waits_for_closings_of_its_own() {
        let with = |closings, failed| Terms { since: Some(Since { closings, failed }), ..TERMS };
        let awaited = advise(&closings(60, 0), with(0, 0));
        assert_eq!((awaited.interval, awaited.good_then, awaited.why), (None, None, Why::Awaited(10)));
        assert_eq!(advise(&closings(60, 0), with(9, 0)).why, Why::Awaited(1));
        assert_eq!(advise(&closings(60, 0), with(10, 0)).interval, Some(50.0), "one step more is borne out");
        // Shorter, too, and there sooner; what fails twice under it waits for nothing.
        assert_eq!(advise(&closings(40, 6), with(3, 1)).why, Why::Awaited(2));
        assert!(advise(&closings(40, 6), with(5, 1)).interval.is_some());
        assert!(advise(&closings(40, 6), with(2, 2)).interval.is_some());
        let kept = advise(&closings(3, 0), with(0, 0));
        assert_eq!(kept.why, Why::TooFew, "what is kept anyway says why");
    }

    /// Ages that differ carry a fit of their own: NIST's ten failures and ten good ones at 500 (8.4.1.3), replaced at 500.
    #[test]
    fn enough_failures_speak_for_themselves() {
        let ages = [54.0, 187.0, 216.0, 240.0, 244.0, 335.0, 361.0, 373.0, 375.0, 386.0];
        let mut count = 0.0;
        let mut looks = Vec::new();
        for (n, age) in (0..).zip(ages.into_iter().chain([500.0; 10])) {
            count += age;
            let as_found = if age < 500.0 { AsFound::BrokeDown } else { AsFound::Good };
            looks.push(Look { at: Ts(n), count: Some(count), as_found });
        }
        let evidence = evidence(&[Course { looks, begins: Some(0.0), now: None }]);
        let costs = Some(Costs::new(1.0, 20.0).expect("costs"));
        let terms = Terms { interval: 500.0, costs, ..TERMS };
        let found = advise(&evidence, terms);
        // Shape 1.7208 x 0.908 = 1.563 and scale 606.5; likelihood against chance gives p 0.092, so it wears.
        assert_eq!((found.why, found.basis), (Why::Cheaper, Basis::Likelihood), "{found:?}");
        assert!((found.shape.expect("a shape") - 1.563).abs() < 2e-3, "{found:?}");
        assert_eq!(found.interval, Some(250.0), "{found:?}");
        assert!(found.wanted.expect("an age") < 250.0);
        // Where a failure costs hardly more than planned work, none pays.
        let even = Terms { costs: Some(Costs::new(1.0, 1.0).expect("costs")), ..terms };
        assert_eq!(advise(&evidence, even).why, Why::NoWear);
    }
}
