//! Several services on one database: callers ask all of them at once for changes and for how things stand, and what each was told
//! must be explained: for each meter and each task's orders by some order, one at a time, and for all of them by the one journal.

mod told;

pub use told::Told;

use crate::history::{Event, MeterOp, OrderOp, Said};
use crate::kill::hours_ms;
use crate::service::{Service, connect};
use crate::shuffle::Random;
use crate::wire::Wire;
use crate::year::{shop, timestamp};
use fettler_domain::journal::leaf::hash_of;
use fettler_domain::journal::tree::Frontier;
use fettler_proto::v1::shift_report::Statement;
use fettler_proto::v1::{
    BookAdjustmentRequest, CloseOrderRequest, DueItem, Entry, GetJournalHeadRequest, GetMeterRequest,
    GetOrderRequest, IntervalStatement, ListDueRequest, LoadShopRequest, OrderState, Outcome,
    PushReportRequest, RaiseOrderRequest, ShiftReport, SkipOrderRequest, UndoClosingRequest,
};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use tonic::Status;
use tonic_types::StatusExt as _;

/// Machines of the shop, each with a meter and six tasks: few, so that callers meet.
const MACHINES: usize = 24;
/// Callers for each service.
const CALLERS: usize = 4;
/// The first report begins then, and each lasts an hour: 1 January 2013.
const FIRST_START_SECONDS: i64 = 1_356_998_400;
/// Who does everything.
const PERSON: &str = "Ada Kern";
/// A horizon that every open order has a place in.
const FAR: &str = "2033-01-01";

/// Services on one database with a shop, and what was told so far.
pub struct Shared {
    services: Vec<Service>,
    wires: Vec<Wire>,
    machines: Vec<String>,
    ticks: Arc<AtomicU64>,
    chains: Arc<Mutex<Chains>>,
    told: Told,
}

/// The numbers of orders that callers know of.
#[derive(Debug, Default)]
struct Chains {
    known: Vec<Vec<i64>>,
    of_task: BTreeMap<(String, String), usize>,
}

impl Shared {
    /// So many services on an empty database, and a shop.
    pub async fn start(database: &str, services: usize) -> Shared {
        let machines: Vec<String> = (1..=MACHINES).map(|n| format!("M-{n:02}")).collect();
        let services: Vec<Service> =
            (0..services).map(|_| Service::start_with(&["--database", database])).collect();
        // The first to come made the only token.
        let holders = services.iter().filter(|service| service.data().join("admin.token").exists());
        assert_eq!(holders.count(), 1, "one service made the token");
        let token = services[0].token();
        let mut wires = Vec::new();
        for service in &services {
            wires.push(Wire::new(connect(service.endpoint()).await.expect("it listens"), &token));
        }
        let load = LoadShopRequest { shop: Some(shop(&machines)), ..LoadShopRequest::default() };
        wires[0].shop().load_shop(load).await.expect("the shop loads");
        let last = wires.last().expect("a service");
        let far = ListDueRequest { until: FAR.into(), while_stopped: true, ..ListDueRequest::default() };
        let (_, items) = last.all_due(far).await.expect("a due list");
        assert_eq!(items.len(), MACHINES * 6, "an order of each task is open");
        let mut chains = Chains::default();
        for (chain, item) in items.iter().enumerate() {
            chains.known.push(vec![item.order]);
            chains.of_task.insert((item.machine.clone(), item.task.clone()), chain);
        }
        let told = Told { first: items.iter().map(|item| item.order).collect(), ..Told::default() };
        Shared {
            services,
            wires,
            machines,
            ticks: Arc::default(),
            chains: Arc::new(Mutex::new(chains)),
            told,
        }
    }

    /// So many operations by callers of all services at once.
    pub async fn run(&mut self, operations: usize, seed: u64) {
        let callers = self.wires.len() * CALLERS;
        let mut running = Vec::new();
        for number in 0..callers {
            let mut caller = Caller {
                wire: self.wires[number % self.wires.len()].clone(),
                other: self.wires[(number + 1) % self.wires.len()].clone(),
                machines: self.machines.clone(),
                ticks: Arc::clone(&self.ticks),
                chains: Arc::clone(&self.chains),
                random: Random::new(seed ^ (number as u64) << 32),
                told: Told::default(),
            };
            running.push(tokio::spawn(async move {
                for _ in 0..operations.div_ceil(callers) {
                    caller.one().await;
                }
                caller.told
            }));
        }
        for caller in running {
            self.told.add(caller.await.expect("a caller"));
        }
    }

