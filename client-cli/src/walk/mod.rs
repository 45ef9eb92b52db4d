//! Walking a round at a terminal: question by question, on a line that may be slow or gone.
//!
//! An answer is on this computer's disk before the next question is asked, and is sent in the background. What could not be
//! sent is sent by the next walk, under the same request id. The round itself is kept as it was last seen, so that a walk can
//! begin without the service.

mod outbox;
mod screen;
mod seen;
mod sender;
mod stage;

pub(crate) use outbox::{Entry, Outbox};
pub(crate) use screen::{Typed, lines, typed};
pub(crate) use sender::{Told, settle};
pub(crate) use stage::walk;

use outbox::Said;
