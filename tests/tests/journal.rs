//! The journal as somebody sees it who trusts nobody: exported, bent in every way, held against checkpoints kept elsewhere,
//! and checked by a second program in another language.

use fettler_pg::Cluster;
use fettler_server::notary::signer::verify;
use fettler_tests::oracle;
use fettler_tests::service::Service;
use fettler_tests::tamper::Export;
use serde_json::{Value, json};
use sqlx::Connection as _;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

const SHOP: &str = r#"
people = ["Ada Kern"]

[site]
key = "north"
zone = "Europe/Berlin"

[[machine]]
tag = "L-03"

[[machine.meter]]
kind = "operating"

[[machine.task]]
key = "bowl"
title = "Drain the condensate bowl"
every = "60 h operating"
"#;

/// A service with a journal of more than 50 entries.
fn shop() -> Service {
    let service = Service::start();
    declare(&service);
    push(&service, 0..50);
    service
}

fn declare(service: &Service) {
    fs::write(service.data().join("shop.toml"), SHOP).expect("a file");
    service.fettler(&["shop", "load", "shop.toml", "--by", "Ada Kern"]).done();
}

fn push(service: &Service, reports: std::ops::Range<u32>) {
    let mut rows = "machine,report_id,start,end,hours\n".to_owned();
    for n in reports {
        let (day, hour) = (1 + n / 24, n % 24);
        let _ = writeln!(
            rows,
            "L-03,R-{n},2026-03-{day:02}T{hour:02}:00:00Z,2026-03-{day:02}T{hour:02}:30:00Z,0.5"
        );
    }
    service.fettler_with(&["hours", "push", "-", "--source", "erp"], rows.as_bytes()).done();
}

fn read(service: &Service, name: &str) -> String {
    fs::read_to_string(service.data().join(name)).expect("a file")
}

/// Keeps what a command prints.
fn keep(service: &Service, arguments: &[&str], name: &str) {
    fs::write(service.data().join(name), service.fettler(arguments).done()).expect("a file");
}

fn asked(ask: &Value) -> Value {
    serde_json::from_str(&oracle::run("journal.py", &[], &ask.to_string())).expect("JSON")
}

#[test]
fn every_flipped_bit_and_every_moved_entry_is_found_and_named() {
    let service = shop();
    service.fettler(&["journal", "export", "whole.journal"]).done();
    let file = fs::read(service.data().join("whole.journal")).expect("a file");
    let mut export = Export::of(&file, verify);
    assert!(export.entries() >= 50, "{}", export.entries());
    assert_eq!(export.judge(&export.lines, &[]).findings, []);
    let flips = export.flip_every_bit();
    assert_eq!(flips, file.len() as u64 * 8);
    assert!(export.move_every_entry() > 150);
    assert!(export.cut_every_tail() >= 50);

    // The same through the program, for one bit in the middle of an entry.
    let at = export.lines[31].len() / 2;
    export.lines[31][at] ^= 1;
    fs::write(service.data().join("bent.journal"), export.lines.concat()).expect("a file");
    let ran = service.fettler(&["journal", "verify", "bent.journal"]);
    assert_eq!(ran.code, 1, "{}", ran.all());
    assert!(ran.stdout.contains("entry 30: was altered"), "{}", ran.all());
    let ran = service.fettler(&["journal", "verify", "whole.journal"]);
    assert_eq!((ran.code, ran.stdout.starts_with("whole: fettler/")), (0, true), "{}", ran.all());
}

