//! The year of real duty through a real service, on either engine: as it goes by, and all at once on its last day; held against the
//! file's own sums and an independent computation of every due point.

use crate::agree::blotted;
use crate::kill::hours_ms;
use crate::oracle;
use crate::push::push_all;
use crate::service::Service;
use crate::shuffle::Random;
use crate::wire::Wire;
use crate::year::{FILE, LAST_DONE, Leg, ZONE, legs, machines, micros, shop, timestamp, totals_ms};
use fettler_pg::Cluster;
use fettler_proto::v1::{
    CloseOrderRequest, DueItem, DueKind, DueSection, KeptReport, ListDueRequest, LoadShopRequest, ShiftReport,
};
use serde_json::json;
use std::collections::BTreeMap;

/// The shop is declared then.
const DECLARED: &str = "2013-01-01T12:00:00Z";
/// The due list is asked for then; each lies some way into a shop day.
const DATES: [&str; 3] = ["2013-04-01T16:00:00Z", "2013-08-15T12:30:00Z", "2014-01-02T15:00:00Z"];
/// Of what is due, every so many-th is closed.
const CLOSED_EVERY: usize = 7;
/// It was done so long before the list was asked for: two hours.
const DONE_BEFORE_MICROS: i64 = 2 * 3_600 * 1_000_000;

/// A closing as the story remembers it.
#[derive(Clone, Debug)]
pub struct Closed {
    machine: String,
    task: String,
    done_at: i64,
}

/// What serves a moment of the year: a clock that stands at it, and a database unless it is a file.
fn moment<'a>(at: &'a str, database: Option<&'a str>) -> Vec<&'a str> {
    let mut arguments = vec!["--clock-at", at];
    if let Some(url) = database {
        arguments.extend(["--database", url]);
    }
    arguments
}

fn instant(text: &str) -> i64 {
    chrono::DateTime::parse_from_rfc3339(text).expect("RFC 3339").timestamp_micros()
}

async fn load(wire: &Wire, tags: &[String]) {
    let ask = || LoadShopRequest { shop: Some(shop(tags)), ..LoadShopRequest::default() };
    let loaded = wire.shop().load_shop(ask()).await.expect("the shop loads").into_inner();
    assert_eq!(usize::try_from(loaded.orders_opened).expect("a count"), tags.len() * 6);
    let again = wire.shop().load_shop(ask()).await.expect("the shop loads again").into_inner();
    assert_eq!(again.changes, [], "loading twice changes nothing");
}

/// The due list of the moment, once every row stands for its shop day and for what is known by then.
async fn due(wire: &Wire) -> Vec<DueItem> {
    // Each ask gives the refresher time to go on; a refresher that stands still fails here.
    for _ in 0..100_000 {
        let ask = ListDueRequest { page_size: 1, ..ListDueRequest::default() };
        let list = wire.due().list_due(ask).await.expect("a due list").into_inner();
        if list.stale_rows == 0 && !list.figures_pending {
            return wire.all_due(ListDueRequest::default()).await.expect("a due list").1;
        }
    }
    panic!("the rows are not refreshed");
}

/// What the oracle says is due at an instant, and what it says is decided by hours to come.
fn expected(
    known_to: i64,
    as_of: i64,
    closings: &[Closed],
) -> BTreeMap<(String, String), Option<(i64, DueKind)>> {
    let closings: Vec<_> = closings
        .iter()
        .map(|c| json!({"machine": c.machine, "task": c.task, "done_at": c.done_at}))
        .collect();
    let ask = json!({"known_to": known_to, "as_of": as_of, "zone": ZONE, "day_starts_at": "06:00",
        "last_done": LAST_DONE, "closings": closings});
    let file = oracle::data(FILE);
    let answer = oracle::run("crossings.py", &[file.to_str().expect("UTF-8")], &ask.to_string());
    let mut all = BTreeMap::new();
    for line in oracle::lines(&answer) {
        let Some(task) = line["task"].as_str() else { continue };
        let known = match line["how"].as_str().expect("a word") {
            "crossed" => Some(DueKind::Crossed),
            "calendar" => Some(DueKind::Calendar),
            _ => None,
        };
        let due = known.map(|kind| (line["due"].as_i64().expect("micros"), kind));
        all.insert((line["machine"].as_str().expect("a tag").to_owned(), task.to_owned()), due);
    }
    all
}

