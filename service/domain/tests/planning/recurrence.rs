//! Recurrence rules as they are planned: their windows, their end, and what stands beside them.
//!
//! No outside source beyond RFC 5545 for the days themselves (`recurrences`, `calendar_oracle`): the days are counted by hand
//! from the rules of docs/formulas.md.

use super::scenarios::{closed_days, met};
use super::{Story, date, day, fixed, floating, hours, order_of, plain, recurring, rule_of, run, task, utc};
use fettler_domain::plan::{
    DueKind, HeldUntil, Rest, RuleVersion, Section, Skip, Standing, TaskInput, Timing, lateness_in_words,
    reason_in_words, reasons, satisfied, share_used, standing,
};
use fettler_domain::rule::{Clause, Combine, Window};

/// The Mondays of January 2026: the 5th, 12th, 19th and 26th.
fn mondays() -> Clause {
    recurring("FREQ=WEEKLY;COUNT=4", "2026-01-05")
}

fn of(clauses: &[Clause], combine: Combine, window: Window) -> TaskInput {
    order_of(rule_of(clauses, combine, window))
}

fn said(input: &TaskInput, as_of: &str) -> Vec<String> {
    let row = input.row(as_of);
    reasons(&row, &plain()).iter().map(|reason| reason_in_words(reason, &plain(), day(as_of))).collect()
}

/// When the open order is due, and opens, and the last day on which it is not late.
fn window(input: &TaskInput, as_of: &str) -> [String; 3] {
    let row = input.row(as_of);
    [date(row.due), date(row.opens), date(row.late.map(|late| late.plus_micros(-1)))]
}

#[test]
fn it_is_due_on_each_of_its_days_whenever_it_was_done() {
    let input = task(&[recurring("FREQ=MONTHLY;BYDAY=1MO", "2026-01-05")]);
    assert_eq!(date(input.row("2025-12-01").due), "2026-01-05", "from its first day on");
    let check = |closed: &str, next: &str| {
        assert_eq!(date(input.clone().closed(&[closed]).row("2026-01-20").due), next, "{closed}");
    };
    check("2026-01-05T12:00", "2026-02-02");
    check("2026-01-19T12:00", "2026-02-02");
    // From 2 February to 2 March are 28 days, so both open two days early.
    check("2026-01-30T12:00", "2026-02-02");
    check("2026-01-31T00:00", "2026-03-02");
    assert_eq!(said(&input, "2026-01-06"), ["every month on the first Monday"]);
    let early = met(&input.closed(&["2026-01-05T12:00"]), "2026-01-30T12:00");
    assert!(early.extra_work && early.before_window, "two days before its window it moves nothing");
}

#[test]
fn its_window_is_a_share_of_the_shorter_stretch_and_ends_half_way_to_the_neighbour() {
    let rule = |window: Window| {
        of(&[recurring("FREQ=MONTHLY;BYMONTHDAY=1,11", "2026-01-01")], Combine::Earliest, window)
    };
    let closed = |window: Window| rule(window).closed(&["2026-01-01T12:00"]);
    // Ten days lie between the 1st and the 11th.
    assert_eq!(window(&closed(Window::default()), "2026-01-02"), ["2026-01-11", "2026-01-10", "2026-01-12"]);
    assert_eq!(
        window(&closed(Window::Percent(50)), "2026-01-02"),
        ["2026-01-11", "2026-01-06", "2026-01-16"]
    );
    let days = |days: u32| Window::Exact { days: Some(days), amount: None };
    assert_eq!(window(&closed(days(3)), "2026-01-02"), ["2026-01-11", "2026-01-08", "2026-01-14"]);
    assert_eq!(window(&closed(days(30)), "2026-01-02"), ["2026-01-11", "2026-01-06", "2026-01-16"]);
    assert_eq!(window(&closed(Window::STRICT), "2026-01-02"), ["2026-01-11"; 3]);
    // A day without neighbours has no interval, so only a stated width widens it.
    let once =
        |window: Window| of(&[recurring("FREQ=DAILY;COUNT=1", "2026-01-11")], Combine::Earliest, window);
    assert_eq!(window(&once(Window::default()), "2026-01-02"), ["2026-01-11"; 3]);
    assert_eq!(window(&once(days(3)), "2026-01-02"), ["2026-01-11", "2026-01-08", "2026-01-14"]);
}

