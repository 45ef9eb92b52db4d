//! Several orders closed in one stop, at a terminal and by flags: cautions once for all, each closing by itself.

use fettler_tests::oracle;
use fettler_tests::service::Service;
use fettler_tests::terminal::{Talked, talk};
use serde_json::Value;
use std::fs;

const SHOP: &str = r#"people = ["Ada Kern", "Ben Holt"]

[site]
key = "north"
zone = "UTC"

[[item]]
name = "cloth"

[[item]]
name = "way wiper 1"

[[item]]
name = "way wiper 2"

[[item]]
name = "way wiper 3"

[[machine]]
tag = "L-01"
name = "Lathe one"
last_done = { bowl = "2020-01-01", element = "2020-01-01", belt = "2020-01-01", press = "2020-01-01" }

[[machine.point]]
key = "line-air"
title = "line pressure"
unit = "bar"
act_below = "5.5"
possible = "0 to 16"

[[machine.task]]
key = "bowl"
title = "Empty the condensate bowl"
every = "1 week"
cautions = ["vent to 0 bar", "wear eye protection"]
readings = ["line-air"]
kit = ["bowl gasket: 1"]
minutes = 12
hazard = true

[[machine.task]]
key = "element"
title = "Change the air filter element"
every = "2 weeks"
cautions = ["vent to 0 bar"]
readings = ["line-air"]

[[machine.task]]
key = "belt"
title = "Check the belt"
every = "3 weeks"

[[machine.task]]
key = "press"
title = "Test the safety valve"
every = "4 weeks"
certificate = true
second_person = true

[[machine]]
tag = "L-02"
last_done = { belt = "2020-01-01" }

[[machine.task]]
key = "belt"
title = "Check the other belt"
every = "3 weeks"

[[machine]]
tag = "L-03"
last_done = { cabinet = "2020-01-01" }

[[machine.point]]
key = "warm"
unit = "Cel"
taken_by = "licensed electrician"

[[machine.task]]
key = "cabinet"
title = "Look into the cabinet"
every = "3 weeks"
readings = ["warm"]
"#;

fn shop() -> Service {
    Service::with_shop(SHOP)
}

/// The number of the open order of a task.
fn open(service: &Service, machine: &str, task: &str) -> String {
    let ask = ["orders", "--state", "open", "--machine", machine, "--task", task, "--output", "csv"];
    let rows = oracle::csv_rows(&service.fettler(&ask).done());
    rows[1][0].clone()
}

/// An order with its closing.
fn order(service: &Service, number: &str) -> Value {
    let json = service.fettler(&["orders", number, "--output", "json"]).done();
    serde_json::from_str::<Value>(&json).expect("JSON")["order"].clone()
}

fn stop(service: &Service, arguments: &[&str], said: &[(&str, &str)]) -> Talked {
    talk(service, service.endpoint(), &[&["close", "--by", "Ada Kern"], arguments].concat(), said)
}

