//! The due list, and why an order stands on it.

use super::due_clause::{clauses, due_kind, why};
use super::fields::{Fields, SHORT_MAX};
use super::machine::numbers;
use super::order::{kit, lateness_at};
use super::people::Names;
use super::time::{stamp, stamp_of};
use super::units::{exact, unit as wire_unit};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Error;
use fettler_domain::ids::{MeterId, OrderNumber, PersonId};
use fettler_domain::plan::{Section, Standing, Week, lateness_in_words, standing, window_in_words};
use fettler_domain::quantity::Unit;
use fettler_domain::reading::PointUnit;
use fettler_domain::text::{ForeignName, Key};
use fettler_domain::time::{ShopDay, Ts};
use fettler_proto::v1;
use fettler_store::contract::{DueEntry, Explained, KeptReading};

/// The farthest horizon, in days: ten years, longer than any interval that a list is useful for.
const HORIZON_DAYS_MAX: i64 = 3_653;
/// The most past events of an explanation.
const EVENTS_MAX: usize = 10;

/// What is asked of the due list.
pub struct DueAsk {
    /// The last shop day of the horizon.
    pub until: ShopDay,
    /// Only this machine.
    pub machine: Option<ForeignName>,
    /// Only this area.
    pub area: Option<String>,
}

/// Reads what is asked of the due list on the shop day `today`.
pub fn ask(ask: &v1::ListDueRequest, today: ShopDay) -> Result<DueAsk, Error> {
    let mut fields = Fields::new();
    let until = fields.optional_day("until", &ask.until).map(|until| until.unwrap_or(today));
    if let Some(until) = until
        && !(0..=HORIZON_DAYS_MAX).contains(&until.days_since(today))
    {
        let last = today.plus_days(HORIZON_DAYS_MAX);
        fields.wrong("until", format!("{until} is out of bounds; give a day from today, {today}, to {last}"));
    }
    let machine = fields.optional_foreign("machine", &ask.machine);
    let area = fields.optional_line("area", &ask.area, SHORT_MAX);
    fields.finish(until.zip(machine).zip(area).map(|((until, machine), area)| DueAsk {
        until,
        machine,
        area,
    }))
}

/// Which order is to be explained.
pub enum ExplainAsk {
    /// The one with this number.
    Order(OrderNumber),
    /// The open one of this task.
    Task(ForeignName, Key),
}

/// Reads which order is to be explained.
pub fn explain_ask(ask: &v1::ExplainOrderRequest) -> Result<ExplainAsk, Error> {
    let mut fields = Fields::new();
    if ask.order != 0 {
        let order = fields.order("order", ask.order);
        return fields.finish(order.map(ExplainAsk::Order));
    }
    if ask.machine.is_empty() && ask.task.is_empty() {
        fields.wrong("order", "is missing; give a work order's number, or a machine and a task");
        return fields.finish(None);
    }
    let machine = fields.foreign("machine", &ask.machine);
    let task = fields.key("task", &ask.task);
    fields.finish(machine.zip(task).map(|(machine, task)| ExplainAsk::Task(machine, task)))
}

/// An item of the due list at `now`, in the part of the list where it stands.
pub fn item(entry: &DueEntry, section: v1::DueSection, calendar: &Calendar, now: Ts) -> v1::DueItem {
    let row = &entry.plan;
    let today = calendar.shop_day_of(now);
    v1::DueItem {
        order: row.order.0,
        section: section.into(),
        machine: entry.machine.to_string(),
        machine_name: entry.machine_name.to_string(),
        area: entry.area.clone(),
        task: entry.task.as_ref().map(Key::to_string).unwrap_or_default(),
        title: entry.title.to_string(),
        place: entry.place.clone(),
        due: stamp_of(row.due),
        due_day: row.due.map(|due| calendar.shop_day_of(due).to_string()).unwrap_or_default(),
        kind: due_kind(row.kind).into(),
        opens: stamp_of(row.opens.filter(|_| row.opens_expected.is_none())),
        late_from: stamp_of(row.late),
        when: lateness_in_words(row, now, calendar),
        late: standing(row, now) == Standing::Late,
        clauses: clauses(row, &entry.meter_keys, calendar, today),
        why: why(row, calendar, today),
        kit: entry.kit.iter().map(kit).collect(),
        minutes: i32::try_from(entry.minutes).unwrap_or(i32::MAX),
        hazard: entry.hazard,
        cautions: entry.cautions.clone(),
        readings: entry.readings.iter().map(Key::to_string).collect(),
        covered_by: row.covered_by.map_or(0, |order| order.0),
        p10: stamp_of(row.p10),
        p50: stamp_of(row.p50),
        p90: stamp_of(row.p90),
        may_come_early: false,
    }
}

