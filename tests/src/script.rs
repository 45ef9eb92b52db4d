//! Two hundred operations on a small shop, always the same ones, and what they answer as text, so that runs can be compared.

use crate::agree::blotted;
use crate::shuffle::Random;
use crate::wire::Wire;
use crate::year::timestamp;
use fettler_proto::v1::clause::Counts;
use fettler_proto::v1::shift_report::Statement;
use fettler_proto::v1::{
    AddPersonRequest, AsFound, BookAdjustmentRequest, CalendarClause, CalendarUnit, Clause,
    CloseOrderRequest, ForbidMachineRequest, GetCheckpointRequest, IntervalRule, IntervalStatement, ItemCard,
    KitItem, ListDueRequest, ListOrdersRequest, ListReadingsRequest, ListStockRequest, LoadShopRequest,
    MachineCard, MeterCard, MeterKind, PlanUseRequest, RaiseOrderRequest, ReadingSaid, ReceiveStockRequest,
    ReturnMachineRequest, ShiftReport, Shop, Site, SkipOrderRequest, Source, TakeReadingsRequest, TaskCard,
    TestPoint, UndoClosingRequest,
};
use fettler_proto::v1::{
    planned_use_service_client::PlannedUseServiceClient, proof_service_client::ProofServiceClient,
    reading_service_client::ReadingServiceClient, stock_service_client::StockServiceClient,
};
use std::fmt::Debug;
use tonic::{Response, Status};

/// Operations of the script.
pub const OPERATIONS: usize = 200;
/// The moment at which the service's clock stands.
pub const CLOCK_AT: &str = "2026-03-31T12:00:00Z";
/// The first moment of a report: 1 March 2026.
const FIRST_MICROS: i64 = 1_772_323_200_000_000;
/// An hour, in microseconds.
const HOUR: i64 = 3_600_000_000;
/// Machines of the shop.
const MACHINES: usize = 4;
/// Reports of a push.
const AT_ONCE: usize = 8;
/// Who does all this.
const ADA: &str = "Ada Kern";

/// One operation.
#[derive(Clone, Debug)]
pub enum Op {
    /// Loads the shop; its number changes an interval.
    Load(i32),
    /// Pushes reports.
    Push(Vec<ShiftReport>),
    /// Closes an order with what it used.
    Close(i64),
    /// Skips an order.
    Skip(i64),
    /// Takes a closing back.
    Undo(i64),
    /// Raises an order.
    Raise(usize),
    /// Takes readings.
    Read(Vec<ReadingSaid>),
    /// Receives oil.
    Receive(usize),
    /// Corrects a meter.
    Adjust(usize),
    /// Forbids a machine, or returns it.
    Forbid(usize, bool),
    /// Plans what a machine will run.
    Plan(usize, i64),
    /// Adds a person.
    Person(usize),
    /// Signs a checkpoint.
    Checkpoint,
    /// Asks for every list.
    Look,
}

fn tag(machine: usize) -> String {
    format!("L-{}", machine + 1)
}

fn report(random: &mut Random) -> ShiftReport {
    let hours = |n: usize| i64::try_from(n).expect("small") * HOUR;
    let start = FIRST_MICROS + hours(random.below(700));
    let end = start + hours(1 + random.below(8));
    let source = ["erp", "cell"][random.below(2)];
    let interval = IntervalStatement {
        start: Some(timestamp(start)),
        end: Some(timestamp(end)),
        amount: format!("{}.{}", random.below(6), random.below(100)),
        ..IntervalStatement::default()
    };
    ShiftReport {
        source: source.into(),
        report_id: format!("r-{}", random.below(400)),
        revision: u32::try_from(random.below(2)).expect("small"),
        machine: if random.below(20) == 0 { "nobody".into() } else { tag(random.below(MACHINES)) },
        statement: Some(Statement::Interval(interval)),
        ..ShiftReport::default()
    }
}

fn reading(random: &mut Random) -> ReadingSaid {
    let back = i64::try_from(random.below(600)).expect("small") * HOUR;
    ReadingSaid {
        machine: tag(random.below(MACHINES)),
        point: "coolant".into(),
        value: ["8.1", "6.4", "4.9", "2.5"][random.below(4)].into(),
        at: Some(timestamp(FIRST_MICROS + back)),
        by: ADA.into(),
        confirmed: true,
        ..ReadingSaid::default()
    }
}

