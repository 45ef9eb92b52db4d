//! What a service stands on: a shop that is loaded once and copied for each run, on either engine, and what the kernel says of the
//! processes.

use super::Engine;
use super::fleet::Fleet;
use crate::service::Service;
use anyhow::{Context as _, Result};
use fettler_pg::{Cluster, Flush};
use fettler_proto::v1::{LoadShopRequest, Shop};
use std::fs;
use std::path::Path;
use std::process::Command;
use tempfile::TempDir;

/// A shop that is copied for each run.
#[derive(Debug)]
pub struct Ground {
    engine: Engine,
    folder: TempDir,
    cluster: Option<Cluster>,
    database: String,
}

/// A place of its own for a service: a folder and, beside it, perhaps a database.
#[derive(Debug)]
pub struct Place {
    /// The data folder.
    pub folder: TempDir,
    /// The database's URL, unless it is a file.
    pub database: Option<String>,
}

impl Ground {
    /// Loads a fleet's shop.
    pub async fn prepare(engine: Engine, fleet: Fleet) -> Result<Ground> {
        Ground::of(engine, fleet.shops(0, fleet.machines)).await
    }

    /// Loads a shop, part by part.
    pub async fn of(engine: Engine, parts: impl IntoIterator<Item = Shop>) -> Result<Ground> {
        let cluster = (engine == Engine::Postgres).then(|| Cluster::start(Flush::Always));
        let database = cluster.as_ref().map(Cluster::empty);
        let mut service = start(temporary()?, database.as_deref());
        let wire = service.wire().await;
        for shop in parts {
            wire.shop().load_shop(LoadShopRequest { shop: Some(shop), ..LoadShopRequest::default() }).await?;
        }
        service.stop();
        let folder = copied(service.data())?;
        Ok(Ground { engine, folder, cluster, database: database.unwrap_or_default() })
    }

    /// A copy of it.
    pub fn place(&self) -> Result<Place> {
        let database = self.cluster.as_ref().map(|cluster| cluster.copy_of(&self.database));
        Ok(Place { folder: copied(self.folder.path())?, database })
    }

    /// How large what is kept at a place is, in bytes.
    pub fn bytes(&self, service: &Service, database: Option<&str>) -> u64 {
        match (&self.cluster, database) {
            (Some(cluster), Some(url)) => cluster.database_bytes(url),
            _ => service.data_bytes(),
        }
    }

    /// Seconds that the database's processes have computed; none when it is a file.
    pub fn database_cpu_seconds(&self) -> Option<f64> {
        self.cluster.as_ref().map(|cluster| family_cpu_seconds(cluster.process()))
    }

    /// Which engine.
    pub fn engine(&self) -> Engine {
        self.engine
    }
}

/// The URL by which a store opens what is kept at a place.
pub fn store_url(place: &Place) -> String {
    let file = || format!("sqlite:{}", place.folder.path().join("fettler.db").display());
    place.database.clone().unwrap_or_else(file)
}

/// Where plain sqlx finds what is kept at a place.
pub fn kept_at(folder: &Path, database: Option<&str>) -> String {
    database.map_or_else(|| folder.join("fettler.db").display().to_string(), str::to_owned)
}

/// Starts a service at a place.
pub fn start(folder: TempDir, database: Option<&str>) -> Service {
    match database {
        Some(url) => Service::start_on(folder, &["--database", url]),
        None => Service::start_on(folder, &[]),
    }
}

/// A folder for data.
pub fn temporary() -> Result<TempDir> {
    tempfile::Builder::new().prefix("fettler-load-").tempdir().context("a temporary folder")
}

/// What lies in a folder, in a temporary one.
pub fn copied(from: &Path) -> Result<TempDir> {
    let folder = temporary()?;
    copy_into(from, folder.path())?;
    Ok(folder)
}

fn copy_into(from: &Path, to: &Path) -> Result<()> {
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        let place = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            fs::create_dir(&place)?;
            copy_into(&entry.path(), &place)?;
        } else {
            fs::copy(entry.path(), place)?;
        }
    }
    Ok(())
}

/// Seconds that a process has computed, in itself and in the kernel.
pub fn cpu_seconds(process: u32) -> f64 {
    stat(process).map_or(0.0, |stat| stat.own / ticks_a_second())
}

/// The same for a process, its children that live, and those that it has buried.
fn family_cpu_seconds(process: u32) -> f64 {
    let all = fs::read_dir("/proc").into_iter().flatten().flatten();
    let numbers = all.filter_map(|entry| entry.file_name().to_string_lossy().parse().ok());
    let family = numbers.filter_map(stat).filter(|stat| stat.parent == process || stat.process == process);
    family.map(|stat| stat.own + stat.buried).sum::<f64>() / ticks_a_second()
}

struct Stat {
    process: u32,
    parent: u32,
    own: f64,
    buried: f64,
}

/// What proc(5) says in `/proc/PID/stat`; nothing when the process is gone.
fn stat(process: u32) -> Option<Stat> {
    let text = fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    // The name before may hold anything; the third field is the first behind it.
    let fields: Vec<&str> = text.rsplit_once(')')?.1.split_whitespace().collect();
    let number = |field: usize| fields.get(field - 3)?.parse::<f64>().ok();
    Some(Stat {
        process,
        parent: fields.get(1)?.parse().ok()?,
        own: number(14)? + number(15)?,
        buried: number(16)? + number(17)?,
    })
}

fn ticks_a_second() -> f64 {
    let output = Command::new("getconf").arg("CLK_TCK").output().expect("getconf starts");
    String::from_utf8_lossy(&output.stdout).trim().parse().expect("ticks a second")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_kernel_counts_what_a_process_computes() {
        let own = std::process::id();
        let before = cpu_seconds(own);
        let mut sum = 0_u64;
        while cpu_seconds(own) <= before {
            sum = (0..1_000_000).fold(sum, |sum, n| std::hint::black_box(sum ^ n));
        }
        assert!(family_cpu_seconds(own) >= before);
    }
}
