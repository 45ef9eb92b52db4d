//! Sequences of random operations on a site each, in one store, against the model of what a site should hold.

use crate::model::{Known, Model, OrderStands, Said, Stands};
use crate::shuffle::Random;
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::ledger::changes::Outcome;
use fettler_domain::ledger::report::{Content, Received, ReportId, Statement};
use fettler_domain::ledger::row::{Settlement, State};
use fettler_domain::order::{ClosingSaid, Confirmed, OrderState, RaiseSaid};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::reading::ReadingTold;
use fettler_domain::shop::Declaration;
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::{MICROS_PER_HOUR, Ts};
use fettler_proto::v1::clause::Counts;
use fettler_proto::v1::{
    CalendarClause, CalendarUnit, Clause, IntervalRule, MachineCard, MeterCard, MeterKind, Shop, Site,
    Source, TaskCard, TestPoint,
};
use fettler_store::contract::{
    Caller, MachineFilter, OrderFilter, PageAsk, ReadingFilter, ReportFilter, Store, TakenReading,
};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use tempfile::TempDir;

/// Machines of a site.
const MACHINES: usize = 3;
/// Tasks of a machine.
const TASKS: usize = 2;
/// The most operations of a sequence.
pub const OPERATIONS_MAX: usize = 24;
/// Report ids of a source: few, so that they meet again.
const IDS: usize = 8;
/// Hours among which reports lie.
const HOURS: usize = 60;
/// Sequences that share a store.
const SITES: u64 = 1_000;
/// Rows of a page: more than a sequence makes.
const PAGE: u32 = 1_000;
/// Sources by rank.
const SOURCES: [&str; 2] = ["erp", "cell"];
/// What is read.
const VALUES: [&str; 4] = ["8.1", "6.4", "4.9", "2.5"];

/// Stores for sequences, one after the other.
pub struct Sequences {
    place: Option<(TempDir, Arc<dyn Store>)>,
    sites: u64,
    declared: Declaration,
}

/// A defect that is planted between the model and the store, so that it is seen to be found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Planted {
    /// None.
    #[default]
    Nothing,
    /// The last of several reports is lost on the way.
    LostReport,
    /// An undo is answered and not done.
    LostUndo,
    /// A correction is booked twice.
    TwiceAdjusted,
}

fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

fn foreign(text: &str) -> ForeignName {
    ForeignName::new(text).expect("a name")
}

fn tag(machine: usize) -> Key {
    Key::new(format!("L-{}", machine + 1)).expect("a key")
}

fn task(key: &str, every: i32) -> TaskCard {
    let days = CalendarClause { every, unit: CalendarUnit::Day.into(), ..CalendarClause::default() };
    let clauses = vec![Clause { counts: Some(Counts::Calendar(days)) }];
    let rule = Some(IntervalRule { clauses, ..IntervalRule::default() });
    TaskCard { key: key.into(), rule, ..TaskCard::default() }
}

fn shop() -> Shop {
    let source = |(place, name): (usize, &&str)| Source {
        name: (*name).into(),
        rank: i32::try_from(place).expect("few") + 1,
        feeds: MeterKind::Operating.into(),
    };
    let card = |machine| MachineCard {
        tag: tag(machine).to_string(),
        meters: vec![MeterCard { kind: MeterKind::Operating.into(), ..MeterCard::default() }],
        points: vec![TestPoint { key: "coolant".into(), unit: "%".into(), ..TestPoint::default() }],
        tasks: vec![task("filter", 30), task("bowl", 7)],
        ..MachineCard::default()
    };
    Shop {
        site: Some(Site { key: "north".into(), zone: "UTC".into(), ..Site::default() }),
        sources: SOURCES.iter().enumerate().map(source).collect(),
        people: vec!["Ada Kern".into()],
        machines: (0..MACHINES).map(card).collect(),
        ..Shop::default()
    }
}

impl Default for Sequences {
    fn default() -> Sequences {
        let declared = fettler_server::wire::shop_in::declaration(Some(&shop())).expect("a declaration");
        Sequences { place: None, sites: 0, declared }
    }
}

impl Sequences {
    /// A new site for a sequence.
    async fn site(&mut self) -> (Arc<dyn Store>, SiteId) {
        if self.place.is_none() || self.sites.is_multiple_of(SITES) {
            // A disk in memory where there is one: here it is not to be shown that a flush holds.
            let memory = Path::new("/dev/shm");
            let folder = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
            let folder = folder.expect("a folder");
            let file = folder.path().join("shop.db").display().to_string();
            self.place = Some((folder, fettler_store::open(&file).await.expect("a store")));
        }
        self.sites += 1;
        let (_, store) = self.place.as_ref().expect("it was opened");
        let key = format!("site-{}", self.sites);
        self.declared.site.key = Key::new(&key).expect("a key");
        store.load_shop(&caller(now(), "LoadShop"), &self.declared, None, false).await.expect("it loads");
        (store.clone(), store.site(&key).await.expect("an answer").expect("a site").site)
    }

