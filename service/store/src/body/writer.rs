//! The one task that writes. Calls wait in a bounded queue; pushes of one site that wait at once share a transaction;
//! answers go out after the commit. A caller that leaves changes nothing: its work is the task's.

use super::dialect;
use super::looks::{Handed, Note, Noted};
use super::push;
use super::tx::{EndError, Tx};
use crate::contract::{Acknowledged, Caller, Result, StoreError};
use fettler_domain::ids::SiteId;
use fettler_domain::ledger::report::Received;
use futures::future::BoxFuture;
use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;
use tokio::sync::{mpsc, oneshot, watch};

/// How many calls may wait. More are kept waiting outside.
pub(super) const QUEUE_MAX: usize = 4_096;
/// How many reports of waiting pushes share one transaction, at most. More would be taken faster in a rush, as what they touch is
/// written once for all of them; fewer are answered sooner.
const GATHERED_MAX: usize = 1_536;

/// What a job has to answer when its transaction has ended.
type Answer = Box<dyn FnOnce(Result<()>) + Send>;
/// A job: it works on the open transaction and gives its answer to be sent after the commit.
type Job = Box<dyn for<'t> FnOnce(&'t mut Tx) -> BoxFuture<'t, Result<Answer>> + Send>;

/// A call that waits for the writer.
pub(super) enum Command {
    /// Reports of a site.
    Push(Push),
    /// Anything else that writes.
    Write {
        /// Who calls.
        caller: Caller,
        /// What is to be done.
        job: Job,
        /// How to say that it failed before it had an answer.
        failed: Box<dyn FnOnce(StoreError) + Send>,
        /// Where its times are noted.
        note: Note,
    },
    /// Writing is to end.
    Shut(oneshot::Sender<()>),
}

/// A push that waits.
pub(super) struct Push {
    pub(super) caller: Caller,
    pub(super) site: SiteId,
    pub(super) reports: Vec<Received>,
    pub(super) reply: oneshot::Sender<Result<Vec<Acknowledged>>>,
    pub(super) note: Note,
}

/// The way to the writer.
#[derive(Clone)]
pub(super) struct Queue {
    sender: mpsc::Sender<Command>,
    /// Only counted: whoever asks how many wait holds nobody up.
    writing: Arc<AtomicU64>,
    failed: watch::Receiver<Option<String>>,
}

impl Queue {
    /// Starts the writer on its connection.
    pub(super) fn start(tx: Tx) -> Queue {
        let (sender, receiver) = mpsc::channel(QUEUE_MAX);
        let (fail, failed) = watch::channel(None);
        tokio::spawn(Writer { tx, receiver, waiting: VecDeque::new(), fail }.run());
        Queue { sender, writing: Arc::default(), failed }
    }

    /// Resolves when the writer has failed, with the reason.
    pub(super) async fn failed(&self) -> String {
        let mut failed = self.failed.clone();
        let reason = failed.wait_for(Option::is_some).await.ok().and_then(|reason| reason.clone());
        match reason {
            Some(reason) => reason,
            // Without a writer there is nothing left that could fail: it was shut.
            None => std::future::pending().await,
        }
    }

