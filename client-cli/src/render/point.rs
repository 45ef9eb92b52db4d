//! A test point: its card, its readings drawn, and what they tell.

use super::{due::Board, readings, table::Table, words, wrap::labelled};
use crate::times::from_wire;
use fettler_proto::v1 as pb;
use prost_types::Timestamp;
use std::fmt::Write as _;

/// How many lines the drawing is high.
const HEIGHT: usize = 12;
/// How wide the values beside it are.
const MARGIN: usize = 11;

/// A point explained.
pub(crate) fn explained(
    machine: &str,
    answer: &pb::ExplainPointResponse,
    limit: usize,
    board: Board,
) -> String {
    let point = answer.point.clone().unwrap_or_default();
    let mut out = card(machine, &point, board);
    if answer.readings.is_empty() {
        let _ = writeln!(out, "\nno readings yet; `fettler read {machine} {}=VALUE` takes one", point.key);
        return out;
    }
    let _ = write!(out, "\n{}", drawing(&point, answer, board));
    let _ = writeln!(out, "\n{}", board.style.heading("WHAT THEY TELL"));
    for text in &answer.text {
        out.push_str(&labelled(2, "", 0, text, board.width));
    }
    let skipped = answer.readings.len().saturating_sub(limit);
    let _ = writeln!(out, "\n{}", board.style.heading("READINGS"));
    let mut table = Table::new(["reading", "read", "value", "stands", "by"]);
    for reading in answer.readings.iter().skip(skipped).rev() {
        table.push([
            reading.entry.to_string(),
            board.teller.instant(reading.at.as_ref()).unwrap_or_default(),
            readings::value(reading),
            readings::standing(reading),
            reading.by.clone(),
        ]);
    }
    out.push_str(&table.text(board.width, board.style));
    if skipped > 0 {
        let _ = writeln!(out, "and {skipped} older ones; show more with --limit");
    }
    out
}

fn card(machine: &str, point: &pb::TestPoint, board: Board) -> String {
    let sign = words::unit_sign(&point.unit);
    let unit = if sign.is_empty() { String::new() } else { format!(" [{sign}]") };
    let mut out = format!("{}\n", board.style.heading(&format!("{machine} {}", point.key)));
    let mut line = |label: &str, text: &str| out.push_str(&labelled(2, label, 10, text, board.width));
    line("what", &format!("{}{unit}", point.title));
    line("where", &point.place);
    line("good", &point.good);
    line("fluid", &point.fluid);
    line("limits", &limits(point));
    if point.taken_by() == pb::PointTaker::LicensedElectrician {
        line("taken by", "a licensed electrician only; inside the cabinet nobody else reads");
    }
    for caution in &point.cautions {
        line("heed", caution);
    }
    out
}

/// The limits in words: `act below 5.5, stop below 5`.
pub(crate) fn limits(point: &pb::TestPoint) -> String {
    let all = [
        ("act below", &point.act_below),
        ("stop below", &point.stop_below),
        ("act above", &point.act_above),
        ("stop above", &point.stop_above),
    ];
    let given = all.iter().filter(|(_, limit)| !limit.is_empty());
    given.map(|(words, limit)| format!("{words} {limit}")).collect::<Vec<_>>().join(", ")
}

/// Where things stand in the drawing.
struct Frame {
    /// The earliest and the latest second.
    from: f64,
    to: f64,
    /// The lowest and the highest value.
    low: f64,
    high: f64,
    /// How many columns there are.
    columns: usize,
}

impl Frame {
    fn column(&self, at: f64) -> usize {
        place(at - self.from, self.to - self.from, self.columns)
    }

    /// The line of a value, counted from the top.
    fn line(&self, value: f64) -> usize {
        HEIGHT - 1 - place(value - self.low, self.high - self.low, HEIGHT)
    }
}

/// Which of so many places a part of a whole takes; the middle where there is no whole.
fn place(part: f64, whole: f64, places: usize) -> usize {
    let last = u32::try_from(places.saturating_sub(1)).unwrap_or(u32::MAX);
    let share = if whole > 0.0 { (part / whole).clamp(0.0, 1.0) } else { 0.5 };
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 0 and the last place"
    )]
    let place = (share * f64::from(last)).round() as usize;
    place
}

fn seconds(at: Option<&Timestamp>) -> Option<f64> {
    #[expect(clippy::cast_precision_loss, reason = "seconds of some years, drawn in some dozen columns")]
    let seconds = from_wire(at?)?.timestamp() as f64;
    Some(seconds)
}

