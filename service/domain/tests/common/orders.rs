//! Open orders to be planned.

use fettler_domain::ids::{MachineId, OrderNumber, TaskId};
use fettler_domain::plan::{RuleVersion, TaskInput};
use fettler_domain::rule::IntervalRule;
use fettler_domain::time::ShopDay;
use std::collections::BTreeMap;

/// An open order of a task with this rule from the first day on, to which nothing has happened yet.
pub(crate) fn order_of(number: i64, rule: IntervalRule) -> TaskInput {
    TaskInput {
        order: OrderNumber(number),
        task: Some(TaskId(number)),
        machine: MachineId(1),
        hazard: false,
        raised: None,
        versions: vec![RuleVersion { effective: ShopDay::FIRST, rule }],
        closings: Vec::new(),
        skips: Vec::new(),
        last_done: None,
        replaced: BTreeMap::new(),
        rests: Vec::new(),
        meters: BTreeMap::new(),
        fleet_epoch: 0,
        readings: Vec::new(),
        points: BTreeMap::new(),
        models: None,
    }
}
