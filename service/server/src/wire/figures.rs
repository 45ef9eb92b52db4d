//! Figures: what is asked, the groups, and each figure with what is behind it.

use super::fields::{Fields, Said};
use super::units::unknown_value;
use fettler_domain::error::Error;
use fettler_domain::figures::care::{Figure, FigureName};
use fettler_domain::figures::group::{Group, Grouping};
use fettler_domain::shop::limits::TEXT_MAX;
use fettler_domain::time::ShopDay;
use fettler_proto::v1;
use fettler_store::contract::CareFilter;

/// The longest period, in days.
const DAYS_MAX: i64 = 366;

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

/// Reads what is asked. A period that is wholly ahead has no figures.
pub fn ask(ask: &v1::GetFiguresRequest, today: ShopDay) -> Result<Ask, Error> {
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
    if let Some(from) = from.filter(|from| *from > today) {
        let text = format!("{from} is still to come: the shop day is {today}; give a period that has begun");
        fields.wrong("from_day", text);
    }
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

/// The answer.
pub fn answer(ask: &Ask, groups: &[Group], today: ShopDay) -> v1::GetFiguresResponse {
    let group = |group: &Group| {
        let wanted = group.figures.iter().filter(|figure| ask.figure.is_none_or(|name| name == figure.name));
        let figures = wanted.map(|found| figure(found, ask.with_orders)).collect();
        v1::FigureGroup { key: group.key.clone(), figures }
    };
    v1::GetFiguresResponse {
        groups: groups.iter().map(group).collect(),
        from_day: ask.days.0.to_string(),
        until_day: ask.days.1.to_string(),
        shop_day: today.to_string(),
    }
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
        hours_missing: found.hours_missing,
    }
}
