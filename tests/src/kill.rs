//! Kills a service, or the database beneath it, in the middle of a push, again and again, and checks after each start that every
//! acknowledged report is there, that none counts twice, and that the journal's root is that of its leaves. A database that has a
//! standby is not started again: the standby is promoted in its place.

use crate::push::{Pushed, stream};
use crate::relay::Relay;
use crate::service::Service;
use crate::shuffle::Random;
use crate::wire::Wire;
use crate::year::{Leg, legs, machines, shop};
use fettler_domain::journal::leaf::hash_of;
use fettler_domain::journal::tree::Frontier;
use fettler_pg::{Cluster, Flush};
use fettler_proto::v1::{
    GetJournalHeadRequest, ListEntriesRequest, LoadShopRequest, Outcome, ReportState, ShiftReport,
};
use std::collections::BTreeMap;

/// Machines of the shop: few, so that a round is short. Their reports suffice for one.
const MACHINES: usize = 60;
/// The same where standbys are promoted one after the other: reports for seven rounds.
const MACHINES_OF_A_PAIR: usize = 420;
/// The service dies after at most so many acknowledgements of a round.
const ACKNOWLEDGED_MAX: usize = 1_500;
/// Reports offered to a round: more than can be acknowledged before the service dies.
const OFFERED: usize = 6_000;
/// Entries of a page of the journal.
const PAGE: i32 = 1_000;

/// What some rounds came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Rounds done: as many kills.
    pub rounds: u64,
    /// Reports acknowledged before a kill.
    pub acknowledged: usize,
    /// Reports stored before a kill without their sender knowing.
    pub stored_unknown: usize,
    /// Leaves of the journals, all hashed again.
    pub leaves: i64,
}

/// What is killed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Victim {
    /// A service on a file of its own.
    Service,
    /// The PostgreSQL beneath a service, which lives on.
    Database,
    /// A PostgreSQL that does not come back: its standby is promoted. Of three times, the service lives on once and finds that
    /// one behind the address it was given, and is started again with another address twice.
    Primary,
}

/// What a service keeps its data in.
enum Beneath {
    /// A file of its own.
    File,
    /// A database.
    Database(Cluster),
    /// A database with a standby that each commit waits for.
    Pair(Pair),
}

/// Two servers, of which the first takes the writes, and an address that is pointed to it.
struct Pair {
    primary: Cluster,
    standby: Cluster,
    address: Relay,
    database: String,
}

impl Pair {
    async fn start() -> Pair {
        let primary = Cluster::start(Flush::Always);
        let database = primary.empty().rsplit('/').next().expect("a URL ends with the database").to_owned();
        let standby = primary.standby();
        let address = Relay::to(primary.port()).await;
        Pair { primary, standby, address, database }
    }

    /// The URL that stays whichever server answers.
    fn url(&self) -> String {
        format!("postgres://postgres@127.0.0.1:{}/{}", self.address.port(), self.database)
    }

    /// Puts the standby in the place of the primary, which is gone, and gives it a standby of its own.
    fn promote(&mut self) {
        self.standby.promote();
        let next = self.standby.standby();
        self.primary = std::mem::replace(&mut self.standby, next);
        self.address.point(self.primary.port());
    }
}

/// A service that is killed, or loses its database, and goes on with the same data.
pub struct Life {
    service: Service,
    beneath: Beneath,
    promotions: u64,
    reports: Vec<Leg>,
    next: usize,
    frontier: Frontier,
    counted_ms: BTreeMap<String, i64>,
}

impl Life {
    /// A fresh service with a shop, and reports in an order from a seed.
    pub async fn start(seed: u64, victim: Victim) -> Life {
        let all = legs();
        let count = if victim == Victim::Primary { MACHINES_OF_A_PAIR } else { MACHINES };
        let tags: Vec<String> = machines(&all).into_iter().take(count).collect();
        let mut reports: Vec<Leg> =
            all.into_iter().filter(|leg| tags.binary_search(&leg.machine).is_ok()).collect();
        Random::new(seed).shuffle(&mut reports);
        let beneath = match victim {
            Victim::Service => Beneath::File,
            Victim::Database => Beneath::Database(Cluster::start(Flush::Always)),
            Victim::Primary => Beneath::Pair(Pair::start().await),
        };
        let service = match &beneath {
            Beneath::File => Service::start(),
            Beneath::Database(cluster) => Service::start_with(&["--database", &cluster.empty()]),
            Beneath::Pair(pair) => Service::start_with(&["--database", &pair.url()]),
        };
        let load = LoadShopRequest { shop: Some(shop(&tags)), ..LoadShopRequest::default() };
        service.wire().await.shop().load_shop(load).await.expect("the shop loads");
        Life {
            service,
            beneath,
            promotions: 0,
            reports,
            next: 0,
            frontier: Frontier::new(),
            counted_ms: BTreeMap::new(),
        }
    }

    /// Whether there are reports for one more round.
    pub fn has_more(&self) -> bool {
        self.next + OFFERED <= self.reports.len()
    }

    /// Cuts the standby off, so that its promotion loses what was acknowledged since: the check must find that.
    ///
    /// # Panics
    ///
    /// When there is no standby.
    pub fn cut_off_standby(&self) {
        let Beneath::Pair(pair) = &self.beneath else { panic!("there is no standby") };
        pair.primary.cut_off(&pair.standby);
    }

