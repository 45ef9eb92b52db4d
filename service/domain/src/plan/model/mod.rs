//! The due point of a clause that follows a model. A model gives parts that the planner knows: a count of a meter, a day
//! at the latest, a reading that says it at once. The earliest of them is the clause's.
//!
//! Readings count as soon as they are told: the model starts from the newest one, so that a level that was read this
//! morning stands in this morning's list. What is run from there to the due count is known or forecast as for a clause
//! that counts a meter.

mod beside;
mod fill;
mod level;
mod said;
mod told;
mod words;

pub use beside::{Beside, beside, beyond, marks};
pub use told::{Act, Fault, Modelled, Rate, Start, Tells};
pub(super) use words::model_in_words;
pub use words::{acts_in_words, cautions, fault_in_words, inputs, model_clause_in_words, source};

use super::decide::whole;
use super::reader::Reader;
use super::row::{Base, ClauseState, Counted, DueKind};
use super::state::State;
use crate::fluid::Poured;
use crate::ids::MeterId;
use crate::quantity::{AMOUNT_MAX, Amount, Unit};
use crate::reading::course::resolution;
use crate::reading::{PointUnit, Value};
use crate::rule::model::Model;
use crate::rule::{Combine, IntervalRule};
use crate::text::Key;
use crate::time::Ts;
use std::collections::BTreeMap;

/// The most readings of a point that a model looks at.
const READINGS_MAX: usize = 120;

/// The due point of a clause that follows a model.
pub(super) fn point(
    reader: &mut Reader<'_>,
    rule: &IntervalRule,
    model: &Model<MeterId>,
    state: &State,
) -> ClauseState {
    let found = match model {
        Model::Level(level) => level::follow(reader, rule, level, state),
        Model::Fill(fill) => fill::follow(reader, rule, fill, state),
        Model::Element(element) => said::element(reader, rule, element, state),
        Model::Coolant(coolant) => said::coolant(reader, rule, coolant, state),
        Model::NeatOil(oil) => said::neat_oil(reader, oil, state),
        Model::IdleAir(idle) => said::idle_air(reader, idle, state),
    };
    let combined = whole(&found.parts, Combine::Earliest, None, (reader.calendar, reader.as_of));
    let known = !found.parts.is_empty() || found.told.waits;
    let mut clause = ClauseState {
        base: found.base,
        due: combined.due,
        kind: if found.parts.is_empty() && known { DueKind::Expected } else { combined.kind },
        opens: combined.opens,
        late: combined.late,
        opens_expected: combined.opens_expected,
        ahead: combined.ahead,
        counted: Counted::Model {
            model: Box::new(model.clone()),
            told: Box::new(found.told),
            governing: combined.governing,
            parts: found.parts,
        },
    };
    if let Some(at) = found.at_once {
        clause.at_once(at, reader);
    }
    clause
}

impl ClauseState {
    /// A reading makes it due, unless it was due before.
    fn at_once(&mut self, at: Ts, reader: &Reader<'_>) {
        if self.kind != DueKind::Expected && self.due.is_some_and(|due| due <= at) {
            return;
        }
        let ends = reader.calendar.end_of(reader.calendar.shop_day_of(at));
        self.due = Some(at);
        self.kind = DueKind::Exact;
        self.opens = Some(self.opens.map_or(at, |opens| opens.min(at)));
        self.late = Some(self.late.map_or(ends, |late| late.min(ends)));
        (self.opens_expected, self.ahead) = (None, None);
        if let Counted::Model { governing, .. } = &mut self.counted {
            *governing = None;
        }
    }
}

/// What a model finds.
struct Found {
    base: Base,
    parts: Vec<ClauseState>,
    told: Modelled,
    /// When a reading says that it is due, whatever was counted.
    at_once: Option<Ts>,
}

/// A reading in the unit that a model takes.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Read {
    at: Ts,
    value: f64,
    /// As it was read.
    shown: Value,
}

