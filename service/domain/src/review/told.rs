//! An advice as people read it: the interval in round numbers, the line of words, and what it rests on.

use super::advice::{Advice, Basis, CLOSINGS_MIN, Held, LONGER_MAX, Terms, Why};
use super::evidence::Evidence;
use super::rule::{Reviewed, reviewed, rounded, shown};
use crate::shop::review_card::GOOD_PERCENT_DEFAULT;
use crate::shop::{ReviewCard, RuleCard, TaskCard};
use crate::statistics::life::replacement::Costs;
use crate::statistics::number;

/// A declined advice speaks again once it comes to an interval that is so far from the declined one, as a share of that (own
/// convention).
pub const NEWS_MIN: f64 = 0.1;

/// What is advised.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Keep it.
    Keep,
    /// More often.
    Shorter,
    /// Less often.
    Longer,
    /// Not enough to say.
    NotEnough,
}

/// An advice with all that its words need.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// The task's title.
    pub title: String,
    /// The clause that was looked at.
    pub reviewed: Reviewed,
    /// The unit of the interval.
    pub unit: String,
    /// What it was judged by.
    pub terms: Terms,
    /// What the closings tell.
    pub evidence: Evidence,
    /// The advice.
    pub advice: Advice,
    /// The interval that is advised, rounded; none to keep.
    pub advised: Option<f64>,
}

/// The clause of a task that can be reviewed, and what it is judged by; none where its rule has no such clause.
pub fn terms_of(card: &TaskCard) -> Option<(Reviewed, Terms)> {
    let found = reviewed(card.rule.as_ref()?)?;
    let said = card.review.as_ref();
    let cost = |of: fn(&ReviewCard) -> Option<crate::quantity::Amount>| {
        said.and_then(of).map(|cost| super::rule::in_units(cost, crate::quantity::Unit::Cycles))
    };
    let costs = cost(|card| card.planned_cost).zip(cost(|card| card.failure_cost));
    let percent = said.and_then(|card| card.good_percent).unwrap_or(GOOD_PERCENT_DEFAULT);
    let held = if card.hazard {
        Some(Held::Hazard)
    } else if card.certificate {
        Some(Held::Certificate)
    } else {
        said.filter(|card| card.never_longer).map(|_| Held::Stated)
    };
    let terms = Terms {
        interval: found.interval,
        costs: costs.and_then(|(planned, failure)| Costs::new(planned, failure).ok()),
        good: f64::from(percent) / 100.0,
        at_most: said.and_then(|card| card.at_most.as_ref()).and_then(|text| text.parse().ok()),
        held,
        since: None,
    };
    Some((found, terms))
}

impl Told {
    /// Puts an advice into round numbers. What rounds to the interval that stands is no change.
    pub fn new(
        card: &TaskCard,
        at: (Reviewed, Terms),
        unit: String,
        evidence: Evidence,
        advice: Advice,
    ) -> Told {
        let (reviewed, terms) = at;
        let advised = advice.interval.map(|interval| rounded(&reviewed, interval));
        let advised = advised.filter(|advised| shown(*advised) != shown(terms.interval));
        Told { title: card.title.to_string(), reviewed, unit, terms, evidence, advice, advised }
    }

    /// The verdict.
    pub fn verdict(&self) -> Verdict {
        match self.advised {
            Some(advised) if advised < self.terms.interval => Verdict::Shorter,
            Some(_) => Verdict::Longer,
            None if self.advice.why == Why::TooFew => Verdict::NotEnough,
            None => Verdict::Keep,
        }
    }

    /// Whether a declined interval is still what is advised, as nearly as matters.
    pub fn is_quiet_after(&self, declined: f64) -> bool {
        self.advised.is_none_or(|advised| (advised / declined - 1.0).abs() < NEWS_MIN)
    }

