//! What an import met beside its reports: how many lines and values, what was passed over and why, and what somebody
//! has to know, each with its place.

use crate::render::{words::grouped, wrap::labelled};
use std::{
    collections::BTreeMap,
    fmt::Write as _,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

/// How many happenings of one kind are told with their places unless all are asked for.
const TOLD_MAX: usize = 20;
/// How many are kept with their places however many there are.
const KEPT_MAX: usize = 10_000;

/// What can be met. The order is that of the telling.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Fact {
    /// Lines of text.
    Lines,
    /// Documents of an agent.
    Documents,
    /// Documents that say only that nothing changed.
    Heartbeats,
    /// Values that were said.
    Values,
    /// A value of something that the mapping does not name.
    Unmapped,
    /// UNAVAILABLE, which is no value and never 0.
    Unavailable,
    /// The same was read before in this import.
    Repeated,
    /// A value between those that the mapping keeps.
    Thinned,
    /// A row of a machine that the mapping leaves out.
    OtherMachine,
    /// A line that a rule of the mapping leaves out.
    Skipped,
    /// A line of a body that spans several.
    Body,
    /// A line of the protocol itself.
    Protocol,
    /// A line whose time is before that of the line above it.
    StepBack,
    /// A local time that the clocks skip or pass twice, settled as the mapping says.
    Settled,
    /// The agent was started anew: its numbers begin again.
    Restarted,
    /// A counter was reset.
    Reset,
    /// A reset that was recorded as the replacement of a counter.
    Replaced,
    /// A counter's value is lower than the one before it in time.
    Fall,
    /// Values that the agent no longer has, or that stand in no document.
    Gap,
}

impl Fact {
    const fn words(self) -> &'static str {
        match self {
            Fact::Lines => "lines read",
            Fact::Documents => "documents read",
            Fact::Heartbeats => "of them without a value: nothing had changed",
            Fact::Values => "values",
            Fact::Unmapped => "of what the mapping does not name",
            Fact::Unavailable => "UNAVAILABLE, which is no value",
            Fact::Repeated => "said before",
            Fact::Thinned => "between those that are kept",
            Fact::OtherMachine => "rows of machines that are left out",
            Fact::Skipped => "lines left out by a rule",
            Fact::Body => "lines of bodies that span several",
            Fact::Protocol => "lines of the protocol itself",
            Fact::StepBack => "lines that step back in time",
            Fact::Settled => "local times settled as the mapping says",
            Fact::Restarted => "starts of the agent: its numbers began again",
            Fact::Reset => "resets of counters",
            Fact::Replaced => "resets taken as replacements",
            Fact::Fall => "falls of counters",
            Fact::Gap => "gaps",
        }
    }

    /// Whether each is told with its place, and not only counted.
    const fn is_told(self) -> bool {
        matches!(
            self,
            Fact::Settled | Fact::Restarted | Fact::Reset | Fact::Replaced | Fact::Fall | Fact::Gap
        )
    }
}

/// What was met so far.
#[derive(Debug, Default)]
pub(crate) struct Facts {
    counts: BTreeMap<Fact, u64>,
    told: Vec<(Fact, String, String)>,
}

/// Facts that a reading thread and the telling one share.
#[derive(Clone, Debug, Default)]
pub(crate) struct Shared(Arc<Mutex<Facts>>);

impl Shared {
    /// The facts.
    pub(crate) fn lock(&self) -> MutexGuard<'_, Facts> {
        // Counting is whole after every step, so a panic elsewhere leaves it usable.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Facts {
    /// Counts one.
    pub(crate) fn count(&mut self, fact: Fact) {
        self.count_many(fact, 1);
    }

    /// Counts several.
    pub(crate) fn count_many(&mut self, fact: Fact, many: u64) {
        if many > 0 {
            *self.counts.entry(fact).or_default() += many;
        }
    }

    /// Counts one and tells where it was met and what it was.
    pub(crate) fn tell(&mut self, fact: Fact, place: impl Into<String>, text: impl Into<String>) {
        debug_assert!(fact.is_told(), "{fact:?} is only counted");
        self.count(fact);
        if self.told.len() < KEPT_MAX {
            self.told.push((fact, place.into(), text.into()));
        }
    }

    /// How many of one kind were met.
    pub(crate) fn of(&self, fact: Fact) -> u64 {
        self.counts.get(&fact).copied().unwrap_or(0)
    }

    /// Whether something may be missing that no report tells of.
    pub(crate) fn has_left_out(&self) -> bool {
        self.of(Fact::Gap) > 0
    }

    /// In words: the happenings with their places, then the counts.
    pub(crate) fn text(&self, all: bool, width: usize) -> String {
        let mut text = String::new();
        let mut shown: BTreeMap<Fact, usize> = BTreeMap::new();
        for (fact, place, what) in &self.told {
            let shown = shown.entry(*fact).or_default();
            *shown += 1;
            if all || *shown <= TOLD_MAX {
                text.push_str(&labelled(0, place, place.chars().count() + 2, what, width));
            }
        }
        for (fact, shown) in shown {
            if !all && shown > TOLD_MAX {
                let _ = writeln!(
                    text,
                    "{} more {}; list them with --all",
                    grouped((shown - TOLD_MAX) as u64),
                    fact.words()
                );
            }
        }
        if !text.is_empty() {
            text.push('\n');
        }
        for (fact, count) in &self.counts {
            let _ = writeln!(text, "{:>12}  {}", grouped(*count), fact.words());
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn happenings_are_told_with_places_and_the_rest_counted() {
        let mut facts = Facts::default();
        facts.count_many(Fact::Lines, 1_234);
        facts.count_many(Fact::Thinned, 0);
        for line in 1..=22 {
            facts.tell(Fact::Fall, format!("a.log, line {line}"), "`part` falls from 2 to 0");
        }
        let text = facts.text(false, 80);
        assert!(text.starts_with("a.log, line 1  `part` falls from 2 to 0\n"), "{text}");
        assert!(!text.contains("line 21"), "{text}");
        assert!(text.contains("2 more falls of counters; list them with --all"), "{text}");
        assert!(text.contains("       1,234  lines read\n"), "{text}");
        assert!(!text.contains("between those"), "{text}");
        assert!(facts.text(true, 80).contains("line 22  "), "all are listed");
        assert!(!facts.has_left_out());
        facts.tell(Fact::Gap, "agent", "numbers 3 to 9 are gone");
        assert!(facts.has_left_out());
    }
}
