//! Reasons and lateness in words, rests, skips, missing months, and what is stored.
//!
//! No outside source: days and hours are worked by hand from the rules of docs/formulas.md, in the comments where more
//! than counting days is needed; the words are the project's own.

use super::{
    METER, Story, berlin, date, day, fixed, floating, hours, order_of, plain, rule_of, run, run_fixed, task,
    utc,
};
use fettler_domain::calendar::{Calendar, WallTime};
use fettler_domain::ids::OrderNumber;
use fettler_domain::ledger::history::{History, Month, Segment};
use fettler_domain::plan::{
    ClauseState, Counted, Covers, DueKind, HeldUntil, LastDone, MeterInput, PlanRow, Policy, Rest, Section,
    Skip, Snapshot, TaskInput, lateness_in_words, plan, plan_task, reason_in_words, reasons, satisfied,
};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::rule::{Combine, IntervalRule, Window};
use fettler_domain::time::{MICROS_PER_DAY, Ts};

fn six() -> Calendar {
    Calendar::every_day(berlin(), WallTime::parse("06:00").expect("a time"))
}

fn said(row: &PlanRow) -> Vec<String> {
    let today = row.stamp.as_of;
    reasons(row, &six()).iter().map(|reason| reason_in_words(reason, &six(), today)).collect()
}

#[test]
fn reasons_say_what_ran_since_when_and_when_it_crossed() {
    let input = task(&[run("400"), floating("30 day")]).closed(&["2026-11-03T10:00"]).ran(&[
        ("2026-11-03T10:00", "2026-11-24T09:50", "397.5"),
        ("2026-11-24T09:50", "2026-11-24T14:50", "5"),
    ]);
    let row = input.row_under(&six(), "2026-11-25");
    // 5 h run an hour an hour from 10:50 local on, and 2.5 of them are missing to 400: 13:20.
    let expect = [
        "402.5 of 400 h since 3 Nov, crossed Tuesday 13:20",
        "every 30 days, last done 3 Nov",
        "hours known to Tuesday 15:50",
    ];
    assert_eq!(said(&row), expect);
}

#[test]
fn reasons_say_what_is_expected_moved_stated_or_not_known() {
    // A single report of four weeks is 9 h a day: 148 h more after some 16 days, with the doubt that goes with it.
    let stretch = [("2026-10-28T05:00", "2026-11-25T05:00", "252")];
    let expected = task(&[run("400")]).stated("2026-10-28", Some("0")).ran(&stretch);
    let row = expected.row_under(&six(), "2026-11-25");
    assert_eq!(
        said(&row),
        ["252 of 400 h since 28 Oct, expected Sat 12 Dec, between Tue 8 Dec and Fri 18 Dec"]
    );
    let row = task(&[run("400"), fixed("1 month", "2026-10-25")]).row_under(&six(), "2026-11-25");
    assert_eq!(said(&row), ["every month, on the grid from 25 Oct", "never recorded"]);
    let row = task(&[run("400")]).stated("2025-11-03", None).row_under(&six(), "2026-11-25");
    assert_eq!(said(&row), ["every 400 h, hours not known"]);
}

#[test]
fn lateness_is_said_in_words() {
    // Due 30 days after 1 October, its window three days to either side, each day from 06:00 local: 05:00 UTC in winter.
    let row = task(&[floating("30 day")]).stated("2026-10-01", None).row_under(&six(), "2026-10-20");
    let check = |now: &str, expect: &str| {
        assert_eq!(lateness_in_words(&row, utc(now), &six()), expect, "{now}");
    };
    check("2026-10-20T08:00", "due Sat 31 Oct");
    check("2026-10-28T04:59", "due Sat 31 Oct");
    check("2026-10-28T05:00", "may be done now");
    check("2026-10-31T08:00", "due today");
    check("2026-11-03T08:00", "due since Sat 31 Oct");
    check("2026-11-04T08:00", "4 days late");
    check("2026-11-09T08:00", "9 days late");
}

