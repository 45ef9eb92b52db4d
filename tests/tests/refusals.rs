//! Slips of people through the whole program: what is refused names what is wrong and what to type instead.

use fettler_tests::service::Service;
use std::fs;

const SHOP: &str = r#"people = ["Ada Kern"]

[site]
key = "north"
zone = "UTC"

[[source]]
name = "erp"
rank = 1
feeds = "operating"

[[sheet]]
key = "cutting"
title = "Care of lathes"

[[sheet.task]]
key = "drain-bowl"
title = "Drain the bowl"
every = "30 days"

[[machine]]
tag = "L-03"
sheets = ["cutting"]

[[machine.meter]]
kind = "operating"

[[machine.task]]
key = "guard"
title = "Test the door interlock"
every = "30 days"
"#;

fn shop() -> Service {
    Service::with_shop(SHOP)
}

/// What a command that is refused says.
fn refused(service: &Service, arguments: &[&str]) -> String {
    let ran = service.fettler(arguments);
    assert_eq!(ran.code, 3, "{}", ran.all());
    ran.stderr
}

#[test]
fn a_service_without_a_shop_says_what_declares_one() {
    let said = refused(&Service::start(), &["due"]);
    assert!(
        said.starts_with("fettler: there is no site yet; `fettler shop load FILE` declares one"),
        "{said}"
    );
}

#[test]
fn of_a_machine_and_its_task_the_wrong_one_is_named() {
    let service = shop();
    let said = refused(&service, &["why", "XX", "drain-bowl"]);
    assert!(said.contains("there is no machine `XX`; `fettler machine list`"), "{said}");
    let said = refused(&service, &["why", "L-03", "drain-bowls"]);
    assert!(said.contains("there is no task `L-03 drain-bowls`; did you mean `drain-bowl`?"), "{said}");
    assert!(service.fettler(&["why", "L-03", "drain-bowl"]).done().contains("Drain the bowl"));
}

#[test]
fn a_task_of_a_sheet_is_reviewed_by_the_sheet() {
    let service = shop();
    let answer = |more: &[&str]| {
        service.fettler(&[&["review", "decline"], more, &["--by", "Ada Kern", "--interval", "9"]].concat())
    };
    let said = answer(&["drain-bowl", "--machine", "L-03"]);
    assert!(
        said.stderr.contains("comes from the sheet `cutting`") && said.stderr.contains("(`--sheet cutting`)")
    );
    assert!(said.stderr.ends_with("code: FAILED_PRECONDITION, TASK_OF_A_SHEET\n"), "{}", said.all());
    assert_eq!(said.stderr.matches("comes from the sheet").count(), 1, "it is said once:\n{}", said.all());
    for known in [&["drain-bowl", "--sheet", "cutting"], &["guard", "--machine", "L-03"]] {
        assert!(answer(known).stderr.contains("ADVICE_CHANGED"), "it is found");
    }
}

#[test]
fn hours_that_cannot_be_stay_held_and_it_is_said() {
    let service = shop();
    let row = "machine,report_id,start,end,hours\nL-03,R6,2026-01-05T06:00:00Z,2026-01-05T14:00:00Z,-2\n";
    service.fettler_with(&["hours", "push", "-", "--source", "erp"], row.as_bytes());
    let settled = service.fettler(&["hours", "settle", "erp", "R6", "count", "--by", "Ada Kern"]);
    assert_eq!(settled.code, 1, "{}", settled.all());
    let told = |why: &str| format!("it does not count yet, for a manager's word does not lift this: {why}");
    assert!(
        settled.stderr.contains(&told("states less than 0; send a corrected revision")),
        "{}",
        settled.all()
    );
    // What is to be done about it is the reason's own, not that of hours that cannot be.
    let row = row.replace("L-03,R6", "L-99,R7").replace(",-2", ",2");
    service.fettler_with(&["hours", "push", "-", "--source", "erp"], row.as_bytes());
    let settled = service.fettler(&["hours", "settle", "erp", "R7", "count", "--by", "Ada Kern"]);
    let why = told("no machine has the tag or name `L-99`; declare it");
    assert!(settled.code == 1 && settled.stderr.contains(&why), "{}", settled.all());
}

#[test]
fn a_period_ahead_has_no_figures_and_one_under_way_says_so() {
    let service = shop();
    let said = refused(&service, &["figures", "--month", "2198-05"]);
    assert!(said.contains("from_day: 2198-05-01 is still to come: the shop day is "), "{said}");
    let json = service.fettler(&["due", "--output", "json"]).done();
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    let today = json["shopDay"].as_str().expect("a day");
    let shown = service.fettler(&["figures", "--from", today, "--until", today]).done();
    assert!(shown.contains("not over: as known on"), "{shown}");
    let past = service.fettler(&["figures", "--month", "2020-01"]).done();
    assert!(!past.contains("not over"), "{past}");
}

#[test]
fn a_token_that_is_not_known_leads_to_the_administrator_and_not_to_the_administrator_s_token() {
    let service = shop();
    fs::write(service.data().join("mine"), format!("fettler_{}\n", "x".repeat(43))).expect("a file");
    let said = refused(&service, &["due", "--token-file", "mine"]);
    assert!(
        said.contains("ask the administrator") && said.contains("the token was read from --token-file mine")
    );
    assert!(!said.contains("admin.token"), "{said}");
}
