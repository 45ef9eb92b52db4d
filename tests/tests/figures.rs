//! Figures and advice through the whole program: two months of a small shop, each figure recomputed from the exported journal by
//! a program in another language, and an interval that its closings speak against.

use fettler_tests::oracle;
use fettler_tests::two_months::shop;
use serde_json::{Value, json};

fn same(what: &str, one: &Value, other: &Value) {
    match (one.as_f64(), other.as_f64()) {
        (None, None) => {}
        (Some(one), Some(other)) => {
            assert!((one - other).abs() <= 1e-9 * other.abs().max(1.0), "{what}: {one} instead of {other}");
        }
        _ => panic!("{what}: {one} instead of {other}"),
    }
}

/// Every figure of October, in all and by machine, family and task, is what the journal alone gives.
#[test]
fn every_figure_follows_from_the_exported_journal() {
    let told = shop();
    told.ok(&["journal", "export", "whole.journal"]);
    let export = std::fs::read_to_string(told.0.data().join("whole.journal")).expect("a file");
    let at =
        |text: &str| text.parse::<chrono::DateTime<chrono::Utc>>().expect("an instant").timestamp_micros();
    let ask = json!({
        "export": export, "from": at("2026-10-01T00:00:00Z"), "until": at("2026-11-01T00:00:00Z"),
        "now": at("2026-11-03T12:00:00Z"),
    });
    let expect: Value =
        serde_json::from_str(&oracle::run("figures.py", &[], &ask.to_string())).expect("JSON");
    let mut compared = 0;
    for grouping in ["whole", "machine", "family", "task"] {
        let by: &[&str] = if grouping == "whole" { &[] } else { &["--by", grouping] };
        let answer = told.json(&[&["figures", "--month", "2026-10", "--orders"], by].concat());
        let groups = answer["groups"].as_array().expect("groups");
        assert_eq!(groups.len(), expect[grouping].as_object().expect("groups").len(), "{grouping}");
        for group in groups {
            let key = group["key"].as_str().unwrap_or_default();
            let figures = group["figures"].as_array().expect("figures");
            let wanted = expect[grouping][key].as_object().expect("figures");
            assert_eq!(figures.len(), wanted.len(), "{grouping} {key}");
            for figure in figures {
                let name = figure["name"].as_str().expect("a name");
                let wanted = &wanted[name];
                let what = format!("{grouping} `{key}` {name}");
                same(&format!("{what} value"), &figure["value"], &wanted["value"]);
                for part in ["numerator", "denominator"] {
                    let said = figure.get(part).cloned().unwrap_or(json!(0.0));
                    same(&format!("{what} {part}"), &said, &wanted[part]);
                }
                let orders = figure["orders"].as_array().cloned().unwrap_or_default();
                let number =
                    |behind: &Value| behind["order"].as_str().expect("a number").parse::<i64>().expect("one");
                let orders: Vec<Value> = orders
                    .iter()
                    .map(|b| json!([number(b), b["counts"].as_bool().unwrap_or(false)]))
                    .collect();
                assert_eq!(json!(orders), wanted["orders"], "{what} orders");
                compared += 1;
            }
        }
    }
    // The whole, 2 machines and 2 families with 14 figures each, and 4 tasks with 10.
    assert_eq!(compared, 5 * 14 + 4 * 10);
    // By hand: 7.25 h and 9 h a day for 31 days over two breakdowns; 3.5 L at 4.50.
    let whole = &expect["whole"][""];
    same("hours", &whole["between_failures"]["numerator"], &json!(16.25 * 31.0));
    // Two machines for 31 days, of which the mill stood from 12:00 on the 7th, when its order was raised, to 08:00 on the 9th, and
    // must not start from 12:00 on the 12th to 12:00 on the 14th.
    same("hours up", &whole["availability"]["numerator"], &json!(2.0 * 744.0 - 44.0 - 48.0));
    // Planned work of 5, 20, 4, 7 and 18 minutes, and one closing that does not say how long it took.
    let planned_hours = 54.0 / 60.0;
    let operational = 2.0 * 744.0 - 44.0 - 48.0 - planned_hours;
    same("hours up", &whole["operational_availability"]["numerator"], &json!(operational));
    same("hours run and failed", &whole["intrinsic_availability"]["denominator"], &json!(503.75 + 44.0));
    // The bowls five times, and the way oil once: its closing of 10 October came before its count, and is no earlier or later by a forecast.
    same("late or early", &whole["lateness"]["denominator"], &json!(6.0));
    same("cost", &whole["consumables_cost"]["value"], &json!(15.75));
    let table = told.ok(&["figures", "--month", "2026-10"]);
    eprintln!("{table}");
    assert!(table.contains("between_failures") && table.contains("503.75 / 2"), "{table}");
    let csv = told.ok(&[
        "figures",
        "--month",
        "2026-10",
        "--by",
        "month",
        "--figure",
        "work_hours",
        "--output",
        "csv",
    ]);
    assert!(
        csv.starts_with("group,figure,value,unit,numerator") && csv.contains("2026-10,work_hours,2.98"),
        "{csv}"
    );
}

