//! Figures of planned work and of failures.

use crate::rows::{EXACT, Row, rows};
use fettler_domain::figures::standing::{Compliance, End, Planned, compliance};
use fettler_domain::figures::uptime::{Failure, Stretch, uptime};
use fettler_domain::time::{MICROS_PER_DAY, ShopDay, Ts};

fn day(text: &str) -> i64 {
    i64::from(text.parse().map_or_else(|_| panic!("`{text}` is no day"), ShopDay).to_days())
}

fn at(day: i64) -> Ts {
    Ts(day * MICROS_PER_DAY)
}

/// `P:2026-08-25:0:2026-08-26`: planned work, due, days of its window on either side, and how it ended; `C` is unplanned.
fn planned(row: &Row) -> Vec<Planned> {
    let (from, to) = (day(row.text("period_from")), day(row.text("period_to")));
    let mut found = Vec::new();
    for token in row.text("work_orders").split_whitespace() {
        let parts: Vec<&str> = token.split(':').collect();
        let [kind, due, window, end] = parts[..] else { panic!("`{token}`") };
        let (due, window) = (day(due), window.parse::<i64>().expect("days"));
        let end = match end {
            "open" => End::Open,
            "void" => End::LeftOut,
            done => End::Closed(at(day(done))),
        };
        if kind == "P" && (from..=to).contains(&due) {
            found.push(Planned { due: at(due), opens: at(due - window), late: at(due + window + 1), end });
        }
    }
    found
}

fn counts(row: &Row, found: &Compliance) {
    for (column, count) in [
        ("due_count", found.due),
        ("on_time", found.on_time),
        ("early", found.early),
        ("late", found.late),
        ("overdue_open", found.overdue),
        ("still_open", found.still_open),
        ("void", found.left_out),
    ] {
        row.says(column, &count.to_string());
    }
}

/// Waiting and repair of each failure, in hours: `3.2+2.3`.
fn stretch(row: &Row) -> Stretch {
    let failure = |token: &str| {
        let (waited, repaired) = token.split_once('+').expect("WAIT+REPAIR");
        let hours = |text: &str| text.parse::<f64>().expect("hours");
        Failure { waited: hours(waited), repaired: hours(repaired) }
    };
    Stretch {
        hours: row.number("hours"),
        failures: row.text("failures").split_whitespace().map(failure).collect(),
        planned: row.number("pm_downtime"),
        idle: row.number("idle"),
    }
}

/// Computed by hand, in the sense of EN 13306, EN 15341 and IEC 60050-192.
#[test]
fn kpi() {
    for row in rows("kpi") {
        let found = compliance(&planned(&row), at(day(row.text("as_of"))));
        counts(&row, &found);
        row.near_or_none("compliance", found.share(), EXACT);
        row.near_or_none("overdue_days", found.overdue_days, EXACT);
        row.near_or_none("delay_days", found.lateness_days, EXACT);
        let found = uptime(&stretch(&row)).expect("a stretch");
        row.near("operating", found.operating, EXACT);
        row.near_or_none("mtbf", found.between_failures, EXACT);
        row.near_or_none("mttr_repair", found.repair, EXACT);
        row.near_or_none("mttr_restore", found.restoration, EXACT);
        row.near("avail_failure", found.not_failed, EXACT);
        row.near("avail_operational", found.operational, EXACT);
        row.near("avail_intrinsic", found.intrinsic, EXACT);
    }
}
