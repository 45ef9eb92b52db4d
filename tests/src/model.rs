//! What a site should hold, kept in the plainest way and worked out anew at each question: reports by the written rules, orders, readings.
//! It shares nothing with the store or the ledger; a report's digest alone is taken as it is told.

use std::collections::{BTreeMap, BTreeSet};

/// What the model's meters run in an hour at most, in milliseconds.
const HOUR_MS: i64 = 3_600_000;
/// What a report may state beyond its time, in milliseconds: a minute.
const GRACE_MS: i64 = 60_000;
/// A common multiple of the lengths of reports, which are whole hours up to 13: sums of rates stay whole numbers.
const LENGTHS: i128 = 360_360;

/// What a report says: of the hour numbered `start` up to that numbered `end`, or that it is withdrawn.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Said {
    /// A machine ran so many milliseconds.
    Ran {
        /// The machine; none where nobody declared it.
        machine: Option<usize>,
        /// The first hour.
        start: i64,
        /// The first hour after it.
        end: i64,
        /// What it ran.
        amount_ms: i64,
    },
    /// Nothing of it is true.
    Withdrawn,
}

/// How a report is known: its source by rank, its id, its revision and its digest.
pub type Known = (usize, String, u32, [u8; 32]);

/// Where a report stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stands {
    /// It counts.
    Counted,
    /// It is held.
    Held,
    /// A newer revision stands.
    Superseded,
    /// A manager dropped it.
    Dropped,
    /// It withdraws the report.
    Withdrawn,
}

/// Where an order stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OrderStands {
    /// Open.
    Open,
    /// Closed.
    Closed,
    /// Skipped.
    Skipped,
    /// Void.
    Void,
}

/// An order: its task, if it has one, by a number of the model's own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Order {
    /// The task.
    pub task: Option<usize>,
    /// Where it stands.
    pub stands: OrderStands,
}

/// A site.
#[derive(Clone, Debug, Default)]
pub struct Model {
    reports: BTreeMap<Known, Said>,
    /// What a manager decided last: whether it is to count.
    settled: BTreeMap<Known, bool>,
    /// Orders by their number less 1.
    pub orders: Vec<Order>,
    /// What stands of readings: machine, hour, value.
    pub readings: BTreeSet<(usize, i64, usize)>,
    /// Corrections of each machine's meter, in milliseconds.
    adjusted_ms: BTreeMap<usize, i64>,
}

impl Model {
    /// A site whose tasks each have their first order open.
    pub fn new(tasks: usize) -> Model {
        let open = |task| Order { task: Some(task), stands: OrderStands::Open };
        Model { orders: (0..tasks).map(open).collect(), ..Model::default() }
    }

    /// Whether a report is there already.
    pub fn has(&self, known: &Known) -> bool {
        self.reports.contains_key(known)
    }

    /// Whether an older revision of a report is there.
    pub fn has_older(&self, known: &Known) -> bool {
        self.reports.keys().any(|other| (other.0, &other.1) == (known.0, &known.1) && other.2 < known.2)
    }

    /// A report comes in.
    pub fn push(&mut self, known: Known, said: Said) {
        self.reports.entry(known).or_insert(said);
    }

    /// A manager decides whether a report counts.
    pub fn settle(&mut self, known: Known, counts: bool) {
        self.settled.insert(known, counts);
    }

    /// A meter is corrected.
    pub fn adjust(&mut self, machine: usize, amount_ms: i64) {
        *self.adjusted_ms.entry(machine).or_default() += amount_ms;
    }

    /// Where each report stands.
    pub fn reports(&self) -> BTreeMap<Known, Stands> {
        let mut found = BTreeMap::new();
        let mut standing: Vec<(&Known, &Said)> = Vec::new();
        let ids: BTreeSet<(usize, &String)> = self.reports.keys().map(|known| (known.0, &known.1)).collect();
        for id in ids {
            let all = || self.reports.iter().filter(move |(known, _)| (known.0, &known.1) == id);
            let highest = all().map(|(known, _)| known.2).max().unwrap_or(0);
            let mut rivals: Vec<(&Known, &Said)> = Vec::new();
            for (known, said) in all() {
                if known.2 < highest {
                    found.insert(known.clone(), Stands::Superseded);
                } else if self.settled.get(known) == Some(&false) {
                    found.insert(known.clone(), Stands::Dropped);
                } else {
                    rivals.push((known, said));
                }
            }
            rivals.sort_by_key(|(known, _)| (!self.counts_by_word(known), known.3));
            for (place, (known, said)) in rivals.into_iter().enumerate() {
                match (place, said) {
                    (0, Said::Withdrawn) => {
                        found.insert(known.clone(), Stands::Withdrawn);
                    }
                    (0, Said::Ran { .. }) => standing.push((known, said)),
                    _ => {
                        found.insert(known.clone(), Stands::Held);
                    }
                }
            }
        }
        self.judge(standing, &mut found);
        found
    }

