//! The words for what the contract counts up: kinds, states, outcomes, units.

use fettler_proto::v1 as pb;

/// A unit's sign after an amount.
pub(crate) fn unit(unit: pb::Unit) -> &'static str {
    match unit {
        pb::Unit::Unspecified | pb::Unit::Hours => "h",
        pb::Unit::Cycles => "cycles",
        pb::Unit::Litres => "L",
    }
}

/// A test point's unit as people write it; one that is not known here stands as it is.
pub(crate) fn unit_sign(code: &str) -> &str {
    fettler_domain::reading::PointUnit::parse(code).map_or(code, |unit| unit.sign())
}

/// A kind of meter.
pub(crate) fn meter_kind(kind: pb::MeterKind) -> &'static str {
    match kind {
        pb::MeterKind::Unspecified => "",
        pb::MeterKind::Powered => "powered",
        pb::MeterKind::Operating => "operating",
        pb::MeterKind::Working => "working",
        pb::MeterKind::Loaded => "loaded",
        pb::MeterKind::CoolantPump => "coolant_pump",
        pb::MeterKind::Cycles => "cycles",
        pb::MeterKind::Litres => "litres",
    }
}

/// How a meter is fed.
pub(crate) fn feed(feed: pb::MeterFeed) -> &'static str {
    match feed {
        pb::MeterFeed::Unspecified | pb::MeterFeed::Intervals => "intervals",
        pb::MeterFeed::Readings => "readings",
    }
}

/// Where a machine stands.
pub(crate) fn machine_state(state: pb::MachineState) -> &'static str {
    match state {
        pb::MachineState::Unspecified => "",
        pb::MachineState::InService => "in service",
        pb::MachineState::Resting => "resting",
        pb::MachineState::Forbidden => "forbidden",
        pb::MachineState::Retired => "retired",
    }
}

/// Where an order stands.
pub(crate) fn order_state(state: pb::OrderState) -> &'static str {
    match state {
        pb::OrderState::Unspecified => "",
        pb::OrderState::Open => "open",
        pb::OrderState::Closed => "closed",
        pb::OrderState::Skipped => "skipped",
        pb::OrderState::Void => "void",
    }
}

/// How a part was found.
pub(crate) fn as_found(found: pb::AsFound) -> &'static str {
    match found {
        pb::AsFound::Unspecified => "",
        pb::AsFound::Good => "good",
        pb::AsFound::Worn => "worn",
        pb::AsFound::Failed => "failed",
        pb::AsFound::BrokeDown => "broke down",
    }
}

/// A section of the due list.
pub(crate) fn section(section: pb::DueSection) -> &'static str {
    match section {
        pb::DueSection::Unspecified => "",
        pb::DueSection::Dated => "dated",
        pb::DueSection::NeverRecorded => "never recorded",
        pb::DueSection::Unlisted => "unlisted",
        pb::DueSection::WhileStopped => "while stopped",
    }
}

/// Where a due instant comes from.
pub(crate) fn due_kind(kind: pb::DueKind) -> &'static str {
    match kind {
        pb::DueKind::Unspecified => "",
        pb::DueKind::Crossed => "crossed",
        pb::DueKind::Calendar => "calendar",
        pb::DueKind::Expected => "expected",
        pb::DueKind::Raised => "raised",
        pb::DueKind::Unknown => "not known",
        pb::DueKind::Ended => "ended",
    }
}

/// What became of a report.
pub(crate) fn outcome(outcome: pb::Outcome) -> &'static str {
    match outcome {
        pb::Outcome::Unspecified => "",
        pb::Outcome::Accepted => "accepted",
        pb::Outcome::Duplicate => "duplicate",
        pb::Outcome::Replaces => "replaces",
        pb::Outcome::Superseded => "superseded",
        pb::Outcome::Held => "held",
        pb::Outcome::Refused => "refused",
    }
}

