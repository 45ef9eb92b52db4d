//! Shift reports, what became of them, and meters.

use super::fields::{Fields, Said};
use super::held;
use super::time::{stamp, stamp_of};
use super::units::{exact, feed, kind, unit};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::{Error, Violation};
use fettler_domain::ledger::changes::Outcome;
use fettler_domain::ledger::report::{Content, Received, ReportId, ReportKey, Statement};
use fettler_domain::ledger::row::{Settlement, State};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::shop::{MeterRecord, MeterShows};
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::{Acknowledged, HeldCounts, KeptReport, ReportFilter, Settled};

/// The most reports of one `PushReports` call.
pub const REPORTS_MAX: usize = 10_000;

/// A report that was read, or the answer that it was refused with.
pub type Read = Result<Received, Box<v1::Acknowledgement>>;

/// Reads a report. One that has no identity or cannot be read gives its own refusal and spoils nothing else.
pub fn read(report: Option<&v1::ShiftReport>, received_at: Ts) -> Read {
    let nothing = v1::ShiftReport::default();
    let report = report.unwrap_or(&nothing);
    let mut fields = Fields::new();
    let source = fields.foreign("source", &report.source);
    let name = fields.foreign("report_id", &report.report_id);
    let machine = fields.foreign("machine", &report.machine);
    let meter = fields.optional_foreign("meter", &report.meter);
    let statement = statement(&mut fields, report.statement.as_ref());
    let all = source.zip(name).zip(machine).zip(meter).zip(statement);
    match all {
        Some(((((source, name), machine), meter), statement)) if fields.is_clean() => {
            let content = Content { machine, meter, statement };
            Ok(Received::new(ReportId { source, report: name }, report.revision, content, received_at))
        }
        _ => Err(Box::new(refusal(report, fields.into_violations()))),
    }
}

/// The most characters that are told of what could not be read.
const UNREADABLE_MAX: usize = 600;

/// The refusal of what could not be read on the way, where and why: `line 3: …`.
pub fn unread(why: &str) -> v1::Acknowledgement {
    let why: String = why.chars().filter(|sign| !sign.is_control()).take(UNREADABLE_MAX).collect();
    let (place, why) = why.split_once(": ").unwrap_or(("report", why.as_str()));
    refusal(&v1::ShiftReport::default(), vec![Violation::new(place, why)])
}

fn statement(fields: &mut Fields, said: Option<&v1::shift_report::Statement>) -> Option<Statement> {
    match said {
        Some(v1::shift_report::Statement::Interval(said)) => fields.within("interval", |fields| {
            let start = fields.instant("start", said.start.as_ref());
            let end = fields.instant("end", said.end.as_ref());
            let unit = fields.unit("unit", said.unit)?;
            let amount = fields.amount("amount", &said.amount, unit)?;
            Some(Statement::Interval { start: start?, end: end?, unit, amount })
        }),
        Some(v1::shift_report::Statement::Reading(said)) => fields.within("reading", |fields| {
            let at = fields.instant("at", said.at.as_ref());
            let unit = fields.unit("unit", said.unit)?;
            let value = fields.amount("value", &said.value, unit)?;
            Some(Statement::Absolute { at: at?, unit, value })
        }),
        Some(v1::shift_report::Statement::Withdrawal(_)) => Some(Statement::Withdrawn),
        None => {
            fields.wrong("statement", "is missing; give an interval, a reading or a withdrawal");
            None
        }
    }
}

fn refusal(report: &v1::ShiftReport, found: Vec<Violation>) -> v1::Acknowledgement {
    let echoed = |text: &str| text.chars().take(ForeignName::MAX).collect();
    v1::Acknowledgement {
        report: Some(v1::ReportReference {
            source: echoed(&report.source),
            report_id: echoed(&report.report_id),
            revision: report.revision,
            digest: String::new(),
        }),
        outcome: v1::Outcome::Refused.into(),
        problems: found.into_iter().map(|v| v1::FieldProblem { field: v.field, text: v.text }).collect(),
        ..Default::default()
    }
}

/// A report by its whole identity.
pub fn reference(key: &ReportKey) -> v1::ReportReference {
    v1::ReportReference {
        source: key.source.to_string(),
        report_id: key.report.to_string(),
        revision: key.revision,
        digest: key.digest.to_string(),
    }
}

