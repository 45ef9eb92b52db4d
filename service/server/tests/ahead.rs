//! What lies ahead, call by call: the list by which nothing surprises, what an expectation rests on, and the look ahead.

mod support;

use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_proto::v1::due_service_client::DueServiceClient;
use fettler_proto::v1::order_service_client::OrderServiceClient;
use fettler_proto::v1::reading_service_client::ReadingServiceClient;
use fettler_proto::v1::run_hours_service_client::RunHoursServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use support::{NOW, Server, Wire, hours_from_now, reason, shift};
use tempfile::TempDir;

const HOUR: i64 = 3_600_000_000;

struct Shop {
    wire: Wire,
    _server: Server,
    _folder: TempDir,
}

fn clause(counts: v1::clause::Counts) -> v1::Clause {
    v1::Clause { counts: Some(counts) }
}

fn every_hours(hours: &str) -> v1::Clause {
    clause(v1::clause::Counts::Meter(v1::MeterClause { every: hours.into(), ..Default::default() }))
}

fn every_days(every: i32) -> v1::Clause {
    let unit = v1::CalendarUnit::Day.into();
    clause(v1::clause::Counts::Calendar(v1::CalendarClause { every, unit, ..Default::default() }))
}

fn task(key: &str, clauses: Vec<v1::Clause>) -> v1::TaskCard {
    v1::TaskCard {
        key: key.into(),
        rule: Some(v1::IntervalRule { clauses, ..Default::default() }),
        kit: vec![v1::KitItem {
            item: "gasket".into(),
            quantity: "0.5".into(),
            unit: "pcs".into(),
            ..Default::default()
        }],
        minutes: 20,
        ..Default::default()
    }
}

impl Shop {
    /// Two lathes, done on 25 November, the first of which reported shifts of 8 and of 3 h on five days in seven for six
    /// weeks since; it is the last evening of these.
    async fn open() -> Shop {
        let (server, wire, folder) = Server::on_a_file().await;
        let machine = |tag: &str| v1::MachineCard {
            tag: tag.into(),
            area: if tag == "L-03" { "turning" } else { "store" }.into(),
            meters: vec![v1::MeterCard { kind: v1::MeterKind::Operating.into(), ..Default::default() }],
            tasks: vec![
                task("belt", vec![every_hours("230")]),
                task("look", vec![every_days(30)]),
                task("both", vec![every_hours("400"), every_days(400)]),
            ],
            last_done_now: true,
            ..Default::default()
        };
        let shop = v1::Shop {
            site: Some(v1::Site { key: "north".into(), zone: "UTC".into(), ..Default::default() }),
            sources: vec![v1::Source { name: "erp".into(), rank: 1, feeds: v1::MeterKind::Operating.into() }],
            machines: vec![machine("L-03"), machine("L-04")],
            ..Default::default()
        };
        let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
        ShopServiceClient::new(wire.clone()).load_shop(ask).await.expect("the shop is as it should be");
        server.clock.move_to(Ts(NOW.0 + 42 * 24 * HOUR));
        let worked = (0..42_i64).filter(|day| day % 7 < 5);
        let reports = worked.map(|day| stretch(day, if day % 3 == 0 { "3" } else { "8" })).collect();
        let ask = v1::PushReportsRequest { reports, ..Default::default() };
        let told =
            RunHoursServiceClient::new(wire.clone()).push_reports(ask).await.expect("taken").into_inner();
        assert!(told.acknowledgements.iter().all(|told| told.outcome() == v1::Outcome::Accepted), "{told:?}");
        Shop { wire, _server: server, _folder: folder }
    }

    fn due(&self) -> DueServiceClient<Wire> {
        DueServiceClient::new(self.wire.clone())
    }

    async fn why(&self, machine: &str, task: &str) -> v1::ExplainOrderResponse {
        let ask =
            v1::ExplainOrderRequest { machine: machine.into(), task: task.into(), ..Default::default() };
        self.due().explain_order(ask).await.expect("explained").into_inner()
    }
}

