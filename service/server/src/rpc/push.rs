//! Pushed reports: one, many, or a stream of them.

use super::{Call, Desk};
use crate::auth::Pass;
use crate::gate::Deadline;
use crate::status::{Failure, MESSAGE_BYTES_MAX, Then, behind};
use crate::wire::report;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::{SiteRecord, seen_on};
use futures::stream::FuturesOrdered;
use futures::{FutureExt, StreamExt};
use prost::Message as _;
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep_until};
use tokio_util::sync::CancellationToken;
use tonic::{Request, Status, Streaming};

/// The most reports of a stream that go to the store in one call.
const GATHERED_MAX: usize = 512;
/// The encoded bytes after which no more messages are gathered. One message may be as long as all of them.
const GATHERED_BYTES_MAX: usize = MESSAGE_BYTES_MAX;
/// How many reports of one stream, and encoded bytes, are under way when no more is gathered: what has come goes to the store at
/// once and is there when the transaction before it ends, instead of waiting for its own turn after that.
const IN_FLIGHT_MAX: usize = 2_048;
const IN_FLIGHT_BYTES_MAX: usize = GATHERED_BYTES_MAX;
/// How many acknowledgements wait for a slow reader before the stream stops taking reports.
const ACKS_WAITING: usize = 1_024;

