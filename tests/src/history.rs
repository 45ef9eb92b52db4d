//! Histories of what callers asked and were told at the same time, and whether some order, one at a time, explains them: the same
//! answers, and nobody answered before what was answered before they asked. Such an order is looked for by trying (Wing and Gong,
//! "Testing and verifying concurrent objects", 1993; that a state need not be tried twice is Lowe's, 2017; both from memory).

use fettler_proto::v1::OrderState;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::fmt::Debug;

/// What one caller asked of one thing and was told, between two ticks of a count that all callers share.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event<Op> {
    /// The tick before it was asked.
    pub begun: u64,
    /// The tick after it was answered.
    pub ended: u64,
    /// What was asked, and the answer.
    pub op: Op,
}

/// A thing of which only one is asked at a time.
pub trait Thing {
    /// What is asked of it, with the answer.
    type Op: Debug;
    /// Does it, if it would give this answer now; else changes nothing.
    fn step(&mut self, op: &Self::Op) -> bool;
    /// Takes back what was done last.
    fn back(&mut self, op: &Self::Op);
}

/// Looks for an order that explains a history of a thing; the error says how far it came.
pub fn explain<T: Thing>(thing: T, mut events: Vec<Event<T::Op>>) -> Result<(), String> {
    events.sort_by_key(|event| event.begun);
    Search { thing, events: &events, base: 0, ahead: BTreeSet::new(), far: (0, Vec::new()) }.run()
}

struct Search<'e, T: Thing> {
    thing: T,
    events: &'e [Event<T::Op>],
    /// Everything before this event is placed.
    base: usize,
    /// What is placed beside that.
    ahead: BTreeSet<usize>,
    /// The most that was placed, and what could have come next then.
    far: (usize, Vec<usize>),
}

impl<T: Thing> Search<'_, T> {
    fn run(mut self) -> Result<(), String> {
        let mut seen: HashSet<(usize, Vec<usize>)> = HashSet::new();
        let mut stack = vec![(None, self.may_come_next())];
        while let Some((placed, candidates)) = stack.last_mut() {
            let Some(event) = candidates.pop() else {
                if let Some(placed) = *placed {
                    self.take_back(placed);
                }
                stack.pop();
                continue;
            };
            if !self.thing.step(&self.events[event].op) {
                continue;
            }
            self.place(event);
            if self.base == self.events.len() {
                return Ok(());
            }
            if seen.insert((self.base, self.ahead.iter().copied().collect())) {
                stack.push((Some(event), self.may_come_next()));
            } else {
                self.take_back(event);
            }
        }
        if self.events.is_empty() {
            return Ok(());
        }
        let next: Vec<_> = self.far.1.iter().map(|event| &self.events[*event]).collect();
        Err(format!(
            "no order explains it: {} of {} stand, then none of {next:?}",
            self.far.0,
            self.events.len()
        ))
    }

    /// What may come next, the earliest last: nothing that was asked after something else was answered.
    fn may_come_next(&mut self) -> Vec<usize> {
        let mut first_answer = u64::MAX;
        let mut waiting = Vec::new();
        for (place, event) in self.events.iter().enumerate().skip(self.base) {
            if event.begun > first_answer {
                break;
            }
            if !self.ahead.contains(&place) {
                first_answer = first_answer.min(event.ended);
                waiting.push(place);
            }
        }
        waiting.retain(|place| self.events[*place].begun <= first_answer);
        let placed = self.base + self.ahead.len();
        if placed > self.far.0 || self.far.1.is_empty() {
            self.far = (placed, waiting.clone());
        }
        waiting.reverse();
        waiting
    }

    fn place(&mut self, event: usize) {
        self.ahead.insert(event);
        while self.ahead.remove(&self.base) {
            self.base += 1;
        }
    }

    fn take_back(&mut self, event: usize) {
        self.thing.back(&self.events[event].op);
        if event < self.base {
            self.ahead.extend(event + 1..self.base);
            self.base = event;
        } else {
            self.ahead.remove(&event);
        }
    }
}

/// What is asked of a meter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MeterOp {
    /// The first revision of a report that came.
    Accepted(Said),
    /// A higher revision.
    Replaces(Said),
    /// A lower one.
    Superseded(Said),
    /// One that had come before.
    Duplicate(Said),
    /// An adjustment, in milliseconds.
    Adjusted(i64),
    /// What it shows, in milliseconds.
    Shows(i64),
}

/// A revision of a report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Said {
    /// The report.
    pub report: u32,
    /// The revision.
    pub revision: u32,
    /// How much was run, in milliseconds.
    pub amount_ms: i64,
}

/// A meter: of each report the highest revision counts.
#[derive(Clone, Debug, Default)]
pub struct Meter {
    said: BTreeMap<u32, BTreeMap<u32, i64>>,
    total_ms: i64,
}

impl Meter {
    fn counts_ms(&self, report: u32) -> i64 {
        let revisions = self.said.get(&report);
        revisions.and_then(|all| all.values().next_back()).copied().unwrap_or_default()
    }

