//! Rounds through the whole program: walked at a terminal of their own, left and gone on with, with the service gone in between,
//! handed over and read; and without a terminal, from files.

use fettler_tests::client::{Ran, fettler};
use fettler_tests::line::Line;
use fettler_tests::service::Service;
use fettler_tests::terminal::{self, Talked};
use serde_json::Value;
use std::fs;
use std::path::PathBuf;

const SHOP: &str = r#"people = ["Ada Kern", "Ben Holt"]

[site]
key = "north"
zone = "UTC"

[[sheet]]
key = "care"
title = "Care of a lathe"

[[sheet.check]]
key = "air"
title = "Air pressure at the panel meter"
good = "6 bar; 5.5 to 7"
place = "service unit, outside"
point = "line-air"

[[sheet.check]]
key = "leaks"
title = "Leaks below and behind"
good = "dry: no oil, coolant, water or hiss of air"
cautions = ["oil makes people fall: mark it and wipe it up before anybody walks there again"]
hazard = true

[[machine]]
tag = "L-01"
name = "Lathe one"
area = "hall a"
sheets = ["care"]

[[machine.point]]
key = "line-air"
unit = "bar"
act_below = "5.5"
act_above = "7"
possible = "0 to 16"

[[machine]]
tag = "L-02"
name = "Lathe two"
area = "hall b"
sheets = ["care"]

[[machine.point]]
key = "line-air"
unit = "bar"
act_below = "5.5"
act_above = "7"
possible = "0 to 16"
"#;

fn shop() -> Service {
    Service::with_shop(SHOP)
}

/// Walks at a terminal: each time it shows the first text, the second is typed.
fn walk(service: &Service, arguments: &[&str], talk: &[(&str, &str)]) -> Talked {
    walk_by(service, service.endpoint(), arguments, talk)
}

/// The same by a line.
fn walk_by(service: &Service, address: &str, arguments: &[&str], talk: &[(&str, &str)]) -> Talked {
    let talked = terminal::talk(service, address, &[&["round"], arguments].concat(), talk);
    for line in talked.shown.lines() {
        assert!(line.chars().count() < 80, "wider than a screen: {line}");
    }
    assert!(talked.left, "the terminal is left in other modes: {talked:?}");
    talked
}

/// Where a client whose home is the data folder keeps answers, at a terminal or not.
fn state(service: &Service) -> PathBuf {
    service.data().join(".local/state")
}

fn kept(service: &Service) -> Vec<PathBuf> {
    files(service, "json")
}

/// The files of the folder of answers with this ending.
fn files(service: &Service, ending: &str) -> Vec<PathBuf> {
    let folder = state(service).join("fettler/round");
    let files = fs::read_dir(folder).expect("a folder").map(|file| file.expect("a file").path());
    files.filter(|path| path.extension().is_some_and(|end| end == ending)).collect()
}

/// The lines of the round as CSV.
fn list(service: &Service, arguments: &[&str]) -> Vec<String> {
    let text = service.fettler(&[&["round", "--list", "--output", "csv"], arguments].concat()).done();
    text.lines().skip(1).map(str::to_owned).collect()
}

