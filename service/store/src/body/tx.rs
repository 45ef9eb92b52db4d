//! A writing transaction: sites are taken first, facts are appended, heads are written back once at the end.

use super::decode::to_json;
use super::head::Head;
use super::journal::{Fact, Made, Pending};
use super::request::{self, Keep};
use super::statistics::Grown;
use super::{Conn, dialect};
use crate::contract::{Caller, Result, StoreError};
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, SiteId};
use futures::future::BoxFuture;
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Instant;

/// What the writer must forget of a site after a transaction that changed more than its ledger and plan.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) enum Forget {
    /// Everything: the answer of a transaction that says nothing.
    #[default]
    All,
    /// What is known of these machines.
    Machines(BTreeSet<MachineId>),
}

/// Makes another write connection.
pub(crate) type Connect = Box<dyn Fn() -> BoxFuture<'static, Result<Conn>> + Send>;

/// The write connection, and the transaction that is open on it.
///
/// A job is given one after the transaction has begun. It takes its sites (the installation before any other) before
/// it reads or writes anything of them.
pub(crate) struct Tx {
    /// The connection.
    pub(super) conn: Conn,
    /// Who calls.
    pub(super) caller: Caller,
    /// What to forget when it has been committed.
    pub(super) forget: Forget,
    /// What the writer remembers of a site.
    pub(super) minds: super::mind::Minds,
    heads: BTreeMap<SiteId, (Head, Pending)>,
    /// How sites grow beneath the writer.
    grown: Grown,
    undo: bool,
    /// When the commit began.
    committing: Option<Instant>,
    connect: Connect,
    /// Whether the connection broke, so that another one is needed.
    broken: bool,
}

impl Tx {
    /// Takes over the write connection, and the way to another one should it break.
    pub(super) fn new(conn: Conn, connect: Connect) -> Tx {
        let caller = Caller {
            token: None,
            method: "",
            request: None,
            now: fettler_domain::time::Ts::MIN,
            person: None,
            as_manager: true,
        };
        let minds = super::mind::Minds::default();
        Tx {
            conn,
            caller,
            forget: Forget::All,
            minds,
            heads: BTreeMap::new(),
            grown: Grown::default(),
            undo: false,
            committing: None,
            connect,
            broken: false,
        }
    }

    /// Begins a transaction.
    pub(super) async fn begin(&mut self, caller: Caller) -> Result<()> {
        self.caller = caller;
        self.forget = Forget::All;
        self.undo = false;
        self.committing = None;
        self.heads.clear();
        self.grown.begin();
        if !self.broken && sqlx::query(dialect::BEGIN_WRITE).execute(&mut self.conn).await.is_ok() {
            return Ok(());
        }
        // Nothing has been done on it yet, so another connection is as good.
        self.broken = true;
        self.minds.forget_all();
        self.conn = (self.connect)().await?;
        self.broken = false;
        sqlx::query(dialect::BEGIN_WRITE).execute(&mut self.conn).await?;
        Ok(())
    }

    /// Takes a site, unless it is taken already.
    pub(super) async fn take(&mut self, site: SiteId) -> Result<()> {
        if self.heads.contains_key(&site) {
            return Ok(());
        }
        let head = Head::take(&mut self.conn, site).await?.ok_or_else(|| no_site(site))?;
        self.grown.take(site, head.frontier.size());
        self.heads.insert(site, (head, Pending::default()));
        Ok(())
    }

    /// Creates the head of a new site and takes it.
    pub(super) async fn create_site(&mut self) -> Result<SiteId> {
        let site = self.head(SiteId::INSTALLATION)?.next_site()?;
        Head::create(&mut self.conn, site).await?;
        self.take(site).await?;
        Ok(site)
    }

    /// The head of a site that was taken.
    pub(super) fn head(&mut self, site: SiteId) -> Result<&mut Head> {
        self.heads.get_mut(&site).map(|(head, _)| head).ok_or_else(|| no_site(site))
    }

    /// Appends a fact to a site's journal; gives its number there.
    pub(super) fn append(&mut self, site: SiteId, fact: Fact) -> Result<i64> {
        let (head, pending) = self.heads.get_mut(&site).ok_or_else(|| no_site(site))?;
        pending.append(head, &self.caller, fact)
    }

    /// Begins leaves of reports, made away from the transaction.
    pub(super) fn leaves_beside(&mut self, site: SiteId) -> Result<Made> {
        Ok(Made::after(self.head(site)?))
    }

