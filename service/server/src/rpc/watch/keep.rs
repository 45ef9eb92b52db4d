//! The one who reads a list for all who watch it, again and again: when it is read, and when they are told.

use super::hub::Hub;
use super::list::List;
use super::read;
use crate::rpc::Desk;
use crate::rpc::due::{self, site_name};
use crate::status::Failure;
use crate::wire::order;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::{Instant, sleep};

/// How often it is asked whether the site was written to: so much later at most a change is told, where little is told to few.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// After reading, the list is not read again for so many times as long as that took, so that watching takes a small part of one
/// processor, however much is written.
const REST_PER_READING: u32 = 8;
/// The list is read again after so long without a write, in microseconds, for what time alone alters.
const OLD_AFTER_MICROS: i64 = 60_000_000;
/// When nothing was told for so long, it is told that nothing has changed, in microseconds.
const STANDS_EVERY_MICROS: i64 = 30_000_000;
/// How long a list is kept after the last who watched it has left: they come back after a moment where only the way to them broke.
const LINGER: Duration = Duration::from_secs(30);

/// What a reader remembers of its last reading.
pub(super) struct Seen {
    writes: i64,
    read_at: Ts,
    told_at: Ts,
}

impl Seen {
    /// Reads a list for the first time. How often the site was written to is read before: a write between makes for one reading more.
    pub(super) async fn first(desk: &Desk, ask: &v1::ListDueRequest) -> Result<(Seen, List), Failure> {
        let site = read::site(desk, ask).await?.site;
        let writes = desk.store.writes(site).await?;
        let list = read::list(desk, ask).await?;
        Ok((Seen { writes, read_at: list.as_of, told_at: list.as_of }, list))
    }
}

/// Reads a list again and again until nobody watches it, it cannot be read, or the service stops.
pub(super) async fn keep(desk: Desk, key: Vec<u8>, hub: Arc<Hub>, mut seen: Seen) {
    let mut pause = LOOK_EVERY;
    let mut watched = Instant::now();
    loop {
        tokio::select! {
            () = desk.stopping.cancelled() => return,
            () = rest(&desk, &hub, pause) => {}
        }
        if hub.watchers() > 0 {
            watched = Instant::now();
        } else if desk.watches.let_go(&key, &hub, watched.elapsed() > LINGER) {
            return;
        }
        match look(&desk, &hub, &mut seen).await {
            Ok(rest) => pause = rest,
            Err(failure) => {
                hub.end(failure.into());
                desk.watches.forget(&key, &hub);
                return;
            }
        }
    }
}

/// Rests for so long, and shorter where meanwhile another machine must not start, or may again.
async fn rest(desk: &Desk, hub: &Hub, pause: Duration) {
    let until = Instant::now() + pause;
    let list = hub.list();
    loop {
        let left = until.saturating_duration_since(Instant::now());
        sleep(left.min(LOOK_EVERY)).await;
        if left <= LOOK_EVERY {
            return;
        }
        // What fails here fails once more where it is told.
        match due::head(&read::call(desk), &list.site).await {
            Ok(head) if list.forbids(&head.forbidden) => {}
            Ok(_) | Err(_) => return,
        }
    }
}

/// Reads the list if it may have changed; says how long to rest.
async fn look(desk: &Desk, hub: &Hub, seen: &mut Seen) -> Result<Duration, Failure> {
    let before = hub.list();
    let (now, calendar) = (desk.clock.now(), &before.site.calendar);
    let writes = desk.store.writes(before.site.site).await?;
    let is_old = now.micros_since(seen.read_at) >= OLD_AFTER_MICROS
        || calendar.shop_day_of(now) != calendar.shop_day_of(seen.read_at);
    if writes == seen.writes && !is_old {
        if now.micros_since(seen.told_at) >= STANDS_EVERY_MICROS {
            hub.stands(now);
            seen.told_at = now;
        }
        return Ok(LOOK_EVERY);
    }
    let turn = desk.watches.turn.lock().await;
    let started = Instant::now();
    let list = read::list(desk, &hub.ask).await?;
    let gone = desk.store.these_orders(list.site.site, &before.left(&list)).await?;
    let names = read::call(desk).names(gone.iter().flat_map(order::people_of)).await?;
    let took = started.elapsed();
    drop(turn);
    let left = gone.iter().map(|record| order::order(record, &names, &list.site.calendar)).collect();
    *seen = Seen { writes, read_at: list.as_of, told_at: seen.told_at };
    let site = site_name(&list.site);
    let spread = hub.tell(list, left);
    if spread.is_some() {
        seen.told_at = seen.read_at;
        tracing::debug!(site, watchers = hub.watchers(), "a watched list has changed");
    }
    Ok(LOOK_EVERY.max(took * REST_PER_READING).max(spread.unwrap_or_default()))
}
