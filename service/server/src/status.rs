//! From failures to gRPC: the only place that names status codes. `docs/api.md` lists the same table.

pub(crate) mod spans;

use fettler_domain::error::{ASKED_BACK, Error, MEANT, Question, Violation};
use fettler_store::contract::StoreError;
use std::collections::{BTreeMap, HashMap};
use std::time::Duration;
use tonic::{Code, Status};
use tonic_types::{ErrorDetails, FieldViolation, PreconditionViolation, StatusExt};

/// The domain of every `ErrorInfo`.
pub const DOMAIN: &str = "fettler.v1";
/// The largest message that is taken, in bytes: 4 MiB, the default of most gRPC stacks.
pub const MESSAGE_BYTES_MAX: usize = 4 << 20;
/// The reason of what is too large, which HTTP has a number of its own for.
pub const TOO_LARGE: &str = "MESSAGE_TOO_LARGE";
/// How many bytes of field paths and texts of violations an answer tells.
const VIOLATION_BYTES_MAX: usize = 3_000;
/// How many bytes of questions an answer tells: fewer, since the names that may be meant are told once more as data.
const QUESTION_BYTES_MAX: usize = 2_000;
/// After what a caller may try again when the store is busy.
const RETRY_AFTER: Duration = Duration::from_secs(1);

/// Why a call is not answered as asked.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The request or the state of things does not allow it.
    #[error(transparent)]
    Refused(#[from] Error),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// No token came with the call.
    #[error(
        "the call carries no token: ask the administrator of the service for one of your own; programs send it as the metadata \
         `authorization: Bearer fettler_...`"
    )]
    TokenMissing,
    /// The token is not one of ours.
    #[error(
        "the token is not known here: it is mistyped, or another service's; ask the administrator of this one for one of your own, \
         which `fettlerd token add` makes"
    )]
    TokenUnknown,
    /// The token has expired.
    #[error("the token has expired; ask the administrator for another")]
    TokenExpired,
    /// The token was taken back.
    #[error("the token was taken back; ask the administrator for another")]
    TokenRevoked,
    /// Nothing is known of the certificate.
    #[error(
        "no token stands for the certificate ({0}); the administrator makes one with `fettlerd token add NAME --role ROLE \
         --certificate-name`, or send the metadata `authorization: Bearer fettler_...`"
    )]
    CertificateUnknown(String),
    /// The identity provider's token is not taken.
    #[error("the identity token is not taken: {0}")]
    IdentityRefused(crate::oidc::Refused),
    /// The caller asks for more at once, or faster, than a caller may.
    #[error("the limit {limit} of {most} is reached; wait for answers before asking for more")]
    LimitReached {
        /// Which limit.
        limit: &'static str,
        /// How much it allows.
        most: u32,
    },
    /// A message is too large.
    #[error("the message is larger than the limit of {MESSAGE_BYTES_MAX} bytes; send it in smaller parts")]
    TooLarge,
    /// A message cannot be decoded.
    #[error("the message cannot be decoded; build it from the protos of fettler.v1")]
    Unreadable,
    /// A message in JSON cannot be read.
    #[error("the JSON is no {message}: {why}; field names and forms stand in the protos of fettler.v1")]
    UnreadableJson {
        /// What it should be.
        message: String,
        /// What is wrong, and where.
        why: String,
        /// The fields that are wrong, where they are known.
        fields: Vec<Violation>,
    },
    /// The body of a call over HTTP is in a form that is not taken.
    #[error(
        "the call's body is in a form that is not taken; send application/json (application/x-ndjson for a stream), not compressed"
    )]
    NoSuchForm,
    /// There is no such call.
    #[error(
        "there is no such call; calls are named by reflection, over HTTP by /openapi.json, and made there by POST"
    )]
    NoSuchCall,
    /// The deadline passed first.
    #[error("the deadline passed before the answer; ask again with the same request id")]
    Deadline,
    /// The service is stopping.
    #[error("the service is stopping; {0}")]
    Stopping(Then),
    /// A defect of the service.
    #[error("the service failed inside")]
    Broken,
}

/// What whoever is interrupted by the service's stop does then.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Then {
    /// They ask again.
    AskAgain,
    /// They push on.
    PushOn,
    /// They watch again.
    WatchAgain,
}