/// The script of a seed. Orders are numbered as they arise, so that an operation can name one that will be there.
pub fn script(seed: u64) -> Vec<Op> {
    let mut random = Random::new(seed);
    let mut next = 0;
    let mut order = || {
        next += 1;
        next
    };
    let all = (0..OPERATIONS).map(|place| match place % 20 {
        0 => Op::Load(i32::try_from(place / 20).expect("small")),
        2 | 7 => Op::Read((0..2).map(|_| reading(&mut random)).collect()),
        3 | 9 | 15 => Op::Close(order()),
        4 => Op::Skip(order()),
        5 => Op::Look,
        6 => Op::Raise(random.below(MACHINES)),
        8 => Op::Receive(place),
        10 => Op::Undo(i64::try_from(1 + random.below(place)).expect("small")),
        11 => Op::Adjust(random.below(MACHINES)),
        12 => Op::Forbid(place / 20 % MACHINES, true),
        13 => Op::Plan(random.below(MACHINES), i64::try_from(random.below(20)).expect("small")),
        14 => Op::Forbid(place / 20 % MACHINES, false),
        17 => Op::Person(place),
        18 => Op::Checkpoint,
        _ => Op::Push((0..AT_ONCE).map(|_| report(&mut random)).collect()),
    });
    all.collect()
}

/// By the calendar alone: what is expected of hours follows figures of the fleet, which are learnt beside the calls, sooner or later.
fn clause(every: i32) -> Vec<Clause> {
    let days = CalendarClause { every, unit: CalendarUnit::Day.into(), ..CalendarClause::default() };
    vec![Clause { counts: Some(Counts::Calendar(days)) }]
}

fn card(machine: usize, version: i32) -> MachineCard {
    let oil = KitItem { item: "oil".into(), quantity: "0.5".into(), ..KitItem::default() };
    let task = |key: &str, every: i32| TaskCard {
        key: key.into(),
        rule: Some(IntervalRule { clauses: clause(every), ..IntervalRule::default() }),
        kit: vec![oil.clone()],
        ..TaskCard::default()
    };
    let coolant = TestPoint {
        key: "coolant".into(),
        unit: "%".into(),
        act_below: "5".into(),
        stop_below: "3".into(),
        ..TestPoint::default()
    };
    MachineCard {
        tag: tag(machine),
        meters: vec![MeterCard { kind: MeterKind::Operating.into(), ..MeterCard::default() }],
        tasks: vec![task("filter", 30 + version), task("bowl", 7), task("belt", 90)],
        points: vec![coolant],
        ..MachineCard::default()
    }
}

/// The shop of the script; its number changes an interval.
pub fn shop(version: i32) -> Shop {
    let source = |name: &str, rank| Source { name: name.into(), rank, feeds: MeterKind::Operating.into() };
    let oil = ItemCard { name: "oil".into(), unit: "L".into(), ..ItemCard::default() };
    Shop {
        site: Some(Site { key: "north".into(), zone: "Europe/Berlin".into(), ..Site::default() }),
        sources: vec![source("erp", 1), source("cell", 2)],
        people: vec![ADA.into()],
        machines: (0..MACHINES).map(|machine| card(machine, version)).collect(),
        items: vec![oil],
        ..Shop::default()
    }
}

/// What a call answers, as text; random salts are blotted out.
fn said<T: Debug>(answer: Result<Response<T>, Status>) -> Result<String, Status> {
    answer.map(|answer| blotted(&format!("{:?}", answer.into_inner())))
}

/// The name of the operation at a place of the script, under which a repeat is known.
fn request_id(place: usize) -> String {
    format!("0b2b3a52-6a0e-4a8c-9a53-{place:012}")
}

impl Op {
    /// Does it; its place in the script is its name.
    pub async fn run(&self, wire: &Wire, place: usize) -> Result<String, Status> {
        let (request_id, by) = (request_id(place), ADA.to_owned());
        match self {
            Op::Load(version) => {
                let shop = Some(shop(*version));
                said(
                    wire.shop()
                        .load_shop(LoadShopRequest { shop, request_id, by, ..LoadShopRequest::default() })
                        .await,
                )
            }
            Op::Push(reports) => {
                let ask =
                    fettler_proto::v1::PushReportsRequest { reports: reports.clone(), ..Default::default() };
                said(wire.hours().push_reports(ask).await)
            }
            Op::Close(order) => said(wire.orders().close_order(closing(*order, request_id)).await),
            Op::Skip(order) => skip(wire, *order, request_id, by).await,
            Op::Undo(order) => undo(wire, *order, request_id, by).await,
            Op::Raise(machine) => raise(wire, tag(*machine), request_id, by).await,
            Op::Read(readings) => {
                let ask =
                    TakeReadingsRequest { readings: readings.clone(), request_id, ..Default::default() };
                said(ReadingServiceClient::new(wire.channel()).take_readings(ask).await)
            }
            Op::Receive(quantity) => {
                let (item, quantity) = ("oil".into(), quantity.to_string());
                let ask = ReceiveStockRequest { item, quantity, request_id, by, ..Default::default() };
                said(StockServiceClient::new(wire.channel()).receive_stock(ask).await)
            }
            Op::Adjust(machine) => adjust(wire, tag(*machine), request_id, by).await,
            Op::Forbid(machine, is_forbidden) => {
                forbid(wire, tag(*machine), *is_forbidden, request_id, by).await
            }
            Op::Plan(machine, day) => plan(wire, tag(*machine), *day, request_id, by).await,
            Op::Person(number) => {
                let name =
                    format!("Person {}", "abcdefghijklmnopqrst".chars().nth(number / 20).unwrap_or('z'));
                said(wire.people().add_person(AddPersonRequest { request_id, name }).await)
            }
            // A signature is over a root that random salts go into.
            Op::Checkpoint => {
                let signed = ProofServiceClient::new(wire.channel())
                    .get_checkpoint(GetCheckpointRequest::default())
                    .await;
                signed.map(|_| "a checkpoint".into())
            }
            Op::Look => look(wire).await,
        }
    }