    /// Runs a job in a transaction of its own and answers after the commit.
    pub(super) async fn write<T: Send + 'static>(
        &self,
        caller: &Caller,
        job: impl for<'t> FnOnce(&'t mut Tx) -> BoxFuture<'t, Result<T>> + Send + 'static,
    ) -> Result<T> {
        let _counted = Counted::one(&self.writing);
        let (reply, answer) = oneshot::channel();
        // Only the two ways to answer hold it, so that it is known when both are dropped unanswered.
        let reply = Arc::new(std::sync::Mutex::new(Some(reply)));
        let send = move |result: Result<T>| {
            let reply = reply.lock().ok().and_then(|mut reply| reply.take());
            if let Some(reply) = reply {
                // The caller may have left; its work stands all the same.
                let _ = reply.send(result);
            }
        };
        let fail = send.clone();
        let job: Job = Box::new(move |tx| {
            Box::pin(async move {
                let value = job(tx).await?;
                let answer: Answer = Box::new(move |ended| send(ended.map(|()| value)));
                Ok(answer)
            })
        });
        let failed = Box::new(move |error| fail(Err(error)));
        let handed = Handed::now();
        self.send(Command::Write { caller: caller.clone(), job, failed, note: handed.note() }).await?;
        let answer = answer.await.map_err(|_| gone())?;
        handed.tell();
        answer
    }

    /// Pushes reports and answers after the commit.
    pub(super) async fn push(
        &self,
        caller: &Caller,
        site: SiteId,
        reports: Vec<Received>,
    ) -> Result<Vec<Acknowledged>> {
        let _counted = Counted::one(&self.writing);
        let (reply, answer) = oneshot::channel();
        let handed = Handed::now();
        let note = handed.note();
        self.send(Command::Push(Push { caller: caller.clone(), site, reports, reply, note })).await?;
        let answer = answer.await.map_err(|_| gone())?;
        handed.tell();
        answer
    }

    /// How many calls wait for the writer or are being written.
    pub(super) fn writing(&self) -> u64 {
        self.writing.load(Ordering::Relaxed)
    }

    /// Ends writing after what is waiting has been done.
    pub(super) async fn shut(&self) {
        let (reply, done) = oneshot::channel();
        if self.send(Command::Shut(reply)).await.is_ok() {
            // No answer means that the writer ended before.
            let _ = done.await;
        }
    }

    async fn send(&self, command: Command) -> Result<()> {
        self.sender.send(command).await.map_err(|_| gone())
    }
}

/// Counts as one until it is dropped.
struct Counted(Arc<AtomicU64>);

impl Counted {
    fn one(all: &Arc<AtomicU64>) -> Counted {
        all.fetch_add(1, Ordering::Relaxed);
        Counted(all.clone())
    }
}

impl Drop for Counted {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

fn gone() -> StoreError {
    StoreError::Unavailable("writing has ended; ask again when the service is back".into())
}

/// How an engine's log is moved into its file.
pub(crate) struct Log {
    /// Asks how many pages it has; a row with whether it was kept from its work, the pages, and how many of them were moved.
    pub(crate) pages: &'static str,
    /// Moves what no reader needs.
    pub(crate) move_in: &'static str,
    /// Moves all of it, when nothing is being written, and empties it.
    pub(crate) empty: &'static str,
    /// So many pages are moved.
    pub(crate) pages_max: i64,
}

struct Writer {
    tx: Tx,
    receiver: mpsc::Receiver<Command>,
    waiting: VecDeque<Command>,
    fail: watch::Sender<Option<String>>,
}

impl Writer {
    async fn run(mut self) {
        let mut received = Vec::new();
        loop {
            if self.waiting.is_empty() && self.receiver.recv_many(&mut received, QUEUE_MAX).await == 0 {
                return;
            }
            self.waiting.extend(received.drain(..));
            while let Ok(command) = self.receiver.try_recv() {
                self.waiting.push_back(command);
                if self.waiting.len() >= QUEUE_MAX {
                    break;
                }
            }
            match self.waiting.pop_front() {
                Some(Command::Push(first)) => self.push(first).await,
                Some(Command::Write { caller, job, failed, note }) => {
                    let begun = Instant::now();
                    // What it has to say is said once its times are noted.
                    let say = self.write(caller, job, failed).await;
                    note.set(self.noted(begun, 1));
                    say();
                }
                Some(Command::Shut(reply)) => return self.shut(reply).await,
                None => {}
            }
            self.shorten_log().await;
            if self.fail.borrow().is_some() {
                // What waits, here or in the channel, is dropped with the receiver; its callers are told so.
                return self.leave_log();
            }
        }
    }

    async fn write(
        &mut self,
        caller: Caller,
        job: Job,
        failed: Box<dyn FnOnce(StoreError) + Send>,
    ) -> Box<dyn FnOnce() + Send> {
        if let Err(error) = self.tx.begin(caller).await {
            let error = self.given_up(error).await;
            return Box::new(move || failed(error));
        }
        match job(&mut self.tx).await {
            Ok(answer) => {
                let ended = self.end().await;
                Box::new(move || answer(ended))
            }
            Err(error) => {
                let error = self.given_up(error).await;
                Box::new(move || failed(error))
            }
        }
    }

