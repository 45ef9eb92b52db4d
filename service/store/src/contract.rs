//! The store contract: what the service asks of a store, in the domain's own words. No SQL and no wire type here.
//!
//! Every writing call is one transaction that holds the change, its journal leaves, the refreshed plan rows and the
//! idempotency record; it answers after the commit. Every call that writes takes `now` from the caller.

use crate::readings::{KeptReading, PointHistory, ReadingFilter, TakenReading, Telling};
use async_trait::async_trait;
use fettler_domain::calendar::Calendar;
use fettler_domain::ids::{MachineId, MeterId, OrderNumber, PersonId, SiteId, TaskId, TokenId};
use fettler_domain::ledger::changes::Outcome;
use fettler_domain::ledger::history::Month;
use fettler_domain::ledger::report::{Received, ReportKey};
use fettler_domain::ledger::row::{Row, Settlement};
use fettler_domain::order::{ClosingRecord, ClosingSaid, OrderState, RaiseSaid};
use fettler_domain::plan::{LookAhead, PlanRow, Week};
use fettler_domain::planned::{Intent, Period, PlannedStretch};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::shop::{
    Declaration, KitItem, LastDoneCard, MachineCard, MeterRecord, MeterShows, ShopChange, SiteCard, TaskCard,
};
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::{ShopDay, Ts};
use std::collections::BTreeMap;

/// Why a store call failed.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The intention is refused; the domain says why.
    #[error(transparent)]
    Refused(#[from] fettler_domain::error::Error),
    /// Another writer was faster too often; try again.
    #[error("the store was changed by another writer meanwhile; try again")]
    Conflict,
    /// The store cannot be reached or is too busy; try again later.
    #[error("the store is not available: {0}")]
    Unavailable(String),
    /// A stored row breaks an invariant of ours.
    #[error("stored data is damaged: {table}.{column} of row {row}")]
    Corrupt {
        /// The table.
        table: &'static str,
        /// The column.
        column: &'static str,
        /// The row's key.
        row: String,
    },
    /// The database driver failed.
    #[error("the database failed")]
    Driver(#[source] sqlx::Error),
}

impl From<sqlx::Error> for StoreError {
    /// What another try may mend is told apart from what it may not.
    #[expect(clippy::wildcard_enum_match_arm, reason = "the driver's list of errors is open")]
    fn from(error: sqlx::Error) -> StoreError {
        match &error {
            sqlx::Error::PoolTimedOut
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed
            | sqlx::Error::Protocol(_)
            | sqlx::Error::Io(_) => StoreError::Unavailable(error.to_string()),
            sqlx::Error::Database(cause) if may_be_mended(&**cause) => {
                StoreError::Unavailable(error.to_string())
            }
            _ => StoreError::Driver(error),
        }
    }
}

/// Whether another try may mend what a database reports.
fn may_be_mended(cause: &dyn sqlx::error::DatabaseError) -> bool {
    /// SQLite's primary codes for busy, locked, an I/O error, and a full disk.
    const FILE: [i64; 4] = [5, 6, 10, 13];
    /// PostgreSQL's classes: connection, transaction rolled back, resources, a lock not had, stopped by an operator,
    /// the system; and a server that only reads, as a standby does.
    const SERVER: [&str; 7] = ["08", "40", "53", "55", "57", "58", "25006"];
    let Some(code) = cause.code() else { return false };
    if cause.try_downcast_ref::<sqlx::postgres::PgDatabaseError>().is_some() {
        return SERVER.iter().any(|class| code.starts_with(class));
    }
    code.parse::<i64>().is_ok_and(|code| FILE.contains(&(code & 0xff)))
}

impl StoreError {
    /// The same error once more, for another caller whose work shared the transaction.
    #[must_use]
    pub fn again(&self) -> StoreError {
        match self {
            StoreError::Refused(error) => StoreError::Refused(error.clone()),
            StoreError::Conflict => StoreError::Conflict,
            StoreError::Unavailable(text) => StoreError::Unavailable(text.clone()),
            StoreError::Corrupt { table, column, row } => {
                StoreError::Corrupt { table, column, row: row.clone() }
            }
            StoreError::Driver(error) => StoreError::Unavailable(error.to_string()),
        }
    }
}

/// The result of a store call.
pub type Result<T> = std::result::Result<T, StoreError>;

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
    /// Who says it, where a report is a person's word; other calls name their people themselves.
    pub person: Option<PersonId>,
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

/// A site with its calendar ready to use.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteRecord {
    /// Its number.
    pub site: SiteId,
    /// Its settings.
    pub card: SiteCard,
    /// Its calendar.
    pub calendar: Calendar,
}

