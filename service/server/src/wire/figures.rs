//! Figures: what is asked, the groups, and each figure with what is behind it.

use super::fields::{Fields, Said};
use super::units::unknown_value;
use chrono::{Datelike as _, Months, NaiveDate};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Error;
use fettler_domain::figures::care::{CareOrder, Figure, FigureName, Period, Run, figures};
use fettler_domain::shop::limits::TEXT_MAX;
use fettler_domain::text::Key;
use fettler_domain::time::{ShopDay, Ts};
use fettler_proto::v1;
use fettler_store::contract::{CareFilter, CareRead};
use std::collections::BTreeMap;

/// The longest period, in days.
const DAYS_MAX: i64 = 366;

/// By what figures are told apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grouping {
    /// Not at all.
    Whole,
    /// By machine.
    Machine,
    /// By family.
    Family,
    /// By task.
    Task,
    /// By month.
    Month,
}

/// What is asked.
pub struct Ask {
    /// The first and the last shop day.
    pub days: (ShopDay, ShopDay),
    /// By what.
    pub by: Grouping,
    /// Of what.
    pub filter: CareFilter,
    /// Only this figure.
    pub figure: Option<FigureName>,
    /// Whether the orders are shown.
    pub with_orders: bool,
}

/// Reads what is asked.
pub fn ask(ask: &v1::GetFiguresRequest) -> Result<Ask, Error> {
    let mut fields = Fields::new();
    let from = fields.day("from_day", &ask.from_day);
    let until = fields.day("until_day", &ask.until_day);
    let days = from.zip(until).filter(|(from, until)| {
        let length = until.days_since(*from);
        let fits = (0..DAYS_MAX).contains(&length);
        if !fits {
            let last = from.plus_days(DAYS_MAX - 1);
            fields.wrong("until_day", format!("{until} is out of bounds; give a day from {from} to {last}"));
        }
        fits
    });
    let by = grouping(&mut fields, ask.group_by);
    let machine = fields.optional_foreign("machine", &ask.machine);
    let family = fields.line("family", &ask.family, TEXT_MAX);
    let task = fields.optional_key("task", &ask.task);
    let figure = figure_name(&mut fields, &ask.figure);
    let filter = machine.zip(family).zip(task).map(|((machine, family), task)| CareFilter {
        machine: machine.map(|name| name.to_string()),
        family: Some(family).filter(|family| !family.is_empty()),
        task,
    });
    let read = days.zip(by).zip(filter).zip(figure);
    let with_orders = ask.with_orders;
    fields.finish(read.map(|(((days, by), filter), figure)| Ask { days, by, filter, figure, with_orders }))
}

fn grouping(fields: &mut Fields, value: i32) -> Option<Grouping> {
    match v1::FigureGrouping::try_from(value) {
        Ok(v1::FigureGrouping::Unspecified) => Some(Grouping::Whole),
        Ok(v1::FigureGrouping::Machine) => Some(Grouping::Machine),
        Ok(v1::FigureGrouping::Family) => Some(Grouping::Family),
        Ok(v1::FigureGrouping::Task) => Some(Grouping::Task),
        Ok(v1::FigureGrouping::Month) => Some(Grouping::Month),
        Err(_) => {
            unknown_value(fields, "group_by", value, "machine, family, task or month");
            None
        }
    }
}

/// None where the name is wrong; no name means every figure.
fn figure_name(fields: &mut Fields, word: &str) -> Said<Option<FigureName>> {
    if word.is_empty() {
        return Some(None);
    }
    let found = FigureName::ALL.iter().copied().find(|name| name.word() == word);
    if found.is_none() {
        let all: Vec<&str> = FigureName::ALL.iter().map(|name| name.word()).collect();
        let text =
            format!("there is no figure `{}`; give one of {}", super::fields::shown(word), all.join(", "));
        fields.wrong("figure", text);
    }
    found.map(Some)
}

/// The periods that are looked at: the whole, or its months.
pub fn periods(ask: &Ask, calendar: &Calendar, now: Ts) -> Vec<Period> {
    let (first, last) = ask.days;
    let period = |from: ShopDay, until: ShopDay| Period {
        from: calendar.start_of(from),
        until: calendar.end_of(until),
        now,
    };
    if ask.by != Grouping::Month {
        return vec![period(first, last)];
    }
    let mut periods = Vec::new();
    let mut from = first;
    while from <= last {
        let next = ShopDay(month_start(from.0) + Months::new(1));
        periods.push(period(from, last.min(next.plus_days(-1))));
        from = next;
    }
    periods
}