#[test]
fn a_second_program_agrees_on_exports_proofs_and_checkpoints() {
    let mut service = shop();
    keep(&service, &["journal", "key"], "shop.key");
    keep(&service, &["journal", "checkpoint"], "early.txt");
    let due = service.fettler(&["orders", "--state", "open", "--output", "json"]).done();
    let due: Value = serde_json::from_str(&due).expect("JSON");
    let order = due["orders"][0]["number"].as_str().expect("an order").to_owned();
    service.fettler(&["close", &order, "--by", "Ada Kern", "--cautions-confirmed"]).done();
    keep(&service, &["journal", "checkpoint"], "late.txt");
    service.fettler(&["journal", "export", "north.journal"]).done();
    service.fettler(&["journal", "proof", &order, "--to", "closing.tlog-proof"]).done();
    service.fettler(&["journal", "proof", "--entry", "0", "--to", "first.tlog-proof"]).done();
    service.stop();

    // Nothing listens any more: all of this is decided here.
    for file in ["closing.tlog-proof", "first.tlog-proof"] {
        let ran = service.fettler(&["journal", "confirm", file, "--key", "shop.key"]);
        assert!(ran.code == 0 && ran.stdout.starts_with("proven: entry "), "{}", ran.all());
    }
    let verify = ["journal", "verify", "north.journal", "--key", "shop.key", "--checkpoint", "early.txt"];
    let verify = [&verify[..], &["--checkpoint", "late.txt"]].concat();
    let ran = service.fettler(&verify);
    assert!(ran.code == 0 && ran.stdout.contains("it goes on from the 2 checkpoints"), "{}", ran.all());

    let key = read(&service, "shop.key").trim().to_owned();
    let text = |name: &str| read(&service, name);
    let wrong = text("closing.tlog-proof").replacen("index ", "index 1", 1);
    fs::write(service.data().join("wrong.tlog-proof"), &wrong).expect("a file");
    let ran = service.fettler(&["journal", "confirm", "wrong.tlog-proof", "--key", "shop.key"]);
    assert!(ran.code == 1 && ran.stdout.starts_with("NOT PROVEN"), "{}", ran.all());

    let proof = |text: String| json!({"text": text, "key": key});
    let answer = asked(&json!({
        "exports": [{"text": text("north.journal"), "key": key},
                    {"text": text("north.journal").replacen("erp", "ERP", 1), "key": key}],
        "proofs": [proof(text("closing.tlog-proof")), proof(text("first.tlog-proof")), proof(wrong)],
        "signatures": signatures(),
    }));
    assert_eq!(answer["exports"][0]["whole"], true, "{answer}");
    assert_eq!(answer["exports"][1]["whole"], false, "{answer}");
    assert_eq!(answer["proofs"][0]["proven"], true, "{answer}");
    let leaf: Value =
        serde_json::from_str(answer["proofs"][0]["leaf"].as_str().expect("a leaf")).expect("JSON");
    assert_eq!(leaf["subject"], format!("orders/{order}"));
    assert_eq!((&answer["proofs"][1]["number"], &answer["proofs"][2]["proven"]), (&json!(0), &json!(false)));
    assert_eq!(answer["signatures"], json!([true, true, true, false, false]));
}

/// RFC 8032, section 7.1, tests 1 to 3, and two that must not pass: another message, and a signature bent in its last byte.
fn signatures() -> Value {
    let of = |public: &str, message: &str, signature: &str| json!({"public": public, "message": message, "signature": signature});
    let two = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c";
    let signed_two = "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da\
        085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00";
    json!([
        of(
            "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
            "",
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b\
             d25bf5f0595bbe24655141438e7a100b"
        ),
        of(two, "72", signed_two),
        of(
            "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
            "af82",
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc659\
             4a7c15e9716ed28dc027beceea1ec40a"
        ),
        of(two, "73", signed_two),
        of(two, "72", &format!("{}10", &signed_two[..126])),
    ])
}

#[test]
fn a_journal_that_was_set_back_is_found_and_not_signed_any_more() {
    let mut service = shop();
    let file = service.data().join("fettler.db");
    // Nothing is written after it: the database that is set back ends with a checkpoint of its own.
    service.fettler(&["journal", "checkpoint"]).done();
    service.stop();
    fs::copy(&file, service.data().join("earlier.db")).expect("a copy");
    service.start_again();
    push(&service, 50..60);
    keep(&service, &["journal", "checkpoint"], "kept.txt");
    keep(&service, &["journal", "key"], "shop.key");
    service.stop();

    fs::copy(service.data().join("earlier.db"), &file).expect("set back");
    service.start_again();
    let refused = service.fettler(&["journal", "checkpoint"]);
    assert_eq!(refused.code, 3, "{}", refused.all());
    assert!(refused.stderr.contains("JOURNAL_ALTERED"), "{}", refused.all());
    let ran = service.fettler(&["journal", "verify", "--checkpoint", "kept.txt", "--key", "shop.key"]);
    assert!(ran.code == 1 && ran.stdout.contains("set back or cut off"), "{}", ran.all());

    // Without the files beside the database the service cannot know, but whoever kept the checkpoint does.
    fs::remove_dir_all(service.data().join("checkpoints")).expect("gone");
    let ran = service.fettler(&["journal", "verify", "--checkpoint", "kept.txt", "--key", "shop.key"]);
    assert!(ran.code == 1 && ran.stdout.contains("its tail was cut off"), "{}", ran.all());
    service.fettler(&["journal", "export", "older.journal"]).done();
    let ran = service.fettler(&["journal", "verify", "older.journal", "--checkpoint", "kept.txt"]);
    assert!(ran.code == 1 && ran.stdout.contains("the export is older"), "{}", ran.all());
    // And when it has grown again past that size, on another past.
    push(&service, 100..140);
    let ran = service.fettler(&["journal", "verify", "--checkpoint", "kept.txt", "--key", "shop.key"]);
    assert!(ran.code == 1 && ran.stdout.contains("something was altered"), "{}", ran.all());
}

