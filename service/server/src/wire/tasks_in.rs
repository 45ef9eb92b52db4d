//! Reads task sheets, tasks, their rules, and when they were last done.

use super::check;
use super::fields::{Fields, Said};
use super::models;
use super::order::kit_item;
use super::stock::optional_positive;
use super::units::unknown_value;
use fettler_domain::error::Error;
use fettler_domain::rule::{
    CLAUSES_MAX, CalendarUnit, Combine, Every, Recurrence, RecurrenceError, WINDOW_PERCENT_MAX,
};
use fettler_domain::shop::limits::{
    CAUTIONS_MAX, CHECKS_MAX, COVERS_MAX, KIT_MAX, LAST_DONE_MAX, MINUTES_MAX, READINGS_MAX, TASKS_MAX,
    TEXT_MAX,
};
use fettler_domain::shop::{ClauseCard, LastDoneCard, ReviewCard, RuleCard, SheetCard, TaskCard, WindowCard};
use fettler_domain::text::Key;
use fettler_proto::v1;

/// The longest calendar interval, in its unit.
const EVERY_MAX: u32 = 10_000;
/// The widest window, in days.
const WINDOW_DAYS_MAX: u32 = 366;
/// The most meter counts of a statement: no rule has more clauses.
const COUNTS_MAX: usize = CLAUSES_MAX;

/// Reads a task sheet.
pub fn sheet(fields: &mut Fields, said: &v1::TaskSheet) -> Option<SheetCard> {
    let key = fields.key("key", &said.key);
    let title = fields.name("title", &said.title);
    let tasks = fields.each("tasks", &said.tasks, TASKS_MAX, task);
    fields.unique("tasks", "key", said.tasks.iter().map(|task| task.key.as_str()));
    let checks = fields.each("checks", &said.checks, CHECKS_MAX, check::card_in);
    Some(SheetCard { key: key?, title: title?, tasks, checks })
}

/// Reads a task.
pub fn task(fields: &mut Fields, said: &v1::TaskCard) -> Option<TaskCard> {
    let key = fields.key("key", &said.key);
    let title = fields.name("title", if said.title.is_empty() { &said.key } else { &said.title });
    let place = fields.line("place", &said.place, TEXT_MAX);
    let rule = match &said.rule {
        None => Some(None),
        Some(said) => fields.within("rule", |fields| rule(fields, said)).map(Some),
    };
    let rule_from = fields.optional_day("rule_from_day", &said.rule_from_day);
    let basis = fields.line("basis", &said.basis, TEXT_MAX);
    let kit = fields.each("kit", &said.kit, KIT_MAX, kit_item);
    let cautions = fields.each("cautions", &said.cautions, CAUTIONS_MAX, |fields, text| {
        fields.required_line("", text, TEXT_MAX)
    });
    let readings = fields.each("readings", &said.readings, READINGS_MAX, |fields, key| fields.key("", key));
    let minutes = fields.number("minutes", said.minutes, 0, MINUTES_MAX);
    let covers = fields.each("covers", &said.covers, COVERS_MAX, |fields, key| fields.key("", key));
    let review = match &said.review {
        None => Some(None),
        Some(said) => fields.within("review", |fields| review(fields, said)).map(Some),
    };
    Some(TaskCard {
        key: key?,
        title: title?,
        place: place?,
        rule: rule?,
        rule_from: rule_from?,
        basis: basis?,
        kit,
        cautions,
        readings,
        minutes: minutes?,
        hazard: said.hazard,
        covers,
        second_person: said.second_person,
        certificate: said.certificate,
        retire: said.retire,
        review: review?,
    })
}

/// Reads what a review goes by; its bounds are the declaration's to say.
fn review(fields: &mut Fields, said: &v1::TaskReview) -> Option<ReviewCard> {
    let planned_cost = optional_positive(fields, "planned_cost", &said.planned_cost);
    let failure_cost = optional_positive(fields, "failure_cost", &said.failure_cost);
    let percent = fields.number("good_percent", said.good_percent, 0, 100);
    let at_most = match said.at_most.as_str() {
        "" => Some(None),
        text => fields.positive_text("at_most", text).map(Some),
    };
    let good_percent = percent.filter(|percent| *percent > 0).and_then(|percent| u8::try_from(percent).ok());
    Some(ReviewCard {
        planned_cost: planned_cost?,
        failure_cost: failure_cost?,
        good_percent: percent.map(|_| good_percent)?,
        at_most: at_most?,
        never_longer: said.never_longer,
    })
}

