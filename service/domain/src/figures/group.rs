//! Figures told apart: by machine, family or task, or by the months of a period.

use super::care::{CareOrder, Figure, Period, Run, figures};
use crate::calendar::Calendar;
use crate::text::Key;
use crate::time::{ShopDay, Ts};
use chrono::{Datelike as _, Months};
use std::collections::BTreeMap;

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

/// The figures of a group.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// A tag, a family, a task's key or a month `YYYY-MM`; empty for the whole, for machines without a family, and for raised
    /// orders.
    pub key: String,
    /// They.
    pub figures: Vec<Figure>,
}

/// The periods that are looked at between two shop days, both in it: the whole, or its months.
pub fn periods(by: Grouping, (first, last): (ShopDay, ShopDay), calendar: &Calendar, now: Ts) -> Vec<Period> {
    let period = |from: ShopDay, until: ShopDay| Period {
        from: calendar.start_of(from),
        until: calendar.end_of(until),
        now,
    };
    if by != Grouping::Month {
        return vec![period(first, last)];
    }
    let mut periods = Vec::new();
    let mut from = first;
    while from <= last {
        let month = from.0.with_day(1).unwrap_or(from.0);
        let next = ShopDay(month + Months::new(1));
        periods.push(period(from, last.min(next.plus_days(-1))));
        from = next;
    }
    periods
}

/// The groups by key, from the orders and the hours of each period. `of_one_task` says that no other orders were read.
pub fn groups(
    by: Grouping,
    of_one_task: bool,
    orders: &[CareOrder],
    runs: &[(Period, Run)],
    calendar: &Calendar,
) -> Vec<Group> {
    // Hours are those of whole machines; of single tasks they would tell nothing.
    let of_whole_machines = !of_one_task && by != Grouping::Task;
    let group = |key: String, orders: &[CareOrder], run: &Run, period: Period| Group {
        key,
        figures: figures(orders, of_whole_machines.then_some(run), period),
    };
    if by == Grouping::Month {
        let month = |period: &Period| calendar.shop_day_of(period.from).0.format("%Y-%m").to_string();
        return runs.iter().map(|(period, run)| group(month(period), orders, run, *period)).collect();
    }
    let Some((period, run)) = runs.first() else { return Vec::new() };
    let runs = runs_apart(by, run);
    let none = Run::default();
    let group = |(key, orders): (String, Vec<CareOrder>)| {
        let run = runs.get(&key).unwrap_or(&none);
        group(key, &orders, run, *period)
    };
    orders_apart(by, orders).into_iter().map(group).collect()
}

fn orders_apart(by: Grouping, orders: &[CareOrder]) -> BTreeMap<String, Vec<CareOrder>> {
    let key = |order: &CareOrder| match by {
        Grouping::Machine => order.machine.to_string(),
        Grouping::Family => order.family.clone(),
        Grouping::Task => order.task.as_ref().map(Key::to_string).unwrap_or_default(),
        Grouping::Whole | Grouping::Month => String::new(),
    };
    let mut apart: BTreeMap<String, Vec<CareOrder>> = BTreeMap::new();
    for order in orders {
        apart.entry(key(order)).or_default().push(order.clone());
    }
    if by == Grouping::Whole {
        apart.entry(String::new()).or_default();
    }
    apart
}

