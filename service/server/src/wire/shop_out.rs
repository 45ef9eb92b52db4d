//! Shows a shop as it is declared: the reverse of reading it, so that loading the answer changes nothing.

use super::order::kit;
use super::shop_in::DAYS;
use super::stock::wire_card;
use super::units::{decimal, exact, feed, kind};
use fettler_domain::calendar::{Shift, WallTime};
use fettler_domain::quantity::Amount;
use fettler_domain::reading::Taker;
use fettler_domain::rule::{CalendarUnit, Combine};
use fettler_domain::shop::{
    ClauseCard, Declaration, LastDoneCard, MachineCard, MeterCard, PointCard, ReviewCard, RuleCard,
    SheetCard, ShopChange, SiteCard, SourceCard, TaskCard, WindowCard,
};
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::ShopDay;
use fettler_proto::v1;
use fettler_store::contract::LoadReport;

/// A shop.
pub fn shop(declared: &Declaration) -> v1::Shop {
    v1::Shop {
        site: Some(site(&declared.site)),
        sources: declared.sources.iter().map(source).collect(),
        people: declared.people.iter().map(Name::to_string).collect(),
        sheets: declared.sheets.iter().map(sheet).collect(),
        machines: declared.machines.iter().map(machine).collect(),
        items: declared.items.iter().map(wire_card).collect(),
    }
}

/// A site.
pub fn site(card: &SiteCard) -> v1::Site {
    v1::Site {
        asks_pin: card.asks_pin,
        key: card.key.to_string(),
        name: card.name.as_ref().map(Name::to_string).unwrap_or_default(),
        zone: card.zone.map(|zone| zone.name().to_owned()).unwrap_or_default(),
        day_starts_at: card.day_starts_at.as_ref().map(WallTime::to_string).unwrap_or_default(),
        shifts: card.shifts.iter().map(shift).collect(),
        closures: card
            .closures
            .iter()
            .map(|closure| v1::Closure {
                name: closure.name.to_string(),
                from: closure.first.to_string(),
                to: closure.last.to_string(),
            })
            .collect(),
        extra_shifts: card
            .extra_shifts
            .iter()
            .map(|extra| v1::ExtraShift {
                date: extra.date.to_string(),
                starts: extra.starts.to_string(),
                ends: extra.ends.to_string(),
            })
            .collect(),
    }
}

fn shift(shift: &Shift) -> v1::Shift {
    let days = DAYS.iter().filter(|(_, day)| shift.weekdays.contains(*day));
    v1::Shift {
        key: shift.key.to_string(),
        days: days.map(|(word, _)| (*word).to_owned()).collect(),
        starts: shift.starts.to_string(),
        ends: shift.ends.to_string(),
    }
}

fn source(card: &SourceCard) -> v1::Source {
    v1::Source {
        name: card.name.to_string(),
        rank: i32::try_from(card.rank).unwrap_or(i32::MAX),
        feeds: card.feeds.map_or(0, |of| kind(of).into()),
    }
}

fn sheet(card: &SheetCard) -> v1::TaskSheet {
    v1::TaskSheet {
        key: card.key.to_string(),
        title: card.title.to_string(),
        tasks: card.tasks.iter().map(task).collect(),
        checks: card.checks.iter().map(super::check::card_out).collect(),
    }
}

/// A machine's card.
pub fn machine(card: &MachineCard) -> v1::MachineCard {
    v1::MachineCard {
        tag: card.tag.to_string(),
        name: card.name.as_ref().map(Name::to_string).unwrap_or_default(),
        also_known_as: card.also_known_as.iter().map(ForeignName::to_string).collect(),
        family: card.family.clone().unwrap_or_default(),
        area: card.area.clone().unwrap_or_default(),
        meters: card.meters.iter().map(meter).collect(),
        points: card.points.iter().map(point).collect(),
        sheets: card.sheets.iter().map(Key::to_string).collect(),
        tasks: card.tasks.iter().map(task).collect(),
        last_done_now: card.last_done_now,
        last_done: card.last_done.iter().map(last_done).collect(),
        checks: card.checks.iter().map(super::check::card_out).collect(),
    }
}

fn meter(card: &MeterCard) -> v1::MeterCard {
    let most = card.max_per_hour.zip(card.kind);
    v1::MeterCard {
        key: card.key.to_string(),
        kind: card.kind.map_or(0, |of| kind(of).into()),
        feed: card.feed.map_or(0, |of| feed(of).into()),
        max_per_hour: most.map(|(most, kind)| exact(Amount(most.0), kind.unit())).unwrap_or_default(),
    }
}

/// A test point's card.
pub fn point(card: &PointCard) -> v1::TestPoint {
    v1::TestPoint {
        key: card.key.to_string(),
        title: card.title.clone(),
        place: card.place.clone(),
        good: card.good.clone(),
        fluid: card.fluid.clone(),
        unit: card.unit.clone(),
        act_below: super::reading::value_text(card.limits.act_below),
        stop_below: super::reading::value_text(card.limits.stop_below),
        act_above: super::reading::value_text(card.limits.act_above),
        stop_above: super::reading::value_text(card.limits.stop_above),
        possible_from: super::reading::value_text(card.possible.map(|possible| possible.from)),
        possible_to: super::reading::value_text(card.possible.map(|possible| possible.to)),
        taken_by: match card.taker {
            Taker::Anyone => v1::PointTaker::Unspecified,
            Taker::LicensedElectrician => v1::PointTaker::LicensedElectrician,
        }
        .into(),
        cautions: card.cautions.clone(),
        reservoir: card.reservoir.as_ref().map(Key::to_string).unwrap_or_default(),
    }
}

