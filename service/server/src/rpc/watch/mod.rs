//! A watched due list: who watches is told of it until they leave, their token is taken back or the service stops.

mod hub;
mod list;
mod read;
#[cfg(test)]
mod testkit;

pub use hub::Watches;

use super::{Desk, due};
use crate::auth::Pass;
use crate::gate::Deadline;
use crate::status::Failure;
use crate::wire::{due as wire_due, page};
use fettler_proto::v1;
use futures::stream::{BoxStream, StreamExt as _, unfold};
use hub::{Begun, Hub, Place, Telling, Told};
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;
use tokio::time::{Instant, sleep_until};
use tokio_util::sync::CancellationToken;
use tonic::{Request, Status};

/// How often it is asked whether the token is still taken.
const TOKEN_EVERY: Duration = Duration::from_secs(1);

/// What is told.
pub(super) type Tellings = BoxStream<'static, Result<v1::WatchDueResponse, Status>>;

/// Begins to tell.
pub(super) async fn start(desk: &Desk, request: Request<v1::WatchDueRequest>) -> Result<Tellings, Status> {
    let deadline = request.extensions().get::<Deadline>().map(|deadline| deadline.0);
    let pass = request.extensions().get::<Pass>().cloned();
    let call = desk.call("", &request, None);
    let ask = request.into_inner();
    let from = page::ask::<_, Place>(&ask).map_err(Failure::from)?.after;
    let site = call.site(&ask.site).await?;
    let list = v1::ListDueRequest {
        site: site.card.key.to_string(),
        until: ask.until.clone(),
        while_stopped: ask.while_stopped,
        machine: ask.machine.clone(),
        area: ask.area.clone(),
        sure: ask.sure,
        ..Default::default()
    };
    if from.is_none() {
        // A day that has passed is refused at the beginning only.
        let wanted = wire_due::ask(&list, site.calendar.shop_day_of(call.now())).map_err(Failure::from)?;
        due::filter(&call, &site, &wanted).await?;
    }
    let (hub, Begun { told, first }) = Watches::begin(desk, list, from).await?;
    let watcher = Watcher {
        turn: hub.join(),
        hub,
        ask,
        told,
        pending: pending(first),
        pass,
        asked: Instant::now(),
        deadline,
        stopping: desk.stopping.clone(),
    };
    Ok(unfold(Some(watcher), |watcher| async move {
        let mut watcher = watcher?;
        let told = watcher.next().await;
        let goes_on = told.is_ok().then_some(watcher);
        Some((told.map_err(|status| *status), goes_on))
    })
    .boxed())
}

/// What one is to be told.
struct Pending {
    telling: Telling,
    /// How many of its messages were told.
    told: usize,
    /// Not before then.
    at: Instant,
}

/// What is told at once.
fn pending(first: Vec<Telling>) -> VecDeque<Pending> {
    let at = Instant::now();
    first.into_iter().map(|telling| Pending { telling, told: 0, at }).collect()
}

/// One who watches. What is not taken yet is held once for all.
struct Watcher {
    /// How many had joined before, which says when they are told.
    turn: u64,
    hub: Arc<Hub>,
    ask: v1::WatchDueRequest,
    told: Receiver<Told>,
    /// What is to be told next.
    pending: VecDeque<Pending>,
    pass: Option<Pass>,
    /// When it was asked last whether the token is taken.
    asked: Instant,
    deadline: Option<Instant>,
    stopping: CancellationToken,
}

impl Watcher {
    /// The next message, once there is one.
    async fn next(&mut self) -> Result<v1::WatchDueResponse, Box<Status>> {
        loop {
            self.still_holds().await.map_err(|failure| Box::new(failure.into()))?;
            if let Some(message) = self.message() {
                return Ok(message);
            }
            let ended: Failure = tokio::select! {
                biased;
                () = self.stopping.cancelled() => Failure::Stopping,
                () = passed(self.deadline) => Failure::Deadline,
                () = passed(self.pending.front().map(|next| next.at)) => continue,
                // What is told meanwhile waits where it is kept for all.
                told = self.told.recv(), if self.pending.is_empty() => {
                    self.take(told)?;
                    continue;
                }
                () = sleep_until(self.asked + TOKEN_EVERY) => continue,
            };
            return Err(Box::new(ended.into()));
        }
    }

    /// A stream outlasts no token.
    async fn still_holds(&mut self) -> Result<(), Failure> {
        if let Some(pass) = self.pass.as_ref().filter(|_| self.asked.elapsed() >= TOKEN_EVERY) {
            pass.still_holds().await?;
            self.asked = Instant::now();
        }
        Ok(())
    }

    /// The next message of what is to be told.
    fn message(&mut self) -> Option<v1::WatchDueResponse> {
        let next = self.pending.front_mut().filter(|next| next.at <= Instant::now())?;
        let mut message = next.telling.messages.get(next.told).cloned()?;
        next.told += 1;
        if !message.goes_on {
            message.resume_token = page::token(&self.ask, Some(&next.telling.place));
            self.pending.pop_front();
        }
        Some(message)
    }

    fn take(&mut self, told: Result<Told, RecvError>) -> Result<(), Box<Status>> {
        match told {
            Ok(Told::Telling(telling)) => {
                let at = Instant::now() + telling.wait(self.turn);
                self.pending.push_back(Pending { telling, told: 0, at });
            }
            Ok(Told::Over(why)) => return Err(Box::new(why)),
            // What was told meanwhile is told in one: the list as it stands.
            Err(RecvError::Lagged(_)) => {
                let Begun { told, first } = self.hub.begin(None).map_err(Box::new)?;
                self.told = told;
                self.pending = pending(first);
            }
            Err(RecvError::Closed) => return Err(Box::new(Failure::Stopping.into())),
        }
        Ok(())
    }
}

async fn passed(deadline: Option<Instant>) {
    match deadline {
        Some(deadline) => sleep_until(deadline).await,
        None => std::future::pending().await,
    }
}
