//! Check values of the ledger: counters with replacements from a file, and named cases of absolute readings and of
//! shifts across a change of the clocks.

use fettler_domain::ids::{MachineId, MeterId};
use fettler_domain::ledger::absolute::Counter;
use fettler_domain::ledger::declare::{Declarations, Meter, Replacement, Source};
use fettler_domain::ledger::history::History;
use fettler_domain::ledger::judge::{Ledger, Settlements, judge_all};
use fettler_domain::ledger::report::{Content, Received, ReportId, Statement};
use fettler_domain::ledger::row::{Feed, Reason, State};
use fettler_domain::quantity::{Amount, MaxPerHour, MeterKind, Unit};
use fettler_domain::text::{ForeignName, Key};
use fettler_domain::time::{MICROS_PER_HOUR, MICROS_PER_SECOND, Ts};
use std::path::PathBuf;

/// The folder of check values: `FETTLER_VECTORS`, else the project's own.
fn vectors(file: &str) -> PathBuf {
    let own = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/vectors");
    std::env::var_os("FETTLER_VECTORS").map_or_else(|| PathBuf::from(own), PathBuf::from).join(file)
}

/// Walks a counter through `time=value` and `time=closing>opening`.
fn walk(events: &str) -> History {
    let mut counter = Counter::new(MaxPerHour::ONE_HOUR_AN_HOUR);
    History::from_segments(events.split_whitespace().map(|event| {
        let (at, shown) = event.split_once('=').expect("time=value");
        let at = utc(at);
        match shown.split_once('>') {
            Some((closing, opening)) => {
                counter.replace(&Replacement { at, closing: hours(closing), opening: hours(opening) })
            }
            None => counter.read(at, hours(shown)).unwrap_or_else(|why| panic!("{event}: {why:?}")),
        }
    }))
}

#[test]
fn rule_meter() {
    let path = vectors("rule_meter.csv");
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_path(&path)
        .unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut rows = 0;
    for record in reader.records() {
        let record = record.expect("a row of six columns");
        let [case, events, total, threshold, crossed_at, remaining] =
            [0, 1, 2, 3, 4, 5].map(|column| record.get(column).expect("six columns"));
        let history = walk(events);
        assert_eq!(history.total(), hours(total), "{case}: total");
        let threshold = hours(threshold);
        if let Some(at) = history.crossing(threshold, None).expect("all months are loaded") {
            let off = at.micros_since(utc(crossed_at));
            assert!((0..=MICROS_PER_SECOND).contains(&off), "{case}: crossed at {at}, not {crossed_at}");
            assert_eq!(remaining, "", "{case}");
        } else {
            assert_eq!(threshold - history.total(), hours(remaining), "{case}: remaining");
            assert_eq!(crossed_at, "", "{case}: did not cross");
        }
        rows += 1;
    }
    assert!(rows > 0, "{} has no rows", path.display());
}

fn judge(received: &[Received], declarations: &Declarations) -> Ledger {
    judge_all(received, &Settlements::new(), declarations, utc("2027-01-01T00:00"))
}

fn history(ledger: &Ledger) -> History {
    History::from_segments(ledger.segments_of(MeterId(1)))
}

/// What became of one of the reports.
fn became(ledger: &Ledger, report: &Received) -> (State, Option<Reason>) {
    let row = &ledger.rows[&report.key];
    (row.state, row.reason.clone())
}

#[test]
fn rule_scenarios_053_a_replaced_counter_goes_on_counting() {
    let replacement = Replacement { at: at_hour(500), closing: hours("4980"), opening: hours("0") };
    let declarations = one_machine(Feed::Absolute, vec![replacement]);
    let service = absolute(id("erp", "a"), at_hour(100), hours("4700"));
    let later = absolute(id("erp", "b"), at_hour(600), hours("35"));
    let ledger = judge(&[later, service], &declarations);
    let since = history(&ledger).total();
    assert_eq!(since, hours("315"));
    assert_eq!(hours("500") - since, hours("185"));
}

#[test]
fn rule_scenarios_054_a_fall_without_replacement_is_held() {
    let declarations = one_machine(Feed::Absolute, vec![]);
    let before = absolute(id("erp", "a"), at_hour(100), hours("5012"));
    let fallen = absolute(id("erp", "b"), at_hour(200), hours("12"));
    let ledger = judge(&[before, fallen.clone()], &declarations);
    let reason = Reason::Fell { from: hours("5012"), to: hours("12") };
    assert_eq!(became(&ledger, &fallen), (State::Held, Some(reason)));
    assert_eq!(history(&ledger).known_to(), Some(at_hour(100)));
}

