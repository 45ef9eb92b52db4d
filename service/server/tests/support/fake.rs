//! A store in memory that knows tokens, one site and people, takes reports as long as it is let, and is away for all
//! else.

use async_trait::async_trait;
use fettler_domain::calendar::{Calendar, WallTime, Zone};
use fettler_domain::fluid::FluidSaid;
use fettler_domain::ids::{OrderNumber, PersonId, SiteId};
use fettler_domain::ledger::changes::Outcome;
use fettler_domain::ledger::history::Month;
use fettler_domain::ledger::report::Received;
use fettler_domain::ledger::row::Settlement;
use fettler_domain::order::{ClosingSaid, RaiseSaid};
use fettler_domain::quantity::Amount;
use fettler_domain::shop::{
    Declaration, LastDoneCard, MachineCard, MeterRecord, MeterShows, ShopChange, SiteCard,
};
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::Ts;
use fettler_store::contract::{
    Acknowledged, AheadFilter, BuyFilter, BuyList, Caller, DueCursor, DueEntry, DueFilter, DueHead, Ended,
    EntryFilter, EntryRecord, Explained, HeldCounts, JournalHead, KeptItem, KeptReading, KeptReport,
    LoadReport, MachineAhead, MachineFilter, MachineMove, MachineRecord, OrderFilter, OrderRecord, Page,
    PageAsk, PersonRecord, PlanSaid, PlanTaken, PlannedCursor, PlannedFilter, PlannedPeriod, PlannedShift,
    PointHistory, ReadingFilter, ReportCursor, ReportFilter, Result, Settled, SiteRecord, StockDone,
    StockFilter, StockTold, Store, StoreError, TakenReading, Telling, Upkeep, Withdrawal,
};
use fettler_store::contract::{AuditCursor, AuditFilter, Audited};
use fettler_store::contract::{FluidBook, FluidCursor, FluidDone, FluidFilter};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use tokio::sync::Semaphore;

/// The store.
pub struct Fake {
    /// How often a token was looked up.
    pub looked_up: AtomicUsize,
    /// The hashes of tokens that are known.
    pub(super) tokens: Mutex<Vec<[u8; 32]>>,
    /// People in the order in which they were added.
    pub people: Mutex<Vec<Name>>,
    /// Ids of the reports taken, call by call.
    pub pushed: Mutex<Vec<Vec<String>>>,
    /// Each writing call needs one permit, which it uses up.
    pub let_in: Semaphore,
    /// Each writing call leaves one permit when it waits to be let in.
    pub waiting: Semaphore,
    /// One permit makes the store fail for good.
    pub fails: Semaphore,
    /// Whether the store was closed.
    pub is_shut: AtomicBool,
    /// Sites beside the first, on which upkeep fails when there are any.
    pub more_sites: Mutex<Vec<SiteId>>,
    /// Whether reads find the store away.
    pub is_away: AtomicBool,
    /// The sites of passes of upkeep.
    pub kept: Mutex<Vec<SiteId>>,
    /// The sites that another service sees to.
    pub kept_by_others: Mutex<Vec<SiteId>>,
}

impl Default for Fake {
    fn default() -> Fake {
        Fake {
            looked_up: AtomicUsize::new(0),
            tokens: Mutex::default(),
            people: Mutex::default(),
            pushed: Mutex::default(),
            let_in: Semaphore::new(0),
            waiting: Semaphore::new(0),
            fails: Semaphore::new(0),
            is_shut: AtomicBool::new(false),
            is_away: AtomicBool::new(false),
            more_sites: Mutex::default(),
            kept: Mutex::default(),
            kept_by_others: Mutex::default(),
        }
    }
}

impl Fake {
    /// A store that lets everything in.
    pub fn open() -> Fake {
        let fake = Fake::default();
        fake.let_in.add_permits(Semaphore::MAX_PERMITS / 2);
        fake
    }

    async fn be_let_in(&self) {
        self.waiting.add_permits(1);
        self.let_in.acquire().await.unwrap().forget();
    }

    /// Waits until a writing call waits to be let in.
    pub async fn one_waits(&self) {
        self.waiting.acquire().await.unwrap().forget();
    }

    fn record() -> SiteRecord {
        let calendar = Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT);
        let card = SiteCard {
            asks_pin: None,
            key: Key::new("north").unwrap(),
            name: None,
            zone: Some(Zone::UTC),
            day_starts_at: Some(WallTime::MIDNIGHT),
            shifts: Vec::new(),
            closures: Vec::new(),
            extra_shifts: Vec::new(),
        };
        SiteRecord { site: SiteId(1), card, calendar }
    }
}

pub(super) fn away<T>() -> Result<T> {
    Err(StoreError::Unavailable("this store only pretends".into()))
}

#[async_trait]
impl Store for Fake {
    async fn sites(&self) -> Result<Vec<SiteRecord>> {
        if self.is_away.load(Ordering::SeqCst) {
            return away();
        }
        let more = self.more_sites.lock().unwrap().clone();
        let more = more.into_iter().map(|site| SiteRecord { site, ..Fake::record() });
        Ok([Fake::record()].into_iter().chain(more).collect())
    }

