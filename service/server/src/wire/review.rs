//! The review of intervals: what is asked, and advice in words.

use super::fields::Fields;
use super::time::stamp_of;
use fettler_domain::error::Error;
use fettler_domain::review::rule::shown;
use fettler_domain::review::{Told, Verdict};
use fettler_domain::shop::limits::TEXT_MAX;
use fettler_domain::text::Key;
use fettler_proto::v1;
use fettler_store::contract::{AdviceAnswer, AdviceFilter, AdvicePlace, AdviceRecord, AdviceSubject};

/// The most tasks that are looked at for a page.
pub const TASKS_AT_ONCE: u32 = 100;

/// Reads which tasks are to be looked at.
pub fn filter(ask: &v1::ListAdviceRequest) -> Result<AdviceFilter, Error> {
    let mut fields = Fields::new();
    let machine = fields.optional_foreign("machine", &ask.machine);
    let family = fields.line("family", &ask.family, TEXT_MAX);
    let task = fields.optional_key("task", &ask.task);
    let read = machine.zip(family).zip(task).map(|((machine, family), task)| AdviceFilter {
        machine: machine.map(|name| name.to_string()),
        family: Some(family).filter(|family| !family.is_empty()),
        task,
    });
    fields.finish(read)
}

/// Reads which task is meant.
pub fn subject(ask: &v1::GetAdviceRequest) -> Result<AdviceSubject, Error> {
    let mut fields = Fields::new();
    let read = subject_of(&mut fields, &ask.machine, &ask.sheet, &ask.task);
    fields.finish(read)
}

fn subject_of(fields: &mut Fields, machine: &str, sheet: &str, task: &str) -> Option<AdviceSubject> {
    let place = match (machine.is_empty(), sheet.is_empty()) {
        (false, true) => fields.key("machine", machine).map(AdvicePlace::Machine),
        (true, false) => fields.key("sheet", sheet).map(AdvicePlace::Sheet),
        (true, true) => {
            fields.wrong("sheet", "is missing; give the task sheet, or the machine whose own task is meant");
            None
        }
        (false, false) => {
            fields.wrong("sheet", "stands beside a machine; give the one whose rule it is");
            None
        }
    };
    let task = fields.key("task", task);
    Some(AdviceSubject { place: place?, task: task? })
}

/// Reads an answer.
pub fn answer(ask: &v1::AnswerAdviceRequest) -> Result<AdviceAnswer, Error> {
    let mut fields = Fields::new();
    let subject = subject_of(&mut fields, &ask.machine, &ask.sheet, &ask.task);
    let accept = match v1::AdviceAnswer::try_from(ask.answer) {
        Ok(v1::AdviceAnswer::Accept) => Some(true),
        Ok(v1::AdviceAnswer::Decline) => Some(false),
        Ok(v1::AdviceAnswer::Unspecified) | Err(_) => {
            super::units::unknown_value(&mut fields, "answer", ask.answer, "accept or decline");
            None
        }
    };
    let interval = fields.positive_text("interval", &ask.interval);
    let by = fields.name("by", &ask.by);
    let reason = fields.line("reason", &ask.reason, TEXT_MAX);
    let read = (subject, accept, interval, by, reason);
    let read = match read {
        (Some(subject), Some(accept), Some(interval), Some(by), Some(reason)) => {
            Some(AdviceAnswer { subject, accept, interval, by, reason })
        }
        _ => None,
    };
    fields.finish(read)
}

/// Whether an advice is shown where only changes are asked for.
pub fn speaks(record: &AdviceRecord) -> bool {
    record.told.advised.is_some() && !record.is_quiet()
}

/// An advice.
pub fn advice(record: &AdviceRecord) -> v1::Advice {
    let Told { title, unit, terms, evidence, advice, advised, .. } = &record.told;
    let count = |count: usize| i32::try_from(count).unwrap_or(i32::MAX);
    let verdict = match record.told.verdict() {
        Verdict::Keep => v1::AdviceVerdict::Keep,
        Verdict::Shorter => v1::AdviceVerdict::Shorter,
        Verdict::Longer => v1::AdviceVerdict::Longer,
        Verdict::NotEnough => v1::AdviceVerdict::NotEnough,
    };
    v1::Advice {
        subject: Some(wire_subject(&record.subject)),
        title: title.clone(),
        verdict: verdict.into(),
        interval: shown(terms.interval),
        advised_interval: advised.map(shown).unwrap_or_default(),
        unit: unit.clone(),
        words: record.told.words(),
        because: record.told.because(),
        closings: count(evidence.closings),
        found_failed: count(evidence.found_failed),
        broke_down: count(evidence.broke_down),
        found_worn: count(evidence.worn),
        not_told: count(evidence.unknown),
        machines: count(evidence.machines),
        good_now: advice.good_now,
        good_then: advice.good_then.filter(|_| advised.is_some()),
        wanted_interval: advice.wanted,
        wanted_low: advice.between.0,
        wanted_high: advice.between.1,
        shape: advice.shape,
        declined: record.is_quiet(),
        declined_at: stamp_of(record.declined.map(|(at, _)| at)),
    }
}

fn wire_subject(subject: &AdviceSubject) -> v1::AdviceSubject {
    let (sheet, machine) = match &subject.place {
        AdvicePlace::Sheet(key) => (key.to_string(), String::new()),
        AdvicePlace::Machine(tag) => (String::new(), tag.to_string()),
    };
    v1::AdviceSubject { sheet, machine, task: Key::to_string(&subject.task) }
}
