//! From a rule as declared, in words and decimal texts, to a checked rule, and a rule in words.

use super::model_card;
use super::suggest::remedy;
use super::{ClauseCard, RuleCard, WindowCard};
use crate::error::Violation;
use crate::ids::MeterId;
use crate::quantity::{Amount, MeterKind};
use crate::rule::{Clause, ClosedDays, Combine, CountsFrom, IntervalRule, RuleError, RuleSpec, Window};
use crate::text::Key;
use std::collections::BTreeMap;

/// The meters of a machine, by key: their numbers and what they accumulate.
pub type Meters = BTreeMap<Key, (MeterId, MeterKind)>;

/// The checked rule of a card for a machine with these meters; `field` is the path of the card.
pub fn checked_rule(card: &RuleCard, field: &str, meters: &Meters) -> Result<IntervalRule, Vec<Violation>> {
    let mut wrong = Vec::new();
    let mut clauses = Vec::new();
    for (i, clause) in card.clauses.iter().enumerate() {
        match checked_clause(clause, &format!("{field}.clauses[{i}]"), meters) {
            Ok(clause) => clauses.push(clause),
            Err(violation) => wrong.push(violation),
        }
    }
    let window = match window(card, &format!("{field}.window"), meters) {
        Ok(window) => window,
        Err(violation) => {
            wrong.push(violation);
            Window::default()
        }
    };
    if !wrong.is_empty() {
        return Err(wrong);
    }
    let closed_days = if card.keep_closed_days { ClosedDays::Keep } else { ClosedDays::Move };
    let spec = RuleSpec { clauses, combine: card.combine, window, closed_days };
    IntervalRule::new(spec).map_err(|error| vec![placed(&error, field)])
}

/// The card with every meter named by its key, so that it means the same when the machine gets another meter.
pub fn with_meters_named(card: &RuleCard, meters: &Meters) -> RuleCard {
    let mut card = card.clone();
    for clause in &mut card.clauses {
        match clause {
            ClauseCard::Meter { meter: meter @ None, .. } => *meter = only_key(meters).cloned(),
            ClauseCard::Model { model } => **model = model_card::with_meter_named(model, only_key(meters)),
            ClauseCard::Meter { .. }
            | ClauseCard::Calendar { .. }
            | ClauseCard::Recurrence(_)
            | ClauseCard::Reading { .. } => {}
        }
    }
    card
}

/// The meter that is meant: the one named, or the machine's only one.
pub(super) fn meant<'a>(
    named: Option<&'a Key>,
    meters: &'a Meters,
) -> Result<(&'a Key, MeterId, MeterKind), String> {
    let keys = || meters.keys().map(Key::as_str);
    let Some(key) = named.or_else(|| only_key(meters)) else {
        return Err(match meters.len() {
            0 => "no meter is named and the machine has none; declare a meter on the machine".to_owned(),
            n => format!(
                "no meter is named and the machine has {n}; name one of {}",
                keys().collect::<Vec<_>>().join(", ")
            ),
        });
    };
    let (id, kind) = meters.get(key).ok_or_else(|| {
        format!("the machine has no meter `{key}`; {}", remedy(key.as_str(), keys(), "its meters"))
    })?;
    Ok((key, *id, *kind))
}

fn only_key(meters: &Meters) -> Option<&Key> {
    if meters.len() == 1 { meters.keys().next() } else { None }
}

