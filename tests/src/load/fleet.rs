//! A fleet from a seed: machines in families with a sheet of six tasks each, and the shift reports of all of them, with the faults
//! that reports have: some come twice, some late, some are corrected, some overlap, some name a machine that nobody declared.

use crate::shuffle::Random;
use crate::year::{rules, timestamp};
use chrono::DateTime;
use fettler_proto::v1::clause::Counts;
use fettler_proto::v1::shift_report::Statement;
use fettler_proto::v1::{
    IntervalStatement, LastDone, MachineCard, MeterCard, MeterCount, MeterKind, ShiftReport, Shop, Site,
    Source, TaskCard, TaskSheet,
};

/// Tasks of a machine.
pub const TASKS: usize = 6;
/// Machines of one load of the shop: as many as fit a message with what was last done on them.
const MACHINES_PER_LOAD: usize = 1_000;
/// Families, each with a sheet of its own.
const FAMILIES: usize = 4;
/// Machines of one area.
const AREA: usize = 250;
/// How long a shift is.
const SHIFT_MICROS: i64 = 8 * 3_600 * 1_000_000;
const DAY_MICROS: i64 = 3 * SHIFT_MICROS;
/// Of a thousand reports so many are sent again later.
const TWICE: usize = 20;
/// So many are corrected later by a second revision.
const CORRECTED: usize = 20;
/// So many come late.
const LATE: usize = 50;
/// Beside so many stands another of the same source for the same shift that does not fit.
const OVERLAPPED: usize = 10;
/// So many others name a machine that nobody declared.
const UNKNOWN: usize = 5;
/// A late one comes at most so many places later, a second one or a correction too.
const LATER_BY: usize = 20_000;

/// A fleet.
#[derive(Clone, Copy, Debug)]
pub struct Fleet {
    /// How many machines.
    pub machines: usize,
    /// What everything random follows from.
    pub seed: u64,
    /// When the first shift starts, in microseconds since 1970; the start of a day.
    pub first_shift: i64,
}

/// Reports in the order in which they are sent, and what must come of them whatever that order is.
#[derive(Clone, Debug, Default)]
pub struct Sent {
    /// The reports.
    pub reports: Vec<ShiftReport>,
    /// How many repeat another.
    pub twice: usize,
    /// How many stay held.
    pub held: usize,
}

impl Fleet {
    /// A fleet whose first so many reports end by a moment.
    pub fn until(machines: usize, seed: u64, reports: usize, moment: i64) -> Fleet {
        let shifts = i64::try_from(reports.div_ceil(machines)).expect("few shifts");
        let days = (shifts * SHIFT_MICROS).div_euclid(DAY_MICROS) + 1;
        Fleet { machines, seed, first_shift: (moment.div_euclid(DAY_MICROS) - days) * DAY_MICROS }
    }

    /// The shop from one machine to another, as loads of bounded size.
    pub fn shops(self, from: usize, to: usize) -> impl Iterator<Item = Shop> {
        (from..to).step_by(MACHINES_PER_LOAD).map(move |first| Shop {
            site: Some(Site { key: "fleet".into(), zone: "Etc/UTC".into(), ..Site::default() }),
            sources: vec![Source { name: "erp".into(), rank: 1, feeds: MeterKind::Operating.into() }],
            people: vec!["Ada Kern".into()],
            sheets: (0..FAMILIES).map(sheet).collect(),
            machines: (first..to.min(first + MACHINES_PER_LOAD)).map(|machine| self.card(machine)).collect(),
            items: Vec::new(),
        })
    }

    fn card(self, machine: usize) -> MachineCard {
        let day = DateTime::from_timestamp_micros(self.first_shift - DAY_MICROS).expect("in range");
        let day = day.format("%Y-%m-%d").to_string();
        let done = |key: &str| LastDone {
            task: key.into(),
            day: day.clone(),
            counts: vec![MeterCount { meter: String::new(), count: "0".into() }],
            ..LastDone::default()
        };
        MachineCard {
            tag: tag(machine),
            family: format!("family-{}", machine % FAMILIES),
            area: format!("Hall {}", machine / AREA + 1),
            meters: vec![MeterCard { kind: MeterKind::Operating.into(), ..MeterCard::default() }],
            sheets: vec![format!("care-{}", machine % FAMILIES)],
            last_done: rules().iter().map(|(key, _)| done(key)).collect(),
            ..MachineCard::default()
        }
    }

