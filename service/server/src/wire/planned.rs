//! Planned use on the wire.

use super::fields::Fields;
use super::time::stamp;
use super::units::{exact, unit};
use fettler_domain::error::Error;
use fettler_domain::planned::{Intent, Period, SHIFTS_MAX, ShiftSaid, checked_period};
use fettler_domain::text::ForeignName;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::{PlanSaid, PlanTaken, PlannedPeriod, PlannedShift};

/// Reads what is planned. The amounts are read once the meter and its unit are known.
pub fn said(ask: &v1::PlanUseRequest) -> Result<PlanSaid, Error> {
    let mut fields = Fields::new();
    let machine = fields.foreign("machine", &ask.machine);
    let meter = fields.optional_key("meter", &ask.meter);
    let period = period(&mut fields, ask);
    let by = fields.optional_name("by", &ask.by);
    let shifts = fields.each("shifts", &ask.shifts, SHIFTS_MAX, shift);
    if ask.withdraw && !ask.shifts.is_empty() {
        let text = format!(
            "has {} entries, and `withdraw` takes the plan back; give one of the two",
            ask.shifts.len()
        );
        fields.wrong("shifts", text);
    }
    let intent = if ask.withdraw { Intent::Withdraw } else { Intent::Run(shifts) };
    let read = machine.zip(meter).zip(period).zip(by);
    fields.finish(read.map(|(((machine, meter), period), by)| PlanSaid {
        machine: machine.to_string(),
        meter,
        period,
        intent,
        by,
    }))
}

fn period(fields: &mut Fields, ask: &v1::PlanUseRequest) -> Option<Period> {
    let from = fields.instant("from", ask.from.as_ref());
    let until = fields.instant("until", ask.until.as_ref());
    match checked_period(from?, until?) {
        Ok(period) => Some(period),
        Err(wrong) => {
            fields.wrong(&wrong.field, wrong.text);
            None
        }
    }
}

fn shift(fields: &mut Fields, shift: &v1::PlannedShift) -> Option<ShiftSaid> {
    let start = fields.instant("start", shift.start.as_ref());
    let end = fields.instant("end", shift.end.as_ref());
    let amount = fields.amount_text("amount", &shift.amount);
    Some(ShiftSaid { start: start?, end: end?, amount: amount? })
}

/// What came of it.
pub fn taken(machine: &str, taken: &PlanTaken) -> v1::PlanUseResponse {
    let of = taken.meter.kind.unit();
    let count = |count: u64| i64::try_from(count).unwrap_or(i64::MAX);
    v1::PlanUseResponse {
        machine: machine.to_owned(),
        meter: taken.meter.key.to_string(),
        unit: unit(of).into(),
        replaced: count(taken.replaced),
        planned: count(taken.planned),
        amount: exact(taken.amount, of),
    }
}

/// Which planned shifts are asked for.
pub struct ListAsk {
    /// Of this machine.
    pub machine: Option<ForeignName>,
    /// Those that end after this instant, where it was given.
    pub from: Option<Ts>,
    /// Those that start before this one.
    pub until: Option<Ts>,
}

/// Reads which planned shifts are asked for.
pub fn list_ask(ask: &v1::ListPlannedUseRequest) -> Result<ListAsk, Error> {
    let mut fields = Fields::new();
    let machine = fields.optional_foreign("machine", &ask.machine);
    let stretch = fields.stretch(ask.from.as_ref(), ask.until.as_ref());
    fields.finish(machine.zip(stretch).map(|(machine, (from, until))| ListAsk { machine, from, until }))
}

/// A planned shift.
pub fn kept(kept: &PlannedShift) -> v1::KeptPlannedShift {
    let shift = v1::PlannedShift {
        start: Some(stamp(kept.stretch.start)),
        end: Some(stamp(kept.stretch.end)),
        amount: exact(kept.stretch.amount, kept.unit),
    };
    v1::KeptPlannedShift {
        machine: kept.machine.to_string(),
        meter: kept.key.to_string(),
        shift: Some(shift),
        unit: unit(kept.unit).into(),
        entry: kept.entry,
    }
}

/// A planned period.
pub fn kept_period(kept: &PlannedPeriod) -> v1::PlannedPeriod {
    v1::PlannedPeriod {
        meter: kept.meter.to_string(),
        from: Some(stamp(kept.period.from)),
        until: Some(stamp(kept.period.until)),
    }
}