/// The readings over time: `o` good, `x` out of limits, limits as lines, and below the axis `^` where it was served.
fn drawing(point: &pb::TestPoint, answer: &pb::ExplainPointResponse, board: Board) -> String {
    let number = |text: &str| text.parse::<f64>().ok();
    let dots: Vec<(f64, f64, bool)> = answer
        .readings
        .iter()
        .filter_map(|reading| {
            let out = matches!(reading.verdict(), pb::ReadingVerdict::Act | pb::ReadingVerdict::Stop);
            Some((seconds(reading.at.as_ref())?, number(&reading.value)?, out))
        })
        .collect();
    let limits: Vec<(f64, &str, char)> = [
        (&point.stop_below, "stop", '='),
        (&point.act_below, "act", '-'),
        (&point.act_above, "act", '-'),
        (&point.stop_above, "stop", '='),
    ]
    .into_iter()
    .filter_map(|(text, word, sign)| Some((number(text)?, word, sign)))
    .collect();
    let (Some(first), Some(last)) = (dots.first(), dots.last()) else { return String::new() };
    let values = || dots.iter().map(|(_, value, _)| *value).chain(limits.iter().map(|(limit, _, _)| *limit));
    let (low, high) = (values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max));
    let columns = board.width.saturating_sub(MARGIN + 8).clamp(20, 120);
    let frame = Frame { from: first.0, to: last.0, low, high, columns };

    let mut lines = vec![vec![' '; columns]; HEIGHT];
    let mut left = vec![String::new(); HEIGHT];
    let mut right = vec![""; HEIGHT];
    left[frame.line(high)] = shown(high);
    left[frame.line(low)] = shown(low);
    for (limit, word, sign) in &limits {
        let line = frame.line(*limit);
        (left[line], right[line]) = (shown(*limit), word);
        for cell in lines[line].iter_mut().step_by(2) {
            *cell = *sign;
        }
    }
    for (at, value, out) in &dots {
        lines[frame.line(*value)][frame.column(*at)] = if *out { 'x' } else { 'o' };
    }
    let mut out = String::new();
    for ((cells, left), right) in lines.iter().zip(&left).zip(&right) {
        let cells: String = cells.iter().collect();
        let _ = writeln!(out, "{}", format!("{left:>9} |{cells} {right}").trim_end());
    }
    out.push_str(&below(answer, &frame, board));
    out
}

/// The axis, where the point was served, the first and the last day, and what the signs mean.
fn below(answer: &pb::ExplainPointResponse, frame: &Frame, board: Board) -> String {
    let mut served = vec![' '; frame.columns];
    let mut anew = false;
    for service in answer.services.iter().filter(|service| service.starts_anew) {
        if let Some(at) = seconds(service.at.as_ref()).filter(|at| *at <= frame.to) {
            served[frame.column(at)] = '^';
            anew = true;
        }
    }
    let day = |reading: Option<&pb::PointReading>| {
        board.teller.day_of(reading.and_then(|reading| reading.at.as_ref())).unwrap_or_default()
    };
    let (first, last) = (day(answer.readings.first()), day(answer.readings.last()));
    let room = frame.columns.saturating_sub(first.chars().count());
    let served: String = served.iter().collect();
    let mut out = format!("{:>9} +{}\n", "", "-".repeat(frame.columns));
    if anew {
        let _ = writeln!(out, "{}", format!("{:>9}  {served}", "").trim_end());
    }
    let _ = writeln!(out, "{:>9}  {first}{last:>room$}", "");
    let legend = "o good, x out of limits, - - act limit, = = stop limit";
    let legend = if anew { format!("{legend}, ^ served") } else { legend.to_owned() };
    out.push_str(&labelled(MARGIN, "", 0, &legend, board.width));
    out
}

/// A value beside the axis, at most nine characters.
fn shown(value: f64) -> String {
    let text = format!("{value}");
    if text.len() <= 9 { text } else { format!("{value:.3e}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::out::Style;
    use crate::times::Teller;
    use chrono::{DateTime, Utc};

    fn time(day: i64) -> Timestamp {
        let start: DateTime<Utc> = "2026-11-01T06:00:00Z".parse().unwrap();
        crate::times::to_wire(start + chrono::TimeDelta::days(day))
    }

    fn board(width: usize) -> Board {
        let now = "2026-11-25T05:40:00Z".parse().unwrap();
        Board { teller: Teller::new(chrono_tz::UTC, now), width, style: Style::PLAIN }
    }

    fn answer() -> pb::ExplainPointResponse {
        let values = ["8.2", "8", "7.8", "7.4", "7.1", "6.8", "6.2", "5.6", "4.8"];
        let readings = (0_i64..).zip(values).map(|(n, value)| pb::PointReading {
            entry: 100 + n,
            machine: "L-03".into(),
            point: "coolant".into(),
            value: value.into(),
            unit: "%".into(),
            at: Some(time(n * 3)),
            by: "Ada Kern".into(),
            verdict: if value == "4.8" { pb::ReadingVerdict::Act } else { pb::ReadingVerdict::Good }.into(),
            beyond: if value == "4.8" { "below its limit of 5 %".into() } else { String::new() },
            ..Default::default()
        });
        pb::ExplainPointResponse {
            point: Some(pb::TestPoint {
                key: "coolant".into(),
                title: "strength".into(),
                place: "clean tank".into(),
                good: "6 to 9 %".into(),
                fluid: "water-mixed coolant".into(),
                unit: "%".into(),
                act_below: "5".into(),
                stop_below: "3".into(),
                cautions: vec!["Gloves only where nothing turns.".into()],
                ..Default::default()
            }),
            readings: readings.collect(),
            services: vec![pb::PointService {
                at: Some(time(1)),
                order: 7,
                title: "Top up".into(),
                starts_anew: true,
            }],
            text: vec!["falls 0.9 % a week over 9 readings".into()],
            ..Default::default()
        }
    }

    #[test]
    fn a_point_is_drawn_with_its_limits_within_80_columns() {
        let text = explained("L-03", &answer(), 3, board(80));
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        insta::assert_snapshot!(text);
    }

    #[test]
    fn one_reading_is_drawn_and_none_says_how_to_take_one() {
        let mut one = answer();
        one.readings.truncate(1);
        let text = explained("L-03", &one, 3, board(60));
        assert!(text.contains('o') && text.lines().all(|line| line.chars().count() <= 60), "{text}");
        one.readings.clear();
        assert!(
            explained("L-03", &one, 3, board(80))
                .contains("no readings yet; `fettler read L-03 coolant=VALUE`")
        );
    }
}
