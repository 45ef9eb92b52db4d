//! From when a changed rule is in effect, windows in a meter's unit, and recurrence rules in a declaration.

use super::diff::diff;
use super::diff_tests::{apply, day, hours, key, loaded, months, rule, shop, task, today, words};
use super::state::{ShopState, ShopStep, Write};
use super::*;
use crate::quantity::MeterKind;
use crate::rule::Recurrence;

/// The shop in which the first task of the first machine is every 500 h, from a day on if one is said.
fn every_500(from: Option<&str>) -> Declaration {
    let mut declared = shop();
    let task = &mut declared.machines[0].tasks[0];
    task.rule = Some(rule(vec![hours(Some("operating"), "500")]));
    task.rule_from = from.map(day);
    declared
}

fn changes(state: &ShopState, declared: &Declaration, on: ShopDay) -> Vec<String> {
    words(&diff(state, declared, on).unwrap())
}

/// From which day on the only step makes a new version of a rule.
fn version(steps: &[ShopStep]) -> Option<ShopDay> {
    let [ShopStep { write: Write::Task { new_rule, .. }, .. }] = steps else { panic!("{steps:?}") };
    *new_rule
}

const WAS: &str =
    "rule every month, every 400 h operating, whichever comes first -> every 500 h operating from";

#[test]
fn a_rule_may_change_on_a_later_day_and_loading_it_twice_changes_nothing() {
    let state = loaded(&shop());
    let pending = every_500(Some("2026-12-01"));
    let steps = diff(&state, &pending, today()).unwrap();
    assert_eq!(words(&steps), [format!("task L-01 drain-bowl: {WAS} 2026-12-01")]);
    assert_eq!(version(&steps), Some(day("2026-12-01")));
    let state = apply(state, steps);
    // Neither before nor after that day, and not without it once it has come, nor where the rule is not named.
    let mut unnamed = shop();
    unnamed.machines[0].tasks[0].rule = None;
    for on in [today(), day("2026-12-01"), day("2027-03-01")] {
        assert_eq!(changes(&state, &pending, on), [] as [String; 0]);
        assert_eq!(changes(&state, &unnamed, on), [] as [String; 0]);
    }
    for on in [day("2026-12-01"), day("2027-03-01")] {
        assert_eq!(changes(&state, &every_500(None), on), [] as [String; 0]);
    }
    // Before it, no day means that day.
    let soon = "task L-01 drain-bowl: rule every 500 h operating from 2026-11-28 instead of 2026-12-01";
    let steps = diff(&state, &every_500(None), day("2026-11-28")).unwrap();
    assert_eq!((words(&steps), version(&steps)), (vec![soon.to_owned()], Some(day("2026-11-28"))));
    let at_once = apply(state.clone(), steps);
    for on in [day("2026-11-28"), day("2026-11-29"), day("2026-12-01")] {
        assert_eq!(changes(&at_once, &every_500(None), on), [] as [String; 0]);
    }
    // What is still to come may come on another day, and may be taken back; what is in effect is not moved.
    let other = every_500(Some("2027-01-04"));
    let moved = "task L-01 drain-bowl: rule every 500 h operating from 2027-01-04 instead of 2026-12-01";
    assert_eq!(changes(&state, &other, today()), [moved]);
    assert_eq!(changes(&state, &other, day("2026-12-01")), [] as [String; 0]);
    let back = "task L-01 drain-bowl: rule every 500 h operating -> every month, every 400 h operating, whichever comes \
                first from 2026-11-25";
    assert_eq!(changes(&state, &shop(), today()), [back]);
}

#[test]
fn a_new_task_s_rule_is_in_effect_from_its_first_day() {
    let mut declared = shop();
    declared.machines[0]
        .tasks
        .push(TaskCard { rule_from: Some(day("2027-01-04")), ..task("year", vec![months(12)]) });
    let steps = diff(&loaded(&shop()), &declared, today()).unwrap();
    assert_eq!(version(&steps), Some(today()));
}

