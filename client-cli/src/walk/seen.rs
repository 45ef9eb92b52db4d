//! A round as it was last seen, kept so that a walk can begin without the service.

use super::Outbox;
use crate::{clock, commands::seen_round, exit::Failure, session::Session, times};
use fettler_proto::v1 as pb;
use prost::Message as _;

/// A round as it was last seen.
#[derive(Default)]
pub(super) struct Seen {
    /// How far it is, and its handovers.
    pub(super) head: pb::GetRoundResponse,
    /// Its checks.
    pub(super) checks: pb::ListChecksResponse,
}

/// The round as it is; where the service does not answer, as it was last seen while its shift is not over.
pub(super) async fn see(session: &Session, outbox: &Outbox) -> Result<(Seen, Option<String>), Failure> {
    let name = seen_name(session);
    match seen_round(session).await {
        Ok((head, checks)) => {
            let mut bytes = head.encode_length_delimited_to_vec();
            bytes.extend(checks.encode_length_delimited_to_vec());
            outbox.keep_round(&name, &bytes)?;
            Ok((Seen { head, checks }, None))
        }
        Err(Failure::NotReachable(complaint)) => {
            let bytes = outbox.round(&name).unwrap_or_default();
            let mut rest = bytes.as_slice();
            let head = pb::GetRoundResponse::decode_length_delimited(&mut rest).ok();
            let checks = pb::ListChecksResponse::decode_length_delimited(&mut rest).ok();
            let seen = head.zip(checks).map(|(head, checks)| Seen { head, checks });
            let stands = |seen: &Seen| {
                let end = seen.checks.round.as_ref().and_then(|round| round.shift_end.as_ref());
                end.and_then(times::from_wire).is_some_and(|end| end > clock::now())
            };
            match seen.filter(stands) {
                Some(seen) => Ok((seen, Some(complaint.message))),
                None => Err(Failure::NotReachable(
                    complaint.hint("the round of this shift was never seen on this computer"),
                )),
            }
        }
        Err(other) => Err(other),
    }
}

/// The file in which a round as last seen is kept, by service and site.
fn seen_name(session: &Session) -> String {
    let whole = format!("{}{}", session.settings.server, session.site());
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    format!("{}.seen", whole.chars().map(plain).collect::<String>())
}
