//! The floor of a push: what the store did to the database, done again by plain sqlx alone, with the same statements (the two
//! by which it looks for what a report could touch, and those that write), the same upserts, the same grouping into
//! transactions and the same fsync. Nothing is decoded, judged, planned or hashed; what the store reads once of each machine
//! and then remembers is left out, and so is the marking of rows that a revision takes the place of.

mod postgres;
mod sqlite;

use crate::load::Engine;
use anyhow::Result;
use std::time::Duration;

/// How reports are put into transactions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grouping {
    /// So many in each.
    Of(usize),
    /// As the store did: the reports of a transaction were received at one instant.
    AsWritten,
}

/// What a database holds of reports, read and done again.
#[derive(Debug)]
pub enum Floor {
    /// In a file.
    Sqlite(Vec<sqlite::Group>),
    /// In a database.
    Postgres(Vec<postgres::Group>),
}

impl Floor {
    /// Reads what a store wrote of reports, and groups it into transactions.
    pub async fn read(engine: Engine, place: &str, grouping: Grouping) -> Result<Floor> {
        Ok(match engine {
            Engine::Sqlite => Floor::Sqlite(sqlite::read(place, grouping).await?),
            Engine::Postgres => Floor::Postgres(postgres::read(place, grouping).await?),
        })
    }

    /// Keeps the transactions with the first so many reports.
    pub fn keep_first(&mut self, reports: usize) {
        let mut kept = 0;
        let mut is_kept = |count: usize| {
            let keeps = kept < reports;
            kept += count;
            keeps
        };
        match self {
            Floor::Sqlite(groups) => groups.retain(|group| is_kept(group.reports())),
            Floor::Postgres(groups) => groups.retain(|group| is_kept(group.reports())),
        }
    }

    /// Writes it into a place that holds the same shop without reports; answers how long that took.
    pub async fn replay(&self, place: &str) -> Result<Duration> {
        match self {
            Floor::Sqlite(groups) => sqlite::replay(place, groups).await,
            Floor::Postgres(groups) => postgres::replay(place, groups).await,
        }
    }

    /// Reads the first page of so many items that are due before an instant, as the list does, so many times; answers how long
    /// each took.
    pub async fn pages(&self, place: &str, before: i64, items: i32, calls: usize) -> Result<Vec<Duration>> {
        match self {
            Floor::Sqlite(_) => sqlite::pages(place, before, items, calls).await,
            Floor::Postgres(_) => postgres::pages(place, before, items, calls).await,
        }
    }

    /// How many reports.
    pub fn reports(&self) -> usize {
        match self {
            Floor::Sqlite(groups) => groups.iter().map(sqlite::Group::reports).sum(),
            Floor::Postgres(groups) => groups.iter().map(postgres::Group::reports).sum(),
        }
    }

    /// How many transactions.
    pub fn transactions(&self) -> usize {
        match self {
            Floor::Sqlite(groups) => groups.len(),
            Floor::Postgres(groups) => groups.len(),
        }
    }
}