#[test]
fn a_round_is_walked_left_gone_on_with_and_handed_over() {
    let service = shop();
    let ada = ["--by", "Ada Kern"];
    let left = walk(
        &service,
        &ada,
        &[
            ("0 of 4 checks done", ""),
            ("== hall a: L-01 Lathe one", ""),
            ("[1 of 4] Air pressure at the panel meter", ""),
            ("bar, f finding, s later, q leave > ", "\n"),
            ("type the value", ""),
            ("> ", "6,1\n"),
            ("[2 of 4] Leaks below and behind", ""),
            ("Enter good, f finding, s later, q leave > ", "f\n"),
            ("what is wrong (Enter for nothing) > ", "oil below the door\n"),
            ("[3 of 4]", ""),
            ("> ", "q\n"),
            ("left at 2 of 4", ""),
        ],
    );
    assert_eq!(left.code, 0, "{}", left.shown);
    assert!(left.shown.contains("-> L-01 leaks: order 1 was raised"), "it names its check: {}", left.shown);
    let nobody = walk(&service, &[], &[("who walks, q leave > ", "q\n"), ("left at 2 of 4", "")]);
    assert_eq!(nobody.code, 0, "{}", nobody.shown);
    let lines = list(&service, &[]);
    assert_eq!(lines.len(), 4);
    assert!(
        lines[0].starts_with("hall a,L-01,air,Air pressure at the panel meter,good,6.1,,Ada Kern,"),
        "{lines:?}"
    );
    assert!(
        lines[1].starts_with("hall a,L-01,leaks,Leaks below and behind,finding,oil below the door,"),
        "{lines:?}"
    );
    assert!(service.fettler(&["due"]).done().contains("Leaks below and behind: oil below the door"));

    let done = walk(
        &service,
        &ada,
        &[
            ("2 of 4 checks done", ""),
            ("== hall b: L-02 Lathe two", ""),
            ("[3 of 4] Air", ""),
            ("> ", "s\n"),
            ("[4 of 4] Leaks", ""),
            ("> ", "y\n"),
            ("[3 of 4] Air", ""),
            ("> ", "61\n"),
            ("to 16", ""),
            ("y it is so, or the right value, s later > ", "6,l\n"),
            ("that is neither", ""),
            ("y it is so, or the right value, s later > ", "6.2\n"),
            ("4 of 4 checks done", ""),
            ("note for the next shift, Enter for none, b not yet > ", "mind the door of L-01\n"),
        ],
    );
    assert_eq!(done.code, 0, "{}", done.shown);
    assert!(kept(&service).is_empty(), "everything is with the service");
    assert!(list(&service, &["--open"]).is_empty());

    let due = service.fettler(&["due"]).done();
    assert!(due.starts_with("HANDOVER "), "the next shift sees it first:\n{due}");
    assert!(
        due.contains("mind the door of L-01") && due.contains("4 checks on 2 machines, 4 done, 1 finding"),
        "{due}"
    );
    let read = walk(
        &service,
        &["--by", "Ben Holt"],
        &[
            ("mind the door of L-01", ""),
            ("a I have read it, Enter later, q leave > ", "?\n"),
            ("a, Enter or q", ""),
            ("a I have read it, Enter later, q leave > ", "a\n"),
            ("nothing is open here", ""),
        ],
    );
    assert!(read.shown.contains("found: L-01 Leaks below and behind: oil"), "{}", read.shown);
    let handovers = service.fettler(&["round", "--handovers", "--output", "csv"]).done();
    assert!(handovers.contains("Ada Kern") && handovers.contains("Ben Holt"), "{handovers}");
    assert!(!service.fettler(&["due"]).done().contains("HANDOVER"), "it was read");
}

#[test]
fn a_pin_is_typed_unseen_and_lies_on_no_disk() {
    const PIN: &str = "271828182845";
    let service = Service::with_shop(&SHOP.replace("zone = \"UTC\"", "zone = \"UTC\"\nasks_pin = true"));
    let file = tempfile::NamedTempFile::new().expect("a file");
    fs::write(file.path(), PIN).expect("written");
    let file = file.path().to_str().expect("UTF-8");
    service.fettler(&["person", "pin", "Ada Kern", "--new-pin-file", file]).done();
    let (line, ada) = (Line::to(&service), ["--by", "Ada Kern"]);
    let (asks, pin) = ("PIN of Ada Kern (it is not shown) > ", format!("{PIN}\n"));
    let seen = walk_by(
        &service,
        line.address(),
        &ada,
        &[(asks, &pin), ("[1 of 4]", ""), ("> ", "6.1\n"), ("[2 of 4]", ""), ("> ", "q\n")],
    );
    assert_eq!(seen.code, 0, "{}", seen.shown);
    line.cut();
    let away = walk_by(
        &service,
        line.address(),
        &ada,
        &[("[1 of 4]", ""), ("> ", "6.2\n"), ("[2 of 4]", ""), ("> ", "q\n"), ("1 answer is kept", "")],
    );
    assert_eq!(away.code, 4, "{}", away.shown);
    line.lead_to(&service);
    let sent = fettler(line.address(), service.data(), &["round", "--send"], b"");
    assert!(sent.code == 1 && sent.stdout.contains("asks for the PIN of Ada Kern"), "{}", sent.all());
    let wrong = "that is not the PIN";
    let sent = walk_by(
        &service,
        line.address(),
        &["--send"],
        &[(asks, "314159\n"), (wrong, ""), (asks, &pin), ("1 of 1 sent", "")],
    );
    assert_eq!(sent.code, 0, "{}", sent.shown);
    for walk in [&seen, &sent] {
        assert!(!walk.shown.contains(PIN) && !walk.shown.contains("314159"), "{}", walk.shown);
    }
    let entries = service.fettler(&["journal", "list", "--kind", "round.", "--output", "csv"]).done();
    assert_eq!(entries.matches(",Ada Kern,PIN,").count(), 2, "{entries}");
    assert!(files_below(service.data()).len() > 4, "there is something to look into");
    for path in files_below(service.data()) {
        let bytes = fs::read(&path).expect("a file");
        let found = bytes.windows(PIN.len()).any(|part| part == PIN.as_bytes());
        assert!(!found, "{} holds the PIN", path.display());
    }
}

