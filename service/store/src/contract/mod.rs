//! The store contract: what the service asks of a store, in the domain's own words. No SQL and no wire type here.
//!
//! Every writing call is one transaction that holds the change, its journal leaves, the refreshed plan rows and the
//! idempotency record; it answers after the commit. Every call that writes takes `now` from the caller.

mod audit;
mod care;
mod due;
mod due_calendars;
mod error;
mod fluids;
mod gauges;
mod hours;
mod journal;
mod orders;
mod outbound;
mod pins;
mod planned;
mod proofs;
mod readings;
mod rounds;
mod shop;
mod steps;
mod stock;
mod tokens;
mod vault;
mod watching;

pub use audit::{AuditAsk, AuditCursor, AuditFilter, AuditPage, Audited};
pub use care::{
    AdviceAnswer, AdviceAnswered, AdviceCursor, AdviceFilter, AdvicePlace, AdviceRecord, AdviceSubject,
    CARE_EARLY_DAYS, CARE_ORDERS_MAX, Care, CareFilter, CareRead,
};
pub use due::{
    AheadFilter, DueCursor, DueEntry, DueFilter, DueHead, DuePart, Explained, MachineAhead, STALE_COUNTED_MAX,
};
pub use due_calendars::{DueCalendarRecord, DueCalendars, NewDueCalendar};
pub use error::{Result, StoreError};
pub use fluids::{
    FluidBook, FluidCursor, FluidDone, FluidFilter, FluidLimit, FluidLine, FluidReservoir, KeptFluid,
};
pub use gauges::{Gauges, MachineGauge, OrderGauge, SILENT_AFTER_DAYS, SiteGauge, StoreGauge};
pub use hours::{Acknowledged, HeldCounts, KeptReport, LoadReport, ReportCursor, ReportFilter, Settled};
pub use journal::{EntryFilter, EntryRecord, JournalHead};
pub use orders::{ClosingView, Ended, OrderFilter, OrderRecord};
pub use outbound::{Outbound, OutboundEntry};
pub use pins::{PinRecord, Pins};
pub use planned::{PlanSaid, PlanTaken, PlannedCursor, PlannedFilter, PlannedPeriod, PlannedShift};
pub use proofs::{CheckpointCursor, JournalKey, KeptCheckpoint, KeptLeaf, Proofs};
pub use readings::{
    HISTORY_MAX, KeptReading, PointHistory, PointService, ReadingFilter, TakenReading, Telling,
};
pub use rounds::{
    AREAS_MAX, HANDOVERS_MAX, KeptHandover, MachineReady, MachineRound, RoundFilter, RoundHead, Rounds,
};
pub use shop::{MachineFilter, MachineMove, MachineRecord, MachineState, PersonRecord, SiteRecord};
pub(crate) use steps::onlooker;
pub use steps::{Onlooker, ReadStep, Seen, Step, WriteStep, seen_by, seen_on};
pub use stock::{
    BuyFilter, BuyList, KeptItem, NOT_COUNTED_MAX, StockDone, StockFilter, StockTold, Withdrawal,
};
pub use tokens::{NewToken, TokenRecord, Tokens};
pub use vault::{FAULTS_MAX, Fault, KeptNote, Part, Restore, Vault};
pub use watching::Watching;

use async_trait::async_trait;
use fettler_domain::fluid::FluidSaid;
use fettler_domain::ids::{OrderNumber, PersonId, SiteId, TokenId};
use fettler_domain::ledger::history::Month;
use fettler_domain::ledger::report::Received;
use fettler_domain::ledger::row::Settlement;
use fettler_domain::order::{ClosingSaid, RaiseSaid};
use fettler_domain::pin::{Known, Speaker};
use fettler_domain::quantity::Amount;
use fettler_domain::shop::{Declaration, LastDoneCard, MachineCard, MeterRecord, MeterShows, ShopChange};
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::Ts;
use std::collections::{BTreeMap, BTreeSet};

/// Who calls, and under which request id.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caller {
    /// The token by which the call came; none for what the service does by itself.
    pub token: Option<TokenId>,
    /// The method, as part of the idempotency key: `CloseOrder`.
    pub method: &'static str,
    /// The caller's request id with a digest of the request's bytes, when one was given.
    pub request: Option<RequestKey>,
    /// The moment of the call.
    pub now: Ts,
    /// Whose word it is, where that was found out before: of a report the person it is put down to, else a person who is
    /// known by PIN or own token. All other calls name their people themselves.
    pub person: Option<Speaker>,
    /// Whether the caller may decide what is a manager's to decide, as the service itself may.
    pub as_manager: bool,
}

