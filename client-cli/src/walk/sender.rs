//! Sends what was said, one after the other and in the background, and tells what became of it.

use super::{Entry, Outbox, Said};
use crate::{
    clock, exit,
    link::Link,
    pin::{self, Pocket},
    times,
};
use fettler_proto::v1 as pb;
use std::{collections::VecDeque, time::Duration};
use tokio::{
    sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel},
    task::JoinHandle,
    time,
};
use tonic::{Code, Request, Status};

/// How long one try may take: a slow line gets its time, a dead one does not hold the rest for ever.
const TRY_MAX: Duration = Duration::from_secs(20);
/// How long to wait before a service that did not answer is asked again.
const PAUSE: Duration = Duration::from_secs(2);

/// What became of an entry.
#[derive(Debug)]
pub(crate) enum Told {
    /// The service has it, and the disk no more; what the service remarks.
    Sent(Vec<String>),
    /// Its value looks like a slip. It stays on the disk until somebody says what is so.
    AskedBack(Box<Entry>, Vec<String>),
    /// It was refused, and lies aside.
    Refused(String),
    /// The service lets nobody in for now; it stays on the disk.
    Kept(String),
    /// The service asks for the PIN of the person who said it; it stays on the disk. Whether one was sent that is wrong.
    PinWanted(Box<Entry>, bool),
}

impl Told {
    /// The same as it is told while other things are asked: remarks on an answer name its check, under which they no longer stand.
    fn beside(self, entry: &Entry) -> Told {
        match (self, &entry.said) {
            (Told::Sent(remarks), Said::Answer { .. }) => {
                Told::Sent(remarks.iter().map(|remark| format!("{}: {remark}", entry.words())).collect())
            }
            (told, _) => told,
        }
    }
}

/// What the background task tells.
#[derive(Debug)]
pub(super) enum News {
    /// What became of an entry.
    Settled(Told),
    /// The service does not answer; so many wait.
    Waiting(usize),
}

/// Sends one entry, and does on the disk what its answer asks for. An error is of a service that cannot be reached; then all
/// is as it was.
pub(crate) async fn settle(
    link: &Link,
    pins: &Pocket,
    outbox: &Outbox,
    entry: &Entry,
) -> Result<Told, Status> {
    match send(link, pins, entry).await {
        Ok(Sent::Taken(remarks)) => {
            outbox.forget(entry);
            Ok(Told::Sent(remarks))
        }
        Ok(Sent::AskedBack(questions)) => Ok(Told::AskedBack(Box::new(entry.clone()), questions)),
        Ok(Sent::Refused(problems)) => Ok(refused(outbox, entry, &problems.join("; "))),
        Err(status) if exit::is_unreachable(&status) => Err(status),
        Err(status) if pin::wanted(&status).is_some() => {
            let wrong = pin::wanted(&status).is_some_and(|(_, wrong)| wrong);
            if wrong {
                pins.was_wrong(&entry.by);
            }
            Ok(Told::PinWanted(Box::new(entry.clone()), wrong))
        }
        Err(status) if is_for_now(status.code()) => {
            Ok(Told::Kept(format!("{} is kept here: {}", entry.words(), why(&status))))
        }
        Err(status) => Ok(refused(outbox, entry, &why(&status))),
    }
}

async fn send(link: &Link, pins: &Pocket, entry: &Entry) -> Result<Sent, Status> {
    match &entry.said {
        Said::Answer { .. } => {
            let mut request = entry.answer().unwrap_or_default();
            let recorded = record(link, (pins, &entry.by), request.clone()).await?;
            if !is_only_of_the_check(&recorded) {
                return Ok(Sent::of(recorded));
            }
            // The service listed the check when it was asked for here, so it was one when it was seen. Under a name of its own
            // the call may be told again as often as needed: the answer is known again by its time.
            request.request_id = clock::request_id().to_string();
            request.answers.iter_mut().for_each(|answer| answer.confirmed = true);
            Ok(Sent::of(record(link, (pins, &entry.by), request).await?))
        }
        Said::End { shift, note } => {
            let request = pb::EndRoundRequest {
                site: entry.site.clone(),
                request_id: entry.id.clone(),
                shift_start: Some(times::to_wire(*shift)),
                by: entry.by.clone(),
                note: note.clone(),
            };
            let answer = link.rounds().end_round(timed(request, pins, &entry.by)).await?.into_inner();
            let handover = answer.handover.unwrap_or_default();
            let (number, done, due) = (handover.handover, handover.done, handover.due);
            Ok(Sent::Taken(vec![format!("handover {number}: {done} of {due} checks done")]))
        }
        Said::Acknowledge { handover } => {
            let request = pb::AcknowledgeHandoverRequest {
                site: entry.site.clone(),
                request_id: entry.id.clone(),
                handover: *handover,
                by: entry.by.clone(),
            };
            link.rounds().acknowledge_handover(timed(request, pins, &entry.by)).await?;
            Ok(Sent::Taken(Vec::new()))
        }
    }
}