    /// One round: push, kill, start, check.
    pub async fn round(&mut self, random: &mut Random, tally: &mut Tally) {
        let offered = self.reports[self.next..self.next + OFFERED].to_vec();
        let messages: Vec<ShiftReport> = offered.iter().map(Leg::report).collect();
        let at = 1 + random.below(ACKNOWLEDGED_MAX);
        let wire = self.service.wire().await;
        let (service, beneath) = (&mut self.service, &mut self.beneath);
        let pushed = stream(&wire, &messages, |seen| match beneath {
            _ if seen != at => {}
            Beneath::File => service.kill(),
            Beneath::Database(cluster) => cluster.kill(),
            Beneath::Pair(pair) => pair.primary.kill(),
        })
        .await;
        assert!(pushed.broken.is_some(), "the stream was open when the kill came");
        let acknowledged = in_order(&pushed);
        assert!(acknowledged >= at, "{acknowledged} acknowledgements came, the kill was at {at}");
        self.bring_back();

        let wire = self.service.wire().await;
        self.check_journal(&wire, tally).await;
        tally.stored_unknown += send_again(&wire, &messages, acknowledged).await;
        for leg in &offered {
            *self.counted_ms.entry(leg.machine.clone()).or_default() += leg.amount_ms();
        }
        self.check_totals(&wire).await;
        self.next += OFFERED;
        tally.rounds += 1;
        tally.acknowledged += acknowledged;
    }

    /// After a kill: starts again what was killed, or puts the standby in its place.
    fn bring_back(&mut self) {
        match &mut self.beneath {
            Beneath::File => self.service.start_again(),
            Beneath::Database(cluster) => cluster.start_again(),
            Beneath::Pair(pair) => {
                pair.promote();
                match self.promotions % 3 {
                    // It lives on, and finds the promoted one behind the address that stays.
                    0 => {}
                    1 => self.service.restart_with(&["--database", &pair.primary.url(&pair.database)]),
                    _ => self.service.restart_with(&["--database", &pair.url()]),
                }
                self.promotions += 1;
            }
        }
    }

    /// Hashes the leaves that came since the last check, and compares the root.
    async fn check_journal(&mut self, wire: &Wire, tally: &mut Tally) {
        let mut ask = ListEntriesRequest { page_size: PAGE, ..ListEntriesRequest::default() };
        ask.from = Some(self.frontier.size());
        let mut client = wire.journal();
        loop {
            let page = client.list_entries(ask.clone()).await.expect("entries").into_inner();
            for entry in page.entries {
                assert_eq!(entry.number, self.frontier.size(), "no entry is missing");
                let hash = hash_of(entry.leaf.as_bytes());
                assert_eq!(hash.to_hex(), entry.leaf_hash, "entry {}", entry.number);
                self.frontier.push(hash, |_| ());
                tally.leaves += 1;
            }
            if page.next_page_token.is_empty() {
                break;
            }
            ask.page_token = page.next_page_token;
        }
        let head =
            client.get_journal_head(GetJournalHeadRequest::default()).await.expect("a head").into_inner();
        assert_eq!((head.size, head.root), (self.frontier.size(), self.frontier.root().to_hex()));
    }

    async fn check_totals(&self, wire: &Wire) {
        for machine in wire.all_machines().await.expect("machines") {
            let counted = hours_ms(&machine.meters[0].counted);
            let expect = self.counted_ms.get(&machine.tag).copied().unwrap_or_default();
            assert_eq!(counted, expect, "{}", machine.tag);
        }
    }
}

/// How many reports were acknowledged, in the order of sending and each as accepted.
fn in_order(pushed: &Pushed) -> usize {
    for (expect, (place, acknowledgement)) in pushed.acknowledged.iter().enumerate() {
        assert_eq!(*place, expect, "acknowledged in the order of sending");
        assert_eq!(acknowledgement.outcome(), Outcome::Accepted, "{acknowledgement:?}");
    }
    pushed.acknowledged.len()
}

/// Sends the whole round again: what was acknowledged is a duplicate that counts; of the rest, answers how many were stored.
async fn send_again(wire: &Wire, messages: &[ShiftReport], acknowledged: usize) -> usize {
    let again = stream(wire, messages, |_| ()).await;
    assert!(again.broken.is_none(), "{:?}", again.broken);
    assert_eq!(again.acknowledged.len(), messages.len());
    let mut stored = 0;
    for (place, acknowledgement) in &again.acknowledged {
        let outcome = acknowledgement.outcome();
        if outcome == Outcome::Duplicate {
            assert_eq!(acknowledgement.became(), ReportState::Counted, "{acknowledgement:?}");
            stored += usize::from(*place >= acknowledged);
        } else {
            assert!(*place >= acknowledged, "report {place} was acknowledged and is lost: {outcome:?}");
            assert_eq!(outcome, Outcome::Accepted);
        }
    }
    stored
}

/// A decimal text of hours in milliseconds, exactly.
pub fn hours_ms(text: &str) -> i64 {
    fettler_domain::quantity::Amount::parse(text, fettler_domain::quantity::Unit::Hours).expect("hours").0
}

/// Does rounds from one number to another; a life that has no more reports is followed by another.
pub async fn rounds(
    victim: Victim,
    seed: u64,
    from: u64,
    to: u64,
    mut done: impl FnMut(u64) -> bool,
) -> Tally {
    let mut tally = Tally::default();
    let mut life = Life::start(seed ^ from, victim).await;
    for round in from..to {
        if !life.has_more() {
            life = Life::start(seed ^ round, victim).await;
        }
        life.round(&mut Random::new(seed.wrapping_add(round)), &mut tally).await;
        if !done(round) {
            break;
        }
    }
    tally
}
