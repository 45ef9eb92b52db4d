//! Planning: from what was done, what the meters show and what the rules say to what is due, when and why.
//!
//! A plan is a function of its arguments alone. It reads no clock: `as_of` names the shop day, and within that day
//! every order of arrival of the same facts ends in the same rows. Months of a meter's history that were not
//! loaded are answered by name, so that the caller loads them and asks again.

mod clause;
mod cover;
mod decide;
mod input;
mod laid_up;
mod lateness;
mod model;
mod reader;
mod reading;
mod reason;
mod recurrence;
mod row;
mod satisfied;
mod share;
mod state;
mod walk;
mod weeks;

pub use cover::{COVER_DEPTH_MAX, CoverError, Covers};
pub use decide::{Whole, whole as combine_clauses};
pub use input::{
    Closing, Ground, LastDone, MeterForecast, MeterInput, ModelInput, PointInput, Rest, RuleVersion, Skip,
    TaskInput,
};
pub use laid_up::LaidUp;
pub use lateness::{Standing, lateness_in_words, standing, window_in_words};
pub use model::{
    Act, Beside, Fault, Modelled, Rate, Start, Tells, acts_in_words, beside, beyond, cautions,
    fault_in_words, inputs as model_inputs, marks, model_clause_in_words, source as model_source,
};
pub use reason::{Reason, Since, reason_in_words, reasons};
pub use row::{
    Ahead, Base, BearingDays, ClauseState, Counted, DueKind, Expectation, HeldUntil, PlanRow, Reaching,
    Section, Stamp,
};
pub use satisfied::{By, Satisfied, Timing, satisfied};
pub use share::{Share, share_of_clause, share_used};
pub use walk::{
    CLOSINGS_MAX, LookAhead, MonthCount, Occurrence, Pace, TaskAhead, WalkInput, WhyNone, look_ahead,
    occurrences,
};

pub use weeks::{WEEKS_MAX, Week, weeks_before};

use crate::calendar::Calendar;
use crate::ids::MeterId;
use crate::ledger::history::Month;
use crate::time::ShopDay;
use decide::decide_row;
use reader::Reader;
use std::borrow::Cow;

/// The planner's version: it rises whenever the same input would give another row.
pub const PLANNER_VERSION: u32 = 10;

/// The months of meters whose segments must be loaded before the planner can answer, each named once, in order.
pub type Missing = Vec<(MeterId, Month)>;

/// The open orders of a site, as [`plan`] takes them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Snapshot {
    /// One entry an open order; their order does not matter.
    pub tasks: Vec<TaskInput>,
}

/// What a site has decided for all of its orders, as [`plan`] takes it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Policy {
    /// Its calendar.
    pub calendar: Calendar,
    /// Which tasks cover which.
    pub covers: Covers,
}

/// The plan of one open order as of the start of a shop day.
pub fn plan_task(input: &TaskInput, calendar: &Calendar, as_of: ShopDay) -> Result<PlanRow, Missing> {
    let mut reader = Reader::new(input, calendar, as_of);
    let row = decide_row(&mut reader);
    reader.finish(row)
}

/// The plan of a site at once, from a snapshot: what a store's rows, refreshed machine by machine with
/// [`plan_task`], must come to. The tests hold the rules of membership, order and covers against it, and a store that
/// plans a whole site in one piece takes it as it is.
///
/// The rows due or expected within `horizon_days` of `as_of`, and those never recorded, in the
/// order of a list. Covers are marked among all of a machine's rows before the horizon cuts any off.
pub fn plan(
    snapshot: &Snapshot,
    policy: &Policy,
    as_of: ShopDay,
    horizon_days: u32,
) -> Result<Vec<PlanRow>, Missing> {
    let mut tasks: Vec<&TaskInput> = snapshot.tasks.iter().collect();
    tasks.sort_unstable_by_key(|task| task.order);
    let mut rows = Vec::with_capacity(tasks.len());
    let mut missing = Vec::new();
    for task in tasks {
        match plan_task(task, &policy.calendar, as_of) {
            Ok(row) => rows.push(row),
            Err(months) => missing.extend(months),
        }
    }
    if !missing.is_empty() {
        missing.sort_unstable();
        missing.dedup();
        return Err(missing);
    }
    policy.covers.mark(&mut rows);
    let until = policy.calendar.end_of(as_of.plus_days(i64::from(horizon_days)));
    rows.retain(|row| match row.section {
        Section::Dated => row.key_time < until,
        Section::NeverRecorded => true,
        Section::Unlisted => false,
    });
    rows.sort_unstable_by_key(|row| (row.section, row.key_time, row.order));
    Ok(rows)
}

/// The stamp of rows computed now: from this calendar, these fleet figures, and by this version of the planner.
pub fn stamp(as_of: ShopDay, fleet_epoch: i64, calendar: &Calendar) -> Stamp {
    Stamp {
        as_of,
        fleet_epoch,
        calendar_revision: calendar.spec().revision,
        zone_data: Cow::Borrowed(chrono_tz::IANA_TZDB_VERSION),
        planner: PLANNER_VERSION,
    }
}
