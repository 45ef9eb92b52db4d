//! One clause of a rule as it stands for an open order, as data and in words.

use super::time::stamp_of;
use super::units::{exact, unit as wire_unit};
use fettler_domain::calendar::Calendar;
use fettler_domain::forecast::{Basis, Likeness};
use fettler_domain::plan::{
    Base, BearingDays, ClauseState, Counted, DueKind, Expectation, PlanRow, Reason, acts_in_words,
    fault_in_words, model_clause_in_words, model_inputs, model_source, reason_in_words, reasons,
};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::text::Key;
use fettler_domain::time::ShopDay;
use fettler_proto::v1;
use std::collections::BTreeMap;

/// The kind of a due instant on the wire.
pub fn due_kind(kind: DueKind) -> v1::DueKind {
    match kind {
        DueKind::Exact => v1::DueKind::Crossed,
        DueKind::CalendarDay => v1::DueKind::Calendar,
        DueKind::Expected => v1::DueKind::Expected,
        DueKind::Raised => v1::DueKind::Raised,
        DueKind::Unknown => v1::DueKind::Unknown,
        DueKind::Ended => v1::DueKind::Ended,
    }
}

/// The reasons of a row, each at the place of the clause it belongs to, and what is told beside the clauses.
struct Told {
    of_clause: Vec<String>,
    raised: Option<String>,
    beside: Vec<String>,
}

fn told(row: &PlanRow, calendar: &Calendar, today: ShopDay) -> Told {
    let mut told =
        Told { of_clause: vec![String::new(); row.clauses.len()], raised: None, beside: Vec::new() };
    // The governing clause is told first, then the others in the rule's order.
    let governing = row.governing.filter(|index| *index < row.clauses.len());
    let others = (0..row.clauses.len()).filter(|index| Some(*index) != governing);
    let mut places = governing.into_iter().chain(others).collect::<Vec<_>>().into_iter();
    for reason in reasons(row, calendar) {
        let words = reason_in_words(&reason, calendar, today);
        match reason {
            Reason::Raised { .. } => told.raised = Some(words),
            Reason::Held(_) | Reason::KnownTo { .. } => told.beside.push(words),
            Reason::Crossed { .. }
            | Reason::Expected { .. }
            | Reason::Day { .. }
            | Reason::Recurrence { .. }
            | Reason::Ended { .. }
            | Reason::OutOfLimits { .. }
            | Reason::Reaching { .. }
            | Reason::WithinLimits { .. }
            | Reason::Modelled { .. }
            | Reason::NeverRecorded
            | Reason::HoursNotKnown { .. } => {
                if let Some(place) = places.next() {
                    told.of_clause[place] = words;
                }
            }
        }
    }
    told
}

/// Why a row is due, in one line: the governing reason, then what held it back and how far hours are known.
pub fn why(row: &PlanRow, calendar: &Calendar, today: ShopDay) -> String {
    let told = told(row, calendar, today);
    let governing =
        row.governing.and_then(|index| told.of_clause.get(index)).or_else(|| told.of_clause.first());
    let mut parts: Vec<String> = told.raised.into_iter().chain(governing.cloned()).collect();
    parts.extend(told.beside);
    parts.join("; ")
}

/// Every clause of a row, in the rule's order.
pub fn clauses(
    row: &PlanRow,
    meters: &BTreeMap<i64, Key>,
    calendar: &Calendar,
    today: ShopDay,
) -> Vec<v1::ClauseStanding> {
    let texts = told(row, calendar, today).of_clause;
    let of = |(index, (clause, text)): (usize, (&ClauseState, String))| {
        let governs = row.governing == Some(index);
        standing(clause, text, governs, meters, calendar, today)
    };
    row.clauses.iter().zip(texts).enumerate().map(of).collect()
}

fn standing(
    clause: &ClauseState,
    text: String,
    governs: bool,
    meters: &BTreeMap<i64, Key>,
    calendar: &Calendar,
    today: ShopDay,
) -> v1::ClauseStanding {
    let mut standing = v1::ClauseStanding {
        due: stamp_of(clause.due),
        kind: due_kind(clause.kind).into(),
        base: base(clause, calendar, today),
        governs,
        text,
        ..Default::default()
    };
    match &clause.counted {
        Counted::Calendar { every, .. } => {
            standing.clause = every.to_string();
            standing.interval = every.n.to_string();
        }
        Counted::Recurrence { rule, .. } => standing.clause = rule.to_string(),
        Counted::Reading { point, expects: false, .. } => standing.clause = format!("{point} out of limits"),
        Counted::Reading { point, expects: true, .. } => {
            standing.clause = format!("{point} reaching its limit");
        }
        Counted::Model { model, told, parts, .. } => {
            standing.clause = model_clause_in_words(model);
            standing.inputs = model_inputs(model);
            standing.source = model_source(model);
            standing.acts = acts_in_words(told);
            standing.fault = fault_in_words(told, calendar, today).unwrap_or_default();
            of_parts(&mut standing, parts, calendar, today);
        }
        Counted::Meter { meter, unit, every, from, threshold, h, known_to, expectation } => {
            let text = |amount: Amount| exact(amount, *unit);
            let key = meters.get(&meter.0).map_or_else(|| format!("of meter {meter}"), Key::to_string);
            standing.clause = format!("every {} {key}", every.display(*unit));
            standing.interval = text(*every);
            standing.threshold = threshold.map(text).unwrap_or_default();
            standing.counted = h.zip(*from).map(|(h, from)| text(h - from)).unwrap_or_default();
            standing.unit = wire_unit(*unit).into();
            standing.known_to = stamp_of(*known_to);
            standing.history =
                expectation.map(|used| history(&used, *unit, calendar, today)).unwrap_or_default();
        }
    }
    standing
}

