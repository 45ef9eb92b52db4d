//! What the logs of the proofs `fuzz` and `fuzz-files` say of each kind of input, and which kind comes next.

/// What each kind is given in all: so many inputs, or so many seconds on a processor, whichever comes first.
const INPUTS: u64 = 10_000_000;
const SECONDS: u64 = 20 * 60;

/// What a kind has been given.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Given {
    /// Inputs read.
    pub inputs: u64,
    /// Whole seconds on a processor.
    pub seconds: u64,
}

impl Given {
    /// Sums up the runs of a kind that a log tells of, in the words of [`crate::fuzz::Ran::line`].
    pub fn of(kind: &str, log: &str) -> Given {
        let runs =
            log.lines().filter_map(|line| line.split_once(" ok: ")).flat_map(|(_, runs)| runs.split("; "));
        let mut given = Given::default();
        for run in runs {
            let Some((_, told)) = run
                .strip_prefix(kind)
                .and_then(|rest| rest.strip_prefix(" seed "))
                .and_then(|rest| rest.split_once(": "))
            else {
                continue;
            };
            given.inputs += before(told, " inputs");
            given.seconds += before(told, " s on a processor");
        }
        given
    }

    /// Whether it has had all that it is to have.
    pub fn is_enough(self) -> bool {
        self.inputs >= INPUTS || self.seconds >= SECONDS
    }
}

/// The number that stands before a word; 0 when there is none.
fn before(told: &str, word: &str) -> u64 {
    let number = told.split(", ").find_map(|part| part.strip_suffix(word));
    number.and_then(|number| number.parse().ok()).unwrap_or(0)
}

/// The kind that is given the next run: that which has had the least time, of those that have not had enough.
pub fn next<'k>(kinds: &[&'k str], log: &str) -> Option<&'k str> {
    let given = kinds.iter().map(|&kind| (kind, Given::of(kind, log)));
    given.filter(|(_, given)| !given.is_enough()).min_by_key(|(_, given)| given.seconds).map(|(kind, _)| kind)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fuzz::Ran;

    fn run(kind: &str, inputs: u64, seconds: u64) -> String {
        Ran { inputs, cpu_millis: seconds * 1_000, ..Ran::default() }.line(kind, 7)
    }

    #[test]
    fn runs_are_summed_up_from_their_log() {
        let (one, two, other) = (run("plan-csv", 5, 20), run("plan-csv", 7, 21), run("my-plan-csv", 9, 22));
        let log = format!(
            "T fuzz-files rounds 0..1 of 60 ok: {other}; {one}\nT fuzz-files rounds 1..2 ok: {two}\n"
        );
        assert_eq!(Given::of("plan-csv", &log), Given { inputs: 12, seconds: 41 });
        assert_eq!(Given::of("plan", &log), Given::default());
        let requests =
            format!("T fuzz rounds 1..2 ok: {}, 49 of 65 calls answered well", run("requests", 3, 20));
        assert_eq!(Given::of("requests", &requests), Given { inputs: 3, seconds: 20 });
    }

    #[test]
    fn a_kind_has_enough_by_inputs_or_by_time_and_the_least_given_comes_next() {
        let log = |runs: [String; 3]| runs.map(|run| format!("T fuzz rounds 0..1 ok: {run}\n")).concat();
        let kinds = ["a", "b", "c"];
        assert_eq!(next(&kinds, ""), Some("a"));
        assert_eq!(
            next(&kinds, &log([run("a", 1, 40), run("b", 1, 20), run("c", 9_999_999, 30)])),
            Some("b")
        );
        assert_eq!(
            next(&kinds, &log([run("a", 1, 1_200), run("b", 10_000_000, 20), run("c", 1, 1_199)])),
            Some("c")
        );
        assert_eq!(
            next(&kinds, &log([run("a", 1, 1_200), run("b", 10_000_000, 20), run("c", 1, 1_201)])),
            None
        );
    }
}
