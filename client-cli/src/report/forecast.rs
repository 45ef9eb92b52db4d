//! How well forecasts held, and what became of stated due points.

use super::Section;
use super::facts::Facts;
use super::legend::Marks;
use super::sheet::{Cell, Sheet};
use super::svg::{Axis, Bar, Fill, Said, bars, count};
use crate::backtest::own::Held;

/// What a spread from p10 to p90 states.
const STATED: f64 = 0.8;
/// From how many judged cases on a share says something (own convention).
const CASES_MIN: usize = 20;

fn bar(row: &Held) -> Bar {
    let label = match row.weeks {
        None => "all".to_owned(),
        Some(1) => "1 week ahead".to_owned(),
        Some(weeks) => format!("{weeks} weeks ahead"),
    };
    let text = match row.share() {
        Some(share) => format!("{:.0} %, {} of {}", 100.0 * share, row.within, row.judged()),
        None => "none judged".to_owned(),
    };
    Bar { label, value: row.share(), text, fill: Fill::Full }
}

/// How often the stated spread held.
pub(super) fn spread(facts: &Facts) -> Section {
    let mut sheet = Sheet::new(
        "forecast",
        "Where it came, by how far ahead was asked",
        &[
            ("asked_weeks", "weeks asked ahead"),
            ("cases", "cases"),
            ("judged", "judged"),
            ("within", "within the spread"),
            ("before", "before it"),
            ("after", "after it"),
            ("share_within", "share within"),
        ],
    );
    let held = facts.own.held();
    let mut drawn = Vec::new();
    for row in &held {
        let share = row.share();
        let weeks = row.weeks.map_or_else(|| "all".to_owned(), |weeks| weeks.to_string());
        sheet.push([
            Cell::text(&weeks),
            Cell::count(&row.cases),
            Cell::count(&row.judged()),
            Cell::count(&row.within),
            Cell::count(&row.before),
            Cell::count(&row.after),
            Cell::share(share),
        ]);
        drawn.push(bar(row));
    }
    let judged = held.last().map_or(0, Held::judged);
    let mut section = Section {
        title: "How often forecasts held",
        says: vec![
            "An expected due point is stated with a spread, of which 8 in 10 due points are to lie within. Here: forecasts that came \
             within their spread / forecasts whose spread has passed."
                .to_owned(),
        ],
        rests: vec![
            "The spreads that were stated on past days are not kept. This rests on the run hours on record: as of every four weeks \
             back from the month's end, for a year at most, each meter was asked, by the rules of the service, when it will have run \
             what it runs in 1, 4 and 12 weeks, and the answer held against what it ran."
                .to_owned(),
        ],
        sheets: vec![sheet],
        ..Section::empty()
    };
    if judged == 0 {
        section.rests.push("Too little is on record: no spread has passed that could be judged.".to_owned());
        return section;
    }
    if judged < CASES_MIN {
        section.rests.push(format!(
            "Only {judged} can be judged; from about {CASES_MIN} on the shares say something."
        ));
    }
    let desc = drawn.iter().map(|bar| format!("{}: {}", bar.label, bar.text)).collect::<Vec<_>>().join("; ");
    let said = Said {
        title: "Share of forecasts within their spread, by how far ahead",
        desc: &desc,
        marks: Marks::full("share that came within the stated spread"),
    };
    let axis = Axis { most: 1.0, unit: "%", is_whole: true };
    section.plots.push((String::new(), bars(said, axis, Some((STATED, "80 % stated")), &drawn)));
    section
}

/// Where closings lay about their due points, in shop days.
const PARTS: [(&str, i64, i64); 5] = [
    ("over 7 days before", i64::MIN, -8),
    ("1 to 7 days before", -7, -1),
    ("on its day", 0, 0),
    ("1 to 7 days after", 1, 7),
    ("over 7 days after", 8, i64::MAX),
];

/// When work was done, held against its due point.
pub(super) fn due_points(facts: &Facts) -> Section {
    let days: Vec<i64> = facts.closings.iter().filter_map(|closing| closing.days).collect();
    let moved = facts.closings.iter().filter(|closing| closing.has_moved).count();
    let mut sheet = Sheet::new(
        "due_points",
        "Closings by their distance from the due point",
        &[("done", "done"), ("closings", "closings"), ("of", "of")],
    );
    let mut drawn = Vec::new();
    for (label, from, until) in PARTS {
        let of = days.iter().filter(|days| (from..=until).contains(*days)).count();
        sheet.push([Cell::text(label), Cell::count(&of), Cell::count(&days.len())]);
        drawn.push(Bar {
            label: label.to_owned(),
            value: Some(count(of)),
            text: of.to_string(),
            fill: Fill::Full,
        });
    }
    let without = facts.closings.len() - days.len();
    let mut section = Section {
        title: "Due points and what was done",
        says: vec![format!(
            "Closings of the twelve months by how many shop days lie between their due point, as known now, and the work: {} \
             closings. Later reports have moved the due point of {moved} since.",
            days.len()
        )],
        sheets: vec![sheet],
        ..Section::empty()
    };
    if without > 0 {
        section.rests.push(format!(
            "Not counted: {without} closings whose due point is not known, as where their count has not been reached to this day."
        ));
    }
    if days.is_empty() {
        section
            .rests
            .push("Nothing has been closed that was due, so that there is nothing to draw.".to_owned());
        return section;
    }
    let desc = drawn.iter().map(|bar| format!("{}: {}", bar.label, bar.text)).collect::<Vec<_>>().join(", ");
    let said = Said {
        title: "Closings by their distance from the due point",
        desc: &desc,
        marks: Marks::full("closings"),
    };
    let axis = Axis {
        most: drawn.iter().filter_map(|bar| bar.value).fold(5.0, f64::max),
        unit: "",
        is_whole: false,
    };
    section.plots.push((String::new(), bars(said, axis, None, &drawn)));
    section
}