    /// Does the sequence of a seed; answers how many operations it had, or the shortest beginning of it that goes wrong.
    pub async fn run(&mut self, seed: u64, planted: Planted) -> Result<usize, String> {
        let operations = 1 + Random::new(seed).below(OPERATIONS_MAX);
        let Err(whole) = self.first(seed, operations, planted).await else { return Ok(operations) };
        for fewer in 1..operations {
            if let Err(why) = self.first(seed, fewer, planted).await {
                return Err(format!("seed {seed}, the first {fewer} of {operations} operations: {why}"));
            }
        }
        Err(format!("seed {seed}, all {operations} operations: {whole}"))
    }

    /// Does the first operations of a sequence, each on both sides, and compares everything at the end.
    async fn first(&mut self, seed: u64, operations: usize, planted: Planted) -> Result<(), String> {
        let (store, site) = self.site().await;
        let mut random = Random::new(seed);
        random.draw();
        let model = Model::new(MACHINES * TASKS);
        let mut sides = Sides {
            store,
            site,
            model,
            random,
            planted,
            now: now(),
            digests: BTreeMap::new(),
            told: Vec::new(),
        };
        for _ in 0..operations {
            sides.one().await.map_err(|why| format!("{why}\n{}", sides.told.join("\n")))?;
            sides.now = sides.now.plus_micros(MICROS_PER_HOUR / 60);
        }
        sides.compare().await.map_err(|why| format!("{why}\n{}", sides.told.join("\n")))
    }
}

fn now() -> Ts {
    Ts::from_utc("2026-03-31T12:00:00Z".parse().expect("an instant"))
}

fn caller(now: Ts, method: &'static str) -> Caller {
    Caller { token: None, method, request: None, now, person: None, as_manager: true }
}

/// A site in the store, and in the model.
struct Sides {
    store: Arc<dyn Store>,
    site: SiteId,
    model: Model,
    random: Random,
    planted: Planted,
    now: Ts,
    digests: BTreeMap<Known, Received>,
    /// What was done, in words.
    told: Vec<String>,
}

/// An answer is what the model says.
fn same<T: PartialEq + std::fmt::Debug>(what: &str, store: &T, model: &T) -> Result<(), String> {
    if store == model { Ok(()) } else { Err(format!("{what}: the store {store:?}, the model {model:?}")) }
}

impl Sides {
    async fn one(&mut self) -> Result<(), String> {
        match self.random.below(16) {
            0..=4 => self.push_one().await,
            5 => self.push_many().await,
            6 => self.settle().await,
            7..=9 => self.close().await,
            10 => self.skip().await,
            11 => self.undo().await,
            12 => self.raise().await,
            13 | 14 => self.read().await,
            _ => self.adjust().await,
        }
    }

    /// A report as the store takes it and as the model does.
    fn report(&mut self) -> (Received, Known, Said) {
        let rank = self.random.below(SOURCES.len());
        let id = format!("r-{}", self.random.below(IDS));
        let revision = u32::try_from(self.random.below(3)).expect("small");
        let machine = self.random.below(MACHINES + 1);
        let start = i64::try_from(self.random.below(HOURS)).expect("small");
        let end = start - 1 + i64::try_from(self.random.below(14)).expect("small");
        let most = usize::try_from((end - start).max(1) * 3_600_000).expect("above 0");
        let amount_ms = i64::try_from(self.random.below(most + most / 20)).expect("small");
        let is_withdrawn = self.random.below(10) == 0;
        let at = |hour: i64| now().plus_micros((hour - 100) * MICROS_PER_HOUR);
        let (statement, said) = if is_withdrawn {
            (Statement::Withdrawn, Said::Withdrawn)
        } else {
            let (unit, amount) = (Unit::Hours, Amount(amount_ms));
            let machine = (machine < MACHINES).then_some(machine);
            (
                Statement::Interval { start: at(start), end: at(end), unit, amount },
                Said::Ran { machine, start, end, amount_ms },
            )
        };
        let machine = if machine < MACHINES { tag(machine).to_string() } else { "nobody".into() };
        let content = Content { machine: foreign(&machine), meter: None, statement };
        let key = ReportId { source: foreign(SOURCES[rank]), report: foreign(&id) };
        let received = Received::new(key, revision, content, self.now);
        let known = (rank, id, revision, received.key.digest.0);
        self.digests.insert(known.clone(), received.clone());
        self.told.push(format!("report {}/{} revision {revision}: {said:?}", SOURCES[rank], known.1));
        (received, known, said)
    }

