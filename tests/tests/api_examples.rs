//! The examples for a shell in `docs/api.md`, run as they stand there, in their order, against a shop that has what they name.

use fettler_tests::languages::node_modules;
use fettler_tests::programs::{program, root};
use fettler_tests::service::Service;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::Command;

const SHOP: &str = r#"people = ["Ada Kern", "Ben Holt"]

[site]
key = "north"
zone = "Europe/Berlin"

[[shift]]
key = "early"
days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
starts = "06:00"
ends = "14:00"

[[shift]]
key = "late"
days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
starts = "14:00"
ends = "06:00"

[[source]]
name = "erp"
rank = 1
feeds = "operating"

[[item]]
name = "lint-free cloth"
unit = ""

[[machine]]
tag = "L-01"
name = "Lathe one"
family = "lathe"
area = "Hall A"

[[machine.meter]]
kind = "operating"

[[machine.point]]
key = "line-air"
unit = "bar"
act_below = "5.5"
possible = "0 to 16"

[[machine.check]]
key = "air"
title = "Air pressure at the panel meter"
good = "6 bar"
point = "line-air"

[[machine.check]]
key = "leaks"
title = "Leaks below and behind"
good = "dry"

[[machine]]
tag = "MC-01"
name = "Machining centre one"
area = "Hall A"

[[machine.point]]
key = "strength"
fluid = "water-mixed coolant"
reservoir = "sump"
unit = "%"
act_below = "5"
"#;

/// What each example answers, by a part of it, in the order of the page.
const ANSWERS: [(&str, &str); 20] = [
    ("DueService/ListDue", "\"shopDay\""),
    ("RunHoursService/StreamReports", "OUTCOME_ACCEPTED"),
    ("InstallationService/GetInstallation", "\"roles\""),
    ("RoundService/RecordChecks", "\"order\""),
    ("DueService/WatchDue", "WATCH_TOLD_LIST"),
    ("DueService/WatchDue", "WATCH_TOLD_LIST"),
    ("AuditService/ExportClosings", "Europe/Berlin"),
    ("FluidService/GetFluidRecord", "strength"),
    ("StockService/GetBuyList", ""),
    ("StockService/WithdrawIssue", "lint-free cloth"),
    ("OutboundService/GetOutbound", "OUTBOUND_KIND_CLOSED"),
    ("OutboundService/AcknowledgeOutbound", "\"through\""),
    ("ReviewService/ListAdvice", ""),
    ("FiguresService/GetFigures", "\"figures\""),
    ("DueCalendarService/AddDueCalendar", "\"wall\""),
    ("/calendar/", "BEGIN:VCALENDAR"),
    ("ProofService/GetCheckpoint", "\"note\""),
    ("PersonService/SetPin", ""),
    ("OrderService/CloseOrder", "ORDER_STATE_CLOSED"),
    ("PersonService/ErasePerson", "\"number\""),
];

/// Stands in the place of both programs: it makes the call, and leaves a watch once its list was told. What was answered goes to a file
/// for each call, beside the words that were typed.
const CALLER: &str = r#"#!/bin/bash
set -euo pipefail
words=("$@")
if [ "$(basename "$0")" = curl ]; then
  made=(/usr/bin/curl --silent --show-error --fail-with-body "$@")
else
  made=(buf curl --protocol grpc --http2-prior-knowledge)
  rest=()
  while [ $# -gt 0 ]; do
    case $1 in
    -plaintext) ;;
    -H | -d) made+=("$1" "$2") && shift ;;
    *) rest+=("$1") ;;
    esac
    shift
  done
  made+=("http://${rest[0]}/${rest[1]}")
fi
out=$(mktemp "$ANSWERS/$(date +%s%N)-XXXXXX")
printf '%s\n' "${words[*]//$'\n'/ }" >"$out"
case "${words[*]}" in
*WatchDue*)
  # In a session of its own, since what is started may start others.
  exec 3< <(exec setsid "${made[@]}")
  watch=$!
  while IFS= read -r line <&3; do
    printf '%s\n' "$line" >>"$out"
    case $line in *WATCH_TOLD_LIST*) break ;; esac
  done
  kill -- "-$watch"
  ;;
