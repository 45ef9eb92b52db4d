//! Due calendars as people's own calendars see them: asked for by another HTTP stack, read by another reader of RFC 5545 (the
//! Python package icalendar).

use fettler_tests::oracle::{http, run};
use fettler_tests::service::Service;
use serde_json::{Value, json};
use std::fs;
use std::time::{Duration, Instant};

const SHOP: &str = r#"
people = ["Ada Kern"]

[site]
key = "north"
zone = "Pacific/Auckland"

[[machine]]
tag = "L-03"
name = "Drehmaschine, groß"
area = "hall-a"

[[machine.task]]
key = "guard"
title = "Test the door interlock; then the stop, at the front; größer als fünfundsiebzig Bytes in einer Zeile"
every = "30 days"
hazard = true
place = "rear door"
minutes = 15
cautions = ["keep hands out; the door may fall, back\\slash"]
last_done = "2026-01-01"

[[machine]]
tag = "G-01"
area = "yard"

[[machine.task]]
key = "oil"
title = "Top up oil"
every = "60 days"
last_done = "2026-01-01"
"#;

/// What a calendar holds, as another reader sees it; nothing of it is wrong.
fn read(text: &str) -> Value {
    let read: Value = serde_json::from_str(&run("ics_read.py", &[], text)).expect("JSON");
    let wrong = |part: &Value| part["wrong"].as_array().is_none_or(|wrong| !wrong.is_empty());
    assert!(!wrong(&read) && !read["events"].as_array().expect("events").iter().any(wrong), "{read}");
    assert!(read["whole_lines"] == true && read["longest_line_bytes"].as_u64() <= Some(75), "{read}");
    read
}

fn shop() -> Service {
    let service = Service::start();
    fs::write(service.data().join("shop.toml"), SHOP).expect("a file");
    service.fettler(&["shop", "load", "shop.toml", "--by", "Ada Kern"]).done();
    service
}

fn add(service: &Service, name: &str, part: &[&str]) -> String {
    let arguments = [&["calendar", "add", name, "--http", service.http()], part].concat();
    service.fettler(&arguments).done().trim().to_owned()
}

fn get(url: &str, headers: &Value) -> Value {
    http(&[json!({"url": url, "headers": headers})]).remove(0)
}

fn order(service: &Service, task: &str) -> String {
    let orders = service.fettler(&["orders", "--state", "open", "--output", "json"]).done();
    let orders: Value = serde_json::from_str(&orders).expect("JSON");
    let all = orders["orders"].as_array().expect("orders");
    all.iter().find(|order| order["task"] == task).expect("it is open")["number"]
        .as_str()
        .expect("text")
        .to_owned()
}

#[test]
fn a_calendar_is_read_by_others_and_asked_for_again() {
    let service = shop();
    let url = add(&service, "wall, of hall A", &["--area", "hall-a", "--person", "Ada Kern"]);
    let told = get(&url, &json!({}));
    assert_eq!(
        (&told["status"], &told["headers"]["content-type"]),
        (&json!(200), &json!("text/calendar; charset=utf-8"))
    );
    let first = read(told["body"].as_str().expect("text"));
    assert_eq!(
        (&first["name"], &first["version"], &first["refresh"]),
        (&json!("wall, of hall A"), &json!("2.0"), &json!("PT1H"))
    );
    let events = first["events"].as_array().expect("events");
    assert_eq!(events.len(), 1, "one open order in that area");
    let event = &events[0];
    // The 30 days after the first of January 2026, on the site's own calendar.
    assert_eq!(
        (&event["day"], &event["status"], &event["sequence"]),
        (&json!("2026-01-31"), &json!("CONFIRMED"), &json!(0))
    );
    assert_eq!(
        event["summary"],
        "hazard: Test the door interlock; then the stop, at the front; größer als fünfundsiebzig Bytes in einer Zeile, L-03"
    );
    assert_eq!((&event["where"], &event["transparent"]), (&json!("hall-a"), &json!(true)));
    let text = event["text"].as_str().expect("text");
    for line in ["where: rear door", "takes: 15 min", "heed: keep hands out; the door may fall, back\\slash"]
    {
        assert!(text.lines().any(|told| told == line), "{line} in {text}");
    }
    assert!(text.ends_with("local codes and licensed practice come before all this."), "{text}");

    let (tag, modified) = (&told["headers"]["etag"], &told["headers"]["last-modified"]);
    for headers in [json!({"if-none-match": tag}), json!({"if-modified-since": modified})] {
        let again = get(&url, &headers);
        assert_eq!(
            (&again["status"], &again["body"], &again["headers"]["etag"]),
            (&json!(304), &json!(""), tag)
        );
    }
    let file = service.data().join("due.ics");
    service.fettler(&["calendar", "file", "--whole", "-o", file.to_str().expect("UTF-8")]).done();
    let file = read(&fs::read_to_string(&file).expect("a file"));
    assert_eq!(file["events"].as_array().expect("events").len(), 2);
    assert!(file["events"].as_array().expect("events").contains(event), "the same entry whoever asks");
    let same = service.fettler(&["calendar", "file", "--area", "hall-a"]).done();
    assert_eq!(read(&same)["events"], first["events"]);

    let number = order(&service, "guard");
    service.fettler(&["close", &number, "--by", "Ada Kern", "--cautions-confirmed"]).done();
    let after = read(&service.fettler(&["calendar", "file", "--area", "hall-a"]).done());
    let events = after["events"].as_array().expect("events");
    let cancelled = events.iter().find(|event| event["status"] == "CANCELLED").expect("it does not vanish");
    assert_eq!(
        (&cancelled["uid"], &cancelled["sequence"], &cancelled["created"]),
        (&event["uid"], &json!(1), &event["created"])
    );
    let next = events.iter().find(|event| event["status"] != "CANCELLED").expect("the next order stands");
    assert!(next["uid"] != event["uid"] && next["sequence"] == 0, "{next}");
    // A calendar is written anew a quarter of a minute after it was asked for at the latest.
    let begun = Instant::now();
    while get(&url, &json!({"if-none-match": tag}))["status"] == 304 {
        assert!(begun.elapsed() < Duration::from_mins(1), "the address tells the old calendar");
    }
    let address = read(get(&url, &json!({}))["body"].as_str().expect("text"));
    assert_eq!(address["events"], after["events"]);
}

