//! The decision of a closing: what it lacks, what it closes besides its own order, and what is worth a finding.
//!
//! What was done is never refused for being wrong. Only what cannot be (a time to come, a second person who is the
//! first) is asked back.

use crate::error::Violation;
use crate::ids::OrderNumber;
use crate::order::ClosingSaid;
use crate::text::Key;
use crate::time::{MICROS_PER_DAY, MICROS_PER_MINUTE, Ts};
use std::collections::BTreeMap;

/// How far ahead of the service's clock a done time may lie, in microseconds: clocks differ a little.
pub const AHEAD_MAX_MICROS: i64 = MICROS_PER_MINUTE;
/// From how late an entry on is a finding, in microseconds: a day, so that the end of a night shift is none.
pub const ENTRY_LATE_MICROS: i64 = MICROS_PER_DAY;

/// What an order's task asks of a closing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Asked {
    /// The order.
    pub order: OrderNumber,
    /// Cautions to be shown and confirmed.
    pub cautions: Vec<String>,
    /// Test points to be read.
    pub readings: Vec<Key>,
    /// Whether a certificate is needed.
    pub certificate: bool,
    /// Whether a second person has to be there.
    pub second_person: bool,
}

/// How the order stood when it was closed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stood {
    /// The latest closing of the task that stands.
    pub last_closing: Option<Ts>,
    /// When its window opens; none when that is not known.
    pub opens: Option<Ts>,
}

/// What comes of a closing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Judged {
    /// What was not as it should be.
    pub findings: Vec<String>,
    /// Covered orders that are closed with it.
    pub covered: Vec<OrderNumber>,
    /// Covered orders that stay open, each with what it asks for and was not given.
    pub left_open: Vec<(OrderNumber, Vec<String>)>,
}

/// Judges a closing entered at `now`. `points` are the machine's test points with their units.
pub fn judge(
    said: &ClosingSaid,
    now: Ts,
    own: &Asked,
    covered: &[Asked],
    stood: Stood,
    points: &BTreeMap<Key, String>,
) -> Result<Judged, Vec<Violation>> {
    let wrong = impossible(said, now);
    if !wrong.is_empty() {
        return Err(wrong);
    }
    let mut judged = Judged { findings: lacking(said, own), ..Judged::default() };
    judged.findings.extend(readings_at_odds(said, points));
    if now.micros_since(said.done_at) > ENTRY_LATE_MICROS {
        let days = now.micros_since(said.done_at) / MICROS_PER_DAY;
        judged
            .findings
            .push(format!("entered {days} {} after it was done", if days == 1 { "day" } else { "days" }));
    }
    if stood.last_closing.is_some_and(|last| said.done_at < last) {
        judged.findings.push("done before the last closing of this task".into());
    }
    if stood.opens.is_some_and(|opens| said.done_at < opens) {
        judged.findings.push("done before its window opened: extra work".into());
    }
    for asked in covered {
        let lacks = lacking(said, asked);
        if lacks.is_empty() {
            judged.covered.push(asked.order);
        } else {
            judged.left_open.push((asked.order, lacks));
        }
    }
    Ok(judged)
}

fn impossible(said: &ClosingSaid, now: Ts) -> Vec<Violation> {
    let mut wrong = Vec::new();
    if said.done_at.micros_since(now) > AHEAD_MAX_MICROS {
        let text =
            format!("{} is in the future; give when it was done, at the latest now ({now})", said.done_at);
        wrong.push(Violation::new("done_at", text));
    }
    if said.second_person.as_ref() == Some(&said.done_by) {
        let text = format!("`{}` did the work; name another person who was there", said.done_by);
        wrong.push(Violation::new("second_person", text));
    }
    wrong
}

/// What a closing lacks of what a task asks for.
fn lacking(said: &ClosingSaid, asked: &Asked) -> Vec<String> {
    let mut lacks = Vec::new();
    if !asked.cautions.is_empty() && !said.cautions_confirmed {
        lacks.push("cautions not confirmed".to_owned());
    }
    if asked.certificate && said.certificate.is_none() {
        lacks.push("no certificate given".to_owned());
    }
    if asked.second_person && said.second_person.is_none() {
        lacks.push("no second person named".to_owned());
    }
    let read = |point: &Key| said.readings.iter().any(|reading| reading.point == *point);
    lacks.extend(asked.readings.iter().filter(|point| !read(point)).map(|point| format!("{point} not read")));
    lacks
}

