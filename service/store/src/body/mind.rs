//! What the writer remembers of sites between transactions, so that a push need not read the declarations, the rules
//! and the closings of its machines again. It stands only while nobody else has taken the site's head in between, and
//! what is missing is loaded when it is asked for.

use super::Conn;
use super::history::MeterMind;
use super::inputs::MachineMind;
use super::tx::{Forget, Tx};
use super::{declared, fleet, history, inputs, sites};
use crate::contract::Result;
use fettler_domain::calendar::Calendar;
use fettler_domain::forecast::{FleetTable, WorkDays};
use fettler_domain::ids::{MachineId, MeterId, SiteId};
use fettler_domain::ledger::declare::Declarations;
use fettler_domain::ledger::history::Month;
use fettler_domain::time::{ShopDay, Ts};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

/// How many open orders may be remembered: some 100 MB at most, however large the site.
const ORDERS_MAX: usize = 60_000;
/// How many segments of meters may be remembered: 24 MB.
const SEGMENTS_MAX: usize = 1_000_000;

/// What is remembered of one site.
pub(super) struct Mind {
    writes: i64,
    site: SiteId,
    /// The site's calendar.
    pub(super) calendar: Arc<Calendar>,
    /// The figures of its fleets, and their number.
    pub(super) fleet: Arc<FleetTable>,
    pub(super) fleet_epoch: i64,
    /// The days around a shop day on which it works, once they were asked for.
    work_days: Option<(ShopDay, Option<Arc<WorkDays>>)>,
    /// The earliest end of a report that counts otherwise than before, since the head was told.
    pub(super) changed: Option<Ts>,
    /// The machines, with their open orders.
    pub(super) machines: HashMap<MachineId, MachineMind>,
    /// The meters, with what they counted.
    pub(super) meters: HashMap<MeterId, MeterMind>,
    declarations: Option<Arc<Declarations>>,
}

impl Mind {
    /// A mind that knows the calendar only.
    pub(super) async fn load(conn: &mut Conn, site: SiteId) -> Result<Mind> {
        let calendar = Arc::new(sites::by_number(conn, site).await?.calendar);
        let fleet = fleet::load(conn, site).await?;
        let (fleet_epoch, fleet) = (fleet.epoch(), Arc::new(fleet));
        let (machines, meters) = (HashMap::new(), HashMap::new());
        let (work_days, changed, declarations) = (None, None, None);
        Ok(Mind {
            writes: 0,
            site,
            calendar,
            fleet,
            fleet_epoch,
            work_days,
            changed,
            machines,
            meters,
            declarations,
        })
    }

    /// The days around a shop day on which the site works, where its calendar says.
    pub(super) fn work_days(&mut self, as_of: ShopDay) -> Option<Arc<WorkDays>> {
        if let Some((day, known)) = &self.work_days
            && *day == as_of
        {
            return known.clone();
        }
        let days = WorkDays::around(&self.calendar, as_of).map(Arc::new);
        self.work_days = Some((as_of, days.clone()));
        days
    }

    /// What judging looks up.
    pub(super) async fn declarations(&mut self, conn: &mut Conn) -> Result<Arc<Declarations>> {
        if let Some(known) = &self.declarations {
            return Ok(Arc::clone(known));
        }
        let loaded = Arc::new(declared::load(conn, self.site).await?);
        self.declarations = Some(Arc::clone(&loaded));
        Ok(loaded)
    }

    /// Makes sure that these machines are known.
    pub(super) async fn know_machines(
        &mut self,
        conn: &mut Conn,
        wanted: &BTreeSet<MachineId>,
    ) -> Result<()> {
        let unknown: Vec<MachineId> =
            wanted.iter().copied().filter(|machine| !self.machines.contains_key(machine)).collect();
        if !unknown.is_empty() {
            self.machines.extend(inputs::load(conn, self.site, &unknown).await?);
        }
        Ok(())
    }

