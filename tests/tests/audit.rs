//! The audit through the whole program: what was closed and undone, as CSV that Python's own reader takes, as JSON and as text.

use fettler_tests::oracle;
use fettler_tests::service::Service;

const SHOP: &str = r#"people = ["Ada Kern", "Ben Holt"]

[site]
key = "north"
zone = "Europe/Berlin"

[[machine]]
tag = "L-03"
name = "Lathe three"
area = "hall a"

[[machine.task]]
key = "bowl"
title = "Drain the bowl"
every = "10 days"
cautions = ["vent first"]
last_done = "2020-01-01"
"#;

#[test]
fn what_was_done_is_exported_as_it_was_said() {
    let service = Service::start();
    let ok = |arguments: &[&str]| {
        let ran = service.fettler(arguments);
        assert_eq!(ran.code, 0, "fettler {}\n{}", arguments.join(" "), ran.all());
        ran.stdout
    };
    let file = service.data().join("shop.toml");
    std::fs::write(&file, SHOP).expect("a file");
    ok(&["shop", "load", &file.display().to_string(), "--by", "Ada Kern"]);
    assert_eq!(ok(&["audit"]), "no closings\n");
    ok(&["close", "1", "--by", "Ada Kern", "--note", "a \"quote\", a comma\nand a second line"]);
    ok(&["undo", "1", "--by", "Ben Holt", "--reason", "wrong lathe"]);
    ok(&["close", "1", "--by", "Ben Holt", "--cautions-confirmed", "--certificate", "C-9"]);

    let csv = ok(&["audit", "--output", "csv"]);
    let rows = oracle::csv_rows(&csv);
    assert_eq!(rows.len(), 3, "{csv}");
    let of = |row: usize, name: &str| {
        let column = rows[0].iter().position(|head| head == name).expect("a column");
        rows[row][column].as_str()
    };
    assert_eq!(of(1, "note"), "a \"quote\", a comma\nand a second line");
    assert_eq!((of(1, "undone_by"), of(1, "undone_reason")), ("Ben Holt", "wrong lathe"));
    assert_eq!((of(1, "cautions_confirmed"), of(2, "cautions_confirmed")), ("no", "yes"));
    assert_eq!((of(2, "certificate"), of(2, "area"), of(2, "late")), ("C-9", "hall a", "yes"));
    // One measure of lateness, in the closing, the order's list and the audit alike.
    let days: i64 = of(2, "days_from_due").parse().expect("days");
    assert!(days > 2_000, "last done in 2020: {days}");
    assert_eq!(of(2, "lateness"), format!("{days} days late"));
    assert!(ok(&["orders", "1"]).contains(&format!("{days} days late")));
    let proof = of(2, "proof").to_owned();
    let words: Vec<&str> = proof.split(' ').skip(1).take(4).collect();
    assert!(ok(&words).contains("tlog-proof"), "{proof}");

    assert_eq!(ok(&["audit", "--output", "json"]).lines().count(), 2);
    assert_eq!(oracle::csv_rows(&ok(&["audit", "--undone", "--output", "csv"])).len(), 2);
    assert_eq!(oracle::csv_rows(&ok(&["audit", "--by", "Ben Holt", "--late", "--output", "csv"])).len(), 2);
    assert_eq!(oracle::csv_rows(&ok(&["audit", "--until", "2021-01-01", "--output", "csv"])).len(), 1);
    let text = ok(&["audit"]);
    assert!(text.contains("order 1 L-03 Drain the bowl") && text.contains("wrong lathe"), "{text}");
    assert_eq!(
        oracle::csv_rows(&ok(&["audit", "--machine", "L-03", "--area", "hall a", "--output", "csv"])).len(),
        3
    );
    // An empty answer would read as if nothing had been done.
    for unknown in [["--by", "Nobody"], ["--machine", "L-04"], ["--area", "hall b"]] {
        let ran = service.fettler(&["audit", unknown[0], unknown[1]]);
        assert!(ran.code == 3 && ran.all().contains(unknown[1]), "{unknown:?}: {}", ran.all());
    }
}