    fn alter(&mut self, report: u32, change: impl FnOnce(&mut BTreeMap<u32, i64>)) {
        self.total_ms -= self.counts_ms(report);
        change(self.said.entry(report).or_default());
        self.total_ms += self.counts_ms(report);
    }
}

impl Thing for Meter {
    type Op = MeterOp;

    fn step(&mut self, op: &MeterOp) -> bool {
        let highest =
            |said: &Said| self.said.get(&said.report).and_then(|all| all.keys().next_back()).copied();
        let known =
            |said: &Said| self.said.get(&said.report).is_some_and(|all| all.contains_key(&said.revision));
        let fits = match op {
            MeterOp::Accepted(said) => highest(said).is_none(),
            MeterOp::Replaces(said) => highest(said).is_some_and(|highest| said.revision > highest),
            MeterOp::Superseded(said) => {
                highest(said).is_some_and(|highest| said.revision < highest) && !known(said)
            }
            MeterOp::Duplicate(said) => return known(said),
            MeterOp::Adjusted(amount) => {
                self.total_ms += amount;
                return true;
            }
            MeterOp::Shows(total) => return self.total_ms == *total,
        };
        if let (true, MeterOp::Accepted(said) | MeterOp::Replaces(said) | MeterOp::Superseded(said)) =
            (fits, op)
        {
            self.alter(said.report, |all| {
                all.insert(said.revision, said.amount_ms);
            });
        }
        fits
    }

    fn back(&mut self, op: &MeterOp) {
        match op {
            MeterOp::Accepted(said) | MeterOp::Replaces(said) | MeterOp::Superseded(said) => {
                self.alter(said.report, |all| {
                    all.remove(&said.revision);
                });
            }
            MeterOp::Adjusted(amount) => self.total_ms -= amount,
            MeterOp::Duplicate(_) | MeterOp::Shows(_) => {}
        }
    }
}

/// What is asked of the work orders of a task, or of one that was raised.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OrderOp {
    /// It was closed; the next order, if there is one.
    Closed(i64, Option<i64>),
    /// It was skipped; the next order, if there is one.
    Skipped(i64, Option<i64>),
    /// Neither was done, because it is not open.
    NotOpen(i64),
    /// Its closing was undone, and these became void.
    Undone(i64, Vec<i64>),
    /// Nothing was undone, because it is not closed.
    NotClosed(i64),
    /// Nothing was undone, because a later order was closed or skipped.
    LaterEnded(i64),
    /// Where it stands.
    Stands(i64, OrderState),
}

impl OrderOp {
    /// The order it is about.
    pub fn order(&self) -> i64 {
        let (OrderOp::Closed(order, _)
        | OrderOp::Skipped(order, _)
        | OrderOp::NotOpen(order)
        | OrderOp::Undone(order, _)
        | OrderOp::NotClosed(order)
        | OrderOp::LaterEnded(order)
        | OrderOp::Stands(order, _)) = self;
        *order
    }
}

/// The work orders of a task, of which one at most is open.
#[derive(Clone, Debug)]
pub struct Orders(BTreeMap<i64, OrderState>);

impl Orders {
    /// Those of a task whose first order is open.
    pub fn new(first: i64) -> Orders {
        Orders(BTreeMap::from([(first, OrderState::Open)]))
    }

    fn state(&self, order: i64) -> OrderState {
        self.0.get(&order).copied().unwrap_or_default()
    }

    fn end(&mut self, order: i64, state: OrderState, next: Option<i64>) -> bool {
        let fits =
            self.state(order) == OrderState::Open && next.is_none_or(|next| !self.0.contains_key(&next));
        if fits {
            self.0.insert(order, state);
            self.0.extend(next.map(|next| (next, OrderState::Open)));
        }
        fits
    }

    fn later_ended(&self, order: i64) -> bool {
        let ended = |state: &OrderState| [OrderState::Closed, OrderState::Skipped].contains(state);
        self.0.range(order + 1..).any(|(_, state)| ended(state))
    }

    fn open(&self) -> Vec<i64> {
        self.0.iter().filter(|(_, state)| **state == OrderState::Open).map(|(order, _)| *order).collect()
    }
}

impl Thing for Orders {
    type Op = OrderOp;

    fn step(&mut self, op: &OrderOp) -> bool {
        let is_closed = self.state(op.order()) == OrderState::Closed;
        match op {
            OrderOp::Closed(order, next) => self.end(*order, OrderState::Closed, *next),
            OrderOp::Skipped(order, next) => self.end(*order, OrderState::Skipped, *next),
            OrderOp::NotOpen(order) => self.state(*order) != OrderState::Open,
            OrderOp::Undone(order, void) => {
                let fits = is_closed && !self.later_ended(*order) && self.open() == *void;
                if fits {
                    self.0.extend(void.iter().map(|order| (*order, OrderState::Void)));
                    self.0.insert(*order, OrderState::Open);
                }
                fits
            }
            OrderOp::NotClosed(_) => !is_closed,
            OrderOp::LaterEnded(order) => is_closed && self.later_ended(*order),
            OrderOp::Stands(order, state) => self.state(*order) == *state,
        }
    }