    /// The rule with the advised interval.
    pub fn changed(&self, card: &RuleCard) -> Option<RuleCard> {
        self.advised.map(|advised| super::rule::with_interval(card, &self.reviewed, advised))
    }

    /// The advice in one line.
    pub fn words(&self) -> String {
        let Told { title, unit, evidence, .. } = self;
        let now = shown(self.terms.interval);
        let what = match self.advised {
            Some(advised) => format!("{title}: every {} {unit} instead of {now}", shown(advised)),
            None if self.advice.why == Why::TooFew => {
                format!("{title}: not enough to say of every {now} {unit}")
            }
            None => format!("{title}: keep every {now} {unit}"),
        };
        let of = evidence.closings;
        let closings = closings(of);
        let found = match (evidence.found_failed, evidence.broke_down) {
            (0, 0) if of == 0 => "no closing tells an age".to_owned(),
            (0, 0) if evidence.worn > 0 => {
                let (good, worn) = (of.saturating_sub(evidence.worn), evidence.worn);
                format!("found good at {good} and worn, yet working, at {worn} of {of} {closings}")
            }
            (0, 0) => format!("found good at all of {of} {closings}"),
            (failed, 0) => format!("found failed at {failed} of {of} {closings}"),
            (0, broke) => format!("broke down before {broke} of {of} {closings}"),
            (failed, broke) => {
                format!("found failed at {failed} and broke down before {broke} of {of} {closings}")
            }
        };
        format!("{what}: {found}")
    }

    /// What it rests on, a sentence each.
    pub fn because(&self) -> Vec<String> {
        let mut said = vec![self.why()];
        said.extend(self.basis());
        said.extend(self.wanted());
        let percent = |chance: f64| format!("{:.0} %", 100.0 * chance);
        match (self.advice.good_now, self.advice.good_then.filter(|_| self.advised.is_some())) {
            (Some(now), Some(then)) => {
                said.push(format!("found good at {} now, at {} then", percent(now), percent(then)));
            }
            (Some(now), None) => said.push(format!("found good at {} now", percent(now))),
            (None, _) => {}
        }
        let Evidence { unknown, worn, machines, .. } = self.evidence;
        if worn > 0 {
            said.push(format!("found worn, yet working, at {worn}; counted as not failed"));
        }
        if unknown > 0 {
            let tell = if unknown == 1 { "tells" } else { "tell" };
            said.push(format!("{unknown} more {tell} nothing: hours are not known between closings"));
        }
        if machines > 1 {
            said.push(format!("closings of {machines} machines are taken together, as they share the rule"));
        }
        said
    }

    fn why(&self) -> String {
        let good = format!("{:.0} %", 100.0 * self.terms.good);
        match self.advice.why {
            Why::TooFew => {
                let of = self.evidence.closings;
                format!("{of} {} with known ages; {CLOSINGS_MIN} are needed", closings(of))
            }
            Why::FailsTooOften => format!("it is to be found good at {good}"),
            Why::FailsLately => {
                format!("it had failed at {} of the last five closings", self.evidence.recent_failed)
            }
            Why::LastsLonger => format!("it is found good more often than the {good} that are wanted"),
            Why::AllGood if self.advised.is_some() => {
                "no closing found it failed; one step longer".to_owned()
            }
            Why::AllGood => {
                "no closing found it failed, but they do not bear out a longer interval yet".to_owned()
            }
            Why::Cheaper => {
                "the costs of planned work and of failures together are least elsewhere".to_owned()
            }
            Why::NearEnough => "the interval is near enough to what is wanted".to_owned(),
            Why::NoWear => {
                "nothing shows that it wears out: planned work does not pay by these costs".to_owned()
            }
            Why::NotLengthened => self.not_lengthened(),
            Why::Awaited(awaited) => {
                let closings = if awaited == 1 { "closing is" } else { "closings are" };
                format!(
                    "this interval was accepted: {awaited} more {closings} awaited whose whole age lies under it before \
                     another is advised"
                )
            }
        }
    }