#[test]
fn what_falls_due_while_the_machine_rests_is_due_the_day_the_rest_ends() {
    // Due on 31 January, 30 days after 1 January, which lies in the rest; late three days after the day it ends.
    let mut input = task(&[floating("30 day")]).closed(&["2026-01-01T12:00"]);
    input.rests = vec![Rest { from: utc("2026-01-20T00:00"), until: Some(utc("2026-03-15T08:00")) }];
    let resting = input.row("2026-02-10");
    assert_eq!(resting.section, Section::Unlisted);
    assert_eq!(lateness_in_words(&resting, utc("2026-02-10T12:00"), &plain()), "resting");
    let back = input.row("2026-03-15");
    assert_eq!((back.section, date(back.due).as_str()), (Section::Dated, "2026-03-15"));
    assert_eq!(back.held_until, Some(HeldUntil::RestEnd(day("2026-03-15"))));
    assert_eq!(lateness_in_words(&back, utc("2026-03-18T12:00"), &plain()), "due since Sun 15 Mar");
    assert_eq!(lateness_in_words(&back, utc("2026-03-19T12:00"), &plain()), "4 days late");
    input.rests[0].from = utc("2026-02-01T00:00");
    assert_eq!(date(input.row("2026-03-15").due), "2026-01-31", "it was due before the rest");
}

#[test]
fn after_a_skip_the_next_counts_from_the_skipped_due_point() {
    let skipped = |input: TaskInput, at: &str| TaskInput { skips: vec![Skip { at: utc(at) }], ..input };
    // 31 January skipped: 30 days more are 2 March. On the grid of months the next first of the month follows. Of 528 h
    // in 22 days, 500 are skipped, so 1,000 come next.
    let last = skipped(task(&[floating("30 day")]).closed(&["2026-01-01T12:00"]), "2026-02-05T12:00");
    assert_eq!(date(last.row("2026-02-05").due), "2026-03-02");
    let grid = skipped(task(&[fixed("1 month", "2026-03-01")]), "2026-04-02T12:00");
    assert_eq!(date(grid.row("2026-04-02").due), "2026-05-01");
    let early = skipped(task(&[fixed("1 month", "2026-03-01")]), "2026-03-10T12:00");
    assert_eq!(date(early.row("2026-03-10").due), "2026-05-01");
    let twice = TaskInput {
        skips: vec![Skip { at: utc("2026-05-02T12:00") }, Skip { at: utc("2026-04-02T12:00") }],
        ..grid
    };
    assert_eq!(date(twice.row("2026-05-03").due), "2026-06-01");
    let stretch = [("2026-01-01T00:00", "2026-01-23T00:00", "528")];
    let meter =
        skipped(task(&[run("500")]).stated("2026-01-01", Some("0")).ran(&stretch), "2026-01-22T12:00");
    let Counted::Meter { threshold, .. } = meter.row("2026-01-23").clauses[0].counted else {
        panic!("a meter")
    };
    assert_eq!(threshold, Some(hours("1000")));
}