#[test]
fn rule_scenarios_055_a_roll_over_counts_only_as_a_replacement() {
    let before = absolute(id("erp", "a"), at_hour(100), hours("99990"));
    let rolled = absolute(id("erp", "b"), at_hour(200), hours("15"));
    let both = [before, rolled.clone()];
    let ledger = judge(&both, &one_machine(Feed::Absolute, vec![]));
    assert_eq!(became(&ledger, &rolled).0, State::Held);
    let roll = Replacement { at: at_hour(120), closing: hours("100000"), opening: hours("0") };
    let ledger = judge(&both, &one_machine(Feed::Absolute, vec![roll]));
    assert_eq!(became(&ledger, &rolled).0, State::Counted);
    assert_eq!(history(&ledger).total(), hours("25"));
}

#[test]
fn rule_scenarios_056_two_readings_of_one_instant() {
    let declarations = one_machine(Feed::Absolute, vec![]);
    let read = |report: &str, value: &str| absolute(id("erp", report), at_hour(200), hours(value));
    let start = absolute(id("erp", "start"), at_hour(100), hours("40"));
    let ledger = judge(&[start.clone(), read("a", "50"), read("b", "50")], &declarations);
    assert!(ledger.rows.values().all(|row| row.state == State::Counted));
    assert_eq!(history(&ledger).total(), hours("10"));

    let mut two = [read("a", "50"), read("b", "50.01")];
    two.sort_by_key(|report| report.key.digest);
    let ledger = judge(&[start, two[1].clone(), two[0].clone()], &declarations);
    assert_eq!(became(&ledger, &two[0]).0, State::Counted);
    let (state, reason) = became(&ledger, &two[1]);
    assert_eq!(state, State::Held);
    assert!(matches!(reason, Some(Reason::Conflict { with }) if with.report == two[0].key.report));
}

#[test]
fn rule_scenarios_057_more_than_elapsed_and_a_minute_is_held() {
    let declarations = one_machine(Feed::Absolute, vec![]);
    let check = |value: Amount, state| {
        let start = absolute(id("erp", "a"), at_hour(100), hours("1000"));
        let next = absolute(id("erp", "b"), at_hour(130), value);
        let ledger = judge(&[start, next.clone()], &declarations);
        assert_eq!(became(&ledger, &next).0, state, "{}", value.display(Unit::Hours));
        became(&ledger, &next).1
    };
    let reason = check(hours("1041"), State::Held);
    let most = hours("30") + Amount(60_000);
    assert_eq!(reason, Some(Reason::MoreThanTime { amount: hours("41"), most }));
    check(hours("1030") + Amount(60_000), State::Counted);
    check(hours("1030") + Amount(60_001), State::Held);
}

#[test]
fn rule_scenarios_058_a_threshold_exactly_reached_is_crossed() {
    let declarations = one_machine(Feed::Interval, vec![]);
    let shift = interval(id("erp", "a"), 1, at_hour(0), at_hour(500), hours("500"));
    let crossing = history(&judge(&[shift], &declarations)).crossing(hours("500"), None);
    assert_eq!(crossing, Ok(Some(at_hour(500))));
}

#[test]
fn rule_scenarios_059_an_idle_stretch_is_crossed_when_it_ends() {
    let idle = "2026-01-05T06:00=0 2026-01-26T06:00=499.9 2026-02-16T06:00=499.9 2026-02-16T14:00=507.9";
    let at = walk(idle).crossing(hours("500"), None).expect("loaded").expect("crossed");
    assert_eq!(at, utc("2026-02-16T06:06"));
}

/// The case counts parts, two in a cycle. There is no conversion between units, so none is ever guessed: what is not
/// stated in the meter's own unit is held, and a rule's clause takes its meter's unit.
#[test]
fn rule_scenarios_060_another_unit_than_the_meter_s_is_never_converted() {
    let mut declarations = one_machine(Feed::Absolute, vec![]);
    let max = MaxPerHour(1_000_000);
    declarations.meter(Meter { kind: MeterKind::Cycles, max, ..meter(1, 1, Feed::Absolute, vec![]) });
    let read = |report: &str, unit: Unit| {
        let statement = Statement::Absolute { at: at_hour(200), unit, value: Amount(200_000_000) };
        let content = Content { machine: name("L-7"), meter: None, statement };
        Received::new(id("erp", report), 1, content, Ts(0))
    };
    let (cycles, litres) = (read("a", Unit::Cycles), read("b", Unit::Litres));
    let ledger = judge(&[cycles.clone(), litres.clone()], &declarations);
    assert_eq!(became(&ledger, &cycles), (State::Counted, None));
    let (state, reason) = became(&ledger, &litres);
    assert_eq!(state, State::Held);
    assert!(matches!(reason, Some(Reason::WrongKind { .. })), "{reason:?}");
}