    fn not_lengthened(&self) -> String {
        match (self.terms.held, self.terms.at_most) {
            (Some(Held::Hazard), _) => {
                "a longer one might do, but a task marked as hazard is never lengthened".to_owned()
            }
            (Some(Held::Certificate), _) => {
                "a longer one might do, but a task that needs a certificate is never lengthened".to_owned()
            }
            (Some(Held::Stated), _) => "a longer one might do, but the shop says never longer".to_owned(),
            (None, Some(limit)) if limit < self.terms.interval * LONGER_MAX => {
                format!(
                    "a longer one might do, but the builder allows at most {} {}",
                    shown(limit),
                    self.unit
                )
            }
            (None, _) => format!(
                "a longer one might do, but none was found good beyond {} {}",
                shown(self.evidence.longest_good),
                self.unit
            ),
        }
    }

    fn basis(&self) -> Option<String> {
        let shape = self.advice.shape.map(|shape| format!("{shape:.1}")).unwrap_or_default();
        match self.advice.basis {
            Basis::None => None,
            Basis::Likelihood => {
                Some(format!("Weibull life fitted to {} failures, shape {shape}", self.evidence.failures()))
            }
            Basis::Beforehand => Some(format!(
                "{} {} or ages too alike to tell the shape: weighed with wear as is usual, shape {shape}",
                self.evidence.failures(),
                if self.evidence.failures() == 1 { "failure" } else { "failures" }
            )),
            Basis::LeastLife => Some(format!(
                "no failure: the least life that the ages bear out, with shape {shape} as is usual for wear"
            )),
        }
    }

    fn wanted(&self) -> Option<String> {
        let digits = |value: f64| shown(rounded(&self.reviewed, value));
        let wanted = digits(self.advice.wanted?);
        let unit = &self.unit;
        Some(match self.advice.between {
            (Some(low), Some(high)) => {
                format!("that is at {wanted} {unit}, between {} and {}", digits(low), digits(high))
            }
            (Some(low), None) => format!("that is at {wanted} {unit}, at least {}", digits(low)),
            (None, Some(high)) => format!("that is at {wanted} {unit}, at most {}", digits(high)),
            (None, None) => format!("that is at {wanted} {unit}"),
        })
    }

    /// The share of closings that found it failed or broken down; none without closings.
    pub fn failed_share(&self) -> Option<f64> {
        let all = self.evidence.closings;
        (all > 0).then(|| number(self.evidence.failures()) / number(all))
    }
}