*) "${made[@]}" >>"$out" ;;
esac
"#;

/// The parts of a document for a shell.
fn shell_parts(text: &str) -> Vec<&str> {
    text.split("```sh\n").skip(1).filter_map(|rest| rest.split("```").next()).collect()
}

fn executable(path: &Path, text: &str) {
    fs::write(path, text).expect("a file");
    fs::set_permissions(path, fs::Permissions::from_mode(0o755)).expect("a mode");
}

/// A shop in which the examples' orders, entries and tokens are there.
fn shop() -> (Service, String) {
    let tasks = (1..=8).map(|n| {
        format!("\n[[machine.task]]\nkey = \"t{n}\"\ntitle = \"Task {n}\"\nevery = \"30 days\"\nlast_done = \"2020-01-01\"\n")
    });
    let service = Service::start_with(&["--http", "127.0.0.1:0"]);
    fs::write(service.data().join("shop.toml"), SHOP.to_owned() + &tasks.collect::<String>())
        .expect("a file");
    service.fettler(&["shop", "load", "shop.toml"]).done();
    service.fettler(&["close", "1", "--by", "Ada Kern"]).done();
    let issue =
        ["stock", "issue", "lint-free cloth", "10", "--by", "Ben Holt", "--it-is-so", "--output", "json"];
    let issued: serde_json::Value = serde_json::from_str(&service.fettler(&issue).done()).expect("JSON");
    let entry = issued["entry"].as_str().unwrap_or_else(|| panic!("its number: {issued}")).to_owned();
    let made = Command::new(program("fettlerd"))
        .args(["token", "add", "tablet", "--role", "technician", "--data"])
        .arg(service.data())
        .env_clear()
        .output()
        .expect("it runs");
    assert!(made.status.success(), "{made:?}");
    fs::write(service.data().join("tablet.token"), made.stdout).expect("a file");
    (service, entry)
}

#[test]
fn the_examples_of_the_page_on_calls_do_what_they_say() {
    let text = fs::read_to_string(root().join("docs/api.md")).expect("the page");
    let (service, entry) = shop();
    let reports = text.split("```json\n").nth(1).and_then(|rest| rest.split("```").next()).expect("reports");
    fs::write(service.data().join("reports.ndjson"), reports).expect("a file");
    let folder = tempfile::tempdir().expect("a folder");
    let answers = folder.path().join("answers");
    fs::create_dir(&answers).expect("a folder");
    for name in ["curl", "grpcurl"] {
        executable(&folder.path().join(name), CALLER);
    }
    let buf = node_modules().join(".bin");
    let path = format!(
        "{}:{}:{}",
        folder.path().display(),
        buf.display(),
        std::env::var("PATH").unwrap_or_default()
    );
    for part in shell_parts(&text) {
        let script = part
            .replace("http://127.0.0.1:7134", service.http())
            .replace("127.0.0.1:7133", service.endpoint().trim_start_matches("http://"))
            .replace("2042", &entry);
        let ran = Command::new("bash")
            .args(["-euo", "pipefail", "-c", &script])
            .current_dir(service.data())
            .env("PATH", &path)
            .env("TOKEN", service.token())
            .env("HOME", service.data())
            .env("ANSWERS", &answers)
            .output()
            .expect("bash");
        assert!(ran.status.success(), "{script}\n{}", String::from_utf8_lossy(&ran.stderr));
    }
    let mut files: Vec<_> =
        fs::read_dir(&answers).expect("answers").map(|file| file.expect("a file").path()).collect();
    files.sort();
    let told: Vec<String> = files.iter().map(|file| fs::read_to_string(file).expect("text")).collect();
    assert_eq!(told.len(), ANSWERS.len(), "{told:#?}");
    for (told, (call, answer)) in told.iter().zip(ANSWERS) {
        let (typed, answered) = told.split_once('\n').expect("what was typed");
        assert!(typed.contains(call), "{call} in its turn: {typed}");
        assert!(answered.contains(answer), "{typed}\n{answered}");
    }
}
