//! The audit of very many closings, as one stream: each once, in the order in which the work was done, and the service holds no more of
//! them than its reader takes.

use crate::service::Service;
use crate::wire::Wire;
use fettler_proto::v1::{
    AuditRow, CalendarClause, CalendarUnit, Clause, CloseOrderRequest, ExportClosingsRequest, IntervalRule,
    ListOrdersRequest, LoadShopRequest, MachineCard, OrderState, Shop, Site, TaskCard,
    audit_service_client::AuditServiceClient, clause::Counts,
};
use prost::Message as _;
use prost_types::Timestamp;
use std::collections::{BTreeMap, BTreeSet};

/// When the service stands.
const CLOCK: &str = "2026-11-25T09:00:00Z";
/// When the first work was done: 2 November 2026 at 06:00 UTC, in seconds.
const FIRST_SECONDS: i64 = 1_793_599_200;
/// How many machines there are.
const MACHINES: i64 = 10;
/// How many tasks the one task of a machine covers.
const COVERED: i64 = 49;
/// Closings of a round: each machine's task with what it covers.
pub const OF_A_ROUND: usize = 500;
/// How much memory a whole stream may take beyond what a short one took, in bytes; all rows at once are more.
const GROWN_MAX: u64 = 4 << 20;

fn shop() -> Shop {
    let days = CalendarClause { every: 1, unit: CalendarUnit::Month.into(), ..CalendarClause::default() };
    let rule = IntervalRule {
        clauses: vec![Clause { counts: Some(Counts::Calendar(days)) }],
        ..IntervalRule::default()
    };
    let task = |key: String, covers: Vec<String>| TaskCard {
        title: format!("Care {key}"),
        key,
        rule: Some(rule.clone()),
        covers,
        ..TaskCard::default()
    };
    let covered: Vec<String> = (0..COVERED).map(|n| format!("part-{n}")).collect();
    let machine = |n: i64| MachineCard {
        tag: format!("M-{n}"),
        tasks: covered
            .iter()
            .map(|key| task(key.clone(), Vec::new()))
            .chain([task("whole".into(), covered.clone())])
            .collect(),
        ..MachineCard::default()
    };
    Shop {
        site: Some(Site { key: "north".into(), zone: "UTC".into(), ..Site::default() }),
        people: vec!["Ada Kern".into()],
        machines: (0..MACHINES).map(machine).collect(),
        ..Shop::default()
    }
}

/// Closes the task that covers all others of a machine, round after round; gives how many closings that were.
async fn care(wire: &Wire, machine: i64, rounds: i64) -> usize {
    let ask = ListOrdersRequest {
        machine: format!("M-{machine}"),
        state: OrderState::Open.into(),
        page_size: 1_000,
        ..ListOrdersRequest::default()
    };
    let open = wire.orders().list_orders(ask).await.expect("orders").into_inner().orders;
    let mut order = open.iter().find(|order| order.task == "whole").expect("it is open").number;
    let mut closings = 0;
    for round in 0..rounds {
        // Machine after machine is entered, while the work went round all of them: the order of entry is not that of the work.
        let at = Timestamp {
            seconds: FIRST_SECONDS + (round * MACHINES + machine * 7 % MACHINES) * 600,
            nanos: 0,
        };
        let ask = CloseOrderRequest {
            order,
            done_by: "Ada Kern".into(),
            done_at: Some(at),
            confirmed: vec!["done_at".into()],
            note: format!("round {round} of machine {machine}, all as it should be"),
            ..CloseOrderRequest::default()
        };
        let closed = wire.orders().close_order(ask).await.expect("closed").into_inner();
        closings += 1 + closed.covered.len();
        order = closed.next.expect("the next order stands").order;
    }
    closings
}

