//! Handovers: how a round ends, and what the next shift is told.

use super::{Round, Tally, Walked};
use crate::ids::{OrderNumber, PersonId};
use crate::text::{Key, Name};
use crate::time::Ts;
use serde::{Deserialize, Serialize};

/// The most findings, and the most checks left open, that a handover tells.
pub const LINES_MAX: usize = 50;

/// A handover as it is kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HandoverRecord {
    /// The round that it ends.
    pub round: Round,
    /// Who handed over.
    pub by: PersonId,
    /// When.
    pub at: Ts,
    /// What the next shift should know.
    pub note: String,
    /// How far the round was.
    pub tally: Tally,
    /// What was found.
    pub findings: Vec<Line>,
    /// What was left open.
    pub left_open: Vec<Line>,
}

/// Something that a handover tells of a machine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Line {
    /// The machine's tag.
    pub machine: Key,
    /// The check's title.
    pub check: Name,
    /// What was wrong; empty for a check that was left open.
    pub finding: String,
    /// The work order.
    pub order: Option<OrderNumber>,
}

impl HandoverRecord {
    /// Counts a machine's checks, and tells of those that were not as they should be.
    pub fn add(&mut self, machine: &Key, walked: &[Walked]) {
        self.tally.add(walked);
        for check in walked {
            let finding = check.answer.as_ref().map(|answer| answer.finding.clone());
            let (list, finding) = match finding {
                None => (&mut self.left_open, String::new()),
                Some(Some(finding)) => (&mut self.findings, finding),
                Some(None) => continue,
            };
            if list.len() < LINES_MAX {
                list.push(Line {
                    machine: machine.clone(),
                    check: check.check.title.clone(),
                    finding,
                    order: check.answer.as_ref().and_then(|answer| answer.order),
                });
            }
        }
    }
}
