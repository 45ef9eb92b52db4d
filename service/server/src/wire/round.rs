//! Rounds, checks as they are walked, and handovers.

use super::check::card_out;
use super::fields::{Fields, SHORT_MAX};
use super::machine::state as machine_state;
use super::people::Names;
use super::reading::{problem, question};
use super::shop_out::point as wire_point;
use super::time::{stamp, stamp_of};
use fettler_domain::error::Error;
use fettler_domain::ids::PersonId;
use fettler_domain::reading::Value;
use fettler_domain::round::answer::{ANSWERS_MAX, AnswerRecord, AnswerSaid, ChecksSaid, Recorded};
use fettler_domain::round::handover::Line;
use fettler_domain::round::ready::Ready;
use fettler_domain::round::{CheckState, Round, Tally, Walked};
use fettler_domain::shop::PointCard;
use fettler_domain::shop::limits::{TEXT_MAX, UNIT_MAX};
use fettler_domain::text::{ForeignName, Name};
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::{
    KeptHandover, MachineReady, MachineRound, MachineState, RoundFilter, RoundHead,
};
use prost_types::Timestamp;

/// Reads at which instant a round is meant.
pub fn at(ask: Option<&Timestamp>, now: Ts) -> Result<Ts, Error> {
    let mut fields = Fields::new();
    let at = fields.optional_instant("at", ask);
    fields.finish(at.map(|at| at.unwrap_or(now)))
}

/// Reads which checks to list, and of which machine, by any of its names.
pub fn filter(ask: &v1::ListChecksRequest, now: Ts) -> Result<(RoundFilter, Option<ForeignName>), Error> {
    let mut fields = Fields::new();
    let at = fields.optional_instant("at", ask.at.as_ref());
    let machine = fields.optional_foreign("machine", &ask.machine);
    let area = fields.optional_line("area", &ask.area, SHORT_MAX);
    let filter = (|| {
        let (at, area) = (at?.unwrap_or(now), area?);
        Some((RoundFilter { at, machine: None, area, only_open: ask.only_open }, machine?))
    })();
    fields.finish(filter)
}

/// Reads what was seen.
pub fn said(ask: &v1::RecordChecksRequest, now: Ts) -> Result<ChecksSaid, Error> {
    let mut fields = Fields::new();
    let machine = fields.foreign("machine", &ask.machine);
    let shift = fields.optional_instant("shift_start", ask.shift_start.as_ref());
    let by = fields.name("by", &ask.by);
    if ask.answers.is_empty() {
        fields.wrong("answers", format!("is empty; give 1 to {ANSWERS_MAX}"));
    }
    let answers = fields.each("answers", &ask.answers, ANSWERS_MAX, |fields, said| answer(fields, said, now));
    fields.unique("answers", "check", ask.answers.iter().map(|said| said.check.as_str()));
    let said = (|| Some(ChecksSaid { machine: machine?, shift: shift?, by: by?, answers }))();
    fields.finish(said)
}

fn answer(fields: &mut Fields, said: &v1::CheckSaid, now: Ts) -> Option<AnswerSaid> {
    let check = fields.key("check", &said.check);
    let at = fields.past_instant("at", said.at.as_ref(), now, "seen");
    let unit = fields.line("unit", &said.unit, UNIT_MAX);
    let value = match said.value.as_str() {
        "" => Some(None),
        text => match Value::parse(text) {
            Ok(_) => Some(Some(text.to_owned())),
            Err(error) => {
                fields.wrong("value", error.to_string());
                None
            }
        },
    };
    let finding = fields.line("finding", &said.finding, TEXT_MAX);
    let (value, finding) = (value?, finding?);
    Some(AnswerSaid {
        check: check?,
        at: at?,
        value: value.zip(unit),
        finding: (!finding.trim().is_empty()).then_some(finding),
        confirmed: said.confirmed,
    })
}

/// Reads which round is ended, by whom and with what note.
pub fn ending(ask: &v1::EndRoundRequest) -> Result<(Option<Ts>, Name, String), Error> {
    let mut fields = Fields::new();
    let shift = fields.optional_instant("shift_start", ask.shift_start.as_ref());
    let by = fields.name("by", &ask.by);
    let note = fields.note("note", &ask.note);
    let ending = (|| Some((shift?, by?, note?)))();
    fields.finish(ending)
}

/// Reads which handover is acknowledged, and by whom.
pub fn acknowledgement(ask: &v1::AcknowledgeHandoverRequest) -> Result<(i64, Name), Error> {
    let mut fields = Fields::new();
    if ask.handover < 0 {
        fields.wrong("handover", format!("{} is no handover; give the number that lists show", ask.handover));
    }
    let by = fields.name("by", &ask.by);
    fields.finish(by.map(|by| (ask.handover, by)))
}

/// A round.
pub fn round(round: &Round) -> v1::Round {
    v1::Round {
        shift_start: Some(stamp(round.start)),
        shift_end: Some(stamp(round.end)),
        shift: round.shift.to_string(),
        shop_day: round.day.to_string(),
    }
}

fn count(count: u32) -> i32 {
    i32::try_from(count).unwrap_or(i32::MAX)
}

/// How far a round is.
pub fn head(head: &RoundHead, names: &Names, zone: &str, now: Ts) -> v1::GetRoundResponse {
    let Tally { due, done, findings, machines } = head.tally;
    let area = |(area, tally): &(String, Tally)| v1::AreaProgress {
        area: area.clone(),
        due: count(tally.due),
        done: count(tally.done),
        findings: count(tally.findings),
    };
    v1::GetRoundResponse {
        round: Some(round(&head.round)),
        due: count(due),
        done: count(done),
        findings: count(findings),
        machines: count(machines),
        areas: head.areas.iter().map(area).collect(),
        handovers: head.handovers.iter().map(|kept| handover(kept, names)).collect(),
        zone: zone.to_owned(),
        as_of: Some(stamp(now)),
    }
}

