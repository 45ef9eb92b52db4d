//! A month's report through the whole program: its figures recomputed from the exported journal by a program in another
//! language, and its page looked at in a browser, on a shop with two months behind it, on one with nothing, and on a large one.

use fettler_tests::browser;
use fettler_tests::oracle;
use fettler_tests::service::Service;
use fettler_tests::two_months::{Told, shop};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// A sump beside the machines of the two months.
const SUMP: &str = r#"people = ["Ada Kern", "Max Berg"]

[site]
key = "north"
zone = "UTC"
day_starts_at = "00:00"

[[item]]
name = "coolant concentrate"
code = "C-9"
unit = "L"

[[machine]]
tag = "S-01"
family = "saw"

[[machine.point]]
key = "strength"
fluid = "water-mixed coolant"
reservoir = "sump"
unit = "%"
"#;

/// Two months, and in the third something poured, something taken by hand, and something taken back.
fn three_months() -> Told {
    let told = shop();
    let file = told.0.data().join("sump.toml");
    std::fs::write(&file, SUMP).expect("a file");
    told.ok(&["shop", "load", &file.display().to_string(), "--by", "Ada Kern"]);
    told.ok(&["fluid", "add", "S-01", "sump", "C-9=8.5 L", "--by", "Ada Kern"]);
    told.ok(&["fluid", "add", "S-01", "sump", "water=40 L", "--by", "Ada Kern"]);
    told.ok(&["stock", "issue", "cloth", "3", "--by", "Ada Kern", "--it-is-so"]);
    told
}

/// Writes the report of a month with its tables; gives the page's place.
fn report(told: &Told, month: &str, more: &[&str]) -> PathBuf {
    let (page, tables) = (format!("{month}.html"), format!("tables-{month}"));
    told.ok(&[&["report", "--month", month, "-o", &page, "--csv", &tables], more].concat());
    told.0.data().join(page)
}