    /// Looks at everything through every service, and answers all that was told with the journal.
    pub async fn end(mut self) -> (Told, Vec<Entry>) {
        let numbers = std::mem::take(&mut self.chains.lock().expect("nobody failed").known);
        self.told.first = numbers.iter().map(|known| known[0]).collect();
        let mut heads = BTreeSet::new();
        for wire in &self.wires {
            let mut caller = Caller {
                wire: wire.clone(),
                other: wire.clone(),
                machines: self.machines.clone(),
                ticks: Arc::clone(&self.ticks),
                chains: Arc::clone(&self.chains),
                random: Random::new(0),
                told: Told::default(),
            };
            for machine in &self.machines {
                caller.shows(machine.clone()).await;
            }
            for (chain, known) in numbers.iter().enumerate() {
                for order in known {
                    caller.stands(chain, *order).await;
                }
            }
            self.told.add(caller.told);
            let head =
                wire.journal().get_journal_head(GetJournalHeadRequest::default()).await.expect("a head");
            heads.insert(head.into_inner().root);
        }
        let journal = self.wires[0].all_entries().await.expect("entries");
        let mut frontier = Frontier::new();
        for entry in &journal {
            frontier.push(hash_of(entry.leaf.as_bytes()), |_| ());
        }
        assert_eq!(
            heads,
            BTreeSet::from([frontier.root().to_hex()]),
            "every service tells the root of the leaves"
        );
        drop(self.services);
        (self.told, journal)
    }
}

/// One that asks, and waits for the answer before it asks again.
struct Caller {
    wire: Wire,
    /// The next service, which is told again what the first has answered.
    other: Wire,
    machines: Vec<String>,
    ticks: Arc<AtomicU64>,
    chains: Arc<Mutex<Chains>>,
    random: Random,
    told: Told,
}

impl Caller {
    async fn one(&mut self) {
        let machine = self.machines[self.random.below(self.machines.len())].clone();
        match self.random.below(100) {
            0..50 => self.report(machine).await,
            50..60 => self.shows(machine).await,
            60..62 => self.adjust(machine).await,
            62..76 => self.close().await,
            76..81 => self.skip().await,
            81..87 => self.undo().await,
            87..95 => {
                let (chain, order) = self.order();
                self.stands(chain, order).await;
            }
            95..98 => self.list(machine).await,
            _ => self.raise(machine).await,
        }
    }

    fn tick(&self) -> u64 {
        self.ticks.fetch_add(1, Ordering::SeqCst)
    }

    fn meter(&mut self, machine: String, begun: u64, op: MeterOp) {
        let event = Event { begun, ended: self.tick(), op };
        self.told.meters.entry(machine).or_default().push(event);
    }

    /// Keeps what an order was told, and what stands in the journal of it; further orders become known to all.
    fn note(&mut self, chain: usize, begun: u64, kind: Option<&str>, op: OrderOp) {
        let ended = self.tick();
        if let OrderOp::Closed(_, Some(next)) | OrderOp::Skipped(_, Some(next)) = op {
            self.chains.lock().expect("nobody failed").known[chain].push(next);
        }
        if let Some(kind) = kind {
            self.fact(begun, ended, kind, format!("orders/{}", op.order()));
        }
        self.told.note(chain, [Event { begun, ended, op }]);
    }

    fn fact(&mut self, begun: u64, ended: u64, kind: &str, subject: String) {
        self.told.facts.push(Event { begun, ended, op: (kind.to_owned(), subject) });
    }

    /// An order that is known: mostly the last of its task.
    fn order(&mut self) -> (usize, i64) {
        let chains = self.chains.lock().expect("nobody failed");
        let chain = self.random.below(chains.known.len());
        let known = &chains.known[chain];
        let back = if self.random.below(3) == 0 { self.random.below(known.len()) } else { 0 };
        (chain, known[known.len() - 1 - back])
    }

