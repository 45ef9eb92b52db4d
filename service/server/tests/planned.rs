//! Planned use, call by call, at a server on a real store.

mod support;

use fettler_proto::v1;
use fettler_proto::v1::due_service_client::DueServiceClient;
use fettler_proto::v1::planned_use_service_client::PlannedUseServiceClient;
use fettler_proto::v1::run_hours_service_client::RunHoursServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use support::{Server, Wire, fields, hours_from_now, reason};
use tempfile::TempDir;
use tonic::{Code, Status};

struct Shop {
    _server: Server,
    wire: Wire,
    _folder: TempDir,
}

/// A lathe with a task every 100 hours, that ran 8 h on each of the 10 days before yesterday's end.
async fn shop() -> Shop {
    let (server, wire, folder) = Server::on_a_file().await;
    let counts = v1::clause::Counts::Meter(v1::MeterClause { every: "100".into(), ..Default::default() });
    let clauses = vec![v1::Clause { counts: Some(counts) }];
    let task = v1::TaskCard {
        key: "way-oil".into(),
        rule: Some(v1::IntervalRule { clauses, ..Default::default() }),
        ..Default::default()
    };
    let meter = v1::MeterCard { kind: v1::MeterKind::Operating.into(), ..Default::default() };
    let lathe = v1::MachineCard {
        tag: "L-03".into(),
        also_known_as: vec!["4711".into()],
        meters: vec![meter],
        tasks: vec![task],
        last_done: vec![v1::LastDone {
            task: "way-oil".into(),
            day: "2026-11-01".into(),
            counts: vec![v1::MeterCount { meter: "operating".into(), count: "0".into() }],
            ..Default::default()
        }],
        ..Default::default()
    };
    let shop = v1::Shop {
        site: Some(v1::Site { key: "north".into(), zone: "Europe/Berlin".into(), ..Default::default() }),
        sources: vec![v1::Source { name: "erp".into(), rank: 1, feeds: v1::MeterKind::Operating.into() }],
        people: vec!["Ada Kern".into()],
        machines: vec![lathe],
        ..Default::default()
    };
    let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
    ShopServiceClient::new(wire.clone()).load_shop(ask).await.expect("the shop is as it should be");
    for back in 1..=10 {
        let said = v1::IntervalStatement {
            start: Some(hours_from_now(-24 * back - 8)),
            end: Some(hours_from_now(-24 * back)),
            amount: "8".into(),
            unit: v1::Unit::Hours.into(),
        };
        let statement = Some(v1::shift_report::Statement::Interval(said));
        let report = v1::ShiftReport { statement, ..support::shift(&back.to_string(), "L-03", "0") };
        let ask = v1::PushReportRequest { report: Some(report), ..Default::default() };
        RunHoursServiceClient::new(wire.clone()).push_report(ask).await.expect("pushed");
    }
    Shop { _server: server, wire, _folder: folder }
}

impl Shop {
    fn planned(&self) -> PlannedUseServiceClient<Wire> {
        PlannedUseServiceClient::new(self.wire.clone())
    }

    async fn plan(&self, ask: v1::PlanUseRequest) -> Result<v1::PlanUseResponse, Status> {
        self.planned().plan_use(ask).await.map(tonic::Response::into_inner)
    }

    async fn listed(&self, ask: v1::ListPlannedUseRequest) -> v1::ListPlannedUseResponse {
        self.planned().list_planned_use(ask).await.expect("a list").into_inner()
    }

    async fn past(&self) -> String {
        let ask =
            v1::ExplainOrderRequest { machine: "L-03".into(), task: "way-oil".into(), ..Default::default() };
        let explained = DueServiceClient::new(self.wire.clone()).explain_order(ask).await.expect("explained");
        let explained = explained.into_inner();
        assert!(explained.row_agrees);
        explained.item.expect("an item").clauses.remove(0).history
    }
}

fn shift(start: i64, end: i64, amount: &str) -> v1::PlannedShift {
    v1::PlannedShift {
        start: Some(hours_from_now(start)),
        end: Some(hours_from_now(end)),
        amount: amount.into(),
    }
}

/// The two days from tomorrow's 10:00 in Berlin on.
fn ask(shifts: Vec<v1::PlannedShift>) -> v1::PlanUseRequest {
    v1::PlanUseRequest {
        machine: "L-03".into(),
        from: Some(hours_from_now(24)),
        until: Some(hours_from_now(72)),
        shifts,
        ..Default::default()
    }
}