    /// Takes the leaves of reports that were made away from the transaction; nothing else was appended meanwhile.
    pub(super) fn take_leaves(&mut self, site: SiteId, made: Made) -> Result<()> {
        let (head, pending) = self.heads.get_mut(&site).ok_or_else(|| no_site(site))?;
        self.grown.reports(site, pending.take(head, made));
        Ok(())
    }

    /// Writes the leaves that were appended so far.
    pub(super) async fn write_leaves(&mut self, site: SiteId) -> Result<()> {
        let (head, pending) = self.heads.get_mut(&site).ok_or_else(|| no_site(site))?;
        pending.flush(&mut self.conn, head).await
    }

    /// What the caller's request id brought about before, if it was used: asked first of all, as what a repeat names
    /// may have gone since.
    pub(super) async fn replayed<T: DeserializeOwned>(&mut self, site: SiteId) -> Result<Option<T>> {
        request::find(&mut self.conn, site, &self.caller).await
    }

    /// Keeps what the caller's request id brings about now: keys and words from which the answer is given again.
    pub(super) async fn remember(
        &mut self,
        site: SiteId,
        result: &impl Serialize,
        leaf: Option<i64>,
        how_long: Keep,
    ) -> Result<()> {
        request::keep(&mut self.conn, site, &self.caller, &to_json(result)?, leaf, how_long).await
    }

    /// Says that of what the writer remembers only these machines change.
    pub(super) fn forget_machines(&mut self, machines: impl IntoIterator<Item = MachineId>) {
        if self.forget == Forget::All {
            self.forget = Forget::Machines(BTreeSet::new());
        }
        if let Forget::Machines(all) = &mut self.forget {
            all.extend(machines);
        }
    }

    /// Lets nothing of this transaction stand, though its answer is given: for calls that only validate.
    pub(super) fn undo_at_end(&mut self) {
        self.undo = true;
    }

    /// Whether nothing of it is to stand.
    pub(super) fn only_validates(&self) -> bool {
        self.undo
    }

    /// Ends the transaction. The error says whether what was asked for may have been made durable all the same.
    pub(super) async fn end(&mut self) -> std::result::Result<(), EndError> {
        if self.undo {
            self.roll_back().await;
            return Ok(());
        }
        self.flush().await.map_err(EndError::Before)?;
        self.committing = Some(Instant::now());
        if let Err(error) = sqlx::query("COMMIT").execute(&mut self.conn).await {
            self.broken = true;
            return Err(EndError::AtCommit(error));
        }
        for (head, _) in std::mem::take(&mut self.heads).into_values() {
            self.minds.committed(head.site, head.writes, &self.forget);
        }
        Ok(())
    }

    /// When its commit began; none where it did not come to one.
    pub(super) fn committing(&self) -> Option<Instant> {
        self.committing
    }

    /// Writes what was appended so far, so that an answer read back within the transaction holds it.
    pub(super) async fn flush(&mut self) -> Result<()> {
        for (head, pending) in self.heads.values_mut() {
            pending.flush(&mut self.conn, head).await?;
            head.put(&mut self.conn).await?;
        }
        self.keep_statistics().await
    }

    /// Sees to it that the engine knows how its tables have grown: at the end of a transaction, and in the midst of a large one.
    pub(super) async fn keep_statistics(&mut self) -> Result<()> {
        for (head, _) in self.heads.values() {
            self.grown.keep_up(&mut self.conn, head.site, head.frontier.size()).await?;
        }
        Ok(())
    }

    /// Lets nothing of the transaction stand.
    pub(super) async fn roll_back(&mut self) {
        self.heads.clear();
        self.minds.forget_all();
        self.grown.undo();
        // Where the engine has rolled back by itself there is nothing left to do.
        if let Err(error) = sqlx::query("ROLLBACK").execute(&mut self.conn).await {
            tracing::debug!(%error, "nothing to roll back");
            self.broken = true;
        }
    }
}

/// Why a transaction did not end well.
#[derive(Debug)]
pub(super) enum EndError {
    /// Nothing of it stands.
    Before(StoreError),
    /// The commit failed: what stands is not known.
    AtCommit(sqlx::Error),
}

pub(super) fn no_site(site: SiteId) -> StoreError {
    StoreError::Refused(Error::NotFound {
        kind: "site",
        name: site.to_string(),
        remedy: "declare it first".into(),
    })
}