    fn counts_by_word(&self, known: &Known) -> bool {
        self.settled.get(known) == Some(&true)
    }

    /// Each against those that were accepted before it: settled ones, then by rank, start, end, id and digest.
    fn judge(&self, mut standing: Vec<(&Known, &Said)>, found: &mut BTreeMap<Known, Stands>) {
        standing.sort_by_key(|(known, said)| {
            let (start, end) = span(said);
            (!self.counts_by_word(known), known.0, start, end, known.1.clone(), known.3)
        });
        let mut accepted: Vec<(&Known, &Said)> = Vec::new();
        for (known, said) in standing {
            let is_well = self.fits(known, said, &accepted);
            if is_well {
                accepted.push((known, said));
            }
            found.insert(known.clone(), if is_well { Stands::Counted } else { Stands::Held });
        }
    }

    fn fits(&self, known: &Known, said: &Said, accepted: &[(&Known, &Said)]) -> bool {
        let Said::Ran { machine: Some(machine), start, end, amount_ms } = said else { return false };
        if end <= start || *amount_ms < 0 {
            return false;
        }
        if self.counts_by_word(known) {
            return true;
        }
        if *amount_ms > (end - start) * HOUR_MS + GRACE_MS {
            return false;
        }
        let touching = || {
            accepted.iter().filter(|(_, other)| {
                let (from, until) = span(other);
                machine_of(other) == Some(*machine) && from < *end && *start < until
            })
        };
        if touching().any(|(other, _)| other.0 != known.0) {
            return false;
        }
        if touching().next().is_none() {
            return true;
        }
        // In every hour, since reports begin and end on the hour.
        (*start..*end).all(|hour| {
            let here = touching().filter(|(_, other)| (span(other).0..span(other).1).contains(&hour));
            let sum: i128 = here.map(|(_, other)| rate(other)).sum::<i128>() + rate(said);
            sum <= i128::from(HOUR_MS) * LENGTHS
        })
    }

    /// What a machine's meter has counted, in milliseconds.
    pub fn counted_ms(&self, machine: usize) -> i64 {
        let reports = self.reports();
        let counted = reports.iter().filter(|(_, stands)| **stands == Stands::Counted);
        let sum: i64 = counted
            .map(|(known, _)| match &self.reports[known] {
                Said::Ran { machine: Some(of), amount_ms, .. } if *of == machine => *amount_ms,
                Said::Ran { .. } | Said::Withdrawn => 0,
            })
            .sum();
        sum + self.adjusted_ms.get(&machine).copied().unwrap_or(0)
    }

    /// Ends an open order; its task's next one stands. Whether it was open.
    pub fn end(&mut self, number: usize, how: OrderStands) -> bool {
        let Some(order) = self.orders.get_mut(number.wrapping_sub(1)) else { return false };
        if order.stands != OrderStands::Open {
            return false;
        }
        order.stands = how;
        let task = order.task;
        if task.is_some() {
            self.orders.push(Order { task, stands: OrderStands::Open });
        }
        true
    }

    /// Opens an order without a task.
    pub fn raise(&mut self) {
        self.orders.push(Order { task: None, stands: OrderStands::Open });
    }

    /// Takes a closing back, unless a later order of the task was closed or skipped. Whether it was.
    pub fn undo(&mut self, number: usize) -> bool {
        let place = number.wrapping_sub(1);
        let Some(order) = self.orders.get(place).copied() else { return false };
        let is_of_task = |other: &Order| order.task.is_some() && other.task == order.task;
        let later = self.orders.iter().skip(number).filter(|other| is_of_task(other));
        let mut later = later.map(|other| other.stands);
        if order.stands != OrderStands::Closed
            || later.any(|stands| matches!(stands, OrderStands::Closed | OrderStands::Skipped))
        {
            return false;
        }
        for other in self.orders.iter_mut().filter(|other| is_of_task(other)) {
            if other.stands == OrderStands::Open {
                other.stands = OrderStands::Void;
            }
        }
        self.orders[place].stands = OrderStands::Open;
        true
    }
}

fn span(said: &Said) -> (i64, i64) {
    match said {
        Said::Ran { start, end, .. } => (*start, *end),
        Said::Withdrawn => (0, 0),
    }
}

fn machine_of(said: &Said) -> Option<usize> {
    match said {
        Said::Ran { machine, .. } => *machine,
        Said::Withdrawn => None,
    }
}

/// What a report takes of an hour, less its minute, in milliseconds times [`LENGTHS`].
fn rate(said: &Said) -> i128 {
    match said {
        Said::Ran { start, end, amount_ms, .. } => {
            i128::from((amount_ms - GRACE_MS).max(0)) * LENGTHS / i128::from(end - start)
        }
        Said::Withdrawn => 0,
    }
}
