//! What is told of an arrival: its outcome, what left the count, and which other reports it displaced or let in.

use fettler_domain::ids::{MachineId, MeterId};
use fettler_domain::ledger::batch::Batch;
use fettler_domain::ledger::changes::{Changes, Found, Need, Outcome, Told};
use fettler_domain::ledger::declare::{Declarations, Meter, Source};
use fettler_domain::ledger::report::{Content, Received, ReportId, ReportKey, Statement};
use fettler_domain::ledger::row::{Feed, Reason, Rival, Row, Settlement, State};
use fettler_domain::quantity::{Amount, MaxPerHour, MeterKind, Unit};
use fettler_domain::text::{ForeignName, Key};
use fettler_domain::time::{MICROS_PER_HOUR, Ts};
use std::collections::BTreeMap;

const HOUR: i64 = 3_600_000;

fn name(text: &str) -> ForeignName {
    ForeignName::new(text).expect("a name within bounds")
}

fn declarations() -> Declarations {
    let mut declarations = Declarations::default();
    declarations.machine(MachineId(1), ["L-7"]).expect("names are free");
    declarations.meter(Meter {
        id: MeterId(1),
        machine: MachineId(1),
        key: Key::new("main").expect("a key"),
        kind: MeterKind::Working,
        feed: Feed::Interval,
        max: MaxPerHour::ONE_HOUR_AN_HOUR,
        replacements: Vec::new(),
    });
    declarations.source(name("erp"), Source { rank: Some(0), feeds: None });
    declarations.source(name("cell"), Source { rank: Some(1), feeds: None });
    declarations
}

fn report(source: &str, report: &str, revision: u32, hours: (i64, i64), amount: i64) -> Received {
    let (start, end) = (Ts(hours.0 * MICROS_PER_HOUR), Ts(hours.1 * MICROS_PER_HOUR));
    let statement = Statement::Interval { start, end, unit: Unit::Hours, amount: Amount(amount) };
    let id = ReportId { source: name(source), report: name(report) };
    Received::new(id, revision, Content { machine: name("L-7"), meter: None, statement }, Ts(0))
}

/// A store that holds one site and gives all of it for every need.
#[derive(Default)]
struct Stored(BTreeMap<ReportKey, Row>);

impl Stored {
    fn run(&mut self, mut batch: Batch<'_>) -> Changes {
        let changes = loop {
            match batch.judge(Ts(1_000 * MICROS_PER_HOUR)) {
                Ok(changes) => break changes,
                Err(needs) => needs.iter().for_each(|need: &Need| {
                    batch
                        .load(need, Found { rows: self.0.values().cloned().collect(), replaced: Vec::new() });
                }),
            }
        };
        self.0.extend(changes.rows.iter().map(|change| (change.after.key.clone(), change.after.clone())));
        changes
    }

    /// Takes one report, and gives what is told of it.
    fn arrive(&mut self, arrival: &Received) -> Told {
        let declarations = declarations();
        let changes = self.run(Batch::arriving(&declarations, vec![arrival.clone()]));
        changes.told.into_iter().next().expect("one arrival is told of")
    }
}

fn plain(arrival: &Received, outcome: Outcome) -> Told {
    let key = arrival.key.clone();
    Told { key, outcome, left: Amount::ZERO, displaced: Vec::new(), let_in: Vec::new() }
}

#[test]
fn a_first_report_is_accepted_and_its_repeat_is_a_duplicate() {
    let mut stored = Stored::default();
    let shift = report("erp", "a", 1, (0, 8), 7 * HOUR);
    assert_eq!(stored.arrive(&shift), plain(&shift, Outcome::Accepted));
    let again = Outcome::Duplicate { state: State::Counted, reason: None };
    assert_eq!(stored.arrive(&shift), plain(&shift, again));
}

#[test]
fn a_repeat_of_a_held_report_says_why_it_is_held() {
    let mut stored = Stored::default();
    let shift = report("erp", "a", 1, (0, 8), 9 * HOUR);
    let most = Amount(8 * HOUR + 60_000);
    let reason = Reason::MoreThanTime { amount: Amount(9 * HOUR), most };
    assert_eq!(stored.arrive(&shift), plain(&shift, Outcome::Held { reason: reason.clone() }));
    let again = Outcome::Duplicate { state: State::Held, reason: Some(reason) };
    assert_eq!(stored.arrive(&shift), plain(&shift, again));
}

#[test]
fn a_newer_revision_replaces_and_an_older_one_is_superseded() {
    let mut stored = Stored::default();
    let [one, two, three] = [1, 2, 3].map(|n| report("erp", "a", n, (0, 8), i64::from(n) * HOUR));
    stored.arrive(&two);
    assert_eq!(stored.arrive(&three), plain(&three, Outcome::Replaces));
    assert_eq!(stored.arrive(&one), plain(&one, Outcome::Superseded));
}

