//! The decision of a closing: what it lacks, what it closes besides its own order, and what is worth a finding.
//!
//! Work that was done amiss is recorded all the same. What cannot be kept (a time to come, a text beyond its bounds) is
//! refused; what looks like a slip is asked back once ([`slips`]).

pub mod slips;

use crate::error::Violation;
use crate::ids::OrderNumber;
use crate::order::{AsFound, ClosingSaid};
use crate::plan::{Base, ClauseState, DueKind, PlanRow};
use crate::reading::PointUnit;
use crate::shop::PointCard;
use crate::text::Key;
use crate::time::{MICROS_PER_DAY, MICROS_PER_MINUTE, Ts};
use std::collections::BTreeMap;

/// How far ahead of the service's clock a done time may lie, in microseconds: clocks differ a little.
pub const AHEAD_MAX_MICROS: i64 = MICROS_PER_MINUTE;
/// From how late an entry on is a finding, in microseconds: a day, so that the end of a night shift is none.
pub const ENTRY_LATE_MICROS: i64 = MICROS_PER_DAY;
/// What is said of a closing that came before its window opened.
const BEFORE_WINDOW: &str = "done before its window opened";
/// What is said of a closing whose second person is the first.
const SECOND_SELF: &str = "second person is the doer";

/// What an order's task asks of a closing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Asked {
    /// The order.
    pub order: OrderNumber,
    /// The key of its task; none for a raised order.
    pub task: Option<Key>,
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
    /// When it was opened.
    pub opened: Option<Ts>,
    /// The latest closing of the task that stands.
    pub last_closing: Option<Ts>,
    /// When its window opens; none when that is not known.
    pub opens: Option<Ts>,
    /// Whether all clauses stand on a grid, so that work before the window moves nothing.
    pub on_grid: bool,
}

impl Stood {
    /// How an order stood by its row.
    pub fn by(plan: &PlanRow, opened: Option<Ts>, last_closing: Option<Ts>) -> Stood {
        let opens = match plan.kind {
            DueKind::Unknown | DueKind::Raised | DueKind::Ended => None,
            // Nothing has to be out of limits for somebody to look.
            DueKind::Expected if waits_for_reading(plan) => None,
            // One that waits for a meter that does not run opens never.
            DueKind::Expected => Some(plan.opening().unwrap_or(Ts::MAX)),
            DueKind::Exact | DueKind::CalendarDay => plan.opens,
        };
        let on_grid = !plan.clauses.is_empty() && plan.clauses.iter().all(|clause| clause.base == Base::Grid);
        Stood { opened, last_closing, opens, on_grid }
    }
}

/// Whether a reading that is to come makes the order due, and nothing else before it.
fn waits_for_reading(plan: &PlanRow) -> bool {
    let governing = plan.governing.and_then(|clause| plan.clauses.get(clause));
    let waits = plan.due.is_none() && plan.clauses.iter().any(ClauseState::waits_for_reading);
    waits || governing.is_some_and(ClauseState::waits_for_reading)
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

/// Judges a closing entered at `now`. `points` are the machine's test points.
pub fn judge(
    said: &ClosingSaid,
    now: Ts,
    own: &Asked,
    covered: &[Asked],
    stood: Stood,
    points: &BTreeMap<Key, PointCard>,
) -> Result<Judged, Vec<Violation>> {
    let wrong = impossible(said, now);
    if !wrong.is_empty() {
        return Err(wrong);
    }
    let mut judged = Judged { findings: lacking(said, own), ..Judged::default() };
    if said.second_person_is_doer() && !own.second_person {
        judged.findings.push(SECOND_SELF.to_owned());
    }
    judged.findings.extend(readings_at_odds(said, points));
    match said.as_found {
        AsFound::Good | AsFound::Worn => {}
        AsFound::Failed => judged.findings.push("as found: failed".to_owned()),
        AsFound::BrokeDown => judged.findings.push("as found: broke down".to_owned()),
    }
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
        let extra = if stood.on_grid { ": extra work" } else { "" };
        judged.findings.push(format!("{BEFORE_WINDOW}{extra}"));
    }
    let is_covered = |key: &Key| covered.iter().any(|asked| asked.task.as_ref() == Some(key));
    for key in said.left_out.iter().filter(|key| !is_covered(key)) {
        judged.findings.push(format!("{key} was left out, but no open order of it is covered here"));
    }
    for asked in covered {
        let mut lacks = lacking(said, asked);
        if asked.task.as_ref().is_some_and(|key| said.left_out.contains(key)) {
            lacks.insert(0, "left out".to_owned());
        }
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
        let ahead = said.done_at.ahead_in_words(now);
        let text = format!("lies {ahead} in the future; give when it was done");
        wrong.push(Violation::new("done_at", text));
    }
    wrong.extend(said.beyond_bounds());
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
    if asked.second_person && said.second_person_is_doer() {
        lacks.push(SECOND_SELF.to_owned());
    }
    let read = |point: &Key| said.readings.iter().any(|reading| reading.point == *point);
    lacks.extend(asked.readings.iter().filter(|point| !read(point)).map(|point| format!("{point} not read")));
    lacks
}