/// The people whom machines of a round name.
pub fn people_of(machines: &[MachineRound]) -> Vec<PersonId> {
    let answers =
        machines.iter().flat_map(|machine| &machine.checks).filter_map(|check| check.answer.as_ref());
    answers.map(|answer| answer.by).collect()
}

/// The people whom a handover names.
pub fn people_of_handover(kept: &KeptHandover) -> Vec<PersonId> {
    std::iter::once(kept.record.by).chain(kept.acknowledged.map(|(by, _)| by)).collect()
}

/// A machine of a round.
pub fn machine(of: &MachineRound, of_round: &Round, names: &Names, now: Ts) -> v1::RoundMachine {
    v1::RoundMachine {
        machine: of.tag.to_string(),
        name: of.name.to_string(),
        area: of.area.clone(),
        state: machine_state(of.state).into(),
        reason: of.reason.clone(),
        checks: of.checks.iter().map(|check| walked(check, &of.points, of_round, names, now)).collect(),
    }
}

fn walked(of: &Walked, points: &[PointCard], of_round: &Round, names: &Names, now: Ts) -> v1::RoundCheck {
    let state = match of.state(of_round, now) {
        CheckState::Open => v1::CheckState::Open,
        CheckState::Good => v1::CheckState::Good,
        CheckState::Finding => v1::CheckState::Finding,
        CheckState::Missed => v1::CheckState::Missed,
    };
    let point = of.check.point.as_ref().and_then(|key| points.iter().find(|card| card.key == *key));
    v1::RoundCheck {
        check: Some(card_out(&of.check)),
        state: state.into(),
        point: point.map(wire_point),
        answer: of.answer.as_ref().map(|answer| seen(answer, names)),
    }
}

fn seen(answer: &AnswerRecord, names: &Names) -> v1::CheckAnswer {
    v1::CheckAnswer {
        at: Some(stamp(answer.at)),
        by: names.of(answer.by),
        entered_at: Some(stamp(answer.entered_at)),
        value: answer.value.clone().unwrap_or_default(),
        finding: answer.finding.clone().unwrap_or_default(),
        order: answer.order.map_or(0, |order| order.0),
        reading: answer.reading,
    }
}

/// What became of an answer.
pub fn recorded(check: &str, became: &Recorded) -> v1::RecordedCheck {
    let outcome = if became.recorded {
        v1::CheckOutcome::Recorded
    } else if became.duplicate {
        v1::CheckOutcome::Duplicate
    } else if became.odd.is_empty() {
        v1::CheckOutcome::Refused
    } else {
        v1::CheckOutcome::AskedBack
    };
    v1::RecordedCheck {
        check: check.to_owned(),
        outcome: outcome.into(),
        questions: became.odd.iter().map(question).collect(),
        problems: became.wrong.iter().map(problem).collect(),
        order: became.order.map_or(0, |order| order.0),
        remarks: became.remarks.clone(),
    }
}

/// How a machine stands before a shift.
pub fn ready(of: &MachineReady) -> v1::MachineReadiness {
    let (mut ready_at, mut begin_by) = (None, None);
    let (readiness, why) = match (&of.ready, of.state) {
        (None, MachineState::Resting) => (v1::Readiness::Resting, of.reason.clone()),
        (None, _) => (v1::Readiness::MustNotStart, of.reason.clone()),
        (Some(Ready::MustNotStart(why)), _) => (v1::Readiness::MustNotStart, why.clone()),
        (Some(Ready::Warm), _) => (v1::Readiness::Warm, String::new()),
        (Some(Ready::RunsOn), _) => (
            v1::Readiness::Warm,
            "taken to run on, as no break comes before the shift; not looked at".to_owned(),
        ),
        (Some(Ready::Armed), _) => (v1::Readiness::Armed, String::new()),
        (Some(Ready::Cold { ready_at: at, begin_by: by }), _) => {
            (ready_at, begin_by) = (Some(*at), Some(*by));
            (v1::Readiness::Cold, String::new())
        }
    };
    v1::MachineReadiness {
        machine: of.tag.to_string(),
        name: of.name.to_string(),
        area: of.area.clone(),
        readiness: readiness.into(),
        why,
        ready_at: stamp_of(ready_at),
        begin_by: stamp_of(begin_by),
    }
}

/// A handover.
pub fn handover(kept: &KeptHandover, names: &Names) -> v1::Handover {
    let line = |line: &Line| v1::HandoverLine {
        machine: line.machine.to_string(),
        check: line.check.to_string(),
        finding: line.finding.clone(),
        order: line.order.map_or(0, |order| order.0),
    };
    let record = &kept.record;
    v1::Handover {
        handover: kept.number,
        round: Some(round(&record.round)),
        by: names.of(record.by),
        at: Some(stamp(record.at)),
        note: record.note.clone(),
        due: count(record.tally.due),
        done: count(record.tally.done),
        findings: record.findings.iter().map(line).collect(),
        left_open: record.left_open.iter().map(line).collect(),
        acknowledged_by: kept.acknowledged.map(|(by, _)| names.of(by)).unwrap_or_default(),
        acknowledged_at: stamp_of(kept.acknowledged.map(|(_, at)| at)),
    }
}
