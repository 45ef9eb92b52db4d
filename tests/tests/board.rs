//! The board through the whole program, looked at in a browser by `tests/browser/board.mjs`: at each size, light and dark, with the
//! keyboard alone and without script, and held to the rules of WCAG 2.2 by axe-core.

use fettler_tests::programs::{program, root};
use fettler_tests::service::Service;
use serde_json::{Value, json};
use std::path::PathBuf;
use std::process::Command;
use tempfile::TempDir;

/// Rules of axe-core that apply to any page of ours at least; fewer mean that it did not look.
const RULES_MIN: i64 = 15;

/// What stands wherever a hazard or a caution does.
const DEFERRAL: &str = "The builder's manual, local codes and licensed practice come before all this.";

/// The invented shop, its board shown to whoever comes.
fn demo() -> Service {
    let folder = tempfile::Builder::new().prefix("fettler-").tempdir().expect("a folder for data");
    let made = Command::new(program("fettlerd"))
        .args(["demo", "--once", "--listen", "127.0.0.1:0", "--data"])
        .arg(folder.path())
        .output()
        .expect("it starts");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let token = folder.path().join("admin.token").display().to_string();
    Service::start_on(folder, &["--board-token", &token])
}

/// Where `./tests/run` puts what drives a browser.
fn tools() -> PathBuf {
    let beside = program("fettlerd").with_file_name("..").join("tools/npm");
    let tools = std::env::var_os("FETTLER_NPM").map_or(beside, PathBuf::from);
    let driver = tools.join("node_modules/playwright-core");
    assert!(driver.is_dir(), "{} is not there; `./tests/run --tools` installs it", driver.display());
    tools
}

/// What the browser saw, a line each.
fn seen(service: &Service, pictures: &TempDir) -> Vec<Value> {
    let output = Command::new("node")
        .arg(root().join("tests/browser/board.mjs"))
        .args([
            &tools(),
            &PathBuf::from(service.http()),
            &PathBuf::from(service.token()),
            &pictures.path().into(),
        ])
        .output()
        .expect("node, which comes with npm");
    let told = String::from_utf8(output.stdout).expect("UTF-8");
    assert!(output.status.success(), "{told}\n{}", String::from_utf8_lossy(&output.stderr));
    told.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{line}: {e}"))).collect()
}

#[test]
fn the_board_is_seen_at_every_size_and_worked_without_script_by_keys_alone() {
    let service = demo();
    let pictures = tempfile::tempdir().expect("a folder");
    let seen = seen(&service, &pictures);
    let pages: Vec<&Value> = seen.iter().filter(|line| line["page"].is_string()).collect();
    assert_eq!(pages.len(), 25, "{seen:#?}");
    for page in &pages {
        assert_eq!(page["broken"], json!([]), "{page}");
        assert!(page["checked"].as_i64() >= Some(RULES_MIN), "{page}");
        assert_eq!(
            (&page["wide"], &page["tall"], &page["outside"]),
            (&json!(0), &json!(0), &json!([])),
            "{page}"
        );
        // WCAG 2.2, success criterion 2.5.8: what is touched is 24 by 24 CSS pixels at the least.
        assert_eq!(page["small"], 0, "{page}");
    }
    for page in &pages {
        let name = page["page"].as_str().expect("a name");
        let told = page["deferral"].as_array().expect("a list");
        // Wherever work is shown that can hurt: lists, walls, an order, and what was closed with cautions.
        let is_due = ["board-", "order-", "wrong-", "closed-"].iter().any(|start| name.starts_with(start));
        assert_eq!(told.len(), usize::from(is_due), "{page}");
        for told in told {
            assert_eq!(told["says"], DEFERRAL, "{page}");
            assert_eq!(
                (&told["cut"], &told["outside"], &told["covered"]),
                (&json!(false), &json!(false), &json!(false)),
                "{page}"
            );
            assert!(told["letters"].as_i64() >= Some(14), "{page}");
        }
    }
    let letters =
        |name: &str| pages.iter().find(|page| page["page"] == name).and_then(|page| page["letters"].as_i64());
    assert!(letters("board-wall-light") >= Some(40) && letters("board-phone-dark") >= Some(16), "{pages:#?}");

    let step = |name: &str| {
        seen.iter().find(|line| line["step"] == name).unwrap_or_else(|| panic!("{name}: {seen:#?}"))
    };
    assert_eq!(step("asked for a token")["focus"], "token");
    assert!(step("a wrong one")["wrong"].as_str().is_some_and(|text| text.contains("not known here")));
    assert_eq!(step("the order")["title"], "Empty the condensate bowl");
    let said = step("not all said");
    assert_eq!((&said["focus"], &said["kept"]), (&json!("complaints"), &json!("61")));
    assert_eq!(said["wrong"], json!(["Say whether they were shown and heeded.", "Say how it was found."]));
    assert!(
        step("asked back")["wrong"][0]
            .as_str()
            .is_some_and(|text| text.contains("is more than line-air can show"))
    );
    assert_eq!(
        step("asked back")["item"],
        json!({"rows": 1, "columns": 3, "below": true, "whole": true}),
        "{seen:#?}"
    );
    let closed = step("closed");
    assert_eq!(closed["title"], "Closed: Empty the condensate bowl");
    for what in
        ["by Ada Kern", "line-air 61", "Worn, but working", "satisfied", "Next", "Empty the condensate bowl:"]
    {
        assert!(closed["text"].as_str().is_some_and(|text| text.contains(what)), "{what}: {closed}");
    }
    assert_eq!(step("sent again by the browser")["title"], "Closed: Empty the condensate bowl");
    assert_eq!(step("made anew")["scrolled"], 900, "whoever reads stays where they were");
    assert_eq!(step("printed"), &json!({"step": "printed", "shades": ["rgb(0, 0, 0)"], "forbidden": true}));
    assert_eq!(step("asked")["others"], json!([]), "nothing is loaded from anywhere");
}
