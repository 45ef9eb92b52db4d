//! The figures of a period from its work orders and hours, each with its numerator, its denominator and the orders behind it.
//!
//! Sums are whole numbers (microseconds, milliseconds, thousandths) and become fractions at the end, so that whoever adds the
//! same orders in another order, or elsewhere, gets the same figure.

use super::availability::{availability, begun};
use super::remarks::{missing, said};
use super::standing::{End, Planned, Standing};
use super::uncertain::{between_failures_at_least, count_limits, share_limits};
use crate::ids::OrderNumber;
use crate::order::AsFound;
use crate::quantity::Amount;
use crate::text::{Key, Name};
use crate::time::{MICROS_PER_DAY, MICROS_PER_HOUR, Ts};
use std::collections::{BTreeMap, BTreeSet};

/// The ages by which overdue work is told apart, in days (own convention).
pub const AGES_DAYS: [i64; 2] = [7, 30];
/// Minutes of an hour.
const MINUTES: f64 = 60.0;
/// Microseconds of a millisecond, in which amounts of hours are kept.
const MICROS_PER_MILLI: i128 = 1_000;

/// An order as figures look at it.
#[derive(Clone, Debug, PartialEq)]
pub struct CareOrder {
    /// Its number.
    pub number: OrderNumber,
    /// The machine's tag.
    pub machine: Key,
    /// The machine's family; empty where none is stated.
    pub family: String,
    /// The task's key; none for one raised by hand.
    pub task: Option<Key>,
    /// When it was opened, or raised.
    pub opened: Ts,
    /// When it was due, as known at its closing, or now.
    pub due: Option<Ts>,
    /// From when on it might be done, as known then; none where that is not known, and then nothing is early.
    pub opens: Option<Ts>,
    /// From when on it was late, as known then.
    pub late: Option<Ts>,
    /// How it ended.
    pub end: End,
    /// When it was left out.
    pub left_out_at: Option<Ts>,
    /// What its closing says.
    pub work: Option<Work>,
}

/// What a closing says of the work.
#[derive(Clone, Debug, PartialEq)]
pub struct Work {
    /// How the part was found.
    pub as_found: AsFound,
    /// Minutes it took; 0 where not said.
    pub minutes: u32,
    /// What was used.
    pub used: Vec<Used>,
    /// Whether it was done with a larger order, whose closing says how long both took and what they used.
    pub with_larger: bool,
}

/// Something used, and what that costs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Used {
    /// The item.
    pub item: Name,
    /// How much, in thousandths of its unit, where it is an item that is counted so.
    pub amount: Option<Amount>,
    /// What a unit costs, in thousandths of the shop's money.
    pub unit_cost: Option<Amount>,
}

/// The hours that machines ran in a period.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Run {
    /// By machine, milliseconds.
    pub millis: BTreeMap<Key, i64>,
    /// Machines of which no hours are known for all of the period.
    pub not_known: BTreeSet<Key>,
    /// The family of each machine; empty where none is stated.
    pub families: BTreeMap<Key, String>,
    /// From when on anything is on record of a machine; one that is not named has been known for ever.
    pub since: BTreeMap<Key, Ts>,
    /// When machines must not start: from an instant up to another.
    pub forbidden: Vec<(Key, Ts, Ts)>,
}

impl Run {
    /// The machines that the hours are of, known or not.
    pub(super) fn machines(&self) -> BTreeSet<&Key> {
        self.millis.keys().chain(&self.not_known).collect()
    }

    /// What all of them ran, microseconds.
    pub(super) fn micros(&self) -> i128 {
        self.millis.values().map(|millis| i128::from(*millis) * MICROS_PER_MILLI).sum()
    }

    /// A remark on the machines of which hours are missing.
    pub(super) fn remarks(&self) -> Vec<String> {
        missing("hours are not known for all of the period of", self.not_known.iter())
    }
}

/// A period, and as of when it is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Period {
    /// Its first instant.
    pub from: Ts,
    /// The first instant after it.
    pub until: Ts,
    /// Now.
    pub now: Ts,
}

impl Period {
    fn holds(&self, at: Ts) -> bool {
        (self.from..self.until).contains(&at)
    }

    /// As of when what is open is looked at: the period's end, or now.
    pub(super) fn looked_at(&self) -> Ts {
        self.until.min(self.now)
    }
}

