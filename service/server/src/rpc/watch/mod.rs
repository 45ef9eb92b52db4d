//! A watched due list: who watches is told of it until they leave, their token is taken back or the service stops.

mod hub;
mod keep;
mod list;
mod read;
#[cfg(test)]
mod testkit;

pub use hub::Watches;

use super::{Desk, due};
use crate::auth::Pass;
use crate::gate::Deadline;
use crate::status::{Failure, Then};
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
                () = self.stopping.cancelled() => Failure::Stopping(Then::WatchAgain),
                () = passed(self.deadline) => Failure::Deadline,
                told = self.told.recv() => {
                    self.take(told)?;
                    continue;
                }
                () = passed(self.pending.front().map(|next| next.at)) => continue,
                () = sleep_until(self.asked + TOKEN_EVERY) => continue,
            };
            return Err(Box::new(ended.into()));
        }
    }

    /// A stream outlasts no token.
    async fn still_holds(&mut self) -> Result<(), Failure> {
        if self.asked.elapsed() < TOKEN_EVERY {
            return Ok(());
        }
        if let Some(pass) = &self.pass {
            pass.still_holds().await?;
        }
        self.asked = Instant::now();
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
                // What may not wait takes with it what was told before.
                for earlier in &mut self.pending {
                    earlier.at = earlier.at.min(at);
                }
                self.pending.push_back(Pending { telling, told: 0, at });
            }
            Ok(Told::Over(why)) => return Err(Box::new(why)),
            // What was told meanwhile is told in one: the list as it stands.
            Err(RecvError::Lagged(_)) => {
                let Begun { told, first } = self.hub.begin(None).map_err(Box::new)?;
                self.told = told;
                self.pending = pending(first);
            }
            Err(RecvError::Closed) => return Err(Box::new(Failure::Stopping(Then::WatchAgain).into())),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rpc::watch::testkit::list;
    use futures::FutureExt as _;
    use std::time::Duration;
    use tokio::runtime::{Builder, Runtime};

    /// One who waits half a minute for what one order has changed.
    fn waiting() -> Watcher {
        let hub = Arc::new(Hub::of(list(&[])));
        let told = hub.begin(None).unwrap().told;
        let mut watcher = Watcher {
            turn: 0,
            hub,
            ask: v1::WatchDueRequest::default(),
            told,
            pending: VecDeque::new(),
            pass: None,
            asked: Instant::now(),
            deadline: None,
            stopping: CancellationToken::new(),
        };
        watcher.hub.tell(list(&[1]), Vec::new());
        let first = watcher.told.try_recv();
        watcher.take(first.map_err(|_| RecvError::Closed)).unwrap();
        watcher.pending[0].at += Duration::from_secs(30);
        watcher
    }

    /// What ends it, as its caller hears it; whoever is told their change instead has waited for it.
    fn ended(runtime: &Runtime, mut watcher: Watcher) -> String {
        runtime.block_on(watcher.next()).unwrap_err().message().to_owned()
    }

    fn message(failure: Failure) -> String {
        Status::from(failure).message().to_owned()
    }

    #[test]
    fn whoever_waits_for_their_turn_hears_at_once_what_ends_it() {
        let runtime = Builder::new_current_thread().enable_time().build().unwrap();
        let _inside = runtime.enter();
        assert!(waiting().next().now_or_never().is_none(), "nothing has ended it");
        let stopped = waiting();
        stopped.stopping.cancel();
        assert_eq!(ended(&runtime, stopped), message(Failure::Stopping(Then::WatchAgain)));
        let late = Watcher { deadline: Some(Instant::now()), ..waiting() };
        assert_eq!(ended(&runtime, late), message(Failure::Deadline));
        let gone = waiting();
        gone.hub.end(Status::not_found("it is gone"));
        assert_eq!(ended(&runtime, gone), "it is gone");
    }

    #[test]
    fn what_may_not_wait_is_told_at_once_after_all_that_was_told_before() {
        let runtime = Builder::new_current_thread().enable_time().build().unwrap();
        let _inside = runtime.enter();
        let mut watcher = waiting();
        // The first who joined waits for nothing that is told anew.
        watcher.hub.tell(list(&[1, 2]), Vec::new());
        let mut orders = Vec::new();
        while let Some(message) = watcher.next().now_or_never() {
            orders.extend(message.unwrap().items.iter().map(|item| item.order));
        }
        assert_eq!(orders, [1, 2]);
    }
}
