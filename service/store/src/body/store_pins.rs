//! The contract's calls about PINs, each handed to the module that does it.

use super::pins;
use super::store::SqlStore;
use crate::contract::{Caller, PersonRecord, PinRecord, Pins, Result};
use async_trait::async_trait;
use fettler_domain::ids::PersonId;
use fettler_domain::text::Name;
use fettler_domain::time::Ts;

#[async_trait]
impl Pins for SqlStore {
    async fn pin(&self, name: &Name) -> Result<Option<PinRecord>> {
        pins::of(&mut *self.read().await?, name).await
    }

    async fn note_pin(&self, person: PersonId, right: bool, at: Ts) -> Result<()> {
        let caller =
            Caller { token: None, method: "NotePin", request: None, now: at, person: None, as_manager: true };
        self.queue.write(&caller, move |tx| Box::pin(pins::note(tx, person, right, at))).await
    }

    async fn set_pin(&self, caller: &Caller, name: &Name, hash: &str) -> Result<PersonRecord> {
        let (name, hash) = (name.clone(), hash.to_owned());
        self.queue.write(caller, move |tx| Box::pin(pins::set(tx, name, hash))).await
    }
}
