//! Readings and test points.

use super::fields::{Fields, LINE_MAX, SHORT_MAX, Said};
use super::people::Names;
use super::shop_out::point as wire_point;
use super::time::{stamp, stamp_of};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::{Error, Violation};
use fettler_domain::ids::PersonId;
use fettler_domain::reading::ask::{Odd, OddKind};
use fettler_domain::reading::course::{Course, Movement, Placed, course};
use fettler_domain::reading::{PointUnit, ReadingTold, Step, TOLD_MAX, Value};
use fettler_domain::shop::limits::UNIT_MAX;
use fettler_domain::text::{ForeignName, Key};
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::{
    KeptReading, PointHistory, PointService, ReadingFilter, TakenReading, Telling, Withdrawal,
};

/// A value that may be left out.
pub fn optional_value(fields: &mut Fields, field: &str, text: &str) -> Said<Option<Value>> {
    if text.is_empty() { Some(None) } else { value(fields, field, text).map(Some) }
}

fn value(fields: &mut Fields, field: &str, text: &str) -> Option<Value> {
    match Value::parse(text) {
        Ok(value) => Some(value),
        Err(error) => {
            fields.wrong(field, error.to_string());
            None
        }
    }
}

/// A value as text; empty for none.
pub fn value_text(value: Option<Value>) -> String {
    value.as_ref().map(Value::to_string).unwrap_or_default()
}

/// Reads what is told at `now`: each reading by itself, so that one which cannot be read spoils no other.
pub fn told(ask: &v1::TakeReadingsRequest, now: Ts) -> Result<Vec<Telling>, Error> {
    if ask.readings.is_empty() || ask.readings.len() > TOLD_MAX {
        let text = format!("has {} entries; give 1 to {TOLD_MAX}", ask.readings.len());
        return Err(Error::invalid("readings", text));
    }
    Ok(ask.readings.iter().map(|said| one_told(said, now)).collect())
}

fn one_told(said: &v1::ReadingSaid, now: Ts) -> Telling {
    let mut fields = Fields::new();
    let machine = fields.foreign("machine", &said.machine);
    let point = fields.key("point", &said.point);
    let read = value(&mut fields, "value", &said.value);
    let unit = fields.line("unit", &said.unit, UNIT_MAX);
    let at = fields.past_instant("at", said.at.as_ref(), now, "read");
    let by = fields.name("by", &said.by);
    let record = fields.optional_line("electrician_record", &said.electrician_record, SHORT_MAX);
    let note = fields.note("note", &said.note);
    let told = (|| {
        read?;
        Some(ReadingTold {
            machine: machine?,
            point: point?,
            value: said.value.clone(),
            unit: unit?,
            at: at?,
            by: by?,
            electrician_record: record?,
            confirmed: said.confirmed,
            note: note?,
        })
    })();
    match told {
        Some(told) if fields.is_clean() => Ok(told),
        _ => Err(fields.into_violations()),
    }
}

/// Reads which reading is withdrawn, by whom and why.
pub fn withdrawal(ask: &v1::WithdrawReadingRequest) -> Result<Withdrawal, Error> {
    let mut fields = Fields::new();
    let withdrawal = fields.withdrawal(ask.entry, &ask.by, &ask.reason);
    fields.finish(withdrawal)
}

/// Reads which readings to list.
pub fn filter(ask: &v1::ListReadingsRequest) -> Result<ReadingFilter, Error> {
    let mut fields = Fields::new();
    let machine = fields.optional_foreign("machine", &ask.machine);
    let point = fields.optional_key("point", &ask.point);
    if !ask.point.is_empty() && ask.machine.is_empty() {
        fields.wrong("machine", "is missing; a test point's key belongs to a machine, so give its tag too");
    }
    fields.finish(machine.zip(point).map(|(machine, point)| ReadingFilter {
        machine: machine.map(|machine| machine.to_string()),
        point,
        out_of_limits: ask.out_of_limits,
    }))
}

/// Reads which point is to be explained.
pub fn explain(ask: &v1::ExplainPointRequest) -> Result<(ForeignName, Key), Error> {
    let mut fields = Fields::new();
    let machine = fields.foreign("machine", &ask.machine);
    let point = fields.key("point", &ask.point);
    fields.finish(machine.zip(point))
}

