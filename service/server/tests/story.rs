//! A day in a shop, call by call, at a server on a real store.

mod support;

use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_proto::v1::due_service_client::DueServiceClient;
use fettler_proto::v1::journal_service_client::JournalServiceClient;
use fettler_proto::v1::machine_service_client::MachineServiceClient;
use fettler_proto::v1::order_service_client::OrderServiceClient;
use fettler_proto::v1::person_service_client::PersonServiceClient;
use fettler_proto::v1::run_hours_service_client::RunHoursServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use support::{NOW, Server, Wire, hours_from_now, reason, shift};
use tempfile::TempDir;
use tonic::Code;

const HOUR: i64 = 3_600_000_000;

struct Shop {
    server: Server,
    wire: Wire,
    _folder: TempDir,
}

fn task(key: &str, hours: &str, hazard: bool) -> v1::TaskCard {
    let counts = v1::clause::Counts::Meter(v1::MeterClause { every: hours.into(), ..Default::default() });
    let clauses = vec![v1::Clause { counts: Some(counts) }];
    v1::TaskCard {
        key: key.into(),
        rule: Some(v1::IntervalRule { clauses, ..Default::default() }),
        cautions: if hazard { vec!["lock out and tag".into()] } else { Vec::new() },
        hazard,
        ..Default::default()
    }
}

fn machine(tag: &str, feed: v1::MeterFeed) -> v1::MachineCard {
    let kind = v1::MeterKind::Operating.into();
    v1::MachineCard {
        tag: tag.into(),
        area: "turning".into(),
        meters: vec![v1::MeterCard { kind, feed: feed.into(), ..Default::default() }],
        tasks: vec![task("drain-bowl", "7", false), task("belt", "300", true)],
        last_done_now: true,
        ..Default::default()
    }
}

impl Shop {
    async fn open() -> Shop {
        let (server, wire, folder) = Server::on_a_file().await;
        let shop = v1::Shop {
            site: Some(v1::Site { key: "north".into(), zone: "Europe/Berlin".into(), ..Default::default() }),
            sources: vec![v1::Source { name: "erp".into(), rank: 1, feeds: v1::MeterKind::Operating.into() }],
            people: vec!["Ada Kern".into(), "Ben Holt".into()],
            machines: vec![
                machine("L-03", v1::MeterFeed::Intervals),
                machine("L-04", v1::MeterFeed::Readings),
            ],
            ..Default::default()
        };
        let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
        ShopServiceClient::new(wire.clone()).load_shop(ask).await.expect("the shop is as it should be");
        Shop { server, wire, _folder: folder }
    }

    /// Eight hours later: a shift of the lathe was reported, and its bowl is due.
    async fn after_a_shift() -> (Shop, v1::DueItem) {
        let shop = Shop::open().await;
        shop.hours_later(8);
        shop.push(stretch("1", 0, 8, "7.25")).await;
        let item = shop.due().await.items.remove(0);
        assert_eq!((item.machine.as_str(), item.task.as_str()), ("L-03", "drain-bowl"));
        (shop, item)
    }

    /// Loads one machine's card.
    async fn try_load(&self, card: v1::MachineCard) -> Result<v1::LoadShopResponse, tonic::Status> {
        let site = v1::Site { key: "north".into(), ..Default::default() };
        let shop = v1::Shop { site: Some(site), machines: vec![card], ..Default::default() };
        let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
        ShopServiceClient::new(self.wire.clone()).load_shop(ask).await.map(tonic::Response::into_inner)
    }

    async fn load(&self, card: v1::MachineCard) {
        self.try_load(card).await.expect("the card is as it should be");
    }

    fn hours_later(&self, hours: i64) {
        self.server.clock.move_to(Ts(NOW.0 + hours * HOUR));
    }

    fn orders(&self) -> OrderServiceClient<Wire> {
        OrderServiceClient::new(self.wire.clone())
    }

    fn machines(&self) -> MachineServiceClient<Wire> {
        MachineServiceClient::new(self.wire.clone())
    }

    fn hours(&self) -> RunHoursServiceClient<Wire> {
        RunHoursServiceClient::new(self.wire.clone())
    }

