//! Single calls: what is sent, what is shown, how refusals and silences end.

#[cfg(test)]
mod support;

use std::process::Stdio;
use support::{Mock, Plan, TOKEN, client, finish, run};

#[tokio::test(flavor = "multi_thread")]
async fn a_closing_is_sent_as_said_and_shown_with_the_next_order() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let ran = run(
        server,
        &[
            "close",
            "1042",
            "--by",
            "Ada Kern",
            "--done",
            "2026-11-25 05:40",
            "--as-found",
            "broke-down",
            "--read",
            "p-air=6.1bar",
            "--used",
            "way oil VG 68=2 L",
            "--minutes",
            "20",
        ],
    )
    .await;
    insta::assert_snapshot!(ran.stdout);
    insta::assert_snapshot!(ran.stderr);
    assert_eq!(ran.code, Some(0));
    let sent = mock.seen(|seen| seen.closings[0].clone());
    // 05:40 in Berlin's winter.
    assert_eq!(sent.done_at.unwrap().seconds, 1_795_581_600);
    assert_eq!(sent.as_found(), fettler_proto::v1::AsFound::BrokeDown);
    assert!(!sent.cautions_confirmed);
    assert_eq!(uuid::Uuid::parse_str(&sent.request_id).unwrap().get_version_num(), 4);
}