/// Messages of a stream from where a token says, and how many bytes their rows are.
async fn export(wire: &Wire, ask: ExportClosingsRequest) -> (Vec<(Vec<AuditRow>, String)>, usize) {
    let mut stream =
        AuditServiceClient::new(wire.channel()).export_closings(ask).await.expect("a stream").into_inner();
    let (mut messages, mut bytes) = (Vec::new(), 0);
    while let Some(message) = stream.message().await.expect("it goes on") {
        bytes += message.rows.iter().map(AuditRow::encoded_len).sum::<usize>();
        messages.push((message.rows, message.resume_token));
    }
    (messages, bytes)
}

fn numbers<'a>(messages: impl IntoIterator<Item = &'a (Vec<AuditRow>, String)>) -> Vec<i64> {
    let rows = messages.into_iter().flat_map(|(rows, _)| rows);
    rows.map(|row| row.closing.as_ref().expect("a closing").number).collect()
}

/// A service, on which every machine was cared for so many times.
async fn cared_for(rounds: i64) -> Service {
    let mut service = Service::start_with(&["--clock-at", CLOCK]);
    let wire = service.wire().await;
    let load = LoadShopRequest { shop: Some(shop()), ..LoadShopRequest::default() };
    wire.shop().load_shop(load).await.expect("the shop loads");
    let mut closings = 0;
    for machine in 0..MACHINES {
        closings += care(&wire, machine, rounds).await;
    }
    let all = OF_A_ROUND * usize::try_from(rounds).expect("few");
    assert_eq!(closings, all, "an order is closed with all that it covers");
    // Started anew, so that the most memory it has held is that of exporting.
    service.stop();
    service.start_again();
    service
}

/// Makes so many rounds of closings and exports them; panics where anything is not as it should be. Says how many bytes the rows are, and
/// how many bytes more the service held for all of them at once than for a machine's after another.
pub async fn exported(rounds: i64) -> (usize, u64) {
    let service = cared_for(rounds).await;
    let wire = service.wire().await;
    let per_machine = OF_A_ROUND / 10 * usize::try_from(rounds).expect("few");
    for machine in 0..MACHINES {
        let one =
            ExportClosingsRequest { machine: format!("M-{machine}"), ..ExportClosingsRequest::default() };
        assert_eq!(numbers(&export(&wire, one).await.0).len(), per_machine, "of a machine");
    }
    let before = service.memory_peak_bytes();
    let (messages, bytes) = export(&wire, ExportClosingsRequest::default()).await;
    let grown = service.memory_peak_bytes().saturating_sub(before);
    assert!(grown < GROWN_MAX, "{grown} bytes more for {bytes} bytes of rows");
    each_once_in_order(&messages, per_machine);
    // Broken off after any message, it goes on after that.
    for broken in [0, messages.len() / 2, messages.len() - 2] {
        let resume_token = messages[broken].1.clone();
        let (rest, _) = export(&wire, ExportClosingsRequest { resume_token, ..Default::default() }).await;
        assert_eq!(numbers(&rest), numbers(&messages[broken + 1..]), "after message {broken}");
    }
    (bytes, grown)
}

fn each_once_in_order(messages: &[(Vec<AuditRow>, String)], per_machine: usize) {
    let told = numbers(messages);
    let once: BTreeSet<i64> = told.iter().copied().collect();
    let all = per_machine * usize::try_from(MACHINES).expect("few");
    assert_eq!((told.len(), once.len()), (all, all), "each once");
    assert!(messages.iter().all(|(rows, _)| rows.len() <= 100));
    assert_eq!(messages.last().map(|(_, token)| token.as_str()), Some(""), "it ends where no token comes");
    let rows = || messages.iter().flat_map(|(rows, _)| rows);
    let at = |row: &AuditRow| {
        let closing = row.closing.as_ref().expect("a closing");
        (closing.done_at.expect("a time").seconds, closing.number)
    };
    assert!(rows().map(at).is_sorted(), "by the time of the work, then as entered");
    assert!(!told.is_sorted(), "which is not the order of entry");
    let mut of_machine = BTreeMap::<&str, usize>::new();
    for row in rows() {
        *of_machine.entry(&row.machine).or_default() += 1;
    }
    assert!(of_machine.len() == 10 && of_machine.values().all(|n| *n == per_machine), "{of_machine:?}");
}
