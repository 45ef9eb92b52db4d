//! Small plots of plain characters. What a plot shows also stands beside it in words and numbers.

use super::{due::Board, wrap::lines};
use chrono::{DateTime, TimeDelta, Utc};
use std::fmt::Write as _;

/// The steps that an axis of days may have, in days, and how they are called.
const STEPS: [(i64, &str); 7] = [
    (1, "day"),
    (2, "2 days"),
    (7, "week"),
    (28, "4 weeks"),
    (91, "13 weeks"),
    (182, "26 weeks"),
    (364, "52 weeks"),
];
/// The most steps of an axis; more would run into one another.
const STEPS_MAX: i64 = 14;

/// Rows of a label, a bar and its value, under one another and at most `width` wide.
pub(crate) fn bars(rows: &[(String, f64, String)], indent: usize, width: usize) -> String {
    let longest =
        |of: fn(&(String, f64, String)) -> &str| rows.iter().map(|row| of(row).chars().count()).max();
    let (labels, values) = (longest(|row| &row.0).unwrap_or(0), longest(|row| &row.2).unwrap_or(0));
    let room = width.saturating_sub(indent + labels + 2 + values + 2).max(1);
    let most = rows.iter().map(|row| row.1).fold(0.0, f64::max);
    let mut out = String::new();
    for (label, value, text) in rows {
        let bar = "#".repeat(cells(*value, most, room));
        out.push_str(format!("{:indent$}{label:<labels$}  {text:>values$}  {bar}", "").trim_end());
        out.push('\n');
    }
    out
}

/// How many of `room` cells a value takes up where `most` takes up all; anything above nothing takes up one.
fn cells(value: f64, most: f64, room: usize) -> usize {
    if value <= 0.0 || most <= 0.0 {
        return 0;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "a share of a line's length"
    )]
    let cells = (value / most * room as f64).round() as usize;
    cells.clamp(1, room)
}

/// Three instants of one that is expected.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Spread {
    /// From when on the axis runs.
    pub(crate) from: DateTime<Utc>,
    /// One chance in ten.
    pub(crate) p10: DateTime<Utc>,
    /// The middle; none beyond ten years.
    pub(crate) p50: Option<DateTime<Utc>>,
    /// Nine in ten; none beyond ten years.
    pub(crate) p90: Option<DateTime<Utc>>,
}

/// A line from p10 to p90 with the middle, over an axis of days that begins with the shop day.
pub(crate) fn spread(of: Spread, indent: usize, board: Board) -> String {
    let room = board.width.saturating_sub(indent).clamp(20, 72);
    let last = of.p90.unwrap_or_else(|| {
        // Without an end the line leads out of the axis, which has as much again after what is known.
        let known = of.p50.unwrap_or(of.p10);
        known + (known - of.from).max(TimeDelta::days(1))
    });
    let days = (last - of.from).num_days() + 1;
    let (step, name) =
        STEPS.into_iter().find(|(step, _)| days <= step * STEPS_MAX).unwrap_or(STEPS[STEPS.len() - 1]);
    let end = of.from + TimeDelta::days((days + step - 1) / step * step);
    let cell = |at: DateTime<Utc>| place((at - of.from).num_seconds(), (end - of.from).num_seconds(), room);
    let mut line = vec![' '; room];
    let until = of.p90.map_or(room - 1, cell);
    line[cell(of.p10)..=until].fill('=');
    line[cell(of.p10)] = '[';
    line[until] = if of.p90.is_some() { ']' } else { '>' };
    if let Some(p50) = of.p50 {
        line[cell(p50)] = 'o';
    }
    let mut axis = vec!['-'; room];
    let mut tick = of.from;
    while tick <= end {
        axis[cell(tick)] = '+';
        tick += TimeDelta::days(step);
    }
    let mut out = String::new();
    for row in [line, axis] {
        let row: String = row.into_iter().collect();
        out.push_str(format!("{:indent$}{row}", "").trim_end());
        out.push('\n');
    }
    let day = |at: DateTime<Utc>| board.teller.day_of(Some(&crate::times::to_wire(at))).unwrap_or_default();
    let text = format!(
        "from {}, a + for each {name}; [ one chance in ten by {}; {}; {}",
        day(of.from),
        day(of.p10),
        of.p50.map_or_else(
            || "no middle within ten years".to_owned(),
            |at| format!("o the middle {}", day(at))
        ),
        of.p90.map_or_else(
            || "> nine in ten not within ten years".to_owned(),
            |at| format!("] nine in ten by {}", day(at))
        ),
    );
    for row in lines(&text, board.width.saturating_sub(indent)) {
        let _ = writeln!(out, "{:indent$}{row}", "");
    }
    out
}

fn place(at: i64, of: i64, room: usize) -> usize {
    let last = i64::try_from(room).unwrap_or(1) - 1;
    let cell = (at.clamp(0, of) * last + of / 2) / of.max(1);
    usize::try_from(cell.clamp(0, last)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        out::Style,
        times::{self, Teller},
    };

    fn board(width: usize) -> Board {
        let now = times::absolute("2026-11-25T05:00:00Z").unwrap();
        Board { teller: Teller::new(chrono_tz::UTC, now), width, style: Style::PLAIN }
    }

    fn row(label: &str, value: f64) -> (String, f64, String) {
        (label.to_owned(), value, value.to_string())
    }

    #[test]
    fn bars_are_in_proportion_and_what_is_little_is_seen() {
        let rows = [row("Wed 4 Nov", 40.0), row("Wed 11 Nov", 20.0), row("Wed 18 Nov", 0.1), row("x", 0.0)];
        insta::assert_snapshot!(bars(&rows, 2, 60), @"
          Wed 4 Nov    40  #########################################
          Wed 11 Nov   20  #####################
          Wed 18 Nov  0.1  #
          x             0
        ");
        assert_eq!(bars(&[row("a", 0.0)], 2, 60), "  a  0\n");
    }

    #[test]
    fn a_line_leads_from_p10_to_p90_over_an_axis_of_days() {
        let at = |day: &str| times::absolute(&format!("2026-{day}T05:00:00Z")).unwrap();
        let (from, p10) = (at("11-25"), at("11-28"));
        let near = Spread { from, p10, p50: Some(at("11-30")), p90: Some(at("12-01")) };
        insta::assert_snapshot!(spread(near, 4, board(60)));
        let open = Spread { p10: at("12-20"), p50: None, p90: None, ..near };
        insta::assert_snapshot!(spread(open, 4, board(80)));
        for width in [60, 80, 200] {
            for text in [spread(near, 4, board(width)), spread(open, 4, board(width))] {
                assert!(text.lines().all(|line| line.chars().count() <= width), "{text}");
            }
        }
    }

    #[test]
    fn what_is_due_at_once_and_what_is_years_away_fit_on_an_axis() {
        let from = times::absolute("2026-11-25T05:00:00Z").unwrap();
        for days in [0, 1, 13, 100, 1_000, 3_649] {
            let at = from + TimeDelta::days(days);
            let text = spread(Spread { from, p10: from, p50: Some(at), p90: Some(at) }, 0, board(80));
            let plot: Vec<&str> = text.lines().take(2).collect();
            assert!(plot.iter().all(|line| line.chars().count() <= 72), "{text}");
            assert!(plot[1].starts_with('+') && plot[1].ends_with('+'), "{text}");
        }
    }
}
