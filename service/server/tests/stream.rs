//! Streams of reports: order, batches, back-pressure, callers that leave, and the end of the service.

mod support;

use fettler_proto::v1;
use fettler_proto::v1::run_hours_service_client::RunHoursServiceClient;
use std::sync::Arc;
use support::fake::Fake;
use support::{Server, Wire, fields, reason, shift};
use tokio::sync::mpsc;
use tokio_stream::StreamExt as _;
use tokio_stream::wrappers::ReceiverStream;
use tonic::Code;

fn message(report: v1::ShiftReport) -> v1::StreamReportsRequest {
    v1::StreamReportsRequest { report: Some(report), ..Default::default() }
}

async fn client(server: &Server) -> RunHoursServiceClient<Wire> {
    RunHoursServiceClient::new(server.wire().await)
}

#[tokio::test]
async fn every_report_of_a_stream_is_acknowledged_in_order_and_bad_ones_spoil_nothing() {
    const COUNT: u64 = 5_000;
    let fake = Arc::new(Fake::open());
    let server = Server::start(fake.clone()).await;
    let reports = (1..=COUNT).map(|n| {
        let amount = if n % 100 == 0 { "NaN" } else { "7.25" };
        message(shift(&format!("r{n}"), "L-03", amount))
    });
    let stream = tokio_stream::iter(reports.collect::<Vec<_>>());
    let mut acks = client(&server).await.stream_reports(stream).await.unwrap().into_inner();
    for n in 1..=COUNT {
        let ack = acks.message().await.unwrap().unwrap();
        let told = ack.acknowledgement.unwrap();
        assert_eq!((ack.sequence, told.report.as_ref().unwrap().report_id.clone()), (n, format!("r{n}")));
        if n % 100 == 0 {
            assert_eq!(told.outcome(), v1::Outcome::Refused);
            assert_eq!(told.problems[0].field, "interval.amount");
        } else {
            assert_eq!(told.outcome(), v1::Outcome::Accepted);
        }
    }
    assert!(acks.message().await.unwrap().is_none(), "the stream ends when the caller has ended it");
    let pushed = fake.pushed.lock().unwrap();
    let taken: Vec<&String> = pushed.iter().flatten().collect();
    let sent = (1..=COUNT).filter(|n| n % 100 != 0).map(|n| format!("r{n}"));
    assert!(taken.into_iter().cloned().eq(sent), "the store sees them in the order of sending");
    assert!(pushed.iter().all(|batch| batch.len() <= 512));
    assert!(pushed.len() < 2_000, "what waits goes together: {} calls", pushed.len());
}

#[tokio::test]
async fn no_report_is_acknowledged_before_the_store_has_it() {
    let fake = Arc::new(Fake::default());
    let server = Server::start(fake.clone()).await;
    let (send, receive) = mpsc::channel(8);
    let mut acks =
        client(&server).await.stream_reports(ReceiverStream::new(receive)).await.unwrap().into_inner();
    send.send(message(shift("a", "L-03", "7"))).await.unwrap();
    fake.one_waits().await;
    assert!(futures::FutureExt::now_or_never(acks.message()).is_none());
    fake.let_in.add_permits(1);
    assert_eq!(acks.message().await.unwrap().unwrap().sequence, 1);
    drop(send);
    assert!(acks.message().await.unwrap().is_none());
}

#[tokio::test]
async fn a_caller_that_does_not_read_is_not_read_either() {
    let fake = Arc::new(Fake::open());
    let server = Server::start(fake.clone()).await;
    let (send, receive) = mpsc::channel(1);
    let acks = client(&server).await.stream_reports(ReceiverStream::new(receive)).await.unwrap().into_inner();
    // Long names, so that the windows of the connection are soon full.
    let name = "x".repeat(100);
    let mut count: usize = 0;
    let stuck = loop {
        let report = shift(&format!("{name}-{count}"), &name, "7");
        let sending = send.send(message(report));
        match tokio::time::timeout(std::time::Duration::from_secs(2), sending).await {
            Ok(done) => done.unwrap(),
            Err(_) => break count,
        }
        count += 1;
        assert!(count < 200_000, "the service takes reports without end though nobody reads its answers");
    };
    drop(send);
    let read = acks.take_while(Result::is_ok).fold(0, |all, _| all + 1).await;
    assert_eq!(read, stuck, "once read, all is acknowledged");
}