    async fn push_one(&mut self) -> Result<(), String> {
        let (received, known, said) = self.report();
        let (was_there, has_older) = (self.model.has(&known), self.model.has_older(&known));
        self.model.push(known.clone(), said);
        let answer = self.store.push(&caller(self.now, "PushReports"), self.site, vec![received]).await;
        let answer = answer.map_err(|error| format!("the push is refused: {error}"))?;
        let outcome = match &answer[0].outcome {
            Outcome::Accepted => "accepted",
            Outcome::Duplicate { .. } => "duplicate",
            Outcome::Replaces => "replaces",
            Outcome::Superseded => "superseded",
            Outcome::Held { .. } => "held",
        };
        let expect = match self.model.reports()[&known] {
            _ if was_there => "duplicate",
            Stands::Held => "held",
            Stands::Superseded => "superseded",
            Stands::Counted | Stands::Withdrawn if has_older => "replaces",
            Stands::Counted | Stands::Withdrawn => "accepted",
            Stands::Dropped => "dropped",
        };
        same("the outcome", &outcome, &expect)
    }

    async fn push_many(&mut self) -> Result<(), String> {
        let mut all = Vec::new();
        for _ in 0..2 + self.random.below(6) {
            let (received, known, said) = self.report();
            self.model.push(known, said);
            all.push(received);
        }
        if self.planted == Planted::LostReport {
            all.pop();
        }
        let answer = self.store.push(&caller(self.now, "PushReports"), self.site, all).await;
        answer.map(drop).map_err(|error| format!("the push is refused: {error}"))
    }

    /// Counts or drops a report that is held.
    async fn settle(&mut self) -> Result<(), String> {
        let held = self.model.reports().into_iter().filter(|(_, stands)| *stands == Stands::Held);
        let held: Vec<Known> = held.map(|(known, _)| known).collect();
        if held.is_empty() {
            return Ok(());
        }
        let known = held[self.random.below(held.len())].clone();
        let counts = self.random.below(2) == 0;
        self.told.push(format!("settle {known:?}: counts {counts}"));
        let settlement = if counts { Settlement::Count } else { Settlement::Drop };
        let key = self.digests[&known].key.clone();
        let (call, ada) = (caller(self.now, "SettleReport"), name("Ada Kern"));
        let digest = Some(key.digest.0);
        let (source, report) = (&key.source, &key.report);
        let settled = self
            .store
            .settle(&call, self.site, source, report, key.revision, digest, settlement, &ada, "asked")
            .await;
        settled.map_err(|error| format!("the settlement is refused: {error}"))?;
        self.model.settle(known, counts);
        Ok(())
    }

    /// An order that there is, or the one after the last.
    fn order(&mut self) -> usize {
        1 + self.random.below(self.model.orders.len() + 1)
    }

    async fn close(&mut self) -> Result<(), String> {
        let order = self.order();
        let back = i64::try_from(self.random.below(90)).expect("small") * MICROS_PER_HOUR;
        self.told.push(format!("close {order}"));
        let plain = ClosingSaid::plain(number(order), self.now.plus_micros(-back), name("Ada Kern"));
        let said = ClosingSaid { confirmed: Confirmed::time(), ..plain };
        let closed = self.store.close(&caller(self.now, "CloseOrder"), self.site, &said).await;
        same(&format!("closing {order}"), &closed.is_ok(), &self.model.end(order, OrderStands::Closed))
    }

    async fn skip(&mut self) -> Result<(), String> {
        let order = self.order();
        self.told.push(format!("skip {order}"));
        let (call, ada) = (caller(self.now, "SkipOrder"), name("Ada Kern"));
        let skipped = self.store.skip(&call, self.site, number(order), &ada, "no time", false).await;
        same(&format!("skipping {order}"), &skipped.is_ok(), &self.model.end(order, OrderStands::Skipped))
    }

    async fn undo(&mut self) -> Result<(), String> {
        let order = self.order();
        self.told.push(format!("undo {order}"));
        let is_trial = self.planted == Planted::LostUndo;
        let (call, ada) = (caller(self.now, "UndoClosing"), name("Ada Kern"));
        let undone = self.store.undo(&call, self.site, number(order), &ada, "wrong one", is_trial).await;
        same(&format!("undoing {order}"), &undone.is_ok(), &self.model.undo(order))
    }

    async fn raise(&mut self) -> Result<(), String> {
        let machine = tag(self.random.below(MACHINES));
        self.told.push(format!("raise on {machine}"));
        let (title, by) = (name("look at the noise"), name("Ada Kern"));
        let said = RaiseSaid { machine, title, by, due_day: None, hazard: false, note: String::new() };
        let raised = self.store.raise(&caller(self.now, "RaiseOrder"), self.site, &said).await;
        self.model.raise();
        same("raising", &raised.is_ok(), &true)
    }

