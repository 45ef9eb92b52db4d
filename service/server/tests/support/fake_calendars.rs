//! The store in memory has no due calendars.

use super::fake::{Fake, away};
use async_trait::async_trait;
use fettler_domain::due_calendar::Entry;
use fettler_domain::ids::SiteId;
use fettler_domain::time::Ts;
use fettler_store::contract::{
    Caller, DueCalendarRecord, DueCalendars, NewDueCalendar, Page, PageAsk, Result,
};
use std::collections::BTreeSet;

#[async_trait]
impl DueCalendars for Fake {
    async fn add_due_calendar(&self, _: &Caller, _: SiteId, _: &NewDueCalendar) -> Result<DueCalendarRecord> {
        away()
    }

    async fn due_calendars(&self, _: SiteId, _: PageAsk<i64>) -> Result<Page<DueCalendarRecord, i64>> {
        away()
    }

    async fn due_calendar(&self, _: &[u8; 32]) -> Result<Option<DueCalendarRecord>> {
        away()
    }

    async fn revoke_due_calendar(&self, _: &Caller, _: SiteId, _: i64) -> Result<DueCalendarRecord> {
        away()
    }

    async fn due_entries(&self, _: SiteId, _: &BTreeSet<String>, _: Ts) -> Result<Vec<(Entry, bool)>> {
        away()
    }
}