/// A token as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TokenRecord {
    /// Its number.
    pub token: TokenId,
    /// What it is for.
    pub name: String,
}

/// A person.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PersonRecord {
    /// The number.
    pub person: PersonId,
    /// The name; none after it was erased.
    pub name: Option<Name>,
    /// When they were added.
    pub added_at: Ts,
}

/// Whether a machine may run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum MachineState {
    /// It runs and is cared for.
    InService,
    /// Laid up.
    Resting,
    /// It must not start.
    Forbidden,
    /// It has left the shop.
    Retired,
}

/// A machine and where it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MachineRecord {
    /// Its number.
    pub machine: MachineId,
    /// Its tag.
    pub tag: Key,
    /// Its name.
    pub name: Name,
    /// Its family.
    pub family: String,
    /// Its area.
    pub area: String,
    /// Whether it may run.
    pub state: MachineState,
    /// Since when it stands so.
    pub since: Ts,
    /// Why.
    pub reason: String,
    /// Who said so.
    pub by: Option<PersonId>,
    /// Its meters and what they show.
    pub meters: Vec<(MeterRecord, MeterShows)>,
    /// How many orders on it are open.
    pub open_orders: u32,
}

/// Which machines to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MachineFilter {
    /// In this state.
    pub state: Option<MachineState>,
    /// Of this area.
    pub area: Option<String>,
}

/// Where a machine is moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MachineMove {
    /// Lay it up.
    Rest,
    /// It must not start.
    Forbid,
    /// It may run again.
    Return,
    /// It leaves the shop for good.
    Retire,
}

/// What a load did, or would do.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LoadReport {
    /// The changes, in the order of the declaration.
    pub changes: Vec<ShopChange>,
    /// How many orders were opened.
    pub orders_opened: u32,
    /// How many held reports wait to be judged again.
    pub reports_waiting: u64,
}

/// What became of one pushed report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Acknowledged {
    /// The report.
    pub key: ReportKey,
    /// What became of it.
    pub outcome: Outcome,
    /// What left the count because of it, with the unit's meter kind; none when nothing did.
    pub left: Option<(Amount, fettler_domain::quantity::Unit)>,
    /// Reports that counted before and do not now.
    pub displaced: Vec<ReportKey>,
    /// Reports that were held before and count now.
    pub let_in: Vec<ReportKey>,
}

/// A report as the ledger keeps it.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptReport {
    /// The row.
    pub row: Row,
    /// The tag of its machine, when it was found.
    pub machine: Option<Key>,
    /// The key of its meter, when it was found.
    pub meter: Option<Key>,
    /// The journal entry of its arrival.
    pub entry: i64,
}

/// Where a page of reports begins: an opaque key made by the store.
pub type ReportCursor = (i64, i64);

/// Which reports to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ReportFilter {
    /// Of this machine.
    pub machine: Option<Key>,
    /// Of this source.
    pub source: Option<ForeignName>,
    /// Held ones only; with a reason's word (the serde name), only those.
    pub held: Option<Option<&'static str>>,
}

/// How many reports are held, and how many of them wait to be judged again.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct HeldCounts {
    /// Held in all.
    pub held: u64,
    /// Waiting to be judged again.
    pub waiting: u64,
}

/// A settlement and what it changed.
#[derive(Clone, Debug, PartialEq)]
pub struct Settled {
    /// The report as it stands now.
    pub report: KeptReport,
    /// Reports that counted before and do not now.
    pub displaced: Vec<ReportKey>,
    /// Reports that were held before and count now.
    pub let_in: Vec<ReportKey>,
}

/// An open order with all that a list shows of it.
#[derive(Clone, Debug, PartialEq)]
pub struct DueEntry {
    /// Its plan row.
    pub plan: PlanRow,
    /// The machine's tag.
    pub machine: Key,
    /// The machine's name.
    pub machine_name: Name,
    /// The machine's area.
    pub area: String,
    /// The task's key; none for a raised order.
    pub task: Option<Key>,
    /// What is to be done.
    pub title: Name,
    /// Where on the machine.
    pub place: String,
    /// What to bring.
    pub kit: Vec<KitItem>,
    /// Minutes it takes.
    pub minutes: u32,
    /// Whether neglect or the work can hurt someone.
    pub hazard: bool,
    /// What to heed.
    pub cautions: Vec<String>,
    /// Keys of test points to be read.
    pub readings: Vec<Key>,
    /// Keys of the meters that its clauses name.
    pub meter_keys: BTreeMap<i64, Key>,
}