#[tokio::test]
async fn a_plan_is_taken_listed_and_told_by_why() {
    let shop = shop().await;
    assert!(!shop.past().await.contains("planned"));
    // The machine answers to its other name, and is told by its tag.
    let by_other_name =
        v1::PlanUseRequest { machine: "4711".into(), ..ask(vec![shift(24, 32, "7.5"), shift(48, 56, "8")]) };
    let taken = shop.plan(by_other_name).await.expect("planned");
    assert_eq!((taken.machine.as_str(), taken.meter.as_str()), ("L-03", "operating"));
    assert_eq!((taken.replaced, taken.planned, taken.amount.as_str()), (0, 2, "15.5"));
    assert_eq!(taken.unit(), v1::Unit::Hours);
    assert!(shop.past().await.ends_with("; as planned to 28 Nov"), "{}", shop.past().await);

    let whole = v1::ListPlannedUseRequest { machine: "4711".into(), ..Default::default() };
    let first = shop.listed(v1::ListPlannedUseRequest { page_size: 1, ..whole.clone() }).await;
    assert_eq!((first.shifts.len(), first.periods.len()), (1, 1));
    assert_eq!(first.shifts[0].shift, Some(shift(24, 32, "7.5")));
    let page_token = first.next_page_token;
    let rest = shop.listed(v1::ListPlannedUseRequest { page_size: 1, page_token, ..whole }).await;
    assert_eq!((rest.shifts[0].shift.clone(), rest.periods.len()), (Some(shift(48, 56, "8")), 0));
    assert_eq!(rest.next_page_token, "");
    let from = Some(hours_from_now(32));
    let later = shop.listed(v1::ListPlannedUseRequest { from, ..Default::default() }).await;
    assert_eq!((later.shifts.len(), later.periods.len()), (1, 0), "what ends then is over");

    let withdraw = v1::PlanUseRequest { withdraw: true, ..ask(Vec::new()) };
    assert_eq!(shop.plan(withdraw).await.expect("withdrawn").replaced, 2);
    assert!(!shop.past().await.contains("planned"));
}

#[tokio::test]
async fn a_plan_that_is_only_tried_changes_nothing_and_a_repeat_has_no_second_effect() {
    let shop = shop().await;
    let tried = v1::PlanUseRequest { validate_only: true, ..ask(vec![shift(24, 32, "8")]) };
    assert_eq!(shop.plan(tried).await.expect("it would be planned").planned, 1);
    assert_eq!(shop.listed(v1::ListPlannedUseRequest::default()).await.shifts, []);
    let request_id = "6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d4e".to_owned();
    let real = v1::PlanUseRequest { request_id, ..ask(vec![shift(24, 32, "8")]) };
    let first = shop.plan(real.clone()).await.expect("planned");
    shop.plan(ask(vec![shift(24, 32, "4")])).await.expect("planned otherwise");
    assert_eq!(shop.plan(real.clone()).await.expect("told again"), first);
    let stands = shop.listed(v1::ListPlannedUseRequest::default()).await.shifts;
    assert_eq!(stands[0].shift.as_ref().expect("a shift").amount, "4");
    let other = v1::PlanUseRequest { shifts: Vec::new(), ..real };
    let refused = shop.plan(other).await.expect_err("the id was used");
    assert_eq!((refused.code(), reason(&refused).as_str()), (Code::InvalidArgument, "REQUEST_ID_REUSED"));
}

#[tokio::test]
async fn each_field_that_is_wrong_is_named_with_its_remedy() {
    let shop = shop().await;
    let check = async |ask: v1::PlanUseRequest, expect: &[(&str, &str)]| {
        let refused = shop.plan(ask).await.expect_err("refused");
        assert_eq!(refused.code(), Code::InvalidArgument, "{refused:?}");
        let told = fields(&refused);
        assert_eq!(told.len(), expect.len(), "{told:?}");
        for ((field, text), (wanted, part)) in told.iter().zip(expect) {
            assert!(field == wanted && text.contains(part), "{field}: {text}");
        }
    };
    let missing = v1::PlanUseRequest::default();
    check(missing, &[("machine", "1 to 120"), ("from", "is missing"), ("until", "is missing")]).await;
    let backwards = v1::PlanUseRequest { until: Some(hours_from_now(23)), ..ask(Vec::new()) };
    check(backwards, &[("until", "is not after `from`")]).await;
    let long = v1::PlanUseRequest { until: Some(hours_from_now(24 * 400)), ..ask(Vec::new()) };
    check(long, &[("until", "366 days")]).await;
    let both = v1::PlanUseRequest { withdraw: true, ..ask(vec![shift(24, 32, "8")]) };
    check(both, &[("shifts", "one of the two")]).await;
    let no_text = ask(vec![shift(24, 32, ""), v1::PlannedShift::default()]);
    let lacking = [
        ("shifts[0].amount", "is missing"),
        ("shifts[1].start", "is missing"),
        ("shifts[1].end", "is missing"),
        ("shifts[1].amount", "is missing"),
    ];
    check(no_text, &lacking).await;
    let impossible = ask(vec![shift(24, 32, "8.5"), shift(72, 80, "8"), shift(30, 30, "0")]);
    let told = [
        ("shifts[0].amount", "give at most 8 h"),
        ("shifts[1].start", "outside of the period"),
        ("shifts[2].end", "is not after"),
    ];
    check(impossible, &told).await;
    check(ask(vec![shift(24, 32, "1"); 1_501]), &[("shifts", "at most 1500")]).await;
    let by = v1::PlanUseRequest { by: "Nobody".into(), ..ask(Vec::new()) };
    check(by, &[("by", "Nobody")]).await;

    let list = v1::ListPlannedUseRequest {
        from: Some(hours_from_now(2)),
        until: Some(hours_from_now(1)),
        ..Default::default()
    };
    let refused = shop.planned().list_planned_use(list).await.expect_err("refused");
    assert_eq!(fields(&refused)[0].0, "until");
    let list = v1::ListPlannedUseRequest { machine: "Z-9".into(), ..Default::default() };
    assert_eq!(shop.planned().list_planned_use(list).await.expect_err("none").code(), Code::NotFound);
}