    /// The first so many reports of the fleet from a shift on, shift by shift, with their faults; the faults are beside the number.
    pub fn reports(self, from_shift: usize, count: usize) -> Sent {
        let mut random = Random::new(self.seed ^ (from_shift as u64) << 32);
        let mut placed: Vec<(usize, ShiftReport)> = Vec::with_capacity(count + count / 10);
        let mut sent = Sent::default();
        for place in 0..count {
            let (shift, machine) = (from_shift + place / self.machines, place % self.machines);
            // Hundredths of an hour: from 3 to 7.5 of the 8.
            let hundredths = 300 + random.below(451);
            let report = self.report(shift, &tag(machine), "", hundredths);
            let came = if chance(&mut random, LATE) { place + random.below(LATER_BY) } else { place };
            if chance(&mut random, TWICE) {
                placed.push((came + 1 + random.below(LATER_BY), report.clone()));
                sent.twice += 1;
            }
            if chance(&mut random, CORRECTED) {
                let corrected = self.report(shift, &tag(machine), "", hundredths - 50);
                placed.push((came + 1 + random.below(LATER_BY), ShiftReport { revision: 1, ..corrected }));
            }
            if chance(&mut random, OVERLAPPED) {
                placed
                    .push((came + random.below(LATER_BY), self.report(shift, &tag(machine), "/again", 800)));
                sent.held += 1;
            }
            if chance(&mut random, UNKNOWN) {
                placed.push((
                    place,
                    self.report(
                        shift,
                        &format!("GHOST-{}", random.below(50)),
                        &place.to_string(),
                        hundredths,
                    ),
                ));
                sent.held += 1;
            }
            placed.push((came, report));
        }
        placed.sort_by_key(|(place, _)| *place);
        sent.reports = placed.into_iter().map(|(_, report)| report).collect();
        sent
    }

    fn report(self, shift: usize, machine: &str, suffix: &str, hundredths: usize) -> ShiftReport {
        let start = self.first_shift + i64::try_from(shift).expect("few shifts") * SHIFT_MICROS;
        ShiftReport {
            source: "erp".into(),
            report_id: format!("{machine}/{shift}{suffix}"),
            machine: machine.into(),
            statement: Some(Statement::Interval(IntervalStatement {
                start: Some(timestamp(start)),
                end: Some(timestamp(start + SHIFT_MICROS)),
                amount: format!("{}.{:02}", hundredths / 100, hundredths % 100),
                ..IntervalStatement::default()
            })),
            ..ShiftReport::default()
        }
    }
}

fn tag(machine: usize) -> String {
    format!("M-{machine:06}")
}

fn chance(random: &mut Random, of_thousand: usize) -> bool {
    random.below(1_000) < of_thousand
}

/// The tasks of the year of duty; a family has each after so many tenths more hours.
fn sheet(family: usize) -> TaskSheet {
    let tasks = rules().into_iter().map(|(key, mut rule)| {
        for clause in &mut rule.clauses {
            if let Some(Counts::Meter(meter)) = &mut clause.counts {
                let every: usize = meter.every.parse().expect("whole hours");
                meter.every = (every + every * family / 10).to_string();
            }
        }
        TaskCard { key: key.into(), rule: Some(rule), minutes: 20, ..TaskCard::default() }
    });
    TaskSheet {
        key: format!("care-{family}"),
        title: format!("Care of family {family}"),
        tasks: tasks.collect(),
        ..TaskSheet::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::{BTreeMap, BTreeSet};

    #[test]
    fn reports_follow_their_seed_and_have_their_faults() {
        let moment = 1_790_000_000_000_000;
        let fleet = Fleet::until(100, 7, 40_000, moment);
        let sent = fleet.reports(0, 40_000);
        assert_eq!(sent.reports, fleet.reports(0, 40_000).reports);
        assert_ne!(sent.reports, Fleet { seed: 8, ..fleet }.reports(0, 40_000).reports);

        let mut times: BTreeMap<(&str, u32), usize> = BTreeMap::new();
        for report in &sent.reports {
            *times.entry((&report.report_id, report.revision)).or_default() += 1;
        }
        assert_eq!(times.values().filter(|times| **times == 2).count(), sent.twice);
        let held = |report: &&ShiftReport| {
            report.report_id.ends_with("/again") || report.machine.starts_with("GHOST")
        };
        assert_eq!(sent.reports.iter().filter(held).count(), sent.held);
        let near = |found: usize, of_thousand: usize| {
            let expect = 40_000 * of_thousand / 1_000;
            assert!(found.abs_diff(expect) < expect / 4, "{found} for {expect}");
        };
        near(sent.twice, TWICE);
        near(sent.held, OVERLAPPED + UNKNOWN);
        near(sent.reports.iter().filter(|report| report.revision == 1).count(), CORRECTED);

        let ends: BTreeSet<i64> = sent.reports.iter().map(end).collect();
        assert!(*ends.last().expect("reports") <= moment, "nothing ends in the future");
        let backwards = sent.reports.windows(2).filter(|pair| end(&pair[0]) > end(&pair[1])).count();
        near(backwards, LATE + TWICE + CORRECTED + OVERLAPPED);
    }

    fn end(report: &ShiftReport) -> i64 {
        let Some(Statement::Interval(interval)) = &report.statement else { panic!("an interval") };
        crate::year::micros(interval.end.as_ref().expect("an end"))
    }

    #[test]
    fn a_shop_comes_in_loads_that_hold_every_machine_once() {
        let fleet = Fleet { machines: 2_345, seed: 1, first_shift: 1_700_006_400_000_000 };
        let shops: Vec<Shop> = fleet.shops(0, 2_345).collect();
        assert_eq!(shops.len(), 3);
        let tags: BTreeSet<String> =
            shops.iter().flat_map(|s| s.machines.iter().map(|m| m.tag.clone())).collect();
        assert_eq!(tags.len(), 2_345);
        assert!(
            shops.iter().all(|shop| prost::Message::encoded_len(shop) < 4 << 20),
            "a load fits a message"
        );
    }
}