    async fn due(&self) -> v1::ListDueResponse {
        let ask = v1::ListDueRequest::default();
        DueServiceClient::new(self.wire.clone()).list_due(ask).await.expect("a list").into_inner()
    }

    async fn push(&self, report: v1::ShiftReport) -> v1::Acknowledgement {
        let ask = v1::PushReportRequest { report: Some(report), ..v1::PushReportRequest::default() };
        let answer = self.hours().push_report(ask).await.expect("a push is always answered").into_inner();
        answer.acknowledgement.expect("always there")
    }
}

fn stretch(id: &str, from: i64, to: i64, amount: &str) -> v1::ShiftReport {
    let said = v1::IntervalStatement {
        start: Some(hours_from_now(from)),
        end: Some(hours_from_now(to)),
        amount: amount.into(),
        unit: v1::Unit::Hours.into(),
    };
    v1::ShiftReport { statement: Some(v1::shift_report::Statement::Interval(said)), ..shift(id, "L-03", "0") }
}

fn close(order: i64) -> v1::CloseOrderRequest {
    v1::CloseOrderRequest {
        order,
        done_by: "Ada Kern".into(),
        note: "half full".into(),
        ..Default::default()
    }
}

#[tokio::test]
async fn an_order_is_closed_once_and_a_retry_gets_the_same_answer() {
    let (shop, item) = Shop::after_a_shift().await;
    let request_id = "0b2b3a52-6a0e-4a8c-9a53-6c8f3cf0a111".to_owned();
    let ask = v1::CloseOrderRequest { request_id, ..close(item.order) };
    let done = shop.orders().close_order(ask.clone()).await.unwrap().into_inner();
    let again = shop.orders().close_order(ask.clone()).await.unwrap().into_inner();
    let order = done.order.clone().unwrap();
    let closing = order.closing.clone().unwrap();
    assert_eq!(order.state(), v1::OrderState::Closed);
    assert_eq!((closing.done_by.as_str(), closing.entered_by.as_str()), ("Ada Kern", "Ada Kern"));
    assert_eq!((closing.note.as_str(), closing.as_found()), ("half full", v1::AsFound::Good));
    assert_eq!(closing.done_at, Some(hours_from_now(8)), "the default is now");
    assert_eq!(closing.lateness_as_known_then, "on the day it was due");
    let next = done.next.clone().unwrap();
    assert_eq!((next.task.as_str(), next.clauses[0].counted.as_str()), ("drain-bowl", "0"));
    assert_eq!(again.order, done.order);
    assert_eq!(again.next.map(|next| next.order), Some(next.order));

    let changed = v1::CloseOrderRequest { note: "other".into(), ..ask };
    let status = shop.orders().close_order(changed).await.unwrap_err();
    assert_eq!((status.code(), reason(&status).as_str()), (Code::InvalidArgument, "REQUEST_ID_REUSED"));
    let status = shop.orders().close_order(close(item.order)).await.unwrap_err();
    assert_eq!(status.code(), Code::FailedPrecondition, "{status}");
    let status = shop.orders().close_order(close(9_999)).await.unwrap_err();
    assert_eq!(status.code(), Code::NotFound, "{status}");
    let ask = v1::GetOrderRequest { order: item.order, ..Default::default() };
    let shown = shop.orders().get_order(ask).await.unwrap().into_inner();
    assert_eq!(shown.order, done.order);
}

#[tokio::test]
async fn an_undone_closing_opens_its_order_again_and_voids_the_next() {
    let (shop, item) = Shop::after_a_shift().await;
    let done = shop.orders().close_order(close(item.order)).await.unwrap().into_inner();
    let next = done.next.unwrap().order;
    let undo = |validate_only| v1::UndoClosingRequest {
        order: item.order,
        by: "Ben Holt".into(),
        reason: "wrong lathe".into(),
        validate_only,
        ..Default::default()
    };
    for validate_only in [true, false] {
        let undone = shop.orders().undo_closing(undo(validate_only)).await.unwrap().into_inner();
        assert_eq!(undone.open_again.iter().map(|item| item.order).collect::<Vec<_>>(), [item.order]);
        assert_eq!(undone.void_orders, [next]);
    }
    let ask = v1::GetOrderRequest { order: item.order, ..Default::default() };
    let order = shop.orders().get_order(ask).await.unwrap().into_inner().order.unwrap();
    assert_eq!((order.state(), order.closing), (v1::OrderState::Open, None));
    assert_eq!(order.undone[0].undone_by, "Ben Holt");
    assert_eq!(order.undone[0].undone_reason, "wrong lathe");
}