fn readings_at_odds(said: &ClosingSaid, points: &BTreeMap<Key, String>) -> Vec<String> {
    let odd = |reading: &crate::order::ReadingSaid| match (points.get(&reading.point), &reading.unit) {
        (None, _) => Some(format!("{} is no test point of this machine", reading.point)),
        (Some(unit), Some(read)) if read != unit => {
            Some(format!("{} was read in {read}, its unit is {unit}", reading.point))
        }
        (Some(_), _) => None,
    };
    said.readings.iter().filter_map(odd).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::order::{AsFound, ReadingSaid};
    use crate::text::Name;

    const NOW: Ts = Ts(1_800_000_000_000_000);

    fn said() -> ClosingSaid {
        ClosingSaid {
            order: OrderNumber(7),
            done_at: NOW,
            done_by: Name::new("Ada").expect("a name"),
            entered_by: None,
            as_found: AsFound::Good,
            readings: Vec::new(),
            used: Vec::new(),
            cautions_confirmed: false,
            certificate: None,
            second_person: None,
            minutes: 0,
            note: String::new(),
        }
    }

    fn key(text: &str) -> Key {
        Key::new(text).expect("a key")
    }

    fn check(said: &ClosingSaid, own: &Asked, stood: Stood, expect: &[&str]) {
        let points = BTreeMap::from([(key("line"), "bar".to_owned())]);
        let judged = judge(said, NOW, own, &[], stood, &points).expect("possible");
        assert_eq!(judged.findings, expect);
    }

    #[test]
    fn what_is_lacking_is_a_finding_and_never_a_refusal() {
        let own = Asked {
            cautions: vec!["vent to 0 bar".into()],
            readings: vec![key("line")],
            certificate: true,
            second_person: true,
            ..Asked::default()
        };
        let all =
            ["cautions not confirmed", "no certificate given", "no second person named", "line not read"];
        check(&said(), &own, Stood::default(), &all);
        let mut full = said();
        full.cautions_confirmed = true;
        full.certificate = Some("PV-12".into());
        full.second_person = Some(Name::new("Ben").expect("a name"));
        full.readings = vec![ReadingSaid { point: key("line"), value: "6.1".into(), unit: None }];
        check(&full, &own, Stood::default(), &[]);
        full.readings[0].unit = Some("psi".into());
        check(&full, &own, Stood::default(), &["line was read in psi, its unit is bar"]);
    }

    #[test]
    fn late_entries_and_early_work_are_told() {
        let mut late = said();
        late.done_at = NOW.plus_micros(-3 * MICROS_PER_DAY - 1);
        let stood = Stood { last_closing: Some(NOW), opens: Some(NOW) };
        let expect = [
            "entered 3 days after it was done",
            "done before the last closing of this task",
            "done before its window opened: extra work",
        ];
        check(&late, &Asked::default(), stood, &expect);
        check(&said(), &Asked::default(), stood, &[]);
    }

    #[test]
    fn a_time_to_come_and_a_second_self_are_asked_back() {
        let mut wrong = said();
        wrong.done_at = NOW.plus_micros(AHEAD_MAX_MICROS + 1);
        wrong.second_person = Some(wrong.done_by.clone());
        let violations = judge(&wrong, NOW, &Asked::default(), &[], Stood::default(), &BTreeMap::new());
        let fields: Vec<_> = violations.expect_err("impossible").into_iter().map(|v| v.field).collect();
        assert_eq!(fields, ["done_at", "second_person"]);
        wrong.done_at = NOW.plus_micros(AHEAD_MAX_MICROS);
        wrong.second_person = None;
        assert!(judge(&wrong, NOW, &Asked::default(), &[], Stood::default(), &BTreeMap::new()).is_ok());
    }

    #[test]
    fn a_covered_order_closes_only_when_all_it_asks_for_was_given() {
        let plain = Asked { order: OrderNumber(8), ..Asked::default() };
        let reading = Asked { order: OrderNumber(9), readings: vec![key("line")], ..Asked::default() };
        let covered = [plain, reading];
        let judged = judge(&said(), NOW, &Asked::default(), &covered, Stood::default(), &BTreeMap::new());
        let judged = judged.expect("possible");
        assert_eq!(judged.covered, [OrderNumber(8)]);
        assert_eq!(judged.left_open, [(OrderNumber(9), vec!["line not read".to_owned()])]);
    }
}