    async fn read(&mut self) -> Result<(), String> {
        let (machine, value) = (self.random.below(MACHINES), self.random.below(VALUES.len()));
        let hour = i64::try_from(self.random.below(6)).expect("small");
        self.told.push(format!("read {} on {} at {hour}", VALUES[value], tag(machine)));
        let told = ReadingTold {
            machine: foreign(tag(machine).as_str()),
            point: Key::new("coolant").expect("a key"),
            value: VALUES[value].to_owned(),
            unit: String::new(),
            at: now().plus_micros((hour - 100) * MICROS_PER_HOUR),
            by: name("Ada Kern"),
            electrician_record: None,
            confirmed: true,
            note: String::new(),
        };
        let (call, told) = (caller(self.now, "TakeReadings"), [Ok(told)]);
        let taken = self.store.take_readings(&call, self.site, &told, false).await;
        let taken = taken.map_err(|error| format!("the reading is refused: {error}"))?;
        let is_new = matches!(taken[0], TakenReading::Taken(..));
        same("a reading is new", &is_new, &self.model.readings.insert((machine, hour, value)))
    }

    async fn adjust(&mut self) -> Result<(), String> {
        let machine = self.random.below(MACHINES);
        self.told.push(format!("adjust {} by 0.5 h", tag(machine)));
        let at = now().plus_micros(-90 * MICROS_PER_HOUR);
        let (call, ada) = (caller(self.now, "BookAdjustment"), name("Ada Kern"));
        for _ in 0..if self.planted == Planted::TwiceAdjusted { 2 } else { 1 } {
            let booked = self
                .store
                .book_adjustment(&call, self.site, &tag(machine), None, at, "0.5", &ada, "counted by hand")
                .await;
            booked.map_err(|error| format!("the correction is refused: {error}"))?;
        }
        self.model.adjust(machine, 1_800_000);
        Ok(())
    }

    /// Compares reports, meters, orders and readings.
    async fn compare(&self) -> Result<(), String> {
        fn page<K>() -> PageAsk<K> {
            PageAsk { after: None, limit: PAGE }
        }
        let failed = |error: fettler_store::contract::StoreError| error.to_string();
        let kept = self.store.reports(self.site, &ReportFilter::default(), page()).await.map_err(failed)?;
        let reports: BTreeMap<Known, Stands> = kept.rows.iter().map(|kept| stands_of(&kept.row)).collect();
        same("reports", &reports, &self.model.reports())?;

        let machines =
            self.store.machines(self.site, &MachineFilter::default(), page()).await.map_err(failed)?;
        let counted: Vec<i64> = machines.rows.iter().map(|machine| machine.meters[0].1.counted.0).collect();
        let expect: Vec<i64> = (0..MACHINES).map(|machine| self.model.counted_ms(machine)).collect();
        same("meters", &counted, &expect)?;

        let orders = self.store.orders(self.site, &OrderFilter::default(), page()).await.map_err(failed)?;
        let mut found: Vec<(i64, OrderStands)> =
            orders.rows.iter().map(|order| (order.number.0, order_stands(order.state))).collect();
        found.sort_by_key(|(number, _)| *number);
        let expect: Vec<(i64, OrderStands)> = (1..).zip(self.model.orders.iter().map(|o| o.stands)).collect();
        same("orders", &found, &expect)?;

        let readings =
            self.store.readings(self.site, &ReadingFilter::default(), page()).await.map_err(failed)?;
        same("readings", &readings.rows.len(), &self.model.readings.len())
    }
}

fn number(order: usize) -> OrderNumber {
    OrderNumber(i64::try_from(order).expect("small"))
}

fn stands_of(row: &fettler_domain::ledger::row::Row) -> (Known, Stands) {
    let rank = SOURCES.iter().position(|name| *name == row.key.source.as_str()).expect("a source");
    let stands = match row.state {
        State::Counted => Stands::Counted,
        State::Held | State::Check => Stands::Held,
        State::Superseded => Stands::Superseded,
        State::Dropped => Stands::Dropped,
        State::Withdrawn => Stands::Withdrawn,
    };
    ((rank, row.key.report.to_string(), row.key.revision, row.key.digest.0), stands)
}

fn order_stands(state: OrderState) -> OrderStands {
    match state {
        OrderState::Open => OrderStands::Open,
        OrderState::Closed => OrderStands::Closed,
        OrderState::Skipped => OrderStands::Skipped,
        OrderState::Void => OrderStands::Void,
    }
}