fn references(keys: &[ReportKey]) -> Vec<v1::ReportReference> {
    keys.iter().map(reference).collect()
}

/// The unit in which a report states; hours for a withdrawal, which states nothing.
pub fn unit_of(content: &Content) -> Unit {
    match content.statement {
        Statement::Interval { unit, .. } | Statement::Absolute { unit, .. } => unit,
        Statement::Withdrawn => Unit::Hours,
    }
}

/// What became of a pushed report that states in `unit`.
pub fn acknowledgement(told: &Acknowledged, unit: Unit, calendar: &Calendar, now: Ts) -> v1::Acknowledgement {
    let (outcome, became, reason) = match &told.outcome {
        Outcome::Accepted => (v1::Outcome::Accepted, v1::ReportState::Unspecified, None),
        Outcome::Duplicate { state, reason } => {
            (v1::Outcome::Duplicate, report_state(*state), reason.as_ref())
        }
        Outcome::Replaces => (v1::Outcome::Replaces, v1::ReportState::Unspecified, None),
        Outcome::Superseded => (v1::Outcome::Superseded, v1::ReportState::Unspecified, None),
        Outcome::Held { reason } => (v1::Outcome::Held, v1::ReportState::Unspecified, Some(reason)),
    };
    let left = told.left.filter(|(amount, _)| *amount != Amount::ZERO);
    v1::Acknowledgement {
        report: Some(reference(&told.key)),
        outcome: outcome.into(),
        became: became.into(),
        reason: reason.map(|reason| held::reason(reason, unit, calendar, now)),
        left: left.map(|(amount, unit)| exact(amount, unit)).unwrap_or_default(),
        displaced: references(&told.displaced),
        let_in: references(&told.let_in),
        problems: Vec::new(),
        remarks: told.remarks.iter().cloned().chain(of_same_revision(told)).collect(),
    }
}

/// What is to be said of a report that stands in the place of its own revision with other content, be it to count, to be held for
/// another reason, or to withdraw: nothing tells which of the two was meant.
fn of_same_revision(told: &Acknowledged) -> Option<String> {
    let ReportKey { report, revision, digest, .. } = &told.key;
    let is_same = |key: &&ReportKey| key.id() == told.key.id() && key.revision == *revision;
    let other = told.displaced.iter().find(is_same)?;
    Some(format!(
        "report {report}: revision {revision} came before with other content ({}), which is held now; of the two the one with the smaller \
         digest stands, this one ({}); send a higher revision with what is meant",
        held::short(&other.digest.to_string()),
        held::short(&digest.to_string()),
    ))
}

fn report_state(state: State) -> v1::ReportState {
    match state {
        State::Counted => v1::ReportState::Counted,
        State::Held => v1::ReportState::Held,
        State::Superseded => v1::ReportState::Superseded,
        State::Dropped => v1::ReportState::Dropped,
        State::Withdrawn => v1::ReportState::Withdrawn,
        State::Check => v1::ReportState::Check,
    }
}

/// A report as the ledger keeps it.
pub fn kept(kept: &KeptReport, calendar: &Calendar, now: Ts) -> v1::KeptReport {
    let row = &kept.row;
    v1::KeptReport {
        report: Some(reference(&row.key)),
        sent: Some(sent(&row.key, &row.content)),
        state: report_state(row.state).into(),
        reason: row.reason.as_ref().map(|reason| held::reason(reason, unit_of(&row.content), calendar, now)),
        machine: kept.machine.as_ref().map(Key::to_string).unwrap_or_default(),
        meter: kept.meter.as_ref().map(Key::to_string).unwrap_or_default(),
        received_at: Some(stamp(row.received_at)),
        entry: kept.entry,
    }
}