#[tokio::test]
async fn a_skip_that_is_only_tried_changes_nothing() {
    let (shop, item) = Shop::after_a_shift().await;
    let skip = |validate_only| v1::SkipOrderRequest {
        order: item.order,
        by: "Ben Holt".into(),
        reason: "lathe is being moved".into(),
        validate_only,
        ..Default::default()
    };
    let tried = shop.orders().skip_order(skip(true)).await.unwrap().into_inner();
    assert_eq!(tried.order.unwrap().state(), v1::OrderState::Skipped);
    assert_eq!(shop.due().await.items[0].order, item.order);
    let done = shop.orders().skip_order(skip(false)).await.unwrap().into_inner().order.unwrap();
    assert_eq!((done.skipped_by.as_str(), done.reason.as_str()), ("Ben Holt", "lathe is being moved"));
    assert!(shop.due().await.items.iter().all(|left| left.order != item.order));
}

#[tokio::test]
async fn a_raised_order_stands_on_the_list_at_once() {
    let shop = Shop::open().await;
    let ask = v1::RaiseOrderRequest {
        machine: "L-04".into(),
        title: "door squeaks".into(),
        by: "Ada Kern".into(),
        hazard: true,
        ..Default::default()
    };
    let raised = shop.orders().raise_order(ask).await.unwrap().into_inner().item.unwrap();
    assert_eq!((raised.kind(), raised.task.as_str(), raised.hazard), (v1::DueKind::Raised, "", true));
    let listed = shop.due().await.items;
    assert!(listed.iter().any(|item| item.order == raised.order && item.title == "door squeaks"));
}

#[tokio::test]
async fn a_forbidden_machine_heads_the_list_until_it_is_returned() {
    let shop = Shop::open().await;
    let ask = v1::ForbidMachineRequest {
        machine: "L-03".into(),
        by: "Ben Holt".into(),
        reason: "interlock failed".into(),
        ..Default::default()
    };
    shop.machines().forbid_machine(ask).await.unwrap();
    let head = shop.due().await.forbidden;
    assert_eq!((head[0].tag.as_str(), head[0].by.as_str()), ("L-03", "Ben Holt"));
    assert_eq!((head[0].reason.as_str(), head[0].state()), ("interlock failed", v1::MachineState::Forbidden));
    let ask = v1::ReturnMachineRequest {
        machine: "L-03".into(),
        by: "Ben Holt".into(),
        reason: "interlock mended and tested".into(),
        ..Default::default()
    };
    shop.machines().return_machine(ask.clone()).await.unwrap();
    assert_eq!(shop.due().await.forbidden, []);
    let status = shop.machines().return_machine(ask).await.unwrap_err();
    assert_eq!(status.code(), Code::FailedPrecondition, "{status}");
    let missing = v1::GetMachineRequest { machine: "L-99".into(), ..Default::default() };
    let status = shop.machines().get_machine(missing).await.unwrap_err();
    assert_eq!((status.code(), reason(&status).as_str()), (Code::NotFound, "MACHINE_NOT_FOUND"));
    let list = shop.machines().list_machines(v1::ListMachinesRequest::default()).await.unwrap().into_inner();
    assert_eq!(
        list.machines.iter().map(|machine| machine.tag.as_str()).collect::<Vec<_>>(),
        ["L-03", "L-04"]
    );
}

