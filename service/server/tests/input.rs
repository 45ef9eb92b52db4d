//! What callers get wrong, each with the exact answer, at a server on a real store; and what they get right.

mod support;

use fettler_proto::v1;
use fettler_proto::v1::due_service_client::DueServiceClient;
use fettler_proto::v1::order_service_client::OrderServiceClient;
use fettler_proto::v1::run_hours_service_client::RunHoursServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use support::{Server, Wire, fields, reason, shift};
use tempfile::TempDir;
use tonic::{Code, Status};

/// A server on a real store, with a shop of two lathes.
struct Shop {
    server: Server,
    shops: ShopServiceClient<Wire>,
    hours: RunHoursServiceClient<Wire>,
    due: DueServiceClient<Wire>,
    orders: OrderServiceClient<Wire>,
    _folder: TempDir,
}

fn lathe(tag: &str) -> v1::MachineCard {
    let every = |every: &str| v1::IntervalRule {
        clauses: vec![v1::Clause {
            counts: Some(v1::clause::Counts::Meter(v1::MeterClause {
                every: every.into(),
                ..Default::default()
            })),
        }],
        ..Default::default()
    };
    let task = |key: &str, hours: &str| v1::TaskCard {
        key: key.into(),
        rule: Some(every(hours)),
        ..Default::default()
    };
    v1::MachineCard {
        tag: tag.into(),
        area: "turning".into(),
        meters: vec![v1::MeterCard { kind: v1::MeterKind::Operating.into(), ..Default::default() }],
        tasks: vec![task("drain-bowl", "7"), task("way-oil", "300")],
        last_done_now: true,
        ..Default::default()
    }
}

fn shop() -> v1::Shop {
    let site = v1::Site { key: "north".into(), zone: "Europe/Berlin".into(), ..Default::default() };
    let source = v1::Source { name: "erp".into(), rank: 1, feeds: v1::MeterKind::Operating.into() };
    v1::Shop {
        site: Some(site),
        sources: vec![source],
        people: vec!["Ada Kern".into()],
        machines: vec![lathe("L-03"), lathe("L-04")],
        ..Default::default()
    }
}

impl Shop {
    async fn open() -> Shop {
        let (server, wire, folder) = Server::on_a_file().await;
        Shop {
            server,
            shops: ShopServiceClient::new(wire.clone()),
            hours: RunHoursServiceClient::new(wire.clone()),
            due: DueServiceClient::new(wire.clone()),
            orders: OrderServiceClient::new(wire),
            _folder: folder,
        }
    }

    async fn loaded() -> Shop {
        let mut open = Shop::open().await;
        open.load(shop()).await.expect("the shop is as it should be");
        open
    }

    async fn load(&mut self, shop: v1::Shop) -> Result<v1::LoadShopResponse, Status> {
        let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
        Ok(self.shops.load_shop(ask).await?.into_inner())
    }

    async fn push(&mut self, report: v1::ShiftReport) -> v1::Acknowledgement {
        let ask = v1::PushReportRequest { report: Some(report), ..v1::PushReportRequest::default() };
        let answer = self.hours.push_report(ask).await.expect("a push is always answered");
        answer.into_inner().acknowledgement.expect("always there")
    }

    /// Loads a bent shop and gives what was complained of.
    async fn refused(&mut self, bend: impl FnOnce(&mut v1::Shop)) -> Vec<(String, String)> {
        let mut wrong = shop();
        bend(&mut wrong);
        let status = self.load(wrong).await.expect_err("it is wrong");
        assert_eq!((status.code(), reason(&status).as_str()), (Code::InvalidArgument, "FIELDS_INVALID"));
        fields(&status)
    }
}

fn one(field: &str, text: &str) -> Vec<(String, String)> {
    vec![(field.to_owned(), text.to_owned())]
}

fn interval(report: &mut v1::ShiftReport) -> &mut v1::IntervalStatement {
    match &mut report.statement {
        Some(v1::shift_report::Statement::Interval(said)) => said,
        other => panic!("{other:?}"),
    }
}