async fn record(
    link: &Link,
    (pins, by): (&Pocket, &str),
    request: pb::RecordChecksRequest,
) -> Result<pb::RecordedCheck, Status> {
    let answer = link.rounds().record_checks(timed(request, pins, by)).await?.into_inner();
    Ok(answer.recorded.into_iter().next().unwrap_or_default())
}

/// Whether nothing is asked but whether there was such a check.
fn is_only_of_the_check(recorded: &pb::RecordedCheck) -> bool {
    let is_it = |question: &pb::ReadingQuestion| question.oddity() == pb::ReadingOddity::UnknownCheck;
    !recorded.questions.is_empty() && recorded.questions.iter().all(is_it)
}

fn timed<T>(request: T, pins: &Pocket, by: &str) -> Request<T> {
    let mut request = Request::new(request);
    request.set_timeout(TRY_MAX);
    pins.attach(&mut request, Some(by));
    request
}

/// What the service said of an entry.
#[derive(Debug)]
enum Sent {
    /// It has it.
    Taken(Vec<String>),
    /// It asks whether it is so.
    AskedBack(Vec<String>),
    /// It cannot take it.
    Refused(Vec<String>),
}

impl Sent {
    fn of(recorded: pb::RecordedCheck) -> Sent {
        match recorded.outcome() {
            pb::CheckOutcome::AskedBack => {
                Sent::AskedBack(recorded.questions.into_iter().map(|question| question.text).collect())
            }
            pb::CheckOutcome::Refused => {
                let problem = |problem: pb::FieldProblem| format!("{}: {}", problem.field, problem.text);
                Sent::Refused(recorded.problems.into_iter().map(problem).collect())
            }
            pb::CheckOutcome::Recorded | pb::CheckOutcome::Duplicate | pb::CheckOutcome::Unspecified => {
                Sent::Taken(recorded.remarks)
            }
        }
    }
}

/// The background task and the ways to and from it.
pub(super) struct Sender {
    entries: UnboundedSender<Entry>,
    pub(super) told: UnboundedReceiver<News>,
    task: JoinHandle<()>,
    open: usize,
}

impl Sender {
    /// Starts sending.
    pub(super) fn start(link: Link, pins: Pocket, outbox: Outbox) -> Sender {
        let (entries, waiting) = unbounded_channel();
        let (telling, told) = unbounded_channel();
        let task = tokio::spawn(run(link, pins, outbox, waiting, telling));
        Sender { entries, told, task, open: 0 }
    }

    /// Sends an entry that is on the disk.
    pub(super) fn put(&mut self, entry: Entry) {
        self.open += usize::from(self.entries.send(entry).is_ok());
    }

    /// Counts what was settled as answered.
    pub(super) fn counted(&mut self, news: News) -> News {
        if matches!(news, News::Settled(_)) {
            self.open = self.open.saturating_sub(1);
        }
        news
    }

    /// How many entries are with it and not answered.
    pub(super) fn open(&self) -> usize {
        self.open
    }

    /// Stops it; what is not answered stays on the disk.
    pub(super) fn stop(&self) {
        self.task.abort();
    }
}

async fn run(
    link: Link,
    pins: Pocket,
    outbox: Outbox,
    mut entries: UnboundedReceiver<Entry>,
    telling: UnboundedSender<News>,
) {
    let mut queue: VecDeque<Entry> = VecDeque::new();
    loop {
        if queue.is_empty() {
            match entries.recv().await {
                Some(entry) => queue.push_back(entry),
                None => return,
            }
        }
        while let Ok(entry) = entries.try_recv() {
            queue.push_back(entry);
        }
        let Some(entry) = queue.front() else { continue };
        let Ok(told) = settle(&link, &pins, &outbox, entry).await else {
            if telling.send(News::Waiting(queue.len())).is_err() {
                return;
            }
            time::sleep(PAUSE).await;
            continue;
        };
        let told = told.beside(entry);
        queue.pop_front();
        if telling.send(News::Settled(told)).is_err() {
            return;
        }
    }
}

/// Whether an error is of whoever asks now or of the service, not of what is said.
fn is_for_now(code: Code) -> bool {
    matches!(
        code,
        Code::Unauthenticated
            | Code::PermissionDenied
            | Code::ResourceExhausted
            | Code::Aborted
            | Code::Internal
            | Code::Unknown
            | Code::Unimplemented
    )
}

/// Why an entry cannot be taken, in one line.
fn why(status: &Status) -> String {
    exit::complaint_of(status).line()
}

fn refused(outbox: &Outbox, entry: &Entry, why: &str) -> Told {
    let aside = outbox.put_aside(entry);
    Told::Refused(format!("{} was refused: {why}; it lies in {}", entry.words(), aside.display()))
}