#[tokio::test(flavor = "multi_thread")]
async fn confirmed_cautions_are_not_asked_for_again() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let ran = run(server, &["close", "1042", "--by", "Ada Kern", "--cautions-confirmed"]).await;
    assert_eq!((ran.code, ran.stderr.as_str()), (Some(0), ""));
    assert!(mock.seen(|seen| seen.closings[0].cautions_confirmed && seen.closings[0].done_at.is_none()));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_unavailable_service_is_asked_again_under_the_same_request_id() {
    let (mock, server) = Mock::serve(Plan { close_unavailable: 2, ..Plan::default() }).await;
    let ran = run(server, &["close", "1042", "--by", "Ada Kern", "--cautions-confirmed"]).await;
    assert_eq!(ran.code, Some(0), "{ran:?}");
    let ids = mock.seen(|seen| seen.closings.iter().map(|c| c.request_id.clone()).collect::<Vec<_>>());
    assert_eq!(ids.len(), 3);
    assert!(ids.iter().all(|id| *id == ids[0]));
    let told = format!("no answer (the store is busy); trying again with request id {}\n", ids[0]);
    assert_eq!(ran.stderr, told.repeat(2));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_that_stays_away_leaves_a_command_that_is_safe_to_repeat() {
    let (mock, server) = Mock::serve(Plan { close_unavailable: 99, ..Plan::default() }).await;
    let id = "6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d4e";
    let args = ["close", "1042", "--by", "Ada Kern", "--cautions-confirmed", "--request-id", id];
    let ran = run(server, &args).await;
    assert_eq!(ran.code, Some(4), "{ran:?}");
    let told = format!(
        "this command is safe to repeat:\n  fettler close 1042 --by \"Ada Kern\" --request-id {id} \
         --cautions-confirmed\n"
    );
    assert!(ran.stderr.contains(&told), "{ran:?}");
    assert!(ran.stderr.ends_with("code: UNAVAILABLE\n"), "{ran:?}");
    assert_eq!(mock.seen(|seen| seen.closings.len()), 4);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refusal_shows_every_field_the_code_and_the_reason() {
    let (_, server) = Mock::serve(Plan { close_refused: true, ..Plan::default() }).await;
    let ran = run(server, &["close", "1042", "--by", "Nobody", "--cautions-confirmed"]).await;
    insta::assert_snapshot!(ran.stderr);
    assert_eq!((ran.code, ran.stdout.as_str()), (Some(3), ""));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refusal_in_a_stop_names_the_order_and_a_field_where_there_is_one() {
    let (_, server) = Mock::serve(Plan { close_refused: true, ..Plan::default() }).await;
    let ran = run(server, &["close", "1042", "1043", "--by", "Nobody", "--cautions-confirmed"]).await;
    for order in ["1042", "1043"] {
        let told = format!(
            "  order {order}, --by: `Nobody` is not known; add them with `fettler person add`\n  order {order}: 3 more"
        );
        assert!(ran.stderr.contains(&told), "{ran:?}");
    }
    assert_eq!(ran.code, Some(3), "{ran:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_at_home_is_not_reachable() {
    // A port that was free a moment ago and has no listener.
    let server = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let ran = run(server, &["due"]).await;
    assert_eq!(ran.code, Some(4), "{ran:?}");
    assert!(ran.stderr.starts_with(&format!("fettler: http://{server}/ did not answer: ")), "{ran:?}");
    assert!(ran.stderr.contains("is `fettlerd serve` running there?"), "{ran:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_token_is_found_in_the_data_folder_and_a_wrong_one_refused() {
    let (_, server) = Mock::serve(Plan::default()).await;
    let folder = tempfile::tempdir().unwrap();
    let mut without = client(server, &["due"]);
    without.env_remove("FETTLER_TOKEN").env("FETTLER_DATA", folder.path());
    let ran = finish(without).await;
    assert_eq!(ran.code, Some(3), "{ran:?}");
    assert!(ran.stderr.contains("give the token with --token-file FILE"), "{ran:?}");

    std::fs::write(folder.path().join("admin.token"), format!("{TOKEN}\n")).unwrap();
    let mut found = client(server, &["due"]);
    found.env_remove("FETTLER_TOKEN").env("FETTLER_DATA", folder.path());
    assert_eq!(finish(found).await.code, Some(0));
}

#[tokio::test(flavor = "multi_thread")]
async fn pages_are_one_list_and_a_span_counts_from_the_services_day() {
    let (_, server) = Mock::serve(Plan::default()).await;
    let ran = run(server, &["due", "--within", "7d"]).await;
    assert_eq!(ran.code, Some(0), "{ran:?}");
    insta::assert_snapshot!(ran.stdout);
    let json = run(server, &["due", "--output", "json"]).await;
    let list: serde_json::Value = serde_json::from_str(&json.stdout).unwrap();
    assert_eq!(list["items"].as_array().unwrap().len(), 2);
    assert_eq!(list["items"][1]["order"], "1043");
    assert!(list.get("nextPageToken").is_none());
    let csv = run(server, &["due", "--output", "csv"]).await;
    assert!(csv.stdout.starts_with("order,section,area,machine,"), "{csv:?}");
    assert_eq!(csv.stdout.lines().count(), 3);
}

#[tokio::test(flavor = "multi_thread")]
async fn colour_is_only_ever_asked_for() {
    let (_, server) = Mock::serve(Plan::default()).await;
    assert!(!run(server, &["due"]).await.stdout.contains('\u{1b}'));
    assert!(run(server, &["due", "--color", "always"]).await.stdout.contains('\u{1b}'));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_interruption_ends_with_130() {
    let (mock, server) = Mock::serve(Plan { close_silent: true, ..Plan::default() }).await;
    let mut command = client(server, &["close", "1042", "--by", "Ada Kern", "--cautions-confirmed"]);
    let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    mock.arrived.notified().await;
    let killed = std::process::Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert!(killed.success());
    let output = tokio::task::spawn_blocking(|| child.wait_with_output()).await.unwrap().unwrap();
    assert_eq!(output.status.code(), Some(130));
    assert_eq!(String::from_utf8_lossy(&output.stderr), "fettler: interrupted\n");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reader_that_has_enough_is_success() {
    let (_, server) = Mock::serve(Plan::default()).await;
    let mut command = client(server, &["due"]);
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    let output = tokio::task::spawn_blocking(|| child.wait_with_output()).await.unwrap().unwrap();
    assert_eq!((output.status.code(), output.stderr.as_slice()), (Some(0), &b""[..]));
}

#[tokio::test(flavor = "multi_thread")]
async fn usage_is_told_before_any_call() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    for (args, told) in [
        (["due", "--within", "soon"].to_vec(), "--within: `soon` is not a span"),
        (["due", "--until", "tomorrow"].to_vec(), "--until: `tomorrow` is not a day"),
        (["close", "1042", "--by", "A", "--done", "yesterday"].to_vec(), "--done: `yesterday` is not a time"),
        (["close", "1042", "--by", "A", "--read", "p"].to_vec(), "--read: `p` names no value"),
        (
            ["close", "1042", "--by", "A", "--site", "south", "--done", "2026-11-25 05:40"].to_vec(),
            "`south` is not a site",
        ),
        (["why", "L-03"].to_vec(), "`L-03` is not an order's number"),
    ] {
        let ran = run(server, &args).await;
        assert_eq!(ran.code, Some(2), "{ran:?}");
        assert!(ran.stderr.contains(told), "{ran:?}");
    }
    assert_eq!(mock.seen(|seen| seen.closings.len()), 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_shop_that_is_shown_can_be_loaded_as_it_is() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let text = include_str!("../../docs/shop-file.md");
    let example = text.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shop.toml");
    let path = path.to_str().unwrap();
    std::fs::write(path, example).unwrap();

    let dry = run(server, &["shop", "load", path, "--dry-run", "--by", "Ben Holt"]).await;
    insta::assert_snapshot!(dry.stdout);
    assert_eq!(dry.code, Some(0), "{dry:?}");
    let shown = run(server, &["shop", "show"]).await;
    std::fs::write(path, &shown.stdout).unwrap();
    assert_eq!(run(server, &["shop", "load", path]).await.code, Some(0));

    let loads = mock.seen(|seen| seen.loads.clone());
    assert_eq!((loads[0].validate_only, loads[1].validate_only), (true, false));
    assert_eq!(loads[0].by, "Ben Holt");
    assert_ne!(loads[0].request_id, loads[1].request_id);
    assert_eq!(loads[0].shop, loads[1].shop);

    std::fs::write(path, "[site]\nkey = \"north\"\nzoen = \"UTC\"\n").unwrap();
    let refused = run(server, &["shop", "load", path]).await;
    assert_eq!(refused.code, Some(2), "{refused:?}");
    assert!(
        refused.stderr.ends_with("line 3: unknown key `zoen`\nhint: did you mean `zone`?\n"),
        "{refused:?}"
    );
    assert_eq!(mock.seen(|seen| seen.loads.len()), 2);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_look_ahead_is_gathered_page_by_page() {
    let (_mock, server) = Mock::serve(Plan::default()).await;
    let ran = run(server, &["ahead", "--until", "2027-02-28", "--output", "json"]).await;
    assert_eq!(ran.code, Some(0), "{ran:?}");
    assert_eq!(ran.stdout.matches("looked ahead to `2027-02-28`").count(), 2, "{}", ran.stdout);
    assert!(!ran.stdout.contains("nextPageToken"), "{}", ran.stdout);
    let ran = run(server, &["ahead", "--until", "tomorrow"]).await;
    assert_eq!((ran.code, ran.stdout.as_str()), (Some(2), ""));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_site_without_reports_is_too_little_to_judge_by() {
    let (_mock, server) = Mock::serve(Plan::default()).await;
    let ran = run(server, &["backtest"]).await;
    assert_eq!((ran.code, ran.stderr.as_str()), (Some(1), ""), "{ran:?}");
    assert!(
        ran.stdout.starts_with("No report of hours counts yet.\nToo little to judge by"),
        "{}",
        ran.stdout
    );
    let rows = run(server, &["backtest", "--output", "json"]).await;
    assert_eq!((rows.code, rows.stdout.as_str()), (Some(1), "[]\n"));
}