#[test]
fn what_is_due_on_a_machine_is_walked_in_one_stop() {
    let service = shop();
    let of = |task: &str| open(&service, "L-01", task);
    let (bowl, element, belt, press) = (of("bowl"), of("element"), of("belt"), of("press"));
    let talked = stop(
        &service,
        &["--machine", "L-01"],
        &[
            ("BEFORE THE WORK", ""),
            ("HAZARD neglect", ""),
            ("! vent to 0 bar", ""),
            ("shown and heeded? y or n, q leave > ", "maybe\n"),
            ("that is none of these", ""),
            ("shown and heeded? y or n, q leave > ", "y\n"),
            ("! wear eye protection", ""),
            ("shown and heeded? y or n, q leave > ", "n\n"),
            ("come before all this", ""),
            ("Empty the condensate", ""),
            ("s leave open, q leave > ", "what\n"),
            ("s leave open, q leave > ", "w\n"),
            ("limits act below 5.5", ""),
            ("line pressure (line-air) in bar, Enter not read > ", "61\n"),
            ("used as it stands: bowl gasket 1? y or n > ", "y\n"),
            ("Enter for nothing > ", "cloth\n"),
            ("names no quantity", ""),
            ("Enter for nothing > ", "cloht=2\n"),
            ("Enter for nothing > ", "\n"),
            ("minutes (planned 12), Enter not known > ", "14\n"),
            ("note, Enter for none > ", "it hissed\n"),
            ("Enter for nothing > ", "Replace the seat\n"),
            // A value that cannot be and an item that there is not are asked back together, and nothing is recorded until of each
            // somebody says that it is right, or what was meant.
            ("to 16 bar", ""),
            ("`cloht` is neither on", ""),
            (
                "line-air 61: y it is right as it was typed, or the right value, n leave the order open > ",
                "perhaps\n",
            ),
            ("that is none of these", ""),
            (
                "line-air 61: y it is right as it was typed, or the right value, n leave the order open > ",
                "y\n",
            ),
            (
                "cloht: y it is right as it was typed, m it is cloth, or it again, like \"way oil=2 L\", n leave",
                "m\n",
            ),
            ("Change the air filter", ""),
            ("q leave > ", "s\n"),
            ("Check the belt", ""),
            ("q leave > ", "\n"),
            ("Enter for nothing > ", "\n"),
            ("minutes, Enter not known > ", "\n"),
            ("note, Enter for none > ", "\n"),
            ("Enter for nothing > ", "\n"),
            ("Test the safety valve", ""),
            ("q leave > ", "g\n"),
            ("Enter for nothing > ", "\n"),
            ("number of the certificate, Enter for none > ", "K-77\n"),
            ("the second person's name, Enter for nobody > ", "Ben Holt\n"),
            ("minutes, Enter not known > ", "30\n"),
            ("note, Enter for none > ", "\n"),
            ("Enter for nothing > ", "\n"),
            ("3 of 4 orders closed", ""),
        ],
    );
    let shown = &talked.shown;
    assert_eq!(talked.code, 0, "{shown}");
    assert_eq!(shown.matches("! vent to 0 bar").count(), 1, "two orders have it, it is asked once:\n{shown}");
    assert!(
        shown.contains("left open") && shown.contains("raised") && shown.contains("Replace the seat"),
        "{shown}"
    );
    let closing = order(&service, &bowl)["closing"].clone();
    assert_eq!(closing["asFound"], "AS_FOUND_WORN");
    assert_eq!((&closing["readings"][0]["value"], &closing["minutes"]), (&"61".into(), &14.into()));
    assert_eq!(closing["used"].as_array().map(Vec::len), Some(2), "{closing}");
    assert!(closing["used"].to_string().contains("\"cloth\""), "what was meant was taken: {closing}");
    assert!(closing["cautionsConfirmed"].is_null(), "one was not heeded: {closing}");
    assert!(closing["findings"].to_string().contains("cautions not confirmed"), "{closing}");
    assert_eq!(closing["note"], "it hissed");
    assert_eq!(order(&service, &element)["state"], "ORDER_STATE_OPEN");
    assert_eq!(order(&service, &belt)["state"], "ORDER_STATE_CLOSED");
    let closing = order(&service, &press)["closing"].clone();
    assert_eq!((&closing["certificate"], &closing["secondPerson"]), (&"K-77".into(), &"Ben Holt".into()));
    let orders = service.fettler(&["orders", "--state", "open", "--output", "csv"]).done();
    assert_eq!(orders.matches("Replace the seat").count(), 1, "{orders}");
    service.fettler(&["machine", "forbid", "L-02", "--reason", "guard is off", "--by", "Ada Kern"]).done();
    let nothing = stop(
        &service,
        &["--machine", "L-02"],
        &[
            ("MUST NOT START L-02", ""),
            ("guard is off", ""),
            ("q leave > ", "q\n"),
            ("0 of 1 order closed", ""),
        ],
    );
    assert_eq!(nothing.code, 0, "{}", nothing.shown);
    let gone = stop(&service, &[&element, &bowl], &[("there is no open order", "")]);
    assert!(gone.code != 0 && !gone.shown.contains("BEFORE THE WORK"), "{}", gone.shown);
    let by = ["close", "--by", "Ada Kren", "--machine", "L-02"];
    let nobody = talk(&service, service.endpoint(), &by, &[("did you mean `Ada Kern`", "")]);
    assert!(nobody.code == 2 && !nobody.shown.contains("MUST NOT"), "{}", nobody.shown);
}

