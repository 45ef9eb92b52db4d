//! An open order's page: what to heed first, what and where and why, and the form that closes it.

use super::closing::{Desk, Job};
use super::form::{Complaints, USED_LINES, is_so, tick, ticked};
use super::page::{self, Answer};
use super::requests::Typed;
use super::words::{self, DEFERRAL};
use fettler_proto::v1;
use maud::{Markup, html};

/// Why the record of an electrician is asked for.
const CABINET: &str = "Inside an electrical cabinet only a licensed electrician reads.";

/// What a form is filled with: what was typed before, and what was wrong with it.
struct Form<'a> {
    typed: &'a Typed,
    wrong: &'a Complaints,
}

/// The page.
pub(super) fn page(job: &Job, desk: &Desk, id: &str, typed: &Typed, wrong: &Complaints) -> Answer {
    let form = Form { typed, wrong };
    let item = &job.item;
    let body = html! {
        header {
            p { a href=(desk.view.link(&[])) { "To the board" } }
            h1 { (item.title) }
            p.machine { (words::named(&item.machine, &item.machine_name)) @if !item.area.is_empty() { ", " (item.area) } }
            p.when.late[item.late] { (item.when) }
        }
        main {
            (forbidden(job))
            (complaints(&form))
            (about(job, desk))
            @if job.closes {
                form method="post" action=(desk.view.order(item.order)) {
                    input type="hidden" name="mark" value=(desk.session.mark);
                    input type="hidden" name="request" value=(id);
                    (cautions(item, &form))
                    (found(&form))
                    (readings(&job.points, &form))
                    (person(job, desk, &form))
                    (used(item, &form))
                    (left_out(job, &form))
                    (rest(job, &form))
                    p { button type="submit" { "Close order " (item.order) } }
                }
            } @else {
                (cautions_told(item))
                p { "This token closes no orders: it needs the role technician." }
            }
        }
        footer { p { "Order " (item.order) ". This page stays as it is while you type." } }
    };
    page::page(&format!("Order {}: {}", item.order, item.title), "order", &body)
}

fn forbidden(job: &Job) -> Markup {
    html! {
        @if let Some(reason) = &job.forbidden {
            section.forbidden aria-labelledby="forbidden" {
                h2 #forbidden { "This machine must not start" }
                p { (words::sentence(reason.trim_end_matches('.'))) "." }
            }
        }
    }
}

fn complaints(form: &Form<'_>) -> Markup {
    let wrong = form.wrong;
    html! {
        @if !wrong.is_empty() {
            section.complaints tabindex="-1" autofocus aria-labelledby="complaints" {
                h2 #complaints { (if wrong.each().next().is_some() { "Nothing was recorded yet" } else { "Before it is recorded" }) }
                ul {
                    @for text in &wrong.others { li { (text) } }
                    @for (field, text) in wrong.each() { li { a href=(format!("#{}", anchor(field))) { (text) } } }
                }
                @if form.typed.has("request") { p.more { "What you typed is kept below, save for a PIN." } }
            }
        }
    }
}

/// The id of the element that a field's complaint leads to.
fn anchor(field: &str) -> String {
    match field {
        "heeded" => "heeded-yes".to_owned(),
        "found" => "found-good".to_owned(),
        other => other.to_owned(),
    }
}

fn about(job: &Job, desk: &Desk) -> Markup {
    let item = &job.item;
    html! {
        section.about {
            dl {
                @if !item.place.is_empty() { dt { "where" } dd { (item.place) } }
                @if !item.why.is_empty() { dt { "why" } dd { (item.why) } }
                dt { "sure" } dd { (words::sure(item, desk.teller)) }
                @if !job.window.is_empty() { dt { "window" } dd { (job.window) } }
                @if !item.kit.is_empty() { dt { "bring" } dd { (words::kit(&item.kit)) } }
                @if item.minutes > 0 { dt { "takes" } dd { (item.minutes) " minutes" } }
            }
        }
    }
}

fn cautions_told(item: &v1::DueItem) -> Markup {
    html! {
        @if item.hazard { p { b { "Neglect or the work itself can hurt someone." } } }
        ul { @for caution in &item.cautions { li { (words::sentence(caution)) "." } } }
        p.deferral { (DEFERRAL) }
    }
}

/// What to heed, and whether it was. Whoever says no is believed, and it is recorded so.
fn cautions(item: &v1::DueItem, form: &Form<'_>) -> Markup {
    let choices = [("yes", "Shown and heeded"), ("no", "Not heeded, or not shown: it is recorded so")];
    html! {
        @if item.hazard || !item.cautions.is_empty() {
            fieldset.cautions aria-describedby="cautions-told" {
                legend { "Before you start" }
                div #cautions-told { (cautions_told(item)) }
                @if !item.cautions.is_empty() {
                    input type="hidden" name="cautious" value="1";
                    (wrong("heeded", form))
                    @for (value, text) in choices { (choice("heeded", value, text, form)) }
                }
            }
        }
    }
}

