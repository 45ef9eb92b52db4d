//! Who closed it, through the whole program: PINs from a file and at a terminal, a token of one's own, and what the audit says.

use fettler_tests::oracle;
use fettler_tests::programs::program;
use fettler_tests::service::Service;
use serde_json::{Value, json};
use std::fs;
use std::process::Command;

const SHOP: &str = r#"people = ["Ada Kern", "Jo Lind"]

[site]
key = "north"
zone = "UTC"
asks_pin = true

[[machine]]
tag = "L-03"
"#;

fn shop() -> Service {
    let service = Service::with_shop(SHOP);
    for (file, pin) in [("ada", "271828"), ("other", "314159")] {
        fs::write(service.data().join(file), pin).expect("a file");
    }
    service.fettler(&["person", "pin", "Ada Kern", "--new-pin-file", "ada"]).done();
    // Whoever loads a shop that asks for PINs is told who has none yet.
    fs::write(service.data().join("again.toml"), SHOP).expect("a file");
    let loaded = service.fettler(&["shop", "load", "again.toml"]);
    assert!(loaded.stderr.contains("these have none yet: Jo Lind;"), "{}", loaded.all());
    service
}

/// Raises an order, for which nobody is asked who they are.
fn raised(service: &Service) -> String {
    let raised = ["raise", "L-03", "look", "--by", "Jo Lind", "--output", "json"];
    let raised: Value = serde_json::from_str(&service.fettler(&raised).done()).expect("JSON");
    raised["item"]["order"].as_str().expect("an order").to_owned()
}

/// Runs the client at a terminal; answers its code and what was shown.
fn at_terminal(service: &Service, arguments: &[&str], talk: &[(&str, &str)]) -> (i64, String) {
    let data = service.data().display().to_string();
    let command: Vec<String> = std::iter::once(program("fettler").display().to_string())
        .chain(arguments.iter().copied().map(str::to_owned))
        .collect();
    let ask = json!({
        "command": command,
        "env": {"HOME": data, "FETTLER_DATA": data, "FETTLER_SERVER": service.endpoint(), "TERM": "xterm"},
        "columns": 80,
        "talk": talk,
    });
    let told: Value =
        serde_json::from_str(&oracle::run("terminal.py", &[], &format!("{ask}\n"))).expect("JSON");
    let shown = told["shown"].as_str().expect("a text").to_owned();
    assert!(told["missing"].is_null(), "it never showed {}:\n{shown}", told["missing"]);
    (told["code"].as_i64().expect("a code"), shown)
}

#[test]
fn a_closing_needs_the_pin_and_the_audit_shows_it() {
    let service = shop();
    let (order, ada) = (raised(&service), ["--by", "Ada Kern"]);
    let refused = service.fettler(&[&["close", &order], &ada[..]].concat());
    assert_eq!(refused.code, 3, "{}", refused.all());
    for part in ["`--by`", "PIN_NEEDED", "--pin-file FILE"] {
        assert!(refused.stderr.contains(part), "{}", refused.all());
    }
    let wrong = service.fettler(&[&["close", &order, "--pin-file", "other"], &ada[..]].concat());
    assert!(wrong.code == 3 && wrong.stderr.contains("PIN_WRONG"), "{}", wrong.all());
    let closed = service.fettler(&[&["close", &order, "--pin-file", "ada"], &ada[..]].concat()).done();
    assert!(closed.contains("by Ada Kern, known by PIN"), "{closed}");
    let audit = service.fettler(&["audit"]).done();
    assert!(audit.contains("by Ada Kern, known by PIN"), "{audit}");
    let audit = service.fettler(&["audit", "--output", "json"]).done();
    assert!(audit.contains("\"KNOWN_BY_PIN\""), "{audit}");
    let journal = service.fettler(&["journal", "list", "--kind", "order.", "--output", "csv"]).done();
    assert!(journal.contains(",Ada Kern,PIN,") && journal.contains(",Jo Lind,named,"), "{journal}");
}

#[test]
fn a_pin_is_typed_at_the_terminal_and_not_shown() {
    let service = shop();
    let (order, asks) = (raised(&service), "PIN of Ada Kern (it is not shown) > ");
    let (code, shown) = at_terminal(
        &service,
        &["close", &order, "--by", "Ada Kern"],
        &[(asks, "314159\n"), ("that is not the PIN", ""), (asks, "271828\n"), ("known by PIN", "")],
    );
    assert!(code == 0 && !shown.contains("314159") && !shown.contains("271828"), "{shown}");
    // Her own new one, with the one so far.
    let (code, shown) = at_terminal(
        &service,
        &["person", "pin", "Ada Kern", "--own"],
        &[
            ("the PIN so far (it is not shown) > ", "271828\n"),
            ("the new PIN (it is not shown) > ", "602214\n"),
            ("once more > ", "602214\n"),
            ("Ada Kern", ""),
        ],
    );
    assert!(code == 0 && !shown.contains("602214"), "{shown}");
    let journal = ["journal", "list", "--site", "installation", "--kind", "person.pin", "--output", "csv"];
    let journal = service.fettler(&journal).done();
    assert!(journal.contains(",Ada Kern,PIN,"), "{journal}");
}

#[test]
fn a_token_of_one_s_own_needs_no_pin() {
    let service = shop();
    let order = raised(&service);
    let made = |person: &str| {
        Command::new(program("fettlerd"))
            .args(["token", "add", "phone", "--role", "technician", "--person", person, "--data"])
            .arg(service.data())
            .env_clear()
            .output()
            .expect("it runs")
    };
    let refused = made("Nobody");
    assert!(!refused.status.success() && String::from_utf8_lossy(&refused.stderr).contains("is not known"));
    fs::write(service.data().join("own"), made("Ada Kern").stdout).expect("a file");
    let own = ["--token-file", "own"];
    let refused = service.fettler(&[&["close", &order, "--by", "Jo Lind"], &own[..]].concat());
    assert!(refused.code == 3 && refused.stderr.contains("PIN_NEEDED"), "{}", refused.all());
    let closed = service.fettler(&[&["close", &order, "--by", "Ada Kern"], &own[..]].concat()).done();
    assert!(closed.contains("by Ada Kern, known by own token"), "{closed}");
    let listed = Command::new(program("fettlerd"))
        .args(["token", "list", "--data"])
        .arg(service.data())
        .env_clear()
        .output()
        .expect("it runs");
    assert!(String::from_utf8_lossy(&listed.stdout).contains("own of Ada Kern"), "{listed:?}");
}