    async fn report(&mut self, machine: String) {
        let begun = self.tick();
        // The further it goes the more there are, so that some come for the first time and some again.
        let so_far = usize::try_from(begun).expect("small") / self.machines.len() / 4;
        let report = u32::try_from(self.random.below(so_far + 4)).expect("small");
        let revision = u32::try_from(self.random.below(6).saturating_sub(3)).expect("small");
        let amount_ms = 1_800_000 + i64::from(revision) * 360_000;
        let start = (FIRST_START_SECONDS + i64::from(report) * 3_600) * 1_000_000;
        let report_id = format!("{machine}/{report}");
        let statement = Statement::Interval(IntervalStatement {
            start: Some(timestamp(start)),
            end: Some(timestamp(start + 3_600_000_000)),
            amount: format!("0.{}", 5 + revision),
            ..IntervalStatement::default()
        });
        let sent = ShiftReport {
            source: "erp".into(),
            report_id: report_id.clone(),
            revision,
            machine: machine.clone(),
            statement: Some(statement),
            ..ShiftReport::default()
        };
        let ask = PushReportRequest { report: Some(sent), ..PushReportRequest::default() };
        let answer = self.wire.hours().push_report(ask).await.expect("an answer").into_inner();
        let said = Said { report, revision, amount_ms };
        let acknowledged = answer.acknowledgement.expect("an acknowledgement");
        let op = match acknowledged.outcome() {
            Outcome::Accepted => MeterOp::Accepted(said),
            Outcome::Replaces => MeterOp::Replaces(said),
            Outcome::Superseded => MeterOp::Superseded(said),
            Outcome::Duplicate => MeterOp::Duplicate(said),
            Outcome::Unspecified | Outcome::Held | Outcome::Refused => panic!("{acknowledged:?}"),
        };
        let is_new = !matches!(op, MeterOp::Duplicate(_));
        self.meter(machine, begun, op);
        if is_new {
            let ended = self.tick();
            self.fact(begun, ended, "report.arrived", format!("reports/erp/{report_id}/{revision}"));
        }
    }

    async fn shows(&mut self, machine: String) {
        let begun = self.tick();
        let ask = GetMeterRequest { machine: machine.clone(), ..GetMeterRequest::default() };
        let meter = self.wire.hours().get_meter(ask).await.expect("a meter").into_inner().meter;
        self.meter(machine, begun, MeterOp::Shows(hours_ms(&meter.expect("a meter").counted)));
    }

    async fn adjust(&mut self, machine: String) {
        let begun = self.tick();
        let takes_away = self.random.below(2) == 0;
        let ask = BookAdjustmentRequest {
            machine: machine.clone(),
            at: Some(timestamp(FIRST_START_SECONDS * 1_000_000)),
            amount: if takes_away { "-0.25" } else { "0.5" }.into(),
            by: PERSON.into(),
            note: "counted by hand".into(),
            ..BookAdjustmentRequest::default()
        };
        self.wire.hours().book_adjustment(ask).await.expect("booked");
        self.meter(machine, begun, MeterOp::Adjusted(if takes_away { -900_000 } else { 1_800_000 }));
        let ended = self.tick();
        self.fact(begun, ended, "adjustment.booked", "meters".into());
    }

    async fn close(&mut self) {
        let begun = self.tick();
        let (chain, order) = self.order();
        // Of some a repeat under the same request id comes to another service.
        let repeats = self.random.below(4) == 0;
        let id = uuid::Uuid::from_u64_pair(self.random.draw(), self.random.draw());
        let request_id = if repeats { id.to_string() } else { String::new() };
        let ask =
            CloseOrderRequest { order, done_by: PERSON.into(), request_id, ..CloseOrderRequest::default() };
        let next = |next: Option<DueItem>| next.map(|item| item.order);
        match self.wire.orders().close_order(ask.clone()).await {
            Ok(closed) => {
                let opened = next(closed.into_inner().next);
                self.note(chain, begun, Some("order.closed"), OrderOp::Closed(order, opened));
                if repeats {
                    let again = self.other.orders().close_order(ask).await.expect("the same answer");
                    let again = next(again.into_inner().next);
                    // The next one may have been ended by another caller since.
                    assert!(
                        again.is_none() || again == opened,
                        "a repeat of the closing of {order}: {again:?}"
                    );
                }
            }
            Err(status) => {
                assert_eq!(reason(&status), "ORDER_NOT_OPEN", "{status}");
                self.note(chain, begun, None, OrderOp::NotOpen(order));
            }
        }
    }