fn month_start(day: NaiveDate) -> NaiveDate {
    day.with_day(1).unwrap_or(day)
}

/// The answer.
pub fn answer(ask: &Ask, read: &CareRead, calendar: &Calendar, today: ShopDay) -> v1::GetFiguresResponse {
    let groups = match ask.by {
        Grouping::Month => months(ask, read, calendar),
        Grouping::Whole | Grouping::Machine | Grouping::Family | Grouping::Task => parts(ask, read),
    };
    v1::GetFiguresResponse {
        groups,
        from_day: ask.days.0.to_string(),
        until_day: ask.days.1.to_string(),
        shop_day: today.to_string(),
    }
}

fn months(ask: &Ask, read: &CareRead, calendar: &Calendar) -> Vec<v1::FigureGroup> {
    let group = |(period, run): &(Period, Run)| {
        let key = calendar.shop_day_of(period.from).0.format("%Y-%m").to_string();
        self::group(ask, key, &read.orders, of_whole_machines(ask, run), *period)
    };
    read.runs.iter().map(group).collect()
}

/// Hours are those of whole machines; of single tasks they would tell nothing.
fn of_whole_machines<'r>(ask: &Ask, run: &'r Run) -> Option<&'r Run> {
    (ask.filter.task.is_none() && ask.by != Grouping::Task).then_some(run)
}

fn parts(ask: &Ask, read: &CareRead) -> Vec<v1::FigureGroup> {
    let Some((period, run)) = read.runs.first() else { return Vec::new() };
    let mut orders: BTreeMap<String, Vec<CareOrder>> = BTreeMap::new();
    let key = |order: &CareOrder| match ask.by {
        Grouping::Machine => order.machine.to_string(),
        Grouping::Family => order.family.clone(),
        Grouping::Task => order.task.as_ref().map(Key::to_string).unwrap_or_default(),
        Grouping::Whole | Grouping::Month => String::new(),
    };
    for order in &read.orders {
        orders.entry(key(order)).or_default().push(order.clone());
    }
    let mut runs: BTreeMap<String, Run> = BTreeMap::new();
    let of = |tag: &Key| match ask.by {
        Grouping::Machine => tag.to_string(),
        Grouping::Family => run.families.get(tag).cloned().unwrap_or_default(),
        Grouping::Whole | Grouping::Task | Grouping::Month => String::new(),
    };
    for (tag, millis) in &run.millis {
        runs.entry(of(tag)).or_default().millis.insert(tag.clone(), *millis);
    }
    for tag in &run.not_known {
        runs.entry(of(tag)).or_default().not_known.insert(tag.clone());
    }
    if ask.by == Grouping::Whole {
        orders.entry(String::new()).or_default();
    }
    let none = Run::default();
    let group = |(key, orders): (String, Vec<CareOrder>)| {
        let run = runs.get(&key).unwrap_or(&none);
        self::group(ask, key, &orders, of_whole_machines(ask, run), *period)
    };
    orders.into_iter().map(group).collect()
}

fn group(ask: &Ask, key: String, orders: &[CareOrder], run: Option<&Run>, period: Period) -> v1::FigureGroup {
    let found = figures(orders, run, period);
    let wanted = found.iter().filter(|figure| ask.figure.is_none_or(|name| name == figure.name));
    v1::FigureGroup { key, figures: wanted.map(|found| figure(found, ask.with_orders)).collect() }
}

fn figure(found: &Figure, with_orders: bool) -> v1::Figure {
    let orders = found.orders.iter().filter(|_| with_orders);
    v1::Figure {
        name: found.name.word().to_owned(),
        value: found.value,
        unit: found.name.unit().to_owned(),
        numerator: found.numerator,
        denominator: found.denominator,
        definition: found.name.over().to_owned(),
        low: found.limits.0,
        high: found.limits.1,
        order_count: i32::try_from(found.orders.len()).unwrap_or(i32::MAX),
        orders: orders
            .map(|behind| v1::FigureOrder { order: behind.order.0, counts: behind.counts })
            .collect(),
        remarks: found.remarks.clone(),
    }
}