/// Values worked by hand: 10 h a day run until 250 h by 26 January, which nobody knew on the 10th, when the order was
/// skipped: what was sure then is 31 January, from which 30 days more are 2 March. 10 h a day since are no more than 90 of
/// the 250 h from there on by 8 February.
#[test]
fn a_skip_means_the_same_on_every_later_day() {
    let run_on = |days: i64| {
        let segments = (-60..days).map(|day| {
            let start = utc("2026-01-01T06:00").plus_micros(day * MICROS_PER_DAY);
            let ran = if day < 10 { "10" } else { "1" };
            Segment { start, end: start.plus_micros(12 * 3_600_000_000), amount: hours(ran) }
        });
        MeterInput { unit: Unit::Hours, history: History::from_segments(segments), forecast: None }
    };
    let mut input = task(&[floating("30 day"), run("250")]).closed(&["2026-01-01T00:00"]);
    input.skips = vec![Skip { at: utc("2026-01-10T12:00") }];
    for (days, as_of) in [
        (9, "2026-01-10"),
        (10, "2026-01-11"),
        (14, "2026-01-15"),
        (19, "2026-01-20"),
        (24, "2026-01-25"),
        (39, "2026-02-09"),
    ] {
        input.meters.insert(METER, run_on(days));
        let row = input.row(as_of);
        let Counted::Calendar { by_rule, .. } = row.clauses[0].counted else { panic!("a calendar clause") };
        assert_eq!(by_rule, Some(day("2026-03-02")), "on {as_of}");
        let audit = satisfied(&input, &plain(), utc("2026-03-03T12:00")).expect("loaded");
        assert_eq!(audit.clauses[0].due, Some(utc("2026-03-02T00:00")), "as known on {as_of}");
    }
    // What ran before the skip and comes late corrects it: 250 h were reached on 5 January, so 500 h come next.
    let early = [("2026-01-01T00:00", "2026-01-06T00:00", "250")];
    let corrected = input.ran(&early).row("2026-02-09");
    assert_eq!(threshold_of(&corrected.clauses[1]), Some(hours("500")));
}

/// 400 h were run by 20 January, in a report that ends after the skip of the 10th.
#[test]
fn a_crossing_that_came_after_a_skip_has_no_part_in_it() {
    let mut input = task(&[floating("30 day"), run("250")]).closed(&["2026-01-01T00:00"]);
    input.skips = vec![Skip { at: utc("2026-01-10T12:00") }];
    let before = input.clone().ran(&[("2026-01-02T00:00", "2026-01-03T00:00", "20")]);
    let after = input.ran(&[
        ("2026-01-02T00:00", "2026-01-03T00:00", "20"),
        ("2026-01-04T00:00", "2026-01-20T00:00", "380"),
    ]);
    for row in [before.row("2026-01-10"), after.row("2026-01-20"), after.row("2026-03-01")] {
        let Counted::Calendar { by_rule, .. } = row.clauses[0].counted else { panic!("a calendar clause") };
        assert_eq!(by_rule, Some(day("2026-03-02")));
    }
}

fn threshold_of(clause: &ClauseState) -> Option<Amount> {
    match clause.counted {
        Counted::Meter { threshold, .. } => threshold,
        Counted::Calendar { .. }
        | Counted::Recurrence { .. }
        | Counted::Reading { .. }
        | Counted::Model { .. } => None,
    }
}

/// Values worked by hand: 500 h at the end of October, 400 h from 20 November on, so that 450 h lie ahead again.
#[test]
fn a_threshold_is_looked_for_from_its_base_on() {
    let input = task(&[run("50")]).closed(&["2026-11-21T08:00"]).ran(&[
        ("2026-10-01T00:00", "2026-10-31T00:00", "500"),
        ("2026-11-20T12:00", "2026-11-20T12:00", "-100"),
    ]);
    let row = input.row("2026-11-22");
    let Counted::Meter { from, threshold, .. } = row.clauses[0].counted else { panic!("a meter") };
    assert_eq!((from, threshold), (Some(hours("400")), Some(hours("450"))));
    assert_eq!((row.kind, row.opens, row.late), (DueKind::Expected, None, None));
    let grid = TaskInput { versions: task(&[run_fixed("50", "0")]).versions, ..input };
    assert_eq!(grid.row("2026-11-22").kind, DueKind::Expected);
    let reached = grid.ran(&[
        ("2026-10-01T00:00", "2026-10-31T00:00", "500"),
        ("2026-11-20T12:00", "2026-11-20T12:00", "-100"),
        ("2026-11-23T00:00", "2026-11-26T00:00", "60"),
    ]);
    assert_eq!(reached.row("2026-11-27").due, Some(utc("2026-11-25T12:00")));
}