fn runs_apart(by: Grouping, run: &Run) -> BTreeMap<String, Run> {
    let key = |tag: &Key| match by {
        Grouping::Machine => tag.to_string(),
        Grouping::Family => run.families.get(tag).cloned().unwrap_or_default(),
        Grouping::Whole | Grouping::Task | Grouping::Month => String::new(),
    };
    let mut apart: BTreeMap<String, Run> = BTreeMap::new();
    for (tag, millis) in &run.millis {
        apart.entry(key(tag)).or_default().millis.insert(tag.clone(), *millis);
    }
    for tag in &run.not_known {
        apart.entry(key(tag)).or_default().not_known.insert(tag.clone());
    }
    for (tag, since) in &run.since {
        apart.entry(key(tag)).or_default().since.insert(tag.clone(), *since);
    }
    for span in &run.forbidden {
        apart.entry(key(&span.0)).or_default().forbidden.push(span.clone());
    }
    apart
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calendar::{WallTime, Zone};

    fn day(text: &str) -> ShopDay {
        ShopDay(text.parse().expect("a day"))
    }

    #[test]
    fn months_are_whole_but_for_the_first_and_the_last() {
        let calendar = Calendar::every_day(Zone::UTC, WallTime::parse("06:00").expect("a time"));
        let days = (day("2026-01-31"), day("2026-03-01"));
        let shown = |by| -> Vec<String> {
            let periods = periods(by, days, &calendar, Ts(0));
            periods.iter().map(|period| format!("{} {}", period.from, period.until)).collect()
        };
        let months = [
            "2026-01-31T06:00:00Z 2026-02-01T06:00:00Z",
            "2026-02-01T06:00:00Z 2026-03-01T06:00:00Z",
            "2026-03-01T06:00:00Z 2026-03-02T06:00:00Z",
        ];
        assert_eq!(shown(Grouping::Month), months);
        assert_eq!(shown(Grouping::Task), ["2026-01-31T06:00:00Z 2026-03-02T06:00:00Z"]);
        let runs: Vec<(Period, Run)> = periods(Grouping::Month, days, &calendar, Ts(0))
            .into_iter()
            .map(|period| (period, Run::default()))
            .collect();
        let keys = |by, runs| -> Vec<String> {
            groups(by, false, &[], runs, &calendar).into_iter().map(|group| group.key).collect()
        };
        assert_eq!(keys(Grouping::Month, &runs), ["2026-01", "2026-02", "2026-03"]);
        assert_eq!(keys(Grouping::Whole, &runs[..1]), [""]);
        assert_eq!(keys(Grouping::Machine, &runs[..1]), Vec::<String>::new());
    }

    #[test]
    fn hours_are_given_where_all_orders_of_their_machines_are() {
        let calendar = Calendar::every_day(Zone::UTC, WallTime::parse("00:00").expect("a time"));
        let days = (day("2026-01-01"), day("2026-01-31"));
        let periods = periods(Grouping::Whole, days, &calendar, Ts::MAX);
        let key = |text: &str| Key::new(text).expect("a key");
        let run = Run {
            millis: [(key("L-03"), 3_600_000), (key("M-01"), 7_200_000)].into(),
            families: [(key("L-03"), "lathe".to_owned())].into(),
            ..Run::default()
        };
        let raised = |number: i64, tag: &str, family: &str| CareOrder {
            number: crate::ids::OrderNumber(number),
            machine: key(tag),
            family: family.to_owned(),
            task: None,
            opened: periods[0].from,
            due: None,
            opens: None,
            late: None,
            end: crate::figures::standing::End::Open,
            left_out_at: None,
            work: None,
        };
        let orders = [raised(1, "L-03", "lathe"), raised(2, "M-01", "")];
        let hours = |by, of_one_task| -> Vec<(String, Option<f64>)> {
            let found = groups(by, of_one_task, &orders, &[(periods[0], run.clone())], &calendar);
            let hours = |group: &Group| {
                let is_it = |figure: &&Figure| figure.name.word() == "between_failures";
                group.figures.iter().find(is_it).map(|figure| figure.numerator)
            };
            found.iter().map(|group| (group.key.clone(), hours(group))).collect()
        };
        let one = |key: &str, hours| (key.to_owned(), hours);
        assert_eq!(hours(Grouping::Whole, false), [one("", Some(3.0))]);
        assert_eq!(hours(Grouping::Machine, false), [one("L-03", Some(1.0)), one("M-01", Some(2.0))]);
        assert_eq!(hours(Grouping::Family, false), [one("", Some(2.0)), one("lathe", Some(1.0))]);
        assert_eq!(hours(Grouping::Family, true), [one("", None), one("lathe", None)]);
        assert_eq!(hours(Grouping::Task, false), [one("", None)]);
    }
}