/// The word for so many of them.
fn closings(count: usize) -> &'static str {
    if count == 1 { "closing" } else { "closings" }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::order::AsFound;
    use crate::review::{Course, Look, advise, evidence};
    use crate::rule::Combine;
    use crate::shop::ClauseCard;
    use crate::text::{Key, Name};
    use crate::time::Ts;

    fn card(hazard: bool, review: Option<ReviewCard>) -> TaskCard {
        let meter = Some(Key::new("operating").expect("a key"));
        let clause = ClauseCard::Meter { meter, every: "40".into(), grid_base: None };
        TaskCard {
            key: Key::new("bowl").expect("a key"),
            title: Name::new("drain the bowl").expect("a name"),
            place: String::new(),
            rule: Some(RuleCard {
                clauses: vec![clause],
                combine: Combine::Earliest,
                window: None,
                keep_closed_days: false,
            }),
            rule_from: None,
            kit: Vec::new(),
            cautions: Vec::new(),
            readings: Vec::new(),
            minutes: 5,
            hazard,
            covers: Vec::new(),
            second_person: false,
            certificate: false,
            retire: false,
            basis: String::new(),
            review,
        }
    }

    fn told(card: &TaskCard, all: u32, failed_every: u32) -> Told {
        let look = |n: u32| {
            let failed = failed_every > 0 && n.is_multiple_of(failed_every);
            let as_found = if failed { AsFound::Failed } else { AsFound::Good };
            Look { at: Ts(i64::from(n)), count: Some(f64::from(n) * 40.0), as_found }
        };
        let evidence =
            evidence(&[Course { looks: (1..=all).map(look).collect(), begins: Some(0.0), now: None }]);
        let at = terms_of(card).expect("a clause");
        let advice = advise(&evidence, at.1);
        Told::new(card, at, "h".into(), evidence, advice)
    }

    #[test]
    fn the_words_of_a_shorter_interval() {
        let told = told(&card(false, None), 40, 6);
        assert_eq!(told.verdict(), Verdict::Shorter);
        assert_eq!(
            told.words(),
            "drain the bowl: every 33 h instead of 40: found failed at 6 of 40 closings"
        );
        let because = told.because().join("\n");
        assert!(because.contains("found good at 85 % now, at 90 % then"), "{because}");
        let changed = told.changed(card(false, None).rule.as_ref().expect("a rule")).expect("a change");
        assert!(matches!(&changed.clauses[0], ClauseCard::Meter { every, .. } if every == "33"));
        // Declined at 33, it speaks again a tenth away only.
        assert!(told.is_quiet_after(33.0) && told.is_quiet_after(31.0) && !told.is_quiet_after(40.0));
    }

    #[test]
    fn what_can_hurt_and_what_the_builder_limits_is_kept_in_words() {
        let hazard = told(&card(true, None), 60, 0);
        assert_eq!(hazard.verdict(), Verdict::Keep);
        assert!(hazard.because()[0].ends_with("a task marked as hazard is never lengthened"));
        let limit = ReviewCard { at_most: Some("42".into()), ..ReviewCard::default() };
        let limited = told(&card(false, Some(limit)), 60, 0);
        assert!(limited.because()[0].ends_with("the builder allows at most 42 h"), "{:?}", limited.because());
        let longer = told(&card(false, None), 60, 0);
        assert_eq!(
            longer.words(),
            "drain the bowl: every 50 h instead of 40: found good at all of 60 closings"
        );
        let few = told(&card(false, None), 3, 0);
        assert_eq!(
            (few.verdict(), few.because()[0].as_str()),
            (Verdict::NotEnough, "3 closings with known ages; 5 are needed")
        );
        let one = told(&card(false, None), 1, 0);
        assert_eq!(one.because()[0], "1 closing with known ages; 5 are needed");
        assert!(one.words().ends_with("found good at all of 1 closing"), "{}", one.words());
    }

    #[test]
    fn what_was_found_worn_is_not_called_good() {
        let card = card(false, None);
        let mut worn = told(&card, 60, 0);
        worn.evidence.worn = 8;
        assert!(
            worn.words().ends_with("found good at 52 and worn, yet working, at 8 of 60 closings"),
            "{}",
            worn.words()
        );
        let because = worn.because().join("\n");
        assert!(because.contains("no closing found it failed; one step longer"), "{because}");
        assert!(!because.contains("every closing") && !because.contains("as good"), "{because}");
        worn.advice.why = Why::Awaited(1);
        worn.advised = None;
        assert_eq!(worn.verdict(), Verdict::Keep);
        assert!(worn.because()[0].contains("1 more closing is awaited"), "{:?}", worn.because());
    }

    /// Costs of 20 and 400 want it earlier than nine in ten found good.
    #[test]
    fn declared_costs_take_the_place_of_the_wanted_chance() {
        let review = ReviewCard {
            planned_cost: Some(crate::quantity::Amount(20_000)),
            failure_cost: Some(crate::quantity::Amount(400_000)),
            ..ReviewCard::default()
        };
        let told = told(&card(false, Some(review)), 40, 6);
        assert_eq!(told.advice.why, Why::Cheaper, "{:?}", told.advice);
        assert!(told.advised.expect("an interval") < 33.0);
    }
}
