//! Availability: in how much of the time machines had not failed, and stood for no planned work.
//!
//! Time is that of the calendar, of each machine from its first record on: of what was before nothing is known. A machine that
//! must not start is not able to do what is asked of it, which EN 13306 calls a down state (from memory), whatever the reason. A machine stands failed from the raising of an order to its closing as found broke down, and
//! stands for planned work as long as the closing says that it took, up to when it was done. An hour of a machine counts once,
//! however many orders tell of it. What is not closed yet is not known to be a failure.

use super::care::{Behind, CareOrder, Closed, Figure, FigureName, Period, Run, in_hours, timed};
use super::remarks::{missing, said};
use super::standing::End;
use crate::ids::OrderNumber;
use crate::text::Key;
use crate::time::{MICROS_PER_MINUTE, Ts};

/// A span of the period in which a machine stood, and the order that tells of it, where one does.
#[derive(Clone, Copy)]
struct Stood<'o> {
    machine: &'o Key,
    from: Ts,
    until: Ts,
    order: Option<OrderNumber>,
}

/// From when on a machine is looked at: the period's begin, or its first record.
fn known_from(machine: &Key, run: &Run, period: Period) -> Ts {
    run.since.get(machine).map_or(period.from, |first| period.from.max(*first))
}

/// The span as far as it lies where its machine is looked at.
fn within<'o>(span: Stood<'o>, run: &Run, period: Period) -> Option<Stood<'o>> {
    let from = span.from.max(known_from(span.machine, run, period));
    let until = span.until.min(period.looked_at());
    (from < until).then_some(Stood { from, until, ..span })
}

/// Remarks on machines of which nothing, or not all of the period, is on record, and on those that must not start.
fn told_of<'r>(run: &'r Run, period: Period, down: &[Stood<'_>]) -> Vec<String> {
    let first = |machine: &Key| known_from(machine, run, period);
    let (unknown, later): (Vec<&'r Key>, Vec<&'r Key>) = run
        .machines()
        .into_iter()
        .filter(|machine| first(machine) > period.from)
        .partition(|machine| first(machine) >= period.looked_at());
    let mut all = missing("nothing is on record from the period or before it of", unknown.into_iter());
    all.extend(missing("the period begins with the first record of", later.into_iter()));
    all.extend(missing("must not start for some of it:", down.iter().map(|span| span.machine)));
    all
}

/// How an order's machine stood in the period, from an instant to its closing; none where that lies outside.
fn stood(order: &CareOrder, from: Ts, period: Period) -> Option<Stood<'_>> {
    let End::Closed(done) = order.end else { return None };
    let (from, until) = (from.max(period.from), done.min(period.looked_at()));
    (from < until).then_some(Stood { machine: &order.machine, from, until, order: Some(order.number) })
}

fn failed(order: &CareOrder, period: Period) -> Option<Stood<'_>> {
    stood(order, order.failed_from()?, period)
}

fn worked_on(order: &CareOrder, period: Period) -> Option<Stood<'_>> {
    let (End::Closed(done), Some(work)) = (order.end, &order.work) else { return None };
    let from = done.plus_micros(-i64::from(work.minutes) * MICROS_PER_MINUTE);
    order.is_planned_work().then(|| stood(order, from, period)).flatten()
}

