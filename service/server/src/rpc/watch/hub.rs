//! One reader for all who watch the same list. It compares what it reads with what it told last and tells the difference, and waits
//! for nobody: whoever has not taken what was told in time is told the whole list again.

use super::keep::{self, Seen};
use super::list::{Digest, List};
use crate::rpc::Desk;
use crate::status::Failure;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use prost::Message as _;
use serde::{Deserialize, Serialize};
use std::collections::{HashMap, VecDeque};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::broadcast;
use tonic::Status;
use uuid::Uuid;

/// Bytes told in a second to all who watch a list, as far as [`SPREAD_MAX`] allows: of a list that changes much, many watchers are told
/// one after another, and less often.
const BYTES_PER_SECOND: u64 = 4 << 20;
/// All who watch a list are told of a change within so long at least, one after another, so that telling them is no burst,
const SPREAD_MIN: Duration = Duration::from_millis(500);
/// and within so long at most, however many they are.
const SPREAD_MAX: Duration = Duration::from_secs(30);
/// Changes kept for those who come back, and for those who are slow.
const PAST_MAX: usize = 16;
/// Lists watched at once, over all callers: each costs a reading a second while the site is written to.
pub(super) const LISTS_MAX: u32 = 64;

/// All lists that are watched.
pub struct Watches {
    /// What this run of the service is known by.
    service: u64,
    hubs: Mutex<HashMap<Vec<u8>, Arc<Hub>>>,
    numbers: AtomicU64,
    /// Lists are read one after another.
    pub(super) turn: tokio::sync::Mutex<()>,
}

impl Default for Watches {
    #[expect(clippy::disallowed_methods, reason = "it names a run of the service, and nothing that is kept")]
    fn default() -> Watches {
        let service = Uuid::new_v4().as_u64_pair().0;
        Watches {
            service,
            hubs: Mutex::default(),
            numbers: AtomicU64::new(1),
            turn: tokio::sync::Mutex::default(),
        }
    }
}

/// Up to where somebody was told of a list: the run of the service, the reader in it, how often that had told, and what the list was
/// known by then.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Place {
    service: u64,
    hub: u64,
    version: u64,
    digest: Digest,
}

/// What was told at once, and up to where one is told by it.
#[derive(Clone)]
pub(super) struct Telling {
    /// Its messages.
    pub(super) messages: Arc<[v1::WatchDueResponse]>,
    /// The place after it.
    pub(super) place: Place,
    /// The time over which those who watch are told it, one after another; none where only one is told.
    spread: Duration,
}

impl Telling {
    /// How long whoever joined as this one of all waits for it. Numbers written backwards fall evenly into the time, wherever among
    /// those who joined one after another they begin and end.
    pub(super) fn wait(&self, joined: u64) -> Duration {
        let share = u128::from(joined.reverse_bits());
        let nanos = (self.spread.as_nanos() * share) >> u64::BITS;
        Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX))
    }
}

/// What those who watch are sent.
#[derive(Clone)]
pub(super) enum Told {
    /// What is to be told.
    Telling(Telling),
    /// That the list cannot be read any more, and why.
    Over(Status),
}

/// A list that is watched.
pub(super) struct Hub {
    /// What is asked for.
    pub(super) ask: v1::ListDueRequest,
    state: Mutex<State>,
    told: broadcast::Sender<Told>,
    joined: AtomicU64,
}

struct State {
    place: Place,
    list: Arc<List>,
    past: VecDeque<Telling>,
    over: Option<Status>,
}

/// What whoever begins to watch is given.
pub(super) struct Begun {
    /// What is told from now on.
    pub(super) told: broadcast::Receiver<Told>,
    /// What is told first.
    pub(super) first: Vec<Telling>,
}

#[cfg(test)]
impl Hub {
    /// One of a list.
    pub(super) fn of(list: List) -> Hub {
        let place = Place { service: 1, hub: 1, version: 0, digest: list.digest };
        let state = State { place, list: Arc::new(list), past: VecDeque::new(), over: None };
        let (told, _) = broadcast::channel(PAST_MAX);
        Hub { ask: v1::ListDueRequest::default(), state: Mutex::new(state), told, joined: AtomicU64::new(0) }
    }
}

impl Hub {
    /// The list as it was read last.
    pub(super) fn list(&self) -> Arc<List> {
        self.state().list.clone()
    }

