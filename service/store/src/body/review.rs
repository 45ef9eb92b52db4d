//! The review of intervals: tasks by whose rule they follow, and their closings with ages.

use super::bulk::Bulk;
use super::decode::Reading;
use super::mind::Mind;
use super::{Conn, beside, machines, review_answer};
use crate::contract::{
    AdviceCursor, AdviceFilter, AdvicePlace, AdviceRecord, AdviceSubject, Page, PageAsk, Result,
};
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, MeterId, SiteId, TaskId};
use fettler_domain::journal::Kind;
use fettler_domain::ledger::history::Month;
use fettler_domain::order::AsFound;
use fettler_domain::quantity::{Amount, MeterKind};
use fettler_domain::review::rule::Reviewed;
use fettler_domain::review::rule::{in_units, shown};
use fettler_domain::review::{Course, Look, Terms, Told, advise, evidence, since, terms_of};
use fettler_domain::shop::TaskCard;
use fettler_domain::text::Key;
use fettler_domain::time::{MICROS_PER_DAY, ShopDay, Ts};
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};

/// How far back closings are looked at, in days: three years.
const LOOKED_BACK_DAYS: i64 = 1_096;

const HEADS: &str = "SELECT t.number, t.machine, m.tag, m.family, t.key, t.sheet FROM task t \
    JOIN machine m ON m.site = t.site AND m.number = t.machine WHERE t.site = $1 AND t.active = 1 \
    AND m.state <> 'retired' ORDER BY t.number";
static CARDS: Bulk = Bulk::new(
    "WITH k(site, task) AS (VALUES",
    1,
    1,
    ") SELECT t.number, t.card FROM k CROSS JOIN task t WHERE t.site = k.site AND t.number = k.task",
);
static CLOSINGS: Bulk = Bulk::new(
    "WITH k(site, since, task) AS (VALUES",
    2,
    1,
    ") SELECT c.task, c.done_at, c.record FROM k CROSS JOIN closing c WHERE c.site = k.site AND c.task = k.task \
     AND c.undone = 0 AND c.done_at >= k.since ORDER BY c.task, c.done_at, c.number",
);
static STATED: Bulk = Bulk::new(
    "WITH k(site, task) AS (VALUES",
    1,
    1,
    ") SELECT d.task, d.day, d.counts FROM k CROSS JOIN last_done d WHERE d.site = k.site AND d.task = k.task",
);
static METERS: Bulk = Bulk::new(
    "WITH k(site, machine) AS (VALUES",
    1,
    1,
    ") SELECT m.machine, m.key, m.number, m.kind FROM k CROSS JOIN meter m WHERE m.site = k.site \
     AND m.machine = k.machine",
);

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    vec![HEADS, CARDS.sample(), CLOSINGS.sample(), STATED.sample(), METERS.sample()]
}

/// A task and its machine.
#[derive(Clone)]
struct Head {
    task: TaskId,
    machine: MachineId,
    family: String,
}

type Heads = BTreeMap<AdviceSubject, Vec<Head>>;

async fn heads(conn: &mut Conn, site: SiteId) -> Result<Heads> {
    let mut found = Heads::new();
    for row in &sqlx::query(HEADS).bind(i64::from(site.0)).fetch_all(conn).await? {
        let mut row = Reading::new(row, "task");
        let (task, machine) = (TaskId(row.next()?), MachineId(row.next()?));
        let tag = row.text("tag", Key::new)?;
        let family = row.next()?;
        let key = row.text("key", Key::new)?;
        let sheet = row.text_or_none("sheet", Key::new)?;
        let place = sheet.map_or(AdvicePlace::Machine(tag), AdvicePlace::Sheet);
        found.entry(AdviceSubject { place, task: key }).or_default().push(Head { task, machine, family });
    }
    Ok(found)
}

pub(super) fn cursor(subject: &AdviceSubject) -> AdviceCursor {
    let place = match &subject.place {
        AdvicePlace::Machine(tag) => format!("machine {tag}"),
        AdvicePlace::Sheet(key) => format!("sheet {key}"),
    };
    (place, subject.task.to_string())
}