/// Values worked by hand: 108 h in 18 days are 6 h a day, so 100 h are reached after 16 days and 16 hours.
#[test]
fn what_was_reached_stays_reached_when_an_adjustment_takes_it_away() {
    let input = task(&[run("100")]).closed(&["2026-11-01T00:00"]).ran(&[
        ("2026-11-01T00:00", "2026-11-19T00:00", "108"),
        ("2026-11-25T12:00", "2026-11-25T12:00", "-20"),
    ]);
    let row = input.row("2026-11-28");
    assert_eq!((row.due, row.kind), (Some(utc("2026-11-17T16:00")), DueKind::Exact));
}

/// Eight hours on five days of each week, for 100 days from the first of June, and 250 hours to go: the quantiles are those
/// of an independent implementation of the forecast's formulas (its values also stand in `forecast/worked.rs`), here
/// through the planner, with the assumed figures of a fleet.
#[test]
fn what_was_not_reached_is_expected_between_two_days() {
    let shift = |day: i64| {
        let start = utc("2026-06-01T10:00").plus_micros(day * MICROS_PER_DAY);
        Segment { start, end: start.plus_micros(8 * 3_600_000_000), amount: hours("8") }
    };
    let history = History::from_segments((0..100).filter(|day| day % 7 < 5).map(shift));
    let ran = history.total();
    let mut input = task(&[run("1000"), floating("1 year")]).stated("2026-06-01", None);
    input.last_done = Some(LastDone { day: day("2026-06-01"), counts: [(METER, ran - hours("750"))].into() });
    input.meters.insert(METER, MeterInput { unit: Unit::Hours, history, forecast: None });
    let row = input.row("2026-09-09");
    let days = |at: Option<Ts>| {
        let micros = at.expect("within ten years").micros_since(utc("2026-09-09T00:00"));
        f64::from(i32::try_from(micros / 1_000_000).expect("some weeks")) / 86_400.0
    };
    for (found, expect) in [(row.p10, 34.96), (row.p50, 43.79), (row.p90, 57.76)] {
        assert!((days(found) / expect - 1.0).abs() < 1e-3, "{} instead of {expect}", days(found));
    }
    assert_eq!((row.kind, row.due, row.chance_today), (DueKind::Expected, row.p50, Some(0)));
    let words = reasons(&row, &plain());
    let words = words.iter().map(|r| reason_in_words(r, &plain(), day("2026-09-09")));
    let words = words.collect::<Vec<_>>().join("; ");
    assert!(words.contains("expected Thu 22 Oct, between Tue 13 Oct and Thu 5 Nov"), "{words}");
    // A calendar day that comes surely before the hours do leaves the forecast no part in it.
    let sooner = task(&[run("1000"), floating("101 day")]).versions;
    let sooner = TaskInput { versions: sooner, ..input.clone() }.row("2026-09-09");
    assert_eq!((sooner.kind, sooner.p10, sooner.p90), (DueKind::CalendarDay, None, None));
    // One in their midst does not shorten the early side.
    let midst =
        TaskInput { versions: task(&[run("1000"), floating("139 day")]).versions, ..input }.row("2026-09-09");
    assert_eq!((midst.kind, midst.p10, midst.p90), (DueKind::CalendarDay, row.p10, midst.due));
}

#[test]
fn a_meter_that_has_counted_nothing_is_not_known_and_one_that_stopped_says_so() {
    let input = task(&[run("100")]).stated("2026-01-01", Some("0"));
    assert_eq!(input.row("2026-06-01").kind, DueKind::Unknown);
    let silent = input
        .clone()
        .ran(&[("2026-01-05T06:00", "2026-01-05T14:00", "8"), ("2026-01-06T06:00", "2026-01-06T14:00", "8")]);
    let Counted::Meter { expectation: Some(used), .. } = silent.row("2026-06-01").clauses[0].counted else {
        panic!("a meter with a forecast")
    };
    assert_eq!((used.silent, used.reports, used.last_28_days), (true, 2, Amount::ZERO));
    let Counted::Meter { expectation: Some(used), .. } = silent.row("2026-01-07").clauses[0].counted else {
        panic!("a meter with a forecast")
    };
    assert_eq!((used.silent, used.reports, used.last_28_days), (false, 2, hours("16")));
    assert!(silent.row("2026-06-01").due > silent.row("2026-01-07").due, "silence slows what is expected");
}

