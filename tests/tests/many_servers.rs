//! Two services on one database: reports and closings come to both at once, and what each caller was told must be
//! explained by the one journal that stands in the end.

use fettler_domain::journal::leaf::hash_of;
use fettler_domain::journal::tree::Frontier;
use fettler_pg::Cluster;
use fettler_proto::v1::{
    CloseOrderRequest, Entry, GetJournalHeadRequest, ListDueRequest, LoadShopRequest, Outcome,
    PushReportRequest,
};
use fettler_tests::kill::hours_ms;
use fettler_tests::service::{Service, connect};
use fettler_tests::shuffle::Random;
use fettler_tests::wire::Wire;
use fettler_tests::year::{Leg, legs, machines, shop, timestamp, totals_ms};
use std::collections::{BTreeMap, BTreeSet};

const MACHINES: usize = 12;
const REPORTS: usize = 600;
/// Callers of each service; all of them send the same reports, each in an order of its own.
const CALLERS: u64 = 2;

/// What one caller was told, in the order in which it was told.
#[derive(Clone, Debug, Default)]
struct Told {
    /// Report ids, and whether the report was new.
    reports: Vec<(String, bool)>,
    /// Orders that this caller closed.
    closed: Vec<i64>,
}

/// Whether what all callers were told can have happened one after the other, as the journal says it did.
fn explain(told: &[Told], journal: &[Entry]) -> Result<(), String> {
    let mut numbers: BTreeMap<&str, Vec<i64>> = BTreeMap::new();
    let mut frontier = Frontier::new();
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
        if ["report.arrived", "order.closed"].contains(&entry.kind.as_str()) {
            numbers.entry(&entry.subject).or_default().push(entry.number);
        }
    }
    let only = |subject: &str| match numbers.get(subject).map(Vec::as_slice) {
        Some([number]) => Ok(*number),
        Some(_) => Err(format!("{subject} stands twice")),
        None => Err(format!("{subject} was acknowledged and is lost")),
    };
    let (mut new, mut closed) = (BTreeSet::new(), BTreeSet::new());
    for caller in told {
        let mut last = -1;
        for (report, is_new) in &caller.reports {
            let number = only(&format!("reports/erp/{report}/0"))?;
            if !is_new {
                continue;
            }
            if !new.insert(report) {
                return Err(format!("{report} was new twice"));
            }
            // Each caller waits for its answer, so its own reports stand in its order.
            if number < last {
                return Err(format!("{report} stands before what was acknowledged earlier"));
            }
            last = number;
        }
        for order in &caller.closed {
            only(&format!("orders/{order}"))?;
            if !closed.insert(*order) {
                return Err(format!("order {order} was closed twice"));
            }
        }
    }
    let arrived = numbers.keys().filter(|subject| subject.starts_with("reports/")).count();
    if arrived != new.len() {
        return Err(format!("{arrived} reports stand, {} were acknowledged as new", new.len()));
    }
    Ok(())
}

