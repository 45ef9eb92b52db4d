//! The figures of a site's fleets: learnt once a shop day on a connection that reads, kept in a short transaction, and
//! learnt again when what they rest on has changed since.

use super::bulk::Bulk;
use super::decode::{Reading, to_json};
use super::store::SqlStore;
use super::tx::Tx;
use super::{Conn, beside, history, sites};
use crate::contract::{Caller, Result, StoreError};
use fettler_domain::calendar::Calendar;
use fettler_domain::forecast::{FleetRow, FleetTable, Member, Past, Usage};
use fettler_domain::ids::{MachineId, MeterId, SiteId};
use fettler_domain::ledger::history::Segment;
use fettler_domain::plan::{LaidUp, Rest};
use fettler_domain::quantity::{MaxPerHour, MeterKind};
use fettler_domain::time::{MICROS_PER_MINUTE, ShopDay, Ts};
use futures::TryStreamExt as _;
use std::collections::HashMap;
use std::sync::Arc;

const STATE: &str = "SELECT h.fleet_marks, h.fleet_epoch, d.as_of, d.marks, d.at FROM site_head h \
    LEFT JOIN fleet_day d ON d.site = h.site WHERE h.site = $1";
const FIGURES: &str =
    "SELECT family, kind, machines, figures FROM fleet_figures WHERE site = $1 ORDER BY family, kind";
/// A machine that has left the shop for good says nothing of those that stay.
const METERS: &str = "SELECT m.number, m.machine, a.family, m.kind, m.max_per_hour FROM meter m \
    JOIN machine a ON a.site = m.site AND a.number = m.machine \
    WHERE m.site = $1 AND m.known_to IS NOT NULL AND a.state <> 'retired' ORDER BY m.number";
const RESTS: &str = "SELECT machine, starts, ends FROM rest WHERE site = $1";
const CLEAR: &str = "DELETE FROM fleet_figures WHERE site = $1";
static KEEP: Bulk =
    Bulk::new("INSERT INTO fleet_figures (site, family, kind, machines, figures) VALUES", 1, 4, "");
const KEEP_DAY: &str = "INSERT INTO fleet_day (site, as_of, marks, at) VALUES ($1, $2, $3, $4) \
    ON CONFLICT (site) DO UPDATE SET as_of = excluded.as_of, marks = excluded.marks, at = excluded.at";

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![STATE, FIGURES, METERS, RESTS, CLEAR, KEEP.sample(), KEEP_DAY]
}

/// How many meters' reports are held at once while figures are learnt: of some 5,000 reports each, 30 MB.
const METERS_AT_ONCE: usize = 256;
/// While reports of the past keep coming, figures are learnt no more often than this, in microseconds: all rows of
/// the site follow from them.
const BETWEEN_MICROS: i64 = 15 * MICROS_PER_MINUTE;

/// Learns a site's figures while others write, and keeps them in a transaction of their own.
pub(super) async fn learn(store: &SqlStore, caller: &Caller, site: SiteId) -> Result<()> {
    let seen = store.seen.lock().await.get(&site).copied();
    let look = look(&mut *store.read().await?, site, seen, caller.now).await?;
    match look {
        Look::Stand => {}
        Look::Wait(marks) => {
            store.seen.lock().await.insert(site, marks);
        }
        Look::Learnt(learnt) => {
            store.queue.write(caller, move |tx| Box::pin(keep(tx, site, learnt))).await?;
        }
    }
    Ok(())
}

/// How a site's figures stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct State {
    /// What was marked so far.
    marks: i64,
    /// The number of the figures in use.
    pub(super) epoch: i64,
    /// What they are of: the shop day, the marks then, and when they were learnt.
    learnt: Option<(ShopDay, i64, Ts)>,
}

impl State {
    /// Reads it.
    pub(super) async fn load(conn: &mut Conn, site: SiteId) -> Result<State> {
        let row = sqlx::query(STATE).bind(i64::from(site.0)).fetch_one(conn).await?;
        let mut row = Reading::new(&row, "fleet_day");
        let (marks, epoch) = (row.next()?, row.next()?);
        let as_of: Option<i64> = row.next()?;
        let (of_marks, at): (Option<i64>, Option<i64>) = (row.next()?, row.next()?);
        let learnt = as_of.zip(of_marks).zip(at).map(|((day, of_marks), at)| {
            let day = i32::try_from(day).map_err(|_| row.corrupt("as_of", day))?;
            Ok::<_, StoreError>((ShopDay::from_days(day), of_marks, Ts(at)))
        });
        Ok(State { marks, epoch, learnt: learnt.transpose()? })
    }

