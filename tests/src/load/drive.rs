//! Callers: some connections that push as fast as they are let, or at a rate, and one that asks for a page again and again.

use super::raw::RawWire;
use anyhow::{Context as _, Result};
use futures::StreamExt as _;
use prost::bytes::Bytes;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio::time::{MissedTickBehavior, interval};
use tokio_stream::wrappers::ReceiverStream;

/// How often a caller at a rate sends what is due by then.
const TICK: Duration = Duration::from_millis(1);
/// Messages that may wait between a sender and its connection.
const WAITING: usize = 4_096;

/// What some connections pushed.
#[derive(Debug, Default)]
pub struct Pushed {
    /// From the first message to the last acknowledgement.
    pub took: Duration,
    /// From each message's being sent, or due to be sent, to its acknowledgement.
    pub waited: Vec<Duration>,
    /// The acknowledgements, of each connection in their order.
    pub answers: Vec<Bytes>,
}

impl Pushed {
    /// Acknowledgements a second.
    pub fn rate(&self) -> f64 {
        self.answers.len() as f64 / self.took.as_secs_f64()
    }
}

/// When the messages of a connection were, or should have been, sent; an acknowledgement takes the first.
type SentAt = Arc<Mutex<VecDeque<Instant>>>;

/// Pushes all messages, dealt out over the connections, as fast as they are taken.
pub async fn flat_out(wires: &[RawWire], messages: &[Bytes]) -> Result<Pushed> {
    gather(wires, messages, |own| {
        let sent_at: SentAt = Arc::default();
        let sending = Arc::clone(&sent_at);
        let stream = futures::stream::iter(own).inspect(move |_| note(&sending, Instant::now())).boxed();
        (stream, sent_at)
    })
    .await
}

/// Pushes all messages at so many a second, whether or not they are acknowledged meanwhile. A message's time begins when it was
/// due to be sent, so that one that had to wait for its turn does not look quicker than it was.
pub async fn at_rate(wires: &[RawWire], messages: &[Bytes], a_second: f64) -> Result<Pushed> {
    let apart = Duration::from_secs_f64(wires.len() as f64 / a_second);
    gather(wires, messages, |own| {
        let sent_at: SentAt = Arc::default();
        let (send, receive) = mpsc::channel(WAITING);
        tokio::spawn(pace(own, apart, Arc::clone(&sent_at), send));
        (ReceiverStream::new(receive).boxed(), sent_at)
    })
    .await
}

fn note(sent_at: &SentAt, at: Instant) {
    sent_at.lock().expect("nobody failed").push_back(at);
}

async fn pace(messages: Vec<Bytes>, apart: Duration, sent_at: SentAt, send: mpsc::Sender<Bytes>) {
    let begin = Instant::now();
    let mut ticks = interval(TICK);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
    let mut due = begin;
    for message in messages {
        while Instant::now() < due {
            ticks.tick().await;
        }
        note(&sent_at, due);
        if send.send(message).await.is_err() {
            return;
        }
        due += apart;
    }
}

async fn gather<S>(
    wires: &[RawWire],
    messages: &[Bytes],
    start: impl Fn(Vec<Bytes>) -> (S, SentAt),
) -> Result<Pushed>
where
    S: futures::Stream<Item = Bytes> + Send + 'static,
{
    let begin = Instant::now();
    let mut pushing = JoinSet::new();
    for (place, wire) in wires.iter().enumerate() {
        let own: Vec<Bytes> = messages.iter().skip(place).step_by(wires.len()).cloned().collect();
        let count = own.len();
        let (stream, sent_at) = start(own);
        pushing.spawn(push(wire.clone(), stream, sent_at, count));
    }
    let mut all = Pushed::default();
    while let Some(pushed) = pushing.join_next().await {
        let (answers, waited) = pushed.context("a connection failed")??;
        all.answers.extend(answers);
        all.waited.extend(waited);
    }
    all.took = begin.elapsed();
    anyhow::ensure!(all.answers.len() == messages.len(), "one acknowledgement for each message");
    Ok(all)
}

async fn push(
    wire: RawWire,
    messages: impl futures::Stream<Item = Bytes> + Send + 'static,
    sent_at: SentAt,
    count: usize,
) -> Result<(Vec<Bytes>, Vec<Duration>)> {
    let mut answers = wire.stream(messages).await?;
    let (mut got, mut waited) = (Vec::with_capacity(count), Vec::with_capacity(count));
    while let Some(answer) = answers.next().await {
        got.push(answer?);
        let sent = sent_at.lock().expect("nobody failed").pop_front();
        waited.push(sent.context("an acknowledgement of nothing")?.elapsed());
    }
    Ok((got, waited))
}

/// Asks for a page so many times, one after the other; answers the times from bytes in to bytes out, and the last page.
pub async fn pages(wire: &RawWire, ask: &Bytes, calls: usize) -> Result<(Vec<Duration>, Bytes)> {
    let (mut took, mut page) = (Vec::with_capacity(calls), Bytes::new());
    for _ in 0..calls {
        let begin = Instant::now();
        page = wire.due(ask.clone()).await?;
        took.push(begin.elapsed());
    }
    Ok((took, page))
}