fn sent(key: &ReportKey, content: &Content) -> v1::ShiftReport {
    let statement = match content.statement {
        Statement::Interval { start, end, unit: of, amount } => {
            v1::shift_report::Statement::Interval(v1::IntervalStatement {
                start: Some(stamp(start)),
                end: Some(stamp(end)),
                amount: exact(amount, of),
                unit: unit(of).into(),
            })
        }
        Statement::Absolute { at, unit: of, value } => {
            v1::shift_report::Statement::Reading(v1::ReadingStatement {
                at: Some(stamp(at)),
                value: exact(value, of),
                unit: unit(of).into(),
            })
        }
        Statement::Withdrawn => v1::shift_report::Statement::Withdrawal(v1::WithdrawalStatement {}),
    };
    v1::ShiftReport {
        source: key.source.to_string(),
        report_id: key.report.to_string(),
        revision: key.revision,
        machine: content.machine.to_string(),
        meter: content.meter.as_ref().map(ForeignName::to_string).unwrap_or_default(),
        statement: Some(statement),
    }
}

/// Which reports to list.
pub fn filter(ask: &v1::ListReportsRequest) -> Result<ReportFilter, Error> {
    let mut fields = Fields::new();
    let machine = fields.optional_key("machine", &ask.machine);
    let source = fields.optional_foreign("source", &ask.source);
    fields.finish(machine.zip(source).map(|(machine, source)| ReportFilter { machine, source, held: None }))
}

/// Which held reports to list.
pub fn held_filter(ask: &v1::ListHeldReportsRequest) -> Result<ReportFilter, Error> {
    let mut fields = Fields::new();
    let word = held::word(&mut fields, "code", ask.code);
    fields.finish(word.map(|word| ReportFilter { machine: None, source: None, held: Some(word) }))
}

/// A manager's decision on a held report.
pub struct SettleSaid {
    /// Who states the report.
    pub source: ForeignName,
    /// The source's own id for it.
    pub report: ForeignName,
    /// The revision.
    pub revision: u32,
    /// The digest of the content, where it was given.
    pub digest: Option<[u8; 32]>,
    /// Count or drop.
    pub settlement: Settlement,
    /// Who decides.
    pub by: Name,
    /// Why.
    pub note: String,
}

/// Reads a settlement.
pub fn settle(ask: &v1::SettleReportRequest) -> Result<SettleSaid, Error> {
    let mut fields = Fields::new();
    let nothing = v1::ReportReference::default();
    let of = ask.report.as_ref().unwrap_or(&nothing);
    let report = fields.within("report", |fields| {
        let source = fields.foreign("source", &of.source);
        let report = fields.foreign("report_id", &of.report_id);
        let digest = digest(fields, &of.digest);
        source.zip(report).zip(digest)
    });
    let settlement = settlement(&mut fields, ask.settlement);
    let by = fields.name("by", &ask.by);
    let note = fields.note("note", &ask.note);
    let said = report.zip(settlement).zip(by).zip(note);
    fields.finish(said.map(|(((((source, report), digest), settlement), by), note)| SettleSaid {
        source,
        report,
        revision: of.revision,
        digest,
        settlement,
        by,
        note,
    }))
}

fn digest(fields: &mut Fields, text: &str) -> Said<Option<[u8; 32]>> {
    let mut bytes = [0; 32];
    if text.is_empty() {
        return Some(None);
    }
    if hex::decode_to_slice(text, &mut bytes).is_err() {
        let text = super::fields::shown(text);
        fields
            .wrong("digest", format!("`{text}` is not 64 hexadecimal digits; copy it from the held report"));
        return None;
    }
    Some(Some(bytes))
}

/// Who says a report, where it is a person's word.
pub fn said_by(by: &str) -> Result<Option<Name>, Error> {
    let mut fields = Fields::new();
    let by = fields.optional_name("by", by);
    fields.finish(by)
}

fn settlement(fields: &mut Fields, value: i32) -> Option<Settlement> {
    match v1::Settlement::try_from(value) {
        Ok(v1::Settlement::Count) => Some(Settlement::Count),
        Ok(v1::Settlement::Drop) => Some(Settlement::Drop),
        Ok(v1::Settlement::Unspecified) | Err(_) => {
            fields.wrong("settlement", format!("{value} says neither count nor drop; give one of the two"));
            None
        }
    }
}

/// What came of a settlement.
pub fn settled(done: &Settled, calendar: &Calendar, now: Ts) -> v1::SettleReportResponse {
    v1::SettleReportResponse {
        report: Some(kept(&done.report, calendar, now)),
        displaced: references(&done.displaced),
        let_in: references(&done.let_in),
    }
}