macro_rules! names {
    ($($(#[$doc:meta])* $name:ident = $word:literal in $unit:literal: $over:literal),+ $(,)?) => {
        /// Which figure.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
        pub enum FigureName { $($(#[$doc])* $name),+ }

        impl FigureName {
            /// Every figure, in the order in which they are shown.
            pub const ALL: &'static [FigureName] = &[$(FigureName::$name),+];
            /// The word for it.
            pub const fn word(self) -> &'static str { match self { $(FigureName::$name => $word),+ } }
            /// The unit of its value.
            pub const fn unit(self) -> &'static str { match self { $(FigureName::$name => $unit),+ } }
            /// What is divided by what.
            pub const fn over(self) -> &'static str { match self { $(FigureName::$name => $over),+ } }
        }
    };
}

names! {
    /// Planned work done inside its window.
    Compliance = "compliance" in "share": "planned orders due in the period and closed inside their windows / those due, less those still open inside them",
    /// Overdue work and its age.
    Overdue = "overdue" in "days": "days since the due points of planned orders open past their windows / those orders, at the period's end",
    /// How late work is done on average.
    Lateness = "lateness" in "days": "days from due point to closing, early ones below 0 / planned orders due in the period and closed",
    /// The share of planned work in all closings.
    PlannedShare = "planned_share" in "share": "closings of planned orders that had not broken down / all closings in the period",
    /// The share of planned work in all hours of work.
    PlannedHours = "planned_hours" in "share": "hours of work on planned orders that had not broken down / hours of work",
    /// The share of the time in which machines had not failed.
    Availability = "availability" in "share": "hours of the period less those in which machines stood failed, each from raising to closing, or must not start / hours of the period of all machines from their first record on",
    /// The share in which they had neither failed nor stood for planned work.
    OperationalAvailability = "operational_availability" in "share": "hours of the period less those of failures, of work on planned orders and in which machines must not start / hours of the period of all machines from their first record on",
    /// Operation over operation and failures.
    IntrinsicAvailability = "intrinsic_availability" in "share": "hours of operation / hours of operation and those in which the same machines stood failed",
    /// Operation between failures.
    BetweenFailures = "between_failures" in "h": "hours of operation / closings as found broke down",
    /// Time to repair, hands on.
    Repair = "repair" in "h": "hours of work at closings as found broke down / those that say how long it took",
    /// Time from a failure's raising to running again.
    Restoration = "restoration" in "h": "hours from raising to closing / raised orders closed as found broke down",
    /// Hours of work.
    WorkHours = "work_hours" in "h": "hours of work / closings that say how long it took",
    /// What the used items cost.
    Consumables = "consumables_cost" in "money": "cost of the items used / closings that used something",
    /// How often something was found worse than good.
    Findings = "findings_rate" in "share": "closings of planned orders as found worn, failed or broke down / closings of planned orders",
}

/// An order behind a figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Behind {
    /// Its number.
    pub order: OrderNumber,
    /// Whether it counts in the numerator of a share; of an availability none does, as its hours are those taken off. Always so
    /// elsewhere.
    pub counts: bool,
}

/// A figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Which.
    pub name: FigureName,
    /// What is divided.
    pub numerator: f64,
    /// By what.
    pub denominator: f64,
    /// The figure; none where there is nothing to divide by. Hours of work and costs are totals, the numerator itself.
    pub value: Option<f64>,
    /// 95 % limits, where there is a sense in them; a lower one alone where nothing failed.
    pub limits: (Option<f64>, Option<f64>),
    /// The orders behind it, by number.
    pub orders: Vec<Behind>,
    /// What is missing, and what else to know.
    pub remarks: Vec<String>,
    /// Whether it rests on hours that are not known for all of the period.
    pub hours_missing: bool,
}

/// All figures of some orders and machines in a period. Hours are left out (none) where orders are not of whole machines.
pub fn figures(orders: &[CareOrder], run: Option<&Run>, period: Period) -> Vec<Figure> {
    let mut all: Vec<&CareOrder> = orders.iter().collect();
    all.sort_by_key(|order| order.number);
    let closed: Vec<Closed<'_>> = all.iter().filter_map(|order| Closed::of(order, period)).collect();
    let mut found = vec![compliance(&all, period), overdue(&all, period), lateness(&all, period)];
    found.extend([planned_share(&closed), planned_hours(&closed)]);
    if let Some(run) = run {
        found.extend(availability(&all, &closed, run, period));
        found.push(between_failures(&closed, run));
    }
    found.extend([
        repair(&closed),
        restoration(&closed),
        work_hours(&closed),
        consumables(&closed),
        findings(&closed),
    ]);
    found
}

/// An order closed in the period.
pub(super) struct Closed<'o> {
    pub(super) order: &'o CareOrder,
    work: &'o Work,
    pub(super) done: Ts,
}

impl<'o> Closed<'o> {
    fn of(order: &'o CareOrder, period: Period) -> Option<Closed<'o>> {
        match (order.end, &order.work) {
            (End::Closed(done), Some(work)) if period.holds(done) => Some(Closed { order, work, done }),
            (End::Closed(_) | End::Open | End::LeftOut, _) => None,
        }
    }

    pub(super) fn broke_down(&self) -> bool {
        self.order.broke_down()
    }

    pub(super) fn planned(&self) -> bool {
        self.order.is_planned_work()
    }

    fn behind(&self, counts: bool) -> Behind {
        Behind { order: self.order.number, counts }
    }
}

impl CareOrder {
    /// As planned work with a due point and a window; none for raised orders, and where nothing is known to measure by.
    fn planned(&self) -> Option<Planned> {
        self.task.as_ref()?;
        let due = self.due?;
        // Of what is not yet late no instant is known at which it becomes so: it is in time.
        let late = self.late.unwrap_or(Ts::MAX);
        Some(Planned { due, opens: self.opens.unwrap_or(Ts(i64::MIN)), late, end: self.end })
    }

    fn broke_down(&self) -> bool {
        self.work.as_ref().is_some_and(|work| work.as_found == AsFound::BrokeDown)
    }

    /// Planned work: of a task, and not because something had broken down.
    pub(super) fn is_planned_work(&self) -> bool {
        self.task.is_some() && !self.broke_down()
    }

    /// Since when its machine stood failed, where it is closed as broke down and was raised for that. Who finds a failure at a
    /// task's order does not say when it began.
    pub(super) fn failed_from(&self) -> Option<Ts> {
        (self.broke_down() && self.task.is_none()).then_some(self.opened)
    }
}

fn ratio(numerator: f64, denominator: usize) -> Option<f64> {
    (denominator > 0).then(|| numerator / crate::statistics::number(denominator))
}

#[expect(clippy::cast_precision_loss, reason = "sums of a site's period have 53 bits")]
fn as_f64(sum: i128) -> f64 {
    sum as f64
}

/// Microseconds as hours.
pub(super) fn in_hours(micros: i128) -> f64 {
    as_f64(micros) / as_f64(MICROS_PER_HOUR.into())
}

fn share(name: FigureName, orders: Vec<Behind>, remarks: Vec<String>) -> Figure {
    let counted = orders.iter().filter(|behind| behind.counts).count();
    let (numerator, all) = (crate::statistics::number(counted), orders.len());
    let limits = share_limits(counted, all).map_or((None, None), |(low, high)| (Some(low), Some(high)));
    let (value, denominator) = (ratio(numerator, all), crate::statistics::number(all));
    Figure { name, numerator, denominator, value, limits, orders, remarks, hours_missing: false }
}

fn mean_of(name: FigureName, numerator: f64, orders: Vec<Behind>, remarks: Vec<String>) -> Figure {
    let denominator = crate::statistics::number(orders.len());
    let value = ratio(numerator, orders.len());
    let limits = (None, None);
    Figure { name, numerator, denominator, value, limits, orders, remarks, hours_missing: false }
}

fn total_of(name: FigureName, numerator: f64, orders: Vec<Behind>, remarks: Vec<String>) -> Figure {
    Figure { value: Some(numerator), ..mean_of(name, numerator, orders, remarks) }
}

fn compliance(orders: &[&CareOrder], period: Period) -> Figure {
    let (mut behind, mut open, mut left_out, mut unmeasured) = (Vec::new(), 0, 0, 0);
    for order in orders {
        left_out += usize::from(order.left_out_at.is_some_and(|at| period.holds(at)));
        let Some(planned) = order.planned() else {
            let of_period = Closed::of(order, period).is_some();
            unmeasured += usize::from(of_period && order.task.is_some());
            continue;
        };
        if !period.holds(planned.due) {
            continue;
        }
        match planned.standing(period.now) {
            None => {}
            Some(Standing::StillOpen) => open += 1,
            Some(standing) => {
                behind.push(Behind { order: order.number, counts: standing == Standing::OnTime });
            }
        }
    }
    let remarks = [
        said(open, "order is still open inside its window", "orders are still open inside their windows"),
        said(left_out, "order was left out with a reason", "orders were left out with a reason"),
        said(
            unmeasured,
            "closing has no due point to measure by",
            "closings have no due point to measure by",
        ),
    ];
    share(FigureName::Compliance, behind, remarks.into_iter().flatten().collect())
}

fn overdue(orders: &[&CareOrder], period: Period) -> Figure {
    let at = period.looked_at();
    let (mut behind, mut micros, mut ages) = (Vec::new(), 0_i128, [0_usize; 3]);
    for order in orders {
        let Some(planned) = order.planned() else { continue };
        // What was done later was open then.
        let end = match planned.end {
            End::Closed(done) if done >= at => End::Open,
            end @ (End::Closed(_) | End::Open | End::LeftOut) => end,
        };
        if (Planned { end, ..planned }).standing(at) == Some(Standing::Overdue) {
            let age = at.micros_since(planned.due);
            micros += i128::from(age);
            ages[AGES_DAYS.iter().filter(|days| age > **days * MICROS_PER_DAY).count()] += 1;
            behind.push(Behind { order: order.number, counts: true });
        }
    }
    let [week, month] = AGES_DAYS;
    let remarks = [
        (ages[0], format!("for up to {week} days")),
        (ages[1], format!("for up to {month} days")),
        (ages[2], format!("for longer than {month} days")),
    ];
    let remarks =
        remarks.into_iter().filter(|(count, _)| *count > 0).map(|(count, text)| format!("{count} {text}"));
    mean_of(FigureName::Overdue, as_f64(micros) / as_f64(MICROS_PER_DAY.into()), behind, remarks.collect())
}

fn lateness(orders: &[&CareOrder], period: Period) -> Figure {
    let (mut behind, mut micros) = (Vec::new(), 0_i128);
    for order in orders {
        let Some(planned) = order.planned().filter(|planned| period.holds(planned.due)) else { continue };
        if let End::Closed(done) = planned.end {
            micros += i128::from(done.micros_since(planned.due));
            behind.push(Behind { order: order.number, counts: true });
        }
    }
    mean_of(FigureName::Lateness, as_f64(micros) / as_f64(MICROS_PER_DAY.into()), behind, Vec::new())
}

fn planned_share(closed: &[Closed<'_>]) -> Figure {
    share(FigureName::PlannedShare, closed.iter().map(|one| one.behind(one.planned())).collect(), Vec::new())
}

/// Closings that say how long they took, their hours, and a remark on the others.
pub(super) fn timed<'c, 'o>(
    closed: impl IntoIterator<Item = &'c Closed<'o>>,
) -> (Vec<&'c Closed<'o>>, Vec<String>)
where
    'o: 'c,
{
    let (timed, untimed): (Vec<_>, Vec<_>) = closed.into_iter().partition(|one| one.work.minutes > 0);
    let remark = said(
        untimed.iter().filter(|one| !one.work.with_larger).count(),
        "closing does not say how long it took",
        "closings do not say how long they took",
    );
    (timed, remark.into_iter().collect())
}

fn hours<'c, 'o: 'c>(closed: impl IntoIterator<Item = &'c &'c Closed<'o>>) -> f64 {
    let minutes: i128 = closed.into_iter().map(|one| i128::from(one.work.minutes)).sum();
    as_f64(minutes) / MINUTES
}

fn planned_hours(closed: &[Closed<'_>]) -> Figure {
    let (timed, remarks) = timed(closed);
    let planned: Vec<&Closed<'_>> = timed.iter().copied().filter(|one| one.planned()).collect();
    let (numerator, denominator) = (hours(&planned), hours(&timed));
    let value = (denominator > 0.0).then(|| numerator / denominator);
    let orders = timed.iter().map(|one| one.behind(one.planned())).collect();
    Figure {
        name: FigureName::PlannedHours,
        numerator,
        denominator,
        value,
        limits: (None, None),
        orders,
        remarks,
        hours_missing: false,
    }
}

fn between_failures(closed: &[Closed<'_>], run: &Run) -> Figure {
    let orders: Vec<Behind> =
        closed.iter().filter(|one| one.broke_down()).map(|one| one.behind(true)).collect();
    let numerator = in_hours(run.micros());
    let mut remarks = run.remarks();
    let limits = if orders.is_empty() {
        remarks.push("no failure: at least the lower limit, with 95 % confidence".to_owned());
        ((numerator > 0.0).then(|| between_failures_at_least(numerator)), None)
    } else {
        let (low, high) = count_limits(orders.len());
        (Some(numerator / high), Some(numerator / low))
    };
    let hours_missing = !run.not_known.is_empty();
    Figure { limits, hours_missing, ..mean_of(FigureName::BetweenFailures, numerator, orders, remarks) }
}

fn repair(closed: &[Closed<'_>]) -> Figure {
    let (timed, remarks) = timed(closed.iter().filter(|one| one.broke_down()));
    let orders = timed.iter().map(|one| one.behind(true)).collect();
    mean_of(FigureName::Repair, hours(&timed), orders, remarks)
}

fn restoration(closed: &[Closed<'_>]) -> Figure {
    let (begun, remarks) = begun(closed);
    let micros = begun.iter().map(|one| i128::from(one.done.micros_since(one.order.opened))).sum();
    let orders = begun.iter().map(|one| one.behind(true)).collect();
    mean_of(FigureName::Restoration, in_hours(micros), orders, remarks)
}

fn work_hours(closed: &[Closed<'_>]) -> Figure {
    let (timed, remarks) = timed(closed);
    let orders = timed.iter().map(|one| one.behind(true)).collect();
    total_of(FigureName::WorkHours, hours(&timed), orders, remarks)
}

fn consumables(closed: &[Closed<'_>]) -> Figure {
    let using: Vec<&Closed<'_>> = closed.iter().filter(|one| !one.work.used.is_empty()).collect();
    let used = || using.iter().flat_map(|one| &one.work.used);
    let cost = |used: &Used| Some(i128::from(used.amount?.0) * i128::from(used.unit_cost?.0));
    let costs: Vec<i128> = used().filter_map(cost).collect();
    let unknown = used().filter(|used| cost(used).is_none()).map(|used| used.item.as_str());
    let remarks = missing("no cost is known of", unknown);
    let orders = using.iter().map(|one| one.behind(true)).collect();
    let found = total_of(FigureName::Consumables, as_f64(costs.iter().sum()) / 1e6, orders, remarks);
    // Where something was used and no cost is known of any of it, it did not cost nothing.
    let value = found.value.filter(|_| using.is_empty() || !costs.is_empty());
    Figure { value, ..found }
}

fn findings(closed: &[Closed<'_>]) -> Figure {
    let of_tasks = closed.iter().filter(|one| one.order.task.is_some());
    let orders = of_tasks.map(|one| one.behind(one.work.as_found != AsFound::Good)).collect();
    share(FigureName::Findings, orders, Vec::new())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(day: i64) -> Ts {
        Ts(day * MICROS_PER_DAY)
    }

    fn order(number: i64, due: i64, done: Option<i64>) -> CareOrder {
        let work = Work { as_found: AsFound::Good, minutes: 30, used: Vec::new(), with_larger: false };
        CareOrder {
            number: OrderNumber(number),
            machine: Key::new("M1").expect("a key"),
            family: String::new(),
            task: Some(Key::new("oil").expect("a key")),
            opened: day(0),
            due: Some(day(due)),
            opens: None,
            late: Some(day(due + 2)),
            end: done.map_or(End::Open, |done| End::Closed(day(done))),
            left_out_at: None,
            work: done.map(|_| work),
        }
    }

    fn of(found: &[Figure], name: FigureName) -> &Figure {
        found.iter().find(|figure| figure.name == name).expect("a figure")
    }

    const MARCH: Period = Period {
        from: Ts(100 * MICROS_PER_DAY),
        until: Ts(131 * MICROS_PER_DAY),
        now: Ts(140 * MICROS_PER_DAY),
    };

    /// Worked by hand: 1 in time, 1 three days late, 1 overdue since day 110, 1 due in another month.
    #[test]
    fn a_month_by_hand() {
        let orders =
            [order(4, 110, None), order(1, 101, Some(101)), order(2, 105, Some(108)), order(3, 99, Some(99))];
        let run =
            Run { millis: [(Key::new("M1").expect("a key"), 3_600_000 * 299)].into(), ..Run::default() };
        let found = figures(&orders, Some(&run), MARCH);
        let compliance = of(&found, FigureName::Compliance);
        assert_eq!((compliance.numerator, compliance.denominator), (1.0, 3.0));
        let shown: Vec<(i64, bool)> = compliance.orders.iter().map(|b| (b.order.0, b.counts)).collect();
        assert_eq!(shown, [(1, true), (2, false), (4, false)]);
        let overdue = of(&found, FigureName::Overdue);
        assert_eq!((overdue.value, overdue.remarks.join(";")), (Some(21.0), "1 for up to 30 days".into()));
        assert_eq!(of(&found, FigureName::Lateness).value, Some(1.5));
        assert_eq!(of(&found, FigureName::WorkHours).value, Some(1.0));
        let between = of(&found, FigureName::BetweenFailures);
        assert_eq!((between.value, between.limits.1), (None, None));
        assert!((between.limits.0.expect("a least") - 299.0 / 2.995_732).abs() < 1e-3);
    }

    /// Early is what was done before the window that was known at the closing opened; where none was known, nothing is.
    #[test]
    fn what_is_done_before_its_window_is_not_in_time() {
        let early = |opens| CareOrder { opens, ..order(1, 110, Some(108)) };
        let counted = |opens| {
            let found = figures(&[early(opens)], None, MARCH);
            of(&found, FigureName::Compliance).value
        };
        assert_eq!(counted(Some(day(108).plus_micros(1))), Some(0.0));
        assert_eq!(counted(Some(day(108))), Some(1.0));
        assert_eq!(counted(None), Some(1.0));
    }

    /// An order that was mended after it broke down is no planned work; a raised one tells from when on it stood.
    #[test]
    fn breakdowns_are_unplanned() {
        let mut raised = order(2, 105, Some(106));
        raised.task = None;
        raised.opened = day(105);
        let mut broke = order(1, 101, Some(101));
        for order in [&mut raised, &mut broke] {
            order.work.as_mut().expect("work").as_found = AsFound::BrokeDown;
        }
        let used = |item: &str, cost: Option<i64>| Used {
            item: Name::new(item).expect("a name"),
            amount: Some(Amount(1_500)),
            unit_cost: cost.map(Amount),
        };
        raised.work.as_mut().expect("work").used = vec![used("oil", Some(4_000)), used("rag", None)];
        let found = figures(&[raised, broke, order(3, 103, Some(103))], Some(&Run::default()), MARCH);
        assert_eq!(of(&found, FigureName::PlannedShare).value, Some(1.0 / 3.0));
        assert_eq!(of(&found, FigureName::Restoration).value, Some(24.0));
        assert_eq!(of(&found, FigureName::Repair).value, Some(0.5));
        let cost = of(&found, FigureName::Consumables);
        assert_eq!((cost.value, cost.remarks.join(";")), (Some(6.0), "no cost is known of rag".into()));
        let mut unknown = order(4, 103, Some(103));
        unknown.work.as_mut().expect("work").used = vec![used("rag", None)];
        let dear = figures(&[unknown], None, MARCH);
        assert_eq!(of(&dear, FigureName::Consumables).value, None, "not 0.00: nobody knows");
        assert_eq!(
            of(&figures(&[], None, MARCH), FigureName::Consumables).value,
            Some(0.0),
            "nothing was used"
        );
        assert_eq!(of(&found, FigureName::Findings).value, Some(0.5));
        assert_eq!(of(&found, FigureName::Compliance).orders.len(), 2);
    }

    /// What was done after the period was open at its end; what was left out counts nowhere, and is told.
    #[test]
    fn the_end_of_the_period_is_what_overdue_means() {
        let mut skipped = order(2, 120, None);
        (skipped.end, skipped.left_out_at) = (End::LeftOut, Some(day(121)));
        let found = figures(&[order(1, 120, Some(135)), skipped], None, MARCH);
        assert_eq!(of(&found, FigureName::Overdue).orders.len(), 1);
        let compliance = of(&found, FigureName::Compliance);
        assert_eq!(
            (compliance.denominator, compliance.remarks.join(";")),
            (1.0, "1 order was left out with a reason".into())
        );
        assert!(found.iter().all(|figure| figure.name != FigureName::BetweenFailures));
    }
}