    async fn site(&self, key: &str) -> Result<Option<SiteRecord>> {
        Ok((key == "north").then(Fake::record))
    }

    async fn add_person(&self, caller: &Caller, name: &Name) -> Result<(PersonRecord, bool)> {
        self.be_let_in().await;
        self.people.lock().unwrap().push(name.clone());
        let record = PersonRecord {
            person: PersonId(1),
            name: Some(name.clone()),
            added_at: caller.now,
            pin_set_at: None,
            wrong_pins: 0,
            wrong_pin_at: None,
        };
        Ok((record, false))
    }

    async fn erase_person(&self, _: &Caller, _: &Name, _: &Name, _: &str) -> Result<(PersonRecord, u32)> {
        away()
    }

    async fn push(&self, _: &Caller, _: SiteId, reports: Vec<Received>) -> Result<Vec<Acknowledged>> {
        self.be_let_in().await;
        let ids = reports.iter().map(|report| report.key.report.to_string()).collect();
        self.pushed.lock().unwrap().push(ids);
        let of = |report: Received| Acknowledged {
            key: report.key,
            outcome: Outcome::Accepted,
            left: None,
            displaced: Vec::new(),
            let_in: Vec::new(),
            remarks: Vec::new(),
        };
        Ok(reports.into_iter().map(of).collect())
    }

    async fn lease(&self, site: SiteId, _: &'static str, _: &str, _: Ts, _: Ts) -> Result<bool> {
        Ok(!self.kept_by_others.lock().unwrap().contains(&site))
    }

    async fn upkeep(&self, site: SiteId, _: Ts, _: u32) -> Result<Upkeep> {
        self.kept.lock().unwrap().push(site);
        if site == SiteId(1) && !self.more_sites.lock().unwrap().is_empty() {
            return away();
        }
        Ok(Upkeep::default())
    }

    async fn shut(&self) {
        self.is_shut.store(true, Ordering::SeqCst);
    }

    async fn change_stock(&self, _: &Caller, _: SiteId, _: &StockTold, _: bool) -> Result<StockDone> {
        away()
    }

    async fn withdraw_issue(&self, _: &Caller, _: SiteId, _: &Withdrawal) -> Result<StockDone> {
        away()
    }

    async fn stock(&self, _: SiteId, _: &StockFilter, _: PageAsk<String>) -> Result<Page<KeptItem, String>> {
        away()
    }

    async fn buy_list(&self, _: SiteId, _: &BuyFilter, _: Ts) -> Result<BuyList> {
        away()
    }

    async fn people(&self, _: PageAsk<String>) -> Result<Page<PersonRecord, String>> {
        away()
    }

    async fn known_person(&self, _: &str, _: &Name) -> Result<PersonId> {
        away()
    }

    async fn person_names(&self, _: &[PersonId]) -> Result<BTreeMap<PersonId, Name>> {
        away()
    }

    async fn load_shop(&self, _: &Caller, _: &Declaration, _: Option<&Name>, _: bool) -> Result<LoadReport> {
        away()
    }

    async fn shop(&self, _: SiteId) -> Result<Declaration> {
        away()
    }

    async fn state_last_done(
        &self,
        _: &Caller,
        _: SiteId,
        _: &[LastDoneCard],
        _: Option<&Name>,
        _: bool,
    ) -> Result<Vec<ShopChange>> {
        away()
    }

    async fn machines(
        &self,
        _: SiteId,
        _: &MachineFilter,
        _: PageAsk<(String, String)>,
    ) -> Result<Page<MachineRecord, (String, String)>> {
        away()
    }

    async fn machine(&self, _: SiteId, _: &str) -> Result<Option<(MachineRecord, MachineCard)>> {
        away()
    }

    async fn move_machine(
        &self,
        _: &Caller,
        _: SiteId,
        _: &Key,
        _: MachineMove,
        _: &Name,
        _: &str,
        _: bool,
    ) -> Result<(MachineRecord, Vec<OrderNumber>)> {
        away()
    }

    async fn reports(
        &self,
        _: SiteId,
        _: &ReportFilter,
        _: PageAsk<ReportCursor>,
    ) -> Result<Page<KeptReport, ReportCursor>> {
        away()
    }

    async fn of_undeclared(&self, _: SiteId, _: &BTreeSet<ForeignName>) -> Result<Vec<String>> {
        away()
    }

    async fn held_counts(&self, _: SiteId) -> Result<HeldCounts> {
        away()
    }

    async fn replace_counter(
        &self,
        _: &Caller,
        _: SiteId,
        _: &Key,
        _: Option<&Key>,
        _: Ts,
        _: &str,
        _: &str,
        _: &Name,
    ) -> Result<(MeterRecord, MeterShows)> {
        away()
    }

