//! Why a report is held, in words with the values and the remedy.

use super::fields::{Fields, Said};
use super::time::stamp;
use super::units::{exact, unknown_value};
use fettler_domain::calendar::Calendar;
use fettler_domain::ledger::row::{Feed, Form, Impossible, Reason, Rival};
use fettler_domain::quantity::Unit;
use fettler_domain::time::Ts;
use fettler_proto::v1::{self, HeldCode as Held};

/// The word by which a reason is listed; `None` inside for all of them, `None` outside when it was wrong.
pub fn word(fields: &mut Fields, field: &str, code: i32) -> Said<Option<&'static str>> {
    Some(match Held::try_from(code) {
        Ok(Held::Unspecified) => None,
        Ok(Held::UnknownMachine) => Some("unknown_machine"),
        Ok(Held::UnknownMeter) => Some("unknown_meter"),
        Ok(Held::WrongKind) => Some("wrong_kind"),
        Ok(Held::Impossible) => Some("impossible"),
        Ok(Held::MoreThanTime) => Some("more_than_time"),
        Ok(Held::Overlap) => Some("overlap"),
        Ok(Held::Conflict) => Some("conflict"),
        Ok(Held::SameRevision) => Some("same_revision"),
        Ok(Held::Future) => Some("future"),
        Ok(Held::Fell) => Some("fell"),
        Err(_) => {
            unknown_value(fields, field, code, "one of the reasons that held reports show");
            return None;
        }
    })
}

fn code(reason: &Reason) -> Held {
    match reason {
        Reason::UnknownMachine { .. } => Held::UnknownMachine,
        Reason::UnknownMeter { .. } => Held::UnknownMeter,
        Reason::WrongKind { .. } => Held::WrongKind,
        Reason::Impossible { .. } => Held::Impossible,
        Reason::MoreThanTime { .. } => Held::MoreThanTime,
        Reason::Overlap { .. } => Held::Overlap,
        Reason::Conflict { .. } => Held::Conflict,
        Reason::SameRevision { .. } => Held::SameRevision,
        Reason::Future { .. } => Held::Future,
        Reason::Fell { .. } => Held::Fell,
    }
}

/// A reason as data and in words. `unit` is the one in which the report states, which is its meter's own wherever
/// a reason names amounts.
pub fn reason(reason: &Reason, unit: Unit, calendar: &Calendar, now: Ts) -> v1::HeldReason {
    let (mut against, mut most, mut counts_from) = (None, String::new(), None);
    match reason {
        Reason::MoreThanTime { most: fits, .. } => most = exact(*fits, unit),
        Reason::Conflict { with } | Reason::Overlap { with } => against = Some(rival(with)),
        Reason::SameRevision { stands } => {
            against = Some(v1::ReportReference { digest: stands.to_string(), ..Default::default() });
        }
        Reason::Future { counts_from: from } => counts_from = Some(stamp(*from)),
        Reason::UnknownMachine { .. }
        | Reason::UnknownMeter { .. }
        | Reason::WrongKind { .. }
        | Reason::Impossible { .. }
        | Reason::Fell { .. } => {}
    }
    let text = in_words(reason, unit, calendar, now);
    v1::HeldReason { code: code(reason).into(), text, against, most, counts_from }
}

/// How many characters of a digest tell one content from another.
const DIGEST_SHOWN: usize = 12;

/// A digest as it is told.
pub(super) fn short(digest: &str) -> &str {
    digest.get(..DIGEST_SHOWN).unwrap_or(digest)
}

fn rival(with: &Rival) -> v1::ReportReference {
    v1::ReportReference {
        source: with.source.to_string(),
        report_id: with.report.to_string(),
        revision: with.revision,
        digest: String::new(),
    }
}

fn in_words(reason: &Reason, unit: Unit, calendar: &Calendar, now: Ts) -> String {
    match reason {
        Reason::UnknownMachine { name } => format!(
            "no machine has the tag or name `{name}`; declare it, or add the name to the machine that is meant"
        ),
        Reason::UnknownMeter { machine, meter: Some(meter) } => {
            format!("machine `{machine}` has no meter `{meter}`; declare it, or send the report with another")
        }
        Reason::UnknownMeter { machine, meter: None } => format!(
            "it does not follow which meter of machine `{machine}` is meant; name the meter in the report, or \
             declare which kind the source feeds"
        ),
        Reason::WrongKind { takes, sent } => format!(
            "the meter takes {}, the report gives {}; send it for another meter or in that form",
            form(*takes),
            form(*sent)
        ),
        Reason::Impossible { why } => impossible(*why).to_owned(),
        Reason::MoreThanTime { amount, most } => format!(
            "states {} where at most {} fit the time, a minute of grace included; send a corrected revision",
            amount.display(unit),
            most.display(unit)
        ),
        Reason::Conflict { with } => format!(
            "overlaps {}, which counts before it; send a corrected revision, or settle it",
            named(with)
        ),
        Reason::Overlap { with } => format!(
            "overlaps {}, and together they say more than the time allows; correct one of them",
            named(with)
        ),
        Reason::SameRevision { stands } => format!(
            "the same revision came with other content, and that one ({}) stands; send a higher revision",
            short(&stands.to_string())
        ),
        Reason::Future { counts_from } => {
            let at = calendar.instant_in_words(*counts_from, calendar.shop_day_of(now));
            format!("ends in the future; it counts from {at} on, nothing is to be done")
        }
        Reason::Fell { from, to } => format!(
            "the counter fell from {} to {}; record the counter's replacement, or send a corrected revision",
            from.display(unit),
            to.display(unit)
        ),
    }
}