#[test]
fn what_a_stop_asks_back_is_said_again_there() {
    let service = Service::start_with(&["--clock-at", "2026-03-03T12:00:00Z"]);
    fs::write(service.data().join("shop.toml"), SHOP).expect("a file");
    service.fettler(&["shop", "load", "shop.toml"]).done();
    let (bowl, cabinet) = (open(&service, "L-01", "bowl"), open(&service, "L-03", "cabinet"));
    let belt = open(&service, "L-01", "belt");
    let time =
        "the time, Sat 1 Feb 2020 10:00: y it was done then, or the right time, n leave the order open > ";
    let done = [
        ("q leave > ", "\n"),
        ("used beside that, like \"way oil=2 L\", Enter for nothing > ", "\n"),
        ("minutes, Enter not known > ", "\n"),
        ("note, Enter for none > ", "\n"),
        ("raises an order, Enter for nothing > ", "\n"),
    ];
    let mut said = vec![
        ("heeded? y or n, q leave > ", "y\n"),
        ("heeded? y or n, q leave > ", "y\n"),
        ("Empty the condensate", ""),
        ("q leave > ", "\n"),
        ("Enter not read > ", "61\n"),
        ("bowl gasket 1? y or n > ", "y\n"),
        ("Enter for nothing > ", "way wiper=1\n"),
        ("Enter for nothing > ", "grease=2\n"),
    ];
    said.extend(&done[1..2]);
    said.extend([("minutes (planned 12), Enter not known > ", "\n")]);
    said.extend(&done[3..]);
    // All that was mistyped is said anew, in the words that it was asked for in; nothing else of the order is asked again.
    said.extend([
        ("`fettler stock list`", ""),
        (time, "soon\n"),
        ("`soon` is not a time", ""),
        ("the order open > ", "2026-03-03 10:00\n"),
        ("line-air 61: y it is right as it was typed, or the right value, n leave the order open > ", "6,1\n"),
        ("way wiper: y it is right as it was typed, m it is way wiper 1, m2 it is way wiper 2, m3 it is way wiper 3, or", "m4\n"),
        ("names no quantity", ""),
        ("the order open > ", "m2\n"),
        ("grease: y it is right as it was typed, or it again, like", "cloth=3\n"),
        ("Check the belt", ""),
    ]);
    said.extend(done);
    // An order that is left open there is no failure.
    said.extend([(time, "n\n"), ("Look into the cabinet", ""), done[0], ("Enter not read > ", "23\n")]);
    said.extend(&done[1..]);
    said.extend([
        ("electrical cabinet", ""),
        ("or the right time, n leave the order open > ", "y\n"),
        (
            "warm 23: y it was read without an electrician's record: it is recorded so, or the number of the record, n leave the order \
             open > ",
            "E-12\n",
        ),
        ("2 of 3 orders closed", ""),
        ("left open", ""),
    ]);
    let talked = stop(&service, &[&bowl, &belt, &cabinet, "--done", "2020-02-01 10:00"], &said);
    let shown = &talked.shown;
    assert!(talked.code == 0 && !shown.contains("refused") && !shown.contains("not all of the"), "{shown}");
    let closing = order(&service, &bowl)["closing"].clone();
    assert_eq!(
        (&closing["doneAt"], &closing["readings"][0]["value"]),
        (&"2026-03-03T10:00:00Z".into(), &"6.1".into())
    );
    let used = closing["used"].to_string();
    assert!(
        used.contains("\"way wiper 2\"") && used.contains("\"cloth\"") && !used.contains("grease"),
        "{used}"
    );
    assert_eq!(order(&service, &belt)["state"], "ORDER_STATE_OPEN");
    let closing = order(&service, &cabinet)["closing"].clone();
    assert_eq!(
        (&closing["certificate"], &closing["doneAt"]),
        (&"E-12".into(), &"2020-02-01T10:00:00Z".into())
    );
    assert!(!closing["findings"].to_string().contains("electrician"), "{closing}");
}