/// Which part of the due list is asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DueFilter {
    /// Due before this instant (the end of the horizon's last shop day).
    pub before: Ts,
    /// What to list.
    pub part: DuePart,
    /// Only this machine.
    pub machine: Option<MachineId>,
    /// Only this area.
    pub area: Option<String>,
}

/// The parts of a due list, each with its own order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DuePart {
    /// Dated items due before the horizon's end.
    Dated,
    /// Items that nobody has recorded.
    NeverRecorded,
    /// Items not due before the horizon's end whose window is open at `now`, on machines that the other two parts
    /// name.
    WhileStopped {
        /// The moment of the answer.
        now: Ts,
    },
    /// Dated items that may well fall due before the horizon's end: by their early quantile where a forecast has a part in
    /// when they are due, by their due instant where none has.
    Sure,
    /// As [`DuePart::WhileStopped`], beside [`DuePart::Sure`].
    WhileStoppedSure {
        /// The moment of the answer.
        now: Ts,
    },
}

/// Where a page of the due list begins: section, the key time by which the part is ordered, order number.
pub type DueCursor = (i64, i64, i64);

/// The head of a due list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DueHead {
    /// Machines that must not start, longest first.
    pub forbidden: Vec<MachineRecord>,
    /// Held reports.
    pub held: HeldCounts,
    /// Rows computed for an earlier shop day or from other figures, and the earliest day of such a row.
    pub stale: Option<(u64, ShopDay)>,
    /// Whether the fleet figures of the day are still to be learnt, from what came since: dates that rest on them may move.
    pub figures_pending: bool,
}

/// Which machines to look ahead of, and how far.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AheadFilter {
    /// The last shop day.
    pub until: ShopDay,
    /// Only this machine.
    pub machine: Option<MachineId>,
    /// Only those of this area.
    pub area: Option<String>,
}

/// What is expected of a machine's tasks.
#[derive(Clone, Debug, PartialEq)]
pub struct MachineAhead {
    /// The machine.
    pub number: MachineId,
    /// Its tag.
    pub tag: Key,
    /// Its name.
    pub name: Name,
    /// Its area.
    pub area: String,
    /// What is expected.
    pub ahead: LookAhead,
    /// The cards of its tasks with open orders.
    pub cards: BTreeMap<TaskId, TaskCard>,
}

/// An open order explained: computed afresh.
#[derive(Clone, Debug, PartialEq)]
pub struct Explained {
    /// The order, its plan row computed afresh.
    pub entry: DueEntry,
    /// Whether the stored row equals it.
    pub row_agrees: bool,
    /// The shop day for which it was computed.
    pub shop_day: ShopDay,
    /// The task's window in words is the caller's to write; this is the rule as it applies, as stored JSON.
    pub closings: Vec<ClosingRecord>,
    /// What was stated before records began: the day.
    pub stated: Option<ShopDay>,
    /// Open orders that are done with this one.
    pub covers: Vec<OrderNumber>,
    /// The weeks of each meter that an expected clause counts, in the order of the clauses.
    pub used: Vec<(MeterId, Unit, Vec<Week>)>,
}

/// An order as the store keeps it.
#[derive(Clone, Debug, PartialEq)]
pub struct OrderRecord {
    /// Its number.
    pub number: OrderNumber,
    /// Where it stands.
    pub state: OrderState,
    /// The machine's tag.
    pub machine: Key,
    /// The task's key; none for a raised order.
    pub task: Option<Key>,
    /// What is, or was, to be done.
    pub title: Name,
    /// When it was opened.
    pub opened_at: Ts,
    /// Who raised it.
    pub raised_by: Option<PersonId>,
    /// What was said when it was raised.
    pub note: String,
    /// Its row on the due list; none once it has ended.
    pub plan: Option<PlanRow>,
    /// When it ended.
    pub ended_at: Option<Ts>,
    /// Why it was skipped or is void.
    pub reason: String,
    /// Who skipped it.
    pub skipped_by: Option<PersonId>,
    /// The closing that ended it.
    pub closing: Option<ClosingView>,
    /// Closings that were undone.
    pub undone: Vec<ClosingView>,
}

