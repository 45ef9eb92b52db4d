//! Bad input, each with its exact answer: through the client as a person meets it, and over the wire as a program does.

use fettler_proto::v1::{
    HeldCode, LoadShopRequest, MachineCard, Outcome, PushReportRequest, PushReportsRequest, ShiftReport,
    Shop, Site,
};
use fettler_tests::service::Service;
use fettler_tests::year::{Leg, shop};
use tonic::{Code, Status};
use tonic_types::StatusExt as _;

/// A shop of one machine with one meter.
async fn service() -> Service {
    let service = Service::start();
    let load = LoadShopRequest { shop: Some(shop(&["L-03".into()])), ..LoadShopRequest::default() };
    service.wire().await.shop().load_shop(load).await.expect("the shop loads");
    service
}

/// A report of a day in March, with one thing changed.
fn report(change: impl FnOnce(&mut Leg)) -> ShiftReport {
    let mut leg = Leg {
        machine: "L-03".into(),
        report: "r-1".into(),
        start: 1_772_438_400_000_000,
        end: 1_772_467_200_000_000,
        hours: "7.5".into(),
    };
    change(&mut leg);
    leg.report()
}

/// Pushes a report that is to be held; answers the code and the words.
async fn held(report: ShiftReport) -> (HeldCode, String) {
    let service = service().await;
    let ask = PushReportRequest { report: Some(report), ..PushReportRequest::default() };
    let answer = service.wire().await.hours().push_report(ask).await.expect("an answer").into_inner();
    let acknowledgement = answer.acknowledgement.expect("an acknowledgement");
    assert_eq!(acknowledgement.outcome(), Outcome::Held);
    let reason = acknowledgement.reason.expect("a reason");
    (reason.code(), reason.text)
}

/// The violated fields of a refused call, with their texts.
fn fields(status: &Status) -> Vec<(String, String)> {
    assert_eq!(status.code(), Code::InvalidArgument, "{status:?}");
    let details = status.get_error_details();
    assert_eq!(details.error_info().expect("always there").reason, "FIELDS_INVALID");
    let violations = &details.bad_request().expect("the fields").field_violations;
    violations.iter().map(|v| (v.field.clone(), v.description.clone())).collect()
}