/// An item in the part of the list where its own row stands.
pub fn own_item(entry: &DueEntry, calendar: &Calendar, now: Ts) -> v1::DueItem {
    let section = match entry.plan.section {
        Section::Dated => v1::DueSection::Dated,
        Section::NeverRecorded => v1::DueSection::NeverRecorded,
        Section::Unlisted => v1::DueSection::Unlisted,
    };
    item(entry, section, calendar, now)
}

/// The people whom an explanation names.
pub fn people_of(explained: &Explained, since: &[Vec<KeptReading>]) -> Vec<PersonId> {
    let closed = explained.closings.iter().map(|closing| closing.done_by);
    closed.chain(since.iter().flatten().map(|kept| kept.record.by)).collect()
}

/// An order explained at an instant, with what was read since each of its clauses fell due by a reading.
pub fn explained(
    explained: &Explained,
    since: &[Vec<KeptReading>],
    names: &Names,
    (calendar, now): (&Calendar, Ts),
) -> v1::ExplainOrderResponse {
    let today = calendar.shop_day_of(now);
    let mut item = own_item(&explained.entry, calendar, now);
    for (clause, since) in item.clauses.iter_mut().zip(since) {
        clause.read_since = since.iter().map(|kept| read_since(kept, names, (calendar, today))).collect();
    }
    v1::ExplainOrderResponse {
        item: Some(item),
        window: window_in_words(&explained.entry.plan, calendar, today),
        events: events(explained, names, calendar),
        covers: numbers(&explained.covers),
        shop_day: explained.shop_day.to_string(),
        row_agrees: explained.row_agrees,
        shop_day_start: Some(stamp(calendar.start_of(explained.shop_day))),
        used: explained.used.iter().map(|used| used_history(used, &explained.entry)).collect(),
    }
}

/// A reading in a line: what it was, when and by whom.
fn read_since(kept: &KeptReading, names: &Names, (calendar, today): (&Calendar, ShopDay)) -> String {
    let record = &kept.record;
    let value = record.value.map_or_else(|| record.said_value.clone(), |value| value.to_string());
    let sign = PointUnit::parse(&record.unit).map_or(record.unit.as_str(), |unit| unit.sign());
    let (when, by) = (calendar.instant_in_words(record.at, today), names.of(record.by));
    let beyond = if record.beyond.is_some() { ", out of limits" } else { "" };
    format!("{value} {sign}{beyond}, {when} by {by}")
}

fn used_history((meter, unit, weeks): &(MeterId, Unit, Vec<Week>), entry: &DueEntry) -> v1::UsedHistory {
    let week = |week: &Week| v1::UsedWeek {
        start: Some(stamp(week.start)),
        end: Some(stamp(week.end)),
        amount: exact(week.amount, *unit),
    };
    v1::UsedHistory {
        meter: entry.meter_keys.get(&meter.0).map(Key::to_string).unwrap_or_default(),
        unit: wire_unit(*unit).into(),
        weeks: weeks.iter().map(week).collect(),
    }
}

fn events(explained: &Explained, names: &Names, calendar: &Calendar) -> Vec<v1::TaskEvent> {
    let closed = explained.closings.iter().map(|closing| {
        let lateness = lateness_at(closing, calendar);
        let text = format!("closed by {}, {lateness}", names.of(closing.done_by));
        v1::TaskEvent { at: Some(stamp(closing.done_at)), order: closing.order.0, text }
    });
    let stated = explained.stated.map(|day| v1::TaskEvent {
        at: Some(stamp(calendar.start_of(day))),
        order: 0,
        text: format!("stated as done on {day}"),
    });
    closed.chain(stated).take(EVENTS_MAX).collect()
}
