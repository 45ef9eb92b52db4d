//! What an ERP books, by real programs that are killed between being asked and being told that it is booked.

use fettler_pg::Cluster;
use fettler_tests::client::fettler;
use fettler_tests::service::Service;
use serde_json::Value;
use std::fs;

const SHOP: &str = r#"people = ["Ada Kern"]

[site]
key = "north"
zone = "Europe/Berlin"

[[machine]]
tag = "L-03"
name = "Lathe three"

[[machine.task]]
key = "refill"
title = "Refill the way oil"
every = "10 days"
kit = ["way oil: 2 L"]
last_done = "2020-01-01"

[[machine.task]]
key = "belt"
title = "Check the belt"
every = "30 days"
last_done = "2020-01-01"

[[item]]
name = "way oil"
code = "4711"
unit = "L"
pack = 5
unit_cost = 7.35
"#;

/// What the ERP is given to book, as its bytes and as entries.
fn pull(service: &Service) -> (String, Vec<Value>) {
    let text = service.fettler(&["outbound", "pull", "--reader", "erp", "--output", "json"]).done();
    let entries = text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    (text, entries)
}

fn booked(service: &Service, entries: &[Value]) {
    let through = entries.last().expect("an entry")["number"].as_str().expect("text");
    service.fettler(&["outbound", "done", "--reader", "erp", "--through", through]).done();
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

/// The number, what it tells and of which order, of each entry.
fn told(entries: &[Value]) -> Vec<(&str, &str, &str)> {
    let of = |at: usize| {
        let entry = &entries[at];
        (text(&entry["number"]), text(&entry["kind"]), text(&entry["work"]["order"]))
    };
    (0..entries.len()).map(of).collect()
}

#[test]
fn what_is_not_booked_is_given_again_by_a_service_that_was_killed() {
    let mut service = Service::with_shop(SHOP);
    service.fettler(&["close", "1", "--by", "Ada Kern", "--kit"]).done();
    let (text, entries) = pull(&service);
    assert_eq!(told(&entries)[0], ("1", "OUTBOUND_KIND_CLOSED", "1"));
    let used = &entries[0]["work"]["used"][0];
    assert_eq!((&used["code"], &used["cost"]), (&"4711".into(), &"14.7".into()));
    assert_eq!(entries[0]["work"]["doneBy"], "Ada Kern");
    // The next refill, in ten days, needs oil that is not there.
    let buy = entries.iter().find(|entry| entry["kind"] == "OUTBOUND_KIND_BUY").expect("something to buy");
    assert_eq!((&buy["buy"]["code"], &buy["buy"]["unitCost"]), (&"4711".into(), &"7.35".into()));

    service.kill();
    service.start_again();
    let (again, _) = pull(&service);
    assert_eq!(again, text, "the same entries, in the same order, byte by byte");

    service.fettler(&["close", "2", "--by", "Ada Kern"]).done();
    service.fettler(&["undo", "1", "--by", "Ada Kern", "--reason", "wrong machine"]).done();
    let (more, entries) = pull(&service);
    assert!(more.starts_with(&text), "what was told stands first:\n{more}");
    let last = told(&entries);
    assert_eq!(
        [last[last.len() - 2].1, last[last.len() - 1].1],
        ["OUTBOUND_KIND_CLOSED", "OUTBOUND_KIND_UNDONE"]
    );
    assert_eq!(entries[entries.len() - 1]["reverses"], "1");
    booked(&service, &entries);
    service.kill();
    service.start_again();
    assert_eq!(pull(&service).0, "", "what is booked is not given again");
    let whole = service.fettler(&["outbound", "pull", "--after", "0", "--output", "json"]).done();
    assert_eq!(whole, more, "who asks by number is told all of it");
}

#[test]
fn what_a_second_service_closed_is_told_by_the_first_and_nothing_is_missed() {
    let database = Cluster::shared().empty();
    let mut services = [(); 2].map(|()| Service::start_with(&["--database", &database]));
    let token = services[0].data().join("admin.token");
    let token = if token.exists() { token } else { services[1].data().join("admin.token") };
    let token = fs::read_to_string(token).expect("a token");
    for service in &services {
        fs::write(service.data().join("admin.token"), &token).expect("a file");
    }
    fs::write(services[0].data().join("shop.toml"), SHOP).expect("a file");
    services[0].fettler(&["shop", "load", "shop.toml"]).done();
    services[0].fettler(&["close", "1", "--by", "Ada Kern", "--kit"]).done();
    let (first, entries) = pull(&services[0]);
    booked(&services[0], &entries);
    services[1].fettler(&["close", "2", "--by", "Ada Kern"]).done();
    services[1].fettler(&["undo", "1", "--by", "Ada Kern", "--reason", "wrong machine"]).done();
    let (second, entries) = pull(&services[0]);
    assert_eq!(
        told(&entries).iter().map(|entry| entry.1).collect::<Vec<_>>(),
        ["OUTBOUND_KIND_CLOSED", "OUTBOUND_KIND_UNDONE"]
    );
    // The first dies before it is told that they are booked.
    services[0].kill();
    assert_eq!(pull(&services[1]).0, second);
    let whole = fettler(
        services[1].endpoint(),
        services[1].data(),
        &["outbound", "pull", "--after", "0", "--output", "json"],
        b"",
    );
    assert_eq!(whole.done(), format!("{first}{second}"));
}