impl Caller {
    /// How a person is known; none when they are only named.
    pub fn known(&self, person: PersonId) -> Option<Known> {
        self.person.filter(|speaker| speaker.person == person)?.known
    }
}

/// A request id and what it was used for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RequestKey {
    /// The id.
    pub id: String,
    /// SHA-256 of the request's encoded bytes.
    pub digest: [u8; 32],
}

/// Where a page begins and how long it may be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PageAsk<K> {
    /// The key of the last row of the page before.
    pub after: Option<K>,
    /// How many rows at most.
    pub limit: u32,
}

/// A page: its rows, and the key after which the next one begins.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page<T, K> {
    /// The rows.
    pub rows: Vec<T>,
    /// Where to go on; none at the end.
    pub next: Option<K>,
}

impl<T, K> Page<T, K> {
    /// A page of at most `limit` rows from one row more, if there is one.
    pub fn cut(mut rows: Vec<T>, limit: u32, key: impl Fn(&T) -> K) -> Page<T, K> {
        let limit = usize::try_from(limit).unwrap_or(usize::MAX);
        let more = rows.len() > limit;
        rows.truncate(limit);
        let next = if more { rows.last().map(key) } else { None };
        Page { rows, next }
    }
}
/// What an upkeep pass did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Upkeep {
    /// Plan rows computed afresh.
    pub refreshed: u64,
    /// Held reports judged again.
    pub judged: u64,
    /// Whether more is to be done.
    pub more: bool,
}