#[tokio::test]
async fn a_wrong_zone_name_is_answered_with_the_nearest() {
    let found =
        Shop::open().await.refused(|shop| shop.site.as_mut().unwrap().zone = "Europe/Berln".into()).await;
    let text = "time zone `Europe/Berln` is not known; did you mean `Europe/Berlin`?";
    assert_eq!(found, one("shop.site.zone", text));
}

#[tokio::test]
async fn a_duplicate_tag_names_both_places() {
    let found = Shop::open().await.refused(|shop| shop.machines.push(lathe("L-03"))).await;
    let text = "`L-03` stands in shop.machines[0].tag too; give each its own tag";
    assert_eq!(found, one("shop.machines[2].tag", text));
}

#[tokio::test]
async fn everything_wrong_is_told_at_once_with_its_path() {
    let bend = |shop: &mut v1::Shop| {
        let site = shop.site.as_mut().unwrap();
        site.day_starts_at = "6 am".into();
        site.shifts = vec![v1::Shift {
            key: "early".into(),
            days: vec!["Monday".into()],
            starts: "06:00".into(),
            ends: "24:00".into(),
        }];
        site.closures =
            vec![v1::Closure { name: "holiday".into(), from: "2026-12-24".into(), to: "2026-12-01".into() }];
        shop.sources[0].rank = 0;
        let machine = &mut shop.machines[1];
        machine.meters.push(v1::MeterCard {
            key: "parts".into(),
            kind: v1::MeterKind::Cycles.into(),
            max_per_hour: "-5".into(),
            ..Default::default()
        });
        let task = &mut machine.tasks[0];
        task.minutes = -1;
        task.rule.as_mut().unwrap().window = Some(v1::Window { width: Some(v1::window::Width::Percent(51)) });
        task.rule.as_mut().unwrap().clauses.push(v1::Clause { counts: None });
        machine.last_done =
            vec![v1::LastDone { task: "drain-bowl".into(), day: "30.2.2026".into(), ..Default::default() }];
    };
    let found = Shop::open().await.refused(bend).await;
    let expect = [
        ("shop.site.day_starts_at", "`6 am` is not a time of day; give hours and minutes such as 06:00"),
        ("shop.site.shifts[0].days[0]", "`Monday` is no weekday; give mon, tue, wed, thu, fri, sat or sun"),
        ("shop.site.shifts[0].ends", "`24:00` is not a time of day; give hours and minutes such as 06:00"),
        ("shop.site.closures[0].to", "2026-12-01 lies before `from`, 2026-12-24; swap the two"),
        ("shop.sources[0].rank", "0 is out of bounds; give a whole number from 1 to 1000"),
        ("shop.machines[1].meters[1].max_per_hour", "`-5` is not more than 0; give the most of one hour"),
        (
            "shop.machines[1].tasks[0].rule.clauses[1].counts",
            "is missing; give a calendar, a meter, a recurrence or a reading clause, or one that follows a model",
        ),
        (
            "shop.machines[1].tasks[0].rule.window.percent",
            "51 is out of bounds; give a whole number from 0 to 50",
        ),
        ("shop.machines[1].tasks[0].minutes", "-1 is out of bounds; give a whole number from 0 to 10000"),
        (
            "shop.machines[1].last_done[0].day",
            "`30.2.2026` is no date of the years 1970 to 2199; give it as YYYY-MM-DD, such as 2026-03-02",
        ),
    ];
    let expect: Vec<_> =
        expect.into_iter().map(|(field, text)| (field.to_owned(), text.to_owned())).collect();
    assert_eq!(found, expect);
}

/// The first task of the first machine with this rule and window.
fn with_rule(shop: &mut v1::Shop, counts: v1::clause::Counts, window: Option<v1::window::Width>) {
    let rule = shop.machines[0].tasks[0].rule.as_mut().expect("a rule");
    rule.clauses.push(v1::Clause { counts: Some(counts) });
    rule.window = window.map(|width| v1::Window { width: Some(width) });
}

