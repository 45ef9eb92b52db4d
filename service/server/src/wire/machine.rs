//! Machines and their moves.

use super::fields::{Fields, LINE_MAX, SHORT_MAX, Said};
use super::people::Names;
use super::report::meter;
use super::time::stamp;
use super::units::unknown_value;
use fettler_domain::error::Error;
use fettler_domain::ids::OrderNumber;
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_proto::v1;
use fettler_store::contract::{MachineFilter, MachineRecord, MachineState};

/// Which machines to list.
pub fn filter(ask: &v1::ListMachinesRequest) -> Result<MachineFilter, Error> {
    let mut fields = Fields::new();
    let state = state_asked(&mut fields, ask.state);
    let area = fields.optional_line("area", &ask.area, SHORT_MAX);
    fields.finish(state.zip(area).map(|(state, area)| MachineFilter { state, area }))
}

fn state_asked(fields: &mut Fields, value: i32) -> Said<Option<MachineState>> {
    Some(match v1::MachineState::try_from(value) {
        Ok(v1::MachineState::Unspecified) => None,
        Ok(v1::MachineState::InService) => Some(MachineState::InService),
        Ok(v1::MachineState::Resting) => Some(MachineState::Resting),
        Ok(v1::MachineState::Forbidden) => Some(MachineState::Forbidden),
        Ok(v1::MachineState::Retired) => Some(MachineState::Retired),
        Err(_) => {
            unknown_value(fields, "state", value, "in service, resting, forbidden or retired");
            return None;
        }
    })
}

/// Reads the name of a machine: its tag or a name that other systems give it.
pub fn named(name: &str) -> Result<ForeignName, Error> {
    let mut fields = Fields::new();
    let name = fields.foreign("machine", name);
    fields.finish(name)
}

/// No machine stands in an area of that name.
pub fn no_area(area: &str) -> Error {
    let remedy = "`fettler machine list` shows the areas with their machines".to_owned();
    Error::NotFound { kind: "area", name: area.to_owned(), remedy }
}

/// Reads a move: the machine, who says so, and why.
pub fn moved(machine: &str, by: &str, reason: &str) -> Result<(Key, Name, String), Error> {
    let mut fields = Fields::new();
    let tag = fields.key("machine", machine);
    let by = fields.name("by", by);
    let reason = fields.required_line("reason", reason, LINE_MAX);
    fields.finish(tag.zip(by).zip(reason).map(|((tag, by), reason)| (tag, by, reason)))
}

/// A machine and where it stands.
pub fn machine(record: &MachineRecord, names: &Names) -> v1::Machine {
    let tag = record.tag.to_string();
    v1::Machine {
        name: record.name.to_string(),
        family: record.family.clone(),
        area: record.area.clone(),
        state: state(record.state).into(),
        since: Some(stamp(record.since)),
        reason: record.reason.clone(),
        by: names.of_some(record.by),
        meters: record.meters.iter().map(|(of, shows)| meter(&tag, of, shows)).collect(),
        open_orders: i32::try_from(record.open_orders).unwrap_or(i32::MAX),
        tag,
    }
}

/// Whether a machine may run.
pub fn state(state: MachineState) -> v1::MachineState {
    match state {
        MachineState::InService => v1::MachineState::InService,
        MachineState::Resting => v1::MachineState::Resting,
        MachineState::Forbidden => v1::MachineState::Forbidden,
        MachineState::Retired => v1::MachineState::Retired,
    }
}

/// The bare numbers of orders.
pub fn numbers(orders: &[OrderNumber]) -> Vec<i64> {
    orders.iter().map(|order| order.0).collect()
}