/// The advice of a page of tasks.
pub(super) async fn list(
    conn: &mut Conn,
    site: SiteId,
    filter: &AdviceFilter,
    page: PageAsk<AdviceCursor>,
    now: Ts,
) -> Result<Page<AdviceRecord, AdviceCursor>> {
    let machine = match &filter.machine {
        Some(name) => Some(machines::number(conn, site, name).await?),
        None => None,
    };
    let wanted = |subject: &AdviceSubject, heads: &[Head]| {
        let named = filter.task.as_ref().is_none_or(|task| *task == subject.task);
        let on = |head: &Head| {
            machine.is_none_or(|machine| machine == head.machine)
                && filter.family.as_ref().is_none_or(|family| *family == head.family)
        };
        named && heads.iter().any(on)
    };
    let after = |subject: &AdviceSubject| page.after.as_ref().is_none_or(|after| cursor(subject) > *after);
    let all = heads(conn, site).await?;
    let limit = usize::try_from(page.limit).unwrap_or(usize::MAX).saturating_add(1);
    let some: Vec<(AdviceSubject, Vec<Head>)> = all
        .into_iter()
        .filter(|(subject, heads)| wanted(subject, heads) && after(subject))
        .take(limit)
        .collect();
    let Page { rows, next } = Page::cut(some, page.limit, |(subject, _)| cursor(subject));
    Ok(Page { rows: advice(conn, site, rows, now).await?, next })
}

/// The advice of one task.
pub(super) async fn one(
    conn: &mut Conn,
    site: SiteId,
    subject: &AdviceSubject,
    now: Ts,
) -> Result<AdviceRecord> {
    let subject = resolved(conn, site, subject).await?;
    let mut all = heads(conn, site).await?;
    let name = || cursor(&subject).0 + ", task " + subject.task.as_str();
    let heads = all.remove(&subject);
    if heads.is_none() {
        of_a_sheet(conn, site, &subject, &all).await?;
    }
    let remedy = "`fettler review --all` lists what can be reviewed";
    let missing = || Error::NotFound { kind: "task", name: name(), remedy: remedy.into() };
    let heads = heads.ok_or_else(missing)?;
    let found = advice(conn, site, vec![(subject.clone(), heads)], now).await?.into_iter().next();
    let unfit = || Error::WrongState {
        reason: "NO_INTERVAL",
        subject: name(),
        text: format!("the rule of {} has no interval from the last closing that could be reviewed", name()),
    };
    Ok(found.ok_or_else(unfit)?)
}

/// Refuses a task that was named by its machine and comes from a sheet: the rule is that of all the sheet's machines.
async fn of_a_sheet(conn: &mut Conn, site: SiteId, subject: &AdviceSubject, all: &Heads) -> Result<()> {
    let AdvicePlace::Machine(tag) = &subject.place else { return Ok(()) };
    let machine = machines::number(conn, site, tag.as_str()).await?;
    let sheet = all.iter().find_map(|(other, heads)| match &other.place {
        AdvicePlace::Sheet(sheet) if other.task == subject.task => {
            heads.iter().any(|head| head.machine == machine).then_some(sheet)
        }
        AdvicePlace::Sheet(_) | AdvicePlace::Machine(_) => None,
    });
    let Some(sheet) = sheet else { return Ok(()) };
    let text = format!(
        "the task `{task}` of {tag} comes from the sheet `{sheet}`, and its rule is that of all machines of the sheet; name the \
         sheet in the place of the machine (`--sheet {sheet}`)",
        task = subject.task
    );
    let subject = format!("machine {tag}, task {}", subject.task);
    Err(Error::WrongState { reason: "TASK_OF_A_SHEET", subject, text }.into())
}

/// A subject with the machine by its tag.
async fn resolved(conn: &mut Conn, site: SiteId, subject: &AdviceSubject) -> Result<AdviceSubject> {
    let AdvicePlace::Machine(name) = &subject.place else { return Ok(subject.clone()) };
    let tag = machines::known(conn, site, name.as_str()).await?.tag;
    Ok(AdviceSubject { place: AdvicePlace::Machine(tag), task: subject.task.clone() })
}