#[test]
fn flags_close_several_and_each_stands_by_itself() {
    let service = shop();
    let of = |task: &str| open(&service, "L-01", task);
    let (bowl, element, belt) = (of("bowl"), of("element"), of("belt"));
    service.fettler(&["close", &belt, "--by", "Ben Holt"]).done();
    let whole = "6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d4e";
    let command = [
        "close",
        &bowl,
        &belt,
        &element,
        "--by",
        "Ada Kern",
        "--as-found",
        "worn",
        "--read",
        "line-air=6.1",
        "--request-id",
        whole,
        "--follow-up",
        "Mend the hose",
    ];
    let ran = service.fettler(&command);
    assert_eq!(ran.code, 3, "{}", ran.all());
    assert!(ran.stdout.starts_with("2 of 3 orders closed\n"), "{}", ran.all());
    assert!(ran.stdout.contains("Mend the hose"), "{}", ran.all());
    assert!(ran.stderr.contains(&format!("  order {belt}: ")), "it says which and why: {}", ran.all());
    assert!(ran.stderr.contains("not all of the stop was taken"), "{}", ran.all());
    assert_eq!(ran.stderr.matches("vent to 0 bar").count(), 1, "{}", ran.all());
    assert!(ran.stderr.contains("--cautions-confirmed confirms them"), "{}", ran.all());
    for number in [&bowl, &element] {
        let closing = order(&service, number)["closing"].clone();
        assert_eq!(closing["readings"][0]["value"], "6.1", "each that asks for it takes the reading");
        assert_eq!(closing["findings"].to_string().matches("cautions not confirmed").count(), 1, "{closing}");
    }
    // The same once more has no second effect, and answers the same.
    let again = service.fettler(&command);
    assert_eq!(again.code, 3, "{}", again.all());
    assert!(again.stdout.starts_with("2 of 3 orders closed\n"), "{}", again.all());
    let orders = service.fettler(&["orders", "--state", "open", "--output", "csv"]).done();
    assert_eq!(orders.matches("Mend the hose").count(), 1, "{orders}");
    assert_ne!(of("bowl"), bowl, "the next order stands");

    let (bowl, press) = (of("bowl"), of("press"));
    let json =
        ["close", &bowl, &press, &bowl, "--by", "Ada Kern", "--cautions-confirmed", "--output", "json"];
    let json = service.fettler(&json).done();
    assert_eq!(oracle::lines(&json).len(), 2, "named twice, closed once:\n{json}");
    assert_eq!(order(&service, &bowl)["closing"]["cautionsConfirmed"], true);
}

#[test]
fn several_that_are_asked_back_name_the_flag_that_confirms_them() {
    let service = shop();
    let (bowl, belt) = (open(&service, "L-01", "bowl"), open(&service, "L-01", "belt"));
    let command = ["close", &bowl, &belt, "--by", "Ada Kern", "--done", "2020-02-01 10:00"];
    let ran = service.fettler(&command);
    assert_eq!(ran.code, 3, "{}", ran.all());
    let hint = format!(
        "hint: nothing was recorded of {bowl}, {belt}; close {bowl} {belt} again with what was meant, or with --it-is-so done for what \
         is right as it was typed\n"
    );
    assert!(ran.stderr.contains(&hint) && ran.stderr.contains("ASKED_BACK"), "{}", ran.all());
    let so = service.fettler(&[&command[..], &["--it-is-so", "done"]].concat()).done();
    assert!(so.starts_with("2 of 2 orders closed\n"), "{so}");
    let cabinet = open(&service, "L-03", "cabinet");
    let read = ["close", &cabinet, "--by", "Ada Kern", "--read", "warm=23"];
    let ran = service.fettler(&read);
    let hint = "hint: nothing was recorded; close it again with --certificate and the number of the electrician's record, or with \
                --it-is-so warm for what is right and was read without one: it is recorded so\n";
    assert!(ran.stderr.contains(hint) && ran.stderr.contains("electrical cabinet"), "{}", ran.all());
    service.fettler(&[&read[..], &["--certificate", "E-12"]].concat()).done();
}