    /// Whether the figures are not those of a shop day as known now. A site without a report has none to learn.
    pub(super) fn is_pending(&self, today: ShopDay) -> bool {
        self.marks > 0 && self.learnt.is_none_or(|(day, marks, _)| (day, marks) != (today, self.marks))
    }

    /// Whether they are to be learnt now: a new day's at once; those of the day again once no further mark has come since
    /// `seen`, or after a while.
    fn is_to_learn(&self, today: ShopDay, seen: Option<i64>, now: Ts) -> bool {
        let rested = |(day, _, at): (ShopDay, i64, Ts)| day != today || at.plus_micros(BETWEEN_MICROS) <= now;
        self.is_pending(today) && (seen == Some(self.marks) || self.learnt.is_none_or(rested))
    }
}

/// Figures that were learnt, and from what.
struct Learnt {
    table: FleetTable,
    as_of: ShopDay,
    marks: i64,
}

/// What a look at a site's figures came to.
enum Look {
    /// They stand.
    Stand,
    /// Reports of the past are still coming; so many marks were seen.
    Wait(i64),
    /// They were learnt.
    Learnt(Learnt),
}

/// Learns a site's figures if they are to be learnt. `seen` is how many marks the last look saw.
async fn look(conn: &mut Conn, site: SiteId, seen: Option<i64>, now: Ts) -> Result<Look> {
    let calendar = sites::by_number(conn, site).await?.calendar;
    let as_of = calendar.shop_day_of(now);
    let state = State::load(conn, site).await?;
    if !state.is_pending(as_of) {
        return Ok(Look::Stand);
    }
    if !state.is_to_learn(as_of, seen, now) {
        return Ok(Look::Wait(state.marks));
    }
    let members = members(conn, site, &Arc::new(calendar), as_of).await?;
    let table = beside(move || Ok(FleetTable::of(&members))).await?;
    Ok(Look::Learnt(Learnt { table, as_of, marks: state.marks }))
}

/// The site's meters with their pasts before a shop day, as far back as a forecast looks; read in batches, of which
/// only the pasts are kept.
async fn members(
    conn: &mut Conn,
    site: SiteId,
    calendar: &Arc<Calendar>,
    as_of: ShopDay,
) -> Result<Vec<Member>> {
    let (since, until) = (history::forecast_since(calendar, as_of), calendar.start_of(as_of));
    let mut rows = sqlx::query(METERS).bind(i64::from(site.0)).fetch(&mut *conn);
    let mut meters = Vec::new();
    while let Some(row) = rows.try_next().await? {
        let mut row = Reading::new(&row, "meter");
        let (meter, machine) = (MeterId(row.next()?), MachineId(row.next()?));
        let (family, kind): (String, MeterKind) = (row.next()?, row.word("kind")?);
        let member = Member { machine, family, kind, past: Past::default() };
        meters.push((meter, MaxPerHour(row.next()?), member));
    }
    drop(rows);
    let laid_up = Arc::new(laid_up(conn, site, until).await?);
    let mut members = Vec::with_capacity(meters.len());
    let mut meters = meters.into_iter();
    loop {
        let batch: Vec<(MeterId, MaxPerHour, Member)> = meters.by_ref().take(METERS_AT_ONCE).collect();
        if batch.is_empty() {
            return Ok(members);
        }
        let asked: Vec<MeterId> = batch.iter().map(|(meter, ..)| *meter).collect();
        let mut ended: HashMap<MeterId, Vec<Segment>> = HashMap::new();
        for (meter, run) in history::ended(conn, site, &asked, since).await? {
            ended.entry(meter).or_default().push(run);
        }
        let (calendar, laid_up) = (Arc::clone(calendar), Arc::clone(&laid_up));
        members.extend(beside(move || Ok(with_pasts(batch, ended, (&calendar, &laid_up), until))).await?);
    }
}

/// The rests of the site's machines before an instant.
async fn laid_up(conn: &mut Conn, site: SiteId, until: Ts) -> Result<HashMap<MachineId, LaidUp>> {
    let mut rests: HashMap<MachineId, Vec<Rest>> = HashMap::new();
    for row in &sqlx::query(RESTS).bind(i64::from(site.0)).fetch_all(conn).await? {
        let mut row = Reading::new(row, "rest");
        let machine = MachineId(row.next()?);
        let rest = Rest { from: Ts(row.next()?), until: row.next::<Option<i64>>()?.map(Ts) };
        rests.entry(machine).or_default().push(rest);
    }
    Ok(rests.into_iter().map(|(machine, rests)| (machine, LaidUp::before(&rests, until))).collect())
}

