//! An order that is open no more: what was recorded, what it satisfied, and when the task is due next.

use super::closing::Desk;
use super::form;
use super::page::{self, Answer};
use super::requests::Typed;
use super::words::{self, DEFERRAL};
use crate::status::http_status;
use fettler_proto::v1;
use http::StatusCode as Number;
use maud::{Markup, html};
use tonic::Status;

/// The fields of a form that nobody typed.
const UNTYPED: [&str; 4] = ["mark", "request", "cautious", "pin"];

/// What came of a closing.
pub(super) fn done(answer: &v1::CloseOrderResponse, desk: &Desk) -> Answer {
    let order = answer.order.clone().unwrap_or_default();
    let findings = order.closing.as_ref().map(|closing| closing.findings.as_slice()).unwrap_or_default();
    // What stands in the record is not said twice.
    let remarks: Vec<&String> = answer.remarks.iter().filter(|remark| !findings.contains(remark)).collect();
    let body = html! {
        (head(&format!("Closed: {}", order.title), &order, desk))
        main {
            @if let Some(closing) = &order.closing { (record(closing, desk)) (failed(closing, &order.machine)) }
            @if !remarks.is_empty() {
                section { h2 { "To know" } ul { @for remark in &remarks { li { (words::sentence(remark)) "." } } } }
            }
            @for covered in &answer.covered { p { "Closed with it: order " (covered.number) ", " (covered.title) "." } }
            @for number in &answer.left_open {
                p { "Left open: " a href=(desk.view.order(*number)) { "order " (number) } "." }
            }
            (next(answer.next.as_ref(), &order, desk))
        }
    };
    page::page(&format!("Closed: {}", order.title), "order", &body)
}

/// An order that ended before.
pub(super) fn ended(order: &v1::Order, next_item: Option<&v1::DueItem>, desk: &Desk) -> Answer {
    let title = format!("Order {} {}", order.number, became(order));
    let body = html! {
        (head(&title, order, desk))
        main { (what(order, desk)) (next(next_item, order, desk)) }
    };
    page::page(&title, "order", &body)
}

/// An order that ended while somebody typed.
pub(super) fn meanwhile(order: &v1::Order, typed: &Typed, desk: &Desk) -> Answer {
    let title = format!("Order {} {} meanwhile", order.number, became(order));
    // A tick holds what stands in its field, which is told already.
    let texts = typed.each(&UNTYPED).filter(|(name, _)| !form::is_tick(name));
    let body = html! {
        (head(&title, order, desk))
        main {
            p { "Nothing of what you typed was recorded. What stands is this:" }
            (what(order, desk))
            section {
                h2 { "What you typed" }
                dl { @for (name, value) in texts { dt { (name) } dd { (value) } } }
            }
        }
    };
    page::page(&title, "order", &body).status(Number::CONFLICT)
}

/// That a closing was not answered: it is sent again as it is, and recorded once whatever became of it before.
pub(super) fn again(number: i64, typed: &Typed, desk: &Desk, status: &Status) -> Answer {
    let kept = typed.each(&["pin", "mark"]);
    let body = html! {
        main {
            h1 { "Not just now" }
            p { (words::sentence(status.message())) "." }
            p { "What you typed is kept here. Sent again, it is recorded once, whatever became of it before." }
            form method="post" action=(desk.view.order(number)) {
                input type="hidden" name="mark" value=(desk.session.mark);
                @for (name, value) in kept { input type="hidden" name=(name) value=(value); }
                @if typed.has("pin") {
                    div.field {
                        label for="pin" { "The PIN once more" }
                        input #pin name="pin" type="password" inputmode="numeric" autocomplete="off";
                    }
                }
                p { button type="submit" { "Send again" } }
            }
        }
    };
    page::page("Not just now", "note", &body).status(http_status(status.code()))
}

fn became(order: &v1::Order) -> &'static str {
    match order.state() {
        v1::OrderState::Skipped => "was skipped",
        v1::OrderState::Void => "stands no longer",
        v1::OrderState::Closed | v1::OrderState::Open | v1::OrderState::Unspecified => "was closed",
    }
}

fn head(title: &str, order: &v1::Order, desk: &Desk) -> Markup {
    html! {
        header {
            p { a href=(desk.view.link(&[])) { "To the board" } }
            h1 { (title) }
            p.machine { (order.machine) ", order " (order.number) ": " (order.title) }
        }
    }
}

fn what(order: &v1::Order, desk: &Desk) -> Markup {
    html! {
        @match &order.closing {
            Some(closing) => (record(closing, desk)),
            None => p {
                (desk.teller.instant(order.ended_at.as_ref()))
                @if !order.skipped_by.is_empty() { ", by " (order.skipped_by) }
                @if !order.reason.is_empty() { ": " (order.reason) }
            },
        }
    }
}

fn record(closing: &v1::Closing, desk: &Desk) -> Markup {
    let found = words::AS_FOUND.iter().find(|(found, _, _)| *found == closing.as_found());
    let reading = |reading: &v1::Reading| {
        format!("{} {} {}", reading.point, reading.value, words::unit(&reading.unit)).trim_end().to_owned()
    };
    html! {
        section {
            h2 { "Recorded" }
            dl {
                dt { "done" } dd { (desk.teller.instant(Some(&closing.done_at.unwrap_or_default()))) " by " (closing.done_by) }
                @if let Some((_, _, found)) = found { dt { "as found" } dd { (found) } }
                @if !closing.readings.is_empty() {
                    dt { "read" } dd { (closing.readings.iter().map(reading).collect::<Vec<_>>().join("; ")) }
                }
                @if !closing.used.is_empty() { dt { "used" } dd { (words::kit(&closing.used)) } }
                @if !closing.note.is_empty() { dt { "note" } dd { (closing.note) } }
                @if !closing.satisfied.is_empty() { dt { "satisfied" } dd { (closing.satisfied) } }
                @if !closing.lateness_as_known_then.is_empty() { dt { "lateness" } dd { (closing.lateness_as_known_then) } }
                @for finding in &closing.findings { dt { "finding" } dd { (words::sentence(finding)) } }
            }
            @if !closing.cautions_shown.is_empty() { p.deferral { (DEFERRAL) } }
        }
    }
}

/// What to think of where a part was found failed.
fn failed(closing: &v1::Closing, machine: &str) -> Markup {
    html! {
        @if matches!(closing.as_found(), v1::AsFound::Failed | v1::AsFound::BrokeDown) {
            p.heed {
                "If people are safe by what failed, " (machine) " must not start until somebody competent has looked: have it forbidden ("
                code { "fettler machine forbid" } ")."
            }
        }
    }
}

fn next(item: Option<&v1::DueItem>, order: &v1::Order, desk: &Desk) -> Markup {
    html! {
        section {
            h2 { "Next" }
            @match item {
                Some(item) => p {
                    a href=(desk.view.order(item.order)) { "Order " (item.order) } ", " (item.title) ": "
                    (words::due(item, desk.teller)) @if !item.when.is_empty() && !item.when.starts_with("expected") { ", " (item.when) } "."
                },
                None if order.task.is_empty() => p { "It was raised by hand; no other follows." },
                None => p { "No other follows: its rule has ended." },
            }
        }
    }
}
