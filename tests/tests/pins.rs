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

fn fettlerd(arguments: &[&str], service: &Service) -> (bool, String) {
    let mut command = Command::new(program("fettlerd"));
    let ran = command.args(arguments).arg(service.data()).env_clear().output().expect("it runs");
    let said = String::from_utf8_lossy(&ran.stdout).into_owned() + &String::from_utf8_lossy(&ran.stderr);
    (ran.status.success(), said)
}

#[test]
fn a_name_is_erased_and_all_that_was_done_stands() {
    let service = shop();
    let order = raised(&service);
    service.fettler(&["close", &order, "--pin-file", "ada", "--by", "Ada Kern"]).done();
    let (made, token) = fettlerd(
        &["token", "add", "phone", "--role", "technician", "--person", "Ada Kern", "--data"],
        &service,
    );
    assert!(made, "{token}");
    let key = service.fettler(&["journal", "key", "--site", "installation"]).done();
    fs::write(service.data().join("shop.key"), key).expect("a file");

    let erase = ["person", "erase", "Ada Kern", "--by", "Jo Lind", "--note", "she asked"];
    let refused = service.fettler(&erase);
    assert_eq!(refused.code, 2, "{}", refused.all());
    for part in ["cannot be undone", "stands under their number", "backups", "free texts", "--for-good"] {
        assert!(refused.stderr.contains(part), "{part}: {}", refused.all());
    }
    assert!(service.fettler(&["person", "list"]).done().contains("Ada Kern"));
    let near = service.fettler(&["person", "erase", "Ada Kren", "--by", "Jo Lind", "--for-good"]);
    assert!(near.code == 3 && near.stderr.contains("did you mean `Ada Kern`?"), "{}", near.all());
    let erased = service.fettler(&[&erase[..], &["--for-good"]].concat());
    assert_eq!(erased.code, 0, "{}", erased.all());
    let told = "erased: name and PIN of person 1; 1 token of their own was taken back; what they did stands as that of";
    assert!(erased.stdout.starts_with(told), "{}", erased.all());
    assert!(erased.stderr.contains("backups that were made before"), "{}", erased.all());

    let stands = "person 1, erased";
    let all: [&[&str]; 4] = [
        &["orders", &order],
        &["audit"],
        &["journal", "list"],
        &["journal", "list", "--site", "installation"],
    ];
    for arguments in all {
        // A table breaks lines where there is little room.
        let told = service.fettler(&[arguments, &["--output", "csv"]].concat()).done();
        assert!(!told.contains("Ada Kern"), "{arguments:?}: {told}");
        assert!(arguments.contains(&"--site") || told.contains(stands), "{arguments:?}: {told}");
    }
    assert!(!service.fettler(&["person", "list"]).done().contains("Ada Kern"));
    assert!(fettlerd(&["token", "list", "--data"], &service).1.contains("own of person 1, erased"));
    assert_eq!(service.fettler(&["close", "1", "--by", "Ada Kern"]).code, 3);
    service.fettler(&["journal", "verify", "--site", "installation", "--key", "shop.key"]).done();
    let (is_whole, said) = fettlerd(&["check"], &service);
    assert!(is_whole, "{said}");
    // The same name again is somebody else.
    service.fettler(&["person", "add", "Ada Kern"]).done();
    assert!(service.fettler(&["audit"]).done().contains(stands));
}