/// A report as it arrives.
pub(super) enum Arrived<'a> {
    /// It, or nothing where none stands in the message.
    Report(Option<&'a v1::ShiftReport>),
    /// What could not be read on the way, where and why.
    Unreadable(&'a str),
}

impl<'a> Arrived<'a> {
    fn of(message: &'a v1::StreamReportsRequest) -> Arrived<'a> {
        match message.unreadable.as_str() {
            "" => Arrived::Report(message.report.as_ref()),
            why => Arrived::Unreadable(why),
        }
    }

    fn read(self, now: Ts) -> report::Read {
        match self {
            Arrived::Report(report) => report::read(report, now),
            Arrived::Unreadable(why) => Err(Box::new(report::unread(why))),
        }
    }
}

/// Takes reports; the acknowledgements stand in the order given, each after its report is durable.
pub(super) async fn take<'a>(
    call: &Call,
    site: &SiteRecord,
    reports: impl Iterator<Item = Arrived<'a>>,
) -> Result<Vec<v1::Acknowledgement>, Failure> {
    let mut taken = Vec::new();
    let mut places = Vec::new();
    for report in reports {
        match report.read(call.now()) {
            Ok(received) => {
                places.push(Ok(report::unit_of(&received.content)));
                taken.push(received);
            }
            Err(refused) => places.push(Err(*refused)),
        }
    }
    let (sent, handed_over) = (taken.len(), std::time::Instant::now());
    let told = if sent == 0 { Vec::new() } else { call.store.push(&call.caller, site.site, taken).await? };
    if told.len() != sent {
        tracing::error!(sent, told = told.len(), "the store did not answer every report");
        return Err(Failure::Broken);
    }
    let mut told = told.into_iter();
    let of = |place| match place {
        Ok(unit) => told.next().map(|told| report::acknowledgement(&told, unit, &site.calendar, call.now())),
        Err(refused) => Some(refused),
    };
    let told: Vec<v1::Acknowledgement> = places.into_iter().filter_map(of).collect();
    call.meters.reports(&told, sent, handed_over.elapsed());
    Ok(told)
}

/// The acknowledgements of a stream, on their way to the caller.
pub(super) type Acks = tokio_stream::wrappers::ReceiverStream<Result<v1::StreamReportsResponse, Status>>;

/// Starts to take a stream. It goes on until the caller ends it, the deadline passes or the service stops; what was
/// read is stored whether or not the caller still listens.
pub(super) fn start(desk: &Desk, request: Request<Streaming<v1::StreamReportsRequest>>) -> Acks {
    let (acks, receiver) = mpsc::channel(ACKS_WAITING);
    let deadline = request.extensions().get::<Deadline>().map(|deadline| deadline.0);
    let call = desk.call("StreamReports", &request, None);
    let (pass, stopping) = (request.extensions().get::<Pass>().cloned(), desk.stopping.clone());
    let inbound = Inbound { messages: request.into_inner(), stopping, deadline, pass, waiting: None };
    let desk = desk.clone();
    let tasks = desk.tasks.clone();
    tasks.spawn(seen_on(async move {
        if let Err(failure) = pump(&desk, call, inbound, &acks).await {
            // A caller that has left needs no answer.
            let _ = acks.send(Err(failure)).await;
        }
    }));
    Acks::new(receiver)
}

/// What came of waiting for a message; none at the end of the stream.
type Arrival = Option<Result<v1::StreamReportsRequest, Status>>;

struct Inbound {
    messages: Streaming<v1::StreamReportsRequest>,
    stopping: CancellationToken,
    deadline: Option<Instant>,
    pass: Option<Pass>,
    /// What has come and waits until it is known whether the token is still taken.
    waiting: Option<Arrival>,
}

/// What was waiting on the stream, and whether it ended after that: well, or for a reason.
#[derive(Default)]
struct Gathered {
    messages: Vec<v1::StreamReportsRequest>,
    bytes: usize,
    end: Option<Result<(), Status>>,
}

impl Inbound {
    /// Waits for a message, unless one is waiting.
    async fn arrive(&mut self) -> Result<(), Failure> {
        if self.waiting.is_none() {
            self.waiting = Some(tokio::select! {
                biased;
                () = self.stopping.cancelled() => return Err(Failure::Stopping(Then::PushOn)),
                () = passed(self.deadline) => return Err(Failure::Deadline),
                next = self.messages.next() => next,
            });
        }
        // A stream outlasts no token: what is remembered of it is a second old at most. Whoever gives up here loses nothing.
        match &self.pass {
            Some(pass) => pass.still_holds().await,
            None => Ok(()),
        }
    }

    /// Waits for a message and takes what else is there already.
    async fn gather(&mut self) -> Gathered {
        let mut gathered = Gathered::default();
        if let Err(failure) = self.arrive().await {
            return Gathered::ended(failure);
        }
        let mut next = self.waiting.take().flatten();
        loop {
            match next {
                Some(Ok(message)) => gathered.add(message),
                Some(Err(status)) => {
                    let status = behind(&status).map_or(status, Status::from);
                    return Gathered { end: Some(Err(status)), ..gathered };
                }
                None => return Gathered { end: Some(Ok(())), ..gathered },
            }
            if gathered.is_full() {
                return gathered;
            }
            match self.messages.next().now_or_never() {
                Some(ready) => next = ready,
                None => return gathered,
            }
        }
    }
}

impl Gathered {
    fn ended(failure: Failure) -> Gathered {
        Gathered { end: Some(Err(failure.into())), ..Gathered::default() }
    }

    fn add(&mut self, message: v1::StreamReportsRequest) {
        self.bytes += message.encoded_len();
        self.messages.push(message);
    }

    fn is_full(&self) -> bool {
        self.messages.len() >= GATHERED_MAX || self.bytes >= GATHERED_BYTES_MAX
    }
}

async fn passed(deadline: Option<Instant>) {
    match deadline {
        Some(deadline) => sleep_until(deadline).await,
        None => std::future::pending().await,
    }
}

async fn pump(
    desk: &Desk,
    call: Call,
    mut inbound: Inbound,
    acks: &mpsc::Sender<Result<v1::StreamReportsResponse, Status>>,
) -> Result<(), Status> {
    let first = inbound.gather().await;
    // What could not be read names no site: the first that could does.
    let read = first.messages.iter().find(|message| message.unreadable.is_empty());
    let Some(opening) = read.or(first.messages.first()) else {
        return first.end.unwrap_or(Ok(()));
    };
    let site = call.site(&opening.site).await?;
    let begin = |gathered: Gathered| {
        let (mut call, site) = (call.clone(), &site);
        call.caller.now = desk.clock.now();
        async move {
            let reports = gathered.messages.iter().map(Arrived::of);
            (take(&call, site, reports).await, gathered)
        }
    };
    let mut flight = Flight { reading: first.end.is_none(), ..Flight::default() };
    flight.add(&first);
    let mut under_way: FuturesOrdered<_> = std::iter::once(begin(first)).collect();
    let mut sequence = 0;
    loop {
        // Giving up on what has not come loses nothing: what has come is taken without waiting.
        let (taken, done) = tokio::select! {
            answer = under_way.next(), if !under_way.is_empty() => match answer {
                Some(answer) => answer,
                None => continue,
            },
            gathered = inbound.gather(), if flight.takes_more() => {
                flight.reading = gathered.end.is_none();
                flight.add(&gathered);
                under_way.push_back(begin(gathered));
                continue;
            }
        };
        flight.remove(&done);
        for acknowledgement in taken? {
            sequence += 1;
            let ack = v1::StreamReportsResponse { sequence, acknowledgement: Some(acknowledgement) };
            // A caller that has left still has what it sent stored.
            let _ = acks.send(Ok(ack)).await;
        }
        if let Some(end) = done.end {
            return end;
        }
    }
}

/// What of a stream is under way, and whether more of it is to be read.
#[derive(Default)]
struct Flight {
    reading: bool,
    reports: usize,
    bytes: usize,
}

impl Flight {
    fn takes_more(&self) -> bool {
        self.reading && self.reports < IN_FLIGHT_MAX && self.bytes < IN_FLIGHT_BYTES_MAX
    }

    fn add(&mut self, gathered: &Gathered) {
        self.reports += gathered.messages.len();
        self.bytes += gathered.bytes;
    }

    fn remove(&mut self, gathered: &Gathered) {
        self.reports -= gathered.messages.len();
        self.bytes -= gathered.bytes;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// How many messages with so long a site are gathered.
    fn gathered(bytes: usize) -> usize {
        let message = v1::StreamReportsRequest { site: "x".repeat(bytes), ..Default::default() };
        let mut gathered = Gathered::default();
        while !gathered.is_full() {
            gathered.add(message.clone());
        }
        gathered.messages.len()
    }

    #[test]
    fn large_messages_are_gathered_by_their_bytes_and_small_ones_by_their_number() {
        assert_eq!([MESSAGE_BYTES_MAX, 1 << 20, 64 << 10, 100].map(gathered), [1, 4, 64, GATHERED_MAX]);
    }
}
