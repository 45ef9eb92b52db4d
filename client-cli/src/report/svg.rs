//! Plots as inline SVG: columns over months, bars by name, each with axis, ticks, numbers and words for who does not see it.
//!
//! What a mark means is told by its form and by text beside it, never by its colour alone. Colours come from the page's style
//! ([`super::look`]), so that one drawing serves light, dark and paper. Nothing is drawn that would need a script.

use super::legend::{Drawn, Marks, legend};
use crate::html::safe;
use std::fmt::Write as _;

/// How wide a plot over the whole page is, in its own units, which are CSS pixels at full size.
pub(crate) const WIDE: f64 = 680.0;
/// How wide one of two plots beside one another is.
pub(crate) const HALF: f64 = 332.0;
/// The height of a line of text.
pub(super) const LINE: f64 = 14.0;
/// At most this many ticks stand on an axis.
const TICKS_MAX: f64 = 5.0;
/// How high the columns of a wide plot may be, and those of one of two.
const PLOT: [f64; 2] = [170.0, 120.0];
/// The room above columns for their numbers.
const ABOVE: f64 = 20.0;
/// The height of a bar with the space to the next.
const STEP: f64 = 19.0;

/// How a mark is filled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fill {
    /// Full: what is on record.
    Full,
    /// Hatched: what is expected, or not known to its end.
    Hatched,
}

impl Fill {
    /// Its class in the look.
    pub(super) fn class(self) -> &'static str {
        match self {
            Fill::Full => "full",
            Fill::Hatched => "hatched",
        }
    }
}

/// What a plot says in words: what its marks mean, and what it shows to who does not see it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Said<'a> {
    /// What it shows.
    pub(crate) title: &'a str,
    /// What there is to see.
    pub(crate) desc: &'a str,
    /// What its marks mean.
    pub(crate) marks: Marks<'a>,
}

/// What an axis counts.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Axis<'a> {
    /// Its end at least; the axis ends at a tick.
    pub(crate) most: f64,
    /// What its numbers are of, such as "h".
    pub(crate) unit: &'a str,
    /// Whether its end is this one exactly, as that of a share is.
    pub(crate) is_whole: bool,
}

/// A column over a month.
#[derive(Clone, Debug)]
pub(crate) struct Column {
    /// The month, in two short lines; an empty second line repeats nothing.
    pub(crate) label: [String; 2],
    /// Its height; none where there is nothing to show.
    pub(crate) value: Option<f64>,
    /// What stands above it.
    pub(crate) text: String,
    /// The limits within which the value is known.
    pub(crate) limits: Option<(f64, f64)>,
    /// How it is filled.
    pub(crate) fill: Fill,
}

/// A bar with its name.
#[derive(Clone, Debug)]
pub(crate) struct Bar {
    /// The name, before it.
    pub(crate) label: String,
    /// Its length; none where there is nothing to show.
    pub(crate) value: Option<f64>,
    /// What stands behind it.
    pub(crate) text: String,
    /// How it is filled.
    pub(crate) fill: Fill,
}

/// Columns beside one another.
pub(crate) fn columns(width: f64, said: Said<'_>, axis: Axis<'_>, columns: &[Column]) -> String {
    let ticks = ticks(axis, columns.iter().map(|column| column.value));
    let end = ticks.last().copied().unwrap_or(1.0).max(f64::MIN_POSITIVE);
    let gutter = gutter(ticks.iter().map(|tick| tick_text(*tick, axis)));
    let (plot, top, foot) = (PLOT[usize::from(width < WIDE)], ABOVE, 2.0 * LINE + 6.0);
    let y = |value: f64| top + plot * (1.0 - value / end);
    let mut body = String::new();
    for tick in &ticks {
        let at = y(*tick);
        line(&mut body, "grid", (gutter, at), (width, at));
        label(&mut body, "end", (gutter - 6.0, at + 4.0), &tick_text(*tick, axis));
    }
    let step = (width - gutter) / count(columns.len().max(1));
    let mut drawn = Drawn::default();
    for (place, column) in columns.iter().enumerate() {
        let middle = gutter + step * (count(place) + 0.5);
        let half = (step * 0.32).min(18.0);
        let mut above = y(0.0);
        if let Some(value) = column.value {
            above = y(value);
            drawn.add(column.fill);
            rect(&mut body, column.fill.class(), (middle - half, above), (2.0 * half, y(0.0) - above));
        }
        if let Some((low, high)) = column.limits {
            above = above.min(y(high));
            drawn.limits = true;
            line(&mut body, "limits", (middle, y(low)), (middle, y(high)));
            for edge in [low, high] {
                line(&mut body, "limits", (middle - 4.0, y(edge)), (middle + 4.0, y(edge)));
            }
        }
        label(&mut body, "middle", (middle, above - 5.0), &column.text);
        for (row, text) in column.label.iter().enumerate() {
            label(&mut body, "middle", (middle, top + plot + LINE * count(row + 1) + 2.0), text);
        }
    }
    line(&mut body, "axis", (gutter, y(0.0)), (width, y(0.0)));
    let end = top + plot + foot;
    let key = legend(&mut body, said.marks, drawn, (width, end));
    whole(said, (width, end + key), &body)
}

