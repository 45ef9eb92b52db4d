//! A rule's whole way: written into a shop file, loaded, due, explained, done, at its end, and going on again.

use fettler_tests::service::Service;

const SHOP: &str = r#"
people = ["Ada Kern"]

[site]
key = "north"
zone = "Europe/Berlin"

[[shift]]
key = "early"
days = ["mon", "tue", "wed", "thu", "fri"]
starts = "06:00"
ends = "14:00"

[[closure]]
name = "stocktaking"
from = "2026-12-07"

[[machine]]
tag = "L-03"
area = "Hall A"
last_done = { walk = { day = "2026-11-03", operating = "0" }, belt = "2026-11-03" }

[[machine.meter]]
kind = "operating"

[[machine.task]]
key = "walk"
title = "Walk around it"
every = ["FREQ=MONTHLY;BYDAY=1MO;COUNT=2 from 2026-12-07", "1000 h operating"]
window = ["2 days", "50 h"]

[[machine.task]]
key = "belt"
title = "Look at the belt"
every = "FREQ=MONTHLY;BYDAY=1MO;COUNT=2 from 2026-12-07"
"#;

/// Loads a shop file and gives what was said.
fn load(service: &Service, text: &str, flags: &[&str]) -> String {
    let arguments = [&["shop", "load", "-", "--by", "Ada Kern"], flags].concat();
    service.fettler_with(&arguments, text.as_bytes()).done()
}

/// Whether a text has a part, wherever its lines break.
fn has(text: &str, part: &str) {
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat(text).contains(&flat(part)), "no `{part}` in:\n{text}");
}

#[test]
fn a_rule_from_a_shop_file_is_due_explained_done_and_at_its_end_void() {
    let mut service = Service::start_with(&["--clock-at", "2026-11-25T12:00:00Z"]);
    let added = load(&service, SHOP, &[]);
    has(&added, "added, every month on the first Monday, 2 times from 2026-12-07 on, every 1000 h");
    let due = service.fettler(&["due", "--until", "2026-12-31"]).done();
    has(&due, "Walk around it                                                due Fri 4 Dec");
    let why = service.fettler(&["why", "L-03", "walk"]).done();
    for part in [
        "ITS RULE every month on the first Monday, 2 times governs",
        "stands every month on the first Monday, 2 times, moved from Mon 7 Dec, a closed day",
        "from FREQ=MONTHLY;COUNT=2;BYDAY=1MO from 2026-12-07 due Fri 4 Dec",
        "every 1000 h operating stands every 1000 h, hours not known",
        "window may be done from Fri 4 Dec 06:00, late from Thu 10 Dec 06:00",
    ] {
        has(&why, part);
    }

    // Done on its day: the next is the first Monday of January.
    service.restart_with(&["--clock-at", "2026-12-04T12:00:00Z"]);
    let closed = service.fettler(&["close", "1", "--by", "Ada Kern"]).done();
    has(&closed, "due Mon 4 Jan 2027");
    let belt = service.fettler(&["close", "2", "--by", "Ada Kern"]).done();
    has(&belt, "due Mon 4 Jan 2027");

    // After the second the rule has ended: the walk goes on by its hours, the belt's next order is void.
    service.restart_with(&["--clock-at", "2027-01-05T12:00:00Z"]);
    let walk = service.fettler(&["close", "3", "--by", "Ada Kern"]).done();
    has(&walk, "Walk around it");
    has(&walk, "NEXT");
    let belt = service.fettler(&["close", "4", "--by", "Ada Kern"]).done();
    has(&belt, "- order 6 is void: its rule has ended");
    assert!(!belt.contains("NEXT"), "{belt}");
    let why = service.fettler(&["why", "L-03", "walk"]).done();
    has(&why, "stands  every month on the first Monday, 2 times: ended with Mon 4 Jan");
    has(&why, "due     no further day");
    has(&service.fettler(&["orders", "6"]).done(), "because     its rule has ended");
    has(&service.fettler(&["why", "6"]).all(), "exit 3\n");
    has(&service.fettler(&["journal", "list", "--kind", "order.voided"]).done(), "order.voided");

    // With more days it is open again under its number; a past day needs a word.
    let longer = SHOP.replace("COUNT=2", "COUNT=4");
    has(&load(&service, &longer, &[]), "4 times from 2026-12-07 on from 2027-01-05");
    has(&service.fettler(&["why", "6"]).done(), "due     Mon 1 Feb");
    let past = longer
        .replace("title = \"Look at the belt\"", "title = \"Look at the belt\"\nrule_from = \"2027-01-04\"");
    let past = past.replace("COUNT=4", "COUNT=5");
    let refused = service.fettler_with(&["shop", "load", "-"], past.as_bytes());
    assert_eq!(refused.code, 3, "{}", refused.all());
    has(&refused.stderr, "2027-01-04 is past, so that what has been due since is judged anew");
    has(&load(&service, &past, &["--past-rules"]), "from 2027-01-04");
    let shown = service.fettler(&["shop", "show"]).done();
    has(&shown, "every = \"FREQ=MONTHLY;COUNT=5;BYDAY=1MO from 2026-12-07\"");
    has(&shown, "window = [\"2 days\", \"50 h\"]");
    has(&load(&service, &shown, &[]), "nothing changes: the shop stands as declared");
}
