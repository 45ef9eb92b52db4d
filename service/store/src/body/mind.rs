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

/// How many open orders may be remembered: some 20 MB at most, however large the site.
const ORDERS_MAX: usize = 16_000;
/// How much of what meters counted may be remembered, in days and segments of 24 to 40 bytes: some 40 MB. A meter takes up
/// to 260 days and the segments of the months that its tasks count from, and what is known of each meter besides.
const SEGMENTS_MAX: usize = 1_000_000;
/// What is known of a meter that has counted next to nothing, its forecast with it, in the same measure: some 900 bytes. Without
/// it, hundreds of thousands of meters with a report each would be within the bound.
const OF_A_METER: usize = 30;
/// How many turns pass between two looks at the bounds: what a few transactions bring is small beside them.
const TURNS_BETWEEN_LOOKS: u64 = 16;

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
    /// How often the mind was put back: what was used since the last time is not forgotten.
    turn: u64,
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
            turn: 0,
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
        for machine in wanted {
            if let Some(known) = self.machines.get_mut(machine) {
                known.used = self.turn;
            }
        }
        Ok(())
    }

    /// Makes sure that the totals of these meters are known.
    pub(super) async fn know_meters(
        &mut self,
        conn: &mut Conn,
        wanted: impl IntoIterator<Item = MeterId>,
    ) -> Result<()> {
        let mut unknown = BTreeSet::new();
        for meter in wanted {
            match self.meters.get_mut(&meter) {
                Some(known) => known.used = self.turn,
                None => drop(unknown.insert(meter)),
            }
        }
        if !unknown.is_empty() {
            let unknown: Vec<MeterId> = unknown.into_iter().collect();
            let mut loaded = history::load(conn, self.site, &unknown).await?;
            for meter in loaded.values_mut() {
                meter.used = self.turn;
            }
            self.meters.extend(loaded);
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

    /// Ends a turn, and looks now and then whether what is remembered has grown beyond bounds: counting it goes through every meter
    /// of the site, which a closing should not wait for.
    fn end_turn(&mut self) {
        if self.turn.is_multiple_of(TURNS_BETWEEN_LOOKS) {
            self.keep_in_bounds();
        }
        self.turn += 1;
    }

    /// Forgets what has grown beyond bounds: what was not used for longest, and nothing that was used just now.
    fn keep_in_bounds(&mut self) {
        let machines = self.machines.iter().map(|(id, known)| (known.used, *id, known.orders.len()));
        for machine in unused_longest(machines, self.turn, ORDERS_MAX) {
            self.machines.remove(&machine);
        }
        let meters = self.meters.iter().map(|(id, known)| (known.used, *id, OF_A_METER + known.remembered()));
        for meter in unused_longest(meters, self.turn, SEGMENTS_MAX) {
            self.meters.remove(&meter);
        }
    }
}

/// Of things with the turn of their last use and their size: those to be forgotten so that at most three quarters of `most`
/// are left, once there is more than that; the longest unused first, and none that was used in this turn.
fn unused_longest<T: Copy + Ord>(
    known: impl Iterator<Item = (u64, T, usize)> + Clone,
    turn: u64,
    most: usize,
) -> Vec<T> {
    let mut size: usize = known.clone().map(|(.., size)| size).sum();
    if size <= most {
        return Vec::new();
    }
    let mut unused: Vec<(u64, T, usize)> = known.filter(|(used, ..)| *used < turn).collect();
    unused.sort_unstable();
    let goes = |(_, thing, of_thing): (u64, T, usize)| {
        let goes = size > most - most / 4;
        size -= if goes { of_thing } else { 0 };
        goes.then_some(thing)
    };
    unused.into_iter().map_while(goes).collect()
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
                match self.sites.get_mut(&site) {
                    // It stood before this transaction, or this one has put it back.
                    Some(mind) if mind.writes == writes - 1 || mind.writes == writes => mind.writes = writes,
                    // Nobody asked for it, and another service has written since: what it knows is old.
                    Some(_) => self.forget_site(site),
                    None => {}
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
        mind.end_turn();
        self.minds.sites.insert(mind.site, mind);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::calendar::{WallTime, Zone};

    #[test]
    fn what_was_not_used_for_longest_is_forgotten_first_and_nothing_used_just_now() {
        // The turn of the last use, the name, the size; then what goes at a bound of so much.
        let known = [(3, 'a', 10), (1, 'b', 10), (2, 'c', 10), (4, 'd', 10), (1, 'e', 10)];
        for (most, goes) in [(50, ""), (49, "be"), (40, "be"), (30, "bec"), (5, "beca"), (0, "beca")] {
            let gone: String = unused_longest(known.iter().copied(), 4, most).into_iter().collect();
            assert_eq!(gone, goes, "of at most {most}");
        }
    }

    fn mind(meters: impl IntoIterator<Item = (i64, MeterMind)>) -> Mind {
        Mind {
            writes: 0,
            site: SiteId(1),
            calendar: Arc::new(Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT)),
            fleet: Arc::default(),
            fleet_epoch: 0,
            work_days: None,
            changed: None,
            machines: HashMap::new(),
            meters: meters.into_iter().map(|(id, meter)| (MeterId(id), meter)).collect(),
            declarations: None,
            turn: 1,
        }
    }

    #[test]
    fn meters_that_have_counted_nothing_are_bounded_by_their_number() {
        let most = i64::try_from(SEGMENTS_MAX / OF_A_METER).unwrap();
        let mut full = mind((1..=most).map(|id| (id, MeterMind::unused(0))));
        full.keep_in_bounds();
        assert_eq!(full.meters.len(), SEGMENTS_MAX / OF_A_METER, "as many as fit are kept");
        full.turn = TURNS_BETWEEN_LOOKS;
        full.meters.insert(MeterId(0), MeterMind::unused(full.turn));
        full.end_turn();
        let left = full.meters.len();
        assert!(left * OF_A_METER <= SEGMENTS_MAX - SEGMENTS_MAX / 4, "{left} are left of one too many");
        assert!(
            (left + 1) * OF_A_METER > SEGMENTS_MAX - SEGMENTS_MAX / 4,
            "and no more than needed went: {left}"
        );
        assert!(full.meters.contains_key(&MeterId(0)), "what was used just now stays");
    }
}