    /// Makes sure that the totals of these meters are known.
    pub(super) async fn know_meters(
        &mut self,
        conn: &mut Conn,
        wanted: impl IntoIterator<Item = MeterId>,
    ) -> Result<()> {
        let unknown: BTreeSet<MeterId> =
            wanted.into_iter().filter(|meter| !self.meters.contains_key(meter)).collect();
        if !unknown.is_empty() {
            let unknown: Vec<MeterId> = unknown.into_iter().collect();
            self.meters.extend(history::load(conn, self.site, &unknown).await?);
        }
        Ok(())
    }

    /// Makes sure that the reports are known from which these meters are forecast as of a shop day.
    pub(super) async fn know_ended(
        &mut self,
        conn: &mut Conn,
        meters: &[MeterId],
        as_of: ShopDay,
    ) -> Result<()> {
        let calendar = Arc::clone(&self.calendar);
        history::know_ended(conn, self.site, &mut self.meters, meters, (&calendar, as_of)).await
    }

    /// Makes sure that the segments of these months are known.
    pub(super) async fn know_months(&mut self, conn: &mut Conn, wanted: &[(MeterId, Month)]) -> Result<()> {
        history::load_months(conn, self.site, &mut self.meters, wanted).await
    }

    /// Forgets what may have grown beyond bounds.
    fn keep_in_bounds(&mut self) {
        if self.machines.values().map(|machine| machine.orders.len()).sum::<usize>() > ORDERS_MAX {
            self.machines.clear();
        }
        if self.meters.values().map(MeterMind::remembered).sum::<usize>() > SEGMENTS_MAX {
            self.meters.clear();
        }
    }
}

/// What is remembered of each site.
#[derive(Default)]
pub(super) struct Minds {
    sites: BTreeMap<SiteId, Mind>,
}

impl Minds {
    /// Forgets machines whose declarations, orders or closings a transaction changes.
    pub(super) fn forget_machines(&mut self, site: SiteId, machines: impl IntoIterator<Item = MachineId>) {
        if let Some(mind) = self.sites.get_mut(&site) {
            for machine in machines {
                mind.machines.remove(&machine);
            }
        }
    }

    /// Forgets a site, the declarations of which a transaction changes.
    pub(super) fn forget_site(&mut self, site: SiteId) {
        self.sites.remove(&site);
    }

    /// After a commit in which the site's head was taken for the `writes`-th time.
    pub(super) fn committed(&mut self, site: SiteId, writes: i64, forget: &Forget) {
        match forget {
            Forget::All => self.forget_site(site),
            Forget::Machines(machines) => {
                self.forget_machines(site, machines.iter().copied());
                if let Some(mind) = self.sites.get_mut(&site) {
                    mind.writes = writes;
                    mind.keep_in_bounds();
                }
            }
        }
    }

    /// After a roll-back: nothing remembered is sure.
    pub(super) fn forget_all(&mut self) {
        self.sites.clear();
    }
}

impl Tx {
    /// Takes out what is remembered of a site that was taken, as far as it still stands.
    pub(super) async fn mind(&mut self, site: SiteId) -> Result<Mind> {
        let writes = self.head(site)?.writes;
        let known = self.minds.sites.remove(&site);
        // Within a transaction it was put back with the number of this very one.
        match known.filter(|mind| mind.writes == writes - 1 || mind.writes == writes) {
            Some(mind) => Ok(mind),
            None => Mind::load(&mut self.conn, site).await,
        }
    }

    /// Puts back what is remembered of a site.
    pub(super) fn keep_mind(&mut self, mut mind: Mind) -> Result<()> {
        let now = self.caller.now;
        let head = self.head(mind.site)?;
        if let Some(changed) = mind.changed.take() {
            head.mark_reports(changed <= mind.calendar.start_of(mind.calendar.shop_day_of(now)));
        }
        mind.writes = head.writes;
        self.minds.sites.insert(mind.site, mind);
        Ok(())
    }
}