#[tokio::test]
async fn a_held_report_counts_once_a_manager_says_so() {
    let shop = Shop::open().await;
    shop.hours_later(8);
    let told = shop.push(stretch("1", 0, 8, "9")).await;
    assert_eq!(told.outcome(), v1::Outcome::Held);
    let ask = v1::SettleReportRequest {
        report: told.report,
        settlement: v1::Settlement::Count.into(),
        by: "Ben Holt".into(),
        note: "the shift ran over".into(),
        ..Default::default()
    };
    let settled = shop.hours().settle_report(ask).await.unwrap().into_inner().report.unwrap();
    assert_eq!(settled.state(), v1::ReportState::Counted);
    let ask = v1::GetMeterRequest { machine: "L-03".into(), ..Default::default() };
    let meter = shop.hours().get_meter(ask).await.unwrap().into_inner().meter.unwrap();
    assert_eq!(meter.counted, "9");
    let held =
        shop.hours().list_held_reports(v1::ListHeldReportsRequest::default()).await.unwrap().into_inner();
    assert_eq!((held.held, held.reports.len()), (0, 0));
}

#[tokio::test]
async fn counters_are_read_replaced_and_meters_adjusted() {
    let shop = Shop::open().await;
    shop.hours_later(100);
    let read = |id: &str, at: i64, value: &str| v1::ShiftReport {
        statement: Some(v1::shift_report::Statement::Reading(v1::ReadingStatement {
            at: Some(hours_from_now(at)),
            value: value.into(),
            unit: v1::Unit::Hours.into(),
        })),
        ..shift(id, "L-04", "0")
    };
    shop.push(read("a", 1, "4800")).await;
    assert_eq!(shop.push(read("b", 11, "4806.5")).await.outcome(), v1::Outcome::Accepted);
    let fell = shop.push(read("c", 31, "2")).await.reason.unwrap();
    assert_eq!(fell.code(), v1::HeldCode::Fell);
    assert!(fell.text.starts_with("the counter fell from 4806.5 h to 2 h; record"), "{}", fell.text);
    let ask = v1::ReplaceCounterRequest {
        machine: "L-04".into(),
        at: Some(hours_from_now(20)),
        closing_value: "4810".into(),
        by: "Ada Kern".into(),
        ..Default::default()
    };
    let meter = shop.hours().replace_counter(ask).await.unwrap().into_inner().meter.unwrap();
    assert_eq!(meter.counted, "12", "6.5 read, 3.5 to the old counter's end, 2 on the new one");

    let ask = v1::BookAdjustmentRequest {
        machine: "L-03".into(),
        at: Some(hours_from_now(5)),
        amount: "-1.5".into(),
        by: "Ben Holt".into(),
        note: "counted twice on paper".into(),
        ..Default::default()
    };
    shop.push(stretch("1", 0, 4, "3")).await;
    let meter = shop.hours().book_adjustment(ask).await.unwrap().into_inner().meter.unwrap();
    assert_eq!(meter.counted, "1.5");
}

#[tokio::test]
async fn the_journal_tells_who_said_what_and_grows_by_every_fact() {
    let (shop, item) = Shop::after_a_shift().await;
    let mut journal = JournalServiceClient::new(shop.wire.clone());
    let head = v1::GetJournalHeadRequest::default();
    let before = journal.get_journal_head(head.clone()).await.unwrap().into_inner();
    shop.orders().close_order(close(item.order)).await.unwrap();
    let after = journal.get_journal_head(head).await.unwrap().into_inner();
    assert!(after.size > before.size && after.root != before.root);
    assert_eq!((after.root.len(), after.lineage), (64, 1));
    let ask = v1::ListEntriesRequest { kind: "order.".into(), ..Default::default() };
    let entries = journal.list_entries(ask).await.unwrap().into_inner().entries;
    assert_eq!((entries[0].kind.as_str(), entries[0].by.as_str()), ("order.closed", "Ada Kern"));
    assert!(entries[0].text.ends_with("half full"), "{}", entries[0].text);
    assert!(!entries[0].leaf.contains("half full"), "the leaf holds the note as a digest only");
    let ask = v1::ListEntriesRequest { site: "installation".into(), from: Some(0), ..Default::default() };
    let entries = journal.list_entries(ask).await.unwrap().into_inner().entries;
    assert_eq!((entries[0].number, entries[0].kind.as_str()), (0, "token.made"));

    let mut people = PersonServiceClient::new(shop.wire.clone());
    let people = people.list_people(v1::ListPeopleRequest::default()).await.unwrap().into_inner().people;
    let names: Vec<&str> = people.iter().map(|person| person.name.as_str()).collect();
    assert_eq!(names, ["Ada Kern", "Ben Holt"]);
}