/// A table of the report, without its header.
fn table(told: &Told, month: &str, name: &str) -> Vec<Vec<String>> {
    let path = told.0.data().join(format!("tables-{month}")).join(format!("{name}.csv"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    oracle::csv_rows(&text).split_off(1)
}

fn micros(text: &str) -> i64 {
    text.parse::<chrono::DateTime<chrono::Utc>>().expect("an instant").timestamp_micros()
}

/// The tables of a month as the oracle makes them.
fn expected(told: &Told, year: i32, month: u32) -> Value {
    if !told.0.data().join("whole.journal").exists() {
        told.ok(&["journal", "export", "whole.journal"]);
    }
    let export = std::fs::read_to_string(told.0.data().join("whole.journal")).expect("a file");
    let first = |back: u32| {
        let day = chrono::NaiveDate::from_ymd_opt(year, month, 1).expect("a day") + chrono::Months::new(1);
        day - chrono::Months::new(back)
    };
    let keys: Vec<String> = (1..=12).rev().map(|back| first(back).format("%Y-%m").to_string()).collect();
    let edges: Vec<i64> = (0..=12).rev().map(|back| micros(&format!("{}T00:00:00Z", first(back)))).collect();
    let cases = oracle::csv_rows(&told.ok(&["backtest", "--output", "csv"]));
    let columns = cases[0].clone();
    let cases: Vec<Value> = cases[1..]
        .iter()
        .map(|row| Value::Object(columns.iter().cloned().zip(row.iter().map(|cell| json!(cell))).collect()))
        .collect();
    let ask = json!({
        "export": export, "keys": keys, "edges": edges, "now": micros("2026-11-03T12:00:00Z"), "cases": cases,
    });
    serde_json::from_str(&oracle::run("report.py", &[], &ask.to_string())).expect("JSON")
}

/// A table's chosen columns are the oracle's rows: numbers within rounding, all else to the letter.
#[track_caller]
fn agrees(name: &str, rows: &[Vec<String>], columns: &[usize], expected: &Value) {
    let expected = expected[name].as_array().expect("rows");
    assert_eq!(rows.len(), expected.len(), "{name}: {rows:?}\ninstead of {expected:?}");
    assert!(!rows.is_empty(), "{name} has rows");
    for (row, wanted) in rows.iter().zip(expected) {
        let wanted = wanted.as_array().expect("a row");
        assert_eq!(columns.len(), wanted.len(), "{name}");
        for (column, wanted) in columns.iter().zip(wanted) {
            let said = &row[*column];
            let same = match wanted.as_f64() {
                Some(wanted) => said
                    .parse::<f64>()
                    .is_ok_and(|said| (said - wanted).abs() <= 1e-9 * wanted.abs().max(1.0)),
                None => Some(said.as_str()) == wanted.as_str(),
            };
            assert!(same, "{name}: {said} instead of {wanted} in {row:?}");
        }
    }
}

/// Of October, which is over, and of November, of which three days have been.
#[test]
fn every_table_follows_from_the_exported_journal() {
    let told = three_months();
    for month in [10, 11] {
        let name = format!("2026-{month}");
        report(&told, &name, &[]);
        let expected = expected(&told, 2026, month);
        let of = |table_name: &str| table(&told, &name, table_name);
        agrees("compliance", &of("compliance"), &[0, 1, 2], &expected);
        agrees("overdue", &of("overdue"), &[0, 2, 4, 5], &expected);
        agrees("run_hours", &of("run_hours"), &[0, 3], &expected);
        agrees("used", &of("used"), &[0, 1, 2, 3, 4, 5, 6], &expected);
        agrees("due_points", &of("due_points"), &[1, 2], &expected);
        if month == 11 {
            // `backtest` judges all there is; so does the report of the month that is not over.
            agrees("forecast", &of("forecast"), &[0, 1, 2, 3, 4, 5], &expected);
        }
    }
    // By hand: of the lathe's bowl and the mill's, what the story says.
    let used = table(&told, "2026-11", "used");
    let of = |item: &str| -> Vec<&Vec<String>> { used.iter().filter(|row| row[0] == item).collect() };
    assert_eq!(of("water")[0][1..], ["L", "2026-11", "0", "40", "0", "40"]);
    assert_eq!(of("coolant concentrate")[0][4], "8.5", "under the name on the shelf");
    assert_eq!(of("cloth").iter().map(|row| row[6].as_str()).collect::<Vec<_>>(), ["2", "3"]);
}

/// What one report expected of the next month stands beside what was used of it.
#[test]
fn an_earlier_report_s_expectation_is_held_against_what_was_used() {
    let mut told = shop();
    told.clock("2026-11-30T12:00:00Z");
    report(&told, "2026-11", &[]);
    let before = told.0.data().join("tables-2026-11").join("expected.csv");
    std::fs::write(
        &before,
        "item,unit,month,expected,by_then,by_then_p90,from_day\r\n\
         way oil,L,2026-10,2,2,4,2026-09-30\r\nrag,pcs,2026-10,4,4,4,2026-09-30\r\n\
         way oil,L,2026-11,9,9,9,2026-09-30\r\n",
    )
    .expect("a file");
    let page = report(&told, "2026-10", &["--earlier", "tables-2026-11"]);
    let rows = table(&told, "2026-10", "against");
    // In October 2.5 and 1 L of oil were used, and no rag.
    assert_eq!(rows, [["rag", "pcs", "0", "4", "0"], ["way oil", "L", "3.5", "2", "1.75"]]);
    let html = std::fs::read_to_string(page).expect("the page");
    assert!(html.contains("3.5 of 2 L") && html.contains("the report of 30 September 2026"), "{html}");

    // One that is no earlier than the month says so, instead of writing no table without a word.
    let late =
        ["report", "--month", "2026-11", "-o", "late.html", "--csv", "late", "--earlier", "tables-2026-10"];
    let ran = told.0.fettler(&late);
    assert_eq!(
        (ran.code, told.0.data().join("late").join("against.csv").exists()),
        (0, false),
        "{}",
        ran.all()
    );
    assert!(ran.stderr.contains("--earlier: The earlier report "), "{}", ran.all());

    let wrong = told.0.fettler(&["report", "--month", "2026-10", "--earlier", "nowhere"]);
    assert!(wrong.code == 2 && wrong.stderr.contains("cannot read nowhere/expected.csv"), "{}", wrong.all());
    for (arguments, why) in [
        (&["report", "--month", "2027-01"][..], "has not begun"),
        (&["report", "--month", "2026-13"], "is no month"),
        (&["report", "--month", "2026-10", "-o", "2026-10.html"], "is there already"),
        (&["report", "--month", "2026-10", "--output", "json"], "a report is a page of HTML"),
    ] {
        let ran = told.0.fettler(arguments);
        assert!(ran.code == 2 && ran.stderr.contains(why), "{why}: {}", ran.all());
    }
}

/// Nothing is loaded, nothing runs, whatever people wrote into names and titles.
fn needs_nothing(html: &str) {
    let lower = html.to_lowercase();
    // What people wrote stands between tags, escaped; what a browser would act on stands in tags and in the style.
    let (_, style) = lower.split_once("<style>").expect("a style");
    let (style, body) = style.split_once("</style>").expect("its end");
    let tags: Vec<&str> = body.split('<').skip(1).map(|tag| tag.split('>').next().unwrap_or(tag)).collect();
    assert!(tags.len() > 10, "{tags:?}");
    for tag in &tags {
        let name = tag.trim_start_matches('/').split([' ', '\n']).next().unwrap_or_default();
        let known = "html head body header h1 h2 h3 p section figure svg defs pattern title desc line rect text div details summary table \
                     thead tbody tr th td";
        assert!(known.split(' ').any(|one| one == name), "<{tag}>");
        for sign in [" src", " href", " on", "//", "script"] {
            assert!(!tag.contains(sign), "<{tag}> has {sign}");
        }
    }
    assert!(!style.contains("@import") && !style.contains("//"), "{style}");
    assert_eq!(style.matches("url(").count(), style.matches("url(#hatching)").count());
    assert!(lower.contains("content=\"default-src 'none'; style-src 'unsafe-inline'\""));
}

/// Below each plot stands what its marks mean: each that is drawn once more, and no other.
fn tells_its_marks(html: &str) {
    for plot in html.split("<svg class=\"plot\"").skip(1) {
        let plot = plot.split("</svg>").next().expect("its end");
        for mark in ["full", "hatched", "limits"] {
            let is_drawn = plot.contains(&format!("class=\"{mark}\""));
            let is_told = plot.contains(&format!("class=\"{mark} key\""));
            assert_eq!(is_drawn, is_told, "{mark} in {plot}");
        }
        let (_, keys) = plot.split_once(" key\"").unwrap_or(("", "<text>nothing is drawn</text>"));
        assert!(keys.contains("</text>"), "no words beside a mark: {plot}");
    }
}

/// Looks at a page in a browser, wide and narrow, light and dark, and on paper.
fn looks_well(page: &Path, plots: u64, pages_max: usize) {
    let html = std::fs::read_to_string(page).expect("the page");
    needs_nothing(&html);
    tells_its_marks(&html);
    for width in [1_000, 800, 420] {
        let found = browser::laid_out(page, width);
        assert_eq!(found["faults"], json!([]), "{} at {width}", page.display());
        assert_eq!(found["plots"].as_u64(), Some(plots), "{found}");
        assert!(width < 800 || found["wide"].as_u64() <= found["room"].as_u64(), "{found} at {width}");
    }
    let shot = page.with_extension("png");
    let see = |is_dark: bool| -> Value {
        browser::picture(page, is_dark, (800, 1_600), &shot);
        serde_json::from_str(&oracle::run("picture.py", &[&shot.display().to_string()], "")).expect("JSON")
    };
    let (light, dark) = (see(false), see(true));
    assert_eq!((&light["width"], &light["height"]), (&json!(800), &json!(1_600)));
    // The colours of `client-cli/src/report/look.rs`: the grounds, and the marks where anything is drawn that high on the page.
    assert_eq!(light["corner"], json!([0xff, 0xfd, 0xf8]), "light");
    assert_eq!(dark["corner"], json!([0x16, 0x19, 0x1c]), "dark");
    for (seen, ink) in [(&light, "28,26,23"), (&dark, "236,232,224")] {
        assert!(seen["colours"].get(ink).is_some(), "the text is there: {seen}");
    }
    let pdf = browser::printed(page, &page.with_extension("pdf"));
    let text = String::from_utf8_lossy(&pdf);
    let sheets = text.matches("/Type /Page\n").count();
    assert!((1..=pages_max).contains(&sheets), "{sheets} sheets of paper");
    // A4 (ISO 216): 210 by 297 mm, here in points of 1/72 inch.
    assert_eq!(text.matches("/MediaBox [0 0 594.95").count(), sheets, "A4");
}

#[test]
fn the_page_of_two_months_is_whole_light_dark_and_on_paper() {
    let told = three_months();
    // Compliance, overdue, hours, forecast, due points; and way oil, cloth, coolant and water.
    looks_well(&report(&told, "2026-11", &[]), 5 + 4, 8);
}

#[test]
fn a_shop_with_nothing_has_a_page_that_says_so() {
    let service = Service::start_with(&["--clock-at", "2026-11-03T12:00:00Z"]);
    let told = Told(service);
    let file = told.0.data().join("shop.toml");
    std::fs::write(&file, "people = [\"Ada Kern\"]\n\n[site]\nkey = \"north\"\nzone = \"UTC\"\n")
        .expect("a file");
    told.ok(&["shop", "load", &file.display().to_string(), "--by", "Ada Kern"]);
    let page = report(&told, "2026-10", &[]);
    let html = std::fs::read_to_string(&page).expect("the page");
    for part in
        ["nothing to draw", "No machine is declared", "Too little is on record", "Nothing was overdue"]
    {
        assert!(html.contains(part), "{part}");
    }
    looks_well(&page, 0, 4);
}

/// Sixty machines with tags of 40 letters, names that a browser would run, orders that nobody has closed.
#[test]
fn a_large_shop_fits_its_page() {
    let mut told = Told(Service::start_with(&["--clock-at", "2026-09-01T12:00:00Z"]));
    let mut toml = "people = [\"Ada Kern\"]\n\n[site]\nkey = \"north\"\nname = \"North & <b>South</b>\"\nzone = \"UTC\"\n".to_owned();
    let mut rows = "machine,report_id,start,end,hours\n".to_owned();
    for machine in 0..60 {
        let tag = format!("hall-{}-machining-centre-{machine:02}-{}", machine % 3, "w".repeat(13));
        let _ = write!(
            toml,
            "\n[[machine]]\ntag = \"{tag}\"\nname = \"Number {machine} <img src=x onerror=run()>\"\nfamily = \"machining centre\"\n\
             [[machine.meter]]\nkind = \"operating\"\n[[machine.task]]\nkey = \"oil\"\ntitle = \"Fill {}\"\n\
             every = \"{} days\"\nlast_done = \"2026-08-25\"\nkit = [\"a kind of oil with a very long name, number {}: 2.5 L\"]\n",
            "x".repeat(100),
            40 + machine % 20,
            machine % 15
        );
        for day in 1..=30 {
            let _ = writeln!(
                rows,
                "{tag},{machine}-{day},2026-10-{day:02}T06:00:00Z,2026-10-{day:02}T22:00:00Z,{}.25",
                1 + machine % 14
            );
        }
    }
    let file = told.0.data().join("shop.toml");
    std::fs::write(&file, toml).expect("a file");
    told.ok(&["shop", "load", &file.display().to_string(), "--by", "Ada Kern"]);
    told.clock("2026-11-03T12:00:00Z");
    told.0.fettler_with(&["hours", "push", "-", "--source", "erp"], rows.as_bytes()).done();
    let page = report(&told, "2026-10", &[]);
    // Compliance, overdue, hours in two parts, twelve of fifteen items, and the forecast where one can be judged.
    let html = std::fs::read_to_string(&page).expect("the page");
    assert!(
        html.contains("Drawn are 12 of 15 items") && html.contains("North &amp; &lt;b&gt;South"),
        "{html}"
    );
    let plots = u64::try_from(html.matches("<svg class=\"plot\"").count()).expect("few");
    assert!(plots >= 16, "{plots} plots");
    looks_well(&page, plots, 20);
}
