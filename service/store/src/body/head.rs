//! The row that a writing transaction takes first: it orders the writers of a site and gives out numbers.

use super::decode::Reading;
use super::{Conn, DbRow};
use crate::contract::{Result, StoreError};
use fettler_domain::ids::{
    ClosingId, MachineId, MeterId, OrderNumber, PersonId, PointId, SiteId, TaskId, TokenId,
};
use fettler_domain::journal::Frontier;

/// Taking is writing: it locks the row on an engine that locks rows.
const TAKE: &str = "UPDATE site_head SET writes = writes + 1 WHERE site = $1 \
    RETURNING writes, lineage, journal_size, frontier, next_site, next_person, next_token, next_machine, next_meter, \
    next_point, next_task, next_order, next_closing, calendar_revision, fleet_epoch, fleet_marks";
const PUT: &str = "UPDATE site_head SET journal_size = $2, frontier = $3, next_site = $4, next_person = $5, \
    next_token = $6, next_machine = $7, next_meter = $8, next_point = $9, next_task = $10, next_order = $11, \
    next_closing = $12, calendar_revision = $13, fleet_epoch = $14, fleet_marks = $15, lineage = $16 WHERE site = $1";
const CREATE: &str = "INSERT INTO site_head (site, writes, lineage, journal_size, frontier, next_site, next_person, \
    next_token, next_machine, next_meter, next_point, next_task, next_order, next_closing, calendar_revision, fleet_epoch) \
    VALUES ($1, 0, 1, 0, $2, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0)";
const WRITES: &str = "SELECT writes FROM site_head WHERE site = $1";
pub(super) const READ: &str = "SELECT lineage, journal_size, frontier FROM site_head WHERE site = $1";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[TAKE, PUT, CREATE, WRITES, READ];

/// A site's head while a transaction holds it.
#[derive(Clone, Debug)]
pub(super) struct Head {
    /// The site.
    pub(super) site: SiteId,
    /// How often it has been taken, this time included.
    pub(super) writes: i64,
    /// The lineage of the journal.
    pub(super) lineage: u32,
    /// The journal's right edge.
    pub(super) frontier: Frontier,
    /// The revision of the calendar.
    pub(super) calendar_revision: i64,
    /// The number of the fleet figures in use.
    pub(super) fleet_epoch: i64,
    fleet_marks: i64,
    next: Numbers,
}

#[derive(Clone, Debug)]
struct Numbers {
    site: i64,
    person: i64,
    token: i64,
    machine: i64,
    meter: i64,
    point: i64,
    task: i64,
    order: i64,
    closing: i64,
}

/// How often a site was taken for writing.
pub(super) async fn writes(conn: &mut Conn, site: SiteId) -> Result<i64> {
    let row = sqlx::query(WRITES).bind(i64::from(site.0)).fetch_optional(conn).await?;
    Reading::new(&row.ok_or_else(|| super::tx::no_site(site))?, "site_head").next()
}

fn give(next: &mut i64) -> i64 {
    *next += 1;
    *next - 1
}

impl Head {
    /// Creates the head of a new site.
    pub(super) async fn create(conn: &mut Conn, site: SiteId) -> Result<()> {
        sqlx::query(CREATE).bind(i64::from(site.0)).bind(Vec::<u8>::new()).execute(conn).await?;
        Ok(())
    }

    /// Takes the head; none when there is no such site.
    pub(super) async fn take(conn: &mut Conn, site: SiteId) -> Result<Option<Head>> {
        let row = sqlx::query(TAKE).bind(i64::from(site.0)).fetch_optional(conn).await?;
        row.map(|row| Head::read(&row, site)).transpose()
    }

    fn read(row: &DbRow, site: SiteId) -> Result<Head> {
        let mut row = Reading::new(row, "site_head");
        let writes = row.next()?;
        let lineage = row.number("lineage")?;
        let frontier = frontier(&mut row)?;
        let next = Numbers {
            site: row.next()?,
            person: row.next()?,
            token: row.next()?,
            machine: row.next()?,
            meter: row.next()?,
            point: row.next()?,
            task: row.next()?,
            order: row.next()?,
            closing: row.next()?,
        };
        let (calendar_revision, fleet_epoch, fleet_marks) = (row.next()?, row.next()?, row.next()?);
        Ok(Head { site, writes, lineage, frontier, calendar_revision, fleet_epoch, fleet_marks, next })
    }

    /// Writes the head back.
    pub(super) async fn put(&self, conn: &mut Conn) -> Result<()> {
        sqlx::query(PUT)
            .bind(i64::from(self.site.0))
            .bind(self.frontier.size())
            .bind(self.frontier.to_bytes())
            .bind(self.next.site)
            .bind(self.next.person)
            .bind(self.next.token)
            .bind(self.next.machine)
            .bind(self.next.meter)
            .bind(self.next.point)
            .bind(self.next.task)
            .bind(self.next.order)
            .bind(self.next.closing)
            .bind(self.calendar_revision)
            .bind(self.fleet_epoch)
            .bind(self.fleet_marks)
            .bind(i64::from(self.lineage))
            .execute(conn)
            .await?;
        Ok(())
    }

    /// Says that reports changed, and whether any of them was known by the start of the shop day, as of which the fleet
    /// figures stand. The first reports of all are marked in any case: from then on there is something to learn.
    pub(super) fn mark_reports(&mut self, known_by_start: bool) {
        if known_by_start || self.fleet_marks == 0 {
            self.fleet_marks += 1;
        }
    }

    /// Says that the machines changed from which fleet figures are learnt.
    pub(super) fn mark_machines(&mut self) {
        if self.fleet_marks > 0 {
            self.fleet_marks += 1;
        }
    }

    /// A new site's number; of the installation's head.
    pub(super) fn next_site(&mut self) -> Result<SiteId> {
        let number = give(&mut self.next.site);
        u32::try_from(number).map(SiteId).map_err(|_| StoreError::Corrupt {
            table: "site_head",
            column: "next_site",
            row: number.to_string(),
        })
    }

    /// A new person's number; of the installation's head.
    pub(super) fn next_person(&mut self) -> PersonId {
        PersonId(give(&mut self.next.person))
    }

    /// A new token's number; of the installation's head.
    pub(super) fn next_token(&mut self) -> TokenId {
        TokenId(give(&mut self.next.token))
    }

    /// A new machine's number.
    pub(super) fn next_machine(&mut self) -> MachineId {
        MachineId(give(&mut self.next.machine))
    }

    /// A new meter's number.
    pub(super) fn next_meter(&mut self) -> MeterId {
        MeterId(give(&mut self.next.meter))
    }

    /// A new test point's number.
    pub(super) fn next_point(&mut self) -> PointId {
        PointId(give(&mut self.next.point))
    }

    /// A new task's number.
    pub(super) fn next_task(&mut self) -> TaskId {
        TaskId(give(&mut self.next.task))
    }

    /// A new order's number.
    pub(super) fn next_order(&mut self) -> OrderNumber {
        OrderNumber(give(&mut self.next.order))
    }

    /// A new closing's number.
    pub(super) fn next_closing(&mut self) -> ClosingId {
        ClosingId(give(&mut self.next.closing))
    }
}

/// Reads `journal_size, frontier`.
pub(super) fn frontier(row: &mut Reading<'_>) -> Result<Frontier> {
    let size: i64 = row.next()?;
    let peaks: &[u8] = row.next()?;
    Frontier::from_bytes(size, peaks).ok_or_else(|| row.corrupt("frontier", size))
}