#[test]
fn scenario_051_a_change_from_a_past_day_needs_a_manager_s_word() {
    let state = loaded(&shop());
    let mut past = every_500(Some("2026-11-01"));
    let refused = diff(&state, &past, today()).unwrap_err();
    assert_eq!(refused[0].field, "shop.machines[0].tasks[0].rule_from");
    let expect = "2026-11-01 is past, so that what has been due since is judged anew; a manager confirms that, or give a day \
                  from 2026-11-25 on";
    assert_eq!((refused.len(), refused[0].text.as_str()), (1, expect));
    past.past_rules = true;
    let steps = diff(&state, &past, today()).unwrap();
    assert_eq!(version(&steps), Some(day("2026-11-01")));
    assert_eq!(words(&steps), [format!("task L-01 drain-bowl: {WAS} 2026-11-01")]);
    past.machines[0].tasks[0].rule_from = Some(day("1969-12-31"));
    let refused = diff(&state, &past, today()).unwrap_err();
    assert_eq!(refused[0].text, "1969-12-31 is out of bounds; give a day from 1970-01-01 to 2199-12-31");
}

/// What is wrong with the first task when its rule is this one.
fn wrong(rule: RuleCard) -> String {
    let mut declared = shop();
    declared.machines[0].tasks[0].rule = Some(rule);
    let cycles = MeterCard {
        key: key("strokes"),
        kind: Some(MeterKind::Cycles),
        feed: None,
        max_per_hour: Some(MaxPerHour(1_000)),
    };
    declared.machines[0].meters.push(cycles);
    match diff(&ShopState::default(), &declared, today()) {
        Ok(_) => String::new(),
        Err(wrong) => format!("{}: {}", wrong[0].field, wrong[0].text),
    }
}

fn windowed(clauses: Vec<ClauseCard>, days: Option<u32>, count: Option<&str>) -> RuleCard {
    let window = Some(WindowCard::Exact { days, count: count.map(str::to_owned) });
    RuleCard { window, ..rule(clauses) }
}

#[test]
fn a_window_is_stated_in_days_in_a_meter_s_unit_or_in_both() {
    let both = || vec![months(1), hours(Some("operating"), "400")];
    assert_eq!(wrong(windowed(both(), Some(3), Some("20.5"))), "");
    assert_eq!(wrong(windowed(both(), None, Some("20"))), "");
    let apart = vec![hours(Some("operating"), "400"), hours(Some("operating"), "900"), months(6)];
    assert_eq!(wrong(windowed(apart, Some(3), None)), "", "each meter clause keeps its own share");
    let check = |rule: RuleCard, expect: &str| {
        assert_eq!(wrong(rule), format!("shop.machines[0].tasks[0].rule.window{expect}"));
    };
    let days = ".days: 3 days are given, but no clause gives days; give a count, or percent";
    check(windowed(vec![hours(Some("operating"), "400")], Some(3), None), days);
    let count = ".count: 20 is given, but no clause counts a meter; give days, or percent";
    check(windowed(vec![months(1)], None, Some("20")), count);
    let units = vec![hours(Some("operating"), "400"), hours(Some("strokes"), "90000")];
    check(
        windowed(units, None, Some("20")),
        ".count: 20 would stand for h and for cycles; give percent instead",
    );
    let negative = ".count: `-1` is below 0; give a count of 0 or more";
    check(windowed(both(), None, Some("-1")), negative);
    let wide = ": window is wider than half the interval of clause 2, or negative; give a narrower one, or 0 for none";
    check(windowed(both(), None, Some("201")), wide);
}

#[test]
fn a_recurrence_rule_is_told_in_words_and_is_the_same_however_it_is_written() {
    let state = loaded(&shop());
    let mut declared = shop();
    let recurring = |rule: &str| ClauseCard::Recurrence(Recurrence::new(rule, day("2026-12-07")).unwrap());
    let rule_of = |text: &str| Some(windowed(vec![recurring(text)], Some(2), None));
    declared.machines[0].tasks[0].rule = rule_of("FREQ=MONTHLY;BYDAY=1MO;COUNT=24");
    let steps = diff(&state, &declared, today()).unwrap();
    let expect = "task L-01 drain-bowl: rule every month, every 400 h operating, whichever comes first -> every month on the \
                  first Monday, 24 times from 2026-12-07 on, window 2 days from 2026-11-25";
    assert_eq!(words(&steps), [expect]);
    let state = apply(state, steps);
    declared.machines[0].tasks[0].rule = rule_of("rrule:count=24;freq=monthly;byday=+1mo,1MO");
    assert_eq!(changes(&state, &declared, today()), [] as [String; 0]);
}
