//! Reads a shop's declaration: site, sources, people and machines. Tasks and rules stand in [`super::tasks_in`].

use super::fields::{Fields, Said, shown};
use super::stock::item_card;
use super::tasks_in::{last_done, sheet, task};
use super::units::unknown_value;
use chrono::Weekday;
use fettler_domain::calendar::{
    CLOSURES_MAX, Closure, EXTRA_SHIFTS_MAX, ExtraShift, SHIFTS_MAX, Shift, Weekdays, Zone,
};
use fettler_domain::error::Error;
use fettler_domain::quantity::{Amount, MaxPerHour, MeterKind};
use fettler_domain::reading::{Limits, Possible, Taker};
use fettler_domain::shop::limits::{
    ALIASES_MAX, CAUTIONS_MAX, CHECKS_MAX, FAMILY_MAX, ITEMS_MAX, LAST_DONE_MAX, MACHINES_MAX, METERS_MAX,
    PEOPLE_MAX, POINTS_MAX, RANK_MAX, SHEETS_MAX, SHEETS_OF_MACHINE_MAX, SHORT_TEXT_MAX, SOURCES_MAX,
    TASKS_MAX, TEXT_MAX, UNIT_MAX,
};
use fettler_domain::shop::{Declaration, MachineCard, MeterCard, PointCard, SiteCard, SourceCard};
use fettler_domain::text::{Key, Name};
use fettler_proto::v1;

/// Reads what is to be loaded.
pub fn asked(ask: &v1::LoadShopRequest) -> Result<Declaration, Error> {
    Ok(Declaration { past_rules: ask.past_rules, ..declaration(ask.shop.as_ref())? })
}

/// Reads a declaration.
pub fn declaration(shop: Option<&v1::Shop>) -> Result<Declaration, Error> {
    let mut fields = Fields::new();
    let Some(shop) = shop else {
        return Err(Error::invalid("shop", "is missing; give at least its site"));
    };
    let read = fields.within("shop", |fields| {
        let site = fields.within("site", |fields| site(fields, shop.site.as_ref()));
        let sources = fields.each("sources", &shop.sources, SOURCES_MAX, source);
        let people = fields.each("people", &shop.people, PEOPLE_MAX, |fields, name| fields.name("", name));
        let sheets = fields.each("sheets", &shop.sheets, SHEETS_MAX, sheet);
        let machines = fields.each("machines", &shop.machines, MACHINES_MAX, machine);
        let items = fields.each("items", &shop.items, ITEMS_MAX, item_card);
        fields.unique("sources", "name", shop.sources.iter().map(|source| source.name.as_str()));
        fields.unique("sheets", "key", shop.sheets.iter().map(|sheet| sheet.key.as_str()));
        fields.unique("machines", "tag", shop.machines.iter().map(|machine| machine.tag.as_str()));
        fields.unique("items", "name", shop.items.iter().map(|item| item.name.as_str()));
        Some(Declaration { site: site?, sources, people, sheets, machines, items, past_rules: false })
    });
    fields.finish(read)
}

fn site(fields: &mut Fields, said: Option<&v1::Site>) -> Option<SiteCard> {
    let nothing = v1::Site::default();
    let said = said.unwrap_or(&nothing);
    let key = fields.key("key", &said.key);
    if said.key == "installation" {
        fields.wrong("key", "`installation` names the installation's own journal; give another key");
    }
    let name = fields.optional_name("name", &said.name);
    let zone = if said.zone.is_empty() { Some(None) } else { zone(fields, &said.zone).map(Some) };
    let day_starts_at = if said.day_starts_at.is_empty() {
        Some(None)
    } else {
        fields.wall_time("day_starts_at", &said.day_starts_at).map(Some)
    };
    let shifts = fields.each("shifts", &said.shifts, SHIFTS_MAX, shift);
    let closures = fields.each("closures", &said.closures, CLOSURES_MAX, closure);
    let extra_shifts = fields.each("extra_shifts", &said.extra_shifts, EXTRA_SHIFTS_MAX, extra_shift);
    fields.unique("shifts", "key", said.shifts.iter().map(|shift| shift.key.as_str()));
    Some(SiteCard {
        asks_pin: said.asks_pin,
        key: key?,
        name: name?,
        zone: zone?,
        day_starts_at: day_starts_at?,
        shifts,
        closures,
        extra_shifts,
    })
}

