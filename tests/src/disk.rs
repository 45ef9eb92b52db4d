//! A disk that can be full, or fail, beneath the database of a service that a test starts: a small library in C, made when it is
//! needed, stands between the service and the system (`tests/faults/disk.c`). It needs no rights and no file system of its own.

use crate::calls::Calls;
use crate::client::Ran;
use crate::programs::{program, root};
use crate::service::Service;
use fettler_proto::v1::shift_report::Statement;
use fettler_proto::v1::{IntervalStatement, PushReportsRequest, ShiftReport};
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::Command;
use tempfile::TempDir;

/// What becomes of calls on the files of the database.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Nothing.
    None,
    /// Writing finds no room.
    Full,
    /// Flushing fails.
    Flush,
    /// Writing fails.
    Write,
}

/// Such a disk.
#[derive(Debug)]
pub struct Disk {
    folder: TempDir,
}

impl Disk {
    /// One without a fault.
    pub fn make() -> Disk {
        let folder = tempfile::tempdir().expect("a folder");
        library("disk.c", &folder.path().join("disk.so"));
        let disk = Disk { folder };
        disk.set(Fault::None);
        disk
    }

    /// Says what happens from now on.
    pub fn set(&self, fault: Fault) {
        let word = match fault {
            Fault::None => "",
            Fault::Full => "full",
            Fault::Flush => "sync",
            Fault::Write => "write",
        };
        fs::write(self.folder.path().join("says"), word).expect("a file");
    }

    /// What a service is started with so that it has this disk.
    pub fn environment(&self) -> Vec<(String, String)> {
        let path = |name: &str| self.folder.path().join(name).display().to_string();
        vec![("LD_PRELOAD".into(), path("disk.so")), ("FETTLER_TEST_DISK".into(), path("says"))]
    }
}

/// Makes a library of a source in `tests/faults`.
pub fn library(source: &str, library: &Path) {
    let built = Command::new("cc")
        .args(["-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o"])
        .arg(library)
        .arg(root().join("tests/faults").join(source))
        .arg("-ldl")
        .output()
        .expect("a C compiler, as building needs one");
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
}

/// Runs the check of a place; there must be no fault.
pub fn is_whole(data: &Path) {
    let checked = Command::new(program("fettlerd")).arg("check").arg(data).env_clear().output();
    let checked = checked.expect("it runs");
    let said = String::from_utf8_lossy(&checked.stdout);
    assert!(checked.status.success() && said.ends_with("no fault found\n"), "{said}");
}

/// Reports of a push.
const AT_ONCE: u32 = 20;

/// Reports of a push that fills the log: few, so that each brings many pages for its size.
const AT_ONCE_FOR_LOG: u32 = 10;
/// Bytes of a page in the log: the page and its header.
const LOG_PAGE_BYTES: u64 = 4_096 + 24;

/// A service on such a disk, and what it was sent.
pub struct Shop {
    disk: Option<Disk>,
    service: Service,
    next: u32,
}

impl Shop {
    /// A shop of one machine.
    pub fn start() -> Shop {
        let disk = Disk::make();
        let service = Service::start_in(disk.environment());
        Shop::open(Some(disk), service)
    }

    /// The same on a disk on which one call fails.
    pub fn start_on_calls(calls: &Calls) -> Shop {
        let folder = tempfile::Builder::new().prefix("fettler-").tempdir().expect("a folder");
        let environment = calls.environment(folder.path());
        let service = Service::try_start(folder, &[], environment);
        Shop::open(None, service.unwrap_or_else(|(_, said)| panic!("{said}")))
    }

    fn open(disk: Option<Disk>, service: Service) -> Shop {
        fs::write(service.data().join("shop.toml"), SHOP).expect("a file");
        service.fettler(&["shop", "load", "shop.toml"]).done();
        Shop { disk, service, next: 0 }
    }

    /// The service.
    pub fn service(&mut self) -> &mut Service {
        &mut self.service
    }

    /// Sets the disk.
    pub fn set(&self, fault: Fault) {
        self.disk.as_ref().expect("a disk that can be set").set(fault);
    }