    /// Whether a repeat may answer otherwise than the first time: a report that was taken is a duplicate then.
    pub fn is_push(&self) -> bool {
        matches!(self, Op::Push(_))
    }
}

async fn skip(wire: &Wire, order: i64, request_id: String, by: String) -> Result<String, Status> {
    let reason = "no time".into();
    said(
        wire.orders()
            .skip_order(SkipOrderRequest { order, request_id, by, reason, ..Default::default() })
            .await,
    )
}

async fn undo(wire: &Wire, order: i64, request_id: String, by: String) -> Result<String, Status> {
    let reason = "wrong one".into();
    let ask = UndoClosingRequest { order, request_id, by, reason, ..Default::default() };
    said(wire.orders().undo_closing(ask).await)
}

async fn raise(wire: &Wire, machine: String, request_id: String, by: String) -> Result<String, Status> {
    let (title, note) = ("look at the noise".into(), "since Monday".into());
    let ask = RaiseOrderRequest { machine, title, note, request_id, by, ..Default::default() };
    said(wire.orders().raise_order(ask).await)
}

async fn adjust(wire: &Wire, machine: String, request_id: String, by: String) -> Result<String, Status> {
    let (at, note) = (Some(timestamp(FIRST_MICROS + 100 * HOUR)), "counted by hand".into());
    let amount = "0.5".into();
    let ask = BookAdjustmentRequest { machine, amount, at, note, request_id, by, ..Default::default() };
    said(wire.hours().book_adjustment(ask).await)
}

async fn forbid(
    wire: &Wire,
    machine: String,
    is_forbidden: bool,
    request_id: String,
    by: String,
) -> Result<String, Status> {
    if is_forbidden {
        let reason = "the door".into();
        let ask = ForbidMachineRequest { machine, reason, request_id, by, ..Default::default() };
        said(wire.machines().forbid_machine(ask).await)
    } else {
        let reason = "mended".into();
        let ask = ReturnMachineRequest { machine, reason, request_id, by, ..Default::default() };
        said(wire.machines().return_machine(ask).await)
    }
}

/// Plans that a machine stands still for a day.
async fn plan(
    wire: &Wire,
    machine: String,
    day: i64,
    request_id: String,
    by: String,
) -> Result<String, Status> {
    let from = FIRST_MICROS + (31 + day) * 24 * HOUR;
    let (from, until) = (Some(timestamp(from)), Some(timestamp(from + 24 * HOUR)));
    let ask = PlanUseRequest { machine, from, until, request_id, by, ..Default::default() };
    said(PlannedUseServiceClient::new(wire.channel()).plan_use(ask).await)
}

fn closing(order: i64, request_id: String) -> CloseOrderRequest {
    CloseOrderRequest {
        order,
        request_id,
        done_at: Some(timestamp(FIRST_MICROS + 29 * 24 * HOUR + order * HOUR / 4)),
        confirmed: vec!["done_at".into()],
        done_by: ADA.into(),
        as_found: AsFound::Worn.into(),
        kit_used: true,
        minutes: 10,
        note: "as ever".into(),
        ..CloseOrderRequest::default()
    }
}

/// Every list, as text; without how far the plan's upkeep has come, which works beside the calls.
pub async fn look(wire: &Wire) -> Result<String, Status> {
    let (head, due) = wire.all_due(ListDueRequest::default()).await?;
    let orders =
        wire.orders().list_orders(ListOrdersRequest { page_size: 1_000, ..Default::default() }).await?;
    let readings = ListReadingsRequest { page_size: 1_000, ..Default::default() };
    let readings = ReadingServiceClient::new(wire.channel()).list_readings(readings).await?;
    let stock = StockServiceClient::new(wire.channel()).list_stock(ListStockRequest::default()).await?;
    let entries = wire.all_entries().await?;
    let leaves: Vec<&str> = entries.iter().map(|entry| entry.leaf.as_str()).collect();
    Ok(blotted(&format!(
        "{:?} {}\n{due:?}\n{:?}\n{:?}\n{:?}\n{:?}\n{:?}\n{leaves:?}",
        head.forbidden,
        head.held_reports,
        wire.all_machines().await?,
        wire.all_reports().await?,
        orders.into_inner(),
        readings.into_inner(),
        stock.into_inner(),
    )))
}
