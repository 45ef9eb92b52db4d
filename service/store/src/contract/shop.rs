//! What stands of the installation and its machines.

use fettler_domain::calendar::Calendar;
use fettler_domain::ids::{MachineId, PersonId, SiteId};
use fettler_domain::shop::{MeterRecord, MeterShows, SiteCard};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;

/// A site with its calendar ready to use.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteRecord {
    /// Its number.
    pub site: SiteId,
    /// Its settings.
    pub card: SiteCard,
    /// Its calendar.
    pub calendar: Calendar,
}

/// A person.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PersonRecord {
    /// The number.
    pub person: PersonId,
    /// The name; none after it was erased.
    pub name: Option<Name>,
    /// When they were added.
    pub added_at: Ts,
    /// When their PIN was set; none when they have none.
    pub pin_set_at: Option<Ts>,
    /// The wrong PINs in a row that were given.
    pub wrong_pins: u32,
    /// When the last of them was given.
    pub wrong_pin_at: Option<Ts>,
}

/// Whether a machine may run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum MachineState {
    /// It runs and is cared for.
    InService,
    /// Laid up.
    Resting,
    /// It must not start.
    Forbidden,
    /// It has left the shop.
    Retired,
}

/// A machine and where it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MachineRecord {
    /// Its number.
    pub machine: MachineId,
    /// Its tag.
    pub tag: Key,
    /// Its name.
    pub name: Name,
    /// Its family.
    pub family: String,
    /// Its area.
    pub area: String,
    /// Whether it may run.
    pub state: MachineState,
    /// Since when it stands so.
    pub since: Ts,
    /// Why.
    pub reason: String,
    /// Who said so.
    pub by: Option<PersonId>,
    /// Its meters and what they show.
    pub meters: Vec<(MeterRecord, MeterShows)>,
    /// How many orders on it are open.
    pub open_orders: u32,
}

/// Which machines to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MachineFilter {
    /// In this state.
    pub state: Option<MachineState>,
    /// Of this area.
    pub area: Option<String>,
}

/// Where a machine is moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MachineMove {
    /// Lay it up.
    Rest,
    /// It must not start.
    Forbid,
    /// It may run again.
    Return,
    /// It leaves the shop for good.
    Retire,
}
