//! What a call does in the store, step by step, told to whoever looks on. Where nobody does, nothing is kept and nothing told.

use futures::future::Either;
use std::sync::Arc;
use std::time::Instant;
use tokio::task::futures::TaskLocalFuture;

/// A step that has ended.
#[derive(Clone, Copy, Debug)]
pub enum Step {
    /// Something was read.
    Read(ReadStep),
    /// Something was written, or nothing of it stands.
    Written(WriteStep),
}

/// One reading: from asking for a connection until it was given back.
#[derive(Clone, Copy, Debug)]
pub struct ReadStep {
    /// What was read, where that is said: `due_list`.
    pub what: Option<&'static str>,
    /// When a connection was asked for.
    pub asked: Instant,
    /// When it was given back.
    pub ended: Instant,
}

/// One write: how long it waited for the one that writes, and its transaction.
#[derive(Clone, Copy, Debug)]
pub struct WriteStep {
    /// When it was handed over.
    pub handed_over: Instant,
    /// When its transaction began.
    pub begun: Instant,
    /// When the commit began; none where it did not come to one.
    pub committing: Option<Instant>,
    /// When the transaction had ended.
    pub ended: Instant,
    /// How many calls shared the transaction.
    pub calls: usize,
}

/// Whoever is told of a call's steps; on the task of the call itself, so that nobody else waits for it.
pub trait Onlooker: Send + Sync {
    /// A step has ended.
    fn saw(&self, step: Step);
}

tokio::task_local! {
    static ONLOOKER: Arc<dyn Onlooker>;
}

/// A work that somebody may look on.
pub type Seen<F> = Either<TaskLocalFuture<Arc<dyn Onlooker>, F>, F>;

/// The work, of whose steps in the store this one is told.
pub fn seen_by<F: Future>(onlooker: Option<Arc<dyn Onlooker>>, work: F) -> Seen<F> {
    match onlooker {
        Some(onlooker) => Either::Left(ONLOOKER.scope(onlooker, work)),
        None => Either::Right(work),
    }
}

/// Work that is given to a task of its own: whoever looks on here looks on there.
pub fn seen_on<F: Future>(work: F) -> Seen<F> {
    seen_by(onlooker(), work)
}

/// Who looks on.
pub(crate) fn onlooker() -> Option<Arc<dyn Onlooker>> {
    ONLOOKER.try_with(Arc::clone).ok()
}