#[tokio::test]
async fn the_journal_names_who_read_a_counter() {
    let (shop, _) = Shop::after_a_shift().await;
    let mut ask = v1::PushReportRequest { report: Some(stretch("r-1", 8, 9, "0.5")), ..Default::default() };
    ask.by = "Nobody".into();
    assert_eq!(support::fields(&shop.hours().push_report(ask.clone()).await.unwrap_err())[0].0, "by");
    ask.by = "Ada Kern".into();
    shop.hours().push_report(ask).await.unwrap();
    let ask = v1::ListEntriesRequest { subject: "reports/erp/r-1/0".into(), ..Default::default() };
    let mut journal = JournalServiceClient::new(shop.wire.clone());
    let entries = journal.list_entries(ask).await.unwrap().into_inner().entries;
    assert_eq!((entries.len(), entries[0].by.as_str()), (1, "Ada Kern"));
}

#[tokio::test]
async fn a_replacement_and_an_adjustment_without_a_time_are_of_now_and_may_be_repeated_later() {
    let shop = Shop::open().await;
    shop.push(stretch("1", -4, 0, "3")).await;
    shop.hours_later(1);
    let adjust = v1::BookAdjustmentRequest {
        request_id: "0b2b3a52-6a0e-4a8c-9a53-6c8f3cf0a112".into(),
        machine: "L-03".into(),
        amount: "-1".into(),
        by: "Ben Holt".into(),
        note: "gap to the counter".into(),
        ..Default::default()
    };
    let replace = v1::ReplaceCounterRequest {
        request_id: "0b2b3a52-6a0e-4a8c-9a53-6c8f3cf0a113".into(),
        machine: "L-04".into(),
        closing_value: "4810".into(),
        by: "Ada Kern".into(),
        ..Default::default()
    };
    let adjusted = shop.hours().book_adjustment(adjust.clone()).await.unwrap().into_inner();
    let replaced = shop.hours().replace_counter(replace.clone()).await.unwrap().into_inner();
    let mut journal = JournalServiceClient::new(shop.wire.clone());
    let head = v1::GetJournalHeadRequest::default();
    let before = journal.get_journal_head(head.clone()).await.unwrap().into_inner();
    shop.hours_later(3);
    assert_eq!(shop.hours().book_adjustment(adjust).await.unwrap().into_inner(), adjusted);
    assert_eq!(shop.hours().replace_counter(replace).await.unwrap().into_inner(), replaced);
    assert_eq!(journal.get_journal_head(head).await.unwrap().into_inner(), before, "no second fact");
    let counted = |hours: i64| v1::GetMeterRequest {
        machine: "L-03".into(),
        at: Some(hours_from_now(hours)),
        ..Default::default()
    };
    for (hours, expect) in [(0, "3"), (2, "2")] {
        let meter = shop.hours().get_meter(counted(hours)).await.unwrap().into_inner().meter.unwrap();
        assert_eq!(meter.counted, expect, "booked at the time of the first call: {hours} h");
    }
}

#[tokio::test]
async fn a_meter_is_answered_under_its_machines_tag_whatever_name_was_asked() {
    let shop = Shop::open().await;
    shop.load(v1::MachineCard {
        tag: "L-03".into(),
        also_known_as: vec!["lathe 3".into(), "7003".into()],
        ..Default::default()
    })
    .await;
    let ask = v1::GetMeterRequest { machine: "lathe 3".into(), ..Default::default() };
    let meter = shop.hours().get_meter(ask).await.unwrap().into_inner().meter.unwrap();
    assert_eq!(meter.machine, "L-03");
    let ask = v1::BookAdjustmentRequest {
        machine: "7003".into(),
        amount: "1".into(),
        by: "Ben Holt".into(),
        note: "gap to the counter".into(),
        ..Default::default()
    };
    let meter = shop.hours().book_adjustment(ask).await.unwrap().into_inner().meter.unwrap();
    assert_eq!(meter.machine, "L-03");
}