/// Bars under one another, with an upright rule where there is one to compare with.
pub(crate) fn bars(said: Said<'_>, axis: Axis<'_>, rule: Option<(f64, &str)>, bars: &[Bar]) -> String {
    let ticks = ticks(axis, bars.iter().map(|bar| bar.value));
    let end = ticks.last().copied().unwrap_or(1.0).max(f64::MIN_POSITIVE);
    let names = gutter(bars.iter().map(|bar| bar.label.clone()));
    let behind = gutter(bars.iter().map(|bar| bar.text.clone())) + 6.0;
    let top = if rule.is_some() { LINE + 8.0 } else { 6.0 };
    let plot = WIDE - names - behind;
    let bottom = top + STEP * count(bars.len());
    let x = |value: f64| names + plot * value / end;
    let (mut body, mut drawn) = (String::new(), Drawn::default());
    for tick in &ticks {
        line(&mut body, "grid", (x(*tick), top), (x(*tick), bottom));
        label(&mut body, "middle", (x(*tick), bottom + LINE), &tick_text(*tick, axis));
    }
    for (place, bar) in bars.iter().enumerate() {
        let middle = top + STEP * (count(place) + 0.5);
        label(&mut body, "end", (names - 6.0, middle + 4.0), &bar.label);
        let value = bar.value.unwrap_or(0.0);
        if value > 0.0 {
            drawn.add(bar.fill);
            rect(&mut body, bar.fill.class(), (names, middle - 6.0), (x(value) - names, 12.0));
        }
        label(&mut body, "start", (x(value) + 6.0, middle + 4.0), &bar.text);
    }
    if let Some((at, text)) = rule {
        line(&mut body, "rule", (x(at), top - 4.0), (x(at), bottom));
        label(&mut body, "middle", (x(at), top - 8.0), text);
    }
    line(&mut body, "axis", (names, top), (names, bottom));
    let end = bottom + LINE + 6.0;
    let key = legend(&mut body, said.marks, drawn, (WIDE, end));
    whole(said, (WIDE, end + key), &body)
}

/// The pattern of hatched marks, once in a page.
pub(crate) const HATCHING: &str = "<svg class=\"hidden\" width=\"0\" height=\"0\" aria-hidden=\"true\"><defs>\
    <pattern id=\"hatching\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
    <line class=\"hatch\" x1=\"0\" y1=\"0\" x2=\"0\" y2=\"5\"/></pattern></defs></svg>\n";

/// The numbers at which an axis has ticks, from 0 to its end: steps of 1, 2 or 5 times a power of ten, and of whole numbers
/// where all that is shown is whole.
fn ticks(axis: Axis<'_>, values: impl IntoIterator<Item = Option<f64>>) -> Vec<f64> {
    if axis.is_whole {
        return (0_u8..=4).map(|quarter| axis.most * f64::from(quarter) / 4.0).collect();
    }
    let most = if axis.most > 0.0 { axis.most } else { 1.0 };
    let power = 10_f64.powf((most / TICKS_MAX).log10().floor());
    let least = if values.into_iter().flatten().all(|value| value.fract() == 0.0) { 1.0 } else { 0.0 };
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|times| times * power)
        .find(|step| most / step <= TICKS_MAX)
        .unwrap_or(10.0 * power)
        .max(least);
    let mut ticks = vec![0.0];
    while ticks.last().is_some_and(|last| *last < most * (1.0 - 1e-9)) {
        ticks.push(step * count(ticks.len()));
    }
    ticks
}

fn tick_text(tick: f64, axis: Axis<'_>) -> String {
    let number = if axis.unit == "%" { format!("{:.0}", 100.0 * tick) } else { short(tick) };
    if axis.unit.is_empty() { number } else { format!("{number} {}", axis.unit) }
}

