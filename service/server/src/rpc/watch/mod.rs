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
use tokio::time::{Instant, sleep, sleep_until};
use tokio_util::sync::CancellationToken;
use tonic::{Request, Status};

/// How often it is asked whether the token is still taken.
const TOKEN_EVERY: Duration = Duration::from_secs(1);
/// Many who watch a list are told of a change one after another within so many steps, so that telling them is no burst.
const STEPS: u64 = 50;
/// How long a step takes.
const STEP: Duration = Duration::from_millis(10);

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
        pending: first.into_iter().map(|telling| (telling, 0)).collect(),
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

/// One who watches. What is not taken yet is held once for all.
struct Watcher {
    /// How many had joined before, which says when they are told.
    turn: u64,
    hub: Arc<Hub>,
    ask: v1::WatchDueRequest,
    told: Receiver<Told>,
    /// What is to be told next, and how many of its messages were told.
    pending: VecDeque<(Telling, usize)>,
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
                told = self.told.recv() => {
                    self.take(told).await?;
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
        let (telling, told) = self.pending.front_mut()?;
        let mut message = telling.messages.get(*told).cloned()?;
        *told += 1;
        if !message.goes_on {
            message.resume_token = page::token(&self.ask, Some(&telling.place));
            self.pending.pop_front();
        }
        Some(message)
    }

    async fn take(&mut self, told: Result<Told, RecvError>) -> Result<(), Box<Status>> {
        match told {
            Ok(Told::Telling(telling)) => {
                let steps = u32::try_from(self.turn % STEPS).unwrap_or(0);
                if steps > 0 {
                    sleep(STEP * steps).await;
                }
                self.pending.push_back((telling, 0));
            }
            Ok(Told::Over(why)) => return Err(Box::new(why)),
            // What was told meanwhile is told in one: the list as it stands.
            Err(RecvError::Lagged(_)) => {
                let Begun { told, first } = self.hub.begin(None).map_err(Box::new)?;
                self.told = told;
                self.pending = first.into_iter().map(|telling| (telling, 0)).collect();
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
