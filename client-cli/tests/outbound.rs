//! What other systems book, as a person and as a script sees it.

#[cfg(test)]
mod support;

use support::{Mock, Plan, run};

#[tokio::test(flavor = "multi_thread")]
async fn a_person_reads_what_is_to_be_booked_and_how_to_say_that_it_is() {
    let (_, server) = Mock::serve(Plan::default()).await;
    let ran = run(server, &["outbound", "pull", "--reader", "erp"]).await;
    insta::assert_snapshot!(ran.stdout);
    assert_eq!(ran.stderr, "once all of it is booked: fettler outbound done --reader erp --through 9\n");
    assert_eq!(ran.code, Some(0));
    let ran = run(server, &["outbound", "pull", "--after", "9"]).await;
    assert_eq!((ran.stdout.as_str(), ran.stderr.as_str()), ("nothing to book\n", ""));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_script_gets_lines_of_json_or_rows() {
    let (_, server) = Mock::serve(Plan::default()).await;
    let ran = run(server, &["outbound", "pull", "--reader", "erp", "--output", "json"]).await;
    let entries: Vec<serde_json::Value> =
        ran.stdout.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let numbers: Vec<&str> = entries.iter().filter_map(|entry| entry["number"].as_str()).collect();
    assert_eq!(numbers, ["5", "6", "7", "9"]);
    assert_eq!((&entries[1]["reverses"], &entries[1]["work"]["undoneBy"]), (&"5".into(), &"Ben Holt".into()));
    let ran = run(server, &["outbound", "pull", "--reader", "erp", "--output", "csv"]).await;
    insta::assert_snapshot!(ran.stdout);
    let ran = run(server, &["outbound", "pull", "--reader", "erp", "--after", "3"]).await;
    assert_eq!(ran.code, Some(2), "a reader has a place of its own");
}
