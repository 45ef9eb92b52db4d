//! How figures grow with the number of open tasks: one shop that grows in steps, at each of which the next shop day begins.

use super::Engine;
use super::drive::{flat_out, pages};
use super::figures::Figures;
use super::fleet::{Fleet, TASKS};
use super::ground::temporary;
use super::raw::{RawWire, first_page, message};
use crate::service::Service;
use crate::wire::Wire;
use anyhow::Result;
use chrono::DateTime;
use fettler_pg::{Cluster, Flush};
use fettler_proto::v1::{ListDueRequest, LoadShopRequest};
use prost::bytes::Bytes;
use std::time::{Duration, Instant};

/// Reports pushed at each step, their faults beside.
const REPORTS: usize = 20_000;
/// How long before the first step the first shift starts, in days: long enough for the reports of all steps of a small shop.
const PAST_DAYS: i64 = 700;
/// Shifts of a step, at most.
const SHIFTS_MAX: usize = 120;
/// Connections that push.
const CONNECTIONS: usize = 4;
/// How often it is asked whether all rows are of today.
const ASK_AGAIN: Duration = Duration::from_millis(20);
const DAY_MICROS: i64 = 24 * 3_600 * 1_000_000;
const NOON_MICROS: i64 = DAY_MICROS / 2;
const MIB: f64 = 1_048_576.0;

/// A shop that grows.
pub struct Growth {
    fleet: Fleet,
    service: Service,
    cluster: Option<Cluster>,
    database: Option<String>,
    machines: usize,
    /// The start of the day at which the clock stands.
    day: i64,
    /// The next shift to be reported.
    shift: usize,
}

impl Growth {
    /// An empty shop on a day.
    pub fn start(engine: Engine, seed: u64, day: i64) -> Result<Growth> {
        let cluster = (engine == Engine::Postgres).then(|| Cluster::start(Flush::Always));
        let database = cluster.as_ref().map(Cluster::empty);
        let clock = clock(day);
        let service = Service::start_on(temporary()?, &arguments(&clock, database.as_deref()));
        let fleet = Fleet { machines: 0, seed, first_shift: day - PAST_DAYS * DAY_MICROS };
        Ok(Growth { fleet, service, cluster, database, machines: 0, day, shift: 0 })
    }

    /// Grows to so many open tasks, lets the next day begin, and measures.
    pub async fn step(&mut self, tasks: usize, items: i32, calls: usize) -> Result<Figures> {
        let mut figures = Figures::default();
        let machines = tasks.div_ceil(TASKS);
        let wire = self.service.wire().await;
        let begin = Instant::now();
        for shop in self.fleet.shops(self.machines, machines) {
            wire.shop().load_shop(LoadShopRequest { shop: Some(shop), ..LoadShopRequest::default() }).await?;
        }
        let loaded = begin.elapsed().as_secs_f64();
        let added = (machines - self.machines) * TASKS;
        self.machines = machines;
        drop(wire);

        self.day += DAY_MICROS;
        let clock = clock(self.day);
        self.service.restart_with(&arguments(&clock, self.database.as_deref()));
        let wire = self.service.wire().await;
        let begin = Instant::now();
        all_of_today(&wire).await?;
        figures.add("open tasks", "", (machines * TASKS) as f64);
        figures.add("declared a second", "1/s", added as f64 / loaded);
        figures.add("all rows of the new day after", "s", begin.elapsed().as_secs_f64());
        let raw = RawWire::new(wire.channel());
        for (of, ask) in [("the usual size".to_owned(), 0), (format!("{items} items"), items)] {
            let (mut took, _) = pages(&raw, &first_page(ask), calls).await?;
            figures.times(&format!("first page of {of} due"), &mut took);
        }
        figures.add("reports pushed flat out", "1/s", self.push().await?);
        figures.add("most memory of the service", "MiB", self.service.memory_peak_bytes() as f64 / MIB);
        let bytes = match (&self.cluster, &self.database) {
            (Some(cluster), Some(url)) => cluster.database_bytes(url),
            _ => self.service.data_bytes(),
        };
        figures.add("what is kept", "MiB", bytes as f64 / MIB);
        Ok(figures)
    }

    /// Pushes reports of the next shifts, of machines from all over the fleet.
    async fn push(&mut self) -> Result<f64> {
        let fleet = Fleet { machines: self.machines, ..self.fleet };
        let shifts = REPORTS.div_ceil(self.machines).min(SHIFTS_MAX);
        let all = fleet.reports(self.shift, shifts * self.machines).reports;
        self.shift += shifts;
        let every = (all.len() / REPORTS).max(1);
        let messages: Vec<Bytes> = all.into_iter().step_by(every).map(message).collect();
        let mut wires = Vec::new();
        for _ in 0..CONNECTIONS {
            wires.push(RawWire::new(self.service.wire().await.channel()));
        }
        Ok(flat_out(&wires, &messages).await?.rate())
    }
}

/// Waits until upkeep has nothing left to do.
pub(super) async fn all_of_today(wire: &Wire) -> Result<()> {
    loop {
        let ask = ListDueRequest { page_size: 1, ..ListDueRequest::default() };
        let list = wire.due().list_due(ask).await?.into_inner();
        if list.stale_rows == 0 && !list.figures_pending {
            return Ok(());
        }
        tokio::time::sleep(ASK_AGAIN).await;
    }
}

/// The middle of a day.
fn clock(day: i64) -> String {
    DateTime::from_timestamp_micros(day + NOON_MICROS).expect("in range").to_rfc3339()
}

fn arguments<'a>(clock: &'a str, database: Option<&'a str>) -> Vec<&'a str> {
    let mut arguments = vec!["--clock-at", clock];
    if let Some(url) = database {
        arguments.extend(["--database", url]);
    }
    arguments
}