/// Compares a due list with the oracle's: the same items with the same instants, none missing, none more.
fn compare(
    items: &[DueItem],
    expected: &BTreeMap<(String, String), Option<(i64, DueKind)>>,
    end_of_day: i64,
) {
    let mut listed = 0;
    for item in items {
        let key = (item.machine.clone(), item.task.clone());
        let found = item.due.as_ref().map(|due| (micros(due), item.kind()));
        if item.section() == DueSection::NeverRecorded {
            assert_eq!((found, expected[&key]), (None, None), "{key:?}");
        } else if item.kind() == DueKind::Expected {
            assert_eq!(expected[&key], None, "{key:?} is only expected");
            assert!(!item.late, "late is never said from a forecast: {key:?}");
        } else {
            assert_eq!(found, expected[&key], "{key:?}: {}", item.why);
            listed += 1;
        }
    }
    let wanted = expected.values().filter(|due| due.is_some_and(|(at, _)| at < end_of_day)).count();
    assert_eq!(listed, wanted, "every item that is due stands on the list");
    assert!(wanted > 2_000, "only {wanted} items were compared");
}

/// The end of the shop day that holds an instant; all dates of this test lie after 06:00 of their day.
fn end_of_day(at: i64) -> i64 {
    let zone: chrono_tz::Tz = ZONE.parse().expect("a zone");
    let local = chrono::DateTime::from_timestamp_micros(at).expect("in range").with_timezone(&zone);
    let next = (local.date_naive() + chrono::Days::new(1)).and_hms_opt(6, 0, 0).expect("a time");
    next.and_local_timezone(zone).single().expect("06:00 is never changed").timestamp_micros()
}

async fn close(wire: &Wire, item: &DueItem, done_at: i64) {
    let ask = CloseOrderRequest {
        order: item.order,
        done_at: Some(timestamp(done_at)),
        done_by: "Ada Kern".into(),
        ..CloseOrderRequest::default()
    };
    let closed = wire.orders().close_order(ask).await.expect("an order closes").into_inner();
    assert_ne!(closed.next.expect("the next order stands").order, item.order);
}

async fn check_totals(wire: &Wire, legs: &[Leg]) {
    let totals = totals_ms(legs);
    let machines = wire.all_machines().await.expect("machines");
    assert_eq!(machines.len(), 2_481);
    for machine in machines {
        let counted = hours_ms(&machine.meters[0].counted);
        assert_eq!(counted, totals.get(&machine.tag).copied().unwrap_or_default(), "{}", machine.tag);
    }
}

fn reports(legs: &[Leg]) -> Vec<ShiftReport> {
    legs.iter().map(Leg::report).collect()
}

/// Reports come as the year goes by, lists are asked for and orders closed on the way.
pub async fn as_it_goes_by(database: Option<&str>, all: &[Leg], tags: &[String]) -> (Service, Vec<Closed>) {
    let mut service = Service::start_with(&moment(DECLARED, database));
    load(&service.wire().await, tags).await;
    let (mut closings, mut from) = (Vec::new(), i64::MIN);
    for date in DATES {
        let now = instant(date);
        service.restart_with(&moment(date, database));
        let wire = service.wire().await;
        let mut arriving: Vec<Leg> =
            all.iter().filter(|leg| leg.end > from && leg.end <= now).cloned().collect();
        Random::new(1).shuffle(&mut arriving);
        push_all(&wire, &reports(&arriving)).await;
        from = now;

        let items = due(&wire).await;
        compare(&items, &expected(now, now, &closings), end_of_day(now));
        for item in items.iter().step_by(CLOSED_EVERY) {
            let done_at = now - DONE_BEFORE_MICROS;
            close(&wire, item, done_at).await;
            closings.push(Closed { machine: item.machine.clone(), task: item.task.clone(), done_at });
        }
        compare(&due(&wire).await, &expected(now, now, &closings), end_of_day(now));
    }
    check_totals(&service.wire().await, all).await;
    (service, closings)
}

