//! What a newcomer does in the first hour: the demo, and the commands of the README, in its order.

use fettler_tests::client::{fettler, words};
use fettler_tests::programs::{program, root};
use std::process::Command;

#[test]
fn the_demo_shows_todays_due_list() {
    let folder = tempfile::tempdir().expect("a folder");
    let ran = Command::new(program("fettlerd"))
        .args(["demo", "--once", "--listen", "127.0.0.1:0"])
        .env_clear()
        .env("HOME", folder.path())
        .output()
        .expect("the demo runs");
    let (out, err) = (String::from_utf8_lossy(&ran.stdout), String::from_utf8_lossy(&ran.stderr));
    assert!(ran.status.success(), "{err}");
    for part in ["must not start", "late", "never recorded"] {
        assert!(out.to_lowercase().contains(part), "no `{part}` in the list:\n{out}");
    }
    let wide: Vec<&str> = out.lines().filter(|line| line.chars().count() > 80).collect();
    assert_eq!(wide, Vec::<&str>::new(), "the list fits 80 columns");
    assert!(!out.contains('\u{1b}'), "no colour where nobody sees it");
}

/// The commands by which the README declares a shop, without their comments.
fn commands() -> Vec<Vec<String>> {
    let readme = std::fs::read_to_string(root().join("README.md")).expect("README.md");
    let (_, own_shop) = readme.split_once("## Your own shop").expect("the part about one's own shop");
    let lines = own_shop.lines().filter_map(|line| line.strip_prefix("fettler "));
    lines.map(|line| words(line.split(" #").next().unwrap_or(line))).collect()
}

#[test]
fn the_readme_s_commands_do_what_it_says() {
    let service = fettler_tests::service::Service::start();
    std::fs::create_dir_all(service.data().join("docs/example")).expect("a folder");
    for file in ["shop.toml", "shift.csv"] {
        let example = root().join("docs/example").join(file);
        let place = service.data().join("docs/example").join(file);
        std::fs::copy(&example, place).unwrap_or_else(|e| panic!("{}: {e}", example.display()));
    }
    let commands = commands();
    assert!(commands.len() >= 5, "the README shows {} commands", commands.len());
    for command in commands {
        let arguments: Vec<&str> = command.iter().map(String::as_str).collect();
        let ran = fettler(service.endpoint(), service.data(), &arguments, b"");
        assert_eq!(ran.code, 0, "fettler {}\n{}", command.join(" "), ran.all());
    }
}
