//! The ledger never depends on the order of arrival: whatever comes in, in any order, any number of times and in
//! any batches, ends in exactly the rows that judging everything at once gives.

use fettler_domain::ids::{MachineId, MeterId};
use fettler_domain::ledger::absolute::Contribution;
use fettler_domain::ledger::batch::{Batch, Dirty};
use fettler_domain::ledger::changes::{Changes, Found, Need};
use fettler_domain::ledger::declare::{Declarations, Meter, Replacement, Source};
use fettler_domain::ledger::history::Month;
use fettler_domain::ledger::judge::{Settlements, judge_all};
use fettler_domain::ledger::report::{Content, LENGTH_MAX_MICROS, Received, ReportId, ReportKey, Statement};
use fettler_domain::ledger::row::{Feed, Reason, Row, Settlement, State};
use fettler_domain::quantity::{Amount, MaxPerHour, MeterKind, Unit};
use fettler_domain::text::{ForeignName, Key};
use fettler_domain::time::{MICROS_PER_HOUR, Ts};
use proptest::prelude::*;
use proptest::sample::Index;
use proptest::test_runner::{Config, RngAlgorithm, TestCaseResult, TestRng, TestRunner};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

/// All stories begin shortly before a month ends, so that totals by month are split.
const BASE_HOUR: i64 = 720;

fn name(text: &str) -> ForeignName {
    ForeignName::new(text).expect("a name within bounds")
}

fn hour(hour: i64) -> Ts {
    Ts((BASE_HOUR + hour) * MICROS_PER_HOUR)
}

/// What a source says, in small numbers so that reports meet.
#[derive(Clone, Debug)]
struct Said {
    source: usize,
    report: u8,
    revision: u32,
    machine: usize,
    meter: usize,
    form: Form,
}

#[derive(Clone, Debug)]
enum Form {
    Interval { start: i64, length: i64, sixths: i64, over: i64, unit: Unit },
    Reading { at: i64, minutes: i64 },
    Withdrawn,
}

impl Said {
    fn received(&self) -> Received {
        let id = ReportId {
            source: name(["ranked", "second", "other"][self.source]),
            report: name(&format!("r{}", self.report)),
        };
        let statement = match self.form {
            Form::Interval { start, length, sixths, over, unit } => Statement::Interval {
                start: hour(start),
                end: hour(start + length),
                unit,
                amount: Amount(length * sixths * 600_000 + over),
            },
            Form::Reading { at, minutes } => {
                Statement::Absolute { at: hour(at), unit: Unit::Hours, value: Amount(minutes * 60_000) }
            }
            Form::Withdrawn => Statement::Withdrawn,
        };
        let meter = [None, Some("working"), Some("counter"), Some("none")][self.meter].map(name);
        let machine = name(["mill", "MILL-1", "late", "nobody"][self.machine]);
        Received::new(id, self.revision, Content { machine, meter, statement }, Ts(0))
    }
}

/// What happens to a ledger.
#[derive(Clone, Debug)]
enum Step {
    Arrive(Vec<Index>),
    Settle(Index, Settlement),
    DeclareLate,
    TurnRanks,
    Hurry(i64),
    SwitchFeed(bool),
    Replace { at: i64, closing: i64, opening: i64 },
    TakeBackReplacement(Index),
    Pass(i64),
    Rejudge(usize),
}