fn rule(fields: &mut Fields, said: &v1::IntervalRule) -> Option<RuleCard> {
    if said.clauses.is_empty() {
        fields.wrong("clauses", "is empty; give at least one, such as every 6 months");
    }
    let clauses = fields.each("clauses", &said.clauses, CLAUSES_MAX, clause);
    let combine = match v1::Combine::try_from(said.combine) {
        Ok(v1::Combine::Unspecified | v1::Combine::Earliest) => Some(Combine::Earliest),
        Ok(v1::Combine::Latest) => Some(Combine::Latest),
        Err(_) => {
            unknown_value(fields, "combine", said.combine, "earliest or latest");
            None
        }
    };
    let window = fields.within("window", |fields| window(fields, said.window.as_ref()));
    Some(RuleCard { clauses, combine: combine?, window: window?, keep_closed_days: said.keep_closed_days })
}

fn window(fields: &mut Fields, said: Option<&v1::Window>) -> Said<Option<WindowCard>> {
    Some(match said.and_then(|window| window.width.as_ref()) {
        None => None,
        Some(v1::window::Width::Percent(percent)) => {
            let percent = fields.number("percent", *percent, 0, u32::from(WINDOW_PERCENT_MAX))?;
            Some(WindowCard::Percent(u8::try_from(percent).unwrap_or(WINDOW_PERCENT_MAX)))
        }
        Some(v1::window::Width::Widths(widths)) => {
            Some(fields.within("widths", |fields| window_widths(fields, widths))?)
        }
    })
}

fn window_widths(fields: &mut Fields, said: &v1::WindowWidths) -> Option<WindowCard> {
    if said.days.is_none() && said.count.is_empty() {
        fields.wrong("", "states neither days nor a count; give one of them, or leave the window out");
        return None;
    }
    let days = match said.days {
        None => Some(None),
        Some(days) => fields.number("days", days, 0, WINDOW_DAYS_MAX).map(Some),
    };
    let count = match said.count.as_str() {
        "" => Some(None),
        count => fields.amount_text("count", count).map(Some),
    };
    Some(WindowCard::Exact { days: days?, count: count? })
}

fn clause(fields: &mut Fields, said: &v1::Clause) -> Option<ClauseCard> {
    match &said.counts {
        Some(v1::clause::Counts::Calendar(said)) => {
            fields.within("calendar", |fields| calendar(fields, said))
        }
        Some(v1::clause::Counts::Meter(said)) => fields.within("meter", |fields| meter(fields, said)),
        Some(v1::clause::Counts::Recurrence(said)) => {
            fields.within("recurrence", |fields| recurrence(fields, said))
        }
        Some(v1::clause::Counts::Reading(said)) => fields.within("reading", |fields| {
            Some(ClauseCard::Reading { point: fields.key("point", &said.point)?, expects: said.expects })
        }),
        Some(v1::clause::Counts::Level(said)) => {
            fields.within("level", |fields| models::level_said(fields, said)).map(models::clause)
        }
        Some(v1::clause::Counts::Fill(said)) => {
            fields.within("fill", |fields| models::fill_said(fields, said)).map(models::clause)
        }
        Some(v1::clause::Counts::Element(said)) => {
            fields.within("element", |fields| models::element_said(fields, said)).map(models::clause)
        }
        Some(v1::clause::Counts::Coolant(said)) => {
            fields.within("coolant", |fields| models::coolant_said(fields, said)).map(models::clause)
        }
        Some(v1::clause::Counts::NeatOil(said)) => {
            fields.within("neat_oil", |fields| models::neat_oil_said(fields, said)).map(models::clause)
        }
        Some(v1::clause::Counts::IdleAir(said)) => {
            fields.within("idle_air", |fields| models::idle_air_said(fields, said)).map(models::clause)
        }
        None => {
            fields.wrong(
                "counts",
                "is missing; give a calendar, a meter, a recurrence or a reading clause, or one that follows a model",
            );
            None
        }
    }
}