#[tokio::test]
async fn what_was_read_is_stored_though_the_caller_left() {
    let fake = Arc::new(Fake::default());
    let mut server = Server::start(fake.clone()).await;
    let (send, receive) = mpsc::channel(8);
    let mut client = client(&server).await;
    let acks = client.stream_reports(ReceiverStream::new(receive)).await.unwrap();
    send.send(message(shift("a", "L-03", "7"))).await.unwrap();
    fake.one_waits().await;
    drop((acks, send, client));
    fake.let_in.add_permits(10);
    server.stop();
    server.stopped().await;
    assert_eq!(*fake.pushed.lock().unwrap(), [["a"]]);
}

#[tokio::test]
async fn a_stopping_service_ends_streams_after_what_it_has_read() {
    let fake = Arc::new(Fake::default());
    let mut server = Server::start(fake.clone()).await;
    let (send, receive) = mpsc::channel(8);
    let mut acks =
        client(&server).await.stream_reports(ReceiverStream::new(receive)).await.unwrap().into_inner();
    send.send(message(shift("a", "L-03", "7"))).await.unwrap();
    fake.one_waits().await;
    server.stop();
    fake.let_in.add_permits(1);
    assert_eq!(acks.message().await.unwrap().unwrap().sequence, 1);
    let status = acks.message().await.unwrap_err();
    assert_eq!((status.code(), reason(&status).as_str()), (Code::Unavailable, "STOPPING"));
    server.stopped().await;
}

#[tokio::test]
async fn a_report_that_cannot_be_read_is_refused_with_all_that_is_wrong() {
    let server = Server::start(Arc::new(Fake::open())).await;
    let mut client = client(&server).await;
    let mut wrong = shift("", "L-03\u{7}", "1e3");
    wrong.source = "s".repeat(121);
    if let Some(v1::shift_report::Statement::Interval(said)) = &mut wrong.statement {
        said.start = None;
        said.end = Some(prost_types::Timestamp { seconds: 8_000_000_000, nanos: 0 });
    }
    let reports = vec![wrong, shift("good", "L-03", "7"), v1::ShiftReport::default()];
    let ask = v1::PushReportsRequest { site: String::new(), reports };
    let answer = client.push_reports(ask).await.unwrap().into_inner().acknowledgements;
    let problems = |at: usize| -> Vec<(&str, &str)> {
        answer[at].problems.iter().map(|problem| (problem.field.as_str(), problem.text.as_str())).collect()
    };
    let long = format!("`{}…` has 121 characters; give at most 120", "s".repeat(60));
    assert_eq!(
        problems(0),
        [
            ("source", long.as_str()),
            ("report_id", "is empty; give 1 to 120 characters"),
            ("machine", "`L-03\u{7}` has a control character or a space at its start or end; remove it"),
            ("interval.start", "is missing; give an instant such as 2026-03-02T06:00:00Z"),
            (
                "interval.end",
                "8000000000 s and 0 ns after 1970-01-01 is no instant of the years 1970 to 2200; correct it"
            ),
            (
                "interval.amount",
                "`1e3` is not a plain decimal number such as 12.5; give digits with at most one point"
            ),
        ]
    );
    assert_eq!(answer[0].outcome(), v1::Outcome::Refused);
    assert_eq!(answer[0].report.as_ref().unwrap().source.len(), 120);
    assert_eq!(answer[1].outcome(), v1::Outcome::Accepted);
    assert_eq!(problems(2)[3], ("statement", "is missing; give an interval, a reading or a withdrawal"));
    assert_eq!(problems(2).len(), 4);
}

#[tokio::test]
async fn a_batch_holds_at_most_ten_thousand_reports() {
    let server = Server::start(Arc::new(Fake::open())).await;
    let reports = vec![v1::ShiftReport::default(); 10_001];
    let ask = v1::PushReportsRequest { site: String::new(), reports };
    let status = client(&server).await.push_reports(ask).await.unwrap_err();
    let expect = "has 10001 entries; give at most 10000, or use the stream";
    assert_eq!(fields(&status), [("reports".to_owned(), expect.to_owned())]);
}
