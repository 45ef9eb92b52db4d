//! The contract's calls, each handed to the module that does it: reads on a connection of their own, writes as jobs of
//! the writer.

use super::looks::{Asked, ReadTx};
use super::tx::{Connect, Tx};
use super::writer::Queue;
use super::{
    Conn, Db, ahead, audit, buy, close, declared, dialect, ending, entries, erasing, fleet, fluid_reads,
    fluids, machines, meters, orders, people, plan_reads, planned, point_reads, readings as body_readings,
    reports, settle, shelf, shelf_use, shop, shop_state, sites,
};
use super::{upkeep, writer};
use crate::contract::{
    Acknowledged, AheadFilter, AuditAsk, AuditFilter, AuditPage, BuyFilter, BuyList, Caller, DueCursor,
    DueEntry, DueFilter, DueHead, Ended, EntryFilter, EntryRecord, Explained, FluidBook, FluidCursor,
    FluidDone, FluidFilter, HeldCounts, JournalHead, KeptItem, KeptReading, KeptReport, LoadReport,
    MachineAhead, MachineFilter, MachineMove, MachineRecord, OrderFilter, OrderRecord, Page, PageAsk,
    PersonRecord, PlanSaid, PlanTaken, PlannedCursor, PlannedFilter, PlannedPeriod, PlannedShift,
    PointHistory, ReadingFilter, ReportCursor, ReportFilter, Result, Settled, SiteRecord, StockDone,
    StockFilter, StockTold, Store, TakenReading, Telling, Upkeep, Withdrawal,
};
use async_trait::async_trait;
use fettler_domain::fluid::FluidSaid;
use fettler_domain::ids::{OrderNumber, PersonId, SiteId};
use fettler_domain::ledger::history::Month;
use fettler_domain::ledger::report::Received;
use fettler_domain::ledger::row::Settlement;
use fettler_domain::order::{ClosingSaid, RaiseSaid};
use fettler_domain::quantity::Amount;
use fettler_domain::shop::{Declaration, LastDoneCard, MachineCard, MeterRecord, MeterShows, ShopChange};
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::Ts;
use sqlx::Pool;
use std::collections::{BTreeMap, BTreeSet};
use tokio::sync::Mutex;

/// A store on one engine.
pub(crate) struct SqlStore {
    pub(super) readers: Pool<Db>,
    pub(super) queue: Queue,
    /// How many marks the last look at each site's fleet figures saw.
    pub(super) seen: Mutex<BTreeMap<SiteId, i64>>,
}

impl SqlStore {
    /// Starts the writer on its connection.
    pub(crate) fn start(conn: Conn, readers: Pool<Db>, again: Connect) -> SqlStore {
        let seen = Mutex::new(BTreeMap::new());
        SqlStore { readers, queue: writer::Queue::start(Tx::new(conn, again)), seen }
    }

    /// A connection on which every statement sees one state.
    pub(super) async fn read(&self) -> Result<ReadTx> {
        self.read_as(None).await
    }

    /// The same, told under a name to whoever looks on.
    async fn read_of(&self, what: &'static str) -> Result<ReadTx> {
        self.read_as(Some(what)).await
    }

    async fn read_as(&self, what: Option<&'static str>) -> Result<ReadTx> {
        let asked = Asked::now(what);
        Ok(ReadTx::new(self.readers.begin_with(dialect::BEGIN_READ).await?, asked))
    }
}

#[async_trait]
impl Store for SqlStore {
    async fn add_person(&self, caller: &Caller, name: &Name) -> Result<(PersonRecord, bool)> {
        let name = name.clone();
        self.queue.write(caller, move |tx| Box::pin(people::add_person(tx, name))).await
    }

    async fn erase_person(
        &self,
        caller: &Caller,
        name: &Name,
        by: &Name,
        note: &str,
    ) -> Result<(PersonRecord, u32)> {
        let (name, by, note) = (name.clone(), by.clone(), note.to_owned());
        self.queue.write(caller, move |tx| Box::pin(erasing::person(tx, name, by, note))).await
    }

    async fn people(&self, page: PageAsk<String>) -> Result<Page<PersonRecord, String>> {
        people::list(&mut *self.read().await?, page).await
    }

    async fn known_person(&self, field: &str, name: &Name) -> Result<PersonId> {
        people::known_person(&mut *self.read().await?, field, name).await
    }

    async fn person_names(&self, people: &[PersonId]) -> Result<BTreeMap<PersonId, Name>> {
        people::names(&mut *self.read().await?, people).await
    }

    async fn sites(&self) -> Result<Vec<SiteRecord>> {
        sites::all(&mut *self.read().await?).await
    }