    async fn skip(&mut self) {
        let begun = self.tick();
        let (chain, order) = self.order();
        let (by, reason_said) = (PERSON.into(), "no time".into());
        let ask = SkipOrderRequest { order, by, reason: reason_said, ..SkipOrderRequest::default() };
        match self.wire.orders().skip_order(ask).await {
            Ok(skipped) => {
                let next = skipped.into_inner().next.map(|item| item.order);
                self.note(chain, begun, Some("order.skipped"), OrderOp::Skipped(order, next));
            }
            Err(status) => {
                assert_eq!(reason(&status), "ORDER_NOT_OPEN", "{status}");
                self.note(chain, begun, None, OrderOp::NotOpen(order));
            }
        }
    }

    async fn undo(&mut self) {
        let begun = self.tick();
        let (chain, order) = self.order();
        let (by, reason_said) = (PERSON.into(), "the wrong machine".into());
        let ask = UndoClosingRequest { order, by, reason: reason_said, ..UndoClosingRequest::default() };
        match self.wire.orders().undo_closing(ask).await {
            Ok(undone) => {
                let void = undone.into_inner().void_orders;
                self.note(chain, begun, Some("closing.undone"), OrderOp::Undone(order, void));
            }
            Err(status) => {
                let op = match reason(&status).as_str() {
                    "NOTHING_TO_UNDO" => OrderOp::NotClosed(order),
                    "LATER_CLOSING" => OrderOp::LaterEnded(order),
                    other => panic!("{other}: {status}"),
                };
                self.note(chain, begun, None, op);
            }
        }
    }

    async fn stands(&mut self, chain: usize, order: i64) {
        let begun = self.tick();
        let ask = GetOrderRequest { order, ..GetOrderRequest::default() };
        let found = self.wire.orders().get_order(ask).await.expect("an order").into_inner().order;
        let state = found.expect("an order").state();
        self.note(chain, begun, None, OrderOp::Stands(order, state));
    }

    /// Every order that a machine's list shows was open when it was asked for.
    async fn list(&mut self, machine: String) {
        let begun = self.tick();
        let until = FAR.into();
        let ask = ListDueRequest {
            machine,
            until,
            while_stopped: true,
            page_size: 1_000,
            ..ListDueRequest::default()
        };
        let items = self.wire.due().list_due(ask).await.expect("a list").into_inner().items;
        let chains = Arc::clone(&self.chains);
        for item in items {
            let task = (item.machine, item.task);
            let chain = chains.lock().expect("nobody failed").of_task.get(&task).copied();
            if let Some(chain) = chain {
                self.note(chain, begun, None, OrderOp::Stands(item.order, OrderState::Open));
            }
        }
    }

    async fn raise(&mut self, machine: String) {
        let begun = self.tick();
        let title = "look at the noise".into();
        let ask = RaiseOrderRequest { machine, title, by: PERSON.into(), ..RaiseOrderRequest::default() };
        let raised = self.wire.orders().raise_order(ask).await.expect("raised").into_inner().item;
        let order = raised.expect("an item").order;
        let chain = {
            let mut chains = self.chains.lock().expect("nobody failed");
            chains.known.push(vec![order]);
            chains.known.len() - 1
        };
        self.note(chain, begun, Some("order.raised"), OrderOp::Stands(order, OrderState::Open));
    }
}

/// The reason that a refusal gives as data.
fn reason(status: &Status) -> String {
    status.get_details_error_info().map(|info| info.reason).unwrap_or_default()
}
