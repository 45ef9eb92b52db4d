//! The review of intervals, and the orders and hours behind figures.

use super::{Caller, Page, PageAsk, Result};
use async_trait::async_trait;
use fettler_domain::figures::care::{CareOrder, Period, Run};
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::review::Told;
use fettler_domain::shop::ShopChange;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;

/// Whose rule an advice is about: a task sheet's, or a machine's own.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum AdvicePlace {
    /// A machine's own task.
    Machine(Key),
    /// A task of a sheet, for all its machines.
    Sheet(Key),
}

/// A task whose interval is looked at.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct AdviceSubject {
    /// Whose.
    pub place: AdvicePlace,
    /// The task's key.
    pub task: Key,
}

/// Which tasks to look at.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct AdviceFilter {
    /// Those on this machine, by one of its names.
    pub machine: Option<String>,
    /// Those on machines of this family.
    pub family: Option<String>,
    /// Those with this key.
    pub task: Option<Key>,
}

/// Where a page of advice begins: the kind and key of the place, and the task's key.
pub type AdviceCursor = (String, String);

/// The advice of one task.
#[derive(Clone, Debug, PartialEq)]
pub struct AdviceRecord {
    /// The task.
    pub subject: AdviceSubject,
    /// The advice.
    pub told: Told,
    /// When it was declined last, and at which interval.
    pub declined: Option<(Ts, f64)>,
}

impl AdviceRecord {
    /// Whether it was declined and has come to no other interval since.
    pub fn is_quiet(&self) -> bool {
        self.declined.is_some_and(|(_, interval)| self.told.is_quiet_after(interval))
    }
}

/// A manager's answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AdviceAnswer {
    /// The task: its place by one of the machine's names, or by the sheet's key.
    pub subject: AdviceSubject,
    /// Whether the rule is to be changed.
    pub accept: bool,
    /// The interval that was advised, as text.
    pub interval: String,
    /// Who answers.
    pub by: Name,
    /// Why.
    pub reason: String,
}

/// What came of an answer.
#[derive(Clone, Debug, PartialEq)]
pub struct AdviceAnswered {
    /// The advice as it was answered; as it stands now, where the answer was given before.
    pub advice: AdviceRecord,
    /// What changed of the shop.
    pub changes: Vec<ShopChange>,
    /// The journal entry.
    pub entry: i64,
    /// Who answered.
    pub by: PersonId,
}

/// Of what figures are asked.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CareFilter {
    /// Of this machine, by one of its names.
    pub machine: Option<String>,
    /// Of machines of this family.
    pub family: Option<String>,
    /// Of tasks with this key.
    pub task: Option<Key>,
}

/// What figures are made of.
#[derive(Clone, Debug, PartialEq)]
pub struct CareRead {
    /// The orders that have a part in any of the periods.
    pub orders: Vec<CareOrder>,
    /// The hours of each period, in their order.
    pub runs: Vec<(Period, Run)>,
}

/// The most orders that figures are made of at once.
pub const CARE_ORDERS_MAX: usize = 50_000;
/// How far before a period closings are looked for that were due in it, in days: what is done earlier still is not counted there.
pub const CARE_EARLY_DAYS: i64 = 366;

/// What closings tell of intervals, and what figures are made of.
#[async_trait]
pub trait Care: Send + Sync {
    /// What closings tell of intervals, by sheet or machine and task; a page counts the tasks that are looked at.
    async fn advice(
        &self,
        site: SiteId,
        filter: &AdviceFilter,
        page: PageAsk<AdviceCursor>,
        now: Ts,
    ) -> Result<Page<AdviceRecord, AdviceCursor>>;
    /// The advice of one task; refused where there is no such task, or its rule has no interval that can be reviewed.
    async fn advice_of(&self, site: SiteId, subject: &AdviceSubject, now: Ts) -> Result<AdviceRecord>;
    /// Takes a manager's answer to an advice, or (`validate_only`) says what would come of it.
    async fn answer_advice(
        &self,
        caller: &Caller,
        site: SiteId,
        answer: &AdviceAnswer,
        validate_only: bool,
    ) -> Result<AdviceAnswered>;
    /// The orders and hours of some periods, which follow one another.
    async fn care(&self, site: SiteId, filter: &CareFilter, periods: &[Period]) -> Result<CareRead>;
}