fn files_below(folder: &std::path::Path) -> Vec<PathBuf> {
    let inside = fs::read_dir(folder).expect("a folder").map(|file| file.expect("a file").path());
    let deep = |path: PathBuf| if path.is_dir() { files_below(&path) } else { vec![path] };
    inside.flat_map(deep).collect()
}

#[test]
fn a_walk_goes_on_without_the_service_and_nothing_is_lost() {
    let mut service = shop();
    let (ada, line) = (["--by", "Ada Kern"], Line::to(&service));
    let seen =
        walk_by(&service, line.address(), &ada, &[("[1 of 4]", ""), ("> ", "q\n"), ("left at 0 of 4", "")]);
    assert_eq!(seen.code, 0, "{}", seen.shown);
    line.cut();
    service.kill();
    let away = walk_by(
        &service,
        line.address(),
        &ada,
        &[
            ("the round is as it was last seen here", ""),
            ("[1 of 4]", ""),
            ("> ", "6.0\n"),
            ("[2 of 4]", ""),
            ("> ", "f hose torn\n"),
            ("[3 of 4]", ""),
            ("> ", "s\n"),
            ("[4 of 4]", ""),
            ("> ", "q\n"),
            ("left at 2 of 4", ""),
        ],
    );
    assert_eq!(away.code, 4, "{}", away.shown);
    assert!(away.shown.contains("2 answers are kept in"), "{}", away.shown);
    assert_eq!(kept(&service).len(), 2);
    service.start_again();
    line.lead_to(&service);
    let again = walk_by(
        &service,
        line.address(),
        &ada,
        &[("of 4 checks done", ""), ("[3 of 4]", ""), ("> ", "q\n"), ("left at 2 of 4", "")],
    );
    assert_eq!(again.code, 0, "{}", again.shown);
    assert!(kept(&service).is_empty());
    let lines = list(&service, &[]);
    assert!(lines[0].contains(",good,6.0,") && lines[1].contains(",finding,hose torn,"), "{lines:?}");
    let orders = service.fettler(&["orders", "--state", "open", "--output", "csv"]).done();
    assert_eq!(orders.matches("hose torn").count(), 1, "it was raised once:\n{orders}");
    assert_eq!(send(&service, &line).done(), "0 of 0 sent\n");
}

/// Sends what is kept, by a line.
fn send(service: &Service, line: &Line) -> Ran {
    fettler(line.address(), service.data(), &["round", "--send"], &[])
}

#[test]
fn an_answer_that_is_asked_back_holds_up_none_behind_it() {
    let mut service = shop();
    let (ada, line) = (["--by", "Ada Kern"], Line::to(&service));
    walk_by(&service, line.address(), &ada, &[("[1 of 4]", ""), ("> ", "q\n")]);
    line.cut();
    service.kill();
    let away = walk_by(
        &service,
        line.address(),
        &ada,
        &[
            ("[1 of 4]", ""),
            ("> ", "6.0\n"),
            ("[2 of 4]", ""),
            ("> ", "s\n"),
            // A pressure in litres is none.
            ("[3 of 4]", ""),
            ("> ", "6 L\n"),
            ("[4 of 4] Leaks", ""),
            ("> ", "f hose torn\n"),
            ("[2 of 4] Leaks", ""),
            ("> ", "q\n"),
        ],
    );
    assert!(away.shown.contains("3 answers are kept in"), "{}", away.shown);
    let unreachable = send(&service, &line);
    assert_eq!((unreachable.code, kept(&service).len()), (4, 3), "{}", unreachable.all());
    assert!(unreachable.stdout.ends_with("0 of 3 sent\n"), "{}", unreachable.all());

    service.start_again();
    line.lead_to(&service);
    let sent = send(&service, &line);
    assert_eq!(sent.code, 1, "{}", sent.all());
    let asked = sent.stdout.lines().find(|line| line.starts_with("L-02 air")).unwrap_or_default();
    assert!(asked.ends_with("; `fettler round` asks"), "{}", sent.all());
    assert!(sent.stdout.contains("L-02 leaks: order 1 was raised"), "remarks are told: {}", sent.all());
    assert!(sent.stdout.ends_with("2 of 3 sent\n"), "{}", sent.all());
    assert_eq!(kept(&service).len(), 1, "it stays until somebody has answered: {:?}", kept(&service));
    let lines = list(&service, &[]);
    assert!(lines[0].contains(",good,6.0,") && lines[3].contains(",finding,hose torn,"), "{lines:?}");
    assert!(lines[2].contains(",open,"), "{lines:?}");
}