/// The shop was declared on 28 August at 12:00. Of July nothing is known, and of August only what was from then on.
#[test]
fn nothing_is_known_of_the_time_before_the_first_record() {
    let told = shop();
    let of = |month: &str| -> Value {
        let answer = told.json(&["figures", "--month", month]);
        let figures = answer["groups"][0]["figures"].as_array().expect("figures").clone();
        figures
            .into_iter()
            .map(|figure| (figure["name"].as_str().expect("a name").to_owned(), figure))
            .collect()
    };
    let july = of("2026-07");
    for name in ["availability", "operational_availability", "intrinsic_availability"] {
        assert!(july[name].get("value").is_none(), "{july}");
    }
    let remark = "nothing is on record from the period or before it of L-03, M-01";
    assert_eq!(july["availability"]["remarks"], json!([remark]), "{july}");
    let august = of("2026-08");
    // Three days and a half of two machines.
    same("hours of August", &august["availability"]["denominator"], &json!(2.0 * 84.0));
    assert_eq!(
        august["availability"]["remarks"],
        json!(["the period begins with the first record of L-03, M-01"])
    );
    let shown = told.ok(&["figures", "--month", "2026-07"]);
    assert!(shown.contains(remark) || shown.contains("nothing is on record"), "{shown}");
}

/// Of the last closings of the lathe's bowl three found it failed or broken down: advice, its answer, and what is quiet after.
#[test]
fn an_interval_that_closings_speak_against_is_changed_by_the_manager() {
    let told = shop();
    let shown = told.ok(&["review"]);
    assert!(shown.contains("Drain the bowl: every") && shown.contains("instead of 10"), "{shown}");
    let all = told.json(&["review", "--all"]);
    let advice = all["advice"].as_array().expect("advice");
    assert_eq!(advice.len(), 4, "{all}");
    let bowl = |all: &Value| -> Value {
        let is_it = |one: &&Value| one["subject"]["machine"] == "L-03" && one["subject"]["task"] == "bowl";
        all["advice"].as_array().expect("advice").iter().find(is_it).expect("the bowl").clone()
    };
    let first = bowl(&all);
    assert_eq!(first["verdict"], "ADVICE_VERDICT_SHORTER", "{first}");
    let days = first["advisedInterval"].as_str().expect("days").to_owned();

    let declined = told.ok(&[
        "review",
        "decline",
        "bowl",
        "--machine",
        "L-03",
        "--by",
        "Max Berg",
        "--reason",
        "wet summer",
    ]);
    assert!(declined.starts_with("declined"), "{declined}");
    assert!(!told.ok(&["review"]).contains("instead of 10"), "it is quiet now");
    assert_eq!(bowl(&told.json(&["review", "--all"]))["declined"], true);

    let wrong = told.0.fettler(&[
        "review",
        "accept",
        "bowl",
        "--machine",
        "L-03",
        "--interval",
        "9",
        "--by",
        "Max Berg",
    ]);
    assert_eq!(wrong.code, 3, "{}", wrong.all());
    assert!(wrong.all().contains("is not what is advised"), "{}", wrong.all());
    let trial = told.ok(&["review", "accept", "bowl", "--machine", "L-03", "--by", "Max Berg", "--dry-run"]);
    assert!(trial.contains("Nothing was changed"), "{trial}");
    told.ok(&["review", "accept", "bowl", "--machine", "L-03", "--by", "Max Berg", "--reason", "as found"]);
    let shop = told.ok(&["shop", "show"]);
    assert!(shop.contains(&format!("every = \"{days} days\"")), "{shop}");
    let kinds = told.ok(&["journal", "list", "--kind", "advice.", "--output", "csv"]);
    assert!(kinds.contains("advice.accepted") && kinds.contains("advice.declined"), "{kinds}");
}
