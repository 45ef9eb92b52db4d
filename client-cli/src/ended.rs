//! Why a stream ended, as far as it matters to whoever may begin another.

use crate::exit::{self, Failure};
use tonic::Status;

/// Why a stream ended before all was said.
pub(crate) enum Ended {
    /// The way to the service broke, or it said that it will be back; going on with another stream is safe.
    Broken(String),
    /// There is no point in going on.
    Failed(Failure),
}

impl From<Failure> for Ended {
    fn from(failure: Failure) -> Ended {
        Ended::Failed(failure)
    }
}

impl From<Status> for Ended {
    fn from(status: Status) -> Ended {
        if exit::is_unreachable(&status) {
            Ended::Broken(exit::complaint_of(&status).message)
        } else {
            Ended::Failed(Failure::from(status))
        }
    }
}
