//! Fluids: additions, changes and waste, and the record of them beside the readings.

use super::fields::{Fields, SHORT_MAX};
use super::people::Names;
use super::reading;
use super::time::{stamp, stamp_of};
use super::units::unknown_value;
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Error;
use fettler_domain::fluid::{CAUTIONS, FluidAct, FluidRecord, FluidSaid, WasteSaid};
use fettler_domain::ids::PersonId;
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::{
    FluidBook, FluidDone, FluidFilter, FluidLine, FluidReservoir, KeptFluid, Withdrawal,
};

/// Litres as text.
fn litres(amount: Amount) -> String {
    amount.to_text(Unit::Litres, 3)
}

fn amount(fields: &mut Fields, field: &str, text: &str) -> Option<Amount> {
    let found = Amount::parse(text, Unit::Litres);
    let found = found.map_err(|error| error.to_string()).and_then(|amount| {
        let none = || format!("`{text}` is no quantity of a fluid; give more than 0 L, such as 2.5");
        if amount > Amount::ZERO { Ok(amount) } else { Err(none()) }
    });
    match found {
        Ok(amount) => Some(amount),
        Err(text) => {
            fields.wrong(field, text);
            None
        }
    }
}

fn act(fields: &mut Fields, value: i32) -> Option<FluidAct> {
    match v1::FluidAct::try_from(value) {
        Ok(v1::FluidAct::Added) => Some(FluidAct::Added),
        Ok(v1::FluidAct::Changed) => Some(FluidAct::Changed),
        Ok(v1::FluidAct::Waste) => Some(FluidAct::Waste),
        Ok(v1::FluidAct::Unspecified) | Err(_) => {
            unknown_value(fields, "act", value, "added, changed or waste");
            None
        }
    }
}

/// Reads what is told at `now`.
pub fn told(ask: &v1::RecordFluidRequest, now: Ts) -> Result<FluidSaid, Error> {
    let mut fields = Fields::new();
    let said = ask.said.clone().unwrap_or_default();
    let told = fields.within("said", |fields| one_told(fields, &said, now));
    fields.finish(told)
}

fn one_told(fields: &mut Fields, said: &v1::FluidSaid, now: Ts) -> Option<FluidSaid> {
    let machine = fields.foreign("machine", &said.machine);
    let reservoir = fields.key("reservoir", &said.reservoir);
    let act = act(fields, said.act);
    let fluid = fields.name("fluid", &said.fluid);
    let amount = amount(fields, "litres", &said.litres);
    let lot = fields.optional_name("lot", &said.lot);
    let route = fields.optional_line("route", &said.route, SHORT_MAX);
    let document = fields.optional_line("document", &said.document, SHORT_MAX);
    let is_waste = act == Some(FluidAct::Waste);
    for (field, text) in [("route", &said.route), ("document", &said.document)] {
        if !is_waste && !text.is_empty() {
            fields.wrong(field, "is said of waste only; leave it out, or record the waste by itself");
        }
    }
    if is_waste && !said.lot.is_empty() {
        fields.wrong("lot", "is not said of waste; leave it out");
    }
    let at = fields.past_instant("at", said.at.as_ref(), now, "done");
    let by = fields.name("by", &said.by);
    let note = fields.note("note", &said.note);
    Some(FluidSaid {
        machine: machine?,
        reservoir: reservoir?,
        act: act?,
        fluid: fluid?,
        amount: amount?,
        lot: lot?,
        route: route?,
        document: document?,
        at: at?,
        by: by?,
        note: note?,
    })
}

/// Reads waste that a closing says.
pub fn waste(fields: &mut Fields, said: &v1::WasteSaid) -> Option<WasteSaid> {
    let reservoir = fields.optional_key("reservoir", &said.reservoir);
    let kind = fields.name("kind", &said.kind);
    let amount = amount(fields, "litres", &said.litres);
    let route = fields.optional_line("route", &said.route, SHORT_MAX);
    let document = fields.optional_line("document", &said.document, SHORT_MAX);
    Some(WasteSaid {
        reservoir: reservoir?,
        kind: kind?,
        amount: amount?,
        route: route?,
        document: document?,
    })
}