impl std::fmt::Display for Then {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Then::AskAgain => "ask again in a moment",
            Then::PushOn => "go on in a moment with what was not acknowledged",
            Then::WatchAgain => "watch again in a moment, from the resume token that came last",
        })
    }
}

impl Failure {
    /// Whether the call is refused for who made it, or how often.
    pub fn is_of_the_caller(&self) -> bool {
        matches!(
            self,
            Failure::TokenMissing
                | Failure::TokenUnknown
                | Failure::TokenExpired
                | Failure::TokenRevoked
                | Failure::CertificateUnknown(_)
                | Failure::IdentityRefused(_)
                | Failure::LimitReached { .. }
                | Failure::Refused(Error::NotAllowed { .. })
        )
    }
}

impl From<Failure> for Status {
    fn from(failure: Failure) -> Status {
        match &failure {
            Failure::Refused(error) | Failure::Store(StoreError::Refused(error)) => refused(error),
            Failure::Store(StoreError::Conflict) => {
                retry(Code::Aborted, failure.to_string(), "WRITERS_CONFLICT")
            }
            Failure::Store(StoreError::Unavailable(why)) => {
                tracing::warn!(why, "the store is not available");
                let text = "the store is not available; try again in a moment";
                retry(Code::Unavailable, text.to_owned(), "STORE_UNAVAILABLE")
            }
            Failure::Store(StoreError::NoRoom(why)) => {
                tracing::error!(why, "there is no room to write; make room where the data is");
                let text = "there is no room left where the service keeps its data; nothing was written: make room there, and ask \
                            again; reading goes on";
                retry(Code::ResourceExhausted, text.to_owned(), "NO_ROOM")
            }
            Failure::Store(StoreError::DiskFailed(why)) => {
                tracing::error!(why, "the disk failed");
                let text =
                    "the disk of the service failed; ask again, with the same request id, when it is back";
                retry(Code::Unavailable, text.to_owned(), "DISK_FAILED")
            }
            Failure::Store(error @ StoreError::Corrupt { .. }) => {
                tracing::error!(%error, "stored data is damaged");
                let text = "stored data is damaged; the service's log names the row; `fettlerd check`, where the service runs, \
                            looks at the rest and says what to do";
                plain(Code::Internal, text.to_owned(), "STORED_DATA_DAMAGED")
            }
            Failure::Store(StoreError::Driver(source)) => {
                tracing::error!(error = source as &dyn std::error::Error, "the database failed");
                let text = "the database failed; the service's log says how";
                plain(Code::Internal, text.to_owned(), "DATABASE_FAILED")
            }
            Failure::TokenMissing => plain(Code::Unauthenticated, failure.to_string(), "TOKEN_MISSING"),
            Failure::TokenUnknown => plain(Code::Unauthenticated, failure.to_string(), "TOKEN_UNKNOWN"),
            Failure::TokenExpired => plain(Code::Unauthenticated, failure.to_string(), "TOKEN_EXPIRED"),
            Failure::TokenRevoked => plain(Code::Unauthenticated, failure.to_string(), "TOKEN_REVOKED"),
            Failure::CertificateUnknown(_) => {
                plain(Code::Unauthenticated, failure.to_string(), "CERTIFICATE_UNKNOWN")
            }
            Failure::IdentityRefused(_) => {
                plain(Code::Unauthenticated, failure.to_string(), "IDENTITY_TOKEN_REFUSED")
            }
            Failure::LimitReached { limit, most } => {
                let metadata = [("limit", (*limit).to_owned()), ("most", most.to_string())];
                let mut details = info("LIMIT_REACHED", metadata);
                details.set_retry_info(Some(RETRY_AFTER));
                Status::with_error_details(Code::ResourceExhausted, failure.to_string(), details)
            }
            Failure::TooLarge => {
                let metadata = [("limit_bytes", MESSAGE_BYTES_MAX.to_string())];
                let details = info(TOO_LARGE, metadata);
                Status::with_error_details(Code::ResourceExhausted, failure.to_string(), details)
            }
            Failure::Unreadable => plain(Code::InvalidArgument, failure.to_string(), "MESSAGE_UNREADABLE"),
            Failure::UnreadableJson { fields, .. } if !fields.is_empty() => {
                let told = told(fields, VIOLATION_BYTES_MAX, MORE_WRONG);
                bad_request(failure.to_string(), "MESSAGE_UNREADABLE", &told, None)
            }
            Failure::UnreadableJson { .. } => {
                plain(Code::InvalidArgument, failure.to_string(), "MESSAGE_UNREADABLE")
            }
            Failure::NoSuchForm => plain(Code::InvalidArgument, failure.to_string(), "FORM_NOT_TAKEN"),
            Failure::NoSuchCall => plain(Code::Unimplemented, failure.to_string(), "NO_SUCH_CALL"),
            Failure::Deadline => plain(Code::DeadlineExceeded, failure.to_string(), "DEADLINE_PASSED"),
            Failure::Stopping(_) => retry(Code::Unavailable, failure.to_string(), "STOPPING"),
            Failure::Broken => plain(Code::Internal, failure.to_string(), "BROKEN"),
        }
    }
}