/// For how long machines stood in all: what several orders tell of a machine counts once.
fn micros(spans: &[Stood<'_>]) -> i128 {
    let mut spans = spans.to_vec();
    spans.sort_by_key(|span| (span.machine, span.from));
    let (mut sum, mut before): (i128, Option<Stood<'_>>) = (0, None);
    for span in spans {
        let counted = before.filter(|before| before.machine == span.machine).map_or(span.from, |b| b.until);
        let until = span.until.max(counted);
        sum += i128::from(until.micros_since(span.from.max(counted)));
        before = Some(Stood { until, ..span });
    }
    sum
}

/// Failures that say when they began, and a remark on the others: a failure begins when its order is raised.
pub(super) fn begun<'c, 'o>(closed: &'c [Closed<'o>]) -> (Vec<&'c Closed<'o>>, Vec<String>) {
    let failures = closed.iter().filter(|one| one.broke_down());
    let (begun, without): (Vec<_>, Vec<_>) =
        failures.partition(|one| one.order.failed_from().is_some_and(|began| began <= one.done));
    let remark = said(
        without.len(),
        "failure was not raised before it was mended: nobody said when it began",
        "failures were not raised before they were mended: nobody said when they began",
    );
    (begun, remark.into_iter().collect())
}

/// The three availabilities of the machines whose hours are given. `closed` are the orders closed in the period.
pub(super) fn availability(
    orders: &[&CareOrder],
    closed: &[Closed<'_>],
    run: &Run,
    period: Period,
) -> [Figure; 3] {
    let machines = run.machines();
    let here = || orders.iter().copied().filter(|order| machines.contains(&order.machine));
    let clip = |span| within(span, run, period);
    let failed: Vec<Stood<'_>> = here().filter_map(|order| failed(order, period)).filter_map(clip).collect();
    let of_running: Vec<Stood<'_>> =
        failed.iter().copied().filter(|span| run.millis.contains_key(span.machine)).collect();
    let forbidden = run.forbidden.iter().map(|(machine, from, until)| {
        let (from, until) = (*from, *until);
        Stood { machine, from, until, order: None }
    });
    let forbidden: Vec<Stood<'_>> = forbidden.filter_map(clip).collect();
    let told = told_of(run, period, &forbidden);
    let down = [failed, forbidden].concat();
    let mut all = down.clone();
    all.extend(here().filter_map(|order| worked_on(order, period)).filter_map(clip));

    let length = |machine: &Key| period.looked_at().micros_since(known_from(machine, run, period)).max(0);
    let whole: i128 = machines.iter().map(|machine| i128::from(length(machine))).sum();
    let (_, no_begin) = begun(closed);
    let (_, untimed) = timed(closed.iter().filter(|one| one.planned()));
    let intrinsic = [no_begin.clone(), run.remarks()].concat();
    let (ran, stopped) = (run.micros(), micros(&of_running));
    [
        figure(
            FigureName::Availability,
            whole - micros(&down),
            whole,
            &down,
            [told.clone(), no_begin.clone()].concat(),
        ),
        figure(
            FigureName::OperationalAvailability,
            whole - micros(&all),
            whole,
            &all,
            [told, no_begin, untimed].concat(),
        ),
        Figure {
            hours_missing: !run.not_known.is_empty(),
            ..figure(FigureName::IntrinsicAvailability, ran, ran + stopped, &of_running, intrinsic)
        },
    ]
}

fn figure(
    name: FigureName,
    numerator: i128,
    denominator: i128,
    behind: &[Stood<'_>],
    remarks: Vec<String>,
) -> Figure {
    let told = behind.iter().filter_map(|span| span.order);
    let mut orders: Vec<Behind> = told.map(|order| Behind { order, counts: false }).collect();
    orders.sort_unstable();
    let (numerator, denominator) = (in_hours(numerator), in_hours(denominator));
    let value = (denominator > 0.0).then(|| numerator / denominator);
    let limits = (None, None);
    Figure { name, numerator, denominator, value, limits, orders, remarks, hours_missing: false }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figures::care::{Work, figures};
    use crate::order::AsFound;
    use crate::time::MICROS_PER_HOUR;

    fn hour(hour: i64) -> Ts {
        Ts(hour * MICROS_PER_HOUR)
    }

    fn key(text: &str) -> Key {
        Key::new(text).expect("a key")
    }

    /// An order raised at an hour, or one of a task that took from that hour on, and done at another.
    fn order(number: i64, machine: &str, planned: bool, from: i64, done: i64) -> CareOrder {
        let as_found = if planned { AsFound::Good } else { AsFound::BrokeDown };
        let minutes = if planned { u32::try_from((done - from) * 60).expect("minutes") } else { 0 };
        CareOrder {
            number: OrderNumber(number),
            machine: key(machine),
            family: String::new(),
            task: planned.then(|| key("oil")),
            opened: hour(from),
            due: None,
            opens: None,
            late: None,
            end: End::Closed(hour(done)),
            left_out_at: None,
            work: Some(Work { as_found, minutes, used: Vec::new(), with_larger: false }),
        }
    }

    fn check(orders: &[CareOrder], run: &Run, expect: [(f64, f64, &[i64]); 3]) {
        let period = Period { from: hour(100), until: hour(200), now: hour(300) };
        let found = figures(orders, Some(run), period);
        let names = [
            FigureName::Availability,
            FigureName::OperationalAvailability,
            FigureName::IntrinsicAvailability,
        ];
        for (name, (numerator, denominator, numbers)) in names.into_iter().zip(expect) {
            let figure = found.iter().find(|figure| figure.name == name).expect("a figure");
            let shown: Vec<i64> = figure.orders.iter().map(|behind| behind.order.0).collect();
            let parts = (figure.numerator, figure.denominator);
            assert_eq!((parts, shown.as_slice()), ((numerator, denominator), numbers), "{}", name.word());
            assert_eq!(figure.value, (denominator > 0.0).then(|| numerator / denominator));
            assert!(figure.orders.iter().all(|behind| !behind.counts));
        }
    }

    /// By hand, of 100 hours: what lies outside them, and what two orders tell of one machine, counts once or not at all.
    #[test]
    fn an_hour_of_a_machine_counts_once() {
        let ran = |machines: &[&str]| Run {
            millis: machines.iter().map(|tag| (key(tag), 30 * 3_600_000)).collect(),
            not_known: [key("M-2")].into(),
            ..Run::default()
        };
        let orders = [
            order(5, "M-1", true, 118, 123),  // 3 h of them not failed
            order(1, "M-1", false, 90, 104),  // 4 h inside
            order(2, "M-1", false, 110, 120), // 10 h
            order(3, "M-1", false, 112, 115), // the same hours
            order(4, "M-1", false, 195, 250), // 5 h inside
            order(6, "M-2", false, 150, 152), // another machine, of which no hours are known
            order(7, "M-3", false, 150, 160), // one that is not asked about
            order(8, "M-1", false, 60, 80),   // before
        ];
        check(
            &orders,
            &ran(&["M-1"]),
            [
                (179.0, 200.0, &[1, 2, 3, 4, 6]),
                (176.0, 200.0, &[1, 2, 3, 4, 5, 6]),
                (30.0, 49.0, &[1, 2, 3, 4]),
            ],
        );
        check(&[], &Run::default(), [(0.0, 0.0, &[]); 3]);
    }

    /// By hand: of 100 hours M-1 has been on record for 60 and must not start for 10, of which it stood failed for 2; of M-2
    /// the first record is of after them, so that nothing is known of it.
    #[test]
    fn what_was_before_the_first_record_is_not_known_and_what_must_not_start_is_not_available() {
        let run = Run {
            millis: [(key("M-1"), 30 * 3_600_000)].into(),
            not_known: [key("M-2")].into(),
            since: [(key("M-1"), hour(140)), (key("M-2"), hour(200))].into(),
            forbidden: vec![(key("M-1"), hour(150), hour(160)), (key("M-2"), hour(210), hour(220))],
            ..Run::default()
        };
        let orders = [order(1, "M-1", false, 158, 160), order(2, "M-1", true, 139, 142)];
        check(&orders, &run, [(50.0, 60.0, &[1]), (48.0, 60.0, &[1, 2]), (30.0, 32.0, &[1])]);
        let period = Period { from: hour(100), until: hour(200), now: hour(300) };
        let found = figures(&orders, Some(&run), period);
        let of = |found: &[Figure], name| found.iter().find(|figure| figure.name == name).cloned();
        let remarks = of(&found, FigureName::Availability).expect("a figure").remarks;
        let expect = [
            "nothing is on record from the period or before it of M-2",
            "the period begins with the first record of M-1",
            "must not start for some of it: M-1",
        ];
        assert_eq!(remarks, expect);
        assert!(of(&found, FigureName::BetweenFailures).expect("a figure").hours_missing);

        let before = Period { from: hour(0), until: hour(100), now: hour(300) };
        let found = figures(&[], Some(&run), before);
        for name in [FigureName::Availability, FigureName::OperationalAvailability] {
            let figure = of(&found, name).expect("a figure");
            assert_eq!(figure.value, None, "nothing is known of that time");
            assert_eq!(figure.remarks, ["nothing is on record from the period or before it of M-1, M-2"]);
        }
    }

    /// A failure found at a task's order has no beginning, and is told instead of counted.
    #[test]
    fn a_failure_without_a_beginning_is_told() {
        let mut found = order(1, "M-1", true, 110, 112);
        found.work.as_mut().expect("work").as_found = AsFound::BrokeDown;
        let run = Run { millis: [(key("M-1"), 0)].into(), ..Run::default() };
        let period = Period { from: hour(100), until: hour(200), now: hour(150) };
        let figures = figures(&[found], Some(&run), period);
        let availability = figures.iter().find(|figure| figure.name == FigureName::Availability);
        let availability = availability.expect("a figure");
        assert_eq!((availability.numerator, availability.denominator), (50.0, 50.0), "up to now");
        let remark = "1 failure was not raised before it was mended: nobody said when it began";
        assert_eq!(availability.remarks, [remark]);
    }
}
