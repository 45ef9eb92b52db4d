//! What the contract tests share: a small invented shop on a store of its own.

#![expect(dead_code, unreachable_pub, reason = "each test program uses a part of it")]

use fettler_domain::calendar::{WallTime, Zone};
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::ledger::changes::Outcome;
use fettler_domain::ledger::report::{Content, Received, ReportId, Statement};
use fettler_domain::plan::PlanRow;
use fettler_domain::quantity::{Amount, MeterKind, Unit};
use fettler_domain::rule::{CalendarUnit, Combine, Every};
use fettler_domain::shop::{
    ClauseCard, Declaration, LastDoneCard, MachineCard, MeterCard, RuleCard, SiteCard, TaskCard,
};
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::{MICROS_PER_DAY, MICROS_PER_HOUR, ShopDay, Ts};
use fettler_pg::Cluster;
use fettler_store::contract::{Caller, LoadReport, Store, Withdrawal};
use sqlx::Connection as _;
use std::sync::Arc;

pub fn key(text: &str) -> Key {
    Key::new(text).expect("a key")
}

pub fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

/// An instant by its RFC 3339 text.
pub fn at(text: &str) -> Ts {
    Ts::from_utc(text.parse::<chrono::DateTime<chrono::Utc>>().expect("an instant"))
}

/// A report of so many hours in the 8 hours from 06:00 of the n-th day of March 2026.
pub fn hours(source: &str, machine: &str, day: i64, hours: i64) -> Received {
    let start = at("2026-03-01T06:00:00Z").plus_micros((day - 1) * MICROS_PER_DAY);
    let length = hours.max(8) * MICROS_PER_HOUR;
    let foreign = |text: &str| ForeignName::new(text).expect("a name");
    let content = Content {
        machine: foreign(machine),
        meter: None,
        statement: Statement::Interval {
            start,
            end: start.plus_micros(length),
            unit: Unit::Hours,
            amount: Amount(hours * Unit::Hours.per_unit()),
        },
    };
    let id = ReportId { source: foreign(source), report: foreign(&format!("{machine}-{day}")) };
    Received::new(id, 0, content, start.plus_micros(length))
}

/// What a counter showed at 06:00 of the n-th day of March 2026.
pub fn shows(machine: &str, day: i64, value: &str) -> Received {
    let when = at("2026-03-01T06:00:00Z").plus_micros((day - 1) * MICROS_PER_DAY);
    let foreign = |text: &str| ForeignName::new(text).expect("a name");
    let value = Amount::parse(value, Unit::Hours).expect("hours");
    let statement = Statement::Absolute { at: when, unit: Unit::Hours, value };
    let content = Content { machine: foreign(machine), meter: None, statement };
    let id = ReportId { source: foreign("counter"), report: foreign(&format!("{machine}-at-{day}")) };
    Received::new(id, 0, content, when)
}

pub fn task(task: &str, title: &str, clauses: Vec<ClauseCard>) -> TaskCard {
    TaskCard {
        key: key(task),
        title: name(title),
        place: "left side".into(),
        rule: Some(RuleCard { clauses, combine: Combine::Earliest, window: None, keep_closed_days: false }),
        rule_from: None,
        basis: String::new(),
        kit: Vec::new(),
        cautions: Vec::new(),
        readings: Vec::new(),
        minutes: 10,
        hazard: false,
        covers: Vec::new(),
        second_person: false,
        certificate: false,
        retire: false,
        review: None,
    }
}

pub fn every_hours(hours: &str) -> ClauseCard {
    ClauseCard::Meter { meter: None, every: hours.into(), grid_base: None }
}

pub fn every_days(n: u32) -> ClauseCard {
    ClauseCard::Calendar { every: Every { n, unit: CalendarUnit::Day }, grid_base: None }
}

/// One lathe with a 100 h task that was done at the start of March, and a yearly one.
pub fn declaration() -> Declaration {
    let done = |task: &str| LastDoneCard {
        machine: key("L-1"),
        task: key(task),
        day: ShopDay("2026-03-01".parse().expect("a day")),
        counts: vec![(None, "0".into())],
    };
    let lathe = MachineCard {
        tag: key("L-1"),
        name: Some(name("Lathe 1")),
        also_known_as: Vec::new(),
        family: Some("lathe".into()),
        area: Some("Hall 1".into()),
        meters: vec![MeterCard {
            key: key("operating"),
            kind: Some(MeterKind::Operating),
            feed: None,
            max_per_hour: None,
        }],
        points: Vec::new(),
        sheets: Vec::new(),
        tasks: vec![
            task("way-oil", "Top up way oil", vec![every_hours("100")]),
            task("filter", "Change the air filter", vec![every_days(365)]),
        ],
        last_done_now: false,
        last_done: vec![done("way-oil"), LastDoneCard { counts: Vec::new(), ..done("filter") }],
        checks: Vec::new(),
    };
    Declaration {
        site: SiteCard {
            asks_pin: None,
            key: key("hall"),
            name: None,
            zone: Some(Zone::UTC),
            day_starts_at: Some(WallTime::parse("05:00").expect("a time")),
            shifts: Vec::new(),
            closures: Vec::new(),
            extra_shifts: Vec::new(),
        },
        sources: Vec::new(),
        people: vec![name("Ada")],
        sheets: Vec::new(),
        machines: vec![lathe],
        items: Vec::new(),
        past_rules: false,
    }
}

pub fn caller(method: &'static str, now: &str) -> Caller {
    Caller { token: None, method, request: None, now: at(now), person: None, as_manager: true }
}

