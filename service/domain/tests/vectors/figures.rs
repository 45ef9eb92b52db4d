//! Figures of planned work and of failures.

use crate::rows::{EXACT, Row, rows};
use fettler_domain::figures::care::{CareOrder, Figure, FigureName, Period, Run, Work, figures};
use fettler_domain::figures::standing::End;
use fettler_domain::ids::OrderNumber;
use fettler_domain::order::AsFound;
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::text::Key;
use fettler_domain::time::{MICROS_PER_DAY, ShopDay, Ts};

const MICROS_PER_MILLI: i64 = 1_000;
const MILLIS_PER_MINUTE: i64 = 60_000;

fn day(text: &str) -> i64 {
    i64::from(text.parse().map_or_else(|_| panic!("`{text}` is no day"), ShopDay).to_days())
}

fn at(day: i64) -> Ts {
    Ts(day * MICROS_PER_DAY)
}

fn key(text: &str) -> Key {
    Key::new(text).expect("a key")
}

fn of(found: &[Figure], name: FigureName) -> &Figure {
    found.iter().find(|figure| figure.name == name).expect("a figure")
}

/// An order of the one machine; its number is its place in the list that is made of them.
fn order(place: usize, task: Option<&str>, end: End) -> CareOrder {
    let closed = matches!(end, End::Closed(_));
    CareOrder {
        number: OrderNumber(place.try_into().expect("a few orders")),
        machine: key("M-01"),
        family: String::new(),
        task: task.map(key),
        opened: Ts(0),
        due: None,
        opens: None,
        late: None,
        end,
        left_out_at: None,
        work: closed.then(|| Work {
            as_found: AsFound::Good,
            minutes: 0,
            used: Vec::new(),
            with_larger: false,
        }),
    }
}

/// `P:2026-08-25:0:2026-08-26`: planned work, due, days of its window on either side, and how it ended; `C` is unplanned.
fn orders(row: &Row) -> Vec<CareOrder> {
    let read = |(place, token): (usize, &str)| {
        let parts: Vec<&str> = token.split(':').collect();
        let [kind, due, window, end] = parts[..] else { panic!("`{token}`") };
        let (due, window) = (day(due), window.parse::<i64>().expect("days"));
        let end = match end {
            "open" => End::Open,
            "void" => End::LeftOut,
            done => End::Closed(at(day(done))),
        };
        let order = order(place, (kind == "P").then_some("oil"), end);
        if end == End::LeftOut {
            // Raised orders are not looked for among those that were left out.
            return CareOrder { left_out_at: order.task.as_ref().map(|_| at(due)), ..order };
        }
        let (opens, late) = (Some(at(due - window)), Some(at(due + window + 1)));
        CareOrder { due: Some(at(due)), opens, late, ..order }
    };
    row.text("work_orders").split_whitespace().enumerate().map(read).collect()
}

/// Planned work due in the period, as known when the day `as_of` has begun and what was done on it is known.
fn planned_work(row: &Row) {
    let orders = orders(row);
    let now = at(day(row.text("as_of"))).plus_micros(1);
    let period =
        Period { from: at(day(row.text("period_from"))), until: at(day(row.text("period_to")) + 1), now };
    let found = figures(&orders, None, period);
    let compliance = of(&found, FigureName::Compliance);
    row.near_or_none("compliance", compliance.value, EXACT);
    row.near("on_time", compliance.numerator, EXACT);
    let open = row.number("still_open");
    assert_eq!((compliance.denominator + open).to_string(), row.text("due_count"), "{}", row.name());
    let said = |count: &str, one: &str, many: &str| match row.text(count) {
        "0" => None,
        "1" => Some(format!("1 {one}")),
        n => Some(format!("{n} {many}")),
    };
    let remarks = [
        said(
            "still_open",
            "order is still open inside its window",
            "orders are still open inside their windows",
        ),
        said("void", "order was left out with a reason", "orders were left out with a reason"),
    ];
    assert_eq!(compliance.remarks, remarks.into_iter().flatten().collect::<Vec<_>>(), "{}", row.name());
    // Of those not in time, which way is told by the orders behind.
    let behind = |is_it: &dyn Fn(&CareOrder) -> bool| {
        let of_it = |order: OrderNumber| is_it(&orders[usize::try_from(order.0).expect("a place")]);
        let found = compliance.orders.iter().filter(|behind| !behind.counts && of_it(behind.order));
        found.count().to_string()
    };
    let done = |order: &CareOrder| if let End::Closed(done) = order.end { Some(done) } else { None };
    row.says("early", &behind(&|order| done(order) < order.due && done(order).is_some()));
    row.says("late", &behind(&|order| done(order) > order.due));
    row.says("overdue_open", &behind(&|order| done(order).is_none()));
    row.near_or_none("delay_days", of(&found, FigureName::Lateness).value, EXACT);
    overdue(row, &orders, period);
}