#[test]
fn a_key_held_down_answers_one_question() {
    let service = shop();
    let held = walk(
        &service,
        &["--by", "Ada Kern", "--machine", "L-01"],
        &[
            ("[1 of 4]", ""),
            ("> ", "s\n"),
            ("[2 of 4] Leaks", ""),
            ("> ", "\n\n\n\n\n"),
            ("[1 of 4] Air", ""),
            ("too quick", ""),
            ("> ", "b\n"),
            ("> ", "q\n"),
        ],
    );
    assert!(held.shown.contains("left at 1 of 4"), "{}", held.shown);
    assert_eq!(list(&service, &["--open"]).len(), 3);
}

#[test]
fn what_stands_cold_is_told_before_the_shift() {
    let service = shop();
    service.fettler(&["sheet", "use", "start-up", "L-01"]).done();
    let told = |code: i32| {
        let ran = service.fettler(&["ready", "--output", "csv"]);
        assert_eq!(ran.code, code, "{}", ran.all());
        ran.stdout
    };
    assert!(told(1).contains("hall a,L-01,cold,2"), "ready at an instant");
    let say = |rows: &str| {
        let csv = format!("machine,check,finding\n{rows}");
        service.fettler_with(&["round", "--answers", "-", "--by", "Ada Kern"], csv.as_bytes()).done();
    };
    say("L-01,warm,\n");
    assert!(told(0).contains("hall a,L-01,warm,,,"), "warm");
    say("L-01,start-faults,drive fault 17 comes back\n");
    assert!(
        told(1).contains("hall a,L-01,must not start,,,Faults: drive fault 17 comes back"),
        "a step failed"
    );
    service.fettler(&["machine", "forbid", "L-02", "--by", "Ada Kern", "--reason", "door"]).done();
    assert!(told(1).contains("hall b,L-02,must not start,,,door"), "it is forbidden");
    let board = service.fettler(&["ready"]).stdout;
    assert!(board.contains("Reminders, not permission"), "{board}");
}

#[test]
fn a_file_of_answers_says_of_each_line_what_became_of_it() {
    let service = shop();
    let say = |csv: &str, more: &[&str]| {
        let arguments = [&["round", "--answers", "-", "--by", "Ada Kern", "--output", "csv"], more].concat();
        service.fettler_with(&arguments, csv.as_bytes())
    };
    let csv = "machine,check,value\nL-01,air,6.1\nXX,air,6\nL-02,air,6.2\nL-01,laeks,\nL-02,leaks,abc\nL-01,leaks,\n";
    let told = say(csv, &[]);
    assert_eq!(told.code, 1, "{}", told.all());
    let lines: Vec<&str> = told.stdout.lines().collect();
    for (line, begins) in [
        (1, "2,L-01,air,recorded,"),
        (2, "3,XX,air,refused,,there is no machine `XX`"),
        (3, "4,L-02,air,recorded,"),
        (4, "5,L-01,laeks,asked back,,L-01 has no check `laeks`; did you mean `leaks`?"),
        (5, "6,L-02,leaks,refused,,value: "),
        (6, "7,L-01,leaks,recorded,"),
    ] {
        let shown = lines[line].replace('"', "");
        assert!(shown.starts_with(begins), "{begins}\n{}", told.all());
    }
    assert!(!told.all().contains("answers["), "{}", told.all());
    assert!(service.fettler(&["round", "--list"]).done().contains("3 of 4 checks done"), "none was added");
    let kept = say("machine,check,confirmed\nL-01,laeks,yes\n", &[]);
    assert_eq!((kept.code, kept.stdout.contains("kept as said")), (0, true), "{}", kept.all());

    let stopped = service.fettler_with(
        &["round", "--answers", "-", "--by", "Nobody", "--output", "csv"],
        "machine,check\nL-02,leaks\nL-01,air\n".as_bytes(),
    );
    assert_eq!(stopped.code, 3, "{}", stopped.all());
    assert!(
        stopped.stdout.contains("2,L-02,leaks,not recorded,,the file was stopped")
            && stopped.stdout.contains("3,L-01,air,not recorded,,the file was stopped"),
        "{}",
        stopped.all()
    );
    let twice = say("machine,check\nL-02,leaks\nL-01,air\nL-02,leaks\n", &[]);
    assert_eq!(twice.code, 2, "{}", twice.all());
    assert!(twice.stderr.contains("line 4: L-02 leaks is told in line 2 too"), "{}", twice.all());
    assert!(service.fettler(&["round", "--list"]).done().contains("  open    Leaks"), "nothing was recorded");
}