    /// The times of the transaction that has just ended.
    fn noted(&self, begun: Instant, calls: usize) -> Noted {
        Noted { begun, committing: self.tx.committing(), ended: Instant::now(), calls }
    }

    /// Lets nothing stand of a transaction that failed. Where a file of ours could not be written, flushed or read, nothing is
    /// written any more: what the disk holds is known only to whoever reads it anew.
    async fn given_up(&mut self, error: StoreError) -> StoreError {
        self.tx.roll_back().await;
        if let StoreError::DiskFailed(why) = &error {
            tracing::error!(why, "the disk failed; nothing is written any more");
            self.fail.send_replace(Some(why.clone()));
        }
        error
    }

    /// Does a push together with those of the same site that wait directly behind it.
    async fn push(&mut self, first: Push) {
        let mut count = first.reports.len();
        let mut pushes = vec![first];
        while let Some(Command::Push(next)) = self.waiting.front()
            && next.site == pushes[0].site
            && count + next.reports.len() <= GATHERED_MAX
        {
            let Some(Command::Push(next)) = self.waiting.pop_front() else { break };
            count += next.reports.len();
            pushes.push(next);
        }
        let begun = Instant::now();
        let done = self.gathered(&mut pushes).await;
        let noted = self.noted(begun, pushes.len());
        let mut answers = done.map(Vec::into_iter);
        for push in pushes {
            let answer = match &mut answers {
                Ok(answers) => Ok(answers.next().unwrap_or_default()),
                Err(error) => Err(error.again()),
            };
            push.note.set(noted);
            // The caller may have left; its reports stand all the same.
            let _ = push.reply.send(answer);
        }
    }

    async fn gathered(&mut self, pushes: &mut [Push]) -> Result<Vec<Vec<Acknowledged>>> {
        let Some(first) = pushes.first() else { return Ok(Vec::new()) };
        if let Err(error) = self.tx.begin(first.caller.clone()).await {
            return Err(self.given_up(error).await);
        }
        match push::push(&mut self.tx, pushes).await {
            Ok(answers) => self.end().await.map(|()| answers),
            Err(error) => Err(self.given_up(error).await),
        }
    }

    /// Ends the transaction; after a failed commit nothing is acknowledged any more.
    async fn end(&mut self) -> Result<()> {
        match self.tx.end().await {
            Ok(()) => Ok(()),
            Err(EndError::Before(error)) => Err(self.given_up(error).await),
            Err(EndError::AtCommit(error)) if !dialect::COMMIT_IS_LAST => {
                tracing::error!(%error, "a commit failed; whether it stands is not known");
                self.tx.roll_back().await;
                Err(StoreError::Unavailable(
                    "whether it was written is not known; ask again with the same request id".into(),
                ))
            }
            Err(EndError::AtCommit(error)) => {
                self.tx.roll_back().await;
                let text = error.to_string();
                // What found no room was not flushed either, and the log ends before it: all is as if it had not been asked.
                if let full @ StoreError::NoRoom(_) = StoreError::from(error) {
                    return Err(full);
                }
                tracing::error!(error = text, "a commit failed; nothing is written any more");
                self.fail.send_replace(Some(text));
                Err(StoreError::Unavailable("what was written could not be made durable".into()))
            }
        }
    }

    /// Moves the log into the file when it has grown long, after the answers have gone out.
    async fn shorten_log(&mut self) {
        let Some(log) = dialect::LOG else { return };
        if self.fail.borrow().is_some() {
            return;
        }
        let conn = &mut self.tx.conn;
        let moved = async {
            let (_, pages, _): (i64, i64, i64) = sqlx::query_as(log.pages).fetch_one(&mut *conn).await?;
            if pages >= log.pages_max {
                sqlx::query(log.move_in).execute(conn).await?;
            }
            Ok(())
        };
        let moved = moved.await;
        self.look_at_log(moved);
    }

