//! What a task counts from where its record here begins.

use super::super::{METER, Story, day, hours, run, task, utc};
use super::threshold;
use fettler_domain::ledger::declare::Replacement;
use fettler_domain::ledger::history::{History, Opening, Segment};
use fettler_domain::plan::{Base, Counted, MeterInput, Section, Standing, TaskInput, standing};
use fettler_domain::quantity::Unit;

/// Every 500 h on a machine that had run 2,900 h on 2 November 2025 and 3,120 h on 1 December.
fn at_3120() -> TaskInput {
    task(&[run("500")]).ran(&[
        ("2025-01-01T00:00", "2025-11-02T00:00", "2900"),
        ("2025-11-02T00:00", "2025-12-01T00:00", "220"),
    ])
}

/// The case has it first due now. Here it is no lateness: never recorded is a section of its own, until somebody
/// states a beginning; `last_done = "now"` is the other choice of the case.
#[test]
fn scenario_061_never_recorded_is_a_section_of_its_own() {
    let row = at_3120().row("2025-12-01");
    assert_eq!((row.section, row.due, row.late), (Section::NeverRecorded, None, None));
    assert_eq!(standing(&row, utc("2026-12-01T00:00")), Standing::Unknown);
    let now = at_3120().stated("2025-12-01", Some("3120")).row("2025-12-01");
    assert_eq!(threshold(&now), Some(hours("3620")));
}

#[test]
fn scenario_062_a_stated_beginning_is_told_as_stated() {
    let row = at_3120().stated("2025-11-02", Some("2900")).row("2025-12-01");
    assert_eq!(row.clauses[0].base, Base::Stated(day("2025-11-02")));
    let Counted::Meter { h, meter, .. } = row.clauses[0].counted else { panic!("a meter clause") };
    assert_eq!((threshold(&row), h, meter), (Some(hours("3400")), Some(hours("3120")), METER));
}

#[test]
fn scenario_063_a_machine_bought_used_counts_from_what_its_counter_showed() {
    // The counter showed 8,000 h when it was first read; 40 h later `last_done = "now"` of that day states 8,000.
    let counted =
        Segment { start: utc("2026-03-02T06:00"), end: utc("2026-03-09T06:00"), amount: hours("40") };
    let opening = Opening { at: utc("2026-03-02T06:00"), value: hours("8000") };
    let history = History::from_segments([counted]).with_opening(Some(opening));
    let mut input = task(&[run("500")]).stated("2026-03-02", Some("8000"));
    input.meters.insert(METER, MeterInput { unit: Unit::Hours, history, forecast: None });
    let row = input.row("2026-03-09");
    let Counted::Meter { h, .. } = row.clauses[0].counted else { panic!("a meter clause") };
    assert_eq!((threshold(&row), h), (Some(hours("8500")), Some(hours("8040"))));
    // What is stated otherwise rules.
    let row = TaskInput { last_done: None, ..input }.stated("2026-01-15", Some("7700")).row("2026-03-09");
    assert_eq!(threshold(&row), Some(hours("8200")));
}

/// Values worked by hand: the first counter showed 4,700 h when it was first read and 4,980 h when it was replaced on 10
/// March by one that began at 0; that one showed 35 h on 20 March. So the values that go on are 35 + 4,980.
#[test]
fn a_count_stated_after_a_replacement_is_the_new_counter_s() {
    let segment =
        |from: &str, to: &str, ran: &str| Segment { start: utc(from), end: utc(to), amount: hours(ran) };
    let history = History::from_segments([
        segment("2026-02-01T06:00", "2026-03-10T06:00", "280"),
        segment("2026-03-10T06:00", "2026-03-20T06:00", "35"),
    ]);
    let opening = Opening { at: utc("2026-02-01T06:00"), value: hours("4700") };
    let mut input = task(&[run("500")]);
    let history = history.with_opening(Some(opening));
    input.meters.insert(METER, MeterInput { unit: Unit::Hours, history, forecast: None });
    let replaced =
        |at: &str, closing: &str| Replacement { at: utc(at), closing: hours(closing), opening: hours("0") };
    input.replaced.insert(METER, vec![replaced("2026-03-10T06:00", "4980")]);
    let since = |input: &TaskInput, on: &str, count: &str| {
        let row = input.clone().stated(on, Some(count)).row("2026-03-21");
        let Counted::Meter { from: Some(from), h: Some(h), .. } = row.clauses[0].counted else {
            panic!("hours")
        };
        h - from
    };
    assert_eq!(since(&input, "2026-02-01", "4700"), hours("315"), "as in case 053");
    assert_eq!(since(&input, "2026-03-09", "4975"), hours("40"));
    assert_eq!(since(&input, "2026-03-10", "0"), hours("35"), "on the day itself the new one is meant");
    assert_eq!(since(&input, "2026-03-15", "20"), hours("15"));
    // A counter that was replaced before the first reading is not known of.
    input.replaced.insert(METER, vec![replaced("2026-01-10T06:00", "9000")]);
    assert_eq!(since(&input, "2026-02-01", "4700"), hours("315"));
}