#[test]
fn one_key_signs_whichever_service_is_asked() {
    let database = Cluster::shared().empty();
    let first = Service::start_with(&["--database", &database]);
    declare(&first);
    push(&first, 0..5);
    let key = first.fettler(&["journal", "key"]).done();
    let token =
        ["--token-file", first.data().join("admin.token").to_str().expect("UTF-8")].map(str::to_owned);
    let asked = |service: &Service, arguments: &[&str]| {
        let token: Vec<&str> = token.iter().map(String::as_str).collect();
        service.fettler(&[&token[..], arguments].concat())
    };

    // One that was not given the key does everything but sign.
    let second = Service::start_with(&["--database", &database]);
    let refused = asked(&second, &["journal", "checkpoint"]);
    assert!(refused.code == 3 && refused.stderr.contains("NO_SIGNING_KEY"), "{}", refused.all());
    asked(&second, &["due"]).done();

    let place = first.data().join("journal.key");
    let place = place.to_str().expect("UTF-8");
    let third = Service::start_with(&["--database", &database, "--journal-key", place]);
    assert_eq!(asked(&third, &["journal", "key"]).done(), key);
    assert_eq!(
        asked(&third, &["journal", "checkpoint"]).done(),
        first.fettler(&["journal", "checkpoint"]).done()
    );
    let ran = asked(&third, &["journal", "verify"]);
    assert_eq!(ran.code, 0, "{}", ran.all());
}

/// Starts a service that must not start, and gives what it says.
fn refused_start(data: &Path, arguments: &[&str]) -> String {
    let ran = std::process::Command::new(fettler_tests::programs::program("fettlerd"))
        .args(["serve", "--listen", "127.0.0.1:0", "--data"])
        .arg(data)
        .args(arguments)
        .env_clear()
        .output()
        .expect("it runs");
    assert!(!ran.status.success(), "{}", String::from_utf8_lossy(&ran.stdout));
    String::from_utf8_lossy(&ran.stderr).into_owned()
}

#[test]
fn a_second_key_does_not_sign_unnoticed() {
    let mut service = shop();
    let other = Service::start();
    keep(&service, &["journal", "checkpoint"], "kept.txt");
    keep(&service, &["journal", "key"], "shop.key");
    service.stop();
    let place = other.data().join("journal.key");
    let arguments = ["--journal-key", place.to_str().expect("UTF-8")];
    let said = refused_start(service.data(), &arguments);
    assert!(said.contains("is not the one that signs this installation's journals"), "{said}");

    // It may take the place when that is said; the journal tells, and whoever kept the old key sees it.
    service.start_again_with(&[&arguments[..], &["--replace-journal-key"]].concat());
    let told = service.fettler(&["journal", "list", "--site", "installation", "--kind", "key."]).done();
    assert!(told.contains("keys/2") && told.contains("keys/1"), "{told}");
    let ran = service.fettler(&["journal", "verify", "--key", "shop.key"]);
    assert!(ran.code == 1 && ran.stdout.contains("is not signed by the key"), "{}", ran.all());

    // What the first one signed says nothing against the journal, and is judged by whoever has both.
    push(&service, 50..51);
    let ran = service.fettler(&["journal", "verify"]);
    assert!(
        ran.code == 0 && ran.stdout.contains("was not looked at: another key signed it"),
        "{}",
        ran.all()
    );
    keep(&service, &["journal", "key"], "new.key");
    service.fettler(&["journal", "export", "both.journal"]).done();
    let (new, kept) = (["--key", "new.key"], ["--checkpoint", "kept.txt"]);
    for file in [&[][..], &["both.journal"]] {
        let verify =
            |more: &[&str]| service.fettler(&[&["journal", "verify"], file, &new, &kept, more].concat());
        let ran = verify(&[]);
        assert!(ran.code == 1 && ran.stdout.contains("kept.txt: is not signed by the key"), "{}", ran.all());
        let ran = verify(&["--key", "shop.key"]);
        assert!(ran.code == 0 && ran.stdout.contains("it goes on from"), "{}", ran.all());
    }
}

