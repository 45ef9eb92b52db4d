//! Figures of care.

use super::{due::Board, table::Table, wrap::labelled};
use fettler_proto::v1 as pb;
use std::collections::BTreeMap;

/// The width of a figure's name with what is apart from it, in characters.
const LABEL: usize = 26;

/// Figures as rows, one a figure of a group; with the orders behind it where they were asked for.
pub(crate) fn rows(answer: &pb::GetFiguresResponse) -> Table {
    let mut table = Table::new([
        "group",
        "figure",
        "value",
        "unit",
        "numerator",
        "denominator",
        "low",
        "high",
        "orders",
        "counting_orders",
        "other_orders",
        "remarks",
    ]);
    let number = |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
    for group in &answer.groups {
        for figure in &group.figures {
            table.push([
                group.key.clone(),
                figure.name.clone(),
                number(figure.value),
                figure.unit.clone(),
                figure.numerator.to_string(),
                figure.denominator.to_string(),
                number(figure.low),
                number(figure.high),
                figure.order_count.to_string(),
                orders(figure, true),
                orders(figure, false),
                figure.remarks.join("; "),
            ]);
        }
    }
    table
}

fn orders(figure: &pb::Figure, counts: bool) -> String {
    let wanted = figure.orders.iter().filter(|behind| behind.counts == counts);
    wanted.map(|behind| behind.order.to_string()).collect::<Vec<_>>().join(" ")
}

/// Figures for people: a table a group, what each is divided by under it once.
pub(crate) fn text(answer: &pb::GetFiguresResponse, board: Board) -> String {
    let mut out =
        format!("{} to {}\n", board.teller.day(&answer.from_day), board.teller.day(&answer.until_day));
    // Days are written so that texts compare as they do.
    if !answer.shop_day.is_empty() && answer.until_day >= answer.shop_day {
        let text = format!("not over: as known on {}; figures will move", board.teller.day(&answer.shop_day));
        out.push_str(&labelled(0, "", 0, &text, board.width));
    }
    let mut definitions = BTreeMap::new();
    for group in &answer.groups {
        out.push('\n');
        if answer.groups.len() > 1 || !group.key.is_empty() {
            let key = if group.key.is_empty() { "(none)" } else { &group.key };
            out.push_str(&board.style.heading(key));
            out.push('\n');
        }
        let mut table = Table::new(["figure", "value", "of", "95 %"]);
        for figure in &group.figures {
            table.push([figure.name.clone(), value(figure), ratio(figure), limits(figure)]);
            definitions.insert(figure.name.clone(), figure.definition.clone());
        }
        out.push_str(&table.text(board.width, board.style));
        for figure in &group.figures {
            out.push_str(&beneath(figure, board));
        }
    }
    if definitions.is_empty() {
        out.push_str("\nnothing to count\n");
    }
    out.push('\n');
    for (name, definition) in definitions {
        out.push_str(&labelled(0, &name, LABEL, &definition, board.width));
    }
    out
}

fn beneath(figure: &pb::Figure, board: Board) -> String {
    let mut out = String::new();
    for remark in &figure.remarks {
        out.push_str(&labelled(2, &figure.name, LABEL, remark, board.width));
    }
    let is_share = figure.unit == "share";
    for (counts, label) in [(true, if is_share { "counted" } else { "orders" }), (false, "not counted")] {
        let line = orders(figure, counts);
        if !line.is_empty() {
            out.push_str(&labelled(2, &figure.name, LABEL, &format!("{label}: {line}"), board.width));
        }
    }
    out
}

fn value(figure: &pb::Figure) -> String {
    match (figure.value, figure.unit.as_str()) {
        (None, _) => "none".to_owned(),
        (Some(value), "share") => format!("{:.1} %", 100.0 * value),
        (Some(value), "money") => format!("{value:.2}"),
        (Some(value), unit) => format!("{value:.1} {unit}"),
    }
}

fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn ratio(figure: &pb::Figure) -> String {
    format!("{} / {}", short(figure.numerator), short(figure.denominator))
}

fn limits(figure: &pb::Figure) -> String {
    let of = |value: f64| {
        if figure.unit == "share" { format!("{:.0} %", 100.0 * value) } else { short(value) }
    };
    match (figure.low, figure.high) {
        (Some(low), Some(high)) => format!("{} to {}", of(low), of(high)),
        (Some(low), None) => format!("at least {}", of(low)),
        (None, Some(high)) => format!("at most {}", of(high)),
        (None, None) => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::out::Style;
    use crate::times::{self, Teller};

    fn answer() -> pb::GetFiguresResponse {
        let behind = |order: i64, counts: bool| pb::FigureOrder { order, counts };
        let compliance = pb::Figure {
            name: "compliance".into(),
            value: Some(0.5),
            unit: "share".into(),
            numerator: 1.0,
            denominator: 2.0,
            definition: "done in time / due".into(),
            low: Some(0.094_5),
            high: Some(0.905_5),
            order_count: 2,
            orders: vec![behind(3, true), behind(9, false)],
            remarks: vec!["1 order is still open inside its window".into()],
            hours_missing: false,
        };
        let between = pb::Figure {
            name: "between_failures".into(),
            unit: "h".into(),
            numerator: 299.0,
            low: Some(99.81),
            ..Default::default()
        };
        let group = pb::FigureGroup { key: "L-03".into(), figures: vec![compliance, between] };
        let (from_day, until_day) = ("2026-10-01".to_owned(), "2026-10-31".to_owned());
        pb::GetFiguresResponse { groups: vec![group], from_day, until_day, shop_day: String::new() }
    }

    #[test]
    fn a_figure_shows_both_its_parts_and_its_orders() {
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        let board = Board { teller: Teller::new(chrono_tz::UTC, now), width: 80, style: Style::PLAIN };
        let shown = text(&answer(), board);
        for part in ["L-03", "50.0 %", "1 / 2", "9 % to 91 %", "none", "299 / 0", "at least 99.81"] {
            assert!(shown.contains(part), "{part} in\n{shown}");
        }
        assert!(shown.contains("counted: 3") && shown.contains("not counted: 9"), "{shown}");
        assert!(!shown.contains("not over"), "{shown}");
        let open = pb::GetFiguresResponse { shop_day: "2026-10-31".into(), ..answer() };
        assert!(text(&open, board).contains("\nnot over: as known on Sat 31 Oct"), "{}", text(&open, board));
        let table = rows(&answer());
        assert_eq!(table.rows[0][9..11], ["3".to_owned(), "9".to_owned()]);
    }
}
