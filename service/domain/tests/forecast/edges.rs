//! The edges: nothing known, nothing left, no end in sight, plans, calendars, and reports that say odd things.

use crate::{NOW, day, five_days_a_week, fleet, in_days, quantiles, reported};
use fettler_domain::forecast::{
    Course, Days, Due, FleetFigures, HORIZON, Hours, Outlook, PlannedUse, Quantiles, Reported, Silence, Usage,
};
use fettler_domain::time::MICROS_PER_DAY;

fn outlook(reports: impl IntoIterator<Item = Reported>) -> Outlook {
    Outlook::of(&Usage::of(reports), &fleet(0.002), day(NOW))
}

fn planned(start: f64, end: f64, hours: f64) -> PlannedUse {
    PlannedUse { start: Days(start), end: Days(end), hours: Hours(hours) }
}

/// A machine of even days, with plans ahead.
fn with_plans(plans: &[PlannedUse]) -> Outlook {
    let usage = Usage::of((0..=100).map(|d| reported(f64::from(d), 6.0)));
    let course = Course::EVEN.with_planned(plans);
    Outlook::with_course(&usage.statistics(day(NOW)), &fleet(0.002), course)
}

#[test]
fn what_is_reached_needs_no_forecast() {
    for hours in [0.0, -3.0] {
        assert_eq!(outlook(five_days_a_week()).due(Hours(hours)), Due::Reached);
        assert!(outlook([]).chance_within(Hours(hours), Days(0.0)) >= 1.0);
    }
}

#[test]
fn beyond_ten_years_there_is_no_date() {
    // A quarter of an hour a week: 1,000 hours take longer than anybody looks ahead.
    let seldom = outlook((0..14).map(|week| reported(7.0 * f64::from(week), 0.25)));
    let Due::Ahead(due) = seldom.due(Hours(2_000.0)) else { panic!("it is not reached") };
    assert_eq!(due, Quantiles { p10: None, p50: None, p90: None });
    // Not even a machine that always runs comes to more in ten years.
    let most = HORIZON.0 * 24.0;
    let always = outlook((0..100).map(|d| reported(f64::from(d) + 1.0, 24.0)));
    assert_eq!(always.quantile(Hours(most * 1.01), 0.9), None);
}

#[test]
fn only_what_had_ended_is_known() {
    let before = Usage::of(five_days_a_week());
    let later = five_days_a_week().into_iter().chain([reported(100.25, 8.0), reported(130.0, 8.0)]);
    let later = Usage::of(later);
    assert_eq!(before.statistics(day(NOW)), later.statistics(day(NOW)));
    assert_eq!(Course::of_week(&before, day(NOW)), Course::of_week(&later, day(NOW)));
    let fleet_of = |usage: &Usage| FleetFigures::of(&[usage], day(NOW));
    assert_eq!(fleet_of(&before), fleet_of(&later));
    // Before its first report a machine is one without any.
    assert_eq!(later.statistics(day(-1.0)), Usage::of([]).statistics(day(-1.0)));
}

#[test]
fn a_first_report_of_this_minute_is_no_trouble() {
    let [p10, p50, p90] = quantiles(&outlook([reported(NOW, 8.0)]), 50.0);
    let [of_fleet_p10, of_fleet_p50, of_fleet_p90] = quantiles(&outlook([]), 50.0);
    // Nothing is known of its rate yet, so it is the fleet's.
    assert!((p10 - of_fleet_p10).abs() < 1e-6 && (p50 - of_fleet_p50).abs() < 1e-6);
    assert!((p90 - of_fleet_p90).abs() < 1e-6);
}

