//! Fleets of real machines (their sources stand in `tests/data/README.md`): figures of the plain form that another
//! implementation found in the same data, and what the full form makes of it.

use chrono::DateTime;
use fettler_domain::forecast::{FleetFigures, Hours, Reported, Usage};
use fettler_domain::time::{MICROS_PER_DAY, Ts};
use flate2::read::GzDecoder;
use std::collections::BTreeMap;
use std::fs::File;
use std::path::PathBuf;

fn instant(text: &str) -> Ts {
    Ts(DateTime::parse_from_rfc3339(text).expect("RFC 3339").timestamp_micros())
}

fn machines(file: &str) -> Vec<Usage> {
    let path = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data")).join(file);
    let file = File::open(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut machines: BTreeMap<String, Vec<Reported>> = BTreeMap::new();
    for row in csv::Reader::from_reader(GzDecoder::new(file)).records() {
        let row = row.expect("a row");
        let hours = Hours(row[4].parse().expect("a number"));
        machines.entry(row[0].to_owned()).or_default().push(Reported { end: instant(&row[3]), hours });
    }
    machines.into_values().map(Usage::of).collect()
}

/// Figures of a day after the data's start, as printed: rate, spread and drift.
#[track_caller]
fn check(machines: &[&Usage], start: &str, day: i64, printed: [(f64, usize); 3]) {
    let figures = FleetFigures::plain(machines, Ts(instant(start).0 + day * MICROS_PER_DAY));
    let got = [figures.rate.0, figures.spread.0, figures.drift];
    for (got, (expected, digits)) in got.into_iter().zip(printed) {
        assert_eq!(format!("{got:.digits$}"), format!("{expected:.digits$}"), "day {day}");
    }
}

#[test]
fn a_large_fleet_of_short_reports() {
    let machines = machines("nyc2013_public.csv.gz");
    let machines: Vec<&Usage> = machines.iter().collect();
    let start = "2013-01-01T05:00:00Z";
    check(&machines, start, 20, [(0.876, 3), (4.53, 2), (0.0300, 4)]);
    check(&machines, start, 124, [(0.682, 3), (5.59, 2), (0.0297, 4)]);
    check(&machines, start, 228, [(0.643, 3), (4.92, 2), (0.0161, 4)]);
    // Use comes in spells here, and machines differ: what the full form adds leaves rate and spread as they are.
    let now = Ts(instant(start).0 + 228 * MICROS_PER_DAY);
    let (full, plain) = (FleetFigures::of(&machines, now), FleetFigures::plain(&machines, now));
    assert_eq!((full.rate, full.spread), (plain.rate, plain.spread));
    assert!((2.0..4.0).contains(&full.lead.0) && (6.0..9.0).contains(&full.own_weight.0), "{full:?}");
}

#[test]
fn two_machines_alike_in_shifts() {
    let machines = machines("wind2014_public.csv.gz");
    let machines: Vec<&Usage> = machines.iter().collect();
    let start = "2014-01-01T00:00:00Z";
    check(&machines, start, 76, [(20.535, 3), (1.88, 2), (0.0036, 4)]);
    check(&machines, start, 363, [(19.205, 3), (6.01, 2), (0.0015, 4)]);
    // Two machines that run alike: much of the fleet's rate in each, no spells, and weeks that make up for one another.
    let full = FleetFigures::of(&machines, Ts(instant(start).0 + 363 * MICROS_PER_DAY));
    assert!(full.lead.0 < 0.1 && full.own_weight.0 > 20.0 && full.lasting_scatter < 1.0, "{full:?}");
}