fn zone(fields: &mut Fields, name: &str) -> Option<Zone> {
    Zone::parse(name).map_err(|error| fields.wrong("zone", error.to_string())).ok()
}

fn shift(fields: &mut Fields, said: &v1::Shift) -> Option<Shift> {
    let key = fields.key("key", &said.key);
    let days = weekdays(fields, &said.days);
    let starts = fields.wall_time("starts", &said.starts);
    let ends = fields.wall_time("ends", &said.ends);
    Some(Shift { key: key?, weekdays: days?, starts: starts?, ends: ends? })
}

/// The days of a week by their words, Monday first.
pub const DAYS: [(&str, Weekday); 7] = [
    ("mon", Weekday::Mon),
    ("tue", Weekday::Tue),
    ("wed", Weekday::Wed),
    ("thu", Weekday::Thu),
    ("fri", Weekday::Fri),
    ("sat", Weekday::Sat),
    ("sun", Weekday::Sun),
];

fn weekdays(fields: &mut Fields, words: &[String]) -> Option<Weekdays> {
    if words.is_empty() {
        fields.wrong("days", "is empty; give at least one of mon, tue, wed, thu, fri, sat, sun");
        return None;
    }
    let days = fields.each("days", words, DAYS.len(), |fields, word| {
        let day = DAYS.iter().find(|(of, _)| of == word).map(|(_, day)| *day);
        if day.is_none() {
            fields.wrong(
                "",
                format!("`{}` is no weekday; give mon, tue, wed, thu, fri, sat or sun", shown(word)),
            );
        }
        day
    });
    Some(Weekdays::of(days))
}

fn closure(fields: &mut Fields, said: &v1::Closure) -> Option<Closure> {
    let name = fields.name("name", &said.name);
    let first = fields.date("from", &said.from);
    let last = if said.to.is_empty() { first } else { fields.date("to", &said.to) };
    if let (Some(first), Some(last)) = (first, last)
        && last < first
    {
        fields.wrong("to", format!("{last} lies before `from`, {first}; swap the two"));
    }
    Some(Closure { name: name?, first: first?, last: last? })
}

fn extra_shift(fields: &mut Fields, said: &v1::ExtraShift) -> Option<ExtraShift> {
    let date = fields.date("date", &said.date);
    let starts = fields.wall_time("starts", &said.starts);
    let ends = fields.wall_time("ends", &said.ends);
    Some(ExtraShift { key: Key::new("extra").ok()?, date: date?, starts: starts?, ends: ends? })
}

fn source(fields: &mut Fields, said: &v1::Source) -> Option<SourceCard> {
    let name = fields.foreign("name", &said.name);
    let rank = fields.number("rank", said.rank, 1, RANK_MAX);
    let feeds = fields.optional_kind("feeds", said.feeds);
    Some(SourceCard { name: name?, rank: rank?, feeds: feeds? })
}

fn machine(fields: &mut Fields, said: &v1::MachineCard) -> Option<MachineCard> {
    let tag = fields.key("tag", &said.tag);
    let name = fields.optional_name("name", &said.name);
    let also_known_as = fields
        .each("also_known_as", &said.also_known_as, ALIASES_MAX, |fields, name| fields.foreign("", name));
    let some = |text: String| (!text.is_empty()).then_some(text);
    let family = fields.line("family", &said.family, FAMILY_MAX).map(some);
    let area = fields.line("area", &said.area, SHORT_TEXT_MAX).map(some);
    let meters = fields.each("meters", &said.meters, METERS_MAX, meter);
    let points = fields.each("points", &said.points, POINTS_MAX, point);
    let sheets =
        fields.each("sheets", &said.sheets, SHEETS_OF_MACHINE_MAX, |fields, key| fields.key("", key));
    let tasks = fields.each("tasks", &said.tasks, TASKS_MAX, task);
    let last_done = fields.each("last_done", &said.last_done, LAST_DONE_MAX, |fields, said_of| {
        last_done(fields, said_of, Some(&said.tag))
    });
    let checks = fields.each("checks", &said.checks, CHECKS_MAX, super::check::card_in);
    fields.unique("points", "key", said.points.iter().map(|point| point.key.as_str()));
    fields.unique("tasks", "key", said.tasks.iter().map(|task| task.key.as_str()));
    let meter_keys: Vec<String> = meters.iter().map(|meter| meter.key.to_string()).collect();
    fields.unique("meters", "key", meter_keys.iter().map(String::as_str));
    Some(MachineCard {
        tag: tag?,
        name: name?,
        also_known_as,
        family: family?,
        area: area?,
        meters,
        points,
        sheets,
        tasks,
        last_done_now: said.last_done_now,
        last_done,
        checks,
    })
}

