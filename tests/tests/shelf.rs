//! The shelf through the whole program: declared in a file, received, used by a closing, given back by its undo, bought,
//! ordered and received.

use fettler_tests::client::Ran;
use fettler_tests::service::Service;

const SHOP: &str = r#"people = ["Ada Kern"]

[site]
key = "north"
zone = "Europe/Berlin"

[[machine]]
tag = "L-03"
name = "Lathe three"

[[machine.task]]
key = "refill"
title = "Refill the way oil"
every = "10 days"
kit = ["way oil: 2 L"]
last_done = "2020-01-01"

[[item]]
name = "way oil"
code = "4711"
unit = "L"
pack = 5
lead_days = 7
shelf_life_days = 365
hazardous = true
data_sheet = "folder 3"

[[item]]
name = "spindle grease"
hazardous = true
"#;

struct Told<'s>(&'s Service);

impl Told<'_> {
    /// What a command printed, having done what it was asked.
    fn ok(&self, arguments: &[&str]) -> String {
        let ran = self.0.fettler(arguments);
        assert_eq!(ran.code, 0, "fettler {}\n{}", arguments.join(" "), ran.all());
        ran.stdout
    }

    /// A command that does not end well.
    fn ran(&self, arguments: &[&str]) -> Ran {
        self.0.fettler(arguments)
    }

    /// A line of a list as CSV that begins so.
    fn csv(&self, arguments: &[&str], start: &str) -> String {
        let text = self.ok(&[arguments, &["--output", "csv"]].concat());
        let line = text.lines().find(|line| line.starts_with(start));
        line.unwrap_or_else(|| panic!("no line `{start}` in:\n{text}")).to_owned()
    }
}

#[test]
fn stock_goes_with_the_work_and_comes_with_purchases() {
    let service = Service::start();
    let file = service.data().join("shop.toml");
    std::fs::write(&file, SHOP).expect("a file");
    let told = Told(&service);
    told.ok(&["shop", "load", &file.display().to_string(), "--by", "Ada Kern"]);
    let shown = told.ok(&["shop", "show"]);
    assert!(
        shown.contains("[[item]]\nname = \"way oil\"\ncode = \"4711\"\nunit = \"L\"\npack = \"5\""),
        "{shown}"
    );

    let received = told.ok(&["stock", "receive", "4711", "3", "--lot", "A-17", "--expires", "2099-03-01"]);
    assert!(received.contains("there is    3 L") && received.contains("A-17"), "{received}");

    // The kit was used, and a litre more than it says, from a lot that is named.
    let closed = told.ok(&["close", "1", "--by", "Ada Kern", "--used", "way oil=4 L @ A-17"]);
    assert!(closed.contains("way oil: 1 L more used than the 3 of lot A-17 by the book"), "{closed}");
    assert!(told.csv(&["stock", "list"], "way oil,4711,L,0,0,2,0").contains(",true,"), "it asks for a count");
    let asked = told.ran(&["stock", "list", "--findings"]);
    assert_eq!(asked.code, 1, "what stands open is a no: {}", asked.all());

    let undone = told.ok(&["undo", "1", "--by", "Ada Kern", "--reason", "wrong machine"]);
    assert!(undone.contains("3 L of way oil is back in stock"), "{undone}");
    told.csv(&["stock", "list"], "way oil,4711,L,3,0,2,0,2099-03-01,false,,");
    told.ok(&["close", "1", "--by", "Ada Kern", "--kit"]);
    told.csv(&["stock", "list"], "way oil,4711,L,1,0,2,0,2099-03-01,false,,");

    // The next refill, in ten days, needs two.
    let line = told.csv(&["buy"], "way oil,4711,order,5,L,1,");
    assert!(line.contains("on the shelf"), "{line}");
    let json: serde_json::Value = serde_json::from_str(&told.ok(&["buy", "--output", "json"])).expect("JSON");
    assert_eq!(
        (&json["lines"][0]["verdict"], &json["lines"][0]["packs"]),
        (&"BUY_VERDICT_ORDER".into(), &"1".into())
    );
    let ordered = told.ok(&["stock", "ordered", "way oil", "25", "--reference", "P-9", "--by", "Ada Kern"]);
    assert!(ordered.contains("not confirmed"), "{ordered}");
    let bought = told.ok(&["buy", "--item", "way oil"]);
    assert!(bought.starts_with("nothing is to be bought"), "{bought}");
    let refused = told.ran(&["stock", "ordered", "spindle grease", "1"]);
    assert_eq!(refused.code, 3, "{}", refused.all());
    assert!(refused.stderr.contains("NO_SAFETY_DATA_SHEET"), "{}", refused.all());

    let received = told.ok(&["stock", "receive", "way oil", "20", "--by", "Ada Kern"]);
    assert!(received.contains("20 L of purchase 1; 5 L still to come"), "{received}");
    told.csv(&["stock", "list"], "way oil,4711,L,21,0,2,5");
    told.ok(&["stock", "cancel", "way oil", "1"]);
    told.ok(&["stock", "issue", "way oil", "0.5", "--by", "Ada Kern", "--note", "topped up"]);
    // A slip is asked back, and what was taken after all is taken back.
    let slip = ["stock", "issue", "way oil", "50", "--by", "Ada Kern"];
    let asked = told.ran(&slip);
    assert_eq!(asked.code, 3, "{}", asked.all());
    assert!(asked.stderr.contains("50 L is more than the 20.5 L by the book"), "{}", asked.all());
    let taken = told.ok(&[&slip[..], &["--it-is-so"]].concat());
    let entry = taken.split("fettler stock withdraw ").nth(1).and_then(|rest| rest.split('`').next());
    let entry = entry.unwrap_or_else(|| panic!("no entry in {taken}")).to_owned();
    let back = told.ok(&["stock", "withdraw", &entry, "--by", "Ada Kern", "--reason", "half a litre"]);
    assert!(back.contains("20.5 L of way oil is back in stock"), "{back}");
    told.csv(&["stock", "list"], "way oil,4711,L,20.5,0,2,0");
    told.ok(&["stock", "count", "way oil", "20", "--by", "Ada Kern"]);
    let entries = told.ok(&["journal", "list", "--kind", "stock.", "--output", "csv"]);
    for kind in ["stock.received", "stock.used", "stock.returned", "stock.issued", "stock.counted"] {
        assert!(entries.contains(kind), "{kind} in:\n{entries}");
    }
}
