//! The tables of a shop file, key by key. `docs/shop-file.md` describes each.

use super::{
    checks::Check,
    rule::Clause,
    text::{Kit, LastDone, MachineLastDone, OneOrMany, Plain, Window},
};
use serde::{Deserialize, Serialize};

fn is_default<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

/// The whole file.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ShopFile {
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) people: Vec<String>,
    pub(super) site: Site,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) shift: Vec<Shift>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) closure: Vec<Closure>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) extra_shift: Vec<ExtraShift>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) source: Vec<Source>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) sheet: Vec<Sheet>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) machine: Vec<Machine>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) item: Vec<Item>,
}

/// `[site]`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Site {
    pub(super) key: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) name: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) zone: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) day_starts_at: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) asks_pin: Option<bool>,
}

/// `[[shift]]`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Shift {
    pub(super) key: String,
    pub(super) days: Vec<String>,
    pub(super) starts: String,
    pub(super) ends: String,
}

/// `[[closure]]`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Closure {
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) name: String,
    pub(super) from: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) to: String,
}

/// `[[extra_shift]]`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ExtraShift {
    pub(super) date: String,
    pub(super) starts: String,
    pub(super) ends: String,
}

/// `[[source]]`
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Source {
    pub(super) name: String,
    pub(super) rank: i32,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) feeds: Option<Kind>,
}

/// `[[item]]`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Item {
    pub(super) name: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) code: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) unit: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) pack: Option<Plain>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) least: Option<Plain>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) lead_days: Option<i32>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) lead_spread_days: i32,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) shelf_life_days: i32,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) lost_days: i32,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) hazardous: bool,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) data_sheet: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) service_percent: i32,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) order_cost: Option<Plain>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) holding_cost: Option<Plain>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) unit_cost: Option<Plain>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) retire: bool,
}

/// `[[sheet]]`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sheet {
    pub(super) key: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) title: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) task: Vec<Task>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) check: Vec<Check>,
}

/// `[[machine]]`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Machine {
    pub(super) tag: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) name: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) also_known_as: Vec<String>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) family: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) area: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) sheets: Vec<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) last_done: Option<MachineLastDone>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) meter: Vec<Meter>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) point: Vec<Point>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) task: Vec<Task>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) check: Vec<Check>,
}

/// What a meter accumulates.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Kind {
    Powered,
    Operating,
    Working,
    Loaded,
    CoolantPump,
    Cycles,
    Litres,
}

/// How a meter is fed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Feed {
    Intervals,
    Readings,
}

/// `[[machine.meter]]`
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Meter {
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) key: String,
    pub(super) kind: Kind,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) feed: Option<Feed>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) max_per_hour: Option<Plain>,
}

/// `[[machine.point]]`
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Point {
    pub(super) key: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) title: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) place: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) good: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) fluid: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) reservoir: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) unit: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) act_below: Option<Plain>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) stop_below: Option<Plain>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) act_above: Option<Plain>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) stop_above: Option<Plain>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) possible: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) taken_by: Option<TakenBy>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) cautions: Vec<String>,
}

/// Who may take a point's readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
pub(super) enum TakenBy {
    #[serde(rename = "anyone")]
    Anyone,
    #[serde(rename = "licensed electrician")]
    LicensedElectrician,
}

/// From where a task's clauses count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum CountsFrom {
    LastClosing,
    Grid,
}

/// How several clauses give one due point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Combine {
    Earliest,
    Latest,
}

/// `[[sheet.task]]` and `[[machine.task]]`
#[expect(clippy::struct_excessive_bools, reason = "each is a key of its own in the file")]
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Task {
    pub(super) key: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) title: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) place: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) every: Option<OneOrMany<Clause>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) counts_from: Option<CountsFrom>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) base: Option<Plain>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) combine: Option<Combine>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) window: Option<OneOrMany<Window>>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) rule_from: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) basis: String,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) keep_closed_days: bool,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) kit: Vec<Kit>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) cautions: Vec<String>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) readings: Vec<String>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) minutes: i32,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) hazard: bool,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) covers: Vec<String>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) second_person: bool,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) certificate: bool,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) retire: bool,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) review: Option<Review>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) last_done: Option<LastDone>,
}

/// `review = { ... }` of a task
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Review {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) planned_cost: Option<Plain>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) failure_cost: Option<Plain>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) good_percent: i32,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) at_most: Option<Plain>,
    #[serde(default, skip_serializing_if = "is_default")]
    pub(super) never_longer: bool,
}