/// What is said of those that do not fit: of what is wrong, and of what is only asked back.
const MORE_WRONG: &str = "more are wrong; mend these first";
const MORE_ASKED: &str = "more are asked back after these";

fn refused(error: &Error) -> Status {
    let text = error.to_string();
    match error {
        Error::Invalid(found) => {
            let told = told(found, VIOLATION_BYTES_MAX, MORE_WRONG);
            bad_request(Error::Invalid(told.clone()).to_string(), "FIELDS_INVALID", &told, None)
        }
        Error::AskedBack(found) => asked_back(found),
        Error::NotFound { kind, name, remedy } => {
            let reason = format!("{}_NOT_FOUND", kind.to_uppercase().replace([' ', '-'], "_"));
            let mut details = info(&reason, [("kind", (*kind).to_owned()), ("name", name.clone())]);
            details.set_resource_info(*kind, name.as_str(), "", remedy.as_str());
            Status::with_error_details(Code::NotFound, text, details)
        }
        Error::WrongState { reason, subject, text: why } => {
            let mut details = info(reason, [("subject", subject.clone())]);
            let violation = PreconditionViolation::new(*reason, subject.as_str(), why.as_str());
            details.set_precondition_failure(vec![violation]);
            Status::with_error_details(Code::FailedPrecondition, text, details)
        }
        Error::NotAllowed { reason, subject, .. } => {
            let details = info(reason, [("subject", subject.clone())]);
            Status::with_error_details(Code::PermissionDenied, text, details)
        }
        Error::RequestReused(_) => {
            let violation = Violation::new("request_id", text.clone());
            bad_request(text, "REQUEST_ID_REUSED", &[violation], None)
        }
    }
}

/// A status travels in headers, of which clients take 16 KiB, and says each violation twice: so those that fit are told,
/// and how many more there are, in these words.
fn told(found: &[Violation], bytes_max: usize, more_words: &str) -> Vec<Violation> {
    let mut bytes = 0;
    let fits = found.iter().take_while(|violation| {
        bytes += violation.field.len() + violation.text.len();
        bytes <= bytes_max
    });
    let fits = fits.count().max(1);
    let mut told: Vec<Violation> = found.iter().take(fits).cloned().collect();
    let more = found.len().saturating_sub(fits);
    if more > 0 {
        told.push(Violation::new("", format!("{more} {more_words}")));
    }
    told
}

fn bad_request(
    text: String,
    reason: &str,
    found: &[Violation],
    more: Option<(&'static str, String)>,
) -> Status {
    let fields: Vec<&str> = found.iter().map(|violation| violation.field.as_str()).collect();
    let metadata = std::iter::once(("fields", fields.join(","))).chain(more);
    let mut details = info(reason, metadata);
    let of = |violation: &Violation| FieldViolation::new(violation.field.as_str(), violation.text.as_str());
    details.set_bad_request(found.iter().map(of).collect::<Vec<_>>());
    Status::with_error_details(Code::InvalidArgument, text, details)
}

/// What is only asked back, with what may be meant by each field as JSON: names hold any sign.
fn asked_back(found: &[Question]) -> Status {
    let odd: Vec<Violation> = found.iter().map(|question| question.odd.clone()).collect();
    let told = told(&odd, QUESTION_BYTES_MAX, MORE_ASKED);
    let is_told = |question: &&Question| told.contains(&question.odd) && !question.meant.is_empty();
    let meant: BTreeMap<&str, &[String]> = found
        .iter()
        .filter(is_told)
        .map(|question| (question.odd.field.as_str(), question.meant.as_slice()))
        .collect();
    let more = (!meant.is_empty()).then(|| (MEANT, serde_json::json!(meant).to_string()));
    bad_request(Error::Invalid(told.clone()).to_string(), ASKED_BACK, &told, more)
}

fn plain(code: Code, text: String, reason: &str) -> Status {
    Status::with_error_details(code, text, info(reason, []))
}

fn retry(code: Code, text: String, reason: &str) -> Status {
    let mut details = info(reason, []);
    details.set_retry_info(Some(RETRY_AFTER));
    Status::with_error_details(code, text, details)
}

fn info<'a>(reason: &str, metadata: impl IntoIterator<Item = (&'a str, String)>) -> ErrorDetails {
    let metadata: HashMap<String, String> =
        metadata.into_iter().map(|(name, value)| (name.to_owned(), value)).collect();
    ErrorDetails::with_error_info(reason, DOMAIN, metadata)
}