fn stretch(day: i64, amount: &str) -> v1::ShiftReport {
    let said = v1::IntervalStatement {
        start: Some(hours_from_now(24 * day)),
        end: Some(hours_from_now(24 * day + 8)),
        amount: amount.into(),
        unit: v1::Unit::Hours.into(),
    };
    let statement = Some(v1::shift_report::Statement::Interval(said));
    v1::ShiftReport { statement, ..shift(&day.to_string(), "L-03", "0") }
}

/// The shop day of an instant in UTC with days from midnight.
fn day(at: Option<prost_types::Timestamp>) -> String {
    let at = at.expect("an instant");
    Ts(at.seconds * 1_000_000).to_utc().date_naive().to_string()
}

#[tokio::test]
async fn what_may_come_early_is_on_the_sure_list_alone_and_marked() {
    let shop = Shop::open().await;
    let belt = shop.why("L-03", "belt").await.item.expect("an item");
    let (early, middle) = (day(belt.p10), day(belt.p50));
    assert!(early < middle, "{belt:?}");
    let listed = async |until: &str, sure: bool| {
        let ask = v1::ListDueRequest { until: until.into(), sure, ..Default::default() };
        let items = shop.due().list_due(ask).await.expect("a list").into_inner().items;
        items.into_iter().find(|item| item.order == belt.order).map(|item| item.may_come_early)
    };
    assert_eq!((listed(&early, false).await, listed(&early, true).await), (None, Some(true)));
    assert_eq!((listed(&middle, false).await, listed(&middle, true).await), (Some(false), Some(false)));
}

#[tokio::test]
async fn an_expectation_comes_with_the_weeks_it_rests_on() {
    let shop = Shop::open().await;
    let told = shop.why("L-03", "both").await;
    let [used] = told.used.as_slice() else { panic!("one meter is counted: {told:?}") };
    assert_eq!((used.meter.as_str(), used.unit()), ("operating", v1::Unit::Hours));
    // The days run from midnight, the first report ended on 25 November at 17:00: on 6 January that is 41 days ago, five whole
    // weeks. Of the days 0 to 41 those run that lie in the first five of each seven; a third of all days has 3 h, the others 8.
    let ran = |days: std::ops::Range<i64>| -> i64 {
        days.filter(|day| day % 7 < 5).map(|day| if day % 3 == 0 { 3 } else { 8 }).sum()
    };
    let expect: Vec<String> = (0..5).map(|week| ran(7 + 7 * week..14 + 7 * week).to_string()).collect();
    let found: Vec<String> = used.weeks.iter().map(|week| week.amount.clone()).collect();
    assert_eq!(found, expect);
    let (first, last) = (&used.weeks[0], &used.weeks[4]);
    assert_eq!((last.end, day(told.shop_day_start)), (told.shop_day_start, told.shop_day));
    assert_eq!(day(first.start), "2026-12-02");
    let look = shop.why("L-03", "look").await;
    assert_eq!(look.used, [], "nothing is expected of days");
}

async fn ahead(shop: &Shop, ask: v1::LookAheadRequest) -> v1::LookAheadResponse {
    shop.due().look_ahead(ask).await.expect("looked ahead").into_inner()
}

