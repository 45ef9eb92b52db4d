//! A round as it was last seen, kept so that a walk can begin without the service.

use super::Outbox;
use crate::{
    clock,
    commands::seen_round,
    exit::{Complaint, Failure},
    session::Session,
    times,
};
use fettler_proto::v1 as pb;
use prost::Message as _;
use std::time::Duration;
use tokio::time::timeout;

/// A round as it was last seen.
pub(super) struct Seen {
    /// How far it is, and its handovers.
    pub(super) head: pb::GetRoundResponse,
    /// Its checks.
    pub(super) checks: pb::ListChecksResponse,
}

/// How long a walk waits for the round where it has one to begin with: a technician stands before the machine.
const FIRST_WAIT: Duration = Duration::from_secs(10);

/// The round as it is; where the service does not answer, as it was last seen while its shift is not over, with why.
pub(super) async fn see(session: &Session, outbox: &Outbox) -> Result<(Seen, Option<String>), Failure> {
    let name = seen_name(session);
    let kept = kept(outbox, &name);
    let asked = if kept.is_some() {
        let slow = |_| Err(Failure::NotReachable(Complaint::new("the service has not answered for 10 s")));
        timeout(FIRST_WAIT, seen_round(session)).await.unwrap_or_else(slow)
    } else {
        seen_round(session).await
    };
    match (asked, kept) {
        (Ok((head, checks)), _) => {
            let mut bytes = head.encode_length_delimited_to_vec();
            bytes.extend(checks.encode_length_delimited_to_vec());
            outbox.keep_round(&name, &bytes)?;
            Ok((Seen { head, checks }, None))
        }
        (Err(Failure::NotReachable(complaint)), Some(seen)) => Ok((seen, Some(complaint.message))),
        (Err(Failure::NotReachable(complaint)), None) => {
            let hint = "the round of this shift was never seen on this computer";
            Err(Failure::NotReachable(complaint.hint(hint)))
        }
        (Err(other), _) => Err(other),
    }
}

/// The round as it was last seen, unless its shift is over.
fn kept(outbox: &Outbox, name: &str) -> Option<Seen> {
    let bytes = outbox.round(name)?;
    let mut rest = bytes.as_slice();
    let head = pb::GetRoundResponse::decode_length_delimited(&mut rest).ok()?;
    let checks = pb::ListChecksResponse::decode_length_delimited(&mut rest).ok()?;
    let end = checks.round.as_ref()?.shift_end.as_ref().and_then(times::from_wire)?;
    (end > clock::now()).then_some(Seen { head, checks })
}

/// The file in which a round as last seen is kept, by service and site.
fn seen_name(session: &Session) -> String {
    let whole = format!("{}{}", session.settings.server, session.site());
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    format!("{}.seen", whole.chars().map(plain).collect::<String>())
}
