//! Planned use.

use super::{due::Board, order::dry, table::Table, words, wrap::labelled};
use crate::times::rfc3339;
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// What came of plans, as rows.
pub(crate) fn taken_rows(answers: &[pb::PlanUseResponse]) -> Table {
    let mut table = Table::new(["machine", "meter", "replaced", "planned", "amount", "unit"]);
    for answer in answers {
        table.push([
            answer.machine.clone(),
            answer.meter.clone(),
            answer.replaced.to_string(),
            answer.planned.to_string(),
            answer.amount.clone(),
            words::unit(answer.unit()).to_owned(),
        ]);
    }
    table
}

/// What came of plans, for people.
pub(crate) fn taken(answers: &[pb::PlanUseResponse], dry_run: bool, board: Board) -> String {
    let mut out = dry(dry_run);
    for answer in answers {
        let count = |number: i64| usize::try_from(number).unwrap_or(usize::MAX);
        let planned = words::count(count(answer.planned), "planned shift", "planned shifts");
        let unit = words::unit(answer.unit());
        let text = format!("{planned}, {} {unit}, in place of {}", answer.amount, answer.replaced);
        out.push_str(&labelled(0, &format!("{} {}", answer.machine, answer.meter), 22, &text, board.width));
    }
    out
}

/// Planned shifts as rows.
pub(crate) fn rows(shifts: &[pb::KeptPlannedShift]) -> Table {
    let mut table = Table::new(["machine", "meter", "start", "end", "amount", "unit", "entry"]);
    for kept in shifts {
        let shift = kept.shift.clone().unwrap_or_default();
        table.push([
            kept.machine.clone(),
            kept.meter.clone(),
            rfc3339(shift.start.as_ref()),
            rfc3339(shift.end.as_ref()),
            shift.amount,
            words::unit(kept.unit()).to_owned(),
            kept.entry.to_string(),
        ]);
    }
    table
}

/// Planned shifts and periods for people.
pub(crate) fn list(answer: &pb::ListPlannedUseResponse, board: Board) -> String {
    let mut out = String::new();
    if answer.shifts.is_empty() {
        out.push_str("no planned shifts\n");
    } else {
        let mut table = Table::new(["machine", "meter", "from", "to", "to run"]);
        for kept in &answer.shifts {
            let shift = kept.shift.clone().unwrap_or_default();
            table.push([
                kept.machine.clone(),
                kept.meter.clone(),
                board.teller.instant(shift.start.as_ref()).unwrap_or_default(),
                board.teller.instant(shift.end.as_ref()).unwrap_or_default(),
                format!("{} {}", shift.amount, words::unit(kept.unit())),
            ]);
        }
        out.push_str(&table.text(board.width, board.style));
    }
    for period in &answer.periods {
        let tell = |time| board.teller.instant(time).unwrap_or_default();
        let (from, until) = (tell(period.from.as_ref()), tell(period.until.as_ref()));
        let _ =
            writeln!(out, "{} is planned from {from} to {until}; between its shifts it stands", period.meter);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::out::Style;
    use crate::times::{self, Teller};

    fn board() -> Board {
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 80, style: Style::PLAIN }
    }

    fn instant(text: &str) -> Option<prost_types::Timestamp> {
        times::absolute(text).map(times::to_wire)
    }

    #[test]
    fn shifts_and_periods_are_told_in_the_site_s_time() {
        let shift = pb::PlannedShift {
            start: instant("2026-11-26T05:00:00Z"),
            end: instant("2026-11-26T13:00:00Z"),
            amount: "7.5".into(),
        };
        let kept = pb::KeptPlannedShift {
            machine: "L-03".into(),
            meter: "operating".into(),
            shift: Some(shift),
            unit: pb::Unit::Hours.into(),
            entry: 9,
        };
        let period = pb::PlannedPeriod {
            meter: "operating".into(),
            from: instant("2026-11-25T05:00:00Z"),
            until: instant("2026-11-30T05:00:00Z"),
        };
        let answer = pb::ListPlannedUseResponse {
            shifts: vec![kept],
            periods: vec![period],
            next_page_token: String::new(),
        };
        let expect = "machine  meter      from              to                to run\n\
                      L-03     operating  Thu 26 Nov 06:00  Thu 26 Nov 14:00  7.5 h\n\
                      operating is planned from Wed 25 Nov 06:00 to Mon 30 Nov 06:00; between its shifts it stands\n";
        assert_eq!(list(&answer, board()), expect);
        assert_eq!(list(&pb::ListPlannedUseResponse::default(), board()), "no planned shifts\n");
    }

    #[test]
    fn what_a_plan_replaced_is_told() {
        let answer = pb::PlanUseResponse {
            machine: "L-03".into(),
            meter: "operating".into(),
            unit: pb::Unit::Hours.into(),
            replaced: 2,
            planned: 1,
            amount: "7.5".into(),
        };
        let text = taken(std::slice::from_ref(&answer), true, board());
        assert!(text.starts_with("Nothing was changed"), "{text}");
        assert!(text.ends_with("L-03 operating        1 planned shift, 7.5 h, in place of 2\n"), "{text}");
    }
}