/// The people whom a reading names.
pub fn people_of(kept: &KeptReading) -> impl Iterator<Item = PersonId> + use<> {
    let withdrawn = kept.record.withdrawn.as_ref().map(|withdrawn| withdrawn.by);
    std::iter::once(kept.record.by).chain(withdrawn)
}

/// The people whom answers name.
pub fn people_of_all(taken: &[TakenReading]) -> Vec<PersonId> {
    let kept = taken.iter().filter_map(|taken| match taken {
        TakenReading::Taken(kept, _) | TakenReading::Duplicate(kept) => Some(kept),
        TakenReading::AskedBack(_) | TakenReading::Refused(_) => None,
    });
    kept.flat_map(|kept| people_of(kept)).collect()
}

/// What became of a reading.
pub fn taken(taken: &TakenReading, names: &Names) -> v1::TakenReading {
    match taken {
        TakenReading::Taken(kept, remarks) => v1::TakenReading {
            outcome: v1::ReadingOutcome::Taken.into(),
            reading: Some(reading(kept, names)),
            remarks: remarks.clone(),
            ..Default::default()
        },
        TakenReading::Duplicate(kept) => v1::TakenReading {
            outcome: v1::ReadingOutcome::Duplicate.into(),
            reading: Some(reading(kept, names)),
            ..Default::default()
        },
        TakenReading::AskedBack(odd) => v1::TakenReading {
            outcome: v1::ReadingOutcome::AskedBack.into(),
            questions: odd.iter().map(question).collect(),
            ..Default::default()
        },
        TakenReading::Refused(wrong) => v1::TakenReading {
            outcome: v1::ReadingOutcome::Refused.into(),
            problems: wrong.iter().map(problem).collect(),
            ..Default::default()
        },
    }
}

/// Why a field cannot be taken.
pub fn problem(wrong: &Violation) -> v1::FieldProblem {
    v1::FieldProblem { field: wrong.field.clone(), text: shown_text(&wrong.text) }
}

/// A complaint cut to a length that fits a screen.
fn shown_text(text: &str) -> String {
    text.chars().take(LINE_MAX).collect()
}

/// What is odd about a value.
pub fn question(odd: &Odd) -> v1::ReadingQuestion {
    v1::ReadingQuestion {
        oddity: oddity(odd.kind).into(),
        field: odd.field.to_string(),
        text: odd.text.clone(),
    }
}

fn oddity(kind: OddKind) -> v1::ReadingOddity {
    match kind {
        OddKind::OtherUnit => v1::ReadingOddity::OtherUnit,
        OddKind::WrongUnit => v1::ReadingOddity::WrongUnit,
        OddKind::Impossible => v1::ReadingOddity::Impossible,
        OddKind::FarFromLast => v1::ReadingOddity::FarFromLast,
        OddKind::ToldOtherwise => v1::ReadingOddity::ToldOtherwise,
        OddKind::NotLicensed => v1::ReadingOddity::NotLicensed,
        OddKind::UnknownCheck => v1::ReadingOddity::UnknownCheck,
    }
}

/// A reading as it is kept.
pub fn reading(kept: &KeptReading, names: &Names) -> v1::PointReading {
    let record = &kept.record;
    let verdict = match record.beyond.map(|beyond| beyond.step) {
        Some(Step::Act) => v1::ReadingVerdict::Act,
        Some(Step::Stop) => v1::ReadingVerdict::Stop,
        None if record.limits.is_none() || record.value.is_none() => v1::ReadingVerdict::NotJudged,
        None => v1::ReadingVerdict::Good,
    };
    let withdrawn = record.withdrawn.as_ref();
    v1::PointReading {
        entry: kept.entry,
        machine: kept.machine.to_string(),
        point: record.point.to_string(),
        value: value_text(record.value),
        unit: record.unit.clone(),
        said_value: record.said_value.clone(),
        said_unit: record.said_unit.clone(),
        at: Some(stamp(record.at)),
        entered_at: Some(stamp(record.entered_at)),
        by: names.of(record.by),
        verdict: verdict.into(),
        beyond: record.beyond.map(|beyond| beyond.in_words(record.sign())).unwrap_or_default(),
        confirmed: record.confirmed.iter().map(|kind| oddity(*kind).into()).collect(),
        electrician_record: record.electrician_record.clone().unwrap_or_default(),
        closing: record.closing.map_or(0, |closing| closing.0),
        withdrawn_at: withdrawn.map(|withdrawn| stamp(withdrawn.at)),
        withdrawn_by: names.of_some(withdrawn.map(|withdrawn| withdrawn.by)),
        withdrawn_reason: withdrawn.map(|withdrawn| withdrawn.reason.clone()).unwrap_or_default(),
        note: kept.note.clone().unwrap_or_default(),
    }
}