#[test]
fn missing_months_are_named_loaded_and_asked_for_no_more() {
    let segments: Vec<Segment> = (0..40)
        .map(|week| {
            let start = utc("2026-01-05T06:00").plus_micros(week * 7 * 24 * 3_600_000_000);
            Segment { start, end: start.plus_micros(40 * 3_600_000_000), amount: hours("40") }
        })
        .collect();
    let whole = History::from_segments(segments.iter().copied());
    let mut input = task(&[run("500"), floating("1 year")]).closed(&["2026-02-04T12:00"]);
    let mut loaded = History::from_totals(whole.months().clone(), whole.adjusted().clone(), whole.known_to());
    let meter =
        |history: &History| MeterInput { unit: Unit::Hours, history: history.clone(), forecast: None };
    let mut asked: Vec<Month> = Vec::new();
    let row = loop {
        input.meters.insert(METER, meter(&loaded));
        match plan_task(&input, &plain(), day("2026-10-15")) {
            Ok(row) => break row,
            Err(missing) => {
                assert!(!missing.is_empty());
                for (_, month) in missing {
                    assert!(!asked.contains(&month), "{month:?} was loaded already");
                    loaded.load(month, segments.iter().copied());
                    asked.push(month);
                }
            }
        }
    };
    assert!(asked.contains(&Month::of(utc("2026-02-04T12:00"))) && asked.len() <= 6, "{asked:?}");
    input.meters.insert(METER, meter(&whole));
    assert_eq!(input.row("2026-10-15"), row);
}

#[test]
fn a_site_is_planned_in_list_order_whatever_the_order_of_the_orders() {
    let orders = [
        TaskInput { order: OrderNumber(7), ..task(&[floating("30 day")]).stated("2026-01-01", None) },
        TaskInput { order: OrderNumber(5), ..task(&[floating("30 day")]) },
        TaskInput { order: OrderNumber(6), ..task(&[floating("10 day")]).stated("2026-01-01", None) },
        TaskInput { order: OrderNumber(8), ..task(&[floating("1 year")]).stated("2026-01-01", None) },
    ];
    let policy = Policy { calendar: plain(), covers: Covers::default() };
    let numbers = |tasks: Vec<TaskInput>| {
        let rows = plan(&Snapshot { tasks }, &policy, day("2026-01-15"), 30).expect("no meters");
        rows.iter().map(|row| row.order.0).collect::<Vec<_>>()
    };
    assert_eq!(numbers(orders.to_vec()), [6, 7, 5]);
    assert_eq!(numbers(orders.iter().rev().cloned().collect()), [6, 7, 5]);
}

#[test]
fn an_unplanned_job_is_due_when_raised() {
    let mut input = task(&[floating("30 day")]);
    (input.versions, input.task) = (Vec::new(), None);
    input.raised = Some(utc("2026-03-04T09:00"));
    let row = input.row("2026-03-13");
    assert_eq!((row.due, row.section, row.clauses.len()), (input.raised, Section::Dated, 0));
    assert_eq!(lateness_in_words(&row, utc("2026-03-13T09:00"), &plain()), "9 days late");
    assert_eq!(
        said(&row),
        ["raised, due 4 Mar 10:00"],
        "when it is due, which need not be when it was raised"
    );
}