/// Overdue is all that is open past its window; the check values count what was due in the period alone.
fn overdue(row: &Row, orders: &[CareOrder], period: Period) {
    let due = |order: &&CareOrder| order.due.is_some_and(|due| (period.from..period.until).contains(&due));
    let orders: Vec<CareOrder> = orders.iter().filter(due).cloned().collect();
    let found = figures(&orders, None, Period { until: period.now, ..period });
    let overdue = of(&found, FigureName::Overdue);
    row.near_or_none("overdue_days", overdue.value, EXACT);
    row.near("overdue_open", overdue.denominator, EXACT);
}

fn millis(hours: &str) -> i64 {
    Amount::parse(hours, Unit::Hours).expect("hours").0
}

fn minutes(hours: &str) -> u32 {
    u32::try_from(millis(hours) / MILLIS_PER_MINUTE).expect("minutes")
}

/// A machine whose failures follow each other from the period's beginning on, each raised, waited for and repaired
/// (`3.2+2.3`, hours), then its planned work; what is left of the period less its idle time it ran.
fn failures(row: &Row) {
    let mut orders: Vec<CareOrder> = Vec::new();
    let mut clock = 0;
    for token in row.text("failures").split_whitespace() {
        let (waited, repaired) = token.split_once('+').expect("WAIT+REPAIR");
        let opened = Ts(clock * MICROS_PER_MILLI);
        clock += millis(waited) + millis(repaired);
        let order = order(orders.len(), None, End::Closed(Ts(clock * MICROS_PER_MILLI)));
        let work = Work {
            as_found: AsFound::BrokeDown,
            minutes: minutes(repaired),
            used: Vec::new(),
            with_larger: false,
        };
        orders.push(CareOrder { opened, work: Some(work), ..order });
    }
    clock += millis(row.text("pm_downtime"));
    let planned = order(orders.len(), Some("oil"), End::Closed(Ts(clock * MICROS_PER_MILLI)));
    let took = minutes(row.text("pm_downtime"));
    let work = Work { as_found: AsFound::Good, minutes: took, used: Vec::new(), with_larger: false };
    orders.push(CareOrder { work: Some(work), ..planned });
    let all = millis(row.text("hours"));
    let ran = all - clock - millis(row.text("idle"));
    let run = Run { millis: [(key("M-01"), ran)].into(), ..Run::default() };
    let until = Ts(all * MICROS_PER_MILLI);
    let found = figures(&orders, Some(&run), Period { from: Ts(0), until, now: until });
    let value = |name: FigureName| of(&found, name).value;
    row.near("operating", of(&found, FigureName::BetweenFailures).numerator, EXACT);
    row.near_or_none("mtbf", value(FigureName::BetweenFailures), EXACT);
    row.near_or_none("mttr_repair", value(FigureName::Repair), EXACT);
    row.near_or_none("mttr_restore", value(FigureName::Restoration), EXACT);
    row.near_or_none("avail_failure", value(FigureName::Availability), EXACT);
    row.near_or_none("avail_operational", value(FigureName::OperationalAvailability), EXACT);
    row.near_or_none("avail_intrinsic", value(FigureName::IntrinsicAvailability), EXACT);
}

/// Computed by hand, in the sense of EN 13306, EN 15341 and IEC 60050-192.
#[test]
fn kpi() {
    for row in rows("kpi") {
        planned_work(&row);
        failures(&row);
    }
}