/// The failure behind a status that the transport made by itself, where callers deserve a better answer: one
/// that names the limit, the remedy and a reason that programs can read.
pub fn behind(status: &Status) -> Option<Failure> {
    if !status.details().is_empty() {
        return None;
    }
    match status.code() {
        Code::OutOfRange | Code::ResourceExhausted => Some(Failure::TooLarge),
        Code::Internal if status.message().contains("decode") => Some(Failure::Unreadable),
        Code::Internal if status.message().contains("compress") => Some(Failure::Unreadable),
        Code::Unimplemented => Some(Failure::NoSuchCall),
        Code::Ok
        | Code::Cancelled
        | Code::Unknown
        | Code::InvalidArgument
        | Code::DeadlineExceeded
        | Code::NotFound
        | Code::AlreadyExists
        | Code::PermissionDenied
        | Code::FailedPrecondition
        | Code::Aborted
        | Code::Internal
        | Code::Unavailable
        | Code::DataLoss
        | Code::Unauthenticated => None,
    }
}

/// The code that an answer's headers tell; an answer that tells none is still under way or well.
pub fn code_of(headers: &http::HeaderMap) -> Code {
    Status::from_header_map(headers).map_or(Code::Ok, |status| status.code())
}

/// Whether a call ended as no caller brings about: the service failed, or was away or too slow. A stream lasts as its caller says.
pub(crate) fn is_ours(code: Code, of_stream: bool) -> bool {
    let is_failure = matches!(code, Code::Internal | Code::Unknown | Code::DataLoss | Code::Unavailable);
    is_failure || (code == Code::DeadlineExceeded && !of_stream)
}

/// How a call ended of which nothing was told: its caller has left.
pub(crate) const LEFT: Code = Code::Cancelled;

/// The status that an answer's headers or trailers tell, unless all is well.
pub fn told_ill(headers: &http::HeaderMap) -> Option<Status> {
    Status::from_header_map(headers).filter(|status| status.code() != Code::Ok)
}

/// The number under which HTTP tells a code: that of `google.rpc.Code`, but for a call that there is not.
pub fn http_status(code: Code) -> http::StatusCode {
    use http::StatusCode;
    match code {
        Code::Ok => StatusCode::OK,
        Code::InvalidArgument | Code::FailedPrecondition | Code::OutOfRange => StatusCode::BAD_REQUEST,
        Code::Unauthenticated => StatusCode::UNAUTHORIZED,
        Code::PermissionDenied => StatusCode::FORBIDDEN,
        Code::NotFound | Code::Unimplemented => StatusCode::NOT_FOUND,
        Code::Aborted | Code::AlreadyExists => StatusCode::CONFLICT,
        Code::ResourceExhausted => StatusCode::TOO_MANY_REQUESTS,
        Code::Cancelled => StatusCode::from_u16(499).unwrap_or(StatusCode::BAD_REQUEST),
        Code::Unknown | Code::Internal | Code::DataLoss => StatusCode::INTERNAL_SERVER_ERROR,
        Code::Unavailable => StatusCode::SERVICE_UNAVAILABLE,
        Code::DeadlineExceeded => StatusCode::GATEWAY_TIMEOUT,
    }
}