#[test]
fn a_finding_that_is_corrected_names_the_order_it_leaves_open() {
    let service = shop();
    let walked = walk(
        &service,
        &["--by", "Ada Kern", "--machine", "L-01"],
        &[
            ("[1 of 4]", ""),
            ("> ", "6\n"),
            ("[2 of 4] Leaks", ""),
            ("> ", "f weeping seal\n"),
            ("left at 2 of 4", ""),
        ],
    );
    assert!(walked.shown.contains("order 1 was raised"), "{}", walked.shown);
    let csv = "machine,check\nL-01,leaks\n";
    let said = service
        .fettler_with(&["round", "--answers", "-", "--by", "Ada Kern", "--output", "csv"], csv.as_bytes())
        .done();
    assert!(said.contains("order 1, for what was found there before, stands open"), "{said}");
    assert!(said.contains("`fettler skip 1 --reason TEXT`"), "{said}");
    service.fettler(&["skip", "1", "--reason", "nothing was wrong", "--by", "Ada Kern"]).done();
    let csv = "machine,check\nL-01,leaks\n";
    let said = service.fettler_with(&["round", "--answers", "-", "--by", "Ada Kern"], csv.as_bytes()).done();
    assert!(!said.contains("stands open"), "{said}");
}

#[test]
fn scripts_record_list_end_and_acknowledge() {
    let service = shop();
    let csv = "machine,check,value,finding,at\nL-01,air,6.1,,\nL-01,leaks,,,\nL-02,air,4.8,,\n";
    let answers = ["round", "--answers", "-", "--by", "Ada Kern", "--output", "csv"];
    let told = service.fettler_with(&answers, csv.as_bytes()).done();
    assert!(told.contains("recorded") && told.contains("4.8 bar is below its limit of 5.5 bar"), "{told}");
    let slip = "machine,check,value\nL-02,air,48\n";
    let asked = service.fettler_with(&["round", "--answers", "-", "--by", "Ada Kern"], slip.as_bytes());
    assert_eq!((asked.code, asked.stdout.contains("asked back")), (1, true), "{}", asked.all());
    let json = service.fettler(&["round", "--list", "--output", "json"]).done();
    let json: Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(json["machines"][1]["checks"][0]["state"], "CHECK_STATE_FINDING");
    assert_eq!(json["machines"][1]["checks"][1]["state"], "CHECK_STATE_OPEN");
    let board = service.fettler(&["round", "--list"]).done();
    assert!(board.contains("3 of 4 checks done") && board.contains("  open    Leaks"), "{board}");
    let ended = ["round", "--end", "--note", "L-02 lacks air", "--by", "Ada Kern", "--output", "json"];
    let ended: Value = serde_json::from_str(&service.fettler(&ended).done()).expect("JSON");
    let number = ended["handover"]["handover"].as_str().expect("a number").to_owned();
    assert_eq!(ended["handover"]["leftOpen"][0]["machine"], "L-02");
    let read = service.fettler(&["round", "--acknowledge", &number, "--by", "Ben Holt"]).done();
    assert!(read.contains("read by Ben Holt"), "{read}");
    let nobody = service.fettler(&["round", "--by", "Ada Kern"]);
    assert_eq!(nobody.code, 2, "nobody is there to answer: {}", nobody.all());
    assert!(service.fettler(&["journal", "verify"]).code == 0, "the journal adds up");
}