/// A number with no more digits than it needs, at most three after the point.
pub(crate) fn short(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A small number of things, exactly.
pub(crate) fn count(of: usize) -> f64 {
    f64::from(u32::try_from(of).unwrap_or(u32::MAX))
}

/// How wide a text is at most in the fonts of the plots, by eye: no measure of a font is at hand here.
pub(super) fn breadth(text: &str) -> f64 {
    let letter = |letter: char| match letter {
        'm' | 'M' | 'W' | '%' | '@' | '…' => 11.0,
        'w' => 9.2,
        'i' | 'j' | 'l' | '.' | ',' | ':' | ';' | '\'' | '|' | '-' | ' ' | 'f' | 't' | 'r' => 4.9,
        capital if capital.is_ascii_uppercase() => 8.4,
        other if other.is_ascii() => 7.1,
        _ => 11.0,
    };
    text.chars().map(letter).sum()
}

/// The room that the broadest of some texts takes up.
fn gutter(texts: impl Iterator<Item = String>) -> f64 {
    texts.map(|text| breadth(&text)).fold(0.0, f64::max) + 8.0
}

pub(super) fn line(body: &mut String, class: &str, (x1, y1): (f64, f64), (x2, y2): (f64, f64)) {
    let _ = writeln!(
        body,
        "<line class=\"{class}\" x1=\"{x1:.1}\" y1=\"{y1:.1}\" x2=\"{x2:.1}\" y2=\"{y2:.1}\"/>"
    );
}

pub(super) fn rect(body: &mut String, class: &str, (x, y): (f64, f64), (width, height): (f64, f64)) {
    let _ = writeln!(
        body,
        "<rect class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{:.1}\"/>",
        height.max(1.0)
    );
}

pub(super) fn label(body: &mut String, anchor: &str, (x, y): (f64, f64), text: &str) {
    if !text.is_empty() {
        let text = safe(text);
        let _ = writeln!(body, "<text text-anchor=\"{anchor}\" x=\"{x:.1}\" y=\"{y:.1}\">{text}</text>");
    }
}

fn whole(said: Said<'_>, (width, height): (f64, f64), body: &str) -> String {
    format!(
        "<svg class=\"plot\" viewBox=\"0 0 {width:.0} {height:.0}\" style=\"max-width:{width:.0}px\" role=\"img\">\
         <title>{}</title><desc>{}</desc>\n{body}</svg>\n",
        safe(said.title),
        safe(said.desc)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const MARKS: Marks<'static> =
        Marks { full: "hours", hatched: "hours so far", limits: "what they may be" };
    const SAID: Said<'static> = Said { title: "Hours <run>", desc: "L-03 most", marks: MARKS };

    #[test]
    fn an_axis_ends_at_a_tick_and_has_few() {
        let of = |most: f64| ticks(Axis { most, unit: "h", is_whole: false }, [Some(0.5)]);
        let whole = |most: f64| ticks(Axis { most, unit: "pcs", is_whole: false }, [Some(most), None]);
        assert_eq!(whole(0.0), [0.0, 1.0], "an empty axis has an end");
        assert_eq!((whole(2.0), of(1.0).len()), (vec![0.0, 1.0, 2.0], 6), "there is no half of a piece");
        assert_eq!(of(7.0), [0.0, 2.0, 4.0, 6.0, 8.0]);
        assert_eq!(of(730.0), [0.0, 200.0, 400.0, 600.0, 800.0]);
        assert_eq!(of(1_000.0), [0.0, 200.0, 400.0, 600.0, 800.0, 1_000.0]);
        for most in [0.001, 0.4, 1.0, 3.0, 99.9, 12_345.0] {
            let ticks = of(most);
            assert!(ticks.len() <= 7 && ticks.last().unwrap() >= &(most * 0.999_999), "{most}: {ticks:?}");
        }
    }

    #[test]
    fn a_plot_has_words_for_who_does_not_see_it_and_runs_nothing() {
        let bar = Bar { label: "L<3".into(), value: Some(3.0), text: "3 h".into(), fill: Fill::Full };
        let plot = bars(SAID, Axis { most: 4.0, unit: "h", is_whole: false }, Some((2.0, "half")), &[bar]);
        assert!(plot.contains("<title>Hours &lt;run&gt;</title><desc>L-03 most</desc>"), "{plot}");
        assert!(plot.contains("role=\"img\"") && plot.contains(">L&lt;3</text>"), "{plot}");
    }

    #[test]
    fn a_column_is_as_high_as_its_value() {
        let column = |value: Option<f64>| Column {
            label: ["Oct".into(), "2026".into()],
            value,
            text: "1/2".into(),
            limits: value.map(|value| (value - 0.2, value + 0.2)),
            fill: Fill::Hatched,
        };
        let axis = Axis { most: 1.0, unit: "%", is_whole: true };
        let plot = columns(WIDE, SAID, axis, &[column(Some(0.5)), column(None)]);
        assert_eq!(plot.matches("<rect class=\"hatched\"").count(), 1, "{plot}");
        assert!(plot.contains("height=\"85.0\"") && plot.contains(">100 %</text>"), "{plot}");
        assert!(plot.contains(">hours so far</text>") && plot.contains(">what they may be</text>"), "{plot}");
        assert!(!plot.contains(">hours</text>"), "nothing full is drawn: {plot}");
    }
}