/// Reads which entry is withdrawn, by whom and why.
pub fn withdrawal(ask: &v1::WithdrawFluidRequest) -> Result<Withdrawal, Error> {
    let mut fields = Fields::new();
    let withdrawal = fields.withdrawal(ask.entry, &ask.by, &ask.reason);
    fields.finish(withdrawal)
}

/// Reads which record is asked for.
pub fn filter(ask: &v1::GetFluidRecordRequest) -> Result<FluidFilter, Error> {
    let mut fields = Fields::new();
    let machine = fields.foreign("machine", &ask.machine);
    let reservoir = fields.optional_key("reservoir", &ask.reservoir);
    let stretch = fields.stretch(ask.from.as_ref(), ask.until.as_ref());
    let all = machine.zip(reservoir).zip(stretch);
    fields.finish(all.map(|((machine, reservoir), (from, until))| FluidFilter {
        machine: machine.to_string(),
        reservoir,
        from,
        until,
    }))
}

/// The people whom an entry names.
pub fn people_of(kept: &KeptFluid) -> impl Iterator<Item = PersonId> + use<> {
    let withdrawn = kept.record.withdrawn.as_ref().map(|withdrawn| withdrawn.by);
    std::iter::once(kept.record.by).chain(withdrawn)
}

/// The people whom a record names.
pub fn people_of_book(book: &FluidBook) -> Vec<PersonId> {
    let of = |line: &FluidLine| match line {
        FluidLine::Reading(kept, ..) => reading::people_of(kept).collect::<Vec<_>>(),
        FluidLine::Entry(kept) => people_of(kept).collect(),
    };
    book.lines.rows.iter().flat_map(of).collect()
}

/// An entry as it is kept.
pub fn entry(kept: &KeptFluid, names: &Names) -> v1::FluidEntry {
    let FluidRecord { reservoir, fluid, route, document, withdrawn, .. } = &kept.record;
    let record = &kept.record;
    let act = match record.act {
        FluidAct::Added => v1::FluidAct::Added,
        FluidAct::Changed => v1::FluidAct::Changed,
        FluidAct::Waste => v1::FluidAct::Waste,
    };
    v1::FluidEntry {
        entry: kept.entry,
        machine: kept.machine.to_string(),
        reservoir: reservoir.to_string(),
        act: act.into(),
        fluid: fluid.to_string(),
        litres: litres(record.amount),
        lot: record.lots.iter().map(Name::as_str).collect::<Vec<_>>().join(", "),
        route: route.clone().unwrap_or_default(),
        document: document.clone().unwrap_or_default(),
        at: Some(stamp(record.at)),
        entered_at: Some(stamp(record.entered_at)),
        by: names.of(record.by),
        order: record.order.map_or(0, |order| order.0),
        findings: record.findings.clone(),
        withdrawn_at: stamp_of(withdrawn.as_ref().map(|withdrawn| withdrawn.at)),
        withdrawn_by: names.of_some(withdrawn.as_ref().map(|withdrawn| withdrawn.by)),
        withdrawn_reason: withdrawn.as_ref().map(|withdrawn| withdrawn.reason.clone()).unwrap_or_default(),
        note: kept.note.clone().unwrap_or_default(),
    }
}

/// What came of an entry.
pub fn recorded(done: FluidDone, names: &Names) -> v1::RecordFluidResponse {
    v1::RecordFluidResponse { entry: Some(entry(&done.kept, names)), remarks: done.remarks }
}

/// What came of a withdrawal.
pub fn withdrawn(done: FluidDone, names: &Names) -> v1::WithdrawFluidResponse {
    v1::WithdrawFluidResponse { entry: Some(entry(&done.kept, names)), remarks: done.remarks }
}