    fn back(&mut self, op: &OrderOp) {
        match op {
            OrderOp::Closed(order, next) | OrderOp::Skipped(order, next) => {
                if let Some(next) = next {
                    self.0.remove(next);
                }
                self.0.insert(*order, OrderState::Open);
            }
            OrderOp::Undone(order, void) => {
                self.0.insert(*order, OrderState::Closed);
                self.0.extend(void.iter().map(|order| (*order, OrderState::Open)));
            }
            OrderOp::NotOpen(_) | OrderOp::NotClosed(_) | OrderOp::LaterEnded(_) | OrderOp::Stands(..) => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn event<Op>(begun: u64, ended: u64, op: Op) -> Event<Op> {
        Event { begun, ended, op }
    }

    fn said(report: u32, revision: u32) -> Said {
        Said { report, revision, amount_ms: i64::from(report * 10 + revision) }
    }

    /// A history, and whether some order explains it.
    type Case<Op> = (&'static str, Vec<Event<Op>>, bool);

    fn check<T: Thing<Op: Clone>>(thing: impl Fn() -> T, cases: Vec<Case<T::Op>>) {
        for (what, events, explained) in cases {
            let found = explain(thing(), events.clone());
            assert_eq!(found.is_ok(), explained, "{what}: {found:?}");
            // The order in which events were gathered says nothing.
            assert_eq!(explain(thing(), events.into_iter().rev().collect()).is_ok(), explained, "{what}");
        }
    }

    #[test]
    fn a_meter_is_explained() {
        use MeterOp::{Accepted, Adjusted, Duplicate, Replaces, Shows, Superseded};
        let at_once = |last| {
            vec![
                event(1, 9, Accepted(said(1, 0))),
                event(2, 8, Duplicate(said(1, 0))),
                event(3, 7, Shows(0)),
                event(4, 6, Adjusted(5)),
                event(10, 11, last),
            ]
        };
        let cases = vec![
            ("nothing", vec![], true),
            ("all at once", at_once(Shows(15)), true),
            ("a lost report", at_once(Shows(5)), false),
            ("a report counted twice", at_once(Shows(25)), false),
            ("new twice", vec![event(1, 2, Accepted(said(1, 0))), event(3, 4, Accepted(said(1, 0)))], false),
            ("old news", vec![event(1, 2, Accepted(said(1, 0))), event(3, 4, Shows(0))], false),
            (
                "seen before it was sent",
                vec![event(1, 2, Shows(10)), event(3, 4, Accepted(said(1, 0)))],
                false,
            ),
            (
                "revisions from behind",
                vec![
                    event(1, 2, Accepted(said(1, 1))),
                    event(3, 6, Superseded(said(1, 0))),
                    event(4, 5, Replaces(said(1, 2))),
                    event(7, 8, Shows(12)),
                ],
                true,
            ),
            (
                "a lower one that replaces",
                vec![event(1, 2, Accepted(said(1, 1))), event(3, 4, Replaces(said(1, 0)))],
                false,
            ),
        ];
        check(Meter::default, cases);
    }

    #[test]
    fn orders_are_explained() {
        use OrderOp::{Closed, LaterEnded, NotClosed, NotOpen, Skipped, Stands, Undone};
        let race = |second| vec![event(1, 4, Closed(1, Some(2))), event(2, 3, second)];
        let cases = vec![
            ("of two that close one is refused", race(NotOpen(1)), true),
            ("both close it", race(Closed(1, Some(3))), false),
            ("one closes, one skips", race(Skipped(1, Some(3))), false),
            ("seen open and closed meanwhile", race(Stands(1, OrderState::Open)), true),
            ("the next is seen before it is told of", race(Stands(2, OrderState::Open)), true),
            ("void without an undo", race(Stands(2, OrderState::Void)), false),
            (
                "undone and closed again",
                vec![
                    event(1, 2, Closed(1, Some(2))),
                    event(3, 6, Undone(1, vec![2])),
                    event(4, 9, Closed(1, Some(3))),
                    event(5, 10, NotClosed(2)),
                    event(11, 12, Stands(2, OrderState::Void)),
                    event(13, 14, Closed(3, Some(4))),
                    event(15, 16, LaterEnded(1)),
                ],
                true,
            ),
            (
                "undone under a later closing",
                vec![
                    event(1, 2, Closed(1, Some(2))),
                    event(3, 4, Closed(2, Some(3))),
                    event(5, 6, Undone(1, vec![3])),
                ],
                false,
            ),
            (
                "closed though it was closed before",
                vec![event(1, 2, NotOpen(1)), event(3, 4, Closed(1, None))],
                false,
            ),
        ];
        check(|| Orders::new(1), cases);
    }
}
