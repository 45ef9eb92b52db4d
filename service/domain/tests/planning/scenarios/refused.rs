//! Rules that cannot be.

use super::super::{day, fixed, floating, hours, recurring, run, run_fixed};
use fettler_domain::rule::{Clause, ClosedDays, Combine, IntervalRule, RuleError, RuleSpec, Window};

#[test]
fn two_clauses_alike_and_other_rules_that_cannot_be_are_refused() {
    let check = |clauses: &[Clause], window: Window, expect: RuleError| {
        let (combine, closed_days) = (Combine::Earliest, ClosedDays::Move);
        let spec = RuleSpec { clauses: clauses.to_vec(), combine, window, closed_days };
        assert_eq!(IntervalRule::new(spec), Err(expect));
    };
    let month = floating("1 month");
    check(&[], Window::default(), RuleError::NoClause);
    check(
        &[month.clone(), run("5"), month.clone()],
        Window::default(),
        RuleError::Alike { first: 1, second: 3 },
    );
    check(std::slice::from_ref(&month), Window::Percent(51), RuleError::PercentOutOfRange(51));
    check(&[month], Window::Exact { days: Some(15), amount: None }, RuleError::WindowTooWide(1));
    check(&[run("4")], Window::Exact { days: None, amount: Some(hours("2.1")) }, RuleError::WindowTooWide(1));
    check(&[run("0")], Window::default(), RuleError::AmountOutOfRange { clause: 1, every: 0 });
    check(
        &[run_fixed("5", "-1")],
        Window::default(),
        RuleError::BaseOutOfRange { clause: 1, base: -3_600_000 },
    );
    check(
        &[recurring("FREQ=DAILY", "2026-01-01"), recurring("RRULE:freq=daily;INTERVAL=1", "2026-01-01")],
        Window::default(),
        RuleError::Alike { first: 1, second: 2 },
    );
    let base = day("1969-12-31");
    check(
        &[fixed("1 day", "1969-12-31")],
        Window::default(),
        RuleError::BaseDayOutOfRange { clause: 1, base },
    );
    let many: Vec<Clause> = (1..=9).map(|n| floating(&format!("{n} day"))).collect();
    check(&many, Window::default(), RuleError::TooManyClauses(9));
}