/// Everything arrives on the last day, in another order, some of it twice; then the closings.
pub async fn all_at_once(
    database: Option<&str>,
    all: &[Leg],
    tags: &[String],
    closings: &[Closed],
) -> Service {
    let mut service = Service::start_with(&moment(DECLARED, database));
    load(&service.wire().await, tags).await;
    service.restart_with(&moment(DATES[2], database));
    let wire = service.wire().await;
    let mut arriving = all.to_vec();
    arriving.extend(all.iter().step_by(50).cloned());
    Random::new(2).shuffle(&mut arriving);
    let pushed = push_all(&wire, &reports(&arriving)).await;
    let counts = pushed.count();
    assert_eq!(counts["OUTCOME_ACCEPTED"], all.len(), "{counts:?}");
    assert_eq!(counts["OUTCOME_DUPLICATE"], arriving.len() - all.len(), "{counts:?}");
    check_totals(&wire, all).await;

    for closed in closings {
        let ask = fettler_proto::v1::ExplainOrderRequest {
            machine: closed.machine.clone(),
            task: closed.task.clone(),
            ..Default::default()
        };
        let open = wire.due().explain_order(ask).await.expect("an open order").into_inner();
        close(&wire, &open.item.expect("an item"), closed.done_at).await;
    }
    service
}

/// What of a report does not depend on when it arrived.
fn settled(mut report: KeptReport) -> KeptReport {
    report.received_at = None;
    report.entry = 0;
    report
}

/// What of an item does not depend on when it was opened: everything but the numbers given out on the way.
fn standing(mut item: DueItem) -> DueItem {
    item.order = 0;
    for clause in &mut item.clauses {
        clause.base =
            clause.base.split(' ').filter(|word| word.parse::<i64>().is_err()).collect::<Vec<_>>().join(" ");
    }
    item
}

/// Every item of the list as it stands at the end of the year, by machine and task, without what depends on the way there.
pub async fn list(wire: &Wire) -> BTreeMap<(String, String), DueItem> {
    whole_list(wire)
        .await
        .into_iter()
        .map(standing)
        .map(|i| ((i.machine.clone(), i.task.clone()), i))
        .collect()
}

/// Every item of the list as it stands at the end of the year.
pub async fn whole_list(wire: &Wire) -> Vec<DueItem> {
    due(wire).await;
    let far = ListDueRequest { until: "2014-12-31".into(), while_stopped: true, ..ListDueRequest::default() };
    wire.all_due(far).await.expect("a due list").1
}

/// Every report that is kept, by its id, without what depends on when it arrived.
pub async fn kept(wire: &Wire) -> BTreeMap<String, KeptReport> {
    let reports = wire.all_reports().await.expect("reports").into_iter().map(settled);
    reports.map(|r| (r.report.clone().expect("a reference").report_id, r)).collect()
}

/// What was the same on both engines.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Same {
    /// Machines with what their meters show.
    pub machines: usize,
    /// Items of the list at the year's end.
    pub items: usize,
    /// Orders closed on the way.
    pub closings: usize,
    /// Reports kept.
    pub reports: usize,
    /// Leaves of the site's journal.
    pub leaves: usize,
}

/// The year on a file and in a database: as it goes by, everything is the same, numbers of orders, places in the journal and its
/// leaves included; all at once in the database, what stands in the end is the same. On the way each list of either is held
/// against the oracle.
pub async fn on_both_engines(cluster: &Cluster) -> Same {
    let all = legs();
    let tags = machines(&all);
    let (file, closings) = as_it_goes_by(None, &all, &tags).await;
    let (base, closings_there) = as_it_goes_by(Some(&cluster.empty()), &all, &tags).await;
    assert_eq!(closings.len(), closings_there.len());
    let (one, other) = (file.wire().await, base.wire().await);

    let items = whole_list(&one).await;
    assert!(items == whole_list(&other).await, "the lists are the same");
    let machines = one.all_machines().await.expect("machines");
    assert!(machines == other.all_machines().await.expect("machines"), "the machines are the same");
    let reports = one.all_reports().await.expect("reports");
    assert!(reports == other.all_reports().await.expect("reports"), "the ledgers are the same");
    let leaves = async |wire: &Wire| {
        let entries = wire.all_entries().await.expect("entries");
        entries.iter().map(|entry| blotted(&entry.leaf)).collect::<Vec<_>>()
    };
    let journal = leaves(&one).await;
    assert!(journal == leaves(&other).await, "the journals are the same, leaf by leaf");
    drop((base, other));

    let late = all_at_once(Some(&cluster.empty()), &all, &tags, &closings).await;
    let late = late.wire().await;
    assert!(list(&one).await == list(&late).await, "another order of arrival ends in the same list");
    assert!(kept(&one).await == kept(&late).await, "another order of arrival ends in the same ledger");
    Same {
        machines: machines.len(),
        items: items.len(),
        closings: closings.len(),
        reports: reports.len(),
        leaves: journal.len(),
    }
}
