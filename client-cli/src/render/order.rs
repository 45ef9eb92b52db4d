//! Work orders, and what came of a closing, a skip, a raise or an undo.

use super::{
    due::{Board, deferral, due_words, item_text},
    table::Table,
    words,
    wrap::{between, labelled},
};
use crate::times::rfc3339;
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// Orders as rows, with times in UTC.
pub(crate) fn rows(orders: &[pb::Order]) -> Table {
    let mut table = Table::new([
        "order",
        "state",
        "machine",
        "task",
        "title",
        "opened_at",
        "ended_at",
        "by",
        "as_found",
        "lateness",
    ]);
    for order in orders {
        let closing = order.closing.as_ref();
        table.push([
            order.number.to_string(),
            words::order_state(order.state()).to_owned(),
            order.machine.clone(),
            order.task.clone(),
            order.title.clone(),
            rfc3339(order.opened_at.as_ref()),
            rfc3339(order.ended_at.as_ref()),
            closing.map_or_else(|| order.skipped_by.clone(), |closing| closing.done_by.clone()),
            closing.map_or_else(String::new, |closing| words::as_found(closing.as_found()).to_owned()),
            closing.map_or_else(String::new, |closing| lateness(closing).to_owned()),
        ]);
    }
    table
}

/// How late a closing was: as known now, or, in lists, which do not judge every closing anew, as known then.
pub(super) fn lateness(closing: &pb::Closing) -> &str {
    match closing.lateness_as_known_now.as_str() {
        "" => &closing.lateness_as_known_then,
        now => now,
    }
}

/// Orders for people: fewer columns, times in the site's zone.
pub(crate) fn list(orders: &[pb::Order], board: Board) -> String {
    let mut table = Table::new(["order", "state", "machine", "what", "ended", "by", "lateness"]);
    for (order, row) in orders.iter().zip(rows(orders).rows) {
        table.push([
            row[0].clone(),
            row[1].clone(),
            order.machine.clone(),
            order.title.clone(),
            board.teller.instant(order.ended_at.as_ref()).unwrap_or_default(),
            row[7].clone(),
            row[9].clone(),
        ]);
    }
    table.text(board.width, board.style)
}

/// One order that stands alone.
pub(crate) fn alone(order: &pb::Order, board: Board) -> String {
    format!("{}{}", one(order, board), deferral(is_cautious(order), [], board))
}

/// The task of an order, or by what it was raised.
fn task_of(order: &pb::Order) -> String {
    let pb::Order { task, raised_by_point: point, raised_by_check: check, .. } = order;
    match (task.as_str(), check.as_str(), point.as_str()) {
        ("", "", "") => "none; raised by hand".to_owned(),
        ("", "", point) => format!("none; raised by a reading of {point}"),
        ("", check, _) => format!("none; raised by the check {check}"),
        (task, _, _) => task.to_owned(),
    }
}

/// Whether an order's record shows cautions.
fn is_cautious(order: &pb::Order) -> bool {
    order.closing.iter().chain(&order.undone).any(|closing| !closing.cautions_shown.is_empty())
}

/// One order with its closing and what was undone.
fn one(order: &pb::Order, board: Board) -> String {
    let state = words::order_state(order.state());
    let mut out = between(&format!("{} {}", order.number, order.title), state, 0, 2, board.width);
    let mut label = |name: &str, text: &str| out.push_str(&labelled(2, name, 12, text, board.width));
    let teller = board.teller;
    label("machine", &order.machine);
    label("task", &task_of(order));
    label("opened", &teller.instant(order.opened_at.as_ref()).unwrap_or_default());
    label("raised by", &order.raised_by);
    label("note", &order.note);
    if order.due.is_some() {
        let kind = if order.p50.is_some() { pb::DueKind::Expected } else { pb::DueKind::Crossed };
        let (due, p10, p50, p90) = (order.due, order.p10, order.p50, order.p90);
        let item = pb::DueItem { kind: kind.into(), due, p10, p50, p90, ..Default::default() };
        label("due", &due_words(&item, teller));
    }
    label("ended", &teller.instant(order.ended_at.as_ref()).unwrap_or_default());
    label("skipped by", &order.skipped_by);
    label("because", &order.reason);
    if let Some(closing) = &order.closing {
        let _ = write!(out, "\n{}\n", board.style.heading(&format!("CLOSING {}", closing.number)));
        out.push_str(&closing_text(closing, board));
    }
    for closing in &order.undone {
        let _ = write!(out, "\n{}\n", board.style.heading(&format!("CLOSING {}, UNDONE", closing.number)));
        out.push_str(&closing_text(closing, board));
    }
    out
}

