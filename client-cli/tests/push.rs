//! `fettler hours push` against a service: outcomes, the window, and going on after a break.

#[cfg(test)]
mod support;

use feed::{cutting, file};
use support::{Mock, Plan, client, finish, run};

/// The most that may be unacknowledged: the window and the batch that was read before it filled.
const WINDOW_ROWS_MAX: u64 = 4_096 + 512;
/// How many the lagging service lets come before it acknowledges any.
const LAG_LEAST: u64 = 1_000;

#[tokio::test(flavor = "multi_thread")]
async fn every_row_has_its_outcome_and_bad_ones_name_line_field_value_and_remedy() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let folder = tempfile::tempdir().unwrap();
    let instead = [
        (3, "GHOST,R-3,2026-11-24T05:00:00Z,2026-11-24T13:00:00Z,7"),
        (4, "L-03,R-4,2026-11-24T05:00:00Z,2026-11-24T13:00:00Z,NaN"),
        (5, "\"never closed,R-5"),
        (6, "L-03,R-2,2026-11-24T05:00:00Z,2026-11-24T13:00:00Z,7.25"),
        (7, "L-03,R-7,24.11.2026 05:00,2026-11-24T13:00:00Z,7"),
    ];
    let path = file(folder.path(), 8, &instead);
    let ran = run(server, &["hours", "push", &path, "--source", "erp", "--site", "north"]).await;
    insta::assert_snapshot!(ran.stdout);
    assert_eq!((ran.stderr.as_str(), ran.code), ("", Some(1)));
    assert_eq!(mock.seen(|seen| seen.sites.clone()), ["north"]);
    assert_eq!(mock.seen(|seen| seen.reports.len()), 5);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_program_gets_one_record_per_row_in_the_order_of_the_file() {
    let (_, server) = Mock::serve(Plan::default()).await;
    let folder = tempfile::tempdir().unwrap();
    let path = file(
        folder.path(),
        3,
        &[(3, "broken"), (4, "GHOST,R-4,2026-11-24T05:00:00Z,2026-11-24T13:00:00Z,7")],
    );
    let args = ["hours", "push", &path, "--source", "erp", "--output"];
    let csv = run(server, &[&args[..], &["csv"]].concat()).await;
    insta::assert_snapshot!(csv.stdout.replace("\r\n", "\n"));
    let json = run(server, &[&args[..], &["json"]].concat()).await;
    let outcomes: Vec<serde_json::Value> = json
        .stdout
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap()["outcome"].clone())
        .collect();
    assert_eq!(outcomes, ["OUTCOME_DUPLICATE", "OUTCOME_REFUSED", "OUTCOME_HELD"]);
    assert!(json.stderr.contains("duplicate              1\n"), "{}", json.stderr);
    assert_eq!((csv.code, json.code), (Some(1), Some(1)));
}

#[tokio::test(flavor = "multi_thread")]
async fn only_the_first_20_are_listed_unless_all_are_wanted() {
    let (_, server) = Mock::serve(Plan::default()).await;
    let folder = tempfile::tempdir().unwrap();
    let broken: Vec<(u32, &str)> = (2..32).map(|line| (line, "x")).collect();
    let path = file(folder.path(), 30, &broken);
    let some = run(server, &["hours", "push", &path, "--source", "erp"]).await;
    assert_eq!(some.stdout.matches(": refused").count(), 20);
    assert!(some.stdout.contains("10 more held or refused rows; list them with --all\n"), "{}", some.stdout);
    let all = run(server, &["hours", "push", &path, "--source", "erp", "--all"]).await;
    assert_eq!(all.stdout.matches(": refused").count(), 30);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stream_that_the_service_ends_is_resumed_from_the_first_unacknowledged_row() {
    let (mock, server) = Mock::serve(Plan { stream_breaks_after: Some(700), ..Plan::default() }).await;
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), 3_000, &[(5, "broken")]);
    let ran = run(server, &["hours", "push", &path, "--source", "erp"]).await;
    assert!(
        ran.stdout.contains("rows               3,000\naccepted           2,999\nrefused                1\n"),
        "{ran:?}"
    );
    // 700 acknowledged reports and one broken line came before line 703.
    assert_eq!(ran.stderr, "connection lost (the service is going away); going on from line 703\n");
    assert_eq!(mock.seen(|seen| (seen.streams, seen.reports.len())), (2, 2_999));
    assert_eq!(ran.code, Some(1));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_connection_that_is_cut_costs_no_row() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), 20_000, &[]);
    let cut = cutting(server, 600_000).await;
    let ran = run(cut, &["hours", "push", &path, "--source", "erp"]).await;
    assert_eq!(ran.code, Some(0), "{ran:?}");
    assert!(ran.stderr.starts_with("connection lost ("), "{ran:?}");
    assert!(ran.stdout.contains("rows              20,000\n"), "{ran:?}");
    assert_eq!(mock.seen(|seen| (seen.streams, seen.reports.len())), (2, 20_000));
}

