//! Rows through the stream: a bounded window, settled in order, resumed from the first row not acknowledged.
//!
//! Sending a report again is harmless: the service knows it by source, id and revision and answers with a duplicate.
//! So a broken connection costs nothing but the rows of one window.

use super::{input::Batch, row::Row, tally::Tally};
use crate::{
    clock,
    ended::Ended,
    exit::{Complaint, Failure},
    render::words::grouped,
    session::Session,
};
use fettler_proto::v1 as pb;
use std::{collections::VecDeque, time::Duration};
use tokio::{sync::mpsc, time::Instant};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Status, Streaming};

/// How many rows may be on their way at once. The service gathers what is waiting into one transaction, so a window
/// much larger than its batch only costs memory.
pub(crate) const WINDOW_ROWS: usize = 4_096;
/// How many messages wait for the connection itself.
const OUTBOUND_MESSAGES: usize = 256;
/// How often a connection may break without a single row being acknowledged in between.
const BREAKS_MAX: u32 = 5;
/// How long nothing may be acknowledged while rows are on their way, before the connection counts as broken.
const SILENCE_MAX: Duration = Duration::from_mins(1);
/// How long the service may take to close a stream on which everything is acknowledged.
const GOODBYE_MAX: Duration = Duration::from_secs(2);

/// Rows on their way through one or several connections.
pub(crate) struct Push<'a> {
    session: &'a Session,
    rows: mpsc::Receiver<Batch>,
    tally: &'a mut Tally,
    /// Rows not settled yet, in the order of the file.
    window: VecDeque<Row>,
    /// How many of them have been handed to this connection or need no sending.
    passed: usize,
    /// How many messages this connection has carried, and how many were acknowledged.
    sent: u64,
    acknowledged: u64,
    file_ended: bool,
    broken_file: Option<String>,
}

