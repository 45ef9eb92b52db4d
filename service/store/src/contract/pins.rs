//! PINs of people: what the store keeps of them.

use super::{Caller, PersonRecord, Result};
use async_trait::async_trait;
use fettler_domain::ids::PersonId;
use fettler_domain::pin::Wrong;
use fettler_domain::text::Name;
use fettler_domain::time::Ts;

/// What is kept of a person's PIN.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PinRecord {
    /// The person.
    pub person: PersonId,
    /// The hash as it names itself; none when they have no PIN.
    pub hash: Option<String>,
    /// The wrong ones in a row that were given.
    pub wrong: Wrong,
}

/// The calls about PINs.
#[async_trait]
pub trait Pins: Send + Sync {
    /// What is kept of the PIN of the person with this name; none when nobody has it.
    async fn pin(&self, name: &Name) -> Result<Option<PinRecord>>;
    /// Notes that a PIN was right, which ends the count of wrong ones, or wrong; of no journal's concern.
    async fn note_pin(&self, person: PersonId, right: bool, at: Ts) -> Result<()>;
    /// Gives a person a PIN by its hash.
    async fn set_pin(&self, caller: &Caller, name: &Name, hash: &str) -> Result<PersonRecord>;
}