/// A task that can be reviewed, with the meter that its rule counts.
struct Case {
    subject: AdviceSubject,
    card: TaskCard,
    at: (Reviewed, Terms),
    tasks: Vec<(TaskId, Option<(MeterId, MeterKind)>)>,
}

async fn advice(
    conn: &mut Conn,
    site: SiteId,
    subjects: Vec<(AdviceSubject, Vec<Head>)>,
    now: Ts,
) -> Result<Vec<AdviceRecord>> {
    let cases = cases(conn, site, subjects).await?;
    let courses = courses(conn, site, &cases, now).await?;
    let declined = review_answer::newest(conn, site, Kind::AdviceDeclined).await?;
    let accepted = review_answer::newest(conn, site, Kind::AdviceAccepted).await?;
    beside(move || {
        let told = cases.into_iter().zip(courses).map(|(mut case, courses)| {
            let evidence = evidence(&courses);
            // An accepted interval that was changed in another way since is not waited for.
            let stands = accepted.get(&cursor(&case.subject));
            let stands = stands.filter(|(_, interval)| shown(*interval) == shown(case.at.1.interval));
            case.at.1.since = stands.map(|(at, _)| since(&courses, *at));
            let advice = advise(&evidence, case.at.1);
            let kind = case.tasks.iter().find_map(|(_, meter)| meter.map(|(_, kind)| kind));
            let unit = kind.map_or("days", |kind| kind.unit().sign()).to_owned();
            let told = Told::new(&case.card, case.at, unit, evidence, advice);
            let declined = declined.get(&cursor(&case.subject)).copied();
            AdviceRecord { subject: case.subject, told, declined }
        });
        Ok(told.collect())
    })
    .await
}

async fn cases(
    conn: &mut Conn,
    site: SiteId,
    subjects: Vec<(AdviceSubject, Vec<Head>)>,
) -> Result<Vec<Case>> {
    let number = i64::from(site.0);
    // The tasks of a sheet share its rule: the card of one tells it.
    let firsts: Vec<i64> =
        subjects.iter().filter_map(|(_, heads)| heads.first()).map(|head| head.task.0).collect();
    let mut cards: BTreeMap<i64, TaskCard> = BTreeMap::new();
    for row in &CARDS.fetch_of(conn, &firsts, |q| q.bind(number)).await? {
        let mut row = Reading::new(row, "task");
        cards.insert(row.next()?, row.json("card")?);
    }
    let machines: BTreeSet<i64> =
        subjects.iter().flat_map(|(_, heads)| heads).map(|head| head.machine.0).collect();
    let machines: Vec<i64> = machines.into_iter().collect();
    let mut meters: BTreeMap<(MachineId, Key), (MeterId, MeterKind)> = BTreeMap::new();
    for row in &METERS.fetch_of(conn, &machines, |q| q.bind(number)).await? {
        let mut row = Reading::new(row, "meter");
        let machine = MachineId(row.next()?);
        let key = row.text("key", Key::new)?;
        meters.insert((machine, key), (MeterId(row.next()?), row.word("kind")?));
    }
    let mut cases = Vec::new();
    for (subject, heads) in subjects {
        let card = heads.first().and_then(|head| cards.remove(&head.task.0));
        let Some((card, at)) =
            card.and_then(|card| Some((terms_of(&card)?, card))).map(|(at, card)| (card, at))
        else {
            continue;
        };
        let meter = |head: &Head| {
            at.0.meter.as_ref().and_then(|key| meters.get(&(head.machine, key.clone())).copied())
        };
        let tasks = heads.iter().map(|head| (head.task, meter(head))).collect();
        cases.push(Case { subject, card, at, tasks });
    }
    Ok(cases)
}

/// What a record says of how it was found.
#[derive(Deserialize)]
struct Found {
    as_found: AsFound,
}

/// A closing, and what was stated, by task.
#[derive(Default)]
struct Seen {
    closings: BTreeMap<TaskId, Vec<(Ts, AsFound)>>,
    stated: BTreeMap<TaskId, (ShopDay, BTreeMap<MeterId, Amount>)>,
}

