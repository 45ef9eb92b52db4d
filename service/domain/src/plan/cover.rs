//! Which tasks cover which, and under which row a covered one is shown.

use super::row::{PlanRow, Section};
use crate::ids::{OrderNumber, TaskId};
use std::collections::{BTreeMap, BTreeSet};

/// The longest chain of tasks that cover one another.
pub const COVER_DEPTH_MAX: usize = 20;

/// What each task covers, directly and through others.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Covers {
    all: BTreeMap<TaskId, BTreeSet<TaskId>>,
}

/// Why a set of covers cannot be taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CoverError {
    /// A task covers itself, directly or through others.
    #[error("task {} covers itself ({}); take one of these covers out", .cycle[0], path(.cycle))]
    Cycle {
        /// The tasks of the cycle, the first again at its end.
        cycle: Vec<TaskId>,
    },
    /// A longer chain than is allowed.
    #[error("task {0} starts a chain of more than 20 covers; let it cover the smaller tasks directly")]
    TooDeep(TaskId),
}

fn path(cycle: &[TaskId]) -> String {
    cycle.iter().map(ToString::to_string).collect::<Vec<_>>().join(" covers ")
}

impl Covers {
    /// Takes pairs (larger, smaller): who does the larger task has done the smaller too.
    pub fn new(pairs: impl IntoIterator<Item = (TaskId, TaskId)>) -> Result<Covers, CoverError> {
        let mut direct: BTreeMap<TaskId, BTreeSet<TaskId>> = BTreeMap::new();
        for (larger, smaller) in pairs {
            direct.entry(larger).or_default().insert(smaller);
        }
        let mut covers = Covers::default();
        for larger in direct.keys() {
            covers.close(*larger, &direct, &mut Vec::new())?;
        }
        Ok(covers)
    }

    /// Everything that is done when this task is done, itself left out.
    pub fn covered_by(&self, task: TaskId) -> impl Iterator<Item = TaskId> + '_ {
        self.all.get(&task).into_iter().flatten().copied()
    }

    /// Whether doing `larger` does `smaller` too.
    pub fn covers(&self, larger: TaskId, smaller: TaskId) -> bool {
        self.all.get(&larger).is_some_and(|all| all.contains(&smaller))
    }

    fn close(
        &mut self,
        task: TaskId,
        direct: &BTreeMap<TaskId, BTreeSet<TaskId>>,
        above: &mut Vec<TaskId>,
    ) -> Result<(), CoverError> {
        if let Some(start) = above.iter().position(|other| *other == task) {
            let mut cycle = above.split_off(start);
            cycle.push(task);
            return Err(CoverError::Cycle { cycle });
        }
        if above.len() > COVER_DEPTH_MAX {
            return Err(CoverError::TooDeep(above[0]));
        }
        if self.all.contains_key(&task) {
            return Ok(());
        }
        above.push(task);
        let mut all = BTreeSet::new();
        for smaller in direct.get(&task).into_iter().flatten() {
            self.close(*smaller, direct, above)?;
            all.insert(*smaller);
            all.extend(self.covered_by(*smaller));
        }
        above.pop();
        self.all.insert(task, all);
        Ok(())
    }

    /// Marks every row that is shown under a larger one: a task that covers it on the same machine, itself shown,
    /// and whose window is open when this one falls due. Of several the largest is taken. Late work is so never
    /// hidden under work that could not have been done when it fell due.
    pub fn mark(&self, rows: &mut [PlanRow]) {
        let size = |row: &PlanRow| row.task.map_or(0, |task| self.all.get(&task).map_or(0, BTreeSet::len));
        // Larger tasks come first, so a row that may stand above another is settled before it.
        let mut order: Vec<usize> = (0..rows.len()).filter(|i| may_be_shown(&rows[*i])).collect();
        order.sort_unstable_by_key(|i| (std::cmp::Reverse(size(&rows[*i])), rows[*i].order));
        for row in rows.iter_mut() {
            row.covered_by = None;
        }
        let mut larger_than: BTreeMap<TaskId, Vec<usize>> = BTreeMap::new();
        for i in order {
            let Some(task) = rows[i].task else { continue };
            let above = larger_than.get(&task).into_iter().flatten();
            rows[i].covered_by = above
                .map(|larger| &rows[*larger])
                .find(|larger| larger.machine == rows[i].machine && is_open_at_due(larger, &rows[i]))
                .map(|larger| larger.order);
            if rows[i].covered_by.is_none() {
                for smaller in self.covered_by(task) {
                    larger_than.entry(smaller).or_default().push(i);
                }
            }
        }
    }
}

fn may_be_shown(row: &PlanRow) -> bool {
    row.section == Section::Dated && row.due.is_some()
}

fn is_open_at_due(larger: &PlanRow, smaller: &PlanRow) -> bool {
    smaller.due.zip(larger.opening()).is_some_and(|(due, opens)| opens <= due)
}

impl PlanRow {
    /// The orders shown under this one.
    pub fn covering<'a>(&self, rows: &'a [PlanRow]) -> impl Iterator<Item = OrderNumber> + use<'a> {
        let order = self.order;
        rows.iter().filter(move |row| row.covered_by == Some(order)).map(|row| row.order)
    }
}