    /// How many watch it.
    pub(super) fn watchers(&self) -> usize {
        self.told.receiver_count()
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins to be told, after what was told before up to a place.
    pub(super) fn begin(&self, from: Option<Place>) -> Result<Begun, Status> {
        let state = self.state();
        if let Some(over) = &state.over {
            return Err(over.clone());
        }
        let told = self.told.subscribe();
        let first = match from {
            None => vec![state.whole()],
            Some(from) => state.since(from),
        };
        Ok(Begun { told, first })
    }

    /// A number for whoever joins, one after another.
    pub(super) fn join(&self) -> u64 {
        self.joined.fetch_add(1, Ordering::Relaxed)
    }

    /// Takes a list that was read, and tells what has changed; says how long telling it takes, if there was anything to tell.
    pub(super) fn tell(&self, list: List, left: Vec<v1::Order>) -> Option<Duration> {
        let mut state = self.state();
        let Some(messages) = state.list.changes(&list, left) else {
            state.list = Arc::new(list);
            return None;
        };
        let bytes = messages.iter().map(v1::WatchDueResponse::encoded_len).sum();
        let spread = if state.list.forbids_as(&list) {
            spread(bytes, self.told.receiver_count())
        } else {
            // That a machine must not start is told to all within a moment, whatever it costs those who push.
            SPREAD_MIN
        };
        state.place = Place { version: state.place.version + 1, digest: list.digest, ..state.place };
        state.list = Arc::new(list);
        let telling = Telling { messages, place: state.place, spread };
        if state.past.len() == PAST_MAX {
            state.past.pop_front();
        }
        state.past.push_back(telling.clone());
        // Nobody may be there just now.
        let _ = self.told.send(Told::Telling(telling));
        Some(spread)
    }

    /// Tells that the list still stands.
    pub(super) fn stands(&self, as_of: Ts) {
        let state = self.state();
        let telling =
            Telling { messages: state.list.unchanged(as_of), place: state.place, spread: SPREAD_MIN };
        let _ = self.told.send(Told::Telling(telling));
    }

    /// Tells that the list cannot be read any more.
    pub(super) fn end(&self, why: Status) {
        let mut state = self.state();
        state.over = Some(why.clone());
        let _ = self.told.send(Told::Over(why));
    }
}

impl State {
    fn whole(&self) -> Telling {
        self.at_once(self.list.whole())
    }

    /// What was told since a place; the whole list where that is not known.
    fn since(&self, from: Place) -> Vec<Telling> {
        let is_own = (from.service, from.hub) == (self.place.service, self.place.hub);
        if from.digest == self.place.digest || (is_own && from.version == self.place.version) {
            return vec![self.at_once(self.list.unchanged(self.list.as_of))];
        }
        let is_known = self.past.front().is_some_and(|first| first.place.version <= from.version + 1);
        if is_own && is_known && from.version < self.place.version {
            let later = self.past.iter().filter(|telling| telling.place.version > from.version);
            return later.map(|telling| Telling { spread: Duration::ZERO, ..telling.clone() }).collect();
        }
        vec![self.whole()]
    }

    fn at_once(&self, messages: Arc<[v1::WatchDueResponse]>) -> Telling {
        Telling { messages, place: self.place, spread: Duration::ZERO }
    }
}

impl Watches {
    fn hubs(&self) -> MutexGuard<'_, HashMap<Vec<u8>, Arc<Hub>>> {
        self.hubs.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn known(&self, key: &[u8], from: Option<Place>) -> Option<Result<(Arc<Hub>, Begun), Status>> {
        let hubs = self.hubs();
        let hub = hubs.get(key)?;
        Some(hub.begin(from).map(|begun| (hub.clone(), begun)))
    }

