//! A reservoir reaching its lower mark.
//!
//! The worked example is that of the reservoir's check values: 8 outlets of 0.03, 6 of 0.06 and 4 of 0.1 cm³ make a stroke of
//! 1 mL; every 20 minutes of run that is 3 mL/h, so that 2.7 L fall to 0.5 L in 733.3 h (arithmetic).

use super::*;
use fettler_domain::consumables::reservoir::{Reservoir, Stroke};
use fettler_domain::physics::measure::{Days, Hours, Minutes, Volume, VolumePerDay};
use fettler_domain::plan::{Act, Base, DueKind, Fault, Standing, satisfied, standing};
use fettler_domain::rule::model::{Cycle, Level};
use proptest::prelude::*;

fn reservoir() -> Level<MeterId> {
    Level {
        meter: METER,
        point: Some(point("oil")),
        low: value("0.5"),
        high: value("2.7"),
        doses: "8x0.03+6x0.06+4x0.1".into(),
        cycle: Cycle::Minutes(value("20")),
        reserve: value("0"),
        pack: Some(value("1")),
        oil: String::new(),
    }
}

fn level(of: Level<MeterId>, readings: &[(&str, &str)], closings: &[&str]) -> TaskInput {
    following(Model::Level(of), "L", readings, closings)
}

const DONE: &str = "2026-01-01T00:00";

#[test]
fn by_its_strokes_a_reservoir_lasts_733_hours() {
    // 24 h a day: 733 h 20 min after it was filled is 31 January at 13:20.
    let filled = ran_daily(level(reservoir(), &[], &[DONE]), DONE, 40, "24");
    let row = filled.row("2026-02-10");
    assert_eq!((row.kind, row.due), (DueKind::Exact, Some(utc("2026-01-31T13:20"))));
    assert_eq!(told(&row).acts, [Act::Refill { litres: value("2.2"), packs: Some((2, value("1"))) }]);
    assert_eq!(standing(&row, utc("2026-02-10T00:00")), Standing::Late);
    let early = ran_daily(level(reservoir(), &[], &[DONE]), DONE, 20, "24").row("2026-01-21");
    assert_eq!(early.kind, DueKind::Expected);
    let (p10, due, p90) = (early.p10.expect("sure"), early.due.expect("expected"), early.p90.expect("sure"));
    assert!(p10 <= due && due <= p90 && date(Some(due)).starts_with("2026-0"), "{p10} {due} {p90}");
    let words = why(&row);
    assert!(
        words.starts_with("2.7 L from 1 Jan 00:00 on; 3 mL/h by the formula; 960 of 733.33 h"),
        "{words}"
    );
    assert!(
        words.ends_with(
            "; at its due level refill about 2.2 L, to its upper mark: 2 whole packs of 1 L fit in"
        ),
        "{words}"
    );
}

/// One function of the domain gives what the calculator shows and what the due date rests on: another dose, cycle or mark
/// moves both alike.
#[test]
fn a_coefficient_moves_the_calculator_and_the_due_date_alike() {
    let cases = [
        ("8x0.03+6x0.06+4x0.1", "20", "0.5"),
        ("10x0.16", "20", "0.5"),
        ("8x0.03+6x0.06+4x0.1", "30", "0.5"),
        ("8x0.03+6x0.06+4x0.1", "20", "1"),
    ];
    for (doses, cycle, low) in cases {
        let shown = Reservoir {
            low: Volume::litres(value(low).to_f64()).expect("a volume"),
            high: Volume::litres(2.7).expect("a volume"),
            now: Volume::litres(2.7).expect("a volume"),
            stroke: Stroke::parse(doses).expect("doses"),
            cycle: Minutes::new(value(cycle).to_f64()).expect("minutes"),
            run_per_day: Hours::new(24.0).expect("hours"),
            extra: VolumePerDay::l_day(0.0).expect("a volume"),
            reserve: Days::new(0.0).expect("days"),
            pack: Volume::litres(1.0).expect("a volume"),
        };
        let lasts = shown.supply().expect("a supply").run_left.expect("it is used").to_hours();
        let of = Level {
            doses: doses.into(),
            cycle: Cycle::Minutes(value(cycle)),
            low: value(low),
            ..reservoir()
        };
        let due =
            ran_daily(level(of, &[], &[DONE]), DONE, 60, "24").row("2026-03-02").due.expect("a crossing");
        #[expect(clippy::cast_precision_loss, reason = "two months in microseconds")]
        let hours = due.micros_since(utc(DONE)) as f64 / 3.6e9;
        assert!((hours - lasts).abs() < 1e-3, "{doses} {cycle} {low}: {hours} and {lasts}");
    }
}