fn meter(fields: &mut Fields, said: &v1::MeterCard) -> Option<MeterCard> {
    let kind = fields.optional_kind("kind", said.kind)?;
    let key = match (said.key.is_empty(), kind) {
        (true, Some(kind)) => Key::new(kind.word()).ok(),
        _ => fields.key("key", &said.key),
    };
    let feed = fields.optional_feed("feed", said.feed);
    let max_per_hour = max_per_hour(fields, &said.max_per_hour, kind);
    Some(MeterCard { key: key?, kind, feed: feed?, max_per_hour: max_per_hour? })
}

fn max_per_hour(fields: &mut Fields, text: &str, kind: Option<MeterKind>) -> Said<Option<MaxPerHour>> {
    if text.is_empty() {
        return Some(None);
    }
    let Some(kind) = kind else {
        fields.wrong("max_per_hour", "cannot be read without its unit; give `kind` beside it");
        return None;
    };
    let most = fields.amount("max_per_hour", text, kind.unit())?;
    if most <= Amount::ZERO {
        fields.wrong(
            "max_per_hour",
            format!("`{}` is not more than 0; give the most of one hour", shown(text)),
        );
        return None;
    }
    Some(Some(MaxPerHour(most.0)))
}

fn point(fields: &mut Fields, said: &v1::TestPoint) -> Option<PointCard> {
    let key = fields.key("key", &said.key);
    let title = fields.line("title", &said.title, Name::MAX);
    let place = fields.line("place", &said.place, TEXT_MAX);
    let good = fields.line("good", &said.good, TEXT_MAX);
    let fluid = fields.line("fluid", &said.fluid, SHORT_TEXT_MAX);
    let reservoir = fields.optional_key("reservoir", &said.reservoir);
    let unit = fields.line("unit", &said.unit, UNIT_MAX);
    let mut limit = |field: &str, text: &str| super::reading::optional_value(fields, field, text);
    let limits = limit("act_below", &said.act_below)
        .zip(limit("stop_below", &said.stop_below))
        .zip(limit("act_above", &said.act_above))
        .zip(limit("stop_above", &said.stop_above));
    let limits = limits.map(|(((act_below, stop_below), act_above), stop_above)| Limits {
        stop_below,
        act_below,
        act_above,
        stop_above,
    });
    let ends = limit("possible_from", &said.possible_from).zip(limit("possible_to", &said.possible_to));
    let possible = match ends? {
        (Some(from), Some(to)) => Some(Possible { from, to }),
        (None, None) => None,
        (Some(_), None) | (None, Some(_)) => {
            fields.wrong("possible_to", "is known with possible_from only; give both ends, or neither");
            None
        }
    };
    let taker = match v1::PointTaker::try_from(said.taken_by) {
        Ok(v1::PointTaker::Unspecified | v1::PointTaker::Anyone) => Some(Taker::Anyone),
        Ok(v1::PointTaker::LicensedElectrician) => Some(Taker::LicensedElectrician),
        Err(_) => {
            unknown_value(fields, "taken_by", said.taken_by, "anyone or a licensed electrician");
            None
        }
    };
    let cautions = fields.each("cautions", &said.cautions, CAUTIONS_MAX, |fields, caution| {
        fields.required_line("", caution, TEXT_MAX)
    });
    Some(PointCard {
        key: key?,
        title: title?,
        place: place?,
        good: good?,
        fluid: fluid?,
        reservoir: reservoir?,
        unit: unit?,
        limits: limits?,
        possible,
        taker: taker?,
        cautions,
    })
}

/// Reads the name of who declares or states something, where one was given.
pub fn by(by: &str) -> Result<Option<Name>, Error> {
    let mut fields = Fields::new();
    let by = fields.optional_name("by", by);
    fields.finish(by)
}