/// Of the count among a model's parts: how far it is, until when hours are known, and what its date rests on.
fn of_parts(standing: &mut v1::ClauseStanding, parts: &[ClauseState], calendar: &Calendar, today: ShopDay) {
    for part in parts {
        let Counted::Meter { unit, every, from, threshold, h, known_to, expectation, .. } = &part.counted
        else {
            continue;
        };
        let text = |amount: Amount| exact(amount, *unit);
        standing.interval = text(*every);
        standing.threshold = threshold.map(text).unwrap_or_default();
        standing.counted = h.zip(*from).map(|(h, from)| text(h - from)).unwrap_or_default();
        standing.unit = wire_unit(*unit).into();
        standing.known_to = stamp_of(*known_to);
        standing.history = expectation.map(|used| history(&used, *unit, calendar, today)).unwrap_or_default();
    }
}

/// What an expected date rests on, in words.
fn history(used: &Expectation, unit: Unit, calendar: &Calendar, today: ShopDay) -> String {
    let rate = format!("{} {} a day", used.per_day.to_text(unit, 1), unit.sign());
    let ran = format!("{} in the 28 days before", used.last_28_days.display(unit));
    let (doubt, fleet) = (used.doubt_percent, fleet(used.likeness));
    let mut text = match used.basis {
        Basis::Fleet => format!("no report of its own by today; {rate} expected, from {fleet}"),
        Basis::OneReport => {
            format!("{ran}; {rate} expected, give or take {doubt} %, from 1 report and mostly {fleet}")
        }
        Basis::Reports => {
            let reports = used.reports;
            format!("{ran}; {rate} expected, give or take {doubt} %, from {reports} reports and {fleet}")
        }
    };
    if used.days == BearingDays::Calendar {
        text.push_str("; on days that the site works");
    }
    if let Some(end) = used.planned_to {
        // What ends as a day starts is planned to the day before.
        let last = calendar.shop_day_of(end.plus_micros(-1));
        text.push_str("; as planned to ");
        text.push_str(&calendar.day_in_words(last, today));
    }
    if used.silent {
        text.push_str("; reports have stopped: the machine may stand");
    }
    text
}

/// Whose past stands beside a meter's own, in words.
fn fleet(likeness: Likeness) -> String {
    match likeness {
        Likeness::Assumed => "assumed figures".to_owned(),
        Likeness::Site(1) => "the 1 machine of the site with a past".to_owned(),
        Likeness::Site(machines) => format!("the {machines} machines of the site"),
        Likeness::Family(machines) => format!("the {machines} machines of its family"),
    }
}