fn named(with: &Rival) -> String {
    format!("report `{}` revision {} of source `{}`", with.report, with.revision, with.source)
}

fn form(form: Form) -> String {
    let how = match form.feed {
        Feed::Interval => "amounts over stretches of time",
        Feed::Absolute => "counter readings",
    };
    let unit = match form.unit {
        Unit::Hours => "hours",
        Unit::Cycles => "cycles",
        Unit::Litres => "litres",
    };
    format!("{how} in {unit}")
}

fn impossible(why: Impossible) -> &'static str {
    match why {
        Impossible::Negative => "states less than 0; send a corrected revision",
        Impossible::EndNotAfterStart => "ends at or before its start; send a corrected revision",
        Impossible::Over31Days => "covers more than 31 days; send it in shorter stretches",
        Impossible::TooLarge => "states more than a meter can hold; send a corrected revision",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::calendar::{WallTime, Zone};
    use fettler_domain::ledger::report::Digest;
    use fettler_domain::quantity::Amount;
    use fettler_domain::text::ForeignName;

    fn name(text: &str) -> ForeignName {
        ForeignName::new(text).unwrap()
    }

    #[test]
    fn every_reason_says_its_values_and_what_to_do() {
        let calendar =
            Calendar::every_day(Zone::parse("Europe/Berlin").unwrap(), WallTime::parse("06:00").unwrap());
        let now = Ts(1_795_597_200_000_000); // 2026-11-25 09:00 UTC
        let with = Rival { source: name("erp"), report: name("7"), revision: 2 };
        let hours = |feed| Form { unit: Unit::Hours, feed };
        let check = |held: Reason, unit: Unit, code: Held, expect: &str| {
            let told = reason(&held, unit, &calendar, now);
            assert_eq!((told.code(), told.text.as_str()), (code, expect));
            assert_eq!(Some(held.word()), word(&mut Fields::new(), "code", code.into()).unwrap());
            told
        };
        check(
            Reason::UnknownMeter { machine: name("L-03"), meter: Some(name("parts")) },
            Unit::Hours,
            Held::UnknownMeter,
            "machine `L-03` has no meter `parts`; declare it, or send the report with another",
        );
        check(
            Reason::UnknownMeter { machine: name("L-03"), meter: None },
            Unit::Hours,
            Held::UnknownMeter,
            "it does not follow which meter of machine `L-03` is meant; name the meter in the report, or declare \
             which kind the source feeds",
        );
        check(
            Reason::WrongKind { takes: hours(Feed::Absolute), sent: hours(Feed::Interval) },
            Unit::Hours,
            Held::WrongKind,
            "the meter takes counter readings in hours, the report gives amounts over stretches of time in hours; \
             send it for another meter or in that form",
        );
        check(
            Reason::Impossible { why: Impossible::Over31Days },
            Unit::Hours,
            Held::Impossible,
            "covers more than 31 days; send it in shorter stretches",
        );
        let told = check(
            Reason::MoreThanTime { amount: Amount(900_000), most: Amount(505_000) },
            Unit::Cycles,
            Held::MoreThanTime,
            "states 900 cycles where at most 505 cycles fit the time, a minute of grace included; send a corrected \
             revision",
        );
        assert_eq!(told.most, "505");
        let told = check(
            Reason::Conflict { with: with.clone() },
            Unit::Hours,
            Held::Conflict,
            "overlaps report `7` revision 2 of source `erp`, which counts before it; send a corrected revision, or \
             settle it",
        );
        assert_eq!(told.against.unwrap().report_id, "7");
        check(
            Reason::Overlap { with },
            Unit::Hours,
            Held::Overlap,
            "overlaps report `7` revision 2 of source `erp`, and together they say more than the time allows; \
             correct one of them",
        );
        let told = check(
            Reason::SameRevision { stands: Digest([0xab; 32]) },
            Unit::Hours,
            Held::SameRevision,
            "the same revision came with other content, and that one (abababababab) stands; send a higher revision",
        );
        assert_eq!(told.against.unwrap().digest, "ab".repeat(32));
        let told = check(
            Reason::Future { counts_from: Ts(now.0 + 3_600_000_000) },
            Unit::Hours,
            Held::Future,
            "ends in the future; it counts from Wednesday 11:00 on, nothing is to be done",
        );
        assert!(told.counts_from.is_some());
        check(
            Reason::Fell { from: Amount(7_000), to: Amount(6_500) },
            Unit::Litres,
            Held::Fell,
            "the counter fell from 7 L to 6.5 L; record the counter's replacement, or send a corrected revision",
        );
    }
}
