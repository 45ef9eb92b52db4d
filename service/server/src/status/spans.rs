//! Codes as traces see them: which make a span one that failed, and which of a collector's answers say that it may go better soon.

use tonic::{Code, Status};

/// Which codes are errors of a server's span, after OpenTelemetry's conventions for gRPC: those by which the server failed its caller,
/// not those by which a caller was told that what they asked cannot be.
pub(crate) fn is_error(code: Code) -> bool {
    match code {
        Code::Unknown
        | Code::DeadlineExceeded
        | Code::Unimplemented
        | Code::Internal
        | Code::Unavailable
        | Code::DataLoss => true,
        Code::Ok
        | Code::Cancelled
        | Code::InvalidArgument
        | Code::NotFound
        | Code::AlreadyExists
        | Code::PermissionDenied
        | Code::ResourceExhausted
        | Code::FailedPrecondition
        | Code::Aborted
        | Code::OutOfRange
        | Code::Unauthenticated => false,
    }
}

/// Which of a collector's answers say that the same spans may be taken later: those that OTLP names, but for the one that needs a word
/// of when.
pub(crate) fn may_pass(code: Code) -> bool {
    matches!(
        code,
        Code::Cancelled
            | Code::DeadlineExceeded
            | Code::Aborted
            | Code::OutOfRange
            | Code::Unavailable
            | Code::DataLoss
    )
}

/// That a collector did not answer in time.
pub(crate) fn unanswered() -> Status {
    Status::deadline_exceeded("no answer in time")
}