#[test]
fn an_address_is_known_to_its_holder_alone_and_taken_back() {
    let mut service = shop();
    let url = add(&service, "yard", &["--area", "yard"]);
    let secret =
        url.rsplit('/').next().and_then(|file| file.strip_suffix(".ics")).expect("a file").to_owned();
    assert_eq!(secret.len(), 43, "256 bits in base64url");
    let listed = service.fettler(&["calendar", "list", "--output", "json"]).done();
    assert!(listed.contains("\"yard\"") && !listed.contains(&secret), "{listed}");
    let json = service
        .fettler(&["calendar", "add", "j", "--whole", "--http", service.http(), "--output", "json"])
        .done();
    let json: Value = serde_json::from_str(&json).expect("JSON");
    let other = json["address"].as_str().expect("an address").to_owned();
    for bad in [
        url.replace(&secret[..4], "AAAA"),
        url.replace(".ics", ""),
        url.replace(&secret, "x"),
        url.replace(&secret, "../../live"),
    ] {
        assert_eq!(get(&bad, &json!({}))["status"], 404, "{bad}");
    }
    for (arguments, why) in [
        (&["add", "x", "--area", "nowhere"][..], "nowhere"),
        (&["add", "x", "--whole", "--person", "Nobody"], "Nobody"),
    ] {
        let ran = service.fettler(&[&["calendar"], arguments].concat());
        assert!(ran.code == 3 && ran.stderr.contains(why), "{}", ran.all());
    }
    // It outlasts the service, and nothing of the secret is on the disk.
    service.stop();
    let database = fs::read(service.data().join("fettler.db")).expect("a database");
    assert!(!database.windows(secret.len()).any(|part| part == secret.as_bytes()), "the secret is kept");
    service.start_again();
    let at = |url: &str| format!("{}{}", service.http(), &url[url.find("/calendar/").expect("a path")..]);
    assert_eq!(get(&at(&url), &json!({}))["status"], 200);

    let number = json!(serde_json::from_str::<Value>(&listed).expect("JSON")["calendars"][0]["number"]);
    service.fettler(&["calendar", "revoke", number.as_str().expect("a number")]).done();
    // It is remembered for a second at most; there is nothing to wait for but that.
    let begun = Instant::now();
    while get(&at(&url), &json!({}))["status"] == 200 {
        assert!(begun.elapsed() < Duration::from_secs(10), "it is still answered");
    }
    assert_eq!(get(&at(&url), &json!({}))["status"], 404);
    assert_eq!(get(&at(&other), &json!({}))["status"], 200, "the other one is not touched");
    let told = service.fettler(&["journal", "list", "--kind", "due_calendar.", "--output", "csv"]).done();
    assert!(
        told.matches(",due_calendar.made,").count() == 2 && told.contains(",due_calendar.revoked,"),
        "{told}"
    );
}
