//! What callers were told, and whether it has an explanation.

use crate::history::{Event, Meter, MeterOp, OrderOp, Orders, explain};
use fettler_domain::journal::leaf::hash_of;
use fettler_domain::journal::tree::Frontier;
use fettler_proto::v1::Entry;
use std::collections::{BTreeMap, BTreeSet};

/// A change that was told, as the journal names it: kind and subject.
type Fact = (String, String);

/// What callers asked and were told.
#[derive(Clone, Debug, Default)]
pub struct Told {
    /// Of each machine's meter.
    pub meters: BTreeMap<String, Vec<Event<MeterOp>>>,
    /// Of each task's orders, and of each raised order.
    pub orders: Vec<Vec<Event<OrderOp>>>,
    /// The first order of each.
    pub first: Vec<i64>,
    /// What was changed.
    pub facts: Vec<Event<Fact>>,
}

impl Told {
    /// How many questions and changes.
    pub fn len(&self) -> usize {
        self.meters.values().map(Vec::len).sum::<usize>() + self.orders.iter().map(Vec::len).sum::<usize>()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    pub(super) fn add(&mut self, other: Told) {
        for (machine, events) in other.meters {
            self.meters.entry(machine).or_default().extend(events);
        }
        for (chain, events) in other.orders.into_iter().enumerate() {
            self.note(chain, events);
        }
        self.facts.extend(other.facts);
    }

    pub(super) fn note(&mut self, chain: usize, events: impl IntoIterator<Item = Event<OrderOp>>) {
        if self.orders.len() <= chain {
            self.orders.resize(chain + 1, Vec::new());
        }
        self.orders[chain].extend(events);
    }

    /// Whether what was told, and the journal, have an explanation.
    pub fn check(&self, journal: &[Entry]) -> Result<(), String> {
        for (machine, events) in &self.meters {
            explain(Meter::default(), events.clone()).map_err(|why| format!("meter of {machine}: {why}"))?;
        }
        for (events, first) in self.orders.iter().zip(&self.first) {
            explain(Orders::new(*first), events.clone())
                .map_err(|why| format!("orders from {first} on: {why}"))?;
        }
        in_journal(&self.facts, journal)
    }
}

/// Whether the journal is whole, holds what was told and nothing else, and in an order in which it can have happened.
fn in_journal(facts: &[Event<Fact>], journal: &[Entry]) -> Result<(), String> {
    let kinds: BTreeSet<&str> = [
        "report.arrived",
        "adjustment.booked",
        "order.closed",
        "order.skipped",
        "order.raised",
        "closing.undone",
    ]
    .into();
    let mut told: BTreeMap<Fact, Vec<(u64, u64)>> = BTreeMap::new();
    for event in facts {
        told.entry(event.op.clone()).or_default().push((event.begun, event.ended));
    }
    let mut frontier = Frontier::new();
    let mut stand: BTreeMap<Fact, usize> = BTreeMap::new();
    let mut latest_begun = 0;
    for entry in journal {
        if entry.number != frontier.size() {
            return Err(format!("leaf {} stands at place {}", entry.number, frontier.size()));
        }
        let hash = hash_of(entry.leaf.as_bytes());
        if hash.to_hex() != entry.leaf_hash || !entry.leaf.contains(&format!("\"number\":{},", entry.number))
        {
            return Err(format!("leaf {} is not what was hashed", entry.number));
        }
        frontier.push(hash, |_| ());
        if !kinds.contains(entry.kind.as_str()) {
            continue;
        }
        let fact = (entry.kind.clone(), subject(&entry.subject).to_owned());
        // What happened more than once may have happened in any order.
        if let Some([(begun, ended)]) = told.get(&fact).map(Vec::as_slice) {
            if *ended < latest_begun {
                return Err(format!("{fact:?} stands after what was asked when it was answered already"));
            }
            latest_begun = latest_begun.max(*begun);
        }
        *stand.entry(fact).or_default() += 1;
    }
    for (fact, times) in &told {
        match stand.remove(fact).unwrap_or(0) {
            0 => return Err(format!("{fact:?} was acknowledged and is lost")),
            stands if stands != times.len() => {
                return Err(format!("{fact:?} was told {} times and stands {stands} times", times.len()));
            }
            _ => {}
        }
    }
    stand.into_keys().next().map_or(Ok(()), |fact| Err(format!("{fact:?} stands and nobody was told")))
}

/// Meters stand in the journal by their numbers, which callers are not told.
fn subject(subject: &str) -> &str {
    if subject.starts_with("meters/") { "meters" } else { subject }
}
