//! A reservoir of the invented shop whose pump has a leaking outlet: its levels tell it before anybody sees oil on the floor.

use super::shop::SITE;
use fettler_proto::v1;

/// The machine.
pub(super) const LEAKS: &str = "L-02";
/// The test point of the level.
pub(super) const LEVEL: &str = "spindle-oil";
/// Days over which the level was read.
pub(super) const READ_DAYS: i64 = 9;

/// What was added last: the reservoir with its level's test point.
pub(super) fn reservoir(last_done: String) -> v1::Shop {
    let text = str::to_owned;
    let level = v1::LevelClause {
        point: text(LEVEL),
        low_l: text("0.5"),
        high_l: text("2.7"),
        doses_cm3: text("10x0.16"),
        cycle_min: text("10"),
        reserve_l: text("0.2"),
        pack_l: text("1"),
        oil: text("HM 32"),
        ..Default::default()
    };
    let clauses = vec![v1::Clause { counts: Some(v1::clause::Counts::Level(level)) }];
    let task = v1::TaskCard {
        key: text("spindle-oil"),
        title: text("Fill the spindle oil to its upper mark"),
        place: text("oil unit, left side"),
        rule: Some(v1::IntervalRule { clauses, ..Default::default() }),
        kit: vec![v1::KitItem {
            item: text("spindle oil HM 32"),
            quantity: text("2"),
            unit: text("L"),
            ..Default::default()
        }],
        readings: vec![text(LEVEL)],
        minutes: 10,
        ..Default::default()
    };
    let point = v1::TestPoint {
        key: text(LEVEL),
        title: text("spindle oil level"),
        place: text("sight glass of the oil unit"),
        fluid: text("spindle oil HM 32"),
        unit: text("L"),
        reservoir: text("spindle-oil"),
        ..Default::default()
    };
    let done = v1::LastDone { task: text("spindle-oil"), day: last_done, ..Default::default() };
    let machine = v1::MachineCard {
        tag: text(LEAKS),
        points: vec![point],
        tasks: vec![task],
        last_done: vec![done],
        ..Default::default()
    };
    let site = v1::Site { key: text(SITE), ..Default::default() };
    v1::Shop { site: Some(site), machines: vec![machine], ..Default::default() }
}

/// The level after so many worked days: half as much again is gone as the strokes take.
pub(super) fn level_after(worked_days: usize) -> String {
    // Some 8.6 h a day at 9.6 mL/h would take 8 hundredths of a litre; 12 are gone.
    let hundredths = 268 - 12 * worked_days;
    format!("{}.{:02}", hundredths / 100, hundredths % 100)
}