fn said() -> impl Strategy<Value = Said> {
    let interval = (0..40_i64, prop_oneof![20 => 1..9_i64, 1 => -1..1_i64, 2 => 600..760_i64], 0..7_i64)
        .prop_flat_map(|(start, length, sixths)| {
            let over = prop_oneof![4 => Just(0), 1 => -1..2_i64, 1 => 59_999..60_002_i64];
            let unit = prop_oneof![30 => Just(Unit::Hours), 1 => Just(Unit::Cycles)];
            (Just(start), Just(length), Just(sixths), over, unit)
        })
        .prop_map(|(start, length, sixths, over, unit)| Form::Interval { start, length, sixths, over, unit });
    let reading = (0..40_i64, -30..60_i64)
        .prop_map(|(at, off)| Form::Reading { at, minutes: at * 50 + off.rem_euclid(5) * off });
    let machine = || prop_oneof![16 => Just(0_usize), 2 => Just(1), 3 => Just(2), 1 => Just(3)];
    let revision = || prop_oneof![8 => Just(1_u32), 2 => Just(2), 1 => Just(3)];
    let at_shifts = prop_oneof![2 => Just(0_usize), 12 => Just(1), 1 => Just(2), 1 => Just(3)];
    let at_counter = prop_oneof![1 => 0..2_usize, 12 => Just(2), 1 => Just(3)];
    let what = prop_oneof![
        10 => (at_shifts, interval),
        8 => (at_counter, reading),
        1 => (Just(0), Just(Form::Withdrawn)),
    ];
    (0..3_usize, 0..16_u8, revision(), machine(), what).prop_map(
        |(source, report, revision, machine, (meter, form))| Said {
            source,
            report,
            revision,
            machine,
            meter,
            form,
        },
    )
}

fn step() -> impl Strategy<Value = Step> {
    let settlement = prop_oneof![Just(Settlement::Count), Just(Settlement::Drop)];
    prop_oneof![
        12 => prop::collection::vec(any::<Index>(), 1..9).prop_map(Step::Arrive),
        4 => (any::<Index>(), settlement).prop_map(|(which, how)| Step::Settle(which, how)),
        1 => Just(Step::DeclareLate),
        1 => Just(Step::TurnRanks),
        1 => (1..3_i64).prop_map(Step::Hurry),
        1 => any::<bool>().prop_map(Step::SwitchFeed),
        2 => (0..40_i64, 0..60_i64, 0..3_i64).prop_map(|(at, over, opening)| Step::Replace {
            at,
            closing: at * 50 + over,
            opening: opening * 500,
        }),
        1 => any::<Index>().prop_map(Step::TakeBackReplacement),
        2 => prop_oneof![0..60_i64, 800..900_i64].prop_map(Step::Pass),
        4 => (1..12_usize).prop_map(Step::Rejudge),
    ]
}

fn story() -> impl Strategy<Value = (Vec<Said>, Vec<Step>)> {
    (prop::collection::vec(said(), 1..60), prop::collection::vec(step(), 1..40))
}

/// A site: what is declared, what is stored, and what waits to be judged again.
struct Site {
    late: bool,
    turned: bool,
    hurry: i64,
    counter_feed: Feed,
    replacements: BTreeMap<Ts, Replacement>,
    as_of: Ts,
    rows: BTreeMap<ReportKey, Row>,
    replaced: BTreeMap<(MeterId, Ts), Contribution>,
    totals: BTreeMap<(MeterId, Month), Amount>,
    waiting: Dirty,
    received: Vec<Received>,
    settlements: Settlements,
    /// The planted fault: what an arrival does to other reports is forgotten.
    forgetful: bool,
}

const COUNTER: MeterId = MeterId(2);

impl Site {
    fn new(forgetful: bool) -> Site {
        Site {
            late: false,
            turned: false,
            hurry: 1,
            counter_feed: Feed::Absolute,
            replacements: BTreeMap::new(),
            as_of: hour(36),
            rows: BTreeMap::new(),
            replaced: BTreeMap::new(),
            totals: BTreeMap::new(),
            waiting: Dirty::default(),
            received: Vec::new(),
            settlements: Settlements::new(),
            forgetful,
        }
    }