#[test]
fn after_a_shutdown_a_regular_machine_runs_as_before_it() {
    let before: Vec<Reported> = five_days_a_week().into_iter().filter(|r| r.end < day(86.0)).collect();
    let outlook = |silence| {
        let fleet = FleetFigures { silence, ..fleet(0.002) };
        Outlook::of(&Usage::of(before.iter().copied()), &fleet, day(NOW))
    };
    let (goes_on, slows) = (outlook(Silence::GoesOn), outlook(Silence::Slows));
    // 14 days of silence, 7 of them more than three usual gaps: half of those more, and then the old rate.
    let own = Usage::of(before.iter().copied()).statistics(day(NOW));
    let unusual = own.gap.0 - 3.0 * own.usual_gap.0;
    assert!((6.0..9.0).contains(&unusual), "{unusual}");
    assert!((goes_on.rate.wait.0 - unusual / 2.0).abs() < 1e-9, "{:?}", goes_on.rate);
    assert!(goes_on.rate.mean.0 > 1.3 * slows.rate.mean.0, "{:?} {:?}", goes_on.rate, slows.rate);
    assert!(goes_on.silent && slows.silent);
    let never = outlook(Silence::GoesOn).chance_within(Hours(8.0), Days(unusual / 3.0));
    assert!(never < 1e-9, "it waits first: {never}");
}

#[test]
fn reports_without_hours_are_reports() {
    let mut reports = five_days_a_week();
    reports.retain(|r| r.end < day(70.0));
    let stopped = Usage::of(reports.clone()).statistics(day(NOW));
    reports.push(reported(99.0, 0.0));
    let standing = Usage::of(reports).statistics(day(NOW));
    assert!(stopped.gap.0 > 30.0 && (standing.gap.0 - 1.0).abs() < 1e-9, "it says that the machine stands");
    assert_eq!(standing.hours, stopped.hours);
}

#[test]
fn what_is_no_amount_counts_as_nothing() {
    let odd = [reported(10.0, 5.0), reported(20.0, -4.0), reported(30.0, f64::NAN), reported(40.0, 3.0)];
    let own = Usage::of(odd).statistics(day(NOW));
    assert_eq!((own.reports, own.hours), (4, Hours(3.0)));
}

#[test]
fn a_machine_laid_up_runs_out_later_by_as_long() {
    let even = quantiles(&with_plans(&[]), 120.0);
    let laid_up = quantiles(&with_plans(&[planned(0.0, 30.0, 0.0)]), 120.0);
    for (even, laid_up) in even.into_iter().zip(laid_up) {
        // Up to the drift, which counts average days and so does not grow while the machine stands.
        assert!((laid_up - even - 30.0).abs() < 1e-6, "{laid_up} and {even}");
    }
}

#[test]
fn planned_hours_stand_for_certain() {
    // 8 hours a day for 20 days: 120 hours are run after exactly 15 of them.
    let plans: Vec<PlannedUse> = (0..20).map(|d| planned(f64::from(d), f64::from(d) + 1.0, 8.0)).collect();
    for days in quantiles(&with_plans(&plans), 120.0) {
        assert!((days - 15.0).abs() < 1e-6, "{days}");
    }
    let outlook = with_plans(&plans);
    assert!(outlook.chance_within(Hours(120.0), Days(14.99)) < 1e-9);
    assert!(outlook.chance_within(Hours(120.0), Days(15.01)) > 1.0 - 1e-9);
    // After them the rate goes on: 200 hours lie 40 hours beyond the plan.
    let after = quantiles(&outlook, 200.0);
    let alone = quantiles(&with_plans(&[]), 40.0);
    for (after, alone) in after.into_iter().zip(alone) {
        assert!((after - alone - 20.0).abs() < 1e-6, "{after} and {alone}");
    }
}

#[test]
fn plans_mix_with_the_rate_between_them() {
    let plan = [planned(2.0, 3.0, 20.0)];
    let with = quantiles(&with_plans(&plan), 60.0);
    let without = quantiles(&with_plans(&[]), 60.0);
    for (with, without) in with.into_iter().zip(without) {
        assert!(with < without, "14 hours more than usual make it {with} where it was {without}");
    }
    // The median of 12 hours lies before the plan, and is not touched by it.
    let early = [with_plans(&plan), with_plans(&[])].map(|outlook| quantiles(&outlook, 6.0)[0]);
    assert!((early[0] - early[1]).abs() < 1e-6, "{early:?}");
}