/// From where a clause counts, in words.
fn base(clause: &ClauseState, calendar: &Calendar, today: ShopDay) -> String {
    let day = |day| calendar.day_in_words(day, today);
    match (clause.base, &clause.counted) {
        (Base::Never, _) => "nothing recorded".to_owned(),
        (Base::Closing(at), _) => format!("closing of {}", day(calendar.shop_day_of(at))),
        (Base::Stated(on), _) => format!("stated {}", day(on)),
        (Base::Skip(at), _) => format!("due point skipped on {}", day(calendar.shop_day_of(at))),
        (Base::Reading(at), _) => format!("reading of {}", day(calendar.shop_day_of(at))),
        (Base::Poured(at), _) => format!("added on {}", day(calendar.shop_day_of(at))),
        (Base::Grid, Counted::Calendar { from: Some(from), .. }) => format!("grid from {from}"),
        (Base::Grid, Counted::Meter { from: Some(from), unit, .. }) => {
            format!("grid, from {}", from.display(*unit))
        }
        (Base::Grid, Counted::Recurrence { rule, .. }) => format!("{} from {}", rule.rule, rule.from),
        (Base::Grid, _) => "grid".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::calendar::{WallTime, Zone};
    use fettler_domain::ids::{MachineId, MeterId, OrderNumber};
    use fettler_domain::plan::{HeldUntil, Section, stamp};
    use fettler_domain::quantity::Unit;
    use fettler_domain::rule::{CalendarUnit, Combine, Every};
    use fettler_domain::time::Ts;

    fn day(text: &str) -> ShopDay {
        ShopDay(text.parse().unwrap())
    }

    fn meter_clause(calendar: &Calendar) -> ClauseState {
        let hours = |hours: i64| Amount(hours * 3_600_000);
        ClauseState {
            base: Base::Closing(calendar.start_of(day("2026-11-03"))),
            due: Some(Ts(calendar.start_of(day("2026-11-24")).0 + 7 * 3_600_000_000)),
            kind: DueKind::Exact,
            opens: None,
            late: None,
            opens_expected: None,
            ahead: None,
            counted: Counted::Meter {
                meter: MeterId(9),
                unit: Unit::Hours,
                every: hours(400),
                from: Some(hours(100)),
                threshold: Some(hours(500)),
                h: Some(Amount(502_500 * 3_600)),
                known_to: Some(calendar.start_of(day("2026-11-24"))),
                expectation: Some(Expectation {
                    basis: Basis::Reports,
                    reports: 20,
                    last_28_days: hours(80),
                    per_day: Amount(80 * 3_600_000 / 28),
                    doubt_percent: 12,
                    silent: false,
                    likeness: Likeness::Family(7),
                    days: BearingDays::Calendar,
                    planned_to: Some(calendar.start_of(day("2026-11-28"))),
                }),
            },
        }
    }

    fn calendar_clause(base: Base) -> ClauseState {
        ClauseState {
            base,
            due: None,
            kind: DueKind::CalendarDay,
            opens: None,
            late: None,
            opens_expected: None,
            ahead: None,
            counted: Counted::Calendar {
                every: Every { n: 6, unit: CalendarUnit::Month },
                from: Some(day("2026-11-03")),
                by_rule: Some(day("2027-05-03")),
                day: Some(day("2027-05-03")),
                shuts: None,
            },
        }
    }

    #[test]
    fn what_a_date_rests_on_names_the_fleet() {
        let calendar = Calendar::every_day(Zone::UTC, WallTime::MIDNIGHT);
        let used = |basis, likeness| Expectation {
            basis,
            reports: 3,
            last_28_days: Amount(0),
            per_day: Amount(7_200_000),
            doubt_percent: 40,
            silent: false,
            likeness,
            days: BearingDays::OwnWeek,
            planned_to: None,
        };
        let told = |used: &Expectation| history(used, Unit::Hours, &calendar, day("2026-11-25"));
        assert_eq!(
            told(&used(Basis::Fleet, Likeness::Assumed)),
            "no report of its own by today; 2 h a day expected, from assumed figures"
        );
        assert_eq!(
            told(&used(Basis::OneReport, Likeness::Site(3))),
            "0 h in the 28 days before; 2 h a day expected, give or take 40 %, from 1 report and mostly the 3 machines of \
             the site"
        );
        let silent = Expectation { silent: true, ..used(Basis::Reports, Likeness::Site(1)) };
        let text = told(&silent);
        let end = "from 3 reports and the 1 machine of the site with a past; reports have stopped: the machine may stand";
        assert!(text.ends_with(end), "{text}");
    }

    #[test]
    fn each_clause_keeps_its_own_words_and_why_begins_with_the_one_that_governs() {
        let calendar = Calendar::every_day(Zone::UTC, WallTime::parse("06:00").unwrap());
        let today = day("2026-11-25");
        let row = PlanRow {
            order: OrderNumber(7),
            task: None,
            machine: MachineId(1),
            section: Section::Dated,
            key_time: Ts(0),
            due: None,
            kind: DueKind::Exact,
            governing: Some(1),
            opens: None,
            late: None,
            opens_expected: None,
            p10: None,
            p50: None,
            p90: None,
            chance_today: None,
            combine: Combine::Earliest,
            clauses: vec![
                calendar_clause(Base::Grid),
                meter_clause(&calendar),
                calendar_clause(Base::Closing(calendar.start_of(day("2026-11-03")))),
            ],
            rule_effective: None,
            held_until: Some(HeldUntil::Change(day("2026-11-20"))),
            covered_by: None,
            hazard: false,
            stamp: stamp(today, 0, &calendar),
        };
        let meters = BTreeMap::from([(9, Key::new("operating").unwrap())]);
        let told = clauses(&row, &meters, &calendar, today);
        let ran = "402.5 of 400 h since 3 Nov, crossed Tuesday 13:00";
        let texts: Vec<&str> = told.iter().map(|clause| clause.text.as_str()).collect();
        assert_eq!(texts, ["every 6 months, on the grid from 3 Nov", ran, "every 6 months, last done 3 Nov"]);
        let bases: Vec<&str> = told.iter().map(|clause| clause.base.as_str()).collect();
        assert_eq!(bases, ["grid from 2026-11-03", "closing of 3 Nov", "closing of 3 Nov"]);
        assert_eq!(told.iter().map(|clause| clause.governs).collect::<Vec<_>>(), [false, true, false]);
        assert_eq!(told[1].clause, "every 400 h operating");
        assert_eq!((told[1].counted.as_str(), told[1].threshold.as_str()), ("402.5", "500"));
        let rests_on = "80 h in the 28 days before; 2.9 h a day expected, give or take 12 %, from 20 reports and the 7 \
            machines of its family; on days that the site works; as planned to 27 Nov";
        assert_eq!(told[1].history, rests_on);
        let expect = format!("{ran}; not before 20 Nov, when the rule changed; hours known to Tuesday 06:00");
        assert_eq!(why(&row, &calendar, today), expect);
    }
}