/// The record, without where it goes on and whose it is.
pub fn book(book: &FluidBook, names: &Names, calendar: &Calendar, now: Ts) -> v1::GetFluidRecordResponse {
    v1::GetFluidRecordResponse {
        machine: book.machine.to_string(),
        name: book.name.to_string(),
        reservoirs: book.reservoirs.iter().map(reservoir).collect(),
        lines: book.lines.rows.iter().map(|row| line(row, names)).collect(),
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
        zone: calendar.zone().to_string(),
        as_of: Some(stamp(now)),
        next_page_token: String::new(),
        site_name: String::new(),
    }
}

fn reservoir(of: &FluidReservoir) -> v1::FluidReservoir {
    let limit = |limit: &fettler_store::contract::FluidLimit| v1::FluidLimit {
        point: limit.point.to_string(),
        title: limit.title.clone(),
        text: limit.text.clone(),
        source: limit.source.clone(),
    };
    let limits = of.limits.iter().map(limit).collect();
    v1::FluidReservoir { key: of.key.to_string(), fluid: of.fluid.clone(), limits }
}

fn line(row: &FluidLine, names: &Names) -> v1::FluidLine {
    match row {
        FluidLine::Reading(kept, reservoir, beyond) => v1::FluidLine {
            reservoir: reservoir.to_string(),
            reading: Some(reading::reading(kept, names)),
            limits: kept.record.limits.to_string(),
            beyond: beyond.clone(),
            entry: None,
        },
        FluidLine::Entry(kept) => v1::FluidLine {
            reservoir: kept.record.reservoir.to_string(),
            entry: Some(entry(kept, names)),
            ..Default::default()
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::time::MICROS_PER_MINUTE;

    const NOW: Ts = Ts(1_795_600_200_000_000);

    fn said() -> v1::FluidSaid {
        let text = str::to_owned;
        v1::FluidSaid {
            machine: text("L-03"),
            reservoir: text("sump"),
            act: v1::FluidAct::Added.into(),
            fluid: text("coolant premix 5 %"),
            litres: text("12.5"),
            by: text("Ada"),
            ..Default::default()
        }
    }

    fn wrong(said: v1::FluidSaid) -> Vec<String> {
        let ask = v1::RecordFluidRequest { said: Some(said), ..Default::default() };
        match told(&ask, NOW) {
            Err(Error::Invalid(found)) => found.into_iter().map(|of| of.field).collect(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn what_is_told_is_read_whole_or_every_field_is_named() {
        let ask = v1::RecordFluidRequest { said: Some(said()), ..Default::default() };
        let good = told(&ask, NOW).expect("an addition");
        assert_eq!((good.amount, good.at, good.act), (Amount(12_500), NOW, FluidAct::Added));
        let bad = v1::FluidSaid { litres: "-1".into(), act: 0, by: String::new(), ..said() };
        assert_eq!(wrong(bad), ["said.act", "said.litres", "said.by"]);
        let no_amount = v1::FluidSaid { litres: "0".into(), ..said() };
        assert_eq!(wrong(no_amount), ["said.litres"]);
        let routed = v1::FluidSaid { route: "drum 7".into(), document: "4711".into(), ..said() };
        assert_eq!(wrong(routed), ["said.route", "said.document"], "not of an addition");
        let lot = v1::FluidSaid { act: v1::FluidAct::Waste.into(), lot: "A".into(), ..said() };
        assert_eq!(wrong(lot), ["said.lot"]);
        let ahead = v1::FluidSaid { at: Some(stamp(Ts(NOW.0 + 2 * MICROS_PER_MINUTE))), ..said() };
        assert_eq!(wrong(ahead), ["said.at"]);
    }

    #[test]
    fn a_record_ends_after_it_begins() {
        let ask = v1::GetFluidRecordRequest {
            machine: "L-03".into(),
            from: Some(stamp(NOW)),
            until: Some(stamp(NOW)),
            ..Default::default()
        };
        assert!(filter(&ask).is_err());
        let open = v1::GetFluidRecordRequest { until: None, ..ask };
        assert_eq!(filter(&open).expect("a filter").from, Some(NOW));
    }
}