    /// Begins to watch the list that is asked for, of a site by its key: with those who watch it already, else with a reading of it.
    pub(super) async fn begin(
        desk: &Desk,
        ask: v1::ListDueRequest,
        from: Option<Place>,
    ) -> Result<(Arc<Hub>, Begun), Status> {
        let (all, key) = (&desk.watches, ask.encode_to_vec());
        if let Some(known) = all.known(&key, from) {
            return known;
        }
        let turn = all.turn.lock().await;
        // Somebody may have begun meanwhile.
        if let Some(known) = all.known(&key, from) {
            return known;
        }
        if !all.has_room() {
            return Err(Failure::LimitReached { limit: "watched_lists", most: LISTS_MAX }.into());
        }
        let (seen, list) = Seen::first(desk, &ask).await?;
        let hub = all.numbers.fetch_add(1, Ordering::Relaxed);
        let place = Place { service: all.service, hub, version: 0, digest: list.digest };
        let state = State { place, list: Arc::new(list), past: VecDeque::new(), over: None };
        let (told, _) = broadcast::channel(PAST_MAX);
        let hub = Arc::new(Hub { ask, state: Mutex::new(state), told, joined: AtomicU64::new(0) });
        let begun = hub.begin(from)?;
        all.hubs().insert(key.clone(), hub.clone());
        drop(turn);
        tokio::spawn(keep::keep(desk.clone(), key, hub.clone(), seen));
        Ok((hub, begun))
    }

    /// Whether one more list may be watched. At the bound those that nobody watches are let go of first: they are kept only for those
    /// who may come back.
    fn has_room(&self) -> bool {
        let mut hubs = self.hubs();
        if hubs.len() >= LISTS_MAX as usize {
            hubs.retain(|_, hub| hub.told.receiver_count() > 0);
        }
        hubs.len() < LISTS_MAX as usize
    }

    /// Whether a list that nobody watches is read no more: it was let go of to make room, or has lingered, and is let go of now.
    pub(super) fn let_go(&self, key: &[u8], hub: &Arc<Hub>, has_lingered: bool) -> bool {
        let mut hubs = self.hubs();
        if !is_kept(&hubs, key, hub) {
            return true;
        }
        if hub.told.receiver_count() > 0 || !has_lingered {
            return false;
        }
        hubs.remove(key);
        true
    }