#[test]
fn a_held_revision_unseats_the_older_one_and_says_what_left_the_count() {
    let mut stored = Stored::default();
    stored.arrive(&report("erp", "a", 1, (0, 8), 8 * HOUR));
    let told = stored.arrive(&report("erp", "a", 2, (0, 8), -1));
    assert!(matches!(told.outcome, Outcome::Held { reason: Reason::Impossible { .. } }));
    assert_eq!(told.left, Amount(8 * HOUR));
    assert!(stored.0.values().all(|row| !row.counts()));
}

#[test]
fn a_better_ranked_report_displaces_and_its_withdrawal_lets_in_again() {
    let mut stored = Stored::default();
    let cell = report("cell", "c", 1, (4, 10), 5 * HOUR);
    assert_eq!(stored.arrive(&cell).outcome, Outcome::Accepted);
    let erp = report("erp", "a", 1, (0, 8), 8 * HOUR);
    let told = stored.arrive(&erp);
    assert_eq!((told.outcome, told.left), (Outcome::Accepted, Amount(5 * HOUR)));
    assert_eq!(told.displaced, std::slice::from_ref(&cell.key));
    assert_eq!(stored.0[&cell.key].reason, Some(Reason::Conflict { with: Rival::of(&erp.key) }));

    let id = erp.key.id();
    let content = Content { statement: Statement::Withdrawn, ..erp.content };
    let told = stored.arrive(&Received::new(id, 2, content, Ts(0)));
    assert_eq!((told.outcome, told.left), (Outcome::Replaces, Amount(8 * HOUR)));
    assert_eq!((told.displaced, told.let_in), (vec![], vec![cell.key]));
}

#[test]
fn two_contents_of_one_revision_settle_on_the_smaller_digest() {
    let mut two = [report("erp", "a", 1, (0, 8), 6 * HOUR), report("erp", "a", 1, (0, 8), 7 * HOUR)];
    two.sort_by_key(|report| report.key.digest);
    let [smaller, larger] = two;
    let reason = Reason::SameRevision { stands: smaller.key.digest };
    let mut stored = Stored::default();
    stored.arrive(&smaller);
    assert_eq!(stored.arrive(&larger), plain(&larger, Outcome::Held { reason: reason.clone() }));

    let mut stored = Stored::default();
    stored.arrive(&larger);
    let told = stored.arrive(&smaller);
    assert_eq!(told, Told { displaced: vec![larger.key.clone()], ..plain(&smaller, Outcome::Accepted) });
    assert_eq!(stored.0[&larger.key].reason, Some(reason));
}

#[test]
fn a_settlement_counts_without_the_test_and_stands_before_all_others() {
    let mut stored = Stored::default();
    let erp = report("erp", "a", 1, (0, 8), 8 * HOUR);
    let cell = report("cell", "c", 1, (4, 10), 5 * HOUR);
    stored.arrive(&erp);
    stored.arrive(&cell);
    let never = report("erp", "never", 1, (0, 8), HOUR).key;
    let declarations = declarations();
    let settled = [(cell.key.clone(), Settlement::Count), (never.clone(), Settlement::Drop)];
    let changes = stored.run(Batch::settling(&declarations, settled));
    assert_eq!(changes.unknown, [never]);
    assert!(stored.0[&cell.key].counts());
    assert_eq!(stored.0[&erp.key].reason, Some(Reason::Conflict { with: Rival::of(&cell.key) }));
    let totals: Vec<Amount> = changes.month_totals().into_values().collect();
    assert_eq!(totals, [Amount(-3 * HOUR)]);
}

#[test]
fn one_batch_tells_of_each_arrival_in_order() {
    let declarations = declarations();
    let shift = |n: i64| report("erp", &n.to_string(), 1, (8 * n, 8 * n + 8), 7 * HOUR);
    let arrivals = vec![shift(1), shift(0), shift(1), report("cell", "c", 1, (3, 5), HOUR)];
    let changes = Stored::default().run(Batch::arriving(&declarations, arrivals.clone()));
    let keys: Vec<&ReportKey> = changes.told.iter().map(|told| &told.key).collect();
    assert_eq!(keys, arrivals.iter().map(|arrival| &arrival.key).collect::<Vec<_>>());
    let again = Outcome::Duplicate { state: State::Counted, reason: None };
    let conflict = Outcome::Held { reason: Reason::Conflict { with: Rival::of(&arrivals[1].key) } };
    let outcomes: Vec<Outcome> = changes.told.into_iter().map(|told| told.outcome).collect();
    assert_eq!(outcomes, [Outcome::Accepted, Outcome::Accepted, again, conflict]);
}
