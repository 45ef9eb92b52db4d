//! How long parts last, from what was found when somebody looked: Weibull lives, and the interval that follows.
//!
//! Ages are numbers in whatever unit counts (hours of a meter, days); every result is in the same unit. Nothing here knows
//! tasks, orders or money. Estimates are `f64` and come with limits; where data cannot carry an estimate, they say so
//! instead. Formulas and their sources stand in `docs/formulas.md`.

pub mod block;
pub mod few;
pub mod fit;
pub mod limits;
pub mod posterior;
pub mod rank;
pub mod repaired;
pub mod replacement;
pub mod weibull;

mod likelihood;
mod solve;

pub(crate) use solve::root;

/// The most lives that are taken at once: each is looked at some ten thousand times for limits.
pub const LIVES_MAX: usize = 2_000;

/// What was found of one life, from a renewal on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Seen {
    /// It failed at this age.
    Failed(f64),
    /// It was good at this age, and what came after is not known.
    Good(f64),
    /// It was good at the first age and found failed at the second.
    Between(f64, f64),
}

/// One life: what was found, and the age from which on it was looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Life {
    /// What was found.
    pub seen: Seen,
    /// The age at which the record begins; 0 where it begins with the life. What failed before would not stand here.
    pub entered: f64,
}

impl Life {
    /// A life whose record begins with it.
    pub fn new(seen: Seen) -> Life {
        Life { seen, entered: 0.0 }
    }

    /// The last age that is known of it.
    pub fn age(self) -> f64 {
        match self.seen {
            Seen::Failed(age) | Seen::Good(age) | Seen::Between(_, age) => age,
        }
    }

    /// Whether it ended by a failure.
    pub fn failed(self) -> bool {
        !matches!(self.seen, Seen::Good(_))
    }

    fn sound(self) -> bool {
        let known = match self.seen {
            Seen::Failed(age) | Seen::Good(age) => age > 0.0 && self.entered < age,
            Seen::Between(good, age) => good >= 0.0 && good < age && self.entered <= good,
        };
        known && self.age().is_finite() && self.entered >= 0.0
    }
}

/// Why lives tell nothing.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotTold {
    /// Too few failures.
    #[error("{has} failures are not enough to say; {needs} are needed")]
    TooFewFailures {
        /// How many there are.
        has: usize,
        /// How many are needed.
        needs: usize,
    },
    /// Too many lives.
    #[error("{0} lives are too many; give at most {LIVES_MAX}")]
    TooMany(usize),
    /// A life that cannot be: ages are above 0, finite and in order.
    #[error("life {0} cannot be: its ages are not above 0, finite and in order")]
    Impossible(usize),
    /// The likelihood has no highest point that means anything, such as when the only failure is the oldest.
    #[error("not estimable from these data: no shape is the likeliest")]
    NoMaximum,
    /// Settings that make no sense together.
    #[error("{0}")]
    Unfit(&'static str),
}

/// Checks lives for what every statistic of them needs; gives how many failed.
fn checked(lives: &[Life], needs: usize) -> Result<usize, NotTold> {
    if lives.len() > LIVES_MAX {
        return Err(NotTold::TooMany(lives.len()));
    }
    if let Some(index) = lives.iter().position(|life| !life.sound()) {
        return Err(NotTold::Impossible(index + 1));
    }
    let has = lives.iter().filter(|life| life.failed()).count();
    if has < needs {
        return Err(NotTold::TooFewFailures { has, needs });
    }
    Ok(has)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_is_named() {
        let good = Life::new(Seen::Good(1.0));
        let cases = [
            Life::new(Seen::Failed(0.0)),
            Life::new(Seen::Good(f64::NAN)),
            Life::new(Seen::Between(2.0, 2.0)),
            Life { seen: Seen::Good(3.0), entered: 3.0 },
            Life { seen: Seen::Between(1.0, 3.0), entered: 2.0 },
        ];
        for case in cases {
            assert_eq!(checked(&[good, case], 0), Err(NotTold::Impossible(2)), "{case:?}");
        }
        assert_eq!(checked(&[good], 1), Err(NotTold::TooFewFailures { has: 0, needs: 1 }));
        assert_eq!(checked(&vec![good; LIVES_MAX + 1], 0), Err(NotTold::TooMany(LIVES_MAX + 1)));
        assert_eq!(checked(&[Life { seen: Seen::Between(2.0, 3.0), entered: 2.0 }], 1), Ok(1));
    }
}
