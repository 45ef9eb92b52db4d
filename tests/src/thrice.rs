//! Reports of five sources, each delivered three times in an order that chance makes, to a real service: totals are exact to the
//! millisecond, and what is kept has the hash that it has when everything comes once and in order.

use crate::push::push_all;
use crate::service::Service;
use crate::shuffle::Random;
use crate::wire::Wire;
use crate::year::timestamp;
use fettler_proto::v1::shift_report::Statement;
use fettler_proto::v1::{
    IntervalStatement, LoadShopRequest, MachineCard, MeterCard, MeterKind, Outcome, ShiftReport, Shop, Site,
    Source,
};
use sha2::{Digest as _, Sha256};
use std::collections::BTreeMap;

/// Sources, each with machines of its own and one that all of them report.
const SOURCES: usize = 5;
/// Machines of a source.
const MACHINES: usize = 40;
/// Times that each report is delivered.
const TIMES: usize = 3;
/// Of so many reports one is corrected by a second revision.
const CORRECTED: usize = 7;
/// A shift, in microseconds.
const SHIFT: i64 = 8 * 3_600_000_000;
/// The first moment of a report: 1 January 2020.
const FIRST_MICROS: i64 = 1_577_836_800_000_000;

/// What deliveries came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Delivered {
    /// Reports, revisions counted by themselves.
    pub reports: usize,
    /// Deliveries.
    pub deliveries: usize,
    /// Milliseconds counted in all.
    pub counted_ms: i64,
    /// Hash of what is kept.
    pub hash: [u8; 32],
}

fn tag(source: usize, machine: usize) -> String {
    format!("S{source}-{machine}")
}

fn source(number: usize) -> String {
    format!("source-{number}")
}

fn shop() -> Shop {
    let card = |tag: String| MachineCard {
        tag,
        meters: vec![MeterCard { kind: MeterKind::Operating.into(), ..MeterCard::default() }],
        ..MachineCard::default()
    };
    let own = (0..SOURCES).flat_map(|source| (0..MACHINES).map(move |machine| tag(source, machine)));
    let feeds = MeterKind::Operating.into();
    let ranked =
        |number| Source { name: source(number), rank: i32::try_from(number).expect("few") + 1, feeds };
    Shop {
        site: Some(Site { key: "north".into(), zone: "UTC".into(), ..Site::default() }),
        sources: (0..SOURCES).map(ranked).collect(),
        machines: own.chain(["common".to_owned()]).map(card).collect(),
        ..Shop::default()
    }
}

/// A report: the number of its source, its place among the source's, its revision, its machine and what it states.
fn report(of: usize, place: usize, revision: u32, machine: String, at: usize, amount_ms: i64) -> ShiftReport {
    let start = FIRST_MICROS + i64::try_from(at).expect("small") * SHIFT;
    let interval = IntervalStatement {
        start: Some(timestamp(start)),
        end: Some(timestamp(start + SHIFT)),
        // Hours as a decimal that is a whole number of milliseconds.
        amount: format!("{}.{:04}", amount_ms / 3_600_000, amount_ms % 3_600_000 / 360),
        ..IntervalStatement::default()
    };
    ShiftReport {
        source: source(of),
        report_id: format!("r-{place}"),
        revision,
        machine,
        statement: Some(Statement::Interval(interval)),
        ..ShiftReport::default()
    }
}

/// So many reports of a seed, and what each machine ran by them.
fn told(seed: u64, reports: usize) -> (Vec<ShiftReport>, BTreeMap<String, i64>) {
    let (mut random, mut all, mut ran_ms) = (Random::new(seed), Vec::new(), BTreeMap::new());
    let mut amount = || i64::try_from(random.below(80_000)).expect("small") * 360;
    for number in 0..reports {
        let (of, place) = (number % SOURCES, number / SOURCES);
        // Each tenth report is of the machine that all of them report: the first source's counts, the others' are held.
        let (machine, at) = if place % 10 == 0 {
            ("common".to_owned(), place / 10)
        } else {
            (tag(of, place % MACHINES), place / MACHINES)
        };
        let mut stated = amount();
        all.push(report(of, place, 0, machine.clone(), at, stated));
        if number % CORRECTED == 0 {
            stated = amount();
            all.push(report(of, place, 1, machine.clone(), at, stated));
        }
        if machine != "common" || of == 0 {
            *ran_ms.entry(machine).or_default() += stated;
        }
    }
    (all, ran_ms)
}

/// Delivers them, each three times, to a new service, and once in order to another one; the two must hold the same.
///
/// # Panics
///
/// When a total is off by a millisecond, an answer is missing, or the two differ.
pub async fn deliver(seed: u64, reports: usize) -> Delivered {
    let (all, ran_ms) = told(seed, reports);
    let mut order: Vec<usize> = (0..all.len()).flat_map(|place| [place; TIMES]).collect();
    Random::new(seed ^ 1).shuffle(&mut order);
    let shuffled: Vec<ShiftReport> = order.iter().map(|&place| all[place].clone()).collect();
    let (counted_ms, hash) = kept_of(&shuffled, &ran_ms).await;
    assert_eq!((counted_ms, hash), kept_of(&all, &ran_ms).await, "seed {seed}: the order changed something");
    Delivered { reports: all.len(), deliveries: shuffled.len(), counted_ms, hash }
}

/// Pushes to a new service, each source on a stream of its own; gives the sum of what counts, and the hash of what is kept.
async fn kept_of(reports: &[ShiftReport], ran_ms: &BTreeMap<String, i64>) -> (i64, [u8; 32]) {
    let service = Service::start();
    let wire = service.wire().await;
    let load = LoadShopRequest { shop: Some(shop()), ..LoadShopRequest::default() };
    wire.shop().load_shop(load).await.expect("the shop loads");
    let streams = (0..SOURCES).map(|number| {
        let own: Vec<ShiftReport> =
            reports.iter().filter(|report| report.source == source(number)).cloned().collect();
        let wire = wire.clone();
        async move {
            let pushed = push_all(&wire, &own).await;
            let refused = pushed.acknowledged.iter().filter(|(_, told)| told.outcome() == Outcome::Refused);
            assert_eq!(refused.count(), 0, "every report is taken");
        }
    });
    futures::future::join_all(streams).await;
    let counted = counted(&wire).await;
    for (machine, counted_ms) in &counted {
        assert_eq!(*counted_ms, ran_ms.get(machine).copied().unwrap_or(0), "{machine}");
    }
    (counted.values().sum(), hash_of_kept(&wire).await)
}

async fn counted(wire: &Wire) -> BTreeMap<String, i64> {
    let machines = wire.all_machines().await.expect("machines");
    let counted = machines
        .iter()
        .map(|machine| (machine.tag.clone(), crate::kill::hours_ms(&machine.meters[0].counted)));
    counted.collect()
}

/// Hash of every report that is kept with where it stands and why, whenever it came.
async fn hash_of_kept(wire: &Wire) -> [u8; 32] {
    let mut kept = wire.all_reports().await.expect("reports");
    for report in &mut kept {
        (report.received_at, report.entry) = (None, 0);
    }
    let mut lines: Vec<String> = kept.iter().map(|report| format!("{report:?}")).collect();
    lines.sort();
    let mut hash = Sha256::new();
    for line in lines {
        hash.update(line);
    }
    hash.finalize().into()
}
