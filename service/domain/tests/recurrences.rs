//! What a recurrence rule is refused for, that no rule can hang the service, and how it is searched.
//!
//! Source: RFC 5545, 3.3.10, for what may stand beside what; that a rule with hours or with a frequency below a day is
//! refused, and the bounds, are this project's own. The days themselves are held against dateutil in `calendar_oracle`.

use fettler_domain::rule::{RECURRENCE_TEXT_MAX, Recurrence};
use fettler_domain::time::ShopDay;

fn day(text: &str) -> ShopDay {
    ShopDay(text.parse().expect("a date"))
}

fn days(rule: &str, from: &str, most: usize) -> Vec<String> {
    let recurrence = Recurrence::new(rule, day(from)).unwrap_or_else(|e| panic!("{rule}: {e}"));
    recurrence.days().take(most).map(|day| day.to_string()).collect()
}

#[test]
fn a_rule_that_cannot_be_names_the_part_the_value_and_the_remedy() {
    let check = |rule: &str, expect: &str| {
        let refused = Recurrence::new(rule, day("2026-01-05")).expect_err(rule).to_string();
        assert!(refused.starts_with(expect), "{rule}: {refused}");
        assert!(refused.len() > expect.len() || refused.contains("; "), "{rule}: says what to do: {refused}");
    };
    check("", "has `` where a part like FREQ=MONTHLY");
    check("every month", "has `EVERY MONTH` where a part");
    check("FREQ=MONTHLY;BYDAY=", "has `BYDAY=` where a part");
    check("FREQ=MONTHLY;;", "has `` where a part");
    check("BYDAY=MO", "has no FREQ; begin it with FREQ=DAILY");
    check("FREQ=HOURLY", "has FREQ=HOURLY; give DAILY, WEEKLY, MONTHLY or YEARLY");
    check("FREQ=SECONDLY;COUNT=1", "has FREQ=SECONDLY; ");
    check("FREQ=FORTNIGHTLY", "has FREQ=FORTNIGHTLY; ");
    check("FREQ=DAILY;BYHOUR=9", "has the part BYHOUR; leave it out");
    check("FREQ=DAILY;BYEASTER=1", "has the part BYEASTER; leave it out, or give one of");
    check("FREQ=DAILY;FREQ=WEEKLY", "has FREQ twice; ");
    check("FREQ=DAILY;INTERVAL=0", "has INTERVAL=0; give a whole number from 1 to 36600");
    check("FREQ=WEEKLY;INTERVAL=5201", "has INTERVAL=5201; give a whole number from 1 to 5200");
    check("FREQ=DAILY;INTERVAL=1.5", "has INTERVAL=1.5; give a whole number");
    check("FREQ=DAILY;COUNT=0", "has COUNT=0; give a whole number from 1 to 1000");
    check("FREQ=DAILY;COUNT=4294967296", "has COUNT=4294967296; give a whole number from 1 to 1000");
    check("FREQ=DAILY;COUNT=+3", "has COUNT=+3; give a whole number");
    check("FREQ=DAILY;COUNT=3;UNTIL=20260301", "has COUNT=3; give either COUNT or UNTIL");
    check(
        "FREQ=DAILY;UNTIL=20260301T000000Z",
        "has UNTIL=20260301T000000Z; give the last day as eight digits",
    );
    check("FREQ=DAILY;UNTIL=20260230", "has UNTIL=20260230; ");
    check("FREQ=DAILY;UNTIL=22000101", "has UNTIL=22000101; ");
    check("FREQ=WEEKLY;BYDAY=1MO", "has BYDAY=1MO; give MO alone, or with FREQ=MONTHLY");
    check("FREQ=YEARLY;BYWEEKNO=20;BYDAY=2MO", "has BYDAY=2MO; give MO alone");
    check("FREQ=MONTHLY;BYDAY=6MO", "has BYDAY=6MO; give 1MO to 5MO, or -1MO to -4MO from the end");
    check("FREQ=MONTHLY;BYDAY=0MO", "has BYDAY=0MO; ");
    check("FREQ=MONTHLY;BYDAY=MONDAY", "has BYDAY=MONDAY; give MO, TU, WE, TH, FR, SA or SU");
    check("FREQ=MONTHLY;BYDAY=É", "has BYDAY=É; give MO");
    check(
        "FREQ=WEEKLY;BYMONTHDAY=1",
        "has BYMONTHDAY=1; leave it out, or give it with FREQ=DAILY or FREQ=MONTHLY",
    );
    check("FREQ=MONTHLY;BYMONTHDAY=32", "has BYMONTHDAY=32; give whole numbers from 1 to 31, or below 0");
    check("FREQ=MONTHLY;BYYEARDAY=100", "has BYYEARDAY=100; leave it out, or give it with FREQ=YEARLY");
    check("FREQ=MONTHLY;BYWEEKNO=20", "has BYWEEKNO=20; leave it out, or give it with FREQ=YEARLY");
    check("FREQ=YEARLY;BYMONTH=-1", "has BYMONTH=-1; give whole numbers from 1 to 12");
    check("FREQ=MONTHLY;BYSETPOS=1", "has BYSETPOS=1; give it beside another part");
    check("FREQ=WEEKLY;WKST=XX", "has WKST=XX; give MO");
    let long = format!("FREQ=MONTHLY;BYMONTHDAY={}", "1,".repeat(RECURRENCE_TEXT_MAX / 2));
    check(&long, &format!("is {} characters long; give at most 200", long.len()));
    for from in ["1969-12-31", "2200-01-01"] {
        let refused = Recurrence::new("FREQ=DAILY", day(from)).expect_err(from).to_string();
        assert_eq!(refused, format!("starts at {from}; give a day from 1970-01-01 to 2199-12-31"));
    }
}