#[test]
fn a_level_that_was_read_is_what_it_goes_on_from() {
    let readings = [("2026-01-11T00:00", "1.1")];
    let read = ran_daily(level(reservoir(), &readings, &[DONE]), DONE, 40, "24");
    // 0.6 L above the lower mark are 200 h.
    let row = read.row("2026-02-10");
    assert_eq!(row.due, Some(utc("2026-01-19T08:00")));
    assert_eq!(row.clauses[0].base, Base::Reading(utc("2026-01-11T00:00")));
    // Without any closing it stands on the reading alone; without both, nobody knows.
    let unclosed = ran_daily(level(reservoir(), &readings, &[]), DONE, 40, "24");
    assert_eq!(unclosed.row("2026-02-10").due, row.due);
    assert_eq!(level(reservoir(), &[], &[]).row("2026-02-10").kind, DueKind::Unknown);
    // Per cent of the way between the marks: 27.2727 % of 2.2 L are 0.6 L.
    let share = following(Model::Level(reservoir()), "%", &[("2026-01-11T00:00", "27.272727")], &[DONE]);
    let due = ran_daily(share, DONE, 40, "24").row("2026-02-10").due.expect("a crossing");
    assert!(due.micros_since(utc("2026-01-19T08:00")).abs() < 10_000_000, "{due}");
}

#[test]
fn a_closing_fills_it_to_its_mark_unless_a_reading_in_it_says_otherwise() {
    let filled = level(reservoir(), &[("2026-01-11T00:00", "1.7")], &[DONE, "2026-01-11T00:00"]);
    let row = ran_daily(filled, DONE, 40, "24").row("2026-02-10");
    // 1.2 L were left above the lower mark: 400 h.
    assert_eq!(row.due, Some(utc("2026-01-27T16:00")));
    assert_eq!(row.clauses[0].base, Base::Closing(utc("2026-01-11T00:00")));
}

#[test]
fn a_reserve_makes_it_due_before_the_mark_and_late_at_it() {
    let of = Level { reserve: value("0.3"), ..reservoir() };
    let row = ran_daily(level(of, &[], &[DONE]), DONE, 40, "24").row("2026-02-10");
    // 1.9 L are 633 h 20 min; the lower mark comes 100 h later.
    assert_eq!(row.due, Some(utc("2026-01-27T09:20")));
    let late = row.late.expect("reached").micros_since(utc("2026-01-31T13:20"));
    assert!((0..60_000_000).contains(&late), "{late}");
    assert_eq!(standing(&row, utc("2026-01-29T00:00")), Standing::Due);
}

#[test]
fn a_level_at_its_reserve_is_due_at_once_whatever_ran() {
    let low = [("2026-01-03T07:00", "0.5")];
    let row = level(reservoir(), &low, &[DONE]).row("2026-01-03");
    assert_eq!((row.kind, row.due), (DueKind::Exact, Some(utc("2026-01-03T07:00"))));
    assert!(why(&row).starts_with("oil 0.5 L, read Saturday 07:00: it is reached"), "{}", why(&row));
    let filled = level(reservoir(), &low, &[DONE, "2026-01-03T09:00"]);
    let row = ran_daily(filled, DONE, 3, "24").row("2026-01-04");
    assert_eq!(row.kind, DueKind::Expected, "{row:?}");
}

/// What makes it due is the first level of those that are low one after the other: a look that is no better moves neither
/// the due point nor its lateness.
#[test]
fn a_level_read_low_stays_due_since_it_was_computed_to_be() {
    let row = |readings: &[(&str, &str)]| {
        ran_daily(level(reservoir(), readings, &[DONE]), DONE, 45, "24").row("2026-02-15")
    };
    let (unread, low) = (row(&[]), row(&[("2026-02-10T07:00", "0.3")]));
    assert!(unread.due.is_some_and(|due| due < utc("2026-02-03T00:00")), "{:?}", unread.due);
    assert_eq!((low.due, low.late), (unread.due, unread.late));
    // One that is read low before it was computed to be is due since then.
    let early = row(&[("2026-01-20T07:00", "0.3")]);
    assert_eq!(early.due, Some(utc("2026-01-20T07:00")));
}

#[test]
fn a_further_low_level_leaves_it_due_since_the_first() {
    let low = [("2026-01-03T07:00", "0.5"), ("2026-01-05T08:00", "0.4")];
    let row = level(reservoir(), &low, &[DONE]).row("2026-01-05");
    assert_eq!((row.kind, row.due), (DueKind::Exact, Some(utc("2026-01-03T07:00"))));
    assert_eq!((row.opens, row.late), (row.due, Some(utc("2026-01-04T00:00"))));
    assert_eq!(
        why(&row),
        "oil 0.4 L, read Monday 08:00: it is reached since Saturday 07:00; 3 mL/h by the formula; \
                           refill about 2.3 L, to its upper mark: 2 whole packs of 1 L fit in"
    );
    // One that is not low between them has ended the first.
    let filled = [low[0], ("2026-01-04T08:00", "2"), low[1]];
    assert_eq!(level(reservoir(), &filled, &[DONE]).row("2026-01-05").due, Some(utc("2026-01-05T08:00")));
}

