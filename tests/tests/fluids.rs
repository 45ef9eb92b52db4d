//! The record of fluids through the whole program: declared in a file, filled by closings and by hand, taken back, and printed
//! for an inspector.

use fettler_tests::client::Ran;
use fettler_tests::oracle;
use fettler_tests::service::Service;

const SHOP: &str = r#"people = ["Ada Kern", "Ben Holt"]

[site]
key = "north"
zone = "Europe/Berlin"

[[machine]]
tag = "MC-01"
name = "Machining <centre> & one"

[[machine.point]]
key = "strength"
title = "coolant strength"
fluid = "water-mixed coolant"
reservoir = "sump"
unit = "%"
act_below = "5"

[[machine.point]]
key = "nitrite"
fluid = "water-mixed coolant"
reservoir = "sump"
unit = "mg/L"

[[machine.task]]
key = "coolant"
title = "Look after the coolant"
every = [{ coolant = { strength = "strength", wanted_percent = 8, sump_l = 200, nitrite = "nitrite" } }]
kit = ["coolant concentrate: 10 L into sump"]
readings = ["strength"]
last_done = "2020-01-01"

[[item]]
name = "coolant concentrate"
unit = "L"
pack = 20
"#;

struct Told<'s>(&'s Service);

impl Told<'_> {
    /// What a command printed, having done what it was asked.
    fn ok(&self, arguments: &[&str]) -> String {
        let ran = self.ran(arguments);
        assert_eq!(ran.code, 0, "fettler {}\n{}", arguments.join(" "), ran.all());
        ran.stdout
    }

    fn ran(&self, arguments: &[&str]) -> Ran {
        self.0.fettler(arguments)
    }
}

#[test]
fn a_sump_has_one_record_of_all_that_was_read_added_and_taken_out() {
    let service = Service::start();
    let file = service.data().join("shop.toml");
    std::fs::write(&file, SHOP).expect("a file");
    let told = Told(&service);
    told.ok(&["shop", "load", &file.display().to_string(), "--by", "Ada Kern"]);
    let shown = told.ok(&["shop", "show"]);
    assert!(shown.contains("reservoir = \"sump\"") && shown.contains("10 L into sump"), "{shown}");

    told.ok(&["stock", "receive", "coolant concentrate", "20", "--lot", "A-17"]);
    told.ok(&["read", "MC-01", "strength=4.2", "nitrite=25", "--by", "Ada Kern"]);
    let closed = told.ok(&[
        "close",
        "1",
        "--by",
        "Ada Kern",
        "--kit",
        "--waste",
        "sump=12.5 L used coolant to drum 7 document 4711",
    ]);
    assert!(closed.contains("Look after the coolant"), "{closed}");
    let added = told.ok(&["fluid", "add", "MC-01", "sump", "coolant concentrate=2 L", "--by", "Ben Holt"]);
    assert!(
        added.contains("added 2 L coolant concentrate, lot A-17") && added.contains("local codes"),
        "{added}"
    );
    let stock = told.ok(&["stock", "list", "--output", "csv"]);
    assert!(stock.contains("coolant concentrate,,L,8,"), "20 less 10 and 2: {stock}");

    let csv = told.ok(&["fluid", "record", "MC-01", "--output", "csv"]);
    let rows = oracle::csv_rows(&csv);
    let column = |name: &str| rows[0].iter().position(|head| head == name).expect("a column");
    let what: Vec<&str> = rows[1..].iter().map(|row| row[column("what")].as_str()).collect();
    assert_eq!(what, ["read", "read", "added", "waste", "added"], "{csv}");
    let entry = rows[5][column("entry")].clone();
    let undone =
        told.ok(&["fluid", "withdraw", &entry, "--by", "Ben Holt", "--reason", "it was MC-02, \"sorry\""]);
    assert!(undone.contains("2 L of coolant concentrate is back in stock"), "{undone}");
    let refused =
        told.ran(&["fluid", "withdraw", &rows[3][column("entry")], "--by", "Ben Holt", "--reason", "x"]);
    assert_eq!(refused.code, 3, "{}", refused.all());
    assert!(refused.stderr.contains("fettler undo 1"), "{}", refused.all());

    // A comma and quotes come through the CSV as they were said.
    let rows = oracle::csv_rows(&told.ok(&["fluid", "record", "MC-01", "--output", "csv"]));
    assert_eq!(rows[5][column("reason")], "it was MC-02, \"sorry\"");
    assert_eq!(rows[1][column("out_of_limits")].is_empty(), rows[2][column("out_of_limits")].is_empty());

    let text =
        told.ok(&["fluid", "record", "MC-01", "--place", "sump", "--from", "2020-01-01", "--width", "200"]);
    for part in [
        "OUT OF LIMITS: below its limit of 5 %",
        "above 20 mg/L",
        "TRGS 611, section 5.3",
        "to drum 7; document 4711; order 1",
        "withdrawn: it was MC-02",
        "neat oil",
    ] {
        assert!(text.contains(part), "{part} in:\n{text}");
    }
    let page = told.ok(&["fluid", "record", "MC-01", "--html"]);
    assert!(page.starts_with("<!doctype html>") && page.contains("@page{size:A4"), "{page}");
    assert!(page.contains("Machining &lt;centre&gt; &amp; one") && !page.contains("<centre>"), "{page}");
    for outside in ["<script", "http://", "https://", "<link", "<img", "url("] {
        assert!(!page.contains(outside), "{outside} in:\n{page}");
    }
    assert!(page.contains("class=\"out\"") && page.contains("class=\"gone\""), "{page}");
    let json: serde_json::Value =
        serde_json::from_str(&told.ok(&["fluid", "record", "MC-01", "--output", "json"])).expect("JSON");
    assert_eq!(json["lines"].as_array().map(Vec::len), Some(5));
    let entries = told.ok(&["journal", "list", "--kind", "fluid.", "--output", "csv"]);
    assert_eq!(entries.matches(",fluid.recorded,").count(), 3, "{entries}");
    assert_eq!(entries.matches(",fluid.withdrawn,").count(), 1, "{entries}");
    // A closing that is undone takes its entries with it, and they stay on record.
    told.ok(&["undo", "1", "--by", "Ada Kern", "--reason", "wrong machine"]);
    let text = told.ok(&["fluid", "record", "MC-01", "--width", "200"]);
    assert_eq!(text.matches("undone with its closing: wrong machine").count(), 2, "{text}");
}
