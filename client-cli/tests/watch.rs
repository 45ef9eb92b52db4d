//! A due list that is watched: what is told, where it goes on after a break, and how it ends.

#[cfg(test)]
mod support;

use support::{Mock, Plan, run};

#[tokio::test(flavor = "multi_thread")]
async fn a_watch_goes_on_after_a_break_where_it_was_and_says_so() {
    let (_, server) = Mock::serve(Plan::default()).await;
    let ran = run(server, &["due", "--watch"]).await;
    insta::assert_snapshot!(ran.stdout);
    insta::assert_snapshot!(ran.stderr);
    assert_eq!(ran.code, Some(3), "a token that was taken back ends it");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_program_gets_a_line_of_json_for_each_message() {
    let (_, server) = Mock::serve(Plan::default()).await;
    let ran = run(server, &["due", "--watch", "--output", "json"]).await;
    let told: Vec<serde_json::Value> =
        ran.stdout.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let kinds: Vec<&str> = told.iter().filter_map(|message| message["told"].as_str()).collect();
    assert_eq!(
        kinds,
        [
            "WATCH_TOLD_LIST",
            "WATCH_TOLD_LIST",
            "WATCH_TOLD_CHANGES",
            "WATCH_TOLD_UNCHANGED",
            "WATCH_TOLD_CHANGES"
        ]
    );
    assert_eq!(told[2]["left"][0]["closing"]["doneBy"], "Ada Kern");
    assert_eq!(told[4]["resumeToken"], "three later");
}

#[tokio::test(flavor = "multi_thread")]
async fn changes_have_no_form_in_csv() {
    let (_, server) = Mock::serve(Plan::default()).await;
    let ran = run(server, &["due", "--watch", "--output", "csv"]).await;
    assert_eq!((ran.code, ran.stdout.as_str()), (Some(2), ""));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_that_is_not_there_ends_a_watch_that_has_told_nothing() {
    let nobody = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let ran = run(nobody, &["due", "--watch"]).await;
    assert_eq!((ran.code, ran.stdout.as_str()), (Some(4), ""), "{ran:?}");
}
