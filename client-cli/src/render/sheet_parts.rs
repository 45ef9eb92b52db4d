//! What a sheet of paper asks: a check of the round as a row, a work order as a box, each with its cautions before the work and with
//! room for what is read and found.

use super::{
    due::due_words,
    point,
    words::{self, unit_sign},
};
use crate::{declared::Declared, html::safe, times::Teller};
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// A box to be ticked.
const TICK: &str = "<i class=\"b\"></i>";

/// A box to be ticked, with what it says.
fn tick(what: &str) -> String {
    format!("<span class=\"t\">{TICK}{}</span> ", safe(what))
}

/// Room to write on, `mm` wide.
pub(super) fn room(what: &str, mm: u32) -> String {
    format!("<span class=\"t\">{} <i class=\"l\" style=\"width:{mm}mm\"></i></span> ", safe(what))
}

/// A label and a text under it; nothing where there is no text.
fn line(out: &mut String, label: &str, text: &str) {
    if !text.is_empty() {
        let _ = writeln!(out, "<p><b>{}</b> {}</p>", safe(label), safe(text));
    }
}

/// What to heed before a hand is laid on, each with a box to tick.
fn heed(out: &mut String, heading: &str, cautions: &[&str]) {
    if heading.is_empty() && cautions.is_empty() {
        return;
    }
    let heading = if heading.is_empty() { "Heed before you begin" } else { heading };
    let _ = write!(out, "<div class=\"heed\"><b>{}</b>", safe(heading));
    for caution in cautions {
        let _ = write!(out, "<div class=\"c\">{TICK}<span>{}</span></div>", safe(caution));
    }
    out.push_str("</div>\n");
}

/// Where a value is written, with its unit, and its limits beside it.
fn value(point: &pb::TestPoint) -> String {
    let mut out = format!("<span class=\"t\"><i class=\"v\"></i> {}</span>", safe(unit_sign(&point.unit)));
    let limits = point::limits(point);
    if !limits.is_empty() {
        let _ = write!(out, " <span class=\"lim\">{}</span>", safe(&limits));
    }
    out
}

/// A check of the round as a row of a table.
pub(super) fn check(check: &pb::RoundCheck) -> String {
    let card = check.check.clone().unwrap_or_default();
    // The key is what a file of answers names it by.
    let mut out = format!("<tr><td><b>{}</b> ({})", safe(&card.title), safe(&card.key));
    let of_point = check.point.iter().flat_map(|point| &point.cautions);
    let cautions: Vec<&str> = card.cautions.iter().chain(of_point).map(String::as_str).collect();
    heed(&mut out, if card.hazard { "HAZARD" } else { "" }, &cautions);
    line(&mut out, "where", &card.place);
    line(&mut out, "good", &card.good);
    let asked = match &check.point {
        Some(point) => value(point),
        None => tick("good"),
    };
    let _ = writeln!(
        out,
        "</td><td>{asked}</td><td>{}<i class=\"l\" style=\"width:100%\"></i></td></tr>",
        tick("finding:")
    );
    out
}

/// A work order as a box that is never cut by a page's end.
pub(super) fn order(item: &pb::DueItem, declared: &Declared, teller: Teller) -> String {
    let mut out = format!(
        "<div class=\"job\"><div class=\"head\"><b>{TICK}{} {}</b><span>{}</span></div>\n",
        item.order,
        safe(&item.title),
        safe(&item.when)
    );
    let points: Vec<(&str, Option<&pb::TestPoint>)> =
        item.readings.iter().map(|key| (key.as_str(), declared.point(&item.machine, key))).collect();
    let of_points = points.iter().filter_map(|(_, point)| *point).flat_map(|point| &point.cautions);
    let mut cautions: Vec<&str> = Vec::new();
    for caution in item.cautions.iter().chain(of_points).map(String::as_str) {
        if !cautions.contains(&caution) {
            cautions.push(caution);
        }
    }
    let hazard = match (item.hazard, cautions.is_empty()) {
        (true, true) => "HAZARD: neglect or the work itself can hurt someone",
        (true, false) => "HAZARD: heed before you begin",
        (false, _) => "",
    };
    heed(&mut out, hazard, &cautions);
    line(&mut out, "where", &item.place);
    line(&mut out, "why", &item.why);
    line(&mut out, "due", &due_words(item, teller));
    if item.covered_by != 0 {
        line(&mut out, "with", &format!("done together with order {}", item.covered_by));
    }
    if !item.kit.is_empty() {
        let kit: String = item.kit.iter().map(|of| tick(&words::kit(std::slice::from_ref(of)))).collect();
        let _ = writeln!(out, "<p><b>bring</b> {kit}</p>");
    }
    for (key, point) in points {
        let _ = writeln!(out, "{}", read(key, point));
    }
    out.push_str(&answer(item, declared.task(&item.machine, &item.task)));
    out.push_str("</div>\n");
    out
}

/// Where what is read at a test point is written.
fn read(key: &str, point: Option<&pb::TestPoint>) -> String {
    let Some(point) = point else { return format!("<p class=\"r\"><b>read</b> {}</p>", room(key, 40)) };
    let title = if point.title.is_empty() { String::new() } else { format!("{} ", point.title) };
    let place = if point.place.is_empty() { String::new() } else { format!(", {}", point.place) };
    let mut out =
        format!("<p class=\"r\"><b>read</b> {} {}", safe(&format!("{title}({key}){place}")), value(point));
    if point.taken_by() == pb::PointTaker::LicensedElectrician {
        out.push_str(" by a licensed electrician only; ");
        out.push_str(&room("record", 30));
    }
    out + "</p>"
}

/// What the doer answers.
fn answer(item: &pb::DueItem, task: Option<&pb::TaskCard>) -> String {
    let found: String = ["good", "worn", "failed", "broke down"].into_iter().map(tick).collect();
    let minutes = if item.minutes > 0 { format!("min (planned {})", item.minutes) } else { "min".to_owned() };
    let mut out = format!(
        "<p class=\"r\"><b>as found</b> {found} {}{minutes}</p>\n<p class=\"r\">{}{}</p>\n",
        room("took", 14),
        room("used, lot", 52),
        room("note", 68)
    );
    let mut more = String::new();
    if task.is_some_and(|task| task.certificate) {
        more.push_str(&room("licensed practice; certificate", 36));
    }
    if task.is_some_and(|task| task.second_person) {
        more.push_str(&room("second person", 48));
    }
    if !more.is_empty() {
        let _ = writeln!(out, "<p class=\"r\">{more}</p>");
    }
    out
}