    async fn site(&self, key: &str) -> Result<Option<SiteRecord>> {
        sites::by_key(&mut *self.read().await?, key).await
    }

    async fn load_shop(
        &self,
        caller: &Caller,
        declared: &Declaration,
        by: Option<&Name>,
        validate_only: bool,
    ) -> Result<LoadReport> {
        let (declared, by) = (declared.clone(), by.cloned());
        self.queue.write(caller, move |tx| Box::pin(shop::load(tx, declared, by, validate_only))).await
    }

    async fn shop(&self, site: SiteId) -> Result<Declaration> {
        shop_state::declared(&mut *self.read().await?, site).await
    }

    async fn state_last_done(
        &self,
        caller: &Caller,
        site: SiteId,
        stated: &[LastDoneCard],
        by: Option<&Name>,
        validate_only: bool,
    ) -> Result<Vec<ShopChange>> {
        let (stated, by) = (stated.to_vec(), by.cloned());
        self.queue
            .write(caller, move |tx| Box::pin(shop::state_last_done(tx, site, stated, by, validate_only)))
            .await
    }

    async fn machines(
        &self,
        site: SiteId,
        filter: &MachineFilter,
        page: PageAsk<(String, String)>,
    ) -> Result<Page<MachineRecord, (String, String)>> {
        machines::list(&mut *self.read().await?, site, filter, page).await
    }

    async fn machine(&self, site: SiteId, name: &str) -> Result<Option<(MachineRecord, MachineCard)>> {
        machines::find(&mut *self.read().await?, site, name).await
    }

    async fn move_machine(
        &self,
        caller: &Caller,
        site: SiteId,
        tag: &Key,
        to: MachineMove,
        by: &Name,
        reason: &str,
        validate_only: bool,
    ) -> Result<(MachineRecord, Vec<OrderNumber>)> {
        let ask =
            machines::Move { tag: tag.clone(), to, by: by.clone(), reason: reason.to_owned(), validate_only };
        self.queue.write(caller, move |tx| Box::pin(machines::move_to(tx, site, ask))).await
    }

    async fn push(&self, caller: &Caller, site: SiteId, reports: Vec<Received>) -> Result<Vec<Acknowledged>> {
        self.queue.push(caller, site, reports).await
    }

    async fn reports(
        &self,
        site: SiteId,
        filter: &ReportFilter,
        page: PageAsk<ReportCursor>,
    ) -> Result<Page<KeptReport, ReportCursor>> {
        reports::list(&mut *self.read().await?, site, filter, page).await
    }

    async fn of_undeclared(&self, site: SiteId, sources: &BTreeSet<ForeignName>) -> Result<Vec<String>> {
        declared::of_undeclared(&mut *self.read().await?, site, sources).await
    }

    async fn held_counts(&self, site: SiteId) -> Result<HeldCounts> {
        reports::held_counts(&mut *self.read().await?, site).await
    }

    async fn settle(
        &self,
        caller: &Caller,
        site: SiteId,
        source: &ForeignName,
        report: &ForeignName,
        revision: u32,
        digest: Option<[u8; 32]>,
        settlement: Settlement,
        by: &Name,
        note: &str,
    ) -> Result<Settled> {
        let (source, report, by, note) = (source.clone(), report.clone(), by.clone(), note.to_owned());
        let ask = settle::Ask { source, report, revision, digest, settlement, by, note };
        self.queue.write(caller, move |tx| Box::pin(settle::settle(tx, site, ask))).await
    }

    async fn replace_counter(
        &self,
        caller: &Caller,
        site: SiteId,
        machine: &Key,
        meter: Option<&Key>,
        at: Ts,
        closing: &str,
        opening: &str,
        by: &Name,
    ) -> Result<(MeterRecord, MeterShows)> {
        let at_meter =
            meters::At { machine: machine.to_string(), meter: meter.cloned(), when: at, by: by.clone() };
        let (closing, opening) = (closing.to_owned(), opening.to_owned());
        self.queue
            .write(caller, move |tx| Box::pin(meters::replace(tx, site, at_meter, closing, opening)))
            .await
    }

    async fn book_adjustment(
        &self,
        caller: &Caller,
        site: SiteId,
        machine: &Key,
        meter: Option<&Key>,
        at: Ts,
        amount: &str,
        by: &Name,
        note: &str,
    ) -> Result<(MeterRecord, MeterShows)> {
        let at_meter =
            meters::At { machine: machine.to_string(), meter: meter.cloned(), when: at, by: by.clone() };
        let (amount, note) = (amount.to_owned(), note.to_owned());
        self.queue.write(caller, move |tx| Box::pin(meters::adjust(tx, site, at_meter, amount, note))).await
    }

