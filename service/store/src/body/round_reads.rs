//! Rounds as they stand: which checks are due on which machines, and what was answered.

use super::decode::Reading;
use super::machines::state_of;
use super::shop_state::MachineExtra;
use super::{Conn, DbRow, handovers, readings, sites};
use crate::contract::{
    AREAS_MAX, HANDOVERS_MAX, MachineReady, MachineRound, MachineState, Page, PageAsk, Result, RoundFilter,
    RoundHead,
};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, SiteId};
use fettler_domain::round::answer::AnswerRecord;
use fettler_domain::round::ready::{WARM_UP_MINUTES, ready as readiness};
use fettler_domain::round::{Round, Tally, Walked, before, meant, walk};
use fettler_domain::shop::SheetCard;
use fettler_domain::shop::check::{CheckCard, StartRole, effective};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::Ts;
use std::collections::BTreeMap;

const MACHINES: &str = "SELECT number, tag, name, area, state, reason, card FROM machine \
    WHERE site = $1 AND state <> 'retired' ORDER BY area, tag";
const SHEETS: &str = "SELECT key, card FROM sheet WHERE site = $1";
const RECORDS: &str = "SELECT machine, answers FROM round_record WHERE site = $1 AND shift = $2";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[MACHINES, SHEETS, RECORDS];

/// A machine with what of its card checks hang on.
struct Row {
    machine: MachineId,
    tag: Key,
    name: Name,
    area: String,
    state: MachineState,
    reason: String,
    extra: MachineExtra,
}

fn row(row: &DbRow) -> Result<Row> {
    let mut row = Reading::new(row, "machine");
    Ok(Row {
        machine: MachineId(row.next()?),
        tag: row.text("tag", Key::new)?,
        name: row.text("name", Name::new)?,
        area: row.next()?,
        state: state_of(&mut row)?,
        reason: row.next()?,
        extra: row.json("card")?,
    })
}

/// The site's sheets by key.
pub(super) async fn sheets(conn: &mut Conn, site: SiteId) -> Result<BTreeMap<Key, SheetCard>> {
    let rows = sqlx::query(SHEETS).bind(i64::from(site.0)).fetch_all(conn).await?;
    let sheet = |row: &DbRow| {
        let mut row = Reading::new(row, "sheet");
        Ok((row.text("key", Key::new)?, row.json("card")?))
    };
    rows.iter().map(sheet).collect()
}

/// The checks of a machine in walking order.
pub(super) fn checks_of<'a>(
    extra: &'a MachineExtra,
    sheets: &'a BTreeMap<Key, SheetCard>,
) -> Vec<&'a CheckCard> {
    effective(&extra.checks, extra.sheets.iter().filter_map(|key| sheets.get(key)))
}

/// The round that is meant at an instant; refused where no shift comes.
pub(super) fn round_at(calendar: &Calendar, at: Ts) -> Result<Round> {
    let missing = || {
        let text = "no shift comes within 400 days, so there is no round; declare shifts, or end the closure";
        Error::WrongState { reason: "NO_SHIFT", subject: "round".to_owned(), text: text.to_owned() }
    };
    Ok(meant(calendar, at).ok_or_else(missing)?)
}

/// What was answered in a round, by machine.
async fn records(
    conn: &mut Conn,
    site: SiteId,
    round: &Round,
) -> Result<BTreeMap<MachineId, Vec<AnswerRecord>>> {
    let rows = sqlx::query(RECORDS).bind(i64::from(site.0)).bind(round.start.0).fetch_all(conn).await?;
    let record = |row: &DbRow| {
        let mut row = Reading::new(row, "round_record");
        Ok((MachineId(row.next()?), row.json("answers")?))
    };
    rows.iter().map(record).collect()
}

/// The machines of a round with their checks, by area and tag; those without any are left out.
async fn machines(conn: &mut Conn, site: SiteId, round: &Round) -> Result<Vec<(Row, Vec<Walked>)>> {
    let sheets = sheets(conn, site).await?;
    let records = records(conn, site, round).await?;
    let rows = sqlx::query(MACHINES).bind(i64::from(site.0)).fetch_all(conn).await?;
    let mut all = Vec::new();
    for found in &rows {
        let found = row(found)?;
        let answers = records.get(&found.machine).map_or(&[][..], Vec::as_slice);
        let rests = found.state == MachineState::Resting;
        let walked = walk(round, &checks_of(&found.extra, &sheets), answers, rests);
        if !walked.is_empty() {
            all.push((found, walked));
        }
    }
    Ok(all)
}

/// How each machine of a round stands, by tag, for its handover.
pub(super) async fn stands(conn: &mut Conn, site: SiteId, round: &Round) -> Result<Vec<(Key, Vec<Walked>)>> {
    let all = machines(conn, site, round).await?;
    Ok(all.into_iter().map(|(row, walked)| (row.tag, walked)).collect())
}