#[test]
fn plans_in_any_order_and_overlapping_are_one() {
    let plans = [planned(1.0, 2.0, 4.0), planned(1.5, 3.0, 12.0), planned(5.0, 6.0, 8.0)];
    let turned: Vec<PlannedUse> = plans.iter().rev().copied().collect();
    assert_eq!(Course::EVEN.with_planned(&plans), Course::EVEN.with_planned(&turned));
    let joined = [planned(1.0, 3.0, 16.0), planned(5.0, 6.0, 8.0)];
    assert_eq!(Course::EVEN.with_planned(&plans), Course::EVEN.with_planned(&joined));
    // What began before now counts with what is left of it, and what is over not at all.
    let begun = [planned(-1.0, 1.0, 16.0), planned(-3.0, -2.0, 8.0), planned(2.0, 2.0, 5.0)];
    assert_eq!(Course::EVEN.with_planned(&begun), Course::EVEN.with_planned(&[planned(0.0, 1.0, 8.0)]));
}

#[test]
fn a_calendar_takes_the_place_of_the_weekly_pattern() {
    let usage = Usage::of(five_days_a_week());
    let worked = |day: i32| day.rem_euclid(7) < 5;
    // Day 100 is the third of its week; what lies ahead is closed for a week from day 110.
    let before: Vec<bool> = (1..=91).map(|back| worked(100 - back)).collect();
    let ahead = |closed: std::ops::Range<i32>| -> Vec<bool> {
        (100..400).map(|day| worked(day) && !closed.contains(&day)).collect()
    };
    let own = usage.statistics(day(NOW));
    let of = |course| quantiles(&Outlook::with_course(&own, &fleet(0.002), course), 250.0);
    let learnt = of(Course::of_week(&usage, day(NOW)));
    let known = of(Course::of_calendar(&before, &ahead(0..0)));
    let closed = of(Course::of_calendar(&before, &ahead(110..117)));
    for ((learnt, known), closed) in learnt.into_iter().zip(known).zip(closed) {
        // The learnt pattern of so regular a machine is the calendar's own, up to the weighing of days.
        assert!((learnt - known).abs() < 0.5, "{learnt} and {known}");
        assert!((closed - known - 7.0).abs() < 1e-6, "{closed} and {known}");
    }
}

#[test]
fn of_a_calendar_limit_and_a_meter_the_first_comes() {
    let outlook = outlook(five_days_a_week());
    let Due::Ahead(free) = outlook.due(Hours(250.0)) else { panic!("it is not reached") };
    let limited = free.limited_to(Days(43.0));
    assert_eq!((limited.p10, limited.p50, limited.p90), (free.p10, Some(Days(43.0)), Some(Days(43.0))));
    let chance = outlook.chance_within(Hours(250.0), Days(43.0));
    assert!((0.1..0.5).contains(&chance), "{chance}: the limit lies between p10 and p50");
    let never = Quantiles { p10: None, p50: None, p90: None };
    assert!((in_days(never.limited_to(Days(3.0)).p90) - 3.0).abs() < 1e-12);
}

#[test]
fn a_fleet_lends_what_a_new_machine_lacks() {
    let workers: Vec<Usage> = (0..6).map(|_| Usage::of(five_days_a_week())).collect();
    let fleet = FleetFigures::of(&workers.iter().collect::<Vec<_>>(), day(NOW));
    assert!((5.0..6.0).contains(&fleet.rate.0), "{fleet:?}");
    let lent = Outlook::of(&Usage::of([]), &fleet, day(NOW));
    let [_, p50, _] = quantiles(&lent, 57.0);
    assert!((9.0..12.0).contains(&p50), "57 hours at 5.7 a day: {p50}");
    assert_eq!(day(NOW).0 - day(0.0).0, 100 * MICROS_PER_DAY);
}
