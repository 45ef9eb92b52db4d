//! Withdrawals of what was recorded, readings and fluids alike: each is a fact of its own, and what was recorded stays.

use super::decode::to_value;
use super::journal::{Fact, digest_of};
use super::tx::Tx;
use crate::contract::Result;
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Error;
use fettler_domain::ids::SiteId;
use fettler_domain::journal::Kind;
use fettler_domain::reading::Withdrawn;
use serde::Serialize;
use serde_json::json;

/// What is withdrawn.
pub(super) struct Recorded<'r, R> {
    /// The kind of fact.
    pub(super) kind: Kind,
    /// What it is about.
    pub(super) subject: String,
    /// Under which name the fact has the entry.
    pub(super) field: &'static str,
    /// The entry.
    pub(super) entry: i64,
    /// What was recorded.
    pub(super) record: &'r R,
}

/// Appends the fact of a withdrawal; the reason stands sealed.
pub(super) fn append<R: Serialize>(
    tx: &mut Tx,
    site: SiteId,
    what: Recorded<'_, R>,
    withdrawn: &Withdrawn,
) -> Result<i64> {
    let Recorded { kind, subject, field, entry, record } = what;
    let fact = Fact {
        kind,
        subject,
        person: Some(withdrawn.by),
        after: json!({ field: entry, "withdrawn_at": withdrawn.at.0 }),
        before: Some(digest_of(&to_value(record)?)?),
        sealed: Some(("reason", withdrawn.reason.clone())),
    };
    tx.append(site, fact)
}

/// That it was withdrawn already.
pub(super) fn twice(
    reason: &'static str,
    subject: String,
    withdrawn: &Withdrawn,
    calendar: &Calendar,
) -> Error {
    let Withdrawn { at, reason: why, .. } = withdrawn;
    let at = calendar.minute_in_words(*at);
    let text = format!("{subject} was withdrawn on {at} ({why}); nothing is left to withdraw");
    Error::WrongState { reason, subject, text }
}
