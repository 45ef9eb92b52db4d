//! Planned use: what is sent for what was typed or stands in a file, and how it is shown.

#[cfg(test)]
mod support;

use fettler_proto::v1 as pb;
use prost::Message as _;
use support::{Mock, Plan, run};

const PERIOD: [&str; 4] = ["--from", "2026-11-30 06:00", "--until", "2026-12-05 06:00"];

/// What was asked to be planned.
fn asked(mock: &Mock) -> Vec<pb::PlanUseRequest> {
    let sent = mock.seen(|seen| seen.changes.clone());
    sent.iter().map(|bytes| pb::PlanUseRequest::decode(bytes.as_slice()).expect("a request")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn shifts_that_are_typed_are_sent_in_the_site_s_time() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let args = ["hours", "plan", "L-03", PERIOD[0], PERIOD[1], PERIOD[2], PERIOD[3]];
    let shifts = [
        "--shift",
        "2026-11-30 06:00",
        "2026-11-30 14:00",
        "7.5",
        "--shift",
        "2026-12-01T05:00:00Z",
        "2026-12-01T13:00:00Z",
        "8",
        "--by",
        "Ada Kern",
    ];
    let ran = run(server, &[&args[..], &shifts[..]].concat()).await;
    assert_eq!((ran.code, ran.stderr.as_str()), (Some(0), ""));
    assert_eq!(ran.stdout, "L-03 operating        2 planned shifts, 15.5 h, in place of 1\n");
    let asked = asked(&mock);
    let [ask] = &asked[..] else { panic!("{asked:?}") };
    // 06:00 in Berlin's winter is 05:00 UTC.
    assert_eq!(ask.from.unwrap().seconds, 1_796_014_800);
    assert_eq!(ask.shifts[0].start, ask.from);
    assert_eq!((ask.shifts[0].amount.as_str(), ask.by.as_str(), ask.withdraw), ("7.5", "Ada Kern", false));
    assert!(!ask.request_id.is_empty() && !ask.validate_only);
}

#[tokio::test(flavor = "multi_thread")]
async fn one_of_four_things_is_said_of_a_period() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let args = ["hours", "plan", "L-03", PERIOD[0], PERIOD[1], PERIOD[2], PERIOD[3]];
    let nothing = run(server, &args).await;
    assert_eq!(nothing.code, Some(2), "{nothing:?}");
    let both = run(server, &[&args[..], &["--stands", "--withdraw"]].concat()).await;
    assert_eq!(both.code, Some(2), "{both:?}");
    for what in ["--stands", "--withdraw"] {
        let ran = run(server, &[&args[..], &[what, "--dry-run"]].concat()).await;
        assert_eq!(ran.code, Some(0), "{ran:?}");
        assert!(ran.stdout.starts_with("Nothing was changed"), "{ran:?}");
    }
    let asked = asked(&mock);
    assert_eq!(asked.iter().map(|ask| ask.withdraw).collect::<Vec<_>>(), [false, true]);
    assert!(asked.iter().all(|ask| ask.shifts.is_empty() && ask.validate_only));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_file_plans_the_period_of_each_meter_that_it_names() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("plan.csv");
    let text = "machine,start,end,hours\nL-03,2026-11-30 06:00,2026-11-30 14:00,7.5\n\
                M-07,2026-11-30 06:00,2026-11-30 14:00,8\nL-03,2026-12-01 06:00,2026-12-01 14:00,8\n";
    std::fs::write(&file, text).unwrap();
    let file = file.to_str().unwrap();
    let args = ["hours", "plan", PERIOD[0], PERIOD[1], PERIOD[2], PERIOD[3], "--csv", file];
    let ran = run(server, &[&args[..], &["--output", "json"]].concat()).await;
    assert_eq!((ran.code, ran.stderr.as_str()), (Some(0), ""), "{ran:?}");
    assert_eq!(ran.stdout.lines().count(), 2, "a line for each meter: {ran:?}");
    let asked = asked(&mock);
    let sent: Vec<_> = asked.iter().map(|ask| (ask.machine.as_str(), ask.shifts.len())).collect();
    assert_eq!(sent, [("L-03", 2), ("M-07", 1)]);
    assert!(asked[0].request_id != asked[1].request_id && asked[0].from == asked[1].from);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_file_with_a_cell_that_cannot_be_read_plans_nothing() {
    let (mock, server) = Mock::serve(Plan::default()).await;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("plan.csv");
    std::fs::write(
        &file,
        "machine,start,end,hours\nL-03,2026-11-30 06:00,2026-11-30 14:00,7.5\nL-04,soon,,8\n",
    )
    .unwrap();
    let args = ["hours", "plan", PERIOD[0], PERIOD[1], PERIOD[2], PERIOD[3], "--csv", file.to_str().unwrap()];
    let ran = run(server, &args).await;
    assert_eq!(ran.code, Some(2), "{ran:?}");
    assert!(ran.stderr.contains("line 3, start: `soon` is not a time"), "{ran:?}");
    assert_eq!(asked(&mock), []);
    let id = ["--request-id", "6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d4e"];
    let ran = run(server, &[&args[..], &id[..]].concat()).await;
    assert!(ran.code == Some(2) && ran.stderr.contains("leave it out"), "{ran:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_planned_is_listed() {
    let (_mock, server) = Mock::serve(Plan::default()).await;
    let ran = run(server, &["hours", "planned", "--machine", "L-03", "--output", "csv"]).await;
    assert_eq!(ran.code, Some(0), "{ran:?}");
    let rows: Vec<&str> = ran.stdout.lines().collect();
    let row = "L-03,operating,2026-11-26T05:00:00Z,2026-11-26T13:00:00Z,7.5,h,12";
    assert_eq!(rows, ["machine,meter,start,end,amount,unit,entry", row]);
}