#[tokio::test]
async fn other_names_are_taken_away_by_naming_the_tag_alone() {
    let shop = Shop::open().await;
    let names = |names: &[&str]| v1::MachineCard {
        tag: "L-03".into(),
        also_known_as: names.iter().map(|&name| name.to_owned()).collect(),
        ..Default::default()
    };
    let knows = async |name: &str| {
        let ask = v1::GetMachineRequest { machine: name.into(), ..Default::default() };
        shop.machines().get_machine(ask).await.is_ok()
    };
    shop.load(names(&["lathe 3", "7003"])).await;
    shop.load(names(&[])).await;
    assert!(knows("lathe 3").await && knows("7003").await, "none named: all stay");
    shop.load(names(&["7003"])).await;
    assert!(!knows("lathe 3").await && knows("7003").await, "any named: they replace all");
    shop.load(names(&["L-03"])).await;
    assert!(!knows("7003").await && knows("L-03").await, "the tag alone: no other name is left");
}

#[tokio::test]
async fn while_stopped_lists_what_may_be_done_now_and_not_what_opens_within_the_horizon() {
    let shop = Shop::open().await;
    let calendar = v1::CalendarClause { every: 60, unit: v1::CalendarUnit::Day.into(), ..Default::default() };
    let clauses = vec![v1::Clause { counts: Some(v1::clause::Counts::Calendar(calendar)) }];
    shop.load(v1::MachineCard {
        tag: "L-03".into(),
        tasks: vec![v1::TaskCard {
            key: "way-oil".into(),
            rule: Some(v1::IntervalRule { clauses, ..Default::default() }),
            ..Default::default()
        }],
        last_done_now: true,
        ..Default::default()
    })
    .await;
    shop.hours_later(8);
    shop.push(stretch("1", 0, 8, "7.25")).await;
    let while_stopped = async |until: &str| {
        let ask = v1::ListDueRequest { until: until.into(), while_stopped: true, ..Default::default() };
        let list = DueServiceClient::new(shop.wire.clone()).list_due(ask).await.unwrap().into_inner();
        let found = list.items.into_iter().filter(|item| item.section() == v1::DueSection::WhileStopped);
        found.map(|item| (item.task, item.when)).collect::<Vec<_>>()
    };
    // Due 60 days after 25 November: on 24 January, from 18 January on (10 % of the interval, rounded down).
    assert_eq!(while_stopped("2027-01-20").await, [], "its window opens in weeks");
    shop.hours_later(24 * 55);
    let now = while_stopped("").await;
    assert_eq!(now, [("way-oil".to_owned(), "may be done now".to_owned())]);
}

#[tokio::test]
async fn a_machine_takes_as_many_points_and_tasks_as_the_domain_allows() {
    use fettler_domain::shop::limits::{POINTS_MAX, TASKS_MAX};
    let shop = Shop::open().await;
    let point = |n: usize| v1::TestPoint { key: format!("p-{n}"), ..Default::default() };
    let card = |points: usize, tasks: usize| v1::MachineCard {
        tag: "L-09".into(),
        points: (0..points).map(point).collect(),
        tasks: (0..tasks).map(|n| task(&format!("t-{n}"), "7", false)).collect(),
        meters: vec![v1::MeterCard { kind: v1::MeterKind::Operating.into(), ..Default::default() }],
        ..Default::default()
    };
    for (points, tasks, field) in
        [(POINTS_MAX + 1, 0, "shop.machines[0].points"), (0, TASKS_MAX + 1, "shop.machines[0].tasks")]
    {
        let status = shop.try_load(card(points, tasks)).await.unwrap_err();
        let found = support::fields(&status);
        let most = format!("at most {POINTS_MAX}");
        assert!(found.len() == 1 && found[0].0 == field && found[0].1.contains(&most), "{found:?}");
    }
    shop.load(card(POINTS_MAX, 0)).await;
}