fn task(card: &TaskCard) -> v1::TaskCard {
    v1::TaskCard {
        key: card.key.to_string(),
        title: card.title.to_string(),
        place: card.place.clone(),
        rule: card.rule.as_ref().map(rule),
        kit: card.kit.iter().map(kit).collect(),
        cautions: card.cautions.clone(),
        readings: card.readings.iter().map(Key::to_string).collect(),
        minutes: i32::try_from(card.minutes).unwrap_or(i32::MAX),
        hazard: card.hazard,
        covers: card.covers.iter().map(Key::to_string).collect(),
        second_person: card.second_person,
        certificate: card.certificate,
        retire: card.retire,
        rule_from_day: card.rule_from.as_ref().map(ShopDay::to_string).unwrap_or_default(),
        basis: card.basis.clone(),
        review: card.review.as_ref().map(review),
    }
}

fn review(card: &ReviewCard) -> v1::TaskReview {
    let of = |amount: Option<Amount>| amount.map(decimal).unwrap_or_default();
    v1::TaskReview {
        planned_cost: of(card.planned_cost),
        failure_cost: of(card.failure_cost),
        good_percent: card.good_percent.unwrap_or(0).into(),
        at_most: card.at_most.clone().unwrap_or_default(),
        never_longer: card.never_longer,
    }
}

fn rule(card: &RuleCard) -> v1::IntervalRule {
    let combine = match card.combine {
        Combine::Earliest => v1::Combine::Earliest,
        Combine::Latest => v1::Combine::Latest,
    };
    let width = card.window.as_ref().map(|window| match window {
        WindowCard::Percent(percent) => v1::window::Width::Percent((*percent).into()),
        WindowCard::Exact { days, count } => v1::window::Width::Widths(v1::WindowWidths {
            days: days.map(|days| i32::try_from(days).unwrap_or(i32::MAX)),
            count: count.clone().unwrap_or_default(),
        }),
    });
    v1::IntervalRule {
        clauses: card.clauses.iter().map(clause).collect(),
        combine: combine.into(),
        window: width.map(|width| v1::Window { width: Some(width) }),
        keep_closed_days: card.keep_closed_days,
    }
}

fn clause(card: &ClauseCard) -> v1::Clause {
    let from = |on_grid: bool| if on_grid { v1::CountsFrom::Grid } else { v1::CountsFrom::LastClosing };
    let counts = match card {
        ClauseCard::Calendar { every, grid_base } => v1::clause::Counts::Calendar(v1::CalendarClause {
            every: i32::try_from(every.n).unwrap_or(i32::MAX),
            unit: calendar_unit(every.unit).into(),
            counts_from: from(grid_base.is_some()).into(),
            base_day: grid_base.as_ref().map(ShopDay::to_string).unwrap_or_default(),
        }),
        ClauseCard::Meter { meter, every, grid_base } => v1::clause::Counts::Meter(v1::MeterClause {
            meter: meter.as_ref().map(Key::to_string).unwrap_or_default(),
            every: every.clone(),
            counts_from: from(grid_base.is_some()).into(),
            base_count: grid_base.clone().unwrap_or_default(),
        }),
        ClauseCard::Recurrence(recurrence) => v1::clause::Counts::Recurrence(v1::RecurrenceClause {
            rule: recurrence.text().to_owned(),
            from_day: recurrence.from().to_string(),
        }),
        ClauseCard::Model { model } => super::models::counts(model),
        ClauseCard::Reading { point, expects } => {
            v1::clause::Counts::Reading(v1::ReadingClause { point: point.to_string(), expects: *expects })
        }
    };
    v1::Clause { counts: Some(counts) }
}

fn calendar_unit(unit: CalendarUnit) -> v1::CalendarUnit {
    match unit {
        CalendarUnit::Day => v1::CalendarUnit::Day,
        CalendarUnit::Week => v1::CalendarUnit::Week,
        CalendarUnit::Month => v1::CalendarUnit::Month,
        CalendarUnit::Year => v1::CalendarUnit::Year,
    }
}

fn last_done(card: &LastDoneCard) -> v1::LastDone {
    let count = |(meter, count): &(Option<Key>, String)| v1::MeterCount {
        meter: meter.as_ref().map(Key::to_string).unwrap_or_default(),
        count: count.clone(),
    };
    v1::LastDone {
        machine: card.machine.to_string(),
        task: card.task.to_string(),
        day: card.day.to_string(),
        counts: card.counts.iter().map(count).collect(),
    }
}

/// Changes in words.
pub fn changes(changes: &[ShopChange]) -> Vec<v1::ShopChange> {
    let of = |change: &ShopChange| v1::ShopChange {
        subject: change.subject.clone(),
        change: change.change.clone(),
    };
    changes.iter().map(of).collect()
}

/// What a load did.
pub fn loaded(report: &LoadReport) -> v1::LoadShopResponse {
    v1::LoadShopResponse {
        changes: changes(&report.changes),
        orders_opened: i32::try_from(report.orders_opened).unwrap_or(i32::MAX),
        reports_waiting: i64::try_from(report.reports_waiting).unwrap_or(i64::MAX),
    }
}