    async fn meter(
        &self,
        site: SiteId,
        machine: &str,
        meter: Option<&Key>,
        at: Option<Ts>,
    ) -> Result<(MeterRecord, MeterShows)> {
        meters::shows(&mut *self.read().await?, site, machine, meter, at).await
    }

    async fn meter_months(
        &self,
        site: SiteId,
        machine: &str,
        meter: Option<&Key>,
    ) -> Result<BTreeMap<Month, Amount>> {
        meters::months(&mut *self.read().await?, site, machine, meter).await
    }

    async fn plan_use(
        &self,
        caller: &Caller,
        site: SiteId,
        said: &PlanSaid,
        validate_only: bool,
    ) -> Result<PlanTaken> {
        let said = said.clone();
        self.queue.write(caller, move |tx| Box::pin(planned::take(tx, site, said, validate_only))).await
    }

    async fn planned_shifts(
        &self,
        site: SiteId,
        filter: &PlannedFilter,
        page: PageAsk<PlannedCursor>,
    ) -> Result<Page<PlannedShift, PlannedCursor>> {
        planned::list(&mut *self.read().await?, site, filter, page).await
    }

    async fn planned_periods(&self, site: SiteId, machine: &str, after: Ts) -> Result<Vec<PlannedPeriod>> {
        planned::periods(&mut *self.read().await?, site, machine, after).await
    }

    async fn due_head(&self, site: SiteId, now: Ts) -> Result<DueHead> {
        plan_reads::head(&mut *self.read_of("due_head").await?, site, now).await
    }

    async fn due(
        &self,
        site: SiteId,
        filter: &DueFilter,
        page: PageAsk<DueCursor>,
    ) -> Result<Page<DueEntry, DueCursor>> {
        plan_reads::page(&mut *self.read_of("due_list").await?, site, filter, page).await
    }

    async fn explain(&self, site: SiteId, order: OrderNumber, now: Ts) -> Result<Explained> {
        plan_reads::explain(&mut *self.read_of("explanation").await?, site, order, now).await
    }

    async fn look_ahead(
        &self,
        site: SiteId,
        filter: &AheadFilter,
        page: PageAsk<i64>,
        now: Ts,
    ) -> Result<Page<MachineAhead, i64>> {
        ahead::look(&mut *self.read_of("look_ahead").await?, site, filter, page, now).await
    }

    async fn open_order(&self, site: SiteId, machine: &str, task: &Key) -> Result<OrderNumber> {
        plan_reads::open_order(&mut *self.read().await?, site, machine, task).await
    }

    async fn orders(
        &self,
        site: SiteId,
        filter: &OrderFilter,
        page: PageAsk<i64>,
    ) -> Result<Page<OrderRecord, i64>> {
        orders::list(&mut *self.read().await?, site, filter, page).await
    }

    async fn order(&self, site: SiteId, order: OrderNumber) -> Result<OrderRecord> {
        orders::one(&mut *self.read().await?, site, order).await
    }

    async fn audit(&self, site: SiteId, filter: &AuditFilter, page: AuditAsk) -> Result<AuditPage> {
        audit::page(&mut *self.read().await?, site, filter, page).await
    }

    async fn close(&self, caller: &Caller, site: SiteId, said: &ClosingSaid) -> Result<Ended> {
        let said = said.clone();
        self.queue.write(caller, move |tx| Box::pin(close::close(tx, site, said))).await
    }

    async fn take_readings(
        &self,
        caller: &Caller,
        site: SiteId,
        told: &[Telling],
        validate_only: bool,
    ) -> Result<Vec<TakenReading>> {
        let told = told.to_vec();
        self.queue.write(caller, move |tx| Box::pin(body_readings::take(tx, site, told, validate_only))).await
    }

    async fn record_fluid(
        &self,
        caller: &Caller,
        site: SiteId,
        said: &FluidSaid,
        validate_only: bool,
    ) -> Result<FluidDone> {
        let said = said.clone();
        self.queue.write(caller, move |tx| Box::pin(fluids::record(tx, site, said, validate_only))).await
    }

    async fn withdraw_fluid(&self, caller: &Caller, site: SiteId, ask: &Withdrawal) -> Result<FluidDone> {
        let ask = ask.clone();
        self.queue.write(caller, move |tx| Box::pin(fluids::withdraw(tx, site, ask))).await
    }

    async fn fluid_book(
        &self,
        site: SiteId,
        filter: &FluidFilter,
        page: PageAsk<FluidCursor>,
    ) -> Result<FluidBook> {
        fluid_reads::book(&mut *self.read().await?, site, filter, page).await
    }

    async fn withdraw_reading(&self, caller: &Caller, site: SiteId, ask: &Withdrawal) -> Result<KeptReading> {
        let ask = ask.clone();
        self.queue.write(caller, move |tx| Box::pin(body_readings::withdraw(tx, site, ask))).await
    }

