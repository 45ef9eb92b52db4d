//! How an order stands at an instant, and lateness in words.

use super::row::{ClauseState, DueKind, PlanRow, Section};
use crate::calendar::Calendar;
use crate::time::{ShopDay, Ts};
use serde::{Deserialize, Serialize};

/// How an open order stands at an instant. What is only expected is never called late.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Before its window, or only expected.
    NotYet,
    /// Within its window, before its due point.
    MayBeDone,
    /// Its due point is reached, its window not yet shut.
    Due,
    /// Its window has shut.
    Late,
    /// Nobody knows: never recorded, or hours not known.
    Unknown,
    /// Its machine is resting.
    Resting,
    /// Its rule gives no further due point, so that it does not stand much longer.
    Ended,
}

/// How an order stands at `now`.
pub fn standing(row: &PlanRow, now: Ts) -> Standing {
    let reached = |at: Option<Ts>| at.is_some_and(|at| at <= now);
    match row.section {
        Section::Unlisted if row.kind == DueKind::Ended => Standing::Ended,
        Section::Unlisted => Standing::Resting,
        Section::NeverRecorded => Standing::Unknown,
        Section::Dated if reached(row.late) && is_known(row) => Standing::Late,
        Section::Dated if reached(row.due) && is_known(row) => Standing::Due,
        Section::Dated if reached(row.opens) => Standing::MayBeDone,
        Section::Dated => Standing::NotYet,
    }
}

/// Whether only a reading out of limits makes it due.
fn waits_for_reading(row: &PlanRow) -> bool {
    let governing = row.governing.and_then(|clause| row.clauses.get(clause));
    governing.is_some_and(ClauseState::waits_for_reading)
}

fn is_known(row: &PlanRow) -> bool {
    row.kind != DueKind::Expected
}

/// Lateness in words, such as `9 days late`, `due today`, `may be done now`, `due Thu 27 Nov`.
pub fn lateness_in_words(row: &PlanRow, now: Ts, calendar: &Calendar) -> String {
    let today = calendar.shop_day_of(now);
    let due = row.due.map(|due| calendar.shop_day_of(due));
    match (standing(row, now), due) {
        (Standing::Resting, _) => "resting".to_owned(),
        (Standing::Ended, _) => "its rule has ended".to_owned(),
        (Standing::Unknown, _) => "never recorded".to_owned(),
        (Standing::Late, Some(due)) => late_in_words(today.days_since(due)),
        (Standing::Due, Some(due)) if due < today => {
            format!("due since {}", calendar.weekday_in_words(due, today))
        }
        (Standing::MayBeDone, _) => "may be done now".to_owned(),
        (Standing::NotYet | Standing::Due, Some(due)) => dated(row, due, today, calendar),
        (Standing::NotYet, None) if waits_for_reading(row) => "waits for a reading out of limits".to_owned(),
        (Standing::NotYet | Standing::Due | Standing::Late, None) => {
            "not expected within ten years".to_owned()
        }
    }
}

/// The window of an order in words: from when on it may be done, and from when on it is late.
pub fn window_in_words(row: &PlanRow, calendar: &Calendar, today: ShopDay) -> String {
    let at = |at: Ts| {
        let day = calendar.weekday_in_words(calendar.shop_day_of(at), today);
        format!("{day} {}", calendar.zone().to_wall(at).format("%H:%M"))
    };
    let opens = match (row.opens_expected, row.opens) {
        (Some(opens), _) => format!("may be done from about {}", at(opens)),
        (None, Some(opens)) => format!("may be done from {}", at(opens)),
        (None, None) => "from when on it may be done is not known yet".to_owned(),
    };
    match row.late {
        Some(late) if row.kind == DueKind::Expected || row.may_be_late_before() => {
            format!("{opens}, late from {} at the latest", at(late))
        }
        Some(late) => format!("{opens}, late from {}", at(late)),
        None => format!("{opens}, late only once its window is known to have shut"),
    }
}

fn late_in_words(days: i64) -> String {
    match days {
        ..=0 => "late today".to_owned(),
        1 => "1 day late".to_owned(),
        days => format!("{days} days late"),
    }
}

fn dated(row: &PlanRow, due: ShopDay, today: ShopDay, calendar: &Calendar) -> String {
    let verb = if row.kind == DueKind::Expected { "expected" } else { "due" };
    // What is expected is told by the date on the wall, as in its reason and as what was crossed is: an instant before the
    // start of the shop day is the next morning's.
    let wall = row.due.map(|at| ShopDay(calendar.zone().to_wall(at).date()));
    let due = wall.filter(|_| row.kind == DueKind::Expected).unwrap_or(due);
    if due == today {
        return format!("{verb} today");
    }
    format!("{verb} {}", calendar.weekday_in_words(due, today))
}