/// Why a call was refused for what its token may do; none where it was not.
pub fn refusal(headers: &http::HeaderMap) -> Option<String> {
    let status = Status::from_header_map(headers).filter(|status| status.code() == Code::PermissionDenied)?;
    Some(status.message().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::order::Confirmed;

    fn every_failure() -> Vec<Failure> {
        let wrong = Error::WrongState {
            reason: "ORDER_NOT_OPEN",
            subject: "order 7".into(),
            text: "is closed".into(),
        };
        vec![
            Error::invalid("shop.site.key", "is empty; give 1 to 40 characters").into(),
            Error::NotFound { kind: "machine", name: "L-99".into(), remedy: "list the machines".into() }
                .into(),
            wrong.into(),
            Error::NotAllowed {
                reason: "ROLE_MISSING",
                subject: "ListDue".into(),
                text: "needs a role".into(),
            }
            .into(),
            Error::RequestReused("a-b".into()).into(),
            Error::AskedBack(vec![Question::new("done_at", "lies early; confirm this time")]).into(),
            StoreError::Refused(Error::invalid("by", "is empty")).into(),
            StoreError::Conflict.into(),
            StoreError::Unavailable("/secret/path is locked".into()).into(),
            StoreError::NoRoom("/secret/path is full".into()).into(),
            StoreError::DiskFailed("/secret/path failed".into()).into(),
            StoreError::Corrupt { table: "orders", column: "state", row: "7".into() }.into(),
            Failure::TokenMissing,
            Failure::TokenUnknown,
            Failure::TokenExpired,
            Failure::TokenRevoked,
            Failure::CertificateUnknown("DNS:erp.example".into()),
            Failure::IdentityRefused(crate::oidc::Refused::Expired),
            Failure::LimitReached { limit: "calls_at_once", most: 512 },
            Failure::TooLarge,
            Failure::Unreadable,
            Failure::UnreadableJson {
                message: "ListDueRequest".into(),
                why: "line 1".into(),
                fields: Vec::new(),
            },
            Failure::NoSuchForm,
            Failure::NoSuchCall,
            Failure::Deadline,
            Failure::Stopping(Then::AskAgain),
            Failure::Broken,
        ]
    }

    #[test]
    fn every_failure_has_its_code_and_reason_and_stands_in_the_documentation() {
        let expect = [
            (Code::InvalidArgument, "FIELDS_INVALID"),
            (Code::NotFound, "MACHINE_NOT_FOUND"),
            (Code::FailedPrecondition, "ORDER_NOT_OPEN"),
            (Code::PermissionDenied, "ROLE_MISSING"),
            (Code::InvalidArgument, "REQUEST_ID_REUSED"),
            (Code::InvalidArgument, ASKED_BACK),
            (Code::InvalidArgument, "FIELDS_INVALID"),
            (Code::Aborted, "WRITERS_CONFLICT"),
            (Code::Unavailable, "STORE_UNAVAILABLE"),
            (Code::ResourceExhausted, "NO_ROOM"),
            (Code::Unavailable, "DISK_FAILED"),
            (Code::Internal, "STORED_DATA_DAMAGED"),
            (Code::Unauthenticated, "TOKEN_MISSING"),
            (Code::Unauthenticated, "TOKEN_UNKNOWN"),
            (Code::Unauthenticated, "TOKEN_EXPIRED"),
            (Code::Unauthenticated, "TOKEN_REVOKED"),
            (Code::Unauthenticated, "CERTIFICATE_UNKNOWN"),
            (Code::Unauthenticated, "IDENTITY_TOKEN_REFUSED"),
            (Code::ResourceExhausted, "LIMIT_REACHED"),
            (Code::ResourceExhausted, "MESSAGE_TOO_LARGE"),
            (Code::InvalidArgument, "MESSAGE_UNREADABLE"),
            (Code::InvalidArgument, "MESSAGE_UNREADABLE"),
            (Code::InvalidArgument, "FORM_NOT_TAKEN"),
            (Code::Unimplemented, "NO_SUCH_CALL"),
            (Code::DeadlineExceeded, "DEADLINE_PASSED"),
            (Code::Unavailable, "STOPPING"),
            (Code::Internal, "BROKEN"),
        ];
        let documented = include_str!("../../../docs/api.md");
        let failures = every_failure();
        assert_eq!(failures.len(), expect.len());
        for (failure, (code, reason)) in failures.into_iter().zip(expect) {
            let status = Status::from(failure);
            let details = status.get_error_details();
            let info = details.error_info().expect("always there");
            assert_eq!((status.code(), info.reason.as_str(), info.domain.as_str()), (code, reason, DOMAIN));
            assert!(!status.message().contains("secret"), "{status}");
            let again = matches!(code, Code::Aborted | Code::Unavailable)
                || ["LIMIT_REACHED", "NO_ROOM"].contains(&reason);
            assert_eq!(details.retry_info().is_some(), again);
            let word = reason.replace("MACHINE_", "<KIND>_").replace("ORDER_NOT_OPEN", "<STATE>");
            let row =
                documented.lines().find(|line| line.starts_with("| ") && line.contains(&format!("`{word}`")));
            let name = format!("{code:?}").chars().fold(String::new(), |mut name, c| {
                if c.is_uppercase() && !name.is_empty() {
                    name.push('_');
                }
                name.extend(c.to_uppercase());
                name
            });
            assert!(row.is_some_and(|row| row.contains(&name)), "{word} is not listed with {name}");
        }
    }

    #[test]
    fn of_very_many_violations_those_that_fit_are_told() {
        let many =
            |count: usize| (0..count).map(|n| Violation::new(format!("rows[{n}]"), "x".repeat(92))).collect();
        let told = |violations| {
            let status = Status::from(Failure::Refused(Error::Invalid(violations)));
            let size = status.message().len() + status.details().len();
            (status.get_error_details().bad_request().expect("there").field_violations.clone(), size)
        };
        assert_eq!(told(many(30)).0.len(), 30);
        let (found, size) = told(many(5_000));
        assert!(found.len() < 32 && size < 10_000, "{} in {size} bytes", found.len());
        let more = format!("{} more are wrong; mend these first", 5_000 - (found.len() - 1));
        assert_eq!(found.last().map(|last| last.description.as_str()), Some(more.as_str()));
    }

    #[test]
    fn what_is_asked_back_is_told_by_its_reason_with_what_may_be_meant() {
        let point =
            Question { meant: vec!["coolant".into()], ..Question::new("readings[0].point", "which?") };
        let told = |asked| {
            let status = Status::from(Failure::Refused(Error::AskedBack(asked)));
            let info = status.get_error_details().error_info().cloned().expect("always there");
            (info.reason, info.metadata.get(MEANT).cloned(), status.details().len() + status.message().len())
        };
        let (reason, meant, _) = told(vec![Question::new("done_at", "when?"), point]);
        assert_eq!(
            (reason.as_str(), meant.as_deref()),
            (ASKED_BACK, Some(r#"{"readings[0].point":["coolant"]}"#))
        );
        let many = |n: usize| Question {
            meant: vec!["x".repeat(90)],
            ..Question::new(Confirmed::item_field(n), "x".repeat(92))
        };
        let asked = Error::AskedBack((0..50).map(many).collect());
        assert!(Status::from(Failure::Refused(asked.clone())).message().ends_with(MORE_ASKED), "{asked}");
        let (_, meant, size) = told((0..50).map(many).collect());
        assert!(meant.is_some_and(|meant| meant.len() < 2_400) && size < 10_000, "{size} bytes");
    }

    #[test]
    fn fields_resources_and_preconditions_are_told_as_data() {
        let status = Status::from(Failure::Refused(Error::Invalid(vec![
            Violation::new("shop.machines[1].tag", "`L-03` stands twice"),
            Violation::new("by", "is empty"),
        ])));
        let details = status.get_error_details();
        let fields: Vec<_> = details.bad_request().expect("there").field_violations.clone();
        assert_eq!(fields.len(), 2);
        assert_eq!(
            (fields[0].field.as_str(), fields[0].description.as_str()),
            ("shop.machines[1].tag", "`L-03` stands twice")
        );
        let of = |failure: Error| Status::from(Failure::Refused(failure)).get_error_details();
        let missing =
            of(Error::NotFound { kind: "machine", name: "L-99".into(), remedy: "list them".into() });
        let resource = missing.resource_info().expect("there");
        assert_eq!((resource.resource_type.as_str(), resource.resource_name.as_str()), ("machine", "L-99"));
        assert_eq!(resource.description, "list them");
        let wrong = of(Error::WrongState {
            reason: "ORDER_NOT_OPEN",
            subject: "order 7".into(),
            text: "closed".into(),
        });
        let precondition = &wrong.precondition_failure().expect("there").violations[0];
        assert_eq!(
            (precondition.r#type.as_str(), precondition.subject.as_str()),
            ("ORDER_NOT_OPEN", "order 7")
        );
    }
}