    async fn book_adjustment(
        &self,
        _: &Caller,
        _: SiteId,
        _: &Key,
        _: Option<&Key>,
        _: Ts,
        _: &str,
        _: &Name,
        _: &str,
    ) -> Result<(MeterRecord, MeterShows)> {
        away()
    }

    async fn meter(
        &self,
        _: SiteId,
        _: &str,
        _: Option<&Key>,
        _: Option<Ts>,
    ) -> Result<(MeterRecord, MeterShows)> {
        away()
    }

    async fn meter_months(&self, _: SiteId, _: &str, _: Option<&Key>) -> Result<BTreeMap<Month, Amount>> {
        away()
    }

    async fn plan_use(
        &self,
        _caller: &Caller,
        _site: SiteId,
        _said: &PlanSaid,
        _validate_only: bool,
    ) -> Result<PlanTaken> {
        away()
    }

    async fn planned_shifts(
        &self,
        _site: SiteId,
        _filter: &PlannedFilter,
        _page: PageAsk<PlannedCursor>,
    ) -> Result<Page<PlannedShift, PlannedCursor>> {
        away()
    }

    async fn planned_periods(&self, _site: SiteId, _machine: &str, _after: Ts) -> Result<Vec<PlannedPeriod>> {
        away()
    }

    async fn due_head(&self, _: SiteId, _: Ts) -> Result<DueHead> {
        away()
    }

    async fn due(
        &self,
        _: SiteId,
        _: &DueFilter,
        _: PageAsk<DueCursor>,
    ) -> Result<Page<DueEntry, DueCursor>> {
        away()
    }

    async fn explain(&self, _: SiteId, _: OrderNumber, _: Ts) -> Result<Explained> {
        away()
    }

    async fn look_ahead(
        &self,
        _: SiteId,
        _: &AheadFilter,
        _: PageAsk<i64>,
        _: Ts,
    ) -> Result<Page<MachineAhead, i64>> {
        away()
    }

    async fn open_order(&self, _: SiteId, _: &str, _: &Key) -> Result<OrderNumber> {
        away()
    }

    async fn orders(&self, _: SiteId, _: &OrderFilter, _: PageAsk<i64>) -> Result<Page<OrderRecord, i64>> {
        away()
    }

    async fn order(&self, _: SiteId, _: OrderNumber) -> Result<OrderRecord> {
        away()
    }

    async fn close(&self, _: &Caller, _: SiteId, _: &ClosingSaid) -> Result<Ended> {
        away()
    }

    async fn take_readings(
        &self,
        _: &Caller,
        _: SiteId,
        _: &[Telling],
        _: bool,
    ) -> Result<Vec<TakenReading>> {
        away()
    }

    async fn audit(
        &self,
        _: SiteId,
        _: &AuditFilter,
        _: PageAsk<AuditCursor>,
    ) -> Result<Page<Audited, AuditCursor>> {
        away()
    }

    async fn record_fluid(&self, _: &Caller, _: SiteId, _: &FluidSaid, _: bool) -> Result<FluidDone> {
        away()
    }

    async fn withdraw_fluid(&self, _: &Caller, _: SiteId, _: &Withdrawal) -> Result<FluidDone> {
        away()
    }

    async fn fluid_book(&self, _: SiteId, _: &FluidFilter, _: PageAsk<FluidCursor>) -> Result<FluidBook> {
        away()
    }

    async fn withdraw_reading(&self, _: &Caller, _: SiteId, _: &Withdrawal) -> Result<KeptReading> {
        away()
    }

    async fn readings(
        &self,
        _: SiteId,
        _: &ReadingFilter,
        _: PageAsk<i64>,
    ) -> Result<Page<KeptReading, i64>> {
        away()
    }

    async fn point(&self, _: SiteId, _: &str, _: &Key) -> Result<PointHistory> {
        away()
    }

    async fn skip(&self, _: &Caller, _: SiteId, _: OrderNumber, _: &Name, _: &str, _: bool) -> Result<Ended> {
        away()
    }

    async fn raise(&self, _: &Caller, _: SiteId, _: &RaiseSaid) -> Result<DueEntry> {
        away()
    }

    async fn undo(&self, _: &Caller, _: SiteId, _: OrderNumber, _: &Name, _: &str, _: bool) -> Result<Ended> {
        away()
    }

    async fn entries(&self, _: SiteId, _: &EntryFilter, _: PageAsk<i64>) -> Result<Page<EntryRecord, i64>> {
        away()
    }

    async fn journal_head(&self, _: SiteId) -> Result<JournalHead> {
        away()
    }

    async fn settle(
        &self,
        _: &Caller,
        _: SiteId,
        _: &ForeignName,
        _: &ForeignName,
        _: u32,
        _: Option<[u8; 32]>,
        _: Settlement,
        _: &Name,
        _: &str,
    ) -> Result<Settled> {
        away()
    }

    async fn failed(&self) -> String {
        self.fails.acquire().await.unwrap().forget();
        "the disk is full".into()
    }
}