#[test]
fn once_its_last_day_is_done_or_skipped_it_has_ended() {
    let open = task(&[mondays()]).closed(&["2026-01-19T12:00"]);
    assert_eq!(date(open.row("2026-02-20").due), "2026-01-26", "what was not done stays due, however late");
    let row = open.row("2026-02-20");
    assert_eq!((row.section, standing(&row, utc("2026-02-20T12:00"))), (Section::Dated, Standing::Late));
    let done = open.clone().closed(&["2026-02-20T12:00"]);
    let skipped = TaskInput { skips: vec![Skip { at: utc("2026-02-20T12:00") }], ..open };
    for ended in [done, skipped] {
        let row = ended.row("2026-02-20");
        assert_eq!(
            (row.kind, row.section, row.due, row.late),
            (DueKind::Ended, Section::Unlisted, None, None)
        );
        assert_eq!(lateness_in_words(&row, utc("2026-02-20T12:00"), &plain()), "its rule has ended");
        assert_eq!(said(&ended, "2026-02-20"), ["every week on Monday, 4 times: ended with Mon 26 Jan"]);
        // Work that is done all the same moves nothing and satisfies nothing.
        let more = met(&ended, "2026-03-01T12:00");
        assert_eq!((more.extra_work, more.due, more.timing), (true, None, Timing::NotKnown));
    }
    let skipped_early = TaskInput { skips: vec![Skip { at: utc("2026-01-06T12:00") }], ..task(&[mondays()]) };
    assert_eq!(
        date(skipped_early.row("2026-01-06").due),
        "2026-01-12",
        "the skipped day, not all that are to come"
    );
}

#[test]
fn an_ended_clause_leaves_the_earliest_to_others_and_ends_the_latest() {
    let combined = |combine: Combine| {
        of(&[mondays(), floating("30 day")], combine, Window::default()).closed(&["2026-01-26T12:00"])
    };
    let row = combined(Combine::Earliest).row("2026-01-27");
    assert_eq!(
        (row.kind, row.governing, date(row.due).as_str()),
        (DueKind::CalendarDay, Some(1), "2026-02-25")
    );
    assert_eq!(row.clauses[0].kind, DueKind::Ended);
    let row = combined(Combine::Latest).row("2026-01-27");
    assert_eq!((row.kind, row.governing, row.due, row.late), (DueKind::Ended, Some(0), None, None));
    // One that is not known yet is not at its end.
    let unknown =
        of(&[mondays(), run("100")], Combine::Earliest, Window::default()).closed(&["2026-01-26T12:00"]);
    assert_eq!(
        (unknown.row("2026-01-27").kind, unknown.row("2026-01-27").section),
        (DueKind::Unknown, Section::NeverRecorded)
    );
    let mut raised = task(&[mondays()]).closed(&["2026-01-26T12:00"]);
    raised.raised = Some(utc("2026-02-02T12:00"));
    assert_eq!(
        (raised.row("2026-02-03").kind, raised.row("2026-02-03").due),
        (DueKind::Raised, raised.raised)
    );
}

#[test]
fn what_has_ended_goes_on_under_a_later_version() {
    let ended = task(&[mondays()]).closed(&["2026-01-26T12:00"]);
    let changed = ended.clone().changed("2026-03-01", &[recurring("FREQ=MONTHLY", "2026-02-15")]);
    let row = changed.row("2026-02-01");
    // 15 February lies before the change, so it is due on the day of the change.
    assert_eq!((row.kind, date(row.due).as_str()), (DueKind::CalendarDay, "2026-03-01"));
    assert_eq!(row.held_until, Some(HeldUntil::Change(day("2026-03-01"))));
    let shorter = ended.changed("2026-03-01", &[recurring("FREQ=DAILY;COUNT=2", "2026-01-10")]);
    assert_eq!(shorter.row("2026-02-01").kind, DueKind::Ended, "whose days are all behind as well");
    let open = task(&[mondays()]).closed(&["2026-01-19T12:00"]).changed("2026-03-01", &[floating("30 day")]);
    assert_eq!(date(open.row("2026-03-05").due), "2026-01-26", "what was due before the change stays so");
    let next = open.closed(&["2026-03-05T12:00"]).row("2026-03-05");
    assert_eq!((date(next.due).as_str(), next.rule_effective), ("2026-04-04", Some(day("2026-03-01"))));
}

#[test]
fn hours_and_a_rule_whichever_is_first() {
    // 10 h a day from 1 January on: 100 h are crossed on 11 January at 00:00, before Monday the 12th.
    let stretch = [("2026-01-01T00:00", "2026-02-10T00:00", "400")];
    let input = task(&[run("100"), mondays()]).closed(&["2026-01-01T00:00"]).ran(&stretch);
    assert_eq!(input.row("2026-02-10").governing, Some(1), "Monday 5 January comes first");
    let input = input.closed(&["2026-01-05T00:00"]);
    let row = input.row("2026-02-10");
    assert_eq!((row.governing, date(row.due).as_str()), (Some(1), "2026-01-12"));
    let after = input.closed(&["2026-01-26T00:00"]).row("2026-02-10");
    assert_eq!((after.governing, after.due), (Some(0), Some(utc("2026-02-05T00:00"))), "the rule has ended");
    let used = share_used(&row.clauses, Combine::Earliest, day("2026-01-12")).expect("both are known");
    assert!((used.to_f64() - 3.6).abs() < 1e-9, "360 h of 100 ran since the 5th");
}