/// A store of shops.
#[async_trait]
#[expect(clippy::too_many_arguments, reason = "a call says each thing by itself")]
pub trait Store:
    Care + DueCalendars + Gauges + Outbound + Pins + Proofs + Tokens + Rounds + Vault + Watching + Send + Sync
{
    /// Adds a person, or gives the one with that name; says whether they were there already.
    async fn add_person(&self, caller: &Caller, name: &Name) -> Result<(PersonRecord, bool)>;
    /// Erases a person's name, their PIN and the text in which the journal's entry of it is sealed, and takes back the tokens of
    /// their own; says how many.
    async fn erase_person(
        &self,
        caller: &Caller,
        name: &Name,
        by: &Name,
        note: &str,
    ) -> Result<(PersonRecord, u32)>;
    /// People by name.
    async fn people(&self, page: PageAsk<String>) -> Result<Page<PersonRecord, String>>;
    /// The person with this name; refused, with the field's name, when nobody has it.
    async fn known_person(&self, field: &str, name: &Name) -> Result<PersonId>;
    /// The names of people by number.
    async fn person_names(&self, people: &[PersonId]) -> Result<BTreeMap<PersonId, Name>>;

    /// All sites by key.
    async fn sites(&self) -> Result<Vec<SiteRecord>>;
    /// The site with this key.
    async fn site(&self, key: &str) -> Result<Option<SiteRecord>>;
    /// Declares a shop, or (`validate_only`) says what would change.
    async fn load_shop(
        &self,
        caller: &Caller,
        declared: &Declaration,
        by: Option<&Name>,
        validate_only: bool,
    ) -> Result<LoadReport>;
    /// The shop as declared now.
    async fn shop(&self, site: SiteId) -> Result<Declaration>;
    /// States when tasks were last done.
    async fn state_last_done(
        &self,
        caller: &Caller,
        site: SiteId,
        stated: &[LastDoneCard],
        by: Option<&Name>,
        validate_only: bool,
    ) -> Result<Vec<ShopChange>>;

    /// Machines by area and tag.
    async fn machines(
        &self,
        site: SiteId,
        filter: &MachineFilter,
        page: PageAsk<(String, String)>,
    ) -> Result<Page<MachineRecord, (String, String)>>;
    /// A machine by its tag or another of its names, with its card.
    async fn machine(&self, site: SiteId, name: &str) -> Result<Option<(MachineRecord, MachineCard)>>;
    /// Moves a machine between its states; answers it and the orders that became void.
    async fn move_machine(
        &self,
        caller: &Caller,
        site: SiteId,
        tag: &Key,
        to: MachineMove,
        by: &Name,
        reason: &str,
        validate_only: bool,
    ) -> Result<(MachineRecord, Vec<OrderNumber>)>;

    /// Takes reports; each has its own outcome, in the order given.
    async fn push(&self, caller: &Caller, site: SiteId, reports: Vec<Received>) -> Result<Vec<Acknowledged>>;
    /// Reports, newest arrival first; held ones oldest arrival first.
    async fn reports(
        &self,
        site: SiteId,
        filter: &ReportFilter,
        page: PageAsk<ReportCursor>,
    ) -> Result<Page<KeptReport, ReportCursor>>;
    /// What is to be said of those of the sources that are not declared where others are.
    async fn of_undeclared(&self, site: SiteId, sources: &BTreeSet<ForeignName>) -> Result<Vec<String>>;
    /// How many reports are held.
    async fn held_counts(&self, site: SiteId) -> Result<HeldCounts>;
    /// Settles a held report; without a digest when only one content of that revision is known.
    #[expect(clippy::too_many_arguments, reason = "each is a different thing that the manager says")]
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
    ) -> Result<Settled>;
    /// Records a counter's replacement.
    #[expect(clippy::too_many_arguments, reason = "each is a different thing that the technician says")]
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
    ) -> Result<(MeterRecord, MeterShows)>;
    /// Books an adjustment on a meter that is fed by intervals.
    #[expect(clippy::too_many_arguments, reason = "each is a different thing that the manager says")]
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
    ) -> Result<(MeterRecord, MeterShows)>;
    /// What a meter shows, at an instant or in all.
    async fn meter(
        &self,
        site: SiteId,
        machine: &str,
        meter: Option<&Key>,
        at: Option<Ts>,
    ) -> Result<(MeterRecord, MeterShows)>;
    /// A meter's totals by month.
    async fn meter_months(
        &self,
        site: SiteId,
        machine: &str,
        meter: Option<&Key>,
    ) -> Result<BTreeMap<Month, Amount>>;

    /// States what is planned of a meter in a period, in place of what was.
    async fn plan_use(
        &self,
        caller: &Caller,
        site: SiteId,
        said: &PlanSaid,
        validate_only: bool,
    ) -> Result<PlanTaken>;
    /// Planned shifts in the order of their starts.
    async fn planned_shifts(
        &self,
        site: SiteId,
        filter: &PlannedFilter,
        page: PageAsk<PlannedCursor>,
    ) -> Result<Page<PlannedShift, PlannedCursor>>;
    /// The planned periods of a machine that end after an instant, at most 1,000.
    async fn planned_periods(&self, site: SiteId, machine: &str, after: Ts) -> Result<Vec<PlannedPeriod>>;

    /// The head of the due list.
    async fn due_head(&self, site: SiteId, now: Ts) -> Result<DueHead>;
    /// A page of the due list.
    async fn due(
        &self,
        site: SiteId,
        filter: &DueFilter,
        page: PageAsk<DueCursor>,
    ) -> Result<Page<DueEntry, DueCursor>>;
    /// Explains an open order.
    async fn explain(&self, site: SiteId, order: OrderNumber, now: Ts) -> Result<Explained>;
    /// What is expected of machines' tasks from the shop day of `now` on, in the order of the machines' numbers.
    async fn look_ahead(
        &self,
        site: SiteId,
        filter: &AheadFilter,
        page: PageAsk<i64>,
        now: Ts,
    ) -> Result<Page<MachineAhead, i64>>;
    /// The open order of a task.
    async fn open_order(&self, site: SiteId, machine: &str, task: &Key) -> Result<OrderNumber>;

    /// Orders: open ones by number, others newest first.
    async fn orders(
        &self,
        site: SiteId,
        filter: &OrderFilter,
        page: PageAsk<i64>,
    ) -> Result<Page<OrderRecord, i64>>;
    /// One order.
    async fn order(&self, site: SiteId, order: OrderNumber) -> Result<OrderRecord>;
    /// Closings with all that belongs to them, the one done first first.
    async fn audit(&self, site: SiteId, filter: &AuditFilter, page: AuditAsk) -> Result<AuditPage>;

    /// Closes an order.
    async fn close(&self, caller: &Caller, site: SiteId, said: &ClosingSaid) -> Result<Ended>;
    /// Takes readings, or (`validate_only`) says what would come of them; each has its own outcome, in the order given.
    async fn take_readings(
        &self,
        caller: &Caller,
        site: SiteId,
        told: &[Telling],
        validate_only: bool,
    ) -> Result<Vec<TakenReading>>;
    /// Records an addition, a change or waste, or (`validate_only`) says what would come of it.
    async fn record_fluid(
        &self,
        caller: &Caller,
        site: SiteId,
        said: &FluidSaid,
        validate_only: bool,
    ) -> Result<FluidDone>;

    /// Withdraws an entry of the record of fluids.
    async fn withdraw_fluid(&self, caller: &Caller, site: SiteId, ask: &Withdrawal) -> Result<FluidDone>;

    /// The record of the sumps and reservoirs of a machine, the oldest line first.
    async fn fluid_book(
        &self,
        site: SiteId,
        filter: &FluidFilter,
        page: PageAsk<FluidCursor>,
    ) -> Result<FluidBook>;

    /// Withdraws a reading.
    async fn withdraw_reading(&self, caller: &Caller, site: SiteId, ask: &Withdrawal) -> Result<KeptReading>;
    /// Readings, the newest entry first.
    async fn readings(
        &self,
        site: SiteId,
        filter: &ReadingFilter,
        page: PageAsk<i64>,
    ) -> Result<Page<KeptReading, i64>>;
    /// A test point with its past.
    async fn point(&self, site: SiteId, machine: &str, point: &Key) -> Result<PointHistory>;
    /// Skips an order.
    async fn skip(
        &self,
        caller: &Caller,
        site: SiteId,
        order: OrderNumber,
        by: &Name,
        reason: &str,
        validate_only: bool,
    ) -> Result<Ended>;
    /// Raises an order by hand.
    async fn raise(&self, caller: &Caller, site: SiteId, said: &RaiseSaid) -> Result<DueEntry>;
    /// Undoes the closing of an order.
    async fn undo(
        &self,
        caller: &Caller,
        site: SiteId,
        order: OrderNumber,
        by: &Name,
        reason: &str,
        validate_only: bool,
    ) -> Result<Ended>;

    /// Takes what is said of an item's stock, or (`validate_only`) says what would come of it.
    async fn change_stock(
        &self,
        caller: &Caller,
        site: SiteId,
        told: &StockTold,
        validate_only: bool,
    ) -> Result<StockDone>;
    /// Takes back what was said to have been taken off the shelf by hand.
    async fn withdraw_issue(&self, caller: &Caller, site: SiteId, ask: &Withdrawal) -> Result<StockDone>;
    /// Items by name.
    async fn stock(
        &self,
        site: SiteId,
        filter: &StockFilter,
        page: PageAsk<String>,
    ) -> Result<Page<KeptItem, String>>;
    /// What to buy. The work ahead is read page by page of the machines, each page as it stands then.
    async fn buy_list(&self, site: SiteId, filter: &BuyFilter, now: Ts) -> Result<BuyList>;

    /// Journal entries.
    async fn entries(
        &self,
        site: SiteId,
        filter: &EntryFilter,
        page: PageAsk<i64>,
    ) -> Result<Page<EntryRecord, i64>>;
    /// The journal's head.
    async fn journal_head(&self, site: SiteId) -> Result<JournalHead>;

    /// Takes a duty of a site, or keeps it, until an instant; false while another service has it. Where only one service
    /// can have the store open, it has every duty.
    ///
    /// The services compare the instants by their own clocks, so these must agree within seconds.
    async fn lease(&self, site: SiteId, duty: &'static str, holder: &str, now: Ts, until: Ts)
    -> Result<bool>;

    /// One bounded pass of upkeep over a site: rows of an earlier shop day or of other fleet figures computed afresh, reports
    /// whose time has come or whose declarations changed judged again. Before it the fleet figures of the day are learnt,
    /// if they are not yet; where reports of the past have come since they were, once none has come between two passes, or
    /// after a quarter of an hour. Then they are learnt while others write.
    async fn upkeep(&self, site: SiteId, now: Ts, limit: u32) -> Result<Upkeep>;
    /// Resolves, with the reason, when what was written could not be made durable: nothing is acknowledged from then
    /// on, and the process is to end, so that what stands is read anew.
    async fn failed(&self) -> String;
    /// Ends all writing after what was taken is durable.
    async fn shut(&self);
}