    /// Ends writing where the log could not be moved because the disk failed. What was moved since the last flush may be gone; the log
    /// still has all of it, and the next start moves it anew from its beginning.
    fn look_at_log(&self, moved: sqlx::Result<()>) {
        match moved.map_err(StoreError::from) {
            Ok(()) => {}
            Err(StoreError::DiskFailed(why)) => {
                tracing::error!(why, "the log could not be moved into the file; nothing is written any more");
                self.fail.send_replace(Some(why));
            }
            // There is no room, or a reader is in the way: the log has it all, and grows on until that has passed.
            Err(error) => tracing::warn!(%error, "the log stays as it is"),
        }
    }

    /// Leaves the connection open until the process ends. The last one to be closed would move what is left of the log, and remove it,
    /// as if the flush before had not failed.
    fn leave_log(self) {
        std::mem::forget(self.tx.conn);
    }

    async fn shut(mut self, reply: oneshot::Sender<()>) {
        self.receiver.close();
        if let Some(log) = dialect::LOG {
            let moved = sqlx::query(log.empty).execute(&mut self.tx.conn).await;
            self.look_at_log(moved.map(drop));
        }
        if self.fail.borrow().is_some() {
            self.leave_log();
        } else {
            drop(self.tx);
        }
        // Nobody may be waiting any more.
        let _ = reply.send(());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::time::Ts;
    use sqlx::Executor as _;

    const TABLE: &str = "CREATE TABLE part (number INTEGER PRIMARY KEY, \
        whole INTEGER REFERENCES part (number) DEFERRABLE INITIALLY DEFERRED)";
    /// A part of a whole that does not exist: only the commit finds that out.
    const ORPHAN: &str = "INSERT INTO part VALUES (1, 99)";
    const WHOLE: &str = "INSERT INTO part VALUES (2, NULL)";

    async fn run(tx: &mut Tx, sql: &'static str) -> Result<()> {
        tx.conn.execute(sql).await?;
        Ok(())
    }

    #[tokio::test]
    async fn after_a_failed_commit_nothing_that_waits_is_done_and_all_of_it_is_answered() {
        let (_folder, mut conn, readers, again) = super::super::super::scratch().await;
        conn.execute(TABLE).await.expect("a table");
        let queue = Queue::start(Tx::new(conn, again));
        let caller =
            Caller { token: None, method: "", request: None, now: Ts::MIN, person: None, as_manager: true };
        let (begun, has_begun) = oneshot::channel();
        let (go_on, may_go_on) = oneshot::channel::<()>();
        let failing = queue.write(&caller, move |tx| {
            Box::pin(async move {
                run(tx, ORPHAN).await?;
                begun.send(()).expect("somebody waits");
                may_go_on.await.map_err(|_| gone())
            })
        });
        // These come while the failing one is under way, so that they lie in the channel when its commit fails.
        let behind = async {
            has_begun.await.expect("it begins");
            let write = queue.write(&caller, |tx| Box::pin(run(tx, WHOLE)));
            let push = queue.push(&caller, SiteId(1), Vec::new());
            let open = async { go_on.send(()).expect("it waits") };
            futures::join!(write, push, queue.shut(), open)
        };
        let (failing, (write, push, ..)) = futures::join!(failing, behind);
        assert!(matches!(failing, Err(StoreError::Unavailable(_))), "{failing:?}");
        let gone = |answer: &Result<()>| matches!(answer, Err(StoreError::Unavailable(_)));
        // A database that flushes for itself goes on, and so does what waited.
        assert_eq!(gone(&write), dialect::COMMIT_IS_LAST, "{write:?}");
        assert_eq!(gone(&push.map(drop)), dialect::COMMIT_IS_LAST, "there is no such site");
        let later = queue.write(&caller, |tx| Box::pin(run(tx, WHOLE))).await;
        assert!(gone(&later), "{later:?}");
        let seen: i64 =
            sqlx::query_scalar("SELECT COUNT(*) FROM part").fetch_one(&readers).await.expect("a count");
        assert_eq!(seen, i64::from(!dialect::COMMIT_IS_LAST), "only what was committed is seen");
        if dialect::COMMIT_IS_LAST {
            assert!(!queue.failed().await.is_empty());
        }
    }
}