/// A level each week of 80 h, by so much of the formula.
fn weekly(shares: &[f64]) -> Vec<(String, String)> {
    let mut left = 2.7;
    let start = utc(DONE);
    let week = |index: usize| start.plus_micros(i64::try_from(index + 1).expect("few") * 604_800_000_000);
    let read = |(index, share): (usize, &f64)| {
        left -= 0.24 * share;
        let at = week(index).to_utc().format("%Y-%m-%dT%H:%M").to_string();
        (at, format!("{left:.2}"))
    };
    shares.iter().enumerate().map(read).collect()
}

fn of_weeks(readings: &[(String, String)]) -> TaskInput {
    let readings: Vec<(&str, &str)> =
        readings.iter().map(|(at, read)| (at.as_str(), read.as_str())).collect();
    ran_daily(level(reservoir(), &readings, &[DONE]), DONE, 80, "11.428571428")
}

#[test]
fn from_enough_levels_the_rate_is_learnt() {
    let row = of_weeks(&weekly(&[0.9; 3])).row("2026-01-23");
    assert_eq!(told(&row).rate.as_ref().map(|rate| rate.readings), Some(0), "three levels tell no rate");
    let row = of_weeks(&weekly(&[0.9; 7])).row("2026-02-20");
    let rate = told(&row).rate.clone().expect("a rate");
    assert_eq!(rate.readings, 8, "seven levels and the filling: {rate:?}");
    assert!((88..=92).contains(&rate.percent.expect("learnt")), "{rate:?}");
    assert_eq!(told(&row).fault(), None);
    let words = why(&row);
    assert!(words.contains(" mL/h from 8 readings, 90 % of the formula; "), "{words}");
}

#[test]
fn a_use_far_from_the_formula_is_a_fault_and_no_refill() {
    for (share, look) in [(0.64, "look for a blocked outlet or line"), (1.4, "look for a leak")] {
        let input = of_weeks(&weekly(&[share; 5]));
        let row = input.row("2026-02-06");
        let Some(Fault::Use { percent, own_past: false, .. }) = told(&row).fault() else { panic!("{row:?}") };
        assert!((f64::from(percent) / 100.0 - share).abs() < 0.02, "{percent}");
        assert_eq!(row.kind, DueKind::Exact, "it stands on the list at once");
        let words = why(&row);
        assert!(words.starts_with(&format!("uses {percent} % of what it should since about")), "{words}");
        assert!(words.contains(look) && words.contains("a refill does not mend it"), "{words}");
        // What is refilled now is what fits in now: nobody overfills by what was meant for the due level.
        let newest = input.models.as_ref().and_then(|known| known.points[&point("oil")].readings.last());
        let room = reservoir().high.to_f64() - newest.expect("levels").value.to_f64();
        let [Act::Refill { litres, .. }] = told(&row).acts[..] else { panic!("{row:?}") };
        assert!((litres.to_f64() - room).abs() < 0.006, "{litres} L into {room} L");
        assert!(!words.contains("at its due level"), "{words}");
        // Once somebody has seen to it, it is not said again before new levels say it.
        let mut seen = input.clone().closed(&["2026-02-06T06:00"]);
        seen.models.as_mut().expect("models").closings.push(utc("2026-02-06T06:00"));
        assert_eq!(told(&seen.row("2026-02-07")).fault(), None);
    }
}

#[test]
fn a_closing_is_judged_by_what_was_read_before_it() {
    let low = [("2026-01-03T07:00", "0.5"), ("2026-01-03T09:00", "2.7")];
    let task = level(reservoir(), &low, &[DONE]);
    let met = satisfied(&task, &plain(), utc("2026-01-03T09:00")).expect("loaded");
    assert_eq!((met.due, met.kind), (Some(utc("2026-01-03T07:00")), DueKind::Exact));
}