    async fn readings(
        &self,
        site: SiteId,
        filter: &ReadingFilter,
        page: PageAsk<i64>,
    ) -> Result<Page<KeptReading, i64>> {
        point_reads::list(&mut *self.read().await?, site, filter, page).await
    }

    async fn point(&self, site: SiteId, machine: &str, point: &Key) -> Result<PointHistory> {
        point_reads::history(&mut *self.read().await?, site, machine, point).await
    }

    async fn skip(
        &self,
        caller: &Caller,
        site: SiteId,
        order: OrderNumber,
        by: &Name,
        reason: &str,
        validate_only: bool,
    ) -> Result<Ended> {
        let ask = ending::Ending { order, by: by.clone(), reason: reason.to_owned(), validate_only };
        self.queue.write(caller, move |tx| Box::pin(ending::skip(tx, site, ask))).await
    }

    async fn raise(&self, caller: &Caller, site: SiteId, said: &RaiseSaid) -> Result<DueEntry> {
        let said = said.clone();
        self.queue.write(caller, move |tx| Box::pin(ending::raise(tx, site, said))).await
    }

    async fn undo(
        &self,
        caller: &Caller,
        site: SiteId,
        order: OrderNumber,
        by: &Name,
        reason: &str,
        validate_only: bool,
    ) -> Result<Ended> {
        let ask = ending::Ending { order, by: by.clone(), reason: reason.to_owned(), validate_only };
        self.queue.write(caller, move |tx| Box::pin(ending::undo(tx, site, ask))).await
    }

    async fn change_stock(
        &self,
        caller: &Caller,
        site: SiteId,
        told: &StockTold,
        validate_only: bool,
    ) -> Result<StockDone> {
        let told = told.clone();
        self.queue.write(caller, move |tx| Box::pin(shelf::change(tx, site, told, validate_only))).await
    }

    async fn withdraw_issue(&self, caller: &Caller, site: SiteId, ask: &Withdrawal) -> Result<StockDone> {
        let ask = ask.clone();
        self.queue.write(caller, move |tx| Box::pin(shelf_use::withdraw(tx, site, ask))).await
    }

    async fn stock(
        &self,
        site: SiteId,
        filter: &StockFilter,
        page: PageAsk<String>,
    ) -> Result<Page<KeptItem, String>> {
        shelf::list(&mut *self.read().await?, site, filter, page).await
    }

    async fn buy_list(&self, site: SiteId, filter: &BuyFilter, now: Ts) -> Result<BuyList> {
        let mut gathered = buy::begin(&mut *self.read_of("buy_list").await?, site, filter, now).await?;
        let mut page = Some(PageAsk { after: None, limit: buy::MACHINES_AT_ONCE });
        while let Some(ask) = page {
            // A connection for each page, so that nobody waits for one as long as the whole walk takes.
            let next =
                buy::add_machines(&mut *self.read_of("buy_list").await?, site, &mut gathered, ask).await?;
            page = next.map(|after| PageAsk { after: Some(after), limit: buy::MACHINES_AT_ONCE });
        }
        gathered.lines(filter.item.is_some()).await
    }

    async fn entries(
        &self,
        site: SiteId,
        filter: &EntryFilter,
        page: PageAsk<i64>,
    ) -> Result<Page<EntryRecord, i64>> {
        entries::list(&mut *self.read().await?, site, filter, page).await
    }

    async fn journal_head(&self, site: SiteId) -> Result<JournalHead> {
        entries::head(&mut *self.read().await?, site).await
    }

    async fn lease(
        &self,
        site: SiteId,
        duty: &'static str,
        holder: &str,
        now: Ts,
        until: Ts,
    ) -> Result<bool> {
        if !dialect::SHARED {
            return Ok(true);
        }
        let caller =
            Caller { token: None, method: "Lease", request: None, now, person: None, as_manager: true };
        let ask = upkeep::Lease { site, duty, holder: holder.to_owned(), until };
        self.queue.write(&caller, move |tx| Box::pin(upkeep::lease(tx, ask))).await
    }

    async fn upkeep(&self, site: SiteId, now: Ts, limit: u32) -> Result<Upkeep> {
        let caller =
            Caller { token: None, method: "Upkeep", request: None, now, person: None, as_manager: true };
        fleet::learn(self, &caller, site).await?;
        self.queue.write(&caller, move |tx| Box::pin(upkeep::upkeep(tx, site, limit))).await
    }

    async fn failed(&self) -> String {
        self.queue.failed().await
    }

    async fn shut(&self) {
        self.queue.shut().await;
    }
}