    /// Lets go of a list that cannot be read any more.
    pub(super) fn forget(&self, key: &[u8], hub: &Arc<Hub>) {
        let mut hubs = self.hubs();
        if is_kept(&hubs, key, hub) {
            hubs.remove(key);
        }
    }
}

/// Whether a list is kept by this reader: it may have been let go of, and be watched by another again.
fn is_kept(hubs: &HashMap<Vec<u8>, Arc<Hub>>, key: &[u8], hub: &Arc<Hub>) -> bool {
    hubs.get(key).is_some_and(|kept| Arc::ptr_eq(kept, hub))
}

/// The time over which so many are told so many bytes each.
fn spread(bytes: usize, watchers: usize) -> Duration {
    let all = u64::try_from(bytes.saturating_mul(watchers)).unwrap_or(u64::MAX);
    Duration::from_millis(all.saturating_mul(1_000) / BYTES_PER_SECOND).clamp(SPREAD_MIN, SPREAD_MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rpc::watch::testkit::{forbidding, list};
    use crate::status::Then;
    use tokio::sync::broadcast::error::TryRecvError;

    fn hub(orders: &[i64]) -> Hub {
        Hub::of(list(orders))
    }

    fn first(hub: &Hub, from: Option<Place>) -> Vec<v1::WatchTold> {
        let begun = hub.begin(from).unwrap();
        begun.first.iter().map(|telling| telling.messages[0].told()).collect()
    }

    #[test]
    fn whoever_is_too_slow_is_not_waited_for_and_learns_that_they_are() {
        let hub = hub(&[]);
        let mut slow = hub.begin(None).unwrap().told;
        let most = i64::try_from(PAST_MAX).unwrap();
        for order in 1..=most {
            assert!(hub.tell(list(&[order]), Vec::new()).is_some());
        }
        let Ok(Told::Telling(told)) = slow.try_recv() else { panic!("what fits is kept for them") };
        assert_eq!(told.messages[0].items[0].order, 1);
        hub.tell(list(&[most + 1]), Vec::new());
        hub.tell(list(&[most + 2]), Vec::new());
        assert!(matches!(slow.try_recv(), Err(TryRecvError::Lagged(1))));
    }

    #[test]
    fn changes_are_kept_for_those_who_come_back_but_not_for_ever() {
        let hub = hub(&[]);
        let begin = hub.state().place;
        let most = i64::try_from(PAST_MAX).unwrap();
        for order in 1..=most {
            hub.tell(list(&[order]), Vec::new());
        }
        assert_eq!(first(&hub, Some(begin)), [v1::WatchTold::Changes; PAST_MAX]);
        hub.tell(list(&[most + 1]), Vec::new());
        assert_eq!(first(&hub, Some(begin)), [v1::WatchTold::List]);
        let now = hub.state().place;
        assert_eq!(first(&hub, Some(now)), [v1::WatchTold::Unchanged]);
        assert_eq!(
            first(&hub, Some(Place { service: 2, hub: 9, version: 99, ..now })),
            [v1::WatchTold::Unchanged]
        );
        let stranger = Place { service: 2, digest: [7; 16], ..now };
        assert_eq!(
            first(&hub, Some(stranger)),
            [v1::WatchTold::List],
            "another service's versions mean nothing here"
        );
        let ahead = Place { version: now.version + 5, digest: [7; 16], ..now };
        assert_eq!(first(&hub, Some(ahead)), [v1::WatchTold::List]);
    }

    #[test]
    fn many_are_told_evenly_within_the_time_that_their_bytes_take() {
        assert_eq!(spread(300, 3), SPREAD_MIN);
        assert_eq!(spread(400 << 10, 50), Duration::from_millis(4_882));
        assert_eq!(spread(400 << 10, 500), SPREAD_MAX);
        let hub = hub(&[]);
        let telling = Telling { spread: Duration::from_secs(8), ..hub.state().whole() };
        assert_eq!(hub.state().whole().wait(5), Duration::ZERO, "whoever begins is told at once");
        for first in [0, 1_000_001] {
            let mut waits: Vec<u128> =
                (first..first + 64).map(|joined| telling.wait(joined).as_millis()).collect();
            waits.sort_unstable();
            let apart = waits.windows(2).map(|pair| pair[1] - pair[0]).max();
            assert!(
                waits[0] < 125 && waits[63] > 7_800 && apart < Some(188),
                "an even step is 125: {waits:?}"
            );
        }
    }

    #[test]
    fn that_a_machine_must_not_start_is_told_to_all_within_a_moment() {
        let hub = hub(&[]);
        let _watchers: Vec<_> = (0..100).map(|_| hub.begin(None).unwrap()).collect();
        let long = "x".repeat(1 << 20);
        assert_eq!(hub.tell(forbidding(&["L-01"], &long), Vec::new()), Some(SPREAD_MIN));
        let longer = hub.tell(forbidding(&["L-01"], &format!("{long}y")), Vec::new());
        assert!(longer >= Some(Duration::from_secs(25)), "as long as the bytes take: {longer:?}");
        assert_eq!(hub.tell(forbidding(&[], &long), Vec::new()), Some(SPREAD_MIN), "nor that it may again");
    }

    #[test]
    fn lists_that_nobody_watches_make_room_and_those_that_are_watched_do_not() {
        let watches = Watches::default();
        let hubs: Vec<Arc<Hub>> = (0..LISTS_MAX).map(|_| Arc::new(hub(&[]))).collect();
        for (number, hub) in (0_u8..).zip(&hubs) {
            watches.hubs().insert(vec![number], hub.clone());
        }
        let told: Vec<_> = hubs.iter().map(|hub| hub.begin(None).unwrap().told).collect();
        assert!(!watches.has_room() && !watches.let_go(&[0], &hubs[0], true));
        drop(told);
        let told = hubs[1].begin(None).unwrap().told;
        assert!(!watches.let_go(&[0], &hubs[0], false), "it lingers while there is room");
        assert!(watches.has_room() && watches.hubs().len() == 1);
        assert!(watches.let_go(&[0], &hubs[0], false), "its reader learns that it was let go of");
        watches.forget(&[1], &hubs[0]);
        assert_eq!(watches.hubs().len(), 1, "another's list stays");
        drop(told);
        assert!(watches.let_go(&[1], &hubs[1], true) && watches.hubs().is_empty());
    }

    #[test]
    fn a_list_that_says_the_same_is_not_told() {
        let hub = hub(&[1]);
        let mut told = hub.begin(None).unwrap().told;
        assert_eq!(hub.tell(list(&[1]), Vec::new()), None);
        assert!(matches!(told.try_recv(), Err(TryRecvError::Empty)));
        hub.end(Failure::Stopping(Then::WatchAgain).into());
        assert!(matches!(told.try_recv(), Ok(Told::Over(_))));
        assert!(hub.begin(None).is_err(), "nobody begins with what is over");
    }
}