fn found(form: &Form<'_>) -> Markup {
    html! {
        fieldset {
            legend { "As found" }
            (wrong("found", form))
            @for (_, value, text) in words::AS_FOUND { (choice("found", value, text, form)) }
        }
    }
}

fn choice(name: &str, value: &str, text: &str, form: &Form<'_>) -> Markup {
    let id = format!("{name}-{value}");
    let is_wrong = form.wrong.of(name).map(|_| format!("{name}-wrong"));
    html! {
        div.choice {
            input type="radio" name=(name) id=(id) value=(value) checked[form.typed.get(name) == value] aria-describedby=[is_wrong];
            label for=(id) { (text) }
        }
    }
}

/// What is wrong in a field, beside it.
fn wrong(name: &str, form: &Form<'_>) -> Markup {
    html! { @if let Some(text) = form.wrong.of(name) { p.wrong id=(format!("{name}-wrong")) { (text) } } }
}

/// A field of one line.
struct Line<'a> {
    name: &'a str,
    label: &'a str,
    /// What to know of it; empty for nothing.
    more: &'a str,
    kind: &'a str,
    /// Which keys a tablet shows.
    keys: &'a str,
}

fn line(field: &Line<'_>, list: Option<&str>, form: &Form<'_>) -> Markup {
    let name = field.name;
    let is_wrong = form.wrong.of(name).is_some();
    let told: Vec<String> = [(is_wrong, "wrong"), (!field.more.is_empty(), "more")]
        .into_iter()
        .filter(|(is_there, _)| *is_there)
        .map(|(_, part)| format!("{name}-{part}"))
        .collect();
    let told = (!told.is_empty()).then(|| told.join(" "));
    html! {
        div.field {
            label for=(name) { (field.label) }
            @if !field.more.is_empty() { p.more id=(format!("{name}-more")) { (field.more) } }
            (wrong(name, form))
            input id=(name) name=(name) type=(field.kind) value=[(field.kind != "password").then(|| form.typed.get(name))]
                inputmode=(field.keys) list=[list] autocomplete="off" aria-describedby=[told]
                aria-invalid=[is_wrong.then_some("true")];
        }
    }
}

fn readings(points: &[v1::TestPoint], form: &Form<'_>) -> Markup {
    html! {
        @if !points.is_empty() {
            fieldset {
                legend { "Readings" }
                @for point in points { (reading(point, form)) }
            }
        }
    }
}

fn reading(point: &v1::TestPoint, form: &Form<'_>) -> Markup {
    let name = format!("read.{}", point.key);
    let title = if point.title.is_empty() { &point.key } else { &point.title };
    let label = match words::unit(&point.unit) {
        "" => words::sentence(title),
        unit => format!("{} in {unit}", words::sentence(title)),
    };
    let limits = words::limits(point);
    let told = [("at", &point.place), ("good is", &point.good), ("limits:", &limits)];
    let told: Vec<String> = told
        .iter()
        .filter(|(_, text)| !text.is_empty())
        .map(|(word, text)| format!("{word} {text}"))
        .collect();
    let more = words::sentence(&told.join("; "));
    let right = right(point, form.typed);
    html! {
        div.reading {
            @for caution in &point.cautions { p.heed { (words::sentence(caution)) "." } }
            (line(&Line { name: &name, label: &label, more: &more, kind: "text", keys: "decimal" }, None, form))
            (so(&name, &right, form))
        }
    }
}

/// What the tick of a reading says. Where the record is missing it never says less than that: a yes to the number would be a yes to an
/// open cabinet too.
fn right(point: &v1::TestPoint, typed: &Typed) -> String {
    let said = typed.get(&format!("read.{}", point.key));
    if by_electrician(point) && !typed.has("certificate") {
        format!("“{said}” is right, and was read without an electrician’s record: it is recorded so")
    } else {
        format!("“{said}” is right: I read it again")
    }
}

fn by_electrician(point: &v1::TestPoint) -> bool {
    point.taken_by() == v1::PointTaker::LicensedElectrician
}

/// Whether a field for a time takes a text: it is YYYY-MM-DDTHH:MM.
fn is_plain(time: &str) -> bool {
    let form = b"0000-00-00T00:00";
    let fits = |(sign, of): (u8, &u8)| if *of == b'0' { sign.is_ascii_digit() } else { sign == *of };
    time.len() == form.len() && time.bytes().zip(form).all(fits)
}