    /// Pushes the next reports, the same ones until they are taken.
    pub fn push(&self) -> Ran {
        let mut rows = "machine,report_id,start,end,hours\n".to_owned();
        for n in self.next..self.next + AT_ONCE {
            let (month, day, hour) = (1 + n / 672, 1 + n % 672 / 24, n % 24);
            let at = format!("2026-{month:02}-{day:02}T{hour:02}");
            // Writing to a string cannot fail.
            let _ = writeln!(rows, "L-03,R-{n},{at}:00:00Z,{at}:30:00Z,0.5");
        }
        self.service.fettler_with(&["hours", "push", "-", "--source", "erp"], rows.as_bytes())
    }

    /// Pushes them, and they are taken.
    pub fn taken(&mut self) {
        self.push().done();
        self.next += AT_ONCE;
    }

    /// Pushes a few of the next reports by themselves; the answer says whether they are acknowledged.
    async fn push_few(&mut self) -> Result<(), tonic::Status> {
        let report = |n: u32| {
            let start = FIRST_MICROS + i64::from(n) * 3_600_000_000;
            let interval = IntervalStatement {
                start: Some(crate::year::timestamp(start)),
                end: Some(crate::year::timestamp(start + 1_800_000_000)),
                amount: "0.5".into(),
                ..IntervalStatement::default()
            };
            ShiftReport {
                source: "erp".into(),
                report_id: format!("R-{n}"),
                machine: "L-03".into(),
                statement: Some(Statement::Interval(interval)),
                ..ShiftReport::default()
            }
        };
        let reports = (self.next..self.next + AT_ONCE_FOR_LOG).map(report).collect();
        let ask = PushReportsRequest { reports, ..PushReportsRequest::default() };
        // It may have ended meanwhile.
        let wire = self.service.try_wire().await;
        let wire = wire.map_err(|error| tonic::Status::unavailable(error.to_string()))?;
        wire.hours().push_reports(ask).await?;
        self.next += AT_ONCE_FOR_LOG;
        Ok(())
    }

    /// Pushes until the log has so many pages.
    pub async fn fill_log(&mut self, pages: u64) {
        let log = self.service.data().join("fettler.db-wal");
        while fs::metadata(&log).map_or(0, |meta| meta.len()) < pages * LOG_PAGE_BYTES {
            self.push_few().await.expect("they are taken");
        }
    }

    /// Pushes so many times, or until it is refused.
    pub async fn push_until_refused(&mut self, times: u32) {
        for _ in 0..times {
            if self.push_few().await.is_err() {
                return;
            }
        }
    }

    /// What the meter has counted is what was taken.
    pub fn counts_all(&self) {
        let shown = self.service.fettler(&["machine", "list", "--output", "json"]).done();
        let shown: serde_json::Value = serde_json::from_str(&shown).expect("JSON");
        let counted = shown["machines"][0]["meters"][0]["counted"].as_str().expect("hours").to_owned();
        assert_eq!(crate::kill::hours_ms(&counted), i64::from(self.next) * 1_800_000);
    }

    /// One time full and free again: writing is refused with its remedy, reading goes on, and writing by itself when there is room.
    pub fn fill_and_free(&mut self) {
        self.taken();
        self.set(Fault::Full);
        let refused = self.push();
        assert_eq!(refused.code, 3, "{}", refused.all());
        assert!(refused.all().contains("RESOURCE_EXHAUSTED"), "{}", refused.all());
        assert!(refused.all().contains("make room there"), "{}", refused.all());
        self.counts_all();
        self.service.fettler(&["due"]).done();
        self.set(Fault::None);
        self.taken();
        self.counts_all();
    }
}

/// The first moment of the reports, 1 January 2020: long ago, so that none is of the future.
const FIRST_MICROS: i64 = 1_577_836_800_000_000;

const SHOP: &str = "[site]\nkey = \"north\"\nzone = \"UTC\"\n\n[[machine]]\ntag = \"L-03\"\n\n[[machine.meter]]\nkind = \"operating\"\n";