    /// `mill`, also called `MILL-1`, has an interval meter and a counter; `late` has one meter of each feed too.
    fn declarations(&self) -> Declarations {
        let mut declarations = Declarations::default();
        declarations.machine(MachineId(1), ["mill", "MILL-1"]).expect("names are free");
        if self.late {
            declarations.machine(MachineId(2), ["late"]).expect("names are free");
        }
        for (number, machine) in [(1, 1), (2, 1), (3, 2), (4, 2)] {
            let counter = number % 2 == 0;
            declarations.meter(Meter {
                id: MeterId(number),
                machine: MachineId(machine),
                key: Key::new(if counter { "counter" } else { "shifts" }).expect("a key"),
                kind: if counter { MeterKind::Powered } else { MeterKind::Working },
                feed: match (number, counter) {
                    (2, _) => self.counter_feed,
                    (_, true) => Feed::Absolute,
                    (_, false) => Feed::Interval,
                },
                max: MaxPerHour(3_600_000 * if number == 1 { self.hurry } else { 1 }),
                replacements: self.replacements.values().filter(|_| number == 2).copied().collect(),
            });
        }
        let ranks = if self.turned { [1, 0] } else { [0, 1] };
        let feeds = Some(MeterKind::Working);
        declarations.source(name("ranked"), Source { rank: Some(ranks[0]), feeds });
        declarations.source(name("second"), Source { rank: Some(ranks[1]), feeds });
        declarations
    }

    /// Answers a need by its words alone.
    fn find(&self, need: &Need) -> Found {
        let on = |meter: MeterId| {
            let rows = self.rows.values().filter(move |row| row.meter == Some(meter));
            rows.filter_map(|row| Some((row.span()?, row)))
        };
        match need {
            Need::Reports(ids) => {
                let rows = self.rows.values().filter(|row| ids.contains(&row.key.id()));
                Found { rows: rows.cloned().collect(), replaced: Vec::new() }
            }
            Need::Overlapping { meter, from, to } => {
                let far = Ts(from.0 - LENGTH_MAX_MICROS);
                let rows = on(*meter).filter(|((start, end), _)| *start > far && start < to && end > from);
                Found { rows: rows.map(|(_, row)| row.clone()).collect(), replaced: Vec::new() }
            }
            Need::Readings { meter, from, count } => {
                let readings = || on(*meter).filter(|((start, end), _)| start == end);
                let mut later: Vec<_> = readings().filter(|((start, _), _)| start >= from).collect();
                // Rows of one instant come in no particular order.
                later.reverse();
                later.sort_by_key(|((start, _), _)| *start);
                later.truncate(*count);
                let counted = || readings().filter(|((start, _), row)| start < from && row.counts());
                let last = counted().map(|((start, _), _)| start).max();
                let before = counted().filter(|((start, _), _)| Some(*start) == last);
                let rows = later.into_iter().chain(before).map(|(_, row)| row.clone()).collect();
                let replaced = self.replaced.iter().filter(|((of, _), _)| of == meter);
                Found { rows, replaced: replaced.map(|(_, contribution)| *contribution).collect() }
            }
        }
    }

    fn run(&mut self, batch: impl Fn(&Declarations) -> Batch<'_>) -> Changes {
        let declarations = self.declarations();
        let mut batch = batch(&declarations);
        let mut asked = BTreeSet::new();
        let changes = loop {
            match batch.judge(self.as_of) {
                Ok(changes) => break changes,
                Err(needs) => {
                    assert!(!needs.is_empty(), "a batch that cannot judge asks for something");
                    for need in needs {
                        assert!(asked.insert(need.clone()), "asked twice for {need:?}");
                        batch.load(&need, self.find(&need));
                    }
                }
            }
        };
        self.write(&changes);
        changes
    }

    fn write(&mut self, changes: &Changes) {
        for (of, amount) in changes.month_totals() {
            self.totals.entry(of).or_default().0 += amount.0;
        }
        for change in &changes.rows {
            let before = self.rows.insert(change.after.key.clone(), change.after.clone());
            assert_eq!(before, change.before, "a change starts from the stored row");
        }
        for change in &changes.replaced {
            let key = (change.meter, change.at);
            assert_eq!(self.replaced.get(&key).map(|c| c.segment), change.before);
            match change.after {
                Some(segment) => self.replaced.insert(key, Contribution { at: change.at, segment }),
                None => self.replaced.remove(&key),
            };
        }
    }