fn recurring(rule: &str, from_day: &str) -> v1::clause::Counts {
    v1::clause::Counts::Recurrence(v1::RecurrenceClause { rule: rule.into(), from_day: from_day.into() })
}

#[tokio::test]
async fn a_recurrence_rule_that_cannot_be_names_the_part_and_the_remedy() {
    let mut shop = Shop::open().await;
    let mut check = async |rule: &str, from: &str, field: &str, text: &str| {
        let found = shop.refused(|shop| with_rule(shop, recurring(rule, from), None)).await;
        let place = format!("shop.machines[0].tasks[0].rule.clauses[1].recurrence.{field}");
        assert_eq!(found, one(&place, text));
    };
    let hourly = "`FREQ=HOURLY` has FREQ=HOURLY; give DAILY, WEEKLY, MONTHLY or YEARLY: what is due is due on a shop day";
    check("FREQ=HOURLY", "2026-01-05", "rule", hourly).await;
    let never = "`FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30` gives no day within 20 years of 2026-01-05: \
                 `FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30`; such a day may not exist, or start it later";
    check("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "2026-01-05", "rule", never).await;
    let day = "`soon` is no date of the years 1970 to 2199; give it as YYYY-MM-DD, such as 2026-03-02";
    check("FREQ=DAILY", "soon", "from_day", day).await;
    // One too long is shown cut.
    let long = format!("FREQ=YEARLY;BYYEARDAY={}1", "1,".repeat(300));
    let text = format!("`{}…` is 623 characters long; give at most 200", &long[..60]);
    check(&long, "2026-01-05", "rule", &text).await;
}

#[tokio::test]
async fn many_hostile_rules_are_answered_without_looking_at_all_of_them() {
    let mut shop = Shop::open().await;
    let hostile = |shop: &mut v1::Shop| {
        let clause =
            || v1::Clause { counts: Some(recurring("FREQ=MONTHLY;BYMONTHDAY=31;BYMONTH=2", "2026-01-05")) };
        let clauses: Vec<v1::Clause> = std::iter::repeat_with(clause).take(8).collect();
        let task = |n: usize| v1::TaskCard {
            key: format!("t{n}"),
            rule: Some(v1::IntervalRule { clauses: clauses.clone(), ..Default::default() }),
            ..Default::default()
        };
        shop.machines[0].tasks = (0..150).map(task).collect();
    };
    let found = shop.refused(hostile).await;
    let (more, told) = found.split_last().unwrap();
    assert!((1..100).contains(&told.len()), "{} of 1,200", told.len());
    // 100 were looked at.
    assert_eq!(*more, (String::new(), format!("{} more are wrong; mend these first", 100 - told.len())));
}

#[tokio::test]
async fn a_window_that_cannot_be_names_its_part() {
    let mut shop = Shop::open().await;
    let monthly = || recurring("FREQ=MONTHLY", "2026-01-05");
    let mut check = async |widths: v1::WindowWidths, field: &str, text: &str| {
        let width = Some(v1::window::Width::Widths(widths));
        let found = shop.refused(|shop| with_rule(shop, monthly(), width)).await;
        assert_eq!(found, one(&format!("shop.machines[0].tasks[0].rule.window{field}"), text));
    };
    let widths = |days: Option<i32>, count: &str| v1::WindowWidths { days, count: count.into() };
    let none = "states neither days nor a count; give one of them, or leave the window out";
    check(widths(None, ""), ".widths", none).await;
    let many = "367 is out of bounds; give a whole number from 0 to 366";
    check(widths(Some(367), ""), ".widths.days", many).await;
    let wide =
        "window is wider than half the interval of clause 1, or negative; give a narrower one, or 0 for none";
    check(widths(None, "3.6"), "", wide).await;
}

#[tokio::test]
async fn loading_what_is_shown_changes_nothing() {
    let mut shop = Shop::loaded().await;
    let mut changed = self::shop();
    let widths = v1::WindowWidths { days: Some(2), count: "0.5".into() };
    with_rule(
        &mut changed,
        recurring("freq=monthly;byday=1mo", "2026-01-05"),
        Some(v1::window::Width::Widths(widths)),
    );
    changed.machines[0].tasks[0].rule_from_day = "2199-12-31".into();
    assert_eq!(shop.load(changed).await.expect("taken").changes.len(), 1);
    let shown = shop.shops.get_shop(v1::GetShopRequest::default()).await.unwrap().into_inner().shop.unwrap();
    assert_eq!(shown.machines.len(), 2);
    assert_eq!(shop.load(shown.clone()).await.unwrap().changes, []);
    let again = shop.shops.get_shop(v1::GetShopRequest { site: "north".into() }).await.unwrap().into_inner();
    assert_eq!(again.shop.unwrap(), shown);
}

#[tokio::test]
async fn a_report_of_an_unknown_machine_is_held_with_the_remedy() {
    let mut shop = Shop::loaded().await;
    let told = shop.push(shift("1", "L-O3", "7.25")).await;
    let why = told.reason.clone().unwrap();
    assert_eq!((told.outcome(), why.code()), (v1::Outcome::Held, v1::HeldCode::UnknownMachine));
    let text =
        "no machine has the tag or name `L-O3`; declare it, or add the name to the machine that is meant";
    assert_eq!(why.text, text);
    let again = shop.push(shift("1", "L-O3", "7.25")).await;
    assert_eq!((again.outcome(), again.became()), (v1::Outcome::Duplicate, v1::ReportState::Held));
    assert_eq!(again.reason.unwrap().text, text);

    let held =
        shop.hours.list_held_reports(v1::ListHeldReportsRequest::default()).await.unwrap().into_inner();
    assert_eq!((held.held, held.reports.len()), (1, 1));
    let sent = held.reports[0].sent.clone().unwrap();
    assert_eq!(sent, shift("1", "L-O3", "7.25"), "shown as it was sent");
}

#[tokio::test]
async fn a_negative_amount_is_held_as_impossible() {
    let told = Shop::loaded().await.push(shift("1", "L-03", "-0.5")).await;
    let why = told.reason.clone().unwrap();
    assert_eq!((told.outcome(), why.code()), (v1::Outcome::Held, v1::HeldCode::Impossible));
    assert_eq!(why.text, "states less than 0; send a corrected revision");
}

#[tokio::test]
async fn not_a_number_is_refused() {
    let told = Shop::loaded().await.push(shift("1", "L-03", "NaN")).await;
    assert_eq!(told.outcome(), v1::Outcome::Refused);
    let found: Vec<_> = told.problems.iter().map(|p| (p.field.as_str(), p.text.as_str())).collect();
    let text = "`NaN` is not a plain decimal number such as 12.5; give digits with at most one point";
    assert_eq!(found, [("interval.amount", text)]);
}

#[tokio::test]
async fn an_end_before_the_start_is_held_as_impossible() {
    let mut report = shift("1", "L-03", "7");
    let said = interval(&mut report);
    std::mem::swap(&mut said.start, &mut said.end);
    let told = Shop::loaded().await.push(report).await;
    let why = told.reason.clone().unwrap();
    assert_eq!((told.outcome(), why.code()), (v1::Outcome::Held, v1::HeldCode::Impossible));
    assert_eq!(why.text, "ends at or before its start; send a corrected revision");
}

#[tokio::test]
async fn ten_thousand_hours_in_a_shift_are_held() {
    let told = Shop::loaded().await.push(shift("1", "L-03", "10000")).await;
    let why = told.reason.clone().unwrap();
    assert_eq!((told.outcome(), why.code()), (v1::Outcome::Held, v1::HeldCode::MoreThanTime));
    assert_eq!(
        why.text,
        "states 10000 h where at most 8.02 h fit the time, a minute of grace included; send a corrected revision"
    );
    assert_eq!(why.most, "8.0166667");
}

#[tokio::test]
async fn hours_that_count_are_shown_and_make_a_task_due() {
    let mut shop = Shop::loaded().await;
    // The tasks count from the load, so the shift must come after it.
    shop.server.clock.move_to(fettler_domain::time::Ts(support::NOW.0 + 8 * 3_600_000_000));
    let mut report = shift("1", "L-03", "7.25");
    let said = interval(&mut report);
    (said.start, said.end) = (Some(support::hours_from_now(0)), Some(support::hours_from_now(8)));
    let told = shop.push(report).await;
    assert_eq!(told.outcome(), v1::Outcome::Accepted, "{told:?}");
    let ask = v1::GetMeterRequest { machine: "L-03".into(), ..Default::default() };
    let meter = shop.hours.get_meter(ask).await.unwrap().into_inner().meter.unwrap();
    assert_eq!((meter.counted.as_str(), meter.key.as_str()), ("7.25", "operating"));
    assert_eq!(meter.known_to, Some(support::hours_from_now(8)));

    let list = shop.due.list_due(v1::ListDueRequest::default()).await.unwrap().into_inner();
    let item = &list.items[0];
    assert_eq!((item.machine.as_str(), item.task.as_str()), ("L-03", "drain-bowl"));
    assert_eq!(item.kind(), v1::DueKind::Crossed);
    assert_eq!(item.clauses[0].clause, "every 7 h operating");
    assert!(item.why.starts_with("7.25 of 7 h since"), "{}", item.why);
    assert_eq!((list.shop_day.as_str(), list.zone.as_str()), ("2026-11-25", "Europe/Berlin"));
}

#[tokio::test]
async fn wrong_questions_are_answered_with_the_field() {
    let mut shop = Shop::loaded().await;
    let until = |until: &str| v1::ListDueRequest { until: until.into(), ..Default::default() };
    let status = shop.due.list_due(until("2026-11-24")).await.unwrap_err();
    let text = "2026-11-24 is out of bounds; give a day from today, 2026-11-25, to 2036-11-25";
    assert_eq!(fields(&status), one("until", text));
    let status = shop.due.list_due(until("tomorrow")).await.unwrap_err();
    let text = "`tomorrow` is no date of the years 1970 to 2199; give it as YYYY-MM-DD, such as 2026-03-02";
    assert_eq!(fields(&status), one("until", text));
    let token = v1::ListDueRequest { page_token: "abc".into(), page_size: -4, ..Default::default() };
    let found = fields(&shop.due.list_due(token).await.unwrap_err());
    assert_eq!(
        found.iter().map(|(field, _)| field.as_str()).collect::<Vec<_>>(),
        ["page_size", "page_token"]
    );

    let close = v1::CloseOrderRequest {
        order: -3,
        done_at: Some(support::hours_from_now(1)),
        as_found: 99,
        second_person: "Ada Kern".into(),
        ..Default::default()
    };
    let found = fields(&shop.orders.close_order(close).await.unwrap_err());
    let expect = [
        ("order", "-3 is not a work order's number; give the number that the due list shows"),
        ("done_at", "lies 1 h in the future; give when it was done"),
        ("done_by", "is empty; give 1 to 120 characters"),
        ("as_found", "99 is not a value that is known; give good, worn, failed or broke down"),
    ];
    assert_eq!(found, expect.map(|(field, text)| (field.to_owned(), text.to_owned())));
}

#[tokio::test]
async fn pages_of_the_due_list_join_without_a_gap() {
    let mut shop = Shop::loaded().await;
    let whole = v1::ListDueRequest { until: "2028-11-25".into(), ..Default::default() };
    let all = shop.due.list_due(whole.clone()).await.unwrap().into_inner();
    let mut paged = Vec::new();
    let mut page_token = String::new();
    loop {
        let ask = v1::ListDueRequest { page_size: 1, page_token, ..whole.clone() };
        let page = shop.due.list_due(ask).await.unwrap().into_inner();
        assert!(page.items.len() <= 1);
        paged.extend(page.items);
        page_token = page.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    assert_eq!(paged, all.items);
}