fn pair(field: &str, text: &str) -> (String, String) {
    (field.into(), text.into())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn unknown_machine() {
    let found = held(report(|leg| leg.machine = "L-99".into())).await;
    assert_eq!(
        found,
        (
            HeldCode::UnknownMachine,
            "no machine has the tag or name `L-99`; declare it, or add the name to the machine that is meant"
                .into()
        )
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn negative_amount() {
    let found = held(report(|leg| leg.hours = "-1".into())).await;
    assert_eq!(found, (HeldCode::Impossible, "states less than 0; send a corrected revision".into()));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn end_before_start() {
    let found = held(report(|leg| leg.end = leg.start - 3_600_000_000)).await;
    assert_eq!(
        found,
        (HeldCode::Impossible, "ends at or before its start; send a corrected revision".into())
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn ten_thousand_hours_in_a_shift() {
    let found = held(report(|leg| leg.hours = "10000".into())).await;
    assert_eq!(found, (HeldCode::MoreThanTime, "states 10000 h where at most 8.02 h fit the time, a minute of grace included; send a corrected revision".into()));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn not_a_number_is_refused_and_spoils_nothing() {
    let service = service().await;
    let reports = vec![report(|leg| leg.hours = "NaN".into()), report(|leg| leg.report = "r-2".into())];
    let ask = PushReportsRequest { reports, ..PushReportsRequest::default() };
    let answer = service.wire().await.hours().push_reports(ask).await.expect("an answer").into_inner();
    let [refused, accepted] = &answer.acknowledgements[..] else { panic!("{answer:?}") };
    assert_eq!((refused.outcome(), accepted.outcome()), (Outcome::Refused, Outcome::Accepted));
    let problems: Vec<_> = refused.problems.iter().map(|p| (p.field.clone(), p.text.clone())).collect();
    assert_eq!(
        problems,
        [pair(
            "interval.amount",
            "`NaN` is not a plain decimal number such as 12.5; give digits with at most one point"
        )]
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn wrong_zone_name() {
    let service = Service::start();
    let site = Site { key: "hall".into(), zone: "Europe/Berlim".into(), ..Site::default() };
    let ask = LoadShopRequest {
        shop: Some(Shop { site: Some(site), ..Shop::default() }),
        ..LoadShopRequest::default()
    };
    let refused = service.wire().await.shop().load_shop(ask).await.expect_err("a wrong zone");
    assert_eq!(
        fields(&refused),
        [pair("shop.site.zone", "time zone `Europe/Berlim` is not known; did you mean `Europe/Berlin`?")]
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn duplicate_tag() {
    let service = Service::start();
    let site = Site { key: "hall".into(), zone: "Europe/Berlin".into(), ..Site::default() };
    let machine = || MachineCard { tag: "L-03".into(), ..MachineCard::default() };
    let shop = Shop { site: Some(site), machines: vec![machine(), machine()], ..Shop::default() };
    let ask = LoadShopRequest { shop: Some(shop), ..LoadShopRequest::default() };
    let refused = service.wire().await.shop().load_shop(ask).await.expect_err("a tag twice");
    assert_eq!(
        fields(&refused),
        [pair("shop.machines[1].tag", "`L-03` stands in shop.machines[0].tag too; give each its own tag")]
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn message_of_5_mib() {
    let service = service().await;
    let big = ShiftReport { report_id: "x".repeat(5 << 20), ..report(|_| ()) };
    let ask = PushReportRequest { report: Some(big), ..PushReportRequest::default() };
    let wire = service.wire().await;
    let refused = wire.hours().push_report(ask).await.expect_err("too large");
    assert_eq!(refused.code(), Code::ResourceExhausted);
    assert_eq!(
        refused.message(),
        "the message is larger than the limit of 4194304 bytes; send it in smaller parts"
    );
    let details = refused.get_error_details();
    let info = details.error_info().expect("always there");
    assert_eq!(
        (info.reason.as_str(), info.metadata["limit_bytes"].as_str()),
        ("MESSAGE_TOO_LARGE", "4194304")
    );
    let ask = PushReportRequest { report: Some(report(|_| ())), ..PushReportRequest::default() };
    wire.hours().push_report(ask).await.expect("the next call is answered");
}

#[test]
fn unknown_key_in_the_shop_file() {
    let service = Service::start();
    let file = "[site]\nkey = \"hall\"\nzone = \"Europe/Berlin\"\n\n[[machine]]\ntag = \"L-03\"\narae = \"Hall A\"\n";
    let ran = service.fettler_with(&["shop", "load", "-"], file.as_bytes());
    assert_eq!(ran.all(), "fettler: -, line 7: unknown key `arae`\nhint: did you mean `area`?\nexit 2\n");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn broken_line_in_a_file_of_reports() {
    let service = service().await;
    let file = "machine,report_id,start,end,hours\n\
        L-03,a,2026-03-02T06:00:00Z,2026-03-02T14:00:00Z,7.5\n\
        L-03,b,2026-03-03T06:00:00Z\n\
        L-03,c,2026-03-04T06:00:00Z,2026-03-04T14:00:00Z,seven\n\
        L-99,d,2026-03-05T06:00:00Z,2026-03-05T14:00:00Z,7.5\n\
        L-03,e,2026-03-06T06:00:00Z,2026-03-06T14:00:00Z,7.25\n";
    let ran = service.fettler_with(&["hours", "push", "-", "--source", "erp"], file.as_bytes());
    assert_eq!(
        ran.all(),
        "\
line 3: refused
  line        the line has 3 of the header's 5 fields; mend it, or give the
              right --delimiter
line 4, report c: refused
  hours       `seven` is not a plain decimal number such as 12.5; give digits
              with at most one point
line 5, report d: held
  machine     no machine has the tag or name `L-99`; declare it, or add the name
              to the machine that is meant

rows                   5
accepted               2
held                   1
refused                2
exit 1
"
    );
    let meter = service.fettler(&["hours", "meter", "L-03", "--output", "json"]).done();
    assert!(meter.contains("\"counted\": \"14.75\""), "the good lines count: {meter}");
}