#[tokio::test]
async fn a_look_ahead_counts_each_task_by_month_with_its_kit() {
    let shop = Shop::open().await;
    let ask = v1::LookAheadRequest { until: "2027-06-30".into(), ..Default::default() };
    let all = ahead(&shop, ask.clone()).await;
    assert_eq!((all.shop_day.as_str(), all.until.as_str()), ("2027-01-06", "2027-06-30"));
    let named: Vec<(&str, &str)> =
        all.tasks.iter().map(|task| (task.machine.as_str(), task.task.as_str())).collect();
    let of_both = ["belt", "look", "both"].map(|task| ["L-03", "L-04"].map(|machine| (machine, task)));
    assert_eq!(named.len(), 6);
    assert!(of_both.iter().flatten().all(|pair| named.contains(pair)), "{named:?}");
    let of = |machine: &str, task: &str| {
        all.tasks
            .iter()
            .find(|found| (found.machine.as_str(), found.task.as_str()) == (machine, task))
            .unwrap()
    };
    // Every 30 days since 25 November: late since 25 December, so done on 6 January and every 30 days from then: on 5 February,
    // 7 March, 6 April, 6 May and 5 June (python-dateutil 2.9.0: relativedelta(days=30)).
    let look = of("L-03", "look");
    let times: Vec<(&str, i32)> =
        look.months.iter().map(|month| (month.month.as_str(), month.times)).collect();
    let months = ["2027-01", "2027-02", "2027-03", "2027-04", "2027-05", "2027-06"];
    assert_eq!(times, months.map(|month| (month, 1)));
    let last = &look.months[5];
    assert_eq!((last.by_then, last.by_then_p90, look.minutes), (6, 6, 20));
    let kit = &last.kit[0];
    assert_eq!([&kit.quantity, &kit.by_then, &kit.by_then_p90], ["0.5", "3", "3"]);
    // Of a meter that runs unevenly more may come than is expected, and never less.
    let belt = of("L-03", "belt").months.last().unwrap();
    assert!(0 < belt.by_then && belt.by_then < belt.by_then_p90, "{belt:?}");
    assert_eq!(
        of("L-04", "belt").nothing(),
        v1::NothingAhead::NeverRecorded,
        "its meter has counted nothing"
    );
    let one = ahead(&shop, v1::LookAheadRequest { machine: "L-04".into(), ..ask.clone() }).await;
    let store = ahead(&shop, v1::LookAheadRequest { area: "store".into(), ..ask.clone() }).await;
    assert_eq!(one.tasks, store.tasks);
    assert_eq!(one.tasks.len(), 3);
    let mut paged = Vec::new();
    let mut page_token = String::new();
    loop {
        let page = ahead(&shop, v1::LookAheadRequest { page_size: 1, page_token, ..ask.clone() }).await;
        assert_eq!(page.tasks.len(), 3, "one machine");
        paged.extend(page.tasks);
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    assert_eq!(paged, all.tasks);
}

#[tokio::test]
async fn a_look_ahead_is_bounded_and_says_what_is_wrong() {
    let shop = Shop::open().await;
    let status = |until: &str| {
        let ask = v1::LookAheadRequest { until: until.into(), ..Default::default() };
        let mut due = shop.due();
        async move { support::fields(&due.look_ahead(ask).await.expect_err("refused")) }
    };
    let bounds = "give a day from today, 2027-01-06, to 2029-01-06";
    let told = |text: String| vec![("until".to_owned(), text)];
    assert_eq!(status("").await, told(format!("is missing; {bounds}")));
    assert_eq!(status("2027-01-05").await, told(format!("2027-01-05 is out of bounds; {bounds}")));
    assert_eq!(status("2029-01-07").await, told(format!("2029-01-07 is out of bounds; {bounds}")));
    let machine =
        v1::LookAheadRequest { until: "2027-02-01".into(), machine: "X".into(), ..Default::default() };
    assert_eq!(shop.due().look_ahead(machine).await.expect_err("refused").code(), tonic::Code::NotFound);
}

#[tokio::test]
async fn a_filter_that_names_nothing_there_is_refused() {
    let shop = Shop::open().await;
    let mut due = shop.due();
    let mut orders = OrderServiceClient::new(shop.wire.clone());
    let mut readings = ReadingServiceClient::new(shop.wire.clone());
    let area = || "turnign".to_owned();
    let refused = [
        due.list_due(v1::ListDueRequest { area: area(), ..Default::default() }).await.map(drop),
        due.look_ahead(v1::LookAheadRequest {
            area: area(),
            until: "2027-02-01".into(),
            ..Default::default()
        })
        .await
        .map(drop),
        due.list_due(v1::ListDueRequest { machine: "L-30".into(), ..Default::default() }).await.map(drop),
        orders
            .list_orders(v1::ListOrdersRequest { machine: "L-30".into(), ..Default::default() })
            .await
            .map(drop),
        readings
            .list_readings(v1::ListReadingsRequest { machine: "L-30".into(), ..Default::default() })
            .await
            .map(drop),
    ];
    let reasons = refused.map(|refused| reason(&refused.expect_err("refused")));
    assert_eq!(
        reasons,
        ["AREA_NOT_FOUND", "AREA_NOT_FOUND", "MACHINE_NOT_FOUND", "MACHINE_NOT_FOUND", "MACHINE_NOT_FOUND"]
    );
}