/// A closing, a line for each thing that was said.
pub(super) fn closing_text(closing: &pb::Closing, board: Board) -> String {
    let mut out = String::new();
    let mut label = |name: &str, text: &str| out.push_str(&labelled(2, name, 12, text, board.width));
    let teller = board.teller;
    let when = |time| teller.instant(time).unwrap_or_default();
    label("done", &format!("{} by {}", when(closing.done_at.as_ref()), closing.done_by));
    let entered_by = if closing.entered_by.is_empty() { &closing.done_by } else { &closing.entered_by };
    let entered_by = words::known(entered_by, closing.entered_known_by());
    label("entered", &format!("{} by {entered_by}", when(closing.entered_at.as_ref())));
    label("as found", words::as_found(closing.as_found()));
    label("read", &words::readings(&closing.readings));
    label("used", &words::kit(&closing.used));
    if !closing.cautions_shown.is_empty() {
        let confirmed = if closing.cautions_confirmed { "confirmed" } else { "NOT CONFIRMED" };
        label("cautions", &format!("{confirmed}: {}", words::sentences(&closing.cautions_shown)));
    }
    label("certificate", &closing.certificate);
    label("with", &closing.second_person);
    if closing.minutes > 0 {
        label("took", &format!("{} min", closing.minutes));
    }
    label("note", &closing.note);
    label("was due", &when(closing.due_as_known_then.as_ref()));
    let (then, now) = (&closing.lateness_as_known_then, &closing.lateness_as_known_now);
    if then == now || then.is_empty() || now.is_empty() {
        label("lateness", lateness(closing));
    } else {
        label("lateness", &format!("{then} as known then"));
        label("", &format!("{now} as known now"));
    }
    label("satisfied", &closing.satisfied);
    label("left out", &closing.left_out.join(", "));
    if closing.covered_by != 0 {
        label("covered by", &format!("closing {}", closing.covered_by));
    }
    label("finding", &closing.findings.join("; "));
    if closing.undone_at.is_some() {
        let undone = format!(
            "{} by {}: {}",
            when(closing.undone_at.as_ref()),
            closing.undone_by,
            closing.undone_reason
        );
        label("undone", &undone);
    }
    if closing.entry > 0 {
        label("journal", &format!("entry {}", closing.entry));
    }
    out
}

/// What came of a closing.
pub(crate) fn closed(answer: &pb::CloseOrderResponse, board: Board) -> String {
    let mut out = answer.order.as_ref().map(|order| one(order, board)).unwrap_or_default();
    let heading = |text: &str| format!("\n{}\n", board.style.heading(text));
    if !answer.covered.is_empty() {
        out.push_str(&heading("CLOSED WITH IT"));
        for order in &answer.covered {
            let _ = writeln!(
                out,
                "{}",
                labelled(2, &order.number.to_string(), 8, &order.title, board.width).trim_end()
            );
        }
    }
    if !answer.left_open.is_empty() {
        let numbers: Vec<String> = answer.left_open.iter().map(ToString::to_string).collect();
        out.push_str(&heading("STILL OPEN"));
        let text = format!("{}; the remarks say why", numbers.join(", "));
        out.push_str(&labelled(0, "", 2, &text, board.width));
    }
    if let Some(text) = answer.order.as_ref().and_then(failed) {
        out.push_str(&heading("FOUND FAILED"));
        out.push_str(&labelled(0, "", 2, &text, board.width));
    }
    out.push_str(&remarks(&answer.remarks, board));
    if let Some(next) = &answer.next {
        out.push_str(&heading("NEXT"));
        out.push_str(&item_text(next, board));
    }
    out.push_str(&deferral(answer.order.iter().any(is_cautious), &answer.next, board));
    out
}

/// What to think of where a part was found failed.
pub(super) fn failed(order: &pb::Order) -> Option<String> {
    let closing = order.closing.as_ref()?;
    matches!(closing.as_found(), pb::AsFound::Failed | pb::AsFound::BrokeDown).then(|| {
        format!(
            "If people are safe by what failed, {machine} must not start until somebody competent has looked: `fettler machine \
             forbid {machine} --by \"{}\" --reason \"what failed\"` puts it at the head of every list.",
            closing.done_by,
            machine = order.machine,
        )
    })
}

fn remarks(remarks: &[String], board: Board) -> String {
    if remarks.is_empty() {
        return String::new();
    }
    let mut out = format!("\n{}\n", board.style.heading("REMARKS"));
    for remark in remarks {
        out.push_str(&labelled(2, "-", 2, remark, board.width));
    }
    out
}

/// What came of a skip.
pub(crate) fn skipped(answer: &pb::SkipOrderResponse, dry_run: bool, board: Board) -> String {
    let mut out = dry(dry_run);
    out.push_str(&answer.order.as_ref().map(|order| one(order, board)).unwrap_or_default());
    out.push_str(&remarks(&answer.remarks, board));
    if let Some(next) = &answer.next {
        let _ = write!(out, "\n{}\n{}", board.style.heading("NEXT"), item_text(next, board));
    }
    out.push_str(&deferral(answer.order.iter().any(is_cautious), &answer.next, board));
    out
}