/// Where a kept report stands.
pub(crate) fn report_state(state: pb::ReportState) -> &'static str {
    match state {
        pb::ReportState::Unspecified => "",
        pb::ReportState::Counted => "counted",
        pb::ReportState::Held => "held",
        pb::ReportState::Superseded => "superseded",
        pb::ReportState::Dropped => "dropped",
        pb::ReportState::Withdrawn => "withdrawn",
        pb::ReportState::Check => "check",
    }
}

/// Why a report is held.
pub(crate) fn held_code(code: pb::HeldCode) -> &'static str {
    match code {
        pb::HeldCode::Unspecified => "",
        pb::HeldCode::UnknownMachine => "unknown machine",
        pb::HeldCode::UnknownMeter => "unknown meter",
        pb::HeldCode::WrongKind => "wrong kind",
        pb::HeldCode::Impossible => "impossible",
        pb::HeldCode::MoreThanTime => "more than time",
        pb::HeldCode::Overlap => "overlap",
        pb::HeldCode::Conflict => "conflict",
        pb::HeldCode::SameRevision => "same revision",
        pb::HeldCode::Future => "future",
        pb::HeldCode::Fell => "fell",
    }
}

/// A list of items and quantities in one line.
pub(crate) fn kit(items: &[pb::KitItem]) -> String {
    let one = |item: &pb::KitItem| {
        let lot = if item.lot.is_empty() { String::new() } else { format!(" of lot {}", item.lot) };
        let into = match (item.into.as_str(), item.change) {
            ("", _) => String::new(),
            (into, false) => format!(" into {into}"),
            (into, true) => format!(" fills {into}"),
        };
        format!("{}{lot}{into}", format!("{} {} {}", item.item, item.quantity, item.unit).trim_end())
    };
    items.iter().map(one).collect::<Vec<_>>().join("; ")
}

/// Readings in one line.
pub(crate) fn readings(readings: &[pb::Reading]) -> String {
    let one = |r: &pb::Reading| format!("{} {} {}", r.point, r.value, r.unit).trim_end().to_owned();
    readings.iter().map(one).collect::<Vec<_>>().join("; ")
}

/// A number with a word in the singular or the plural.
pub(crate) fn count(number: usize, one: &str, many: &str) -> String {
    if number == 1 { format!("1 {one}") } else { format!("{} {many}", grouped(number as u64)) }
}

/// A number with its thousands apart.
pub(crate) fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut out = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// How a person was known in whose name something was said; nothing where nobody is named.
pub(crate) const fn known_by(known: pb::KnownBy) -> &'static str {
    match known {
        pb::KnownBy::Unspecified => "",
        pb::KnownBy::Name => "named",
        pb::KnownBy::Pin => "PIN",
        pb::KnownBy::OwnToken => "own token",
    }
}

/// A person with how they were known, where that was by more than the name.
pub(crate) fn known(name: &str, known: pb::KnownBy) -> String {
    match known {
        pb::KnownBy::Unspecified | pb::KnownBy::Name => name.to_owned(),
        pb::KnownBy::Pin | pb::KnownBy::OwnToken => format!("{name}, known by {}", known_by(known)),
    }
}

/// A number for a CSV cell; nothing for 0.
pub(crate) fn unless_zero(number: i64) -> String {
    if number == 0 { String::new() } else { number.to_string() }
}

/// Cautions one after the other, each as a sentence of its own.
pub(crate) fn sentences(texts: &[String]) -> String {
    texts.iter().map(|text| sentence(text)).collect::<Vec<_>>().join(" ")
}

/// A text with a capital at its start and a stop at its end.
fn sentence(text: &str) -> String {
    let mut letters = text.trim().chars();
    let first = letters.next().into_iter().flat_map(char::to_uppercase);
    let mut sentence: String = first.chain(letters).collect();
    if !sentence.ends_with(['.', '!', '?']) {
        sentence.push('.');
    }
    sentence
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_well() {
        assert_eq!(grouped(0), "0");
        assert_eq!(grouped(999), "999");
        assert_eq!(grouped(1_234_567), "1,234,567");
        assert_eq!(count(1, "machine", "machines"), "1 machine");
        assert_eq!(count(1_000, "machine", "machines"), "1,000 machines");
    }
}
