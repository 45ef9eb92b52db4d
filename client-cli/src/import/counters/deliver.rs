//! What is sent of a counter's values: in time order, thinned, with both sides of each fall, and with what a reset means.

use super::{Counter, Delivery, Item, Last, OnReset, Plan, Replacement, Value};
use crate::{
    import::{
        amount,
        facts::{Fact, Facts},
        keep::Keep,
        report_id,
        table::wire_unit,
    },
    push::row::Row,
    times,
};
use chrono::{DateTime, Utc};
use fettler_domain::quantity::Unit;
use fettler_proto::v1 as pb;

/// Tells what counters said, of which plan, run and file.
pub(super) struct Telling<'a> {
    pub(super) plan: &'a Plan,
    pub(super) runs: &'a [String],
    pub(super) files: &'a [String],
}

/// A counter and what it is called.
struct Told<'a> {
    device: &'a str,
    device_name: &'a str,
    item: &'a str,
    mapped: &'a Item,
    unit: Unit,
}

impl Telling<'_> {
    /// Adds what is to be sent of one counter.
    pub(super) fn deliver(
        &self,
        device: &str,
        item: &str,
        counter: Counter,
        known_to: Option<DateTime<Utc>>,
        facts: &mut Facts,
        delivery: &mut Delivery,
    ) {
        let Counter { device_name, item: mapped, unit, values, is_known } = counter;
        let told = Told { device, device_name: &device_name, item, mapped: &mapped, unit };
        let values = in_order(values, facts);
        let stretch = |at: DateTime<Utc>| self.plan.keep.stretch(self.plan.zone, at);
        let is_over = |at: usize| match values.get(at + 1) {
            Some(next) => stretch(next.at) != stretch(values[at].at),
            None => known_to.is_none_or(|to| to > values[at].at && stretch(to) != stretch(values[at].at)),
        };
        let mut kept: Vec<bool> =
            (0..values.len()).map(|at| self.plan.keep == Keep::Every || is_over(at)).collect();
        if let Some(first) = kept.first_mut().filter(|_| !is_known) {
            *first = true;
        }
        for at in 1..values.len() {
            let (before, value) = (&values[at - 1], &values[at]);
            let both = match &value.reset {
                Some(why) => !self.reset(&told, before, value, why, (facts, delivery)),
                None if value.amount < before.amount => {
                    facts.tell(Fact::Fall, self.place(&told, value), fall(&told, before, value));
                    true
                }
                None => false,
            };
            // Both sides go to the service, so that it sees the fall; nothing is guessed here.
            kept[at - 1] |= both;
            kept[at] |= both;
        }
        if let Some(first) = values.first()
            && let Some(why) = &first.reset
        {
            let text = format!(
                "`{item}` was reset ({why}) and what it showed before is not known here; record it with `fettler hours \
                 replace {} --closing VALUE`, if anything was counted before",
                mapped.machine
            );
            facts.tell(Fact::Reset, self.place(&told, first), text);
        }
        for (value, kept) in values.iter().zip(&kept).filter(|(value, _)| !value.sent) {
            if *kept {
                delivery.rows.push(self.row(&told, value));
            }
        }
        let waits = |at: usize| at + 1 == values.len() && !kept[at];
        let thinned = (0..values.len()).filter(|at| !kept[*at] && !waits(*at) && !values[*at].sent).count();
        facts.count_many(Fact::Thinned, thinned as u64);
        if let Some((value, kept)) = values.last().zip(kept.last()) {
            delivery.last.push(self.last(&told, value, *kept || value.sent));
        }
    }

    /// Tells a reset; whether it is recorded as a replacement.
    fn reset(
        &self,
        told: &Told<'_>,
        before: &Value,
        value: &Value,
        why: &str,
        (facts, delivery): (&mut Facts, &mut Delivery),
    ) -> bool {
        let shown = |value: &Value| value.amount.display(told.unit).to_string();
        let place = self.place(told, value);
        if value.sent {
            return true;
        }
        if told.mapped.on_reset == OnReset::Tell {
            let text = format!(
                "`{}` was reset ({why}) from {} to {} at {}; with on_reset = \"replace\" the mapping would record it",
                told.item,
                shown(before),
                shown(value),
                value.at.to_rfc3339()
            );
            facts.tell(Fact::Reset, place, text);
            return false;
        }
        let text = format!(
            "`{}` was reset ({why}) from {} to {} at {}",
            told.item,
            shown(before),
            shown(value),
            value.at.to_rfc3339()
        );
        facts.tell(Fact::Replaced, place.clone(), text);
        delivery.replacements.push(Replacement {
            machine: told.mapped.machine.clone(),
            meter: told.mapped.meter.clone(),
            at: value.at,
            closing: amount::sent(before.amount, told.unit),
            opening: amount::sent(value.amount, told.unit),
            id: self.id(told, value),
            place,
        });
        true
    }

    fn place(&self, told: &Told<'_>, value: &Value) -> String {
        let file = self.files.get(value.file as usize).map_or("", String::as_str);
        format!("{file}, line {}, `{}`", value.line, told.item)
    }

    /// What names a value: its number where an agent gave one, else what it says and when.
    fn id(&self, told: &Told<'_>, value: &Value) -> String {
        if let Some((run, number)) = value.number {
            let run = self.runs.get(run as usize).map_or("", String::as_str);
            return report_id(&[told.device, run, &number.to_string(), told.item]);
        }
        let at = times::rfc3339(Some(&times::to_wire(value.at)));
        let amount = amount::sent(value.amount, told.unit);
        let parts = [told.device, told.item, at.as_str(), amount.as_str()];
        report_id(if told.device.is_empty() { &parts[1..] } else { &parts })
    }

    fn row(&self, told: &Told<'_>, value: &Value) -> Row {
        let reading = pb::ReadingStatement {
            at: Some(times::to_wire(value.at)),
            value: amount::sent(value.amount, told.unit),
            unit: wire_unit(told.unit).into(),
        };
        let report = pb::ShiftReport {
            source: self.plan.source.clone(),
            report_id: self.id(told, value),
            revision: self.plan.revision,
            machine: told.mapped.machine.clone(),
            meter: told.mapped.meter.clone(),
            statement: Some(pb::shift_report::Statement::Reading(reading)),
        };
        Row { line: value.line, place: Some(self.place(told, value).into()), content: Ok(report) }
    }

    fn last(&self, told: &Told<'_>, value: &Value, sent: bool) -> Last {
        let run = |place: u32| self.runs.get(place as usize).cloned().unwrap_or_default();
        Last {
            device: told.device.to_owned(),
            device_name: told.device_name.to_owned(),
            unit: told.unit,
            item: told.item.to_owned(),
            at_micros: value.at.timestamp_micros(),
            kept: value.amount.0,
            number: value.number.map(|(place, number)| (run(place), number)),
            sent,
        }
    }
}

/// In time order, each once. Where an agent numbered values of one instant, its numbers tell their order.
fn in_order(mut values: Vec<Value>, facts: &mut Facts) -> Vec<Value> {
    let name = |value: &Value| (value.at, value.number, value.amount);
    values.sort_by(|a, b| name(a).cmp(&name(b)).then(b.sent.cmp(&a.sent)));
    let before = values.len();
    values.dedup_by(|later, earlier| name(later) == name(earlier));
    facts.count_many(Fact::Repeated, (before - values.len()) as u64);
    values
}

fn fall(told: &Told<'_>, before: &Value, value: &Value) -> String {
    format!(
        "`{}` falls from {} to {} at {}; the service holds what is lower until `fettler hours replace` records a new counter",
        told.item,
        before.amount.display(told.unit),
        value.amount.display(told.unit),
        value.at.to_rfc3339()
    )
}