/// That Ada takes an entry back.
pub fn back_of(entry: i64, reason: &str) -> Withdrawal {
    Withdrawal { entry, by: name("Ada"), reason: reason.to_owned() }
}

/// A shuffle that is the same in every run.
pub fn shuffled<T>(mut items: Vec<T>, mut seed: u64) -> Vec<T> {
    for i in (1..items.len()).rev() {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let other = usize::try_from(seed >> 33).expect("small") % (i + 1);
        items.swap(i, other);
    }
    items
}

/// An engine behind the store.
#[derive(Clone, Copy, Debug)]
pub enum Engine {
    /// A file.
    Sqlite,
    /// A database of the cluster that the tests of this process share.
    Postgres,
}

/// Where a store stands, and what goes with it when a test is over.
pub struct Place {
    pub location: String,
    _folder: Option<tempfile::TempDir>,
}

impl Engine {
    /// A place without a schema.
    pub fn empty_place(self) -> Place {
        match self {
            Engine::Sqlite => self.place(),
            Engine::Postgres => Place { location: Cluster::shared().empty(), _folder: None },
        }
    }

    fn place(self) -> Place {
        match self {
            Engine::Sqlite => {
                let folder = tempfile::tempdir().expect("a folder");
                let location = folder.path().join("shop.db").to_str().expect("UTF-8").to_owned();
                Place { location, _folder: Some(folder) }
            }
            Engine::Postgres => Place { location: Cluster::shared().database(prepare), _folder: None },
        }
    }
}

/// Gives the database that others are cloned from its schema. A test's own runtime cannot wait here.
fn prepare(url: &str) {
    let url = url.to_owned();
    let prepared = std::thread::spawn(move || {
        let runtime = tokio::runtime::Runtime::new().expect("a runtime");
        runtime.block_on(async { fettler_store::open(&url).await.expect("a store").shut().await });
    });
    prepared.join().expect("prepared");
}

/// Makes of each named function, which takes an [`Engine`], a test on every engine. One that is not named is dead code.
macro_rules! on_every_engine {
    ($($test:ident),* $(,)?) => {
        mod sqlite {
            $(
                #[tokio::test(flavor = "multi_thread", worker_threads = 4)]
                async fn $test() {
                    super::$test(crate::kit::Engine::Sqlite).await;
                }
            )*
        }

        mod postgres {
            $(
                #[tokio::test(flavor = "multi_thread", worker_threads = 4)]
                async fn $test() {
                    super::$test(crate::kit::Engine::Postgres).await;
                }
            )*
        }
    };
}

/// A shop on a store of its own.
pub struct Shop {
    pub store: Arc<dyn Store>,
    pub site: SiteId,
    place: Place,
}

impl Shop {
    /// The shop of [`declaration`], loaded on 2 March.
    pub async fn open(engine: Engine) -> Shop {
        Shop::open_with(engine, &declaration()).await
    }

    pub async fn open_with(engine: Engine, declared: &Declaration) -> Shop {
        let place = engine.place();
        let store = fettler_store::open(&place.location).await.expect("a store");
        let call = caller("LoadShop", "2026-03-02T12:00:00Z");
        store.load_shop(&call, declared, None, false).await.expect("loaded");
        let site = store.site(declared.site.key.as_str()).await.expect("a site").expect("a site").site;
        Shop { store, site, place }
    }

    /// Where it stands.
    pub fn location(&self) -> &str {
        &self.place.location
    }

    /// Does what no call of the store does: alters a row.
    pub async fn alter(&self, statement: &'static str) {
        let location = self.location();
        if location.contains("://") {
            let mut conn = sqlx::PgConnection::connect(location).await.expect("a connection");
            sqlx::query(statement).execute(&mut conn).await.expect("altered");
        } else {
            let mut conn = sqlx::SqliteConnection::connect(location).await.expect("a connection");
            sqlx::query(statement).execute(&mut conn).await.expect("altered");
            conn.close().await.expect("closed");
        }
    }

    pub async fn load(&self, validate_only: bool) -> LoadReport {
        self.load_this(&declaration(), validate_only).await
    }

    pub async fn load_this(&self, declared: &Declaration, validate_only: bool) -> LoadReport {
        let call = caller("LoadShop", "2026-03-02T13:00:00Z");
        self.store.load_shop(&call, declared, None, validate_only).await.expect("loaded")
    }

    /// Pushes reports and gives what became of each, with a held one's reason.
    pub async fn push(&self, reports: Vec<Received>, now: &str) -> Vec<String> {
        let told = self.store.push(&caller("PushReports", now), self.site, reports).await.expect("pushed");
        told.iter()
            .map(|told| match &told.outcome {
                Outcome::Accepted => "accepted".to_owned(),
                Outcome::Duplicate { .. } => "duplicate".to_owned(),
                Outcome::Replaces => "replaces".to_owned(),
                Outcome::Superseded => "superseded".to_owned(),
                Outcome::Held { reason } => format!("held {}", reason.word()),
            })
            .collect()
    }

    /// An order's stored row, which agrees with what is computed afresh.
    pub async fn row(&self, order: OrderNumber, now: &str) -> PlanRow {
        let explained = self.store.explain(self.site, order, at(now)).await.expect("explained");
        assert!(explained.row_agrees, "{:?}", explained.entry.plan);
        explained.entry.plan
    }

    /// Shuts the store and opens it again.
    pub async fn reopen(&mut self) {
        self.store.shut().await;
        self.store = fettler_store::open(&self.place.location).await.expect("a store");
    }
}