#[test]
fn a_skip_passes_over_a_level_until_another_is_read() {
    let skip = |input: TaskInput| TaskInput {
        skips: vec![fettler_domain::plan::Skip { at: utc("2026-01-12T00:00") }],
        ..input
    };
    let low = [("2026-01-11T00:00", "0.5")];
    let skipped = ran_daily(skip(level(reservoir(), &low, &[DONE])), DONE, 60, "24").row("2026-03-01");
    // As though it had been filled when the skip was decided: 733 h 20 min later.
    assert_eq!(skipped.due, Some(utc("2026-02-11T13:20")));
    let read = [low[0], ("2026-01-13T00:00", "0.6")];
    let again = ran_daily(skip(level(reservoir(), &read, &[DONE])), DONE, 60, "24").row("2026-03-01");
    // 0.1 L above the lower mark are 33 h 20 min.
    assert_eq!(again.due, Some(utc("2026-01-14T09:20")));
}

/// A skip passes over the calendar's due day; what was read before it was decided is passed over with it, what is read
/// after it counts, also ahead of the day that was skipped.
#[test]
fn a_skip_of_a_week_passes_over_what_was_read_before_it_was_decided() {
    let weekly = |skipped: &str, read: &str| {
        let of = Clause::Model { model: Box::new(Model::Level(reservoir())) };
        let alone = level(reservoir(), &[(read, "0.5")], &[DONE]);
        let skips = vec![fettler_domain::plan::Skip { at: utc(skipped) }];
        let input =
            TaskInput { models: alone.models, skips, ..task(&[floating("1 week"), of]) }.closed(&[DONE]);
        ran_daily(input, DONE, 12, "24").row("2026-01-13")
    };
    // The 8th was skipped on the 10th: the low level of the 9th with it.
    let before = weekly("2026-01-10T00:00", "2026-01-09T00:00");
    assert_eq!((date(before.due).as_str(), before.kind), ("2026-01-15", DueKind::CalendarDay));
    // The 8th was skipped on the 6th: the low level of the 7th counts.
    let after = weekly("2026-01-06T00:00", "2026-01-07T00:00");
    assert_eq!((after.due, after.kind), (Some(utc("2026-01-07T00:00")), DueKind::Exact));
}

#[test]
fn a_cycle_of_a_counter_is_counted_in_cycles() {
    let of = Level { cycle: Cycle::Count(value("50")), point: None, ..reservoir() };
    let mut input = level(of, &[], &[DONE]);
    let segment = Segment { start: utc(DONE), end: utc("2026-01-11T00:00"), amount: Amount(120_000_000) };
    let history = History::from_segments([segment]);
    input.meters.insert(METER, MeterInput { unit: Unit::Cycles, history, forecast: None });
    let row = plan_task(&input, &plain(), day("2026-01-12")).expect("loaded");
    // 2200 strokes of 1 mL, one in 50 cycles: 110,000 of the 120,000 cycles that ran in ten days.
    assert_eq!(row.due, Some(utc("2026-01-10T04:00")));
}

proptest! {
    /// Readings and closings in any order give one row.
    #[test]
    fn the_order_of_arrival_does_not_matter(
        levels in proptest::collection::vec((0_i64..2_000, 50_i64..270), 1..20),
        closings in proptest::collection::vec(0_i64..2_000, 1..4),
        turn in 0_usize..20,
    ) {
        let at = |hour: i64| utc(DONE).plus_micros(hour * 3_600_000_000);
        let mut input = ran_daily(level(reservoir(), &[], &[]), DONE, 90, "12");
        let models = input.models.as_mut().expect("models");
        let known = models.points.get_mut(&point("oil")).expect("the point");
        known.readings = levels.iter().map(|(hour, read)| Placed { at: at(*hour), value: Value(read * 10_000) }).collect();
        models.closings = closings.iter().map(|hour| at(*hour)).collect();
        input.closings = closings.iter().map(|hour| Closing { done_at: at(*hour) }).collect();
        let row = input.row("2026-03-30");
        let mut turned = input.clone();
        let of = turned.models.as_mut().expect("models");
        let known = of.points.get_mut(&point("oil")).expect("the point");
        let count = known.readings.len();
        known.readings.rotate_left(turn % count);
        of.closings.reverse();
        turned.closings.reverse();
        prop_assert_eq!(turned.row("2026-03-30"), row);
    }

    /// What is lower is never due later, at whatever hour it is read.
    #[test]
    fn a_lower_level_is_never_due_later(hour in 0_i64..2_000, high in 51_i64..270, less in 1_i64..50) {
        let due = |read: i64| {
            let at = utc(DONE).plus_micros(hour * 3_600_000_000);
            let mut input = ran_daily(level(reservoir(), &[], &[DONE]), DONE, 90, "12");
            let known = input.models.as_mut().expect("models").points.get_mut(&point("oil")).expect("the point");
            known.readings = vec![Placed { at, value: Value(read * 10_000) }];
            input.row("2026-03-30").due.expect("a level")
        };
        prop_assert!(due(high - less) <= due(high));
    }
}