async fn send(wire: Wire, reports: Vec<Leg>, orders: Vec<i64>, done_at: i64) -> Told {
    let mut told = Told::default();
    let mut orders = orders.into_iter();
    for (place, leg) in reports.iter().enumerate() {
        let ask = PushReportRequest { report: Some(leg.report()), ..PushReportRequest::default() };
        let answer = wire.hours().push_report(ask).await.expect("an answer").into_inner();
        let outcome = answer.acknowledgement.expect("an acknowledgement").outcome();
        assert!([Outcome::Accepted, Outcome::Duplicate].contains(&outcome), "{outcome:?}");
        told.reports.push((leg.report.clone(), outcome == Outcome::Accepted));
        if place % 10 == 0
            && let Some(order) = orders.next()
        {
            let ask = CloseOrderRequest {
                order,
                done_at: Some(timestamp(done_at)),
                done_by: "Ada Kern".into(),
                ..CloseOrderRequest::default()
            };
            match wire.orders().close_order(ask).await {
                Ok(_) => told.closed.push(order),
                Err(status) => assert_eq!(status.code(), tonic::Code::FailedPrecondition, "{status}"),
            }
        }
    }
    told
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_services_on_one_database_are_one() {
    let all = legs();
    let tags: Vec<String> = machines(&all).into_iter().take(MACHINES).collect();
    let reports: Vec<Leg> =
        all.into_iter().filter(|leg| tags.binary_search(&leg.machine).is_ok()).take(REPORTS).collect();
    let database = Cluster::shared().empty();
    let first = Service::start_with(&["--database", &database]);
    let second = Service::start_with(&["--database", &database]);
    assert!(first.data().join("admin.token").exists());
    assert!(!second.data().join("admin.token").exists(), "the second makes no other token");
    let one = first.wire().await;
    // The token was made by the first to come.
    let two = Wire::new(connect(second.endpoint()).await.expect("the second listens"), &first.token());
    let load = LoadShopRequest { shop: Some(shop(&tags)), ..LoadShopRequest::default() };
    one.shop().load_shop(load).await.expect("the shop loads");
    let far = ListDueRequest { until: "2030-01-01".into(), ..ListDueRequest::default() };
    let (_, due) = two.all_due(far).await.expect("a due list");
    let orders: Vec<i64> = due.iter().map(|item| item.order).collect();
    assert!(orders.len() > MACHINES, "{} orders", orders.len());
    let done_at = reports.iter().map(|leg| leg.end).max().expect("reports");

    let mut callers = Vec::new();
    for caller in 0..CALLERS {
        for wire in [&one, &two] {
            let mut random = Random::new(caller + 1);
            let (mut own, mut closing) = (reports.clone(), orders.clone());
            random.shuffle(&mut own);
            random.shuffle(&mut closing);
            callers.push(tokio::spawn(send(wire.clone(), own, closing, done_at)));
        }
    }
    let mut told = Vec::new();
    for caller in callers {
        told.push(caller.await.expect("a caller"));
    }

    let journal = two.all_entries().await.expect("entries");
    explain(&told, &journal).expect("one order of events");
    let mut frontier = Frontier::new();
    for entry in &journal {
        frontier.push(hash_of(entry.leaf.as_bytes()), |_| ());
    }
    for wire in [&one, &two] {
        let head = wire.journal().get_journal_head(GetJournalHeadRequest::default()).await.expect("a head");
        assert_eq!(head.into_inner().root, frontier.root().to_hex());
        let totals = totals_ms(&reports);
        for machine in wire.all_machines().await.expect("machines") {
            let expect = totals.get(&machine.tag).copied().unwrap_or_default();
            assert_eq!(hours_ms(&machine.meters[0].counted), expect, "{}", machine.tag);
        }
    }
    plant(&told, &journal);
}

/// The checker finds what it is there for.
fn plant(told: &[Told], journal: &[Entry]) {
    let fails = |told: &[Told], journal: &[Entry], text: &str| {
        let found = explain(told, journal).expect_err(text);
        assert!(found.contains(text), "{found}");
    };
    let mut lost = journal.to_vec();
    let at = lost.iter().rposition(|entry| entry.kind == "report.arrived").expect("a report");
    lost.truncate(at);
    fails(told, &lost, "is lost");
    let mut reordered = journal.to_vec();
    reordered.swap(at, at - 1);
    fails(told, &reordered, "stands at place");
    let closed = told.iter().flat_map(|caller| &caller.closed).next().expect("something was closed");
    let mut twice = told.to_vec();
    twice.push(Told { reports: vec![], closed: vec![*closed] });
    fails(&twice, journal, "was closed twice");
    let busy = told.iter().position(|caller| caller.reports.iter().filter(|(_, new)| *new).count() > 1);
    let mut turned = told.to_vec();
    turned[busy.expect("a caller with two new reports")].reports.reverse();
    fails(&turned, journal, "stands before what was acknowledged earlier");
}
