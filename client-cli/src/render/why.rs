//! Why an order is due when it is.

use super::{
    due::{Board, deferral, due_words, item_text, named},
    table::Table,
    words,
    wrap::{between, labelled, lines},
};
use crate::times::rfc3339;
use fettler_proto::v1 as pb;

/// The explanation in full.
pub(crate) fn text(answer: &pb::ExplainOrderResponse, board: Board) -> String {
    let Some(item) = &answer.item else { return "the service gave no order\n".to_owned() };
    let heading = |text: &str| format!("\n{}\n", board.style.heading(text));
    let mut out = String::new();
    let mut place = named(&item.machine, &item.machine_name);
    if !item.area.is_empty() {
        place = format!("{place}, {}", item.area);
    }
    out.push_str(&between(
        &place,
        &format!("shop day {}", board.teller.day(&answer.shop_day)),
        0,
        2,
        board.width,
    ));
    out.push_str(&item_text(item, board));
    out.push_str(&heading("ITS RULE"));
    for clause in &item.clauses {
        out.push_str(&clause_text(clause, board));
    }
    out.push_str(&labelled(2, "window", 10, &answer.window, board.width));
    if !answer.events.is_empty() {
        out.push_str(&heading("COUNTED FROM"));
        for event in &answer.events {
            let when = board.teller.instant(event.at.as_ref()).unwrap_or_else(|| "not known".to_owned());
            let order = if event.order == 0 { String::new() } else { format!(" ({})", event.order) };
            out.push_str(&labelled(2, &when, 24, &format!("{}{order}", event.text), board.width));
        }
    }
    if !answer.covers.is_empty() {
        let covered: Vec<String> = answer.covers.iter().map(ToString::to_string).collect();
        out.push_str(&heading("DONE WITH IT"));
        out.push_str(&labelled(0, "", 2, &covered.join(", "), board.width));
    }
    if !answer.row_agrees {
        out.push('\n');
        let note =
            "The row on the due list was computed earlier and says something else; it will be refreshed.";
        out.extend(lines(note, board.width).into_iter().map(|line| line + "\n"));
    }
    out.push_str(&deferral(false, [item], board));
    out
}

fn clause_text(clause: &pb::ClauseStanding, board: Board) -> String {
    let governs = if clause.governs { "governs" } else { "" };
    let mut out = between(&clause.clause, governs, 2, 4, board.width);
    let mut label = |name: &str, text: &str| out.push_str(&labelled(4, name, 8, text, board.width));
    label("stands", &clause.text);
    label("from", &clause.base);
    label("past", &clause.history);
    if let Some(known) = board.teller.instant(clause.known_to.as_ref()) {
        label("known", &format!("hours to {known}"));
    }
    if clause.due.is_some() || matches!(clause.kind(), pb::DueKind::Unknown | pb::DueKind::Ended) {
        let shaped = pb::DueItem { kind: clause.kind, due: clause.due, ..Default::default() };
        label("due", &due_words(&shaped, board.teller));
    }
    out
}

/// The clauses as rows.
pub(crate) fn rows(answer: &pb::ExplainOrderResponse) -> Table {
    let mut table = Table::new([
        "order",
        "clause",
        "governs",
        "due",
        "kind",
        "counted",
        "interval",
        "threshold",
        "unit",
        "base",
        "known_to",
        "text",
    ]);
    if let Some(item) = &answer.item {
        for clause in &item.clauses {
            table.push([
                item.order.to_string(),
                clause.clause.clone(),
                if clause.governs { "yes" } else { "no" }.to_owned(),
                rfc3339(clause.due.as_ref()),
                words::due_kind(clause.kind()).to_owned(),
                clause.counted.clone(),
                clause.interval.clone(),
                clause.threshold.clone(),
                if clause.unit() == pb::Unit::Unspecified { "" } else { words::unit(clause.unit()) }
                    .to_owned(),
                clause.base.clone(),
                rfc3339(clause.known_to.as_ref()),
                clause.text.clone(),
            ]);
        }
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        out::Style,
        testkit,
        times::{self, Teller},
    };

    #[test]
    fn the_explanation_at_80_columns() {
        let answer = pb::ExplainOrderResponse {
            item: Some(testkit::crossed()),
            window: "may be done from 360 h on, late after 440 h".into(),
            events: vec![pb::TaskEvent {
                at: testkit::at("2026-11-03T09:00:00Z"),
                order: 1031,
                text: "closed by Ada Kern, 3 days early".into(),
            }],
            covers: vec![1061],
            shop_day: "2026-11-25".into(),
            row_agrees: false,
        };
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        let board =
            Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 80, style: Style::PLAIN };
        let text = text(&answer, board);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        insta::assert_snapshot!(text);
        assert_eq!(rows(&answer).rows.len(), 2);
    }
}
