//! The month's figures, compliance month by month, and what was overdue by its age.

use super::Section;
use super::facts::{Facts, Overdue};
use super::legend::Marks;
use super::sheet::{Cell, Sheet, percent};
use super::svg::{Axis, Bar, Column, Fill, Said, WIDE, bars, columns, count, short};
use chrono::{DateTime, NaiveDate, Utc};
use fettler_domain::figures::care::AGES_DAYS;
use fettler_proto::v1 as pb;

/// Seconds of a day.
const DAY_S: f64 = 86_400.0;

/// All figures of the month.
pub(super) fn month(facts: &Facts) -> Section {
    let mut sheet = Sheet::new(
        "figures",
        "All figures of the month",
        &[
            ("figure", "figure"),
            ("value", "value"),
            ("unit", ""),
            ("numerator", "divided"),
            ("denominator", "by"),
            ("low", "at least"),
            ("high", "at most"),
            ("definition", "what is divided by what"),
            ("remarks", ""),
        ],
    );
    for figure in &facts.whole {
        sheet.push([
            Cell::told(&figure.name, figure.name.replace('_', " ")),
            valued(figure),
            Cell::text(&figure.unit),
            rounded(Some(figure.numerator)),
            rounded(Some(figure.denominator)),
            limit(figure, figure.low),
            limit(figure, figure.high),
            Cell::told(&figure.definition, explained(figure)),
            Cell::text(figure.remarks.join("; ")),
        ]);
    }
    Section {
        title: "The month in figures",
        says: vec![
            "At least and at most are the limits within which a figure lies with 95 % confidence, where it is a share of orders or \
             counts failures. Where there is nothing to divide by, there is no value."
                .to_owned(),
        ],
        sheets: vec![sheet],
        ..Section::empty()
    }
}

fn rounded(value: Option<f64>) -> Cell {
    Cell::number_as(value, value.map(|value| short((value * 100.0).round() / 100.0)).unwrap_or_default())
}

fn valued(figure: &pb::Figure) -> Cell {
    match (figure.value, figure.unit.as_str()) {
        (value, "share") => Cell::share(value),
        (None, _) => Cell::number_as(None, "none".to_owned()),
        (Some(value), "money") => Cell::number_as(Some(value), format!("{value:.2}")),
        (Some(value), unit) => Cell::number_as(Some(value), format!("{value:.2} {unit}")),
    }
}

/// What a figure divides, with what is to be known of it.
fn explained(figure: &pb::Figure) -> String {
    let remarks = figure.remarks.iter().map(|remark| format!(". {remark}"));
    format!("{}{}", figure.definition, remarks.collect::<String>())
}

fn limit(figure: &pb::Figure, value: Option<f64>) -> Cell {
    match value {
        Some(share) if figure.unit == "share" => Cell::number_as(value, percent(share)),
        Some(_) | None => rounded(value),
    }
}

/// "Oct" and "2026"; the year only where it begins, or at the first.
pub(super) fn month_label(month: &str, is_first: bool) -> [String; 2] {
    match NaiveDate::parse_from_str(&format!("{month}-01"), "%Y-%m-%d") {
        Ok(day) => {
            let is_january = month.ends_with("-01");
            let year = if is_first || is_january { day.format("%Y").to_string() } else { String::new() };
            [day.format("%b").to_string(), year]
        }
        Err(_) => [month.to_owned(), String::new()],
    }
}

/// A month's share as a column, with its parts above it.
fn column(figure: &pb::Figure, label: [String; 2]) -> Column {
    let parts = || format!("{}/{}", figure.numerator, figure.denominator);
    Column {
        label,
        value: figure.value,
        text: figure.value.map_or_else(|| "-".to_owned(), |_| parts()),
        limits: figure.low.zip(figure.high),
        fill: Fill::Full,
    }
}

