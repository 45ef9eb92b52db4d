//! Rounds: the checks of a shift, what was seen at them, and handovers.

use super::{Caller, MachineState, Page, PageAsk, Result};
use async_trait::async_trait;
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::round::answer::{ChecksSaid, Recorded};
use fettler_domain::round::handover::HandoverRecord;
use fettler_domain::round::ready::Ready;
use fettler_domain::round::{Round, Tally, Walked};
use fettler_domain::shop::PointCard;
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;

/// The most areas that a round's head tells of.
pub const AREAS_MAX: usize = 200;
/// The most handovers that a round's head tells of.
pub const HANDOVERS_MAX: u32 = 20;

/// Which checks of which round to list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RoundFilter {
    /// Of the round that is meant at this instant.
    pub at: Ts,
    /// Only of this machine, by its tag.
    pub machine: Option<Key>,
    /// Only of this area.
    pub area: Option<String>,
    /// Only those that nobody has answered.
    pub only_open: bool,
}

/// How far a round is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RoundHead {
    /// The round.
    pub round: Round,
    /// In all.
    pub tally: Tally,
    /// By area.
    pub areas: Vec<(String, Tally)>,
    /// Handovers that nobody has acknowledged, the oldest first.
    pub handovers: Vec<KeptHandover>,
}

/// A machine of a round.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MachineRound {
    /// Its tag.
    pub tag: Key,
    /// Its name.
    pub name: Name,
    /// Its area.
    pub area: String,
    /// Whether it may run.
    pub state: MachineState,
    /// Why not.
    pub reason: String,
    /// Its checks.
    pub checks: Vec<Walked>,
    /// The test points at which they ask.
    pub points: Vec<PointCard>,
}

/// A machine before a shift.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MachineReady {
    /// Its tag.
    pub tag: Key,
    /// Its name.
    pub name: Name,
    /// Its area.
    pub area: String,
    /// Whether it may run.
    pub state: MachineState,
    /// Why not.
    pub reason: String,
    /// How it stands; none where it may not run.
    pub ready: Option<Ready>,
}

/// A handover as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptHandover {
    /// Its number: the journal entry that made it.
    pub number: i64,
    /// What it says.
    pub record: HandoverRecord,
    /// Who acknowledged it, and when.
    pub acknowledged: Option<(PersonId, Ts)>,
}

/// The calls about rounds.
#[async_trait]
pub trait Rounds: Send + Sync {
    /// How far the round is that is meant at an instant.
    async fn round(&self, site: SiteId, at: Ts) -> Result<RoundHead>;
    /// Machines of a round with their checks, by area and tag.
    async fn round_checks(
        &self,
        site: SiteId,
        filter: &RoundFilter,
        page: PageAsk<(String, String)>,
    ) -> Result<(Round, Page<MachineRound, (String, String)>)>;
    /// How machines stand at `now` before the shift whose round is meant at an instant.
    async fn readiness(
        &self,
        site: SiteId,
        at: Ts,
        now: Ts,
        page: PageAsk<(String, String)>,
    ) -> Result<(Round, Page<MachineReady, (String, String)>)>;
    /// Records what was seen at the checks of a machine; each answer has its own outcome, in the order given.
    async fn record_checks(
        &self,
        caller: &Caller,
        site: SiteId,
        said: &ChecksSaid,
    ) -> Result<(Round, Vec<Recorded>)>;
    /// Ends the round of a shift, or of now, with a handover.
    async fn end_round(
        &self,
        caller: &Caller,
        site: SiteId,
        shift: Option<Ts>,
        by: &Name,
        note: &str,
    ) -> Result<KeptHandover>;
    /// Acknowledges a handover; one that was acknowledged before is answered as it stands.
    async fn acknowledge(
        &self,
        caller: &Caller,
        site: SiteId,
        handover: i64,
        by: &Name,
    ) -> Result<KeptHandover>;
    /// Handovers, the newest first.
    async fn handovers(
        &self,
        site: SiteId,
        only_open: bool,
        page: PageAsk<i64>,
    ) -> Result<Page<KeptHandover, i64>>;
}
