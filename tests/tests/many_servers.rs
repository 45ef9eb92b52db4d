//! Several services on one database are one: what all their callers were told is explained by some order, one at a time, and by
//! the one journal that stands in the end. The proof `servers` does more of it.

use fettler_pg::Cluster;
use fettler_proto::v1::Entry;
use fettler_tests::history::{Event, MeterOp, OrderOp};
use fettler_tests::servers::{Shared, Told};

const OPERATIONS: usize = 1_200;
const SEED: u64 = 20_261_125;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_services_on_one_database_are_one() {
    let mut shared = Shared::start(&Cluster::shared().empty(), 2).await;
    shared.run(OPERATIONS, SEED).await;
    let (told, journal) = shared.end().await;
    assert!(told.len() > OPERATIONS, "{} operations", told.len());
    told.check(&journal).expect("one order of events");
    plant(&told, &journal);
}

/// The checker finds what it is there for, in the history that it has just explained.
fn plant(told: &Told, journal: &[Entry]) {
    let fails = |told: &Told, journal: &[Entry], text: &str| {
        let found = told.check(journal).expect_err(text);
        assert!(found.contains(text), "{found}");
    };
    let at = journal.iter().rposition(|entry| entry.kind == "report.arrived").expect("a report");
    fails(told, &journal[..at], "is lost");
    let mut reordered = journal.to_vec();
    reordered.swap(at, at - 1);
    fails(told, &reordered, "stands at place");

    let mut closed_twice = told.clone();
    let chain = closed_twice.orders.iter_mut().find_map(|events| {
        let closed = events.iter().find(|event| matches!(event.op, OrderOp::Closed(..)))?.clone();
        Some((events, closed))
    });
    let (events, closed) = chain.expect("something was closed");
    events.push(Event { op: OrderOp::Closed(closed.op.order(), None), ..closed });
    fails(&closed_twice, journal, "no order explains it");

    let mut counted_twice = told.clone();
    let shown = counted_twice
        .meters
        .values_mut()
        .flatten()
        .find_map(|event| if let MeterOp::Shows(total) = &mut event.op { Some(total) } else { None });
    *shown.expect("a meter was read") += 1_800_000;
    fails(&counted_twice, journal, "no order explains it");

    let mut unheard = told.clone();
    let arrived = unheard.facts.iter().rposition(|event| event.op.0 == "report.arrived").expect("a report");
    unheard.facts.remove(arrived);
    fails(&unheard, journal, "nobody was told");

    // The first change is said to have been asked for after all others were answered.
    let mut turned = told.clone();
    let last = turned.facts.iter().map(|event| event.ended).max().expect("changes");
    let first = turned.facts.iter_mut().find(|event| event.op.0 == "report.arrived").expect("a report");
    (first.begun, first.ended) = (last + 1, last + 2);
    fails(&turned, journal, "when it was answered already");
}