#[test]
fn rule_scenarios_074_a_night_shift_of_nine_hours_holds_8_9() {
    // 24/25 October 2026, 22:00 to 06:00 in Berlin: 20:00Z to 05:00Z, as in the check values of the clocks.
    let declarations = one_machine(Feed::Interval, vec![]);
    let (start, end) = (utc("2026-10-24T20:00"), utc("2026-10-25T05:00"));
    let shift = interval(id("erp", "a"), 1, start, end, hours("8.9"));
    assert_eq!(became(&judge(std::slice::from_ref(&shift), &declarations), &shift), (State::Counted, None));
}

#[test]
fn rule_scenarios_075_a_night_shift_of_seven_hours_does_not_hold_7_5() {
    // 28/29 March 2026, 22:00 to 06:00 in Berlin: 21:00Z to 04:00Z, as in the check values of the clocks.
    let declarations = one_machine(Feed::Interval, vec![]);
    let (start, end) = (utc("2026-03-28T21:00"), utc("2026-03-29T04:00"));
    let shift = interval(id("erp", "a"), 1, start, end, hours("7.5"));
    let reason = Reason::MoreThanTime { amount: hours("7.5"), most: hours("7") + Amount(60_000) };
    let ledger = judge(std::slice::from_ref(&shift), &declarations);
    assert_eq!(became(&ledger, &shift), (State::Held, Some(reason)));
    assert_eq!(history(&ledger).known_to(), None::<Ts>);
}

fn name(text: &str) -> ForeignName {
    ForeignName::new(text).expect("a name within bounds")
}

fn id(source: &str, report: &str) -> ReportId {
    ReportId { source: name(source), report: name(report) }
}

/// An instant of the plain form 2026-01-05T06:00, in UTC.
fn utc(text: &str) -> Ts {
    let form = if text.len() == 16 { "%Y-%m-%dT%H:%M" } else { "%Y-%m-%dT%H:%M:%S" };
    let at = chrono::NaiveDateTime::parse_from_str(text, form).expect("a date and a time");
    Ts::from_utc(at.and_utc())
}

fn hours(text: &str) -> Amount {
    Amount::parse(text, Unit::Hours).expect("a plain decimal")
}

fn at_hour(hour: i64) -> Ts {
    Ts(hour * MICROS_PER_HOUR)
}

fn meter(number: i64, machine: i64, feed: Feed, replacements: Vec<Replacement>) -> Meter {
    Meter {
        id: MeterId(number),
        machine: MachineId(machine),
        key: Key::new(format!("m{number}")).expect("a key"),
        kind: MeterKind::Working,
        feed,
        max: MaxPerHour::ONE_HOUR_AN_HOUR,
        replacements,
    }
}

/// One machine `L-7` with one meter of working hours, fed by the ranked sources `erp` and then `mes`.
fn one_machine(feed: Feed, replacements: Vec<Replacement>) -> Declarations {
    let mut declarations = Declarations::default();
    declarations.machine(MachineId(1), ["L-7", "lathe seven"]).expect("names are free");
    declarations.meter(meter(1, 1, feed, replacements));
    declarations.source(name("erp"), Source { rank: Some(0), feeds: None });
    declarations.source(name("mes"), Source { rank: Some(1), feeds: None });
    declarations
}

fn interval(id: ReportId, revision: u32, start: Ts, end: Ts, amount: Amount) -> Received {
    let statement = Statement::Interval { start, end, unit: Unit::Hours, amount };
    Received::new(id, revision, Content { machine: name("L-7"), meter: None, statement }, Ts(0))
}

fn absolute(id: ReportId, at: Ts, value: Amount) -> Received {
    let statement = Statement::Absolute { at, unit: Unit::Hours, value };
    Received::new(id, 1, Content { machine: name("L-7"), meter: None, statement }, Ts(0))
}