/// The readings of a point in a unit, in the order of time: of several at one instant the greatest.
fn readings(
    reader: &Reader<'_>,
    point: Option<&Key>,
    turn: impl Fn(Value, PointUnit) -> Option<f64>,
) -> Vec<Read> {
    let known = point.and_then(|point| reader.input.models.as_ref()?.points.get(point));
    let Some((known, unit)) = known.zip(unit_of(reader, point)) else {
        return Vec::new();
    };
    let counts = |at: Ts| reader.until.is_none_or(|until| at < until);
    let mut newest: BTreeMap<Ts, Value> = BTreeMap::new();
    for reading in known.readings.iter().filter(|reading| counts(reading.at)) {
        let value = newest.entry(reading.at).or_insert(reading.value);
        *value = (*value).max(reading.value);
    }
    let skipped = newest.len().saturating_sub(READINGS_MAX);
    let read = |(at, shown): (Ts, Value)| Some(Read { at, value: turn(shown, unit)?, shown });
    newest.into_iter().skip(skipped).filter_map(read).collect()
}

/// The bad ones at the end of some readings, one after the other: what they tell is due since the first of them, however
/// often it is read again.
fn unbroken(read: &[Read], is_bad: impl Fn(&Read) -> bool) -> &[Read] {
    let begun = read.iter().rposition(|read| !is_bad(read)).map_or(0, |good| good + 1);
    &read[begun..]
}

/// What was poured into the sump or reservoir of a point, summed at each instant, in the order of time.
fn poured(reader: &Reader<'_>, point: Option<&Key>) -> Vec<Poured> {
    let known = point.and_then(|point| reader.input.models.as_ref()?.poured.get(point));
    let counts = |at: Ts| reader.until.is_none_or(|until| at < until);
    let mut all: BTreeMap<Ts, Poured> = BTreeMap::new();
    for poured in known.into_iter().flatten().filter(|poured| counts(poured.at)) {
        let sum = all.entry(poured.at).or_insert(Poured { amount: Amount::ZERO, ..*poured });
        sum.amount = sum.amount + poured.amount;
        sum.change |= poured.change;
    }
    all.into_values().collect()
}

/// The instants at which the task was done in fact or was stated to have been, in the order of time.
fn services(reader: &Reader<'_>) -> Vec<Ts> {
    let stated = reader.input.last_done.as_ref().map(|done| reader.calendar.start_of(done.day));
    let known = reader.input.models.iter().flat_map(|models| &models.closings).copied().chain(stated);
    let mut all: Vec<Ts> = known.filter(|at| reader.until.is_none_or(|until| *at < until)).collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// The unit in which a point is read.
fn unit_of(reader: &Reader<'_>, point: Option<&Key>) -> Option<PointUnit> {
    PointUnit::parse(&reader.input.models.as_ref()?.points.get(point?)?.unit)
}

/// The sign of the unit in which a point is read.
fn sign_of(reader: &Reader<'_>, point: Option<&Key>) -> String {
    let known = point.and_then(|point| reader.input.models.as_ref()?.points.get(point));
    known.map(|known| known.sign.clone()).unwrap_or_default()
}

/// How much a meter counts in so many of its stated units.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    reason = "kept within the largest amount, which a fraction holds exactly"
)]
fn amount(stated: f64, unit: Unit) -> Amount {
    let kept = (stated * unit.per_unit() as f64).round();
    Amount(kept.clamp(0.0, AMOUNT_MAX.0 as f64) as i64)
}

/// An amount in the stated units of its meter.
#[expect(clippy::cast_precision_loss, reason = "amounts stay below 2^53")]
fn stated(amount: Amount, unit: Unit) -> f64 {
    amount.0 as f64 / unit.per_unit() as f64
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a cast of a float saturates")]
fn whole_number(number: f64) -> u32 {
    number.round() as u32
}
