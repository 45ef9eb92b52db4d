//! Due calendars: secret addresses, and what is told under them.

use super::{Caller, Page, PageAsk, Result};
use async_trait::async_trait;
use fettler_domain::due_calendar::Entry;
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use std::collections::BTreeSet;

/// A secret address, of which the store keeps the hash only.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DueCalendarRecord {
    /// Its site.
    pub site: SiteId,
    /// Its number: the journal entry that made it.
    pub number: i64,
    /// What it is for.
    pub name: String,
    /// Whose it is, where somebody's.
    pub person: Option<PersonId>,
    /// The areas of which it tells; none mean the whole site.
    pub areas: BTreeSet<String>,
    /// When it was made.
    pub made_at: Ts,
    /// When it was taken back.
    pub revoked_at: Option<Ts>,
}

/// An address that is to be kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewDueCalendar {
    /// What it is for.
    pub name: Name,
    /// The SHA-256 of the secret.
    pub hash: [u8; 32],
    /// Whose it is, where somebody's.
    pub person: Option<Name>,
    /// The areas of which it tells; none mean the whole site.
    pub areas: BTreeSet<String>,
}

/// The calls about due calendars.
#[async_trait]
pub trait DueCalendars: Send + Sync {
    /// Keeps a new address's hash.
    async fn add_due_calendar(
        &self,
        caller: &Caller,
        site: SiteId,
        new: &NewDueCalendar,
    ) -> Result<DueCalendarRecord>;
    /// Addresses of a site by number.
    async fn due_calendars(&self, site: SiteId, page: PageAsk<i64>) -> Result<Page<DueCalendarRecord, i64>>;
    /// The address with this SHA-256, whether or not it is still taken.
    async fn due_calendar(&self, hash: &[u8; 32]) -> Result<Option<DueCalendarRecord>>;
    /// Takes an address back; one that was taken back before is answered as it stands.
    async fn revoke_due_calendar(
        &self,
        caller: &Caller,
        site: SiteId,
        number: i64,
    ) -> Result<DueCalendarRecord>;
    /// The entries of some areas (none mean all), each with whether it is told as cancelled. What has changed since it was told last is
    /// kept as it is told now; where nothing has, nothing is written.
    async fn due_entries(
        &self,
        site: SiteId,
        areas: &BTreeSet<String>,
        now: Ts,
    ) -> Result<Vec<(Entry, bool)>>;
}