fn checked_clause(card: &ClauseCard, field: &str, meters: &Meters) -> Result<Clause, Violation> {
    match card {
        ClauseCard::Recurrence(recurrence) => Ok(Clause::Recurrence(recurrence.clone())),
        ClauseCard::Reading { point, expects } => {
            Ok(Clause::Reading { point: point.clone(), expects: *expects })
        }
        ClauseCard::Model { model } => model_card::checked(model, field, meters),
        ClauseCard::Calendar { every, grid_base } => {
            let counts_from = grid_base.map_or(CountsFrom::LastClosing, CountsFrom::Grid);
            Ok(Clause::Calendar { every: *every, counts_from })
        }
        ClauseCard::Meter { meter, every, grid_base } => {
            let (key, id, kind) = meant(meter.as_ref(), meters)
                .map_err(|text| Violation::new(format!("{field}.meter"), text))?;
            let every = stated(every, kind, &format!("{field}.every"))?;
            if every <= Amount::ZERO {
                let sign = kind.unit().sign();
                let text =
                    format!("every 0 {sign} of `{key}` would always be due; give more than 0, such as 500");
                return Err(Violation::new(format!("{field}.every"), text));
            }
            let counts_from = match grid_base {
                None => CountsFrom::LastClosing,
                Some(base) => CountsFrom::Grid(stated(base, kind, &format!("{field}.base_count"))?),
            };
            Ok(Clause::Meter { meter: id, every, counts_from })
        }
    }
}

/// A count stated in the unit of a meter of this kind, not below nothing.
pub(super) fn stated(text: &str, kind: MeterKind, field: &str) -> Result<Amount, Violation> {
    let unit = kind.unit();
    let amount = Amount::parse(text, unit).map_err(|error| {
        let example = Amount(unit.per_unit() * 500).to_text(unit, 0);
        Violation::new(field, format!("{error}; give a count in {} such as {example}", unit.sign()))
    })?;
    if amount < Amount::ZERO {
        return Err(Violation::new(field, format!("`{text}` is below 0; give a count of 0 or more")));
    }
    Ok(amount)
}

/// The window of a rule. A stated width that no clause would take is said by mistake.
fn window(card: &RuleCard, field: &str, meters: &Meters) -> Result<Window, Violation> {
    let (days, count) = match &card.window {
        None => return Ok(Window::default()),
        Some(WindowCard::Percent(percent)) => return Ok(Window::Percent(*percent)),
        Some(WindowCard::Exact { days, count }) => (*days, count.as_deref()),
    };
    let on_days =
        |clause: &ClauseCard| matches!(clause, ClauseCard::Calendar { .. } | ClauseCard::Recurrence(_));
    if let Some(days) = days.filter(|_| !card.clauses.iter().any(on_days)) {
        let text = format!("{days} days are given, but no clause gives days; give a count, or percent");
        return Err(Violation::new(format!("{field}.days"), text));
    }
    let amount = count.map(|count| amount(count, card, &format!("{field}.count"), meters)).transpose()?;
    Ok(Window::Exact { days, amount })
}

/// A width stated for all meter clauses of a rule, which therefore count one unit.
fn amount(count: &str, card: &RuleCard, field: &str, meters: &Meters) -> Result<Amount, Violation> {
    let kinds = card.clauses.iter().filter_map(|clause| match clause {
        ClauseCard::Meter { meter, .. } => meant(meter.as_ref(), meters).ok().map(|(_, _, kind)| kind),
        ClauseCard::Model { model } => model_card::kind(model, meters),
        ClauseCard::Calendar { .. } | ClauseCard::Recurrence(_) | ClauseCard::Reading { .. } => None,
    });
    let kinds: Vec<MeterKind> = kinds.collect();
    let Some(first) = kinds.first() else {
        let text = format!("{count} is given, but no clause counts a meter; give days, or percent");
        return Err(Violation::new(field, text));
    };
    if let Some(other) = kinds.iter().find(|kind| kind.unit() != first.unit()) {
        let text = format!(
            "{count} would stand for {} and for {}; give percent instead",
            first.unit().sign(),
            other.unit().sign()
        );
        return Err(Violation::new(field, text));
    }
    stated(count, *first, field)
}