    fn arrive(&mut self, arrivals: &[Received]) {
        self.received.extend(arrivals.iter().cloned());
        let ids: BTreeSet<ReportId> = arrivals.iter().map(|arrival| arrival.key.id()).collect();
        let before = self.rows.clone();
        let changes = self.run(|declarations| Batch::arriving(declarations, arrivals.to_vec()));
        assert_eq!(changes.told.len(), arrivals.len());
        if self.forgetful {
            let rows = std::mem::take(&mut self.rows).into_iter();
            self.rows = rows
                .map(|(key, row)| match before.get(&key) {
                    Some(old) if !ids.contains(&key.id()) => (key, old.clone()),
                    _ => (key, row),
                })
                .collect();
        }
    }

    fn wait_for(&mut self, which: impl Fn(&Row) -> bool) {
        let ids = self.rows.values().filter(|row| which(row)).map(|row| row.key.id());
        self.waiting.reports.extend(ids);
    }

    fn replaced_at(&mut self, at: Ts) {
        self.waiting.replaced.insert((COUNTER, at));
    }

    /// Judges again a part of what waits.
    fn rejudge(&mut self, most: usize) {
        let reports: BTreeSet<ReportId> = self.waiting.reports.iter().take(most).cloned().collect();
        let replaced: BTreeSet<_> = self.waiting.replaced.iter().take(most).copied().collect();
        self.waiting.reports.retain(|id| !reports.contains(id));
        self.waiting.replaced.retain(|at| !replaced.contains(at));
        let dirty = Dirty { reports, replaced };
        self.run(|declarations| Batch::rejudging(declarations, dirty.clone()));
    }

    fn take(&mut self, step: &Step, said: &[Received]) {
        match step {
            Step::Arrive(which) => {
                let arrivals: Vec<Received> = which.iter().map(|index| index.get(said).clone()).collect();
                self.arrive(&arrivals);
            }
            Step::Settle(which, how) => {
                let key = which.get(said).key.clone();
                let changes = self.run(|declarations| Batch::settling(declarations, [(key.clone(), *how)]));
                if changes.unknown.is_empty() {
                    self.settlements.insert(key, *how);
                } else {
                    assert!(!self.rows.contains_key(&key));
                }
            }
            Step::DeclareLate => {
                self.late = true;
                self.wait_for(|row| row.content.machine.as_str() == "late");
            }
            Step::TurnRanks => {
                self.turned = !self.turned;
                self.wait_for(|row| row.meter.is_some());
            }
            Step::Hurry(times) => {
                self.hurry = *times;
                self.wait_for(|row| row.meter == Some(MeterId(1)));
            }
            Step::SwitchFeed(absolute) => {
                self.counter_feed = if *absolute { Feed::Absolute } else { Feed::Interval };
                self.wait_for(|row| row.meter == Some(COUNTER));
                let all: Vec<Ts> = self.replacements.keys().copied().collect();
                for at in all {
                    self.replaced_at(at);
                }
            }
            Step::Replace { at, closing, opening } => {
                let at = hour(*at);
                let (closing, opening) = (Amount(closing * 60_000), Amount(opening * 60_000));
                self.replacements.insert(at, Replacement { at, closing, opening });
                self.replaced_at(at);
            }
            Step::TakeBackReplacement(which) => {
                let all: Vec<Ts> = self.replacements.keys().copied().collect();
                if !all.is_empty() {
                    self.replacements.remove(which.get(&all));
                    self.replaced_at(*which.get(&all));
                }
            }
            Step::Pass(to) => {
                self.as_of = self.as_of.max(hour(*to));
                let as_of = self.as_of;
                self.wait_for(
                    |row| matches!(row.reason, Some(Reason::Future { counts_from }) if counts_from <= as_of),
                );
            }
            Step::Rejudge(most) => self.rejudge(*most),
        }
    }

