//! Why an order is due when it is.

use super::{
    due::{Board, deferral, due_words, item_text, named},
    plot,
    table::Table,
    words,
    wrap::{between, labelled, lines},
};
use crate::times::{self, rfc3339};
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

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
    out.push_str(&expectation(answer, item, board));
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
        let orders = if covered.len() == 1 { "order" } else { "orders" };
        out.push_str(&heading("DONE WITH IT"));
        out.push_str(&labelled(0, "", 2, &format!("{orders} {}", covered.join(", ")), board.width));
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

/// What the expectation rests on and how sure it is, as small plots.
fn expectation(answer: &pb::ExplainOrderResponse, item: &pb::DueItem, board: Board) -> String {
    let mut out = String::new();
    for used in &answer.used {
        let heading = format!("RUN IN EACH WEEK, {}", words::unit(used.unit()));
        let _ = write!(out, "\n{}\n", board.style.heading(&heading));
        let reads = "reports that ended in seven days of 24 hours, back from the shop day's start";
        let first = if used.weeks.is_empty() { "no whole week of reports yet" } else { reads };
        out.push_str(&labelled(2, &used.meter, 12, first, board.width));
        let row = |week: &pb::UsedWeek| {
            let from = board.teller.day_of(week.start.as_ref()).unwrap_or_default();
            let ran = week.amount.parse().unwrap_or(0.0);
            (format!("from {from}"), ran, format!("{ran:.1}"))
        };
        out.push_str(&plot::bars(&used.weeks.iter().map(row).collect::<Vec<_>>(), 4, board.width));
    }
    let at = |time: &Option<prost_types::Timestamp>| time.as_ref().and_then(times::from_wire);
    if let (Some(from), Some(p10)) = (at(&answer.shop_day_start), at(&item.p10)) {
        let of = plot::Spread { from, p10, p50: at(&item.p50), p90: at(&item.p90) };
        let _ = write!(out, "\n{}\n", board.style.heading("EXPECTED"));
        out.push_str(&plot::spread(of, 4, board));
    }
    out
}

fn clause_text(clause: &pb::ClauseStanding, board: Board) -> String {
    let governs = if clause.governs { "governs" } else { "" };
    let mut out = between(&clause.clause, governs, 2, 4, board.width);
    let mut label = |name: &str, text: &str| out.push_str(&labelled(4, name, 8, text, board.width));
    label("stands", &clause.text);
    label("from", &clause.base);
    label("past", &clause.history);
    label("given", &clause.inputs.join("; "));
    label("source", &clause.source);
    label("do", &clause.acts.join("; "));
    label("fault", &clause.fault);
    for (place, read) in clause.read_since.iter().enumerate() {
        label(if place == 0 { "since" } else { "" }, read);
    }
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
    use crate::{out::Style, testkit, times::Teller};

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
            ..Default::default()
        };
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        let board =
            Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 80, style: Style::PLAIN };
        let text = text(&answer, board);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        insta::assert_snapshot!(text);
        assert_eq!(rows(&answer).rows.len(), 2);
    }

    #[test]
    fn what_was_read_since_stands_line_by_line_under_its_clause() {
        let clause = pb::ClauseStanding {
            clause: "coolant out of limits".into(),
            read_since: vec![
                "4.8 %, out of limits, Monday 09:00 by Ada Kern".into(),
                "6.1 %, Tuesday 09:00 by Jo Lind".into(),
            ],
            ..Default::default()
        };
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        let board =
            Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 80, style: Style::PLAIN };
        let text = clause_text(&clause, board);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[1], "    since   4.8 %, out of limits, Monday 09:00 by Ada Kern");
        assert_eq!(lines[2], "            6.1 %, Tuesday 09:00 by Jo Lind");
    }

    #[test]
    fn an_expectation_shows_the_weeks_it_rests_on_and_its_spread() {
        let week = |start: &str, end: &str, amount: &str| pb::UsedWeek {
            start: testkit::at(start),
            end: testkit::at(end),
            amount: amount.into(),
        };
        let weeks = vec![
            week("2026-11-04T05:00:00Z", "2026-11-11T05:00:00Z", "41.25"),
            week("2026-11-11T05:00:00Z", "2026-11-18T05:00:00Z", "0"),
            week("2026-11-18T05:00:00Z", "2026-11-25T05:00:00Z", "38.0000003"),
        ];
        let expected = testkit::due_list().items.into_iter().find(|item| item.p10.is_some());
        let answer = pb::ExplainOrderResponse {
            item: expected,
            shop_day: "2026-11-25".into(),
            row_agrees: true,
            shop_day_start: testkit::at("2026-11-25T05:00:00Z"),
            used: vec![pb::UsedHistory { meter: "operating".into(), unit: pb::Unit::Hours.into(), weeks }],
            ..Default::default()
        };
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        let board =
            Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 80, style: Style::PLAIN };
        let text = text(&answer, board);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        insta::assert_snapshot!(text);
    }
}