#[test]
fn a_rule_is_read_in_any_letters_and_kept_in_one_form() {
    let text = |rule: &str| Recurrence::new(rule, day("2026-01-05")).expect(rule).text().to_owned();
    assert_eq!(text("rrule:byday=fr,MO,fr;Freq=monthly;interval=1"), "FREQ=MONTHLY;BYDAY=MO,FR");
    let kept = "FREQ=YEARLY;INTERVAL=2;BYMONTH=6;BYDAY=SU;BYSETPOS=-1;WKST=SU;UNTIL=20401231";
    assert_eq!(text("UNTIL=20401231;BYSETPOS=-1;WKST=SU;BYDAY=SU;BYMONTH=6;INTERVAL=02;FREQ=YEARLY"), kept);
    assert_eq!(text(kept), kept);
    let json =
        serde_json::to_string(&Recurrence::new(kept, day("2026-01-05")).expect(kept)).expect("plain data");
    assert_eq!(json, format!(r#"{{"rule":"{kept}","from":"2026-01-05"}}"#));
    assert_eq!(serde_json::from_str::<Recurrence>(&json).expect("the same").text(), kept);
    assert!(serde_json::from_str::<Recurrence>(&json.replace("YEARLY", "HOURLY")).is_err());
}

/// Rules without any day, each of another kind, and all without any within twenty years.
const NEVER: [&str; 9] = [
    "FREQ=MONTHLY;BYMONTHDAY=31;BYMONTH=2",
    "FREQ=YEARLY;BYMONTHDAY=31;BYMONTH=2,4,6,9,11",
    "FREQ=DAILY;BYMONTHDAY=30;BYMONTH=2",
    "FREQ=WEEKLY;BYDAY=MO;BYSETPOS=5",
    "FREQ=MONTHLY;BYDAY=MO,TU;BYSETPOS=20",
    "FREQ=YEARLY;BYWEEKNO=53;BYDAY=MO;BYMONTH=6",
    "FREQ=YEARLY;BYYEARDAY=366;BYMONTH=2",
    "FREQ=YEARLY;BYMONTH=1;BYDAY=20MO",
    "FREQ=DAILY;INTERVAL=36600;BYMONTH=12",
];

#[test]
fn a_rule_without_days_is_refused() {
    for rule in NEVER {
        let refused = Recurrence::new(rule, day("2026-01-05")).expect_err(rule).to_string();
        assert!(refused.starts_with("gives no day within 20 years of 2026-01-05: `FREQ="), "{refused}");
    }
}

#[test]
fn the_days_are_counted_from_the_start_and_end_with_the_rule() {
    let month_ends = ["2024-01-31", "2024-03-31", "2024-05-31"];
    assert_eq!(days("FREQ=MONTHLY", "2024-01-31", 3), month_ends);
    let fridays = ["2026-01-09", "2026-01-16"];
    assert_eq!(days("FREQ=WEEKLY;BYDAY=FR;COUNT=2", "2026-01-05", 9), fridays, "the start is no Friday");
    assert_eq!(
        days("FREQ=WEEKLY;BYDAY=FR;UNTIL=20260116", "2026-01-05", 9),
        fridays,
        "the last day is included"
    );
    let last = Recurrence::new("FREQ=DAILY", day("2199-12-30")).expect("a rule");
    assert_eq!(last.days().count(), 2, "no day is given after the years that may be stated");
    let rare =
        Recurrence::new("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29;BYDAY=SU", day("2004-02-29")).expect("a rule");
    assert_eq!(rare.next(day("2032-03-01")), Some(day("2060-02-29")));
    assert_eq!(rare.before(day("2060-02-29")), Some(day("2032-02-29")));
    assert_eq!(rare.before(day("2004-02-29")), None);
    assert_eq!(rare.next(day("1999-01-01")), Some(day("2004-02-29")));
}
