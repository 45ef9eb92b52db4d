//! Cases to fleets, and their forecasts, on all cores: the figures of a fleet are taken once for each instant asked of it.

use super::{cases::Case, reports::Fleet};
use crate::exit::{Complaint, Failure};
use fettler_domain::{
    forecast::{Days, Due, FleetFigures, Outlook, Quantiles, Usage},
    time::Ts,
};
use std::{
    collections::{BTreeMap, BTreeSet},
    sync::atomic::{AtomicUsize, Ordering},
    thread,
};

/// The deciles beside p10, p50 and p90, in hundredths.
pub(crate) const DECILES_BETWEEN: [u8; 6] = [20, 30, 40, 60, 70, 80];
/// How many unknown machines are told.
const TOLD_MAX: usize = 20;

/// What is forecast of a case.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Forecast {
    /// Days from the cut.
    pub(crate) quantiles: Quantiles,
    /// The deciles between them, if they were asked for.
    pub(crate) between: Vec<Option<Days>>,
}

/// Cases with the fleets they are asked of.
pub(crate) struct Asked<'a> {
    /// In the order of the file.
    pub(crate) cases: Vec<(&'a Case, &'a Fleet)>,
    /// Datasets of which no machine is in any fleet, with the number of their cases. They are not forecast.
    pub(crate) left_out: BTreeMap<&'a str, usize>,
}

/// Finds the fleet of each case: the one that has its machine. A machine that none has is taken to be new in the fleet
/// of its dataset.
pub(crate) fn assign<'a>(cases: &'a [Case], fleets: &'a [Fleet]) -> Result<Asked<'a>, Failure> {
    let of_machine = |case: &Case| -> Vec<&'a Fleet> {
        fleets.iter().filter(|fleet| fleet.machines.contains_key(&case.machine)).collect()
    };
    let mut of_dataset: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for case in cases {
        let files = of_machine(case).into_iter().map(|fleet| fleet.file.as_str());
        of_dataset.entry(&case.dataset).or_default().extend(files);
    }
    let mut asked = Asked { cases: Vec::with_capacity(cases.len()), left_out: BTreeMap::new() };
    let mut unclear = BTreeMap::new();
    for case in cases {
        let files = &of_dataset[case.dataset.as_str()];
        let of_its_dataset = || fleets.iter().filter(|fleet| files.contains(fleet.file.as_str()));
        match of_machine(case).as_slice() {
            [fleet] => asked.cases.push((case, fleet)),
            [] if files.is_empty() => *asked.left_out.entry(&case.dataset).or_default() += 1,
            [] if files.len() == 1 => asked.cases.extend(of_its_dataset().map(|fleet| (case, fleet))),
            [] => {
                unclear.insert(&case.machine, "is in no reports file; give the one that has it");
            }
            [_, _, ..] => {
                unclear.insert(&case.machine, "is in several reports files; keep it in one");
            }
        }
    }
    if !unclear.is_empty() {
        let told = |(machine, what): (&String, &str)| (format!("machine `{machine}`"), what.to_owned());
        let fields = unclear.into_iter().take(TOLD_MAX).map(told).collect();
        let message = "the fleet of some cases is not clear, so nothing was forecast";
        return Err(Failure::Usage(Complaint { fields, ..Complaint::new(message) }));
    }
    if asked.cases.is_empty() {
        let files: Vec<&str> = fleets.iter().map(|fleet| fleet.file.as_str()).collect();
        return Err(Failure::usage(format!(
            "no machine of the cases is in `{}`; give the reports that belong to them",
            files.join("`, `")
        )));
    }
    Ok(asked)
}

/// The forecasts, in the order of the cases.
pub(crate) fn forecasts(asked: &Asked<'_>, deciles: bool) -> Vec<Forecast> {
    let mut groups: BTreeMap<(&str, Ts), Vec<usize>> = BTreeMap::new();
    for (at, (case, fleet)) in asked.cases.iter().enumerate() {
        groups.entry((&fleet.file, case.cut)).or_default().push(at);
    }
    let groups: Vec<Vec<usize>> = groups.into_values().collect();
    let next = AtomicUsize::new(0);
    let work = || {
        let mut made = Vec::new();
        while let Some(group) = groups.get(next.fetch_add(1, Ordering::Relaxed)) {
            made.extend(of_group(asked, group, deciles));
        }
        made
    };
    let threads = thread::available_parallelism().map_or(1, usize::from).min(groups.len());
    let mut made: Vec<(usize, Forecast)> = thread::scope(|scope| {
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        let join = |worker: thread::ScopedJoinHandle<'_, Vec<_>>| {
            worker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
        };
        workers.into_iter().flat_map(join).collect()
    });
    made.sort_unstable_by_key(|(at, _)| *at);
    made.into_iter().map(|(_, forecast)| forecast).collect()
}

/// The forecasts of cases of one fleet at one instant.
fn of_group(asked: &Asked<'_>, group: &[usize], deciles: bool) -> Vec<(usize, Forecast)> {
    let Some((first, fleet)) = group.first().map(|at| asked.cases[*at]) else { return Vec::new() };
    let machines: Vec<&Usage> = fleet.machines.values().collect();
    let figures = FleetFigures::of(&machines, first.cut);
    let unknown = Usage::default();
    let forecast = |at: &usize| {
        let (case, _) = asked.cases[*at];
        let usage = fleet.machines.get(&case.machine).unwrap_or(&unknown);
        (*at, of_case(case, &Outlook::of(usage, &figures, case.cut), deciles))
    };
    group.iter().map(forecast).collect()
}

fn of_case(case: &Case, outlook: &Outlook, deciles: bool) -> Forecast {
    let (remaining, _) = case.remaining;
    let now = Some(Days(0.0));
    let quantiles = match outlook.due(remaining) {
        Due::Reached => Quantiles { p10: now, p50: now, p90: now },
        Due::Ahead(quantiles) => quantiles,
    };
    let decile = |hundredths: &u8| outlook.quantile(remaining, f64::from(*hundredths) / 100.0);
    let between = if deciles { DECILES_BETWEEN.iter().map(decile).collect() } else { Vec::new() };
    Forecast { quantiles, between }
}