#[tokio::test]
async fn an_entry_that_was_altered_in_the_database_is_found_by_asking_the_service() {
    let mut service = shop();
    keep(&service, &["journal", "checkpoint"], "kept.txt");
    keep(&service, &["journal", "key"], "shop.key");
    push(&service, 50..52);
    service.stop();
    // Only the bytes: the hash beside them, and all that follows from it, stay as they were.
    let file = format!("sqlite://{}", service.data().join("fettler.db").display());
    let mut database = sqlx::SqliteConnection::connect(&file).await.expect("it opens");
    let alter = "UPDATE journal_leaf SET bytes = CAST(replace(CAST(bytes AS TEXT), 'R-9/', 'R-8/') AS BLOB) \
        WHERE site = 1 AND subject LIKE '%/R-9/%'";
    let altered = sqlx::query(alter).execute(&mut database).await.expect("altered");
    assert_eq!(altered.rows_affected(), 1);
    database.close().await.expect("it closes");
    service.start_again();
    for more in [&[][..], &["--key", "shop.key"], &["--key", "shop.key", "--checkpoint", "kept.txt"]] {
        let ran = service.fettler(&[&["journal", "verify"], more].concat());
        assert!(ran.code == 1 && ran.stdout.starts_with("NOT WHOLE"), "{more:?}: {}", ran.all());
        assert!(
            ran.stdout.contains(": was altered: its bytes do not give its hash"),
            "{more:?}: {}",
            ran.all()
        );
    }
    let ran = service.fettler(&["journal", "export", "altered.journal"]);
    assert!(
        ran.code == 1 && ran.stdout.contains(": was altered: its bytes do not give its hash"),
        "{}",
        ran.all()
    );
}

#[test]
fn another_file_that_was_named_by_mistake_says_nothing_against_the_journal() {
    let service = shop();
    keep(&service, &["journal", "checkpoint"], "kept.txt");
    keep(&service, &["journal", "key"], "shop.key");
    service.fettler(&["journal", "proof", "--entry", "3", "--to", "3.tlog-proof"]).done();
    for (wrong, says) in [
        (["--checkpoint", "shop.key"], "give a checkpoint that was kept"),
        (["kept.txt", "--key=shop.key"], "kept.txt is a checkpoint, not an exported journal"),
        (["3.tlog-proof", "--key=shop.key"], "3.tlog-proof is a proof, not an exported journal"),
    ] {
        let ran = service.fettler(&[&["journal", "verify"], &wrong[..]].concat());
        assert!(ran.code == 2 && ran.stderr.contains(says), "{wrong:?}: {}", ran.all());
        assert!(!ran.all().contains("NOT WHOLE"), "{}", ran.all());
    }
}

#[test]
fn the_proof_of_a_closing_that_was_undone_says_so() {
    let service = shop();
    let due = service.fettler(&["orders", "--state", "open", "--output", "json"]).done();
    let due: Value = serde_json::from_str(&due).expect("JSON");
    let order = due["orders"][0]["number"].as_str().expect("an order").to_owned();
    service.fettler(&["close", &order, "--by", "Ada Kern", "--cautions-confirmed"]).done();
    let closed = service.fettler(&["orders", &order, "--output", "json"]).done();
    let closed: Value = serde_json::from_str(&closed).expect("JSON");
    let entry = closed["order"]["closing"]["entry"].as_str().expect("an entry").to_owned();
    let proof = || service.fettler(&["journal", "proof", "--entry", &entry]);
    let standing = proof();
    assert_eq!((standing.code, standing.stderr.as_str()), (0, ""), "{}", standing.all());
    service.fettler(&["undo", &order, "--by", "Ada Kern", "--reason", "wrong machine"]).done();
    let undone = proof();
    assert_eq!(undone.code, 0, "{}", undone.all());
    assert!(
        undone.stderr.contains(&format!("this closing of order {order} was undone at ")),
        "{}",
        undone.all()
    );
    assert!(undone.stderr.contains(" by Ada Kern: wrong machine; "), "{}", undone.all());
}