/// A point explained: what its readings tell since it was last served.
pub fn explained(
    history: &PointHistory,
    names: &Names,
    calendar: &Calendar,
    now: Ts,
) -> v1::ExplainPointResponse {
    let card = &history.card;
    let anew = history.services.iter().filter(|service| service.starts_anew).map(|service| service.at).max();
    let told = history.readings.iter().filter(|kept| kept.record.tells());
    let told = told.filter(|kept| anew.is_none_or(|anew| kept.record.at >= anew));
    let placed: Vec<Placed> = told
        .filter_map(|kept| Some(Placed { at: kept.record.at, value: kept.record.value_in(&card.unit)? }))
        .collect();
    let found = course(&placed, &card.limits);
    let sign = PointUnit::parse(&card.unit).map_or("", PointUnit::sign);
    let reach = found.reaches;
    v1::ExplainPointResponse {
        point: Some(wire_point(card)),
        readings: history.readings.iter().map(|kept| in_unit(kept, &card.unit, names)).collect(),
        services: history.services.iter().map(service).collect(),
        movement: movement(&found).into(),
        text: found.in_words(sign, calendar, calendar.shop_day_of(now)),
        reaches: stamp_of(reach.map(|reach| reach.expected)),
        reaches_earliest: stamp_of(reach.map(|reach| reach.earliest)),
        reaches_latest: stamp_of(reach.and_then(|reach| reach.latest)),
        as_of: Some(stamp(now)),
        zone: calendar.zone().to_string(),
    }
}

/// A reading with its value in the point's present unit.
fn in_unit(kept: &KeptReading, unit: &str, names: &Names) -> v1::PointReading {
    let value = value_text(kept.record.value_in(unit));
    v1::PointReading { value, unit: unit.to_owned(), ..reading(kept, names) }
}

fn movement(found: &Course) -> v1::PointMovement {
    match found.movement {
        Movement::TooFew => v1::PointMovement::TooFew,
        Movement::Steady => v1::PointMovement::Steady,
        Movement::Step { .. } => v1::PointMovement::Step,
        Movement::Drift { .. } => v1::PointMovement::Drift,
    }
}

fn service(service: &PointService) -> v1::PointService {
    v1::PointService {
        at: Some(stamp(service.at)),
        order: service.order.0,
        title: service.title.to_string(),
        starts_anew: service.starts_anew,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::time::MICROS_PER_MINUTE;

    const NOW: Ts = Ts(1_795_600_200_000_000);

    fn said() -> v1::ReadingSaid {
        let text = str::to_owned;
        v1::ReadingSaid {
            machine: text("L-03"),
            point: text("p-air"),
            value: text("6.1"),
            by: text("Ada"),
            ..Default::default()
        }
    }

    #[test]
    fn a_reading_that_cannot_be_read_names_each_field_and_spoils_no_other() {
        let ahead = stamp(Ts(NOW.0 + 2 * MICROS_PER_MINUTE));
        let bad = v1::ReadingSaid {
            machine: String::new(),
            point: "p air".into(),
            value: "6,1".into(),
            at: Some(ahead),
            by: String::new(),
            ..said()
        };
        let ask = v1::TakeReadingsRequest { readings: vec![said(), bad], ..Default::default() };
        let told = told(&ask, NOW).expect("a list");
        let good = told[0].as_ref().expect("a reading");
        assert_eq!((good.at, good.value.as_str(), good.confirmed), (NOW, "6.1", false));
        let fields: Vec<&str> = told[1].as_ref().expect_err("bad").iter().map(|v| v.field.as_str()).collect();
        assert_eq!(fields, ["machine", "point", "value", "at", "by"]);
    }

    #[test]
    fn a_list_of_readings_has_bounds() {
        let of = |count| v1::TakeReadingsRequest { readings: vec![said(); count], ..Default::default() };
        assert!(told(&of(0), NOW).is_err());
        assert!(told(&of(TOLD_MAX), NOW).is_ok());
        assert!(told(&of(TOLD_MAX + 1), NOW).is_err());
    }
}