/// A meter named by a machine and, where it has several, its own key.
pub struct MeterSaid {
    /// The machine's tag.
    pub machine: Key,
    /// The meter's key.
    pub meter: Option<Key>,
    /// At which instant.
    pub at: Ts,
    /// Who says it.
    pub by: Name,
}

fn meter_said(
    fields: &mut Fields,
    (machine, meter): (&str, &str),
    (at, now): (Option<&prost_types::Timestamp>, Ts),
    by: &str,
) -> Option<MeterSaid> {
    let machine = fields.key("machine", machine);
    let meter = fields.optional_key("meter", meter);
    let at = fields.optional_instant("at", at);
    let by = fields.name("by", by);
    Some(MeterSaid { machine: machine?, meter: meter?, at: at?.unwrap_or(now), by: by? })
}

/// Reads a counter's replacement, said at `now`: the meter, the closing and the opening value.
pub fn replacement(ask: &v1::ReplaceCounterRequest, now: Ts) -> Result<(MeterSaid, String, String), Error> {
    let mut fields = Fields::new();
    let said = meter_said(&mut fields, (&ask.machine, &ask.meter), (ask.at.as_ref(), now), &ask.by);
    let closing = fields.amount_text("closing_value", &ask.closing_value);
    let opening = if ask.opening_value.is_empty() { "0" } else { &ask.opening_value };
    let opening = fields.amount_text("opening_value", opening);
    fields.finish(said.zip(closing).zip(opening).map(|((said, closing), opening)| (said, closing, opening)))
}

/// Reads an adjustment, said at `now`: the meter, the amount and why.
pub fn adjustment(ask: &v1::BookAdjustmentRequest, now: Ts) -> Result<(MeterSaid, String, String), Error> {
    let mut fields = Fields::new();
    let said = meter_said(&mut fields, (&ask.machine, &ask.meter), (ask.at.as_ref(), now), &ask.by);
    let amount = fields.amount("amount", &ask.amount, Unit::Hours);
    if amount == Some(Amount::ZERO) {
        fields.wrong(
            "amount",
            format!("`{}` changes nothing; give what is to be added or taken away", ask.amount),
        );
    }
    let note = fields.required_note("note", &ask.note);
    fields.finish(said.zip(note).map(|(said, note)| (said, ask.amount.clone(), note)))
}

/// Reads which meter is asked for, and at which instant.
pub fn meter_ask(ask: &v1::GetMeterRequest) -> Result<(ForeignName, Option<Key>, Option<Ts>), Error> {
    let mut fields = Fields::new();
    let machine = fields.foreign("machine", &ask.machine);
    let meter = fields.optional_key("meter", &ask.meter);
    let at = fields.optional_instant("at", ask.at.as_ref());
    fields.finish(machine.zip(meter).zip(at).map(|((machine, meter), at)| (machine, meter, at)))
}

/// A meter and what it shows.
pub fn meter(machine: &str, record: &MeterRecord, shows: &MeterShows) -> v1::Meter {
    let of = record.kind.unit();
    let text = |amount: Option<Amount>| amount.map(|amount| exact(amount, of)).unwrap_or_default();
    v1::Meter {
        machine: machine.to_owned(),
        key: record.key.to_string(),
        kind: kind(record.kind).into(),
        feed: feed(record.feed).into(),
        unit: unit(of).into(),
        counted: exact(shows.counted, of),
        known_to: stamp_of(shows.known_to),
        max_per_hour: exact(Amount(record.max_per_hour.0), of),
        last_reading: text(shows.last_reading),
        gap: text(shows.gap),
    }
}

/// A page of held reports with how many there are.
pub fn held_answer(
    reports: Vec<v1::KeptReport>,
    counts: HeldCounts,
    next_page_token: String,
) -> v1::ListHeldReportsResponse {
    let count = |count: u64| i64::try_from(count).unwrap_or(i64::MAX);
    v1::ListHeldReportsResponse {
        reports,
        held: count(counts.held),
        waiting: count(counts.waiting),
        next_page_token,
    }
}