#[test]
fn rules_and_rows_are_stored_as_json_of_whole_numbers() {
    let window = Window::Exact { days: Some(3), amount: Some(hours("20")) };
    let rule = rule_of(&[run("400"), fixed("6 month", "2026-01-31")], Combine::Latest, window);
    let text = serde_json::to_string(&rule).expect("plain data");
    let expect = concat!(
        r#"{"clauses":[{"kind":"meter","meter":1,"every":1440000000,"counts_from":"last_closing"},"#,
        r#"{"kind":"calendar","every":{"n":6,"unit":"month"},"counts_from":{"grid":"2026-01-31"}}],"#,
        r#""combine":"latest","window":{"exact":{"days":3,"amount":72000000}},"closed_days":"move"}"#,
    );
    assert_eq!(text, expect);
    assert_eq!(serde_json::from_str::<IntervalRule>(&text).expect("the same"), rule);
    let row = order_of(rule).stated("2026-01-01", Some("0")).row("2026-02-01");
    let text = serde_json::to_string(&row).expect("plain data");
    assert_eq!(serde_json::from_str::<PlanRow>(&text).expect("the same"), row);
    let bare = serde_json::from_str::<IntervalRule>(
        r#"{"clauses":[{"kind":"calendar","every":{"n":1,"unit":"year"},"counts_from":"last_closing"}]}"#,
    );
    assert_eq!(bare.expect("defaults hold").window(), Window::Percent(10));
    assert_eq!(Amount::ZERO, Amount::default());
}

/// Hours and days, whichever come first: as long as hours may come before them, the days are only the latest that can be.
#[test]
fn the_window_of_hours_and_days_is_told_by_whichever_comes_first() {
    use fettler_domain::plan::window_in_words;
    let words = |row: &PlanRow| window_in_words(row, &plain(), row.stamp.as_of);
    let both = task(&[run("60"), floating("6 month")]).closed(&["2026-01-01T00:00"]);
    let ran = |to: &str, hours: &str| {
        both.clone()
            .ran(&[("2026-01-01T00:00", to, hours)])
            .row(to.split_once('T').map_or(to, |(day, _)| day))
    };
    // 30 of 60 h in ten days: the hours are expected to open the window long before the days do.
    let ahead = ran("2026-01-11T00:00", "30");
    assert!(ahead.opens_expected.is_some() && ahead.opens_expected < ahead.opens, "{ahead:?}");
    assert!(words(&ahead).starts_with("may be done from about "), "{}", words(&ahead));
    assert!(words(&ahead).ends_with(" at the latest"), "{}", words(&ahead));
    // 60 h are reached and 66 h are not: it is due by its hours, and they may shut it before the days do.
    let due = ran("2026-01-21T00:00", "62");
    assert_eq!((due.kind, due.opens_expected), (DueKind::Exact, None));
    assert!(words(&due).starts_with("may be done from Sun 18 Jan "), "{}", words(&due));
    assert!(words(&due).ends_with(" at the latest"), "{}", words(&due));
    // Past 66 h it is late since then.
    let late = ran("2026-01-21T00:00", "70");
    assert!(
        late.late < Some(utc("2026-01-21T00:00")) && !words(&late).contains("latest"),
        "{}",
        words(&late)
    );
}

/// One order has one expected day, in whatever place it is told.
#[test]
fn an_expected_day_is_the_same_in_every_place() {
    let calendar = six();
    let input = task(&[run("60")]).closed(&["2026-01-01T05:00"]);
    for hours in ["30", "31", "32", "33", "34", "35", "36", "37", "38", "39", "40"] {
        let row = input
            .clone()
            .ran(&[("2026-01-01T05:00", "2026-01-11T05:00", hours)])
            .row_under(&calendar, "2026-01-11");
        let head = lateness_in_words(&row, utc("2026-01-11T08:00"), &calendar);
        let why = reason_in_words(&reasons(&row, &calendar)[0], &calendar, day("2026-01-11"));
        assert!(why.contains(&head), "{hours}: {head}: {why}");
    }
}