/// Compliance within the window, month by month.
pub(super) fn compliance(facts: &Facts) -> Section {
    let mut sheet = Sheet::new(
        "compliance",
        "Compliance by month",
        &[
            ("month", "month"),
            ("in_time", "done in time"),
            ("due", "due"),
            ("share", "share"),
            ("low", "at least"),
            ("high", "at most"),
            ("remarks", "beside that"),
        ],
    );
    let figures = || facts.compliance.iter().filter_map(|group| Some((group, group.figures.first()?)));
    let mut drawn = Vec::new();
    for (place, (group, figure)) in figures().enumerate() {
        sheet.push([
            Cell::text(&group.key),
            Cell::count(&figure.numerator),
            Cell::count(&figure.denominator),
            Cell::share(figure.value),
            limit(figure, figure.low),
            limit(figure, figure.high),
            Cell::text(figure.remarks.join("; ")),
        ]);
        drawn.push(column(figure, month_label(&group.key, place == 0)));
    }
    let definition = figures().map(|(_, figure)| figure.definition.clone()).next().unwrap_or_default();
    let with_any = drawn.iter().filter(|column| column.value.is_some()).count();
    let mut section = Section {
        title: "Done within the window",
        says: vec![format!(
            "The share of planned work that was done within its window: {definition}. Each order counts in the month in which it \
             was due."
        )],
        sheets: vec![sheet],
        ..Section::empty()
    };
    if with_any == 0 {
        section
            .rests
            .push("Nothing has fallen due in these months, so that there is nothing to draw.".to_owned());
        return section;
    }
    section.rests.push(format!(
        "Above each column stand done in time and due; its upright line leads over what the share may be with 95 % confidence, \
         and is long where few were due. {with_any} of {} months have something that fell due.",
        drawn.len()
    ));
    let desc = drawn
        .iter()
        .filter(|column| column.value.is_some())
        .map(|column| format!("{} {}", column.label[0], column.text));
    let desc = format!("Done in time and due by month: {}", desc.collect::<Vec<_>>().join(", "));
    let said = Said {
        title: "Share done within the window, by month",
        desc: &desc,
        marks: Marks {
            full: "share done within the window",
            hatched: "",
            limits: "what the share may be, with 95 % confidence",
        },
    };
    let axis = Axis { most: 1.0, unit: "%", is_whole: true };
    section.plots.push((String::new(), columns(WIDE, said, axis, &drawn)));
    section
}

/// The ages by which overdue work is told apart, in words.
fn ages() -> [String; 3] {
    let [week, month] = AGES_DAYS;
    [format!("up to {week} days"), format!("{week} to {month} days"), format!("over {month} days")]
}

fn age_of(days: f64) -> usize {
    AGES_DAYS.iter().filter(|age| u32::try_from(**age).is_ok_and(|age| days > f64::from(age))).count()
}

fn days_between(due: DateTime<Utc>, at: DateTime<Utc>) -> f64 {
    (at - due).as_seconds_f64() / DAY_S
}

fn overdue_row(one: &Overdue, at: DateTime<Utc>) -> [Cell; 6] {
    let days = one.due.map(|due| days_between(due, at));
    let due = one.due.map(|due| due.to_rfc3339_opts(chrono::SecondsFormat::AutoSi, true)).unwrap_or_default();
    [
        Cell::text(&one.order.machine),
        Cell::text(&one.order.title),
        Cell::count(&one.order.number),
        Cell::told(due.clone(), due.split('T').next().unwrap_or_default()),
        Cell::number_as(days, days.map(|days| format!("{days:.1}")).unwrap_or_default()),
        Cell::text(days.map(|days| ages()[age_of(days)].clone()).unwrap_or_default()),
    ]
}

/// What was overdue at the month's end, by its age.
pub(super) fn overdue(facts: &Facts) -> Section {
    let at = facts.looked_at();
    let mut sheet = Sheet::new(
        "overdue",
        "The orders that were overdue",
        &[
            ("machine", "machine"),
            ("what", "what"),
            ("order", "order"),
            ("due", "due since (UTC)"),
            ("days", "days"),
            ("age", "age"),
        ],
    );
    let mut counts = [0_usize; 3];
    for one in &facts.overdue {
        sheet.push(overdue_row(one, at));
        if let Some(due) = one.due {
            counts[age_of(days_between(due, at))] += 1;
        }
    }
    let figure = facts.figure("overdue");
    let definition = figure.map(|figure| figure.definition.clone()).unwrap_or_default();
    let (all, days) = figure.map_or((0.0, 0.0), |figure| (figure.denominator, figure.numerator));
    let when = if facts.is_over() { "at the end of the month" } else { "now" };
    let mut section = Section {
        title: "Overdue, by age",
        says: vec![format!(
            "Planned work that was not done {when} although its window had shut: {} orders, {days:.1} days together ({definition}).",
            short(all)
        )],
        ..Section::empty()
    };
    if counts == [0; 3] {
        section.rests.push("Nothing was overdue, so that there is nothing to draw.".to_owned());
        section.sheets.push(sheet);
        return section;
    }
    section.rests.push("Age counts from the due point. The ages are a convention of this report.".to_owned());
    let drawn: Vec<Bar> = ages()
        .into_iter()
        .zip(counts)
        .map(|(label, of)| Bar { label, value: Some(count(of)), text: of.to_string(), fill: Fill::Full })
        .collect();
    let desc = drawn.iter().map(|bar| format!("{}: {}", bar.label, bar.text)).collect::<Vec<_>>().join(", ");
    let said = Said { title: "Overdue orders by age", desc: &desc, marks: Marks::full("overdue orders") };
    let axis = Axis {
        most: drawn.iter().filter_map(|bar| bar.value).fold(5.0, f64::max),
        unit: "",
        is_whole: false,
    };
    section.plots.push((String::new(), bars(said, axis, None, &drawn)));
    section.sheets.push(sheet);
    section
}