fn readings_at_odds(said: &ClosingSaid, points: &BTreeMap<Key, PointCard>) -> Vec<String> {
    let odd = |reading: &crate::order::ReadingSaid| match (points.get(&reading.point), &reading.unit) {
        (None, _) => Some(format!("{} is no test point of this machine", reading.point)),
        (Some(card), Some(read)) if !is_same_unit(read, &card.unit) => {
            Some(format!("{} was read in {read}, its unit is {}", reading.point, card.unit))
        }
        (Some(_), _) => None,
    };
    said.readings.iter().filter_map(odd).collect()
}

/// Whether two texts are one unit: its code, or a spelling of it.
fn is_same_unit(read: &str, unit: &str) -> bool {
    read == unit || (PointUnit::parse(read).is_some() && PointUnit::parse(read) == PointUnit::parse(unit))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::order::{READINGS_SAID_MAX, ReadingSaid};
    use crate::shop::KitItem;
    use crate::shop::limits::{COVERS_MAX, MINUTES_MAX, SHORT_TEXT_MAX, UNIT_MAX};
    use crate::text::{NOTE_MAX, Name};

    const NOW: Ts = Ts(1_800_000_000_000_000);

    fn said() -> ClosingSaid {
        ClosingSaid::plain(OrderNumber(7), NOW, Name::new("Ada").expect("a name"))
    }

    fn key(text: &str) -> Key {
        Key::new(text).expect("a key")
    }

    /// A test point in bar.
    fn line() -> PointCard {
        PointCard {
            key: key("line"),
            title: String::new(),
            place: String::new(),
            good: String::new(),
            fluid: String::new(),
            reservoir: None,
            unit: "bar".into(),
            limits: crate::reading::Limits::default(),
            possible: None,
            taker: crate::reading::Taker::Anyone,
            cautions: Vec::new(),
        }
    }

    fn check(said: &ClosingSaid, own: &Asked, stood: Stood, expect: &[&str]) {
        let points = BTreeMap::from([(key("line"), line())]);
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
        full.readings =
            vec![ReadingSaid { point: key("line"), value: "6.1".into(), unit: None, confirmed: false }];
        check(&full, &own, Stood::default(), &[]);
        full.readings[0].unit = Some("psi".into());
        check(&full, &own, Stood::default(), &["line was read in psi, its unit is bar"]);
    }

    #[test]
    fn late_entries_and_early_work_are_told() {
        let mut late = said();
        late.done_at = NOW.plus_micros(-3 * MICROS_PER_DAY - 1);
        let stood = Stood { last_closing: Some(NOW), opens: Some(NOW), ..Stood::default() };
        let expect =
            |early| ["entered 3 days after it was done", "done before the last closing of this task", early];
        check(&late, &Asked::default(), stood, &expect("done before its window opened"));
        let stood = Stood { on_grid: true, ..stood };
        check(&late, &Asked::default(), stood, &expect("done before its window opened: extra work"));
        check(&said(), &Asked::default(), stood, &[]);
    }

    #[test]
    fn a_second_self_is_a_finding_and_stands_for_nobody() {
        let mut alone = said();
        alone.second_person = Some(alone.done_by.clone());
        let two = Asked { order: OrderNumber(8), second_person: true, ..Asked::default() };
        for own in [&Asked::default(), &two] {
            check(&alone, own, Stood::default(), &["second person is the doer"]);
        }
        let covered = std::slice::from_ref(&two);
        let judged = judge(&alone, NOW, &Asked::default(), covered, Stood::default(), &BTreeMap::new());
        let left_open = judged.expect("possible").left_open;
        assert_eq!(left_open, [(OrderNumber(8), vec!["second person is the doer".to_owned()])]);
    }

    #[test]
    fn what_failed_or_broke_down_is_a_finding() {
        let of = |as_found| ClosingSaid { as_found, ..said() };
        for (as_found, expect) in [
            (AsFound::Good, &[][..]),
            (AsFound::Worn, &[]),
            (AsFound::Failed, &["as found: failed"]),
            (AsFound::BrokeDown, &["as found: broke down"]),
        ] {
            check(&of(as_found), &Asked::default(), Stood::default(), expect);
        }
    }

    #[test]
    fn what_is_beyond_its_bounds_is_asked_back_field_by_field() {
        let mut wrong = said();
        let reading = |value: &str, unit: &str| ReadingSaid {
            point: key("line"),
            value: value.into(),
            unit: Some(unit.into()),
            confirmed: false,
        };
        wrong.readings = vec![reading("6.1", "bar"), reading("high", &"b".repeat(UNIT_MAX + 1))];
        let item = Name::new("Oil").expect("a name");
        wrong.used = vec![KitItem { item, quantity: "-1".into(), unit: "L\n".into(), lot: None, into: None }];
        wrong.certificate = Some("c".repeat(SHORT_TEXT_MAX + 1));
        wrong.minutes = MINUTES_MAX + 1;
        wrong.note = "n".repeat(NOTE_MAX + 1);
        let judge =
            |said: &ClosingSaid| judge(said, NOW, &Asked::default(), &[], Stood::default(), &BTreeMap::new());
        let fields: Vec<_> = judge(&wrong).expect_err("beyond").into_iter().map(|v| v.field).collect();
        let expect = [
            "readings[1].value",
            "readings[1].unit",
            "used[0].quantity",
            "used[0].unit",
            "certificate",
            "minutes",
            "note",
        ];
        assert_eq!(fields, expect);
        let mut many = said();
        many.readings = vec![reading("6.1", "bar"); READINGS_SAID_MAX + 1];
        let violations = judge(&many).expect_err("too many");
        assert_eq!(violations, [Violation::new("readings", "has 101 entries; give at most 100")]);
        many.readings.pop();
        many.left_out = vec![key("bowl"); COVERS_MAX + 1];
        let violations = judge(&many).expect_err("too many");
        assert_eq!(
            violations,
            [Violation::new(
                "left_out",
                format!("has {} entries; give at most {COVERS_MAX}", COVERS_MAX + 1)
            )]
        );
        many.left_out.clear();
        (many.minutes, many.note) = (MINUTES_MAX, "n".repeat(NOTE_MAX));
        assert!(judge(&many).is_ok());
    }

    #[test]
    fn a_time_to_come_is_asked_back() {
        let mut wrong = said();
        wrong.done_at = NOW.plus_micros(AHEAD_MAX_MICROS + 1);
        let violations = judge(&wrong, NOW, &Asked::default(), &[], Stood::default(), &BTreeMap::new());
        let fields: Vec<_> = violations.expect_err("impossible").into_iter().map(|v| v.field).collect();
        assert_eq!(fields, ["done_at"]);
        wrong.done_at = NOW.plus_micros(AHEAD_MAX_MICROS);
        assert!(judge(&wrong, NOW, &Asked::default(), &[], Stood::default(), &BTreeMap::new()).is_ok());
    }

    #[test]
    fn what_is_left_out_stays_open_and_what_was_not_covered_is_told() {
        let asked = |number, task: &str| Asked {
            order: OrderNumber(number),
            task: Some(key(task)),
            ..Asked::default()
        };
        let covered = [asked(8, "bowl"), asked(9, "filter")];
        let partly = ClosingSaid { left_out: vec![key("bowl"), key("hose")], ..said() };
        let judged = judge(&partly, NOW, &Asked::default(), &covered, Stood::default(), &BTreeMap::new());
        let judged = judged.expect("possible");
        assert_eq!(judged.covered, [OrderNumber(9)]);
        assert_eq!(judged.left_open, [(OrderNumber(8), vec!["left out".to_owned()])]);
        assert_eq!(judged.findings, ["hose was left out, but no open order of it is covered here"]);
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
