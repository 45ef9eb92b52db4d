//! Labels for machines: a QR code with the tag, the name and the area in plain text beside it, cell by cell on A4.

use crate::html::{self, safe};
use std::fmt::Write as _;

/// What an A4 page has between margins of 10 mm, in mm.
const WIDE_MM: u32 = 190;
const HIGH_MM: u32 = 277;
/// What a cell keeps blank on each side, in mm.
const BLANK_MM: u32 = 2;

/// How large a label is, in mm.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cell {
    /// Its width.
    pub(crate) wide_mm: u32,
    /// Its height.
    pub(crate) high_mm: u32,
}

/// A label.
pub(crate) struct Label {
    /// The machine's tag.
    pub(crate) tag: String,
    /// Its name.
    pub(crate) name: String,
    /// Its area.
    pub(crate) area: String,
    /// The drawing of its code.
    pub(crate) code: String,
}

/// The page of labels.
pub(crate) fn page(labels: &[Label], cell: Cell) -> String {
    let Cell { wide_mm, high_mm } = cell;
    let inner = high_mm - 2 * BLANK_MM;
    // A code takes at most half of the width: a tag has to be read from further away than a code.
    let code = inner.min((wide_mm - 2 * BLANK_MM) / 2);
    let look = format!(
        "@page{{margin:10mm}}@media screen{{body{{max-width:{WIDE_MM}mm}}}}\
         .p{{display:flex;flex-wrap:wrap;align-content:flex-start;width:{WIDE_MM}mm;break-after:page}}.p:last-child{{break-after:auto}}\
         .c{{box-sizing:border-box;width:{wide_mm}mm;height:{high_mm}mm;padding:{BLANK_MM}mm;border:.3pt dashed #999;display:flex;\
         align-items:center;gap:1mm;overflow:hidden}}.qr{{width:{code}mm;height:{code}mm;flex:none}}\
         .c div{{min-width:0;overflow-wrap:anywhere;line-height:1.15}}.c b{{display:block}}"
    );
    let mut out = String::new();
    let on_a_page = ((WIDE_MM / wide_mm) * (HIGH_MM / high_mm)) as usize;
    for page in labels.chunks(on_a_page.max(1)) {
        out.push_str("<div class=\"p\">\n");
        for label in page {
            out.push_str(&one(label, wide_mm - 2 * BLANK_MM - code - 1, inner));
        }
        out.push_str("</div>\n");
    }
    html::paper("Labels of machines", &look, &out)
}

/// A label whose text has so much room, in mm.
fn one(label: &Label, wide_mm: u32, high_mm: u32) -> String {
    let tag = points(&label.tag, 18, wide_mm, high_mm / 2);
    let rest = high_mm.saturating_sub(lines(&label.tag, tag, wide_mm) * tag.div_ceil(2));
    let name = if label.name == label.tag { "" } else { &label.name };
    let text = format!("{name} {}", label.area);
    let small = points(&text, 9, wide_mm, rest.saturating_sub(2));
    let mut out = format!(
        "<div class=\"c\">{}<div><b style=\"font-size:{tag}pt\">{}</b>",
        label.code,
        safe(&label.tag)
    );
    for said in [name, label.area.as_str()].into_iter().filter(|said| !said.is_empty()) {
        let _ = write!(out, "<span style=\"display:block;font-size:{small}pt\">{}</span>", safe(said));
    }
    out + "</div></div>\n"
}

/// The largest size of letters, in points, in which a text fits; 4 at least.
fn points(text: &str, largest: u32, wide_mm: u32, high_mm: u32) -> u32 {
    let fits = |points: &u32| lines(text, *points, wide_mm) * points.div_ceil(2) <= high_mm;
    (4..=largest).rev().find(fits).unwrap_or(4)
}

/// How many lines a text takes. A letter is taken to be 0.24 mm wide for each point, and a line 0.5 mm high: on the safe side of
/// a bold serif.
fn lines(text: &str, points: u32, wide_mm: u32) -> u32 {
    let letters = u32::try_from(text.chars().count()).unwrap_or(u32::MAX).max(1);
    let on_a_line = (wide_mm * 100 / (points * 24)).max(1);
    letters.div_ceil(on_a_line)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_shrink_until_the_text_fits() {
        assert_eq!(points("L-03", 18, 27, 17), 18);
        assert!(points(&"M".repeat(40), 18, 27, 17) < 10);
        assert_eq!(points(&"M".repeat(1000), 18, 27, 17), 4);
    }

    #[test]
    fn a_full_page_begins_another() {
        let label = |n: usize| Label {
            tag: format!("L-{n}"),
            name: "<Lathe>".into(),
            area: "hall a".into(),
            code: String::new(),
        };
        let labels: Vec<Label> = (0..22).map(label).collect();
        let page = page(&labels, Cell { wide_mm: 63, high_mm: 38 });
        assert_eq!((page.matches("class=\"p\"").count(), page.matches("class=\"c\"").count()), (2, 22));
        assert!(page.contains("&lt;Lathe&gt;") && !page.contains("<Lathe>"));
    }
}
