//! Where time comes from. Recorded times never go backwards, whatever the computer's clock does.

use fettler_domain::time::Ts;
use std::sync::atomic::{AtomicI64, Ordering};

/// Tells the moment.
pub trait Clock: Send + Sync {
    /// Now; never earlier than an answer given before.
    fn now(&self) -> Ts;
}

/// The computer's clock.
#[derive(Debug, Default)]
pub struct SystemClock {
    latest: AtomicI64,
}

impl Clock for SystemClock {
    fn now(&self) -> Ts {
        #[expect(clippy::disallowed_methods, reason = "the one place where the computer's clock is read")]
        let read = Ts::from_utc(chrono::Utc::now());
        Ts(self.latest.fetch_max(read.0, Ordering::SeqCst).max(read.0))
    }
}

/// A clock that stands still until it is moved by hand: for tests, and for telling an invented past.
#[derive(Debug)]
pub struct HandClock {
    at: AtomicI64,
}

impl HandClock {
    /// A clock that stands at an instant.
    pub fn new(at: Ts) -> HandClock {
        HandClock { at: AtomicI64::new(at.0) }
    }

    /// Moves it forward; an earlier instant leaves it where it is.
    pub fn move_to(&self, at: Ts) {
        self.at.fetch_max(at.0, Ordering::SeqCst);
    }
}

impl Clock for HandClock {
    fn now(&self) -> Ts {
        Ts(self.at.load(Ordering::SeqCst))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_never_goes_backwards() {
        let hand = HandClock::new(Ts(10));
        hand.move_to(Ts(5));
        assert_eq!(hand.now(), Ts(10));
        hand.move_to(Ts(15));
        assert_eq!(hand.now(), Ts(15));

        let system = SystemClock::default();
        let ahead = Ts(system.now().0 + 3_600_000_000);
        system.latest.store(ahead.0, Ordering::SeqCst);
        assert_eq!(system.now(), ahead, "a clock set back an hour keeps telling the latest moment");
    }
}