async fn seen(conn: &mut Conn, site: SiteId, tasks: &[i64], since: Ts) -> Result<Seen> {
    let number = i64::from(site.0);
    let mut seen = Seen::default();
    for row in &CLOSINGS.fetch_of(conn, tasks, |q| q.bind(number).bind(since.0)).await? {
        let mut row = Reading::new(row, "closing");
        let (task, at) = (TaskId(row.next()?), Ts(row.next()?));
        let found: Found = row.json("record")?;
        seen.closings.entry(task).or_default().push((at, found.as_found));
    }
    for row in &STATED.fetch_of(conn, tasks, |q| q.bind(number)).await? {
        let mut row = Reading::new(row, "last_done");
        let task = TaskId(row.next()?);
        let day = ShopDay::from_days(row.number("day")?);
        seen.stated.insert(task, (day, row.json("counts")?));
    }
    Ok(seen)
}

/// The closings of each case, a course a machine.
async fn courses(conn: &mut Conn, site: SiteId, cases: &[Case], now: Ts) -> Result<Vec<Vec<Course>>> {
    let since = now.plus_micros(-LOOKED_BACK_DAYS * MICROS_PER_DAY);
    let tasks: Vec<i64> = cases.iter().flat_map(|case| &case.tasks).map(|(task, _)| task.0).collect();
    let seen = seen(conn, site, &tasks, since).await?;
    let mut mind = Mind::load(conn, site).await?;
    let meters =
        cases.iter().flat_map(|case| &case.tasks).filter_map(|(_, meter)| meter.map(|(meter, _)| meter));
    mind.know_meters(conn, meters).await?;
    let mut wanted: BTreeSet<(MeterId, Month)> = BTreeSet::new();
    for (task, meter) in cases.iter().flat_map(|case| &case.tasks) {
        let Some((meter, _)) = meter else { continue };
        let closings = seen.closings.get(task).into_iter().flatten();
        wanted.extend(closings.map(|(at, _)| (*meter, Month::of(*at))));
        wanted.insert((*meter, Month::of(now)));
    }
    mind.know_months(conn, &wanted.into_iter().collect::<Vec<_>>()).await?;
    let course = |case: &Case, (task, meter): &(TaskId, Option<(MeterId, MeterKind)>)| {
        let counter = Counter { mind: &mind, meter: *meter, by_days: case.at.0.meter.is_none() };
        let looks = seen.closings.get(task).into_iter().flatten();
        let looks = looks.map(|(at, as_found)| Look { at: *at, count: counter.at(*at), as_found: *as_found });
        let stated = seen.stated.get(task).filter(|(day, _)| mind.calendar.start_of(*day) >= since);
        let begins = stated.and_then(|(day, counts)| counter.stated(*day, counts));
        Course { looks: looks.collect(), begins, now: counter.at(now) }
    };
    Ok(cases.iter().map(|case| case.tasks.iter().map(|task| course(case, task)).collect()).collect())
}

/// What counts a task's age.
struct Counter<'m> {
    mind: &'m Mind,
    meter: Option<(MeterId, MeterKind)>,
    by_days: bool,
}

impl Counter<'_> {
    /// The count at an instant; none of a meter where hours are known to an earlier one only.
    fn at(&self, at: Ts) -> Option<f64> {
        if self.by_days {
            return Some(days(at));
        }
        let (meter, kind) = self.meter?;
        let history = &self.mind.meters.get(&meter)?.history;
        Some(in_units(history.at(at).ok()?, kind.unit()))
    }

    fn stated(&self, day: ShopDay, counts: &BTreeMap<MeterId, Amount>) -> Option<f64> {
        if self.by_days {
            return self.at(self.mind.calendar.start_of(day));
        }
        let (meter, kind) = self.meter?;
        let ahead = self.mind.meters.get(&meter)?.history.ahead();
        Some(in_units(*counts.get(&meter)? - ahead, kind.unit()))
    }
}

#[expect(clippy::cast_precision_loss, reason = "microseconds of a century have 52 bits")]
fn days(at: Ts) -> f64 {
    at.0 as f64 / MICROS_PER_DAY as f64
}