    /// Compares what is stored with what judging everything at once gives.
    fn check(&self) -> TestCaseResult {
        let declarations = self.declarations();
        let ledger = judge_all(&self.received, &self.settlements, &declarations, self.as_of);
        for (key, row) in &ledger.rows {
            prop_assert_eq!(self.rows.get(key), Some(row));
        }
        prop_assert_eq!(self.rows.len(), ledger.rows.len());
        prop_assert_eq!(&self.replaced, &ledger.replaced);
        let mut totals: BTreeMap<(MeterId, Month), Amount> = BTreeMap::new();
        for meter in declarations.meters() {
            for segment in ledger.segments_of(meter.id) {
                for (month, share) in segment.month_shares() {
                    totals.entry((meter.id, month)).or_default().0 += share.0;
                }
            }
        }
        totals.retain(|_, amount| *amount != Amount::ZERO);
        let mut stored = self.totals.clone();
        stored.retain(|_, amount| *amount != Amount::ZERO);
        prop_assert_eq!(stored, totals);
        let mut turned: Vec<Received> = self.received.iter().rev().cloned().collect();
        turned.extend(self.received.iter().take(3).cloned());
        prop_assert_eq!(judge_all(&turned, &self.settlements, &declarations, self.as_of), ledger);
        Ok(())
    }
}

fn holds(said: &[Said], steps: &[Step], forgetful: bool) -> TestCaseResult {
    let said: Vec<Received> = said.iter().map(Said::received).collect();
    let mut site = Site::new(forgetful);
    for step in steps {
        site.take(step, &said);
    }
    while site.waiting != Dirty::default() {
        site.rejudge(3);
    }
    site.check()
}

proptest! {
    #![proptest_config(Config { cases: 1_500, ..Config::default() })]

    #[test]
    fn any_order_any_repeats_and_any_batches_end_in_the_same_ledger((said, steps) in story()) {
        holds(&said, &steps, false)?;
    }
}

/// The same stories in every run.
fn fixed_runner(cases: u32) -> TestRunner {
    let config = Config { cases, failure_persistence: None, ..Config::default() };
    TestRunner::new_with_rng(config, TestRng::deterministic_rng(RngAlgorithm::ChaCha))
}

#[test]
fn the_property_catches_a_ledger_that_depends_on_the_order_of_arrival() {
    let arrivals_only = |steps: Vec<Step>| -> Vec<Step> {
        steps.into_iter().filter(|step| matches!(step, Step::Arrive(_))).collect()
    };
    let run = |forgetful| {
        fixed_runner(300).run(&story(), |(said, steps)| holds(&said, &arrivals_only(steps), forgetful))
    };
    assert!(run(false).is_ok());
    assert!(run(true).is_err(), "a ledger that forgets what it displaces went unnoticed");
}

#[test]
fn the_stories_meet_every_state_and_reason() {
    let met = RefCell::new(BTreeMap::new());
    let outcome = fixed_runner(400).run(&story(), |(said, steps)| {
        let said: Vec<Received> = said.iter().map(Said::received).collect();
        let mut site = Site::new(false);
        for step in &steps {
            site.take(step, &said);
        }
        for row in site.rows.values() {
            let reason = row.reason.as_ref().map_or("", Reason::word);
            *met.borrow_mut().entry((row.state, reason)).or_insert(0) += 1;
        }
        Ok(())
    });
    assert!(outcome.is_ok());
    let met = met.into_inner();
    for state in [State::Counted, State::Superseded, State::Dropped, State::Withdrawn, State::Check] {
        assert!(met.get(&(state, "")).is_some_and(|times| *times >= 10), "{state:?}: {met:?}");
    }
    for reason in [
        "unknown_machine",
        "unknown_meter",
        "wrong_kind",
        "impossible",
        "more_than_time",
        "conflict",
        "overlap",
        "same_revision",
        "future",
        "fell",
    ] {
        assert!(met.get(&(State::Held, reason)).is_some_and(|times| *times >= 10), "{reason}: {met:?}");
    }
}