/// How far the round is that is meant at an instant.
pub(super) async fn head(conn: &mut Conn, site: SiteId, at: Ts) -> Result<RoundHead> {
    let round = round_at(&sites::by_number(conn, site).await?.calendar, at)?;
    let mut tally = Tally::default();
    let mut areas: BTreeMap<String, Tally> = BTreeMap::new();
    for (row, walked) in machines(conn, site, &round).await? {
        tally.add(&walked);
        if areas.len() < AREAS_MAX || areas.contains_key(&row.area) {
            areas.entry(row.area).or_default().add(&walked);
        }
    }
    let handovers = handovers::open(conn, site, HANDOVERS_MAX).await?;
    Ok(RoundHead { round, tally, areas: areas.into_iter().collect(), handovers })
}

/// Machines of a round with their checks.
pub(super) async fn checks(
    conn: &mut Conn,
    site: SiteId,
    filter: &RoundFilter,
    page: PageAsk<(String, String)>,
) -> Result<(Round, Page<MachineRound, (String, String)>)> {
    let round = round_at(&sites::by_number(conn, site).await?.calendar, filter.at)?;
    let enough = usize::try_from(page.limit).unwrap_or(usize::MAX).saturating_add(1);
    let key = |row: &Row| (row.area.clone(), row.tag.to_string());
    let mut rows = Vec::new();
    for (row, mut checks) in machines(conn, site, &round).await? {
        let is_wanted = filter.machine.as_ref().is_none_or(|machine| *machine == row.tag)
            && filter.area.as_ref().is_none_or(|area| *area == row.area)
            && page.after.as_ref().is_none_or(|after| key(&row) > *after);
        if filter.only_open {
            checks.retain(|check| check.answer.is_none());
        }
        if !is_wanted || checks.is_empty() || rows.len() >= enough {
            continue;
        }
        rows.push(with_points(conn, site, row, checks).await?);
    }
    let page = Page::cut(rows, page.limit, |row: &MachineRound| (row.area.clone(), row.tag.to_string()));
    Ok((round, page))
}

async fn with_points(conn: &mut Conn, site: SiteId, row: Row, checks: Vec<Walked>) -> Result<MachineRound> {
    let asked = |key: &Key| checks.iter().any(|check| check.check.point.as_ref() == Some(key));
    let points = if checks.iter().any(|check| check.check.point.is_some()) {
        readings::points(conn, site, row.machine).await?
    } else {
        Vec::new()
    };
    let points = points.into_iter().map(|(_, card)| card).filter(|card| asked(&card.key)).collect();
    let Row { tag, name, area, state, reason, .. } = row;
    Ok(MachineRound { tag, name, area, state, reason, checks, points })
}

/// How machines stand before the shift whose round is meant at an instant: those that may not run, and those with a warm-up.
pub(super) async fn ready(
    conn: &mut Conn,
    site: SiteId,
    at: Ts,
    now: Ts,
    page: PageAsk<(String, String)>,
) -> Result<(Round, Page<MachineReady, (String, String)>)> {
    let calendar = sites::by_number(conn, site).await?.calendar;
    let round = round_at(&calendar, at)?;
    let sheets = sheets(conn, site).await?;
    let answers = records(conn, site, &round).await?;
    let earlier = match before(&calendar, round.start) {
        Some(earlier) => records(conn, site, &earlier).await?,
        None => BTreeMap::new(),
    };
    let rows = sqlx::query(MACHINES).bind(i64::from(site.0)).fetch_all(conn).await?;
    let mut all = Vec::new();
    for found in &rows {
        let Row { machine, tag, name, area, state, reason, extra } = row(found)?;
        if page.after.as_ref().is_some_and(|after| (area.as_str(), tag.as_str()) <= (&after.0, &after.1)) {
            continue;
        }
        let checks = checks_of(&extra, &sheets);
        let of = |role| checks.iter().filter(move |check| check.start == Some(role));
        let warm_up = of(StartRole::Warm).next().map(|check| check.minutes.unwrap_or(WARM_UP_MINUTES));
        let left = earlier.get(&machine).map_or(&[][..], Vec::as_slice);
        let is_left_so =
            |check: &&CheckCard| left.iter().any(|said| said.check == check.key && said.finding.is_none());
        let armed = of(StartRole::Armed).any(is_left_so);
        let stands = if state == MachineState::InService {
            let walked = walk(&round, &checks, answers.get(&machine).map_or(&[][..], Vec::as_slice), false);
            let Some(ready) = readiness(&round, &walked, warm_up, armed, now) else { continue };
            Some(ready)
        } else {
            None
        };
        all.push(MachineReady { tag, name, area, state, reason, ready: stands });
    }
    let page = Page::cut(all, page.limit, |of: &MachineReady| (of.area.clone(), of.tag.to_string()));
    Ok((round, page))
}