/// A tick that says of a field that was asked back that it is right as it stands.
fn so(field: &str, label: &str, form: &Form<'_>) -> Markup {
    let (name, is_so) = (tick(field), is_so(form.typed, field));
    html! {
        @if form.wrong.asks_back(field) || is_so {
            div.choice {
                input type="checkbox" name=(name) id=(name) value=(ticked(form.typed, field)) checked[is_so];
                label for=(name) { (label) }
            }
        }
    }
}

fn person(job: &Job, desk: &Desk, form: &Form<'_>) -> Markup {
    // A time that the field for one cannot take, such as one with its offset, is typed as text: that field would come back empty, which
    // means now.
    let typed = form.typed.get("done");
    let is_taken = form.wrong.of("done").is_none() && (typed.is_empty() || is_plain(typed));
    let kind = if is_taken { "datetime-local" } else { "text" };
    let done = format!("Leave it empty for now, {}; times of {}", desk.teller.now(), desk.teller.zone_name());
    html! {
        fieldset {
            legend { "Who and when" }
            datalist #people { @for name in &job.people { option value=(name); } }
            (line(&Line { name: "by", label: "Who did it", more: "", kind: "text", keys: "text" }, Some("people"), form))
            @if job.asks_pin {
                (line(&Line { name: "pin", label: "Their PIN", more: "", kind: "password", keys: "numeric" }, None, form))
            }
            @if job.task.second_person {
                (line(&Line { name: "second", label: "The second person", more: "Somebody else has to be there.", kind: "text", keys: "text" }, Some("people"), form))
            }
            @if job.task.certificate {
                (line(&Line { name: "certificate", label: "Number of the certificate", more: "The work is licensed practice.", kind: "text", keys: "text" }, None, form))
            } @else if job.points.iter().any(by_electrician) {
                (line(&Line { name: "certificate", label: "Number of the electrician’s record", more: CABINET, kind: "text", keys: "text" }, None, form))
            }
            (line(&Line { name: "done", label: "When it was done", more: &done, kind, keys: "text" }, None, form))
            (so("done", "The time is right: it was done then", form))
        }
    }
}

fn used(item: &v1::DueItem, form: &Form<'_>) -> Markup {
    html! {
        fieldset {
            legend { "Used" }
            @if !item.kit.is_empty() {
                div.choice {
                    input type="checkbox" name="kit" id="kit" value="1" checked[form.typed.has("kit")];
                    label for="kit" { "As planned: " (words::kit(&item.kit)) }
                }
            }
            @for number in 1..=USED_LINES {
                @let name = |part: &str| format!("used.{number}.{part}");
                div.used role="group" aria-label=(format!("Item {number} beside that")) {
                    (line(&Line { name: &name("item"), label: "Item", more: "", kind: "text", keys: "text" }, None, form))
                    (line(&Line { name: &name("quantity"), label: "How much", more: "", kind: "text", keys: "decimal" }, None, form))
                    (line(&Line { name: &name("unit"), label: "In what", more: "", kind: "text", keys: "text" }, None, form))
                    (so(&name("item"), &format!("“{}” is what was used", form.typed.get(&name("item"))), form))
                }
            }
        }
    }
}

fn left_out(job: &Job, form: &Form<'_>) -> Markup {
    html! {
        @if !job.covers.is_empty() {
            fieldset {
                legend { "Done with it" }
                p.more { "These are closed with it where they are open. Mark what was not done this time." }
                @for (key, title) in &job.covers {
                    @let name = format!("left.{key}");
                    div.choice {
                        input type="checkbox" name=(name) id=(name) value="1" checked[form.typed.has(&name)];
                        label for=(name) { "Not done: " (if title.is_empty() { key } else { title }) }
                    }
                }
            }
        }
    }
}

fn rest(job: &Job, form: &Form<'_>) -> Markup {
    let planned = match job.item.minutes {
        0 => String::new(),
        minutes => format!("Planned: {minutes}."),
    };
    html! {
        fieldset {
            legend { "More" }
            (line(&Line { name: "minutes", label: "Minutes it took", more: &planned, kind: "text", keys: "numeric" }, None, form))
            div.field {
                label for="note" { "Note" }
                (wrong("note", form))
                textarea #note name="note" rows="3" aria-describedby=[form.wrong.of("note").map(|_| "note-wrong")] {
                    (form.typed.get("note"))
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_for_a_time_takes_no_offset() {
        assert!(is_plain("2026-11-26T10:00"));
        for text in ["2026-11-26T10:00+01:00", "2026-11-26T10:00Z", "2026-11-26 10:00", "+026-11-26T10:00"] {
            assert!(!is_plain(text), "{text}");
        }
    }
}