fn placed(error: &RuleError, field: &str) -> Violation {
    let path = match error {
        RuleError::NoClause | RuleError::TooManyClauses(_) => format!("{field}.clauses"),
        RuleError::Alike { second, .. } => format!("{field}.clauses[{}]", second - 1),
        RuleError::EveryOutOfRange { clause, .. } | RuleError::AmountOutOfRange { clause, .. } => {
            format!("{field}.clauses[{}].every", clause - 1)
        }
        RuleError::BaseOutOfRange { clause, .. } => format!("{field}.clauses[{}].base_count", clause - 1),
        RuleError::BaseDayOutOfRange { clause, .. } => format!("{field}.clauses[{}].base_day", clause - 1),
        RuleError::Model { clause, word, wrong } => {
            format!("{field}.clauses[{}].{word}.{}", clause - 1, wrong.field)
        }
        RuleError::PercentOutOfRange(_) | RuleError::WindowTooWide(_) => format!("{field}.window"),
    };
    Violation::new(path, error.to_string())
}

/// A rule in words: `every 6 months, every 500 h operating, whichever comes first`.
pub fn rule_in_words(card: &RuleCard, meters: &Meters) -> String {
    let mut words: Vec<String> = card.clauses.iter().map(|clause| clause_in_words(clause, meters)).collect();
    if words.len() > 1 {
        words.push(match card.combine {
            Combine::Earliest => "whichever comes first".to_owned(),
            Combine::Latest => "whichever comes last".to_owned(),
        });
    }
    if let Some(window) = &card.window {
        words.push(format!("window {}", window_in_words(window, &card.clauses, meters)));
    }
    if card.keep_closed_days {
        words.push("on closed days too".to_owned());
    }
    words.join(", ")
}

fn window_in_words(window: &WindowCard, clauses: &[ClauseCard], meters: &Meters) -> String {
    let (days, count) = match window {
        WindowCard::Percent(percent) => return format!("{percent} percent"),
        WindowCard::Exact { days, count } => (days, count),
    };
    let kind = clauses.iter().find_map(|clause| match clause {
        ClauseCard::Meter { meter, .. } => meant(meter.as_ref(), meters).ok().map(|(_, _, kind)| kind),
        ClauseCard::Model { model } => model_card::kind(model, meters),
        ClauseCard::Calendar { .. } | ClauseCard::Recurrence(_) | ClauseCard::Reading { .. } => None,
    });
    let count = count.as_ref().map(|count| {
        kind.map_or(count.clone(), |kind| format!("{} {}", in_unit(count, kind), kind.unit().sign()))
    });
    let days = days.map(|days| format!("{days} days"));
    days.into_iter().chain(count).collect::<Vec<_>>().join(" and ")
}

/// A count as it was stated, in the shortest way to write it.
fn in_unit(text: &str, kind: MeterKind) -> String {
    Amount::parse(text, kind.unit()).map_or(text.to_owned(), |amount| amount.to_text(kind.unit(), 6))
}

fn clause_in_words(clause: &ClauseCard, meters: &Meters) -> String {
    match clause {
        ClauseCard::Calendar { every, grid_base: None } => every.to_string(),
        ClauseCard::Calendar { every, grid_base: Some(base) } => format!("{every} from {base} on"),
        ClauseCard::Recurrence(recurrence) => format!("{recurrence} from {} on", recurrence.from()),
        ClauseCard::Reading { point, expects: false } => format!("{point} out of limits"),
        ClauseCard::Reading { point, expects: true } => format!("{point} reaching its limit"),
        ClauseCard::Model { model } => model_card::in_words(model),
        ClauseCard::Meter { meter, every, grid_base } => {
            let Ok((key, _, kind)) = meant(meter.as_ref(), meters) else {
                return format!("every {every}");
            };
            let grid = grid_base.as_ref().map(|base| format!(" from {} on", in_unit(base, kind)));
            let sign = kind.unit().sign();
            format!("every {} {sign} {key}{}", in_unit(every, kind), grid.unwrap_or_default())
        }
    }
}