fn calendar(fields: &mut Fields, said: &v1::CalendarClause) -> Option<ClauseCard> {
    let n = fields.number("every", said.every, 1, EVERY_MAX);
    let unit = match v1::CalendarUnit::try_from(said.unit) {
        Ok(v1::CalendarUnit::Day) => Some(CalendarUnit::Day),
        Ok(v1::CalendarUnit::Week) => Some(CalendarUnit::Week),
        Ok(v1::CalendarUnit::Month) => Some(CalendarUnit::Month),
        Ok(v1::CalendarUnit::Year) => Some(CalendarUnit::Year),
        Ok(v1::CalendarUnit::Unspecified) | Err(_) => {
            unknown_value(fields, "unit", said.unit, "day, week, month or year");
            None
        }
    };
    let grid = on_grid(fields, said.counts_from);
    let grid_base = match grid {
        Some(true) => fields.day("base_day", &said.base_day).map(Some),
        _ => stray(fields, "base_day", &said.base_day),
    };
    Some(ClauseCard::Calendar { every: Every { n: n?, unit: unit? }, grid_base: grid.and(grid_base)? })
}

fn meter(fields: &mut Fields, said: &v1::MeterClause) -> Option<ClauseCard> {
    let meter = fields.optional_key("meter", &said.meter);
    let every = fields.positive_text("every", &said.every);
    let grid = on_grid(fields, said.counts_from);
    let grid_base = match grid {
        Some(true) if said.base_count.is_empty() => Some(Some("0".to_owned())),
        Some(true) => fields.amount_text("base_count", &said.base_count).map(Some),
        _ => stray(fields, "base_count", &said.base_count),
    };
    Some(ClauseCard::Meter { meter: meter?, every: every?, grid_base: grid.and(grid_base)? })
}

/// How many rules that cannot be taken are looked at in one message: a rule without days takes some milliseconds to
/// be known for one, and many of them would take the service's time.
const RECURRENCES_WRONG_MAX: usize = 100;

fn recurrence(fields: &mut Fields, said: &v1::RecurrenceClause) -> Option<ClauseCard> {
    let from = fields.day("from_day", &said.from_day)?;
    if fields.wrong_so_far() >= RECURRENCES_WRONG_MAX {
        return None;
    }
    match Recurrence::new(&said.rule, from) {
        Ok(recurrence) => Some(ClauseCard::Recurrence(recurrence)),
        Err(error @ RecurrenceError::BaseDay(_)) => {
            fields.wrong("from_day", error.to_string());
            None
        }
        Err(error) => {
            fields.wrong("rule", format!("`{}` {error}", super::fields::shown(&said.rule)));
            None
        }
    }
}

fn on_grid(fields: &mut Fields, value: i32) -> Option<bool> {
    match v1::CountsFrom::try_from(value) {
        Ok(v1::CountsFrom::Unspecified | v1::CountsFrom::LastClosing) => Some(false),
        Ok(v1::CountsFrom::Grid) => Some(true),
        Err(_) => {
            unknown_value(fields, "counts_from", value, "the last closing or the grid");
            None
        }
    }
}

/// A grid's base where there is no grid: said by mistake rather than meant.
fn stray<T>(fields: &mut Fields, field: &str, value: &str) -> Said<Option<T>> {
    if value.is_empty() {
        return Some(None);
    }
    fields.wrong(
        field,
        format!(
            "`{}` needs a grid; set counts_from to the grid, or leave it out",
            super::fields::shown(value)
        ),
    );
    None
}

/// Reads when a task was last done; inside a machine's card the machine may be left out.
pub fn last_done(fields: &mut Fields, said: &v1::LastDone, card: Option<&str>) -> Option<LastDoneCard> {
    let tag = card.filter(|_| said.machine.is_empty()).unwrap_or(&said.machine);
    if let Some(card) = card.filter(|card| *card != tag) {
        fields
            .wrong("machine", format!("`{tag}` is another machine than the card's, `{card}`; leave it out"));
    }
    // A card's own tag is complained of where it stands.
    let machine = if card == Some(tag) { Key::new(tag).ok() } else { fields.key("machine", tag) };
    let task = fields.key("task", &said.task);
    let day = fields.day("day", &said.day);
    let counts = fields.each("counts", &said.counts, COUNTS_MAX, |fields, said| {
        let meter = fields.optional_key("meter", &said.meter);
        let count = fields.amount_text("count", &said.count);
        Some((meter?, count?))
    });
    Some(LastDoneCard { machine: machine?, task: task?, day: day?, counts })
}

/// Reads when tasks were last done.
pub fn statements(ask: &v1::StateLastDoneRequest) -> Result<Vec<LastDoneCard>, Error> {
    let mut fields = Fields::new();
    if ask.last_done.is_empty() {
        fields.wrong("last_done", "is empty; give at least one statement");
    }
    let stated =
        fields.each("last_done", &ask.last_done, LAST_DONE_MAX, |fields, said| last_done(fields, said, None));
    fields.finish(Some(stated))
}