/// What came of an undo.
pub(crate) fn undone(answer: &pb::UndoClosingResponse, dry_run: bool, board: Board) -> String {
    let mut out = dry(dry_run);
    if !answer.open_again.is_empty() {
        let _ = writeln!(out, "{}", board.style.heading("OPEN AGAIN"));
    }
    for item in &answer.open_again {
        out.push_str(&item_text(item, board));
    }
    out.push_str(&remarks(&answer.remarks, board));
    if !answer.void_orders.is_empty() {
        let numbers: Vec<String> = answer.void_orders.iter().map(ToString::to_string).collect();
        let _ = write!(out, "\n{}\n", board.style.heading("VOID NOW"));
        out.push_str(&labelled(0, "", 2, &numbers.join(", "), board.width));
    }
    out.push_str(&deferral(false, &answer.open_again, board));
    out
}

/// The line that heads what would come of a change.
pub(crate) fn dry(dry_run: bool) -> String {
    if dry_run { "Nothing was changed; this is what would come of it.\n\n".to_owned() } else { String::new() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        out::Style,
        testkit::{self, at},
        times::{self, Teller},
    };

    fn plain() -> Board {
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 80, style: Style::PLAIN }
    }

    #[test]
    fn a_list_tells_the_lateness_of_the_closing_where_no_later_one_is_given() {
        let order = |then: &str, now: &str| pb::Order {
            closing: Some(pb::Closing {
                lateness_as_known_then: then.into(),
                lateness_as_known_now: now.into(),
                ..Default::default()
            }),
            ..Default::default()
        };
        assert_eq!(rows(&[order("9 days late", "")]).rows[0][9], "9 days late");
        assert_eq!(rows(&[order("9 days late", "8 days late")]).rows[0][9], "8 days late");
        assert_eq!(rows(&[order("", "")]).rows[0][9], "");
    }

    #[test]
    fn lateness_is_told_once_where_there_is_one() {
        let text = |then: &str, now: &str| {
            let closing = pb::Closing {
                lateness_as_known_then: then.into(),
                lateness_as_known_now: now.into(),
                ..Default::default()
            };
            let text = closing_text(&closing, plain());
            text.lines().filter(|line| line.contains("late")).map(str::to_owned).collect::<Vec<_>>()
        };
        assert_eq!(text("9 days late", ""), ["  lateness    9 days late"]);
        assert_eq!(text("9 days late", "9 days late"), ["  lateness    9 days late"]);
        assert_eq!(text("", ""), Vec::<String>::new());
        assert_eq!(text("9 days late", "8 days late").len(), 2);
    }

    #[test]
    fn a_closing_shows_what_was_recorded_and_what_is_next() {
        let closing = pb::Closing {
            number: 88,
            order: 1042,
            done_at: at("2026-11-25T04:40:00Z"),
            done_by: "Ada Kern".into(),
            entered_at: at("2026-11-25T05:02:00Z"),
            as_found: pb::AsFound::Worn.into(),
            readings: vec![pb::Reading {
                point: "p-air".into(),
                value: "6.1".into(),
                unit: "bar".into(),
                confirmed: false,
            }],
            cautions_shown: vec!["shut off and bleed the air first".into()],
            lateness_as_known_then: "9 days late".into(),
            lateness_as_known_now: "8 days late".into(),
            findings: vec!["cautions not confirmed".into()],
            entry: 4711,
            ..Default::default()
        };
        let order = pb::Order {
            number: 1042,
            state: pb::OrderState::Closed.into(),
            machine: "L-03".into(),
            task: "drain-bowl".into(),
            title: "Drain the condensate bowl".into(),
            closing: Some(closing),
            ..Default::default()
        };
        let answer = pb::CloseOrderResponse {
            order: Some(order.clone()),
            next: Some(pb::DueItem { order: 1101, ..testkit::crossed() }),
            covered: vec![pb::Order {
                number: 1061,
                title: "Change the air filter element".into(),
                ..Default::default()
            }],
            left_open: vec![1062],
            remarks: vec!["closed 9 days after it fell due".into()],
            void_orders: Vec::new(),
        };
        let board = plain();
        let text = closed(&answer, board);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        insta::assert_snapshot!(text);
        let failed = |as_found: pb::AsFound| {
            let mut answer = answer.clone();
            let closing = answer.order.as_mut().and_then(|order| order.closing.as_mut()).expect("a closing");
            closing.as_found = as_found.into();
            let text = closed(&answer, board);
            assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
            text.contains("FOUND FAILED\n") && text.contains("L-03 must not start")
        };
        assert!(failed(pb::AsFound::Failed) && failed(pb::AsFound::BrokeDown) && !failed(pb::AsFound::Worn));
        assert!(alone(&order, board).ends_with("licensed practice come before all this.\n"));
        assert!(!alone(&pb::Order { closing: None, ..order.clone() }, board).contains("licensed"));
        insta::assert_snapshot!(list(&[order], board));
    }
}
