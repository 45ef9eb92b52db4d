//! PINs in a walk: asked for before it begins, and again for what waits for one.

use super::{Stage, Turn};
use crate::{exit::Failure, pin, render::words};

impl Stage<'_> {
    /// Asks at once for the PIN that the site will ask for; without one, as by a token of one's own, the walk goes on.
    pub(super) async fn proof(&mut self) -> Result<(), Failure> {
        let has = self.session.settings.pins.has(&self.by);
        if has || self.told_away || self.session.ask_site().await?.asks_pin != Some(true) {
            return Ok(());
        }
        let Some(unseen) = pin::Unseen::begin() else { return Ok(()) };
        let typed = self.line(&pin::prompt(&self.by)).await?.unwrap_or_default();
        drop(unseen);
        if !typed.trim().is_empty() && self.session.settings.pins.take(&self.by, &typed).is_err() {
            self.say("a PIN is 6 to 12 digits; it is asked for again when it is needed")?;
        }
        Ok(())
    }

    /// Asks for the PINs of those whose words wait for one, and sends these again. Without it they stay on the disk.
    pub(super) async fn pins(&mut self) -> Result<Option<Turn>, Failure> {
        while let Some(entry) = self.unproven.pop_front() {
            if !self.session.settings.pins.has(&entry.by) {
                let Some(unseen) = pin::Unseen::begin() else {
                    self.say("the service asks for a PIN; give it in FETTLER_PIN or --pin-file")?;
                    self.unproven.clear();
                    return Ok(None);
                };
                let typed = self.line(&pin::prompt(&entry.by)).await?;
                drop(unseen);
                let Some(typed) = typed else { return Ok(Some(Turn::Leave)) };
                if typed.trim().is_empty() {
                    let waits = words::count(1 + self.unproven.len(), "answer waits", "answers wait");
                    self.say(&format!("{waits} on this computer for it; the next walk asks again"))?;
                    self.unproven.clear();
                    return Ok(None);
                }
                if self.session.settings.pins.take(&entry.by, &typed).is_err() {
                    self.say("a PIN is 6 to 12 digits")?;
                    self.unproven.push_front(entry);
                    continue;
                }
            }
            self.sender.put(entry);
        }
        Ok(None)
    }
}