#[test]
fn what_is_left_to_do_is_raised_once_where_some_are_asked_back() {
    let service = shop();
    let of = |task: &str| open(&service, "L-01", task);
    let (bowl, element, belt) = (of("bowl"), of("element"), of("belt"));
    let said = ["--by", "Ada Kern", "--read", "line-air=61"];
    let more = ["--follow-up", "Mend the hose"];
    let ran = service.fettler(&[&["close", &belt, &bowl, &element][..], &said, &more].concat());
    assert!(ran.code == 3 && ran.stdout.starts_with("1 of 3 orders closed\n"), "{}", ran.all());
    let hint = format!(
        "hint: nothing was recorded of {bowl}, {element}; close {bowl} {element} again without --follow-up, which was raised, with what \
         was meant, or with --it-is-so line-air for what is right as it was typed\n"
    );
    assert!(ran.stderr.contains(&hint), "{}", ran.all());
    let again = [&["close", &bowl, &element][..], &said, &["--it-is-so", "line-air"]].concat();
    let again = service.fettler(&again).done();
    assert!(again.starts_with("2 of 2 orders closed\n"), "{again}");
    let orders = service.fettler(&["orders", "--state", "open", "--output", "csv"]).done();
    assert_eq!(orders.matches("Mend the hose").count(), 1, "{orders}");
}

#[test]
fn what_cannot_be_said_of_several_is_refused_before_anything_is_closed() {
    let service = shop();
    let (bowl, belt) = (open(&service, "L-01", "bowl"), open(&service, "L-01", "belt"));
    let other = open(&service, "L-02", "belt");
    let several = ["close", &bowl, &belt, "--by", "Ada Kern"];
    for (more, told) in [
        (["--minutes", "5"], "--minutes belongs to one order"),
        (["--used", "oil=2 L"], "--used belongs to one order"),
        (["--waste", "2 L oil"], "--waste belongs to one order"),
        (["--left-out", "bowl"], "--left-out belongs to one order"),
        (["--read", "ph=9"], "no order of this stop asks for ph"),
        (["--machine", "L-01"], "cannot be used with"),
    ] {
        let ran = service.fettler(&[&several[..], &more].concat());
        assert_eq!(ran.code, 2, "{}", ran.all());
        assert!(ran.stderr.contains(told), "{}", ran.all());
    }
    let two = ["close", &bowl, &other, "--by", "Ada Kern", "--follow-up", "Mend it"];
    let two = service.fettler(&two);
    assert_eq!((two.code, two.stderr.contains("several machines")), (2, true), "{}", two.all());
    let nobody = service.fettler(&["close", "--machine", "L-01", "--by", "Ada Kern"]);
    assert_eq!((nobody.code, nobody.stderr.contains("walked at a terminal")), (2, true), "{}", nobody.all());
    assert_eq!(order(&service, &bowl)["state"], "ORDER_STATE_OPEN");
    let refused = service.fettler(&["close", &bowl, "--by", "Ada Kern", "--read", "line-air=610"]);
    assert_eq!(refused.code, 3, "{}", refused.all());
    assert!(refused.stderr.contains("  --read line-air: "), "it names what was typed: {}", refused.all());
}