impl<'a> Push<'a> {
    /// Prepares a push; nothing is sent yet.
    pub(crate) fn new(session: &'a Session, rows: mpsc::Receiver<Batch>, tally: &'a mut Tally) -> Push<'a> {
        Push {
            session,
            rows,
            tally,
            window: VecDeque::new(),
            passed: 0,
            sent: 0,
            acknowledged: 0,
            file_ended: false,
            broken_file: None,
        }
    }

    /// Pushes every row and settles it. A file that breaks off is a failure after what was read has been settled.
    pub(crate) async fn run(mut self) -> Result<(), Failure> {
        let mut breaks = 0;
        while self.find_work().await? {
            self.passed = 0;
            self.sent = 0;
            self.acknowledged = 0;
            match self.connection().await {
                Ok(()) => breaks = 0,
                Err(Ended::Failed(failure)) => return Err(self.so_far(failure)),
                Err(Ended::Broken(why)) => {
                    breaks = if self.acknowledged > 0 { 1 } else { breaks + 1 };
                    if breaks == BREAKS_MAX {
                        return Err(self.so_far(Failure::NotReachable(Complaint::new(format!(
                            "{} did not answer: {why}",
                            self.session.settings.server
                        )))));
                    }
                    self.note_break(&why);
                    tokio::time::sleep(clock::backoff(breaks + 1)).await;
                }
            }
        }
        match self.broken_file.take() {
            Some(why) => Err(Failure::usage(why).with_hint("what was read before has been pushed")),
            None => Ok(()),
        }
    }

    fn so_far(&self, failure: Failure) -> Failure {
        failure.with_hint(format!(
            "{} rows are settled; the same command again goes on safely, since what was taken is a duplicate",
            grouped(self.tally.settled())
        ))
    }

    fn note_break(&self, why: &str) {
        self.tally.clear_progress();
        let line = self.window.front().map_or(0, |row| row.line);
        self.session.out.note(&format!("connection lost ({why}); going on from line {line}\n"));
    }

    /// Takes batches until there is a report to send, or the file has ended.
    async fn find_work(&mut self) -> Result<bool, Failure> {
        while self.window.is_empty() && !self.file_ended {
            let batch = self.rows.recv().await;
            self.take(batch)?;
        }
        Ok(!self.window.is_empty())
    }

    fn take(&mut self, batch: Option<Batch>) -> Result<(), Failure> {
        match batch {
            Some(Batch::Rows(rows)) => self.window.extend(rows),
            Some(Batch::Broken(why)) => self.broken_file = Some(why),
            None => self.file_ended = true,
        }
        self.settle_unreadable()
    }

    /// Settles rows at the front that were never sendable, so that the order of the file is kept.
    fn settle_unreadable(&mut self) -> Result<(), Failure> {
        while let Some(row) = self.window.front() {
            let Err(problems) = &row.content else { break };
            self.tally.unreadable(row, problems)?;
            self.window.pop_front();
            self.passed = self.passed.saturating_sub(1);
        }
        Ok(())
    }

    /// The next report to send, stepping over rows that cannot be sent.
    fn next_report(&mut self) -> Option<pb::ShiftReport> {
        loop {
            let row = self.window.get(self.passed)?;
            self.passed += 1;
            if let Ok(report) = &row.content {
                return Some(report.clone());
            }
        }
    }

    fn has_unsent(&self) -> bool {
        self.window.iter().skip(self.passed).any(|row| row.content.is_ok())
    }

    async fn connection(&mut self) -> Result<(), Ended> {
        let (sender, receiver) = mpsc::channel(OUTBOUND_MESSAGES);
        let mut sender = Some(sender);
        let mut client = self.session.link.hours();
        // The answer's head may come only after the first report, so reports are sent while it is awaited.
        let opening = client.stream_reports(ReceiverStream::new(receiver));
        tokio::pin!(opening);
        let mut answers: Option<Streaming<pb::StreamReportsResponse>> = None;
        let mut patience = Instant::now() + SILENCE_MAX;
        let mut deaf = false;
        loop {
            let unsent = self.has_unsent();
            if deaf || (self.file_ended && !unsent) {
                sender = None;
                if self.window.is_empty() {
                    break;
                }
            }
            tokio::select! {
                opened = &mut opening, if answers.is_none() => answers = Some(opened?.into_inner()),
                answer = next(&mut answers), if answers.is_some() => {
                    let answer = answer?.ok_or_else(|| Ended::Broken("the service closed the stream".to_owned()))?;
                    self.settle(answer)?;
                    patience = Instant::now() + SILENCE_MAX;
                }
                permit = reserve(sender.as_ref()), if unsent && !deaf => match permit {
                    Some(permit) => self.send(permit),
                    // The connection's own error tells more; it comes through the answers.
                    None => deaf = true,
                },
                batch = self.rows.recv(), if !unsent && !self.file_ended && self.window.len() < WINDOW_ROWS => {
                    self.take(batch)?;
                }
                () = tokio::time::sleep_until(patience), if !self.window.is_empty() => {
                    return Err(Ended::Broken(format!("nothing was answered for {} s", SILENCE_MAX.as_secs())));
                }
            }
        }
        if let Some(answers) = &mut answers {
            // Everything is settled; a service that does not close in time changes nothing about that.
            let _ = tokio::time::timeout(GOODBYE_MAX, answers.message()).await;
        }
        Ok(())
    }

    fn send(&mut self, permit: mpsc::Permit<'_, pb::StreamReportsRequest>) {
        if let Some(report) = self.next_report() {
            let site = if self.sent == 0 { self.session.site() } else { String::new() };
            self.sent += 1;
            permit.send(pb::StreamReportsRequest { site, report: Some(report), ..Default::default() });
        }
    }

    fn settle(&mut self, answer: pb::StreamReportsResponse) -> Result<(), Ended> {
        let expected = self.acknowledged + 1;
        if answer.sequence != expected || expected > self.sent {
            let message = format!(
                "the service answered message {} where {expected} of {} sent was next",
                answer.sequence, self.sent
            );
            return Err(Ended::Failed(Failure::Refused(Complaint::new(message))));
        }
        self.acknowledged = expected;
        let ack = answer.acknowledgement.unwrap_or_default();
        if let Some(row) = self.window.pop_front() {
            self.passed = self.passed.saturating_sub(1);
            self.tally.acknowledged(&row, &ack)?;
        }
        Ok(self.settle_unreadable()?)
    }
}

async fn next(
    answers: &mut Option<Streaming<pb::StreamReportsResponse>>,
) -> Result<Option<pb::StreamReportsResponse>, Status> {
    match answers {
        Some(answers) => answers.message().await,
        None => std::future::pending().await,
    }
}

async fn reserve(
    sender: Option<&mpsc::Sender<pb::StreamReportsRequest>>,
) -> Option<mpsc::Permit<'_, pb::StreamReportsRequest>> {
    match sender {
        Some(sender) => sender.reserve().await.ok(),
        None => std::future::pending().await,
    }
}