#[tokio::test(flavor = "multi_thread")]
async fn the_window_is_bounded_however_slow_the_service_is() {
    let (mock, server) = Mock::serve(Plan { stream_lags: Some(LAG_LEAST), ..Plan::default() }).await;
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), 20_000, &[]);
    let ran = run(server, &["hours", "push", &path, "--source", "erp"]).await;
    assert_eq!(ran.code, Some(0), "{ran:?}");
    let lag = mock.seen(|seen| seen.lag_max);
    assert!((LAG_LEAST..=WINDOW_ROWS_MAX).contains(&lag), "{lag} rows were on their way");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refusal_says_how_far_it_came() {
    let (_, server) = Mock::serve(Plan { stream_refused_after: Some(10), ..Plan::default() }).await;
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), 100, &[]);
    let ran = run(server, &["hours", "push", &path, "--source", "erp"]).await;
    assert_eq!(ran.code, Some(3), "{ran:?}");
    assert!(ran.stdout.contains("accepted              10\n"), "{ran:?}");
    assert_eq!(
        ran.stderr,
        "fettler: this token may not push\nhint: 10 rows are settled; the same command again goes on safely, since what \
         was taken is a duplicate\ncode: PERMISSION_DENIED\n"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_counter_reading_said_twice_is_one_reading() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let args = ["hours", "read", "L-03", "4812.5", "--at", "2026-11-25 05:40", "--meter", "operating"];
    let first = run(server, &args).await;
    let second = run(server, &args).await;
    assert_eq!(first.stdout, "counter L-03/operating/2026-11-25T04:40:00Z: accepted\n");
    assert_eq!(
        second.stdout,
        "counter L-03/operating/2026-11-25T04:40:00Z: duplicate of one that is\ncounted\n"
            .replace("is\ncounted", "is counted")
    );
    assert_eq!((first.code, second.code), (Some(0), Some(0)));
    assert_eq!(mock.seen(|seen| seen.reports.len()), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn files_that_cannot_be_read_are_usage() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), 1, &[]);
    for (args, told) in [
        (["hours", "push", "/no/such/file", "--source", "erp"].to_vec(), "cannot read `/no/such/file`"),
        (["hours", "push", &path, "--source", "erp", "--delimiter", ";"].to_vec(), "has no column `machine`"),
        (["hours", "push", &path, "--source", "erp", "--zone", "Mars/Base"].to_vec(), "is not a time zone"),
    ] {
        let ran = finish(client(server, &args)).await;
        assert_eq!(ran.code, Some(2), "{ran:?}");
        assert!(ran.stderr.contains(told), "{ran:?}");
    }
    assert_eq!(mock.seen(|seen| seen.streams), 0);
}

/// What is pushed, and a wire that is cut.
#[cfg(test)]
mod feed {
    use std::{net::SocketAddr, path::Path};
    use tokio::net::{TcpListener, TcpStream};

    fn good(line: u32) -> String {
        format!("L-03,R-{line},2026-11-24T05:00:00Z,2026-11-24T13:00:00Z,7.25")
    }

    /// A file of `rows` good reports, and what is written into some of their lines instead.
    pub(super) fn file(folder: &Path, rows: u32, instead: &[(u32, &str)]) -> String {
        let mut text = "machine,report_id,start,end,hours\n".to_owned();
        for line in 2..rows + 2 {
            match instead.iter().find(|(at, _)| *at == line) {
                Some((_, other)) => text.push_str(other),
                None => text.push_str(&good(line)),
            }
            text.push('\n');
        }
        let path = folder.join("shift.csv");
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    }

    /// Passes connections on, and cuts the first one after so many bytes from the client.
    pub(super) async fn cutting(server: SocketAddr, after_bytes: u64) -> SocketAddr {
        use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, copy};
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        tokio::spawn(async move {
            let mut limit = after_bytes;
            while let Ok((client, _)) = listener.accept().await {
                let service = TcpStream::connect(server).await.unwrap();
                let (client_in, mut client_out) = client.into_split();
                let (mut service_in, mut service_out) = service.into_split();
                let mut limited = client_in.take(std::mem::replace(&mut limit, u64::MAX));
                tokio::spawn(async move {
                    tokio::select! {
                        _ = copy(&mut limited, &mut service_out) => {}
                        _ = copy(&mut service_in, &mut client_out) => {}
                    }
                    // Both ends see the connection go away.
                    let _ = client_out.shutdown().await;
                    let _ = service_out.shutdown().await;
                });
            }
        });
        address
    }
}