fn with_pasts(
    batch: Vec<(MeterId, MaxPerHour, Member)>,
    mut ended: HashMap<MeterId, Vec<Segment>>,
    (calendar, laid_up): (&Calendar, &HashMap<MachineId, LaidUp>),
    now: Ts,
) -> Vec<Member> {
    let of = |(meter, most, member): (MeterId, MaxPerHour, Member)| {
        let laid_up = laid_up.get(&member.machine);
        let moved = |at: Ts| laid_up.map_or(at, |laid_up| laid_up.moved(at));
        let ended = ended.remove(&meter).unwrap_or_default();
        let usage = Usage::of_runs(ended, calendar, most, moved);
        Member { past: Past::of(&usage, now), ..member }
    };
    batch.into_iter().map(of).collect()
}

/// Keeps figures that were learnt, unless others were kept meanwhile that are as new.
async fn keep(tx: &mut Tx, site: SiteId, learnt: Learnt) -> Result<()> {
    tx.forget_machines([]);
    tx.take(site).await?;
    let state = State::load(&mut tx.conn, site).await?;
    let Learnt { table, as_of, marks } = learnt;
    if state.learnt.is_some_and(|(day, of_marks, _)| (day, of_marks) >= (as_of, marks)) {
        return Ok(());
    }
    let number = i64::from(site.0);
    let now = tx.caller.now.0;
    let day = sqlx::query(KEEP_DAY).bind(number).bind(i64::from(as_of.to_days())).bind(marks).bind(now);
    day.execute(&mut tx.conn).await?;
    if table.epoch() == state.epoch {
        return Ok(());
    }
    tx.head(site)?.fleet_epoch = table.epoch();
    sqlx::query(CLEAR).bind(number).execute(&mut tx.conn).await?;
    let rows: Vec<(FleetRow, String)> =
        table.rows().map(|row| to_json(&row.figures).map(|figures| (row, figures))).collect::<Result<_>>()?;
    let bind = |q: super::bulk::Binding, (row, figures): &(FleetRow, String)| {
        q.bind(row.family.clone()).bind(row.kind.word()).bind(i64::from(row.machines)).bind(figures.clone())
    };
    KEEP.run(&mut tx.conn, &rows, |q| q.bind(number), bind).await?;
    let mut mind = tx.mind(site).await?;
    (mind.fleet_epoch, mind.fleet) = (table.epoch(), Arc::new(table));
    tx.keep_mind(mind)
}

/// The figures in use.
pub(super) async fn load(conn: &mut Conn, site: SiteId) -> Result<FleetTable> {
    let rows = sqlx::query(FIGURES).bind(i64::from(site.0)).fetch_all(conn).await?;
    let read = |row: &super::DbRow| {
        let mut row = Reading::new(row, "fleet_figures");
        let (family, kind) = (row.next()?, row.word("kind")?);
        Ok(FleetRow { family, kind, machines: row.number("machines")?, figures: row.json("figures")? })
    };
    Ok(FleetTable::of_rows(rows.iter().map(read).collect::<Result<Vec<_>>>()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_learnt_for_each_day_and_again_once_reports_of_the_past_have_come() {
        let (day, next) = (ShopDay::from_days(20_000), ShopDay::from_days(20_001));
        let now = Ts(1_790_000_000_000_000);
        let learnt = |of_marks| Some((day, of_marks, now));
        let state = |marks, learnt| State { marks, epoch: 0, learnt };
        let later = now.plus_micros(BETWEEN_MICROS);
        // What stands, the day, the marks seen before, when; then whether it is pending and is to be learnt.
        let cases = [
            ("no report yet", state(0, None), day, None, now, false, false),
            ("the first reports", state(1, None), day, None, now, true, true),
            ("as they were", state(4, learnt(4)), day, None, now, false, false),
            ("a new day", state(4, learnt(4)), next, None, now, true, true),
            ("just marked", state(5, learnt(4)), day, None, now, true, false),
            ("marked again", state(6, learnt(4)), day, Some(5), now, true, false),
            ("no further mark", state(6, learnt(4)), day, Some(6), now, true, true),
            ("for too long", state(6, learnt(4)), day, Some(5), later, true, true),
        ];
        for (what, state, today, seen, now, pending, to_learn) in cases {
            assert_eq!(state.is_pending(today), pending, "{what}");
            assert_eq!(state.is_to_learn(today, seen, now), to_learn, "{what}");
        }
    }
}