#[test]
fn what_fell_due_in_a_rest_is_due_once_at_its_end_and_not_missed() {
    let rest = Rest { from: utc("2026-02-01T00:00"), until: Some(utc("2026-04-15T08:00")) };
    for clause in [recurring("FREQ=MONTHLY;BYMONTHDAY=10", "2026-01-10"), fixed("1 month", "2025-12-10")] {
        let mut input = task(&[clause]).closed(&["2026-01-10T12:00"]);
        input.rests = vec![rest];
        let row = input.row("2026-04-16");
        assert_eq!(
            (date(row.due).as_str(), row.held_until),
            ("2026-04-15", Some(HeldUntil::RestEnd(day("2026-04-15"))))
        );
        // February, March and April are one piece of work on the day the rest ended.
        let closing = met(&input, "2026-04-20T12:00");
        assert_eq!(closing.missed, 0);
        let late = met(&input, "2026-05-10T12:00");
        assert_eq!((date(late.due).as_str(), late.missed), ("2026-05-10", 1), "that piece was passed over");
        input.rests.clear();
        assert_eq!(met(&input, "2026-05-10T12:00").missed, 3);
        // Done while the machine rests and nobody knows until when: nothing was due.
        input.rests = vec![Rest { until: None, ..rest }];
        assert_eq!(met(&input, "2026-04-20T12:00").missed, 0);
    }
}

#[test]
fn days_of_one_closed_stretch_are_done_at_once_before_it() {
    // 24 December to 6 January is closed: Mondays 28 December and 4 January move to Wednesday 23 December.
    let rule = recurring("FREQ=WEEKLY;BYDAY=MO", "2026-12-07");
    let input = of(&[rule], Combine::Earliest, Window::STRICT).closed(&["2026-12-21T12:00"]);
    let row = input.row_under(&closed_days(), "2026-12-22");
    assert_eq!(date(row.due), "2026-12-23");
    let closing = satisfied(&input, &closed_days(), utc("2026-12-23T12:00")).expect("no meter");
    assert_eq!((closing.missed, closing.timing), (0, Timing::OnTime));
    let next = input.closed(&["2026-12-23T12:00"]).row_under(&closed_days(), "2026-12-23");
    assert_eq!(date(next.due), "2027-01-11");
    let moved = reasons(&row, &closed_days())
        .iter()
        .map(|r| reason_in_words(r, &closed_days(), day("2026-12-22")))
        .collect::<Vec<_>>();
    assert_eq!(moved, ["every week on Monday, moved from Mon 28 Dec, a closed day"]);
}

#[test]
fn a_window_in_hours_leaves_the_days_their_share_and_the_other_way_round() {
    let stretch = [("2026-01-01T00:00", "2026-03-02T00:00", "1440")];
    let opens = |window: Window| {
        let rule = [run("500"), floating("30 day")];
        let row = of(&rule, Combine::Earliest, window)
            .stated("2026-01-01", Some("0"))
            .ran(&stretch)
            .row("2026-03-02");
        [date(row.clauses[0].opens), date(row.clauses[1].opens)]
    };
    // An hour runs in an hour: 500 h are reached on 21 January at 20:00, 450 h on the 19th, 480 h on the 21st at 00:00.
    assert_eq!(opens(Window::default()), ["2026-01-19", "2026-01-28"]);
    assert_eq!(opens(Window::Exact { days: None, amount: Some(hours("20")) }), ["2026-01-21", "2026-01-28"]);
    assert_eq!(opens(Window::Exact { days: Some(1), amount: None }), ["2026-01-19", "2026-01-30"]);
    assert_eq!(
        opens(Window::Exact { days: Some(1), amount: Some(hours("20")) }),
        ["2026-01-21", "2026-01-30"]
    );
}

#[test]
fn versions_of_a_rule_are_stored_with_it() {
    let rule =
        rule_of(&[recurring("freq=monthly;byday=1mo", "2026-01-05")], Combine::Earliest, Window::default());
    let text =
        serde_json::to_string(&RuleVersion { effective: day("2026-01-01"), rule }).expect("plain data");
    let expect = concat!(
        r#"{"effective":"2026-01-01","rule":{"clauses":[{"kind":"recurrence","rule":"FREQ=MONTHLY;BYDAY=1MO","from":"2026-01-05"}],"#,
        r#""combine":"earliest","window":{"percent":10},"closed_days":"move"}}"#,
    );
    assert_eq!(text, expect);
    let again: RuleVersion = serde_json::from_str(&text).expect("the same");
    assert_eq!(serde_json::to_string(&again).expect("plain data"), expect);
    let hostile = text.replace("FREQ=MONTHLY;BYDAY=1MO", "FREQ=SECONDLY");
    assert!(
        serde_json::from_str::<RuleVersion>(&hostile).is_err(),
        "what is stored is checked when it is read"
    );
}
