//! The contract's calls about due calendars, each handed to the module that does it.

use super::due_calendars;
use super::store::SqlStore;
use crate::contract::{Caller, DueCalendarRecord, DueCalendars, NewDueCalendar, Page, PageAsk, Result};
use async_trait::async_trait;
use fettler_domain::due_calendar::Entry;
use fettler_domain::ids::SiteId;
use fettler_domain::time::Ts;
use std::collections::BTreeSet;

#[async_trait]
impl DueCalendars for SqlStore {
    async fn add_due_calendar(
        &self,
        caller: &Caller,
        site: SiteId,
        new: &NewDueCalendar,
    ) -> Result<DueCalendarRecord> {
        let new = new.clone();
        self.queue.write(caller, move |tx| Box::pin(due_calendars::add(tx, site, new))).await
    }

    async fn due_calendars(&self, site: SiteId, page: PageAsk<i64>) -> Result<Page<DueCalendarRecord, i64>> {
        due_calendars::list(&mut *self.read().await?, site, page).await
    }

    async fn due_calendar(&self, hash: &[u8; 32]) -> Result<Option<DueCalendarRecord>> {
        due_calendars::by_hash(&mut *self.read().await?, hash).await
    }

    async fn revoke_due_calendar(
        &self,
        caller: &Caller,
        site: SiteId,
        number: i64,
    ) -> Result<DueCalendarRecord> {
        self.queue.write(caller, move |tx| Box::pin(due_calendars::revoke(tx, site, number))).await
    }

    async fn due_entries(
        &self,
        site: SiteId,
        areas: &BTreeSet<String>,
        now: Ts,
    ) -> Result<Vec<(Entry, bool)>> {
        let seen = due_calendars::look(&mut *self.read().await?, site, areas, now).await?;
        if seen.changes.is_empty() {
            return Ok(seen.listed(areas, now));
        }
        let areas = areas.clone();
        let caller =
            Caller { token: None, method: "TellDue", request: None, now, person: None, as_manager: true };
        self.queue.write(&caller, move |tx| Box::pin(due_calendars::tell(tx, site, areas))).await
    }
}