/// A closing with what is derived when it is read.
#[derive(Clone, Debug, PartialEq)]
pub struct ClosingView {
    /// The record.
    pub record: ClosingRecord,
    /// The note; empty after it was erased.
    pub note: String,
    /// What it satisfied, as known now; none for a raised order.
    pub satisfied: Option<fettler_domain::plan::Satisfied>,
    /// The journal entry that records it.
    pub entry: i64,
}

/// Which orders to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OrderFilter {
    /// In this state.
    pub state: Option<OrderState>,
    /// On this machine.
    pub machine: Option<Key>,
    /// Of this task.
    pub task: Option<Key>,
}

/// What a closing, a skip or an undo brought about.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ended {
    /// The order as it stands now (for an undo: none).
    pub order: Option<OrderRecord>,
    /// The next order of its task (for an undo: the orders that are open again).
    pub next: Vec<DueEntry>,
    /// Orders closed with it.
    pub covered: Vec<OrderRecord>,
    /// Covered orders that stay open.
    pub left_open: Vec<OrderNumber>,
    /// Orders that became void.
    pub void: Vec<OrderNumber>,
    /// What the technician should know.
    pub remarks: Vec<String>,
}

/// A journal entry as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryRecord {
    /// Its index in the tree.
    pub number: i64,
    /// When it was recorded.
    pub at: Ts,
    /// Its kind's word.
    pub kind: String,
    /// What it is about.
    pub subject: String,
    /// Who said it.
    pub person: Option<PersonId>,
    /// The stored bytes.
    pub leaf: Vec<u8>,
    /// The RFC 6962 leaf hash.
    pub hash: [u8; 32],
    /// The note that the leaf holds as a digest; none when there is none, or it was erased.
    pub note: Option<String>,
}

/// Which entries to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EntryFilter {
    /// From this number on, oldest first; none means newest first.
    pub from: Option<i64>,
    /// Kinds that start so.
    pub kind: Option<String>,
    /// About this subject.
    pub subject: Option<String>,
}

/// The head of a journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JournalHead {
    /// The lineage.
    pub lineage: u32,
    /// How many entries.
    pub size: i64,
    /// The root.
    pub root: [u8; 32],
}

/// What is stated of a meter's use ahead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlanSaid {
    /// The machine, by its tag or a name that other systems give it.
    pub machine: String,
    /// The meter's key; none means the machine's only meter.
    pub meter: Option<Key>,
    /// The period: what was planned in it goes.
    pub period: Period,
    /// What comes in its place.
    pub intent: Intent,
    /// Who says it, where a person does.
    pub by: Option<Name>,
}

/// What a statement of planned use brought about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlanTaken {
    /// The meter.
    pub meter: MeterRecord,
    /// How many planned shifts went.
    pub replaced: u64,
    /// How many came.
    pub planned: u64,
    /// What they come to.
    pub amount: Amount,
}

/// Which planned shifts to list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlannedFilter {
    /// Of this machine.
    pub machine: Option<MachineId>,
    /// Those that end after this instant.
    pub from: Ts,
    /// Those that start before this one.
    pub until: Option<Ts>,
}

/// Where a page of planned shifts begins: start, meter, end.
pub type PlannedCursor = (i64, i64, i64);

/// A planned shift as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlannedShift {
    /// The meter.
    pub meter: MeterId,
    /// The tag of its machine.
    pub machine: Key,
    /// The key of the meter.
    pub key: Key,
    /// The unit of the amount.
    pub unit: Unit,
    /// When, and how much.
    pub stretch: PlannedStretch,
    /// The journal entry that states it.
    pub entry: i64,
}

/// A period of which a meter's use is planned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlannedPeriod {
    /// The meter's key.
    pub meter: Key,
    /// From when until when.
    pub period: Period,
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
pub trait Store: Send + Sync {
    /// The token with this SHA-256.
    async fn token(&self, hash: &[u8; 32]) -> Result<Option<TokenRecord>>;
    /// Keeps a new token's hash.
    async fn add_token(&self, caller: &Caller, name: &str, hash: &[u8; 32]) -> Result<TokenRecord>;
    /// Whether any token was ever made.
    async fn has_tokens(&self) -> Result<bool>;

    /// Adds a person, or gives the one with that name.
    async fn add_person(&self, caller: &Caller, name: &Name) -> Result<PersonRecord>;
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
    /// Withdraws a reading.
    async fn withdraw_reading(
        &self,
        caller: &Caller,
        site: SiteId,
        entry: i64,
        by: &Name,
        reason: &str,
    ) -> Result<KeptReading>;
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
