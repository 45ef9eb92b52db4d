//! The look of a report: ink on paper, light or dark as the reader's screen is set, always light when printed.

/// Colours by name, for light and for dark.
pub(crate) const COLOURS: [(&str, &str, &str); 8] = [
    ("ground", "#fffdf8", "#16191c"),
    ("ink", "#1c1a17", "#ece8e0"),
    ("faint", "#57534b", "#b7b1a6"),
    ("grid", "#d8d3c8", "#3d4247"),
    ("edge", "#7d776c", "#8a867e"),
    ("mark", "#2f5d73", "#86b9d0"),
    ("hatch", "#8a5a16", "#d9a85c"),
    ("rule", "#8c2f1d", "#f0937f"),
];

const RULES: &str = "*{box-sizing:border-box}\
    body{background:var(--ground);color:var(--ink);font:15px/1.45 Georgia,'Times New Roman',serif;\
    max-width:712px;margin:0 auto;padding:16px}\
    h1{font-size:25px;line-height:1.2;margin:0 0 6px}\
    h2{font-size:18px;margin:34px 0 4px;padding-bottom:3px;border-bottom:1px solid var(--ink);break-after:avoid}\
    h3{font-size:15px;margin:12px 0 0;overflow-wrap:anywhere}p{margin:4px 0}p.says{break-after:avoid;break-inside:avoid}p.rests{color:var(--faint);font-size:13px}\
    figure{margin:10px 0 4px;break-inside:avoid}div.pair{display:flex;flex-wrap:wrap;gap:0 16px}div.pair figure{flex:1 1 300px;max-width:332px}\
    svg.hidden{position:absolute}svg.plot{display:block;width:100%;height:auto;font:11px/1 Verdana,'DejaVu Sans',sans-serif}\
    svg.plot text{fill:var(--ink)}.grid{stroke:var(--grid);stroke-width:1}.axis{stroke:var(--ink);stroke-width:1.2}\
    .limits{stroke:var(--ink);stroke-width:1.1}.rule{stroke:var(--rule);stroke-width:1.6;stroke-dasharray:5 3}\
    .full{fill:var(--mark);stroke:var(--mark)}.hatched{fill:url(#hatching);stroke:var(--hatch);stroke-width:1.2}\
    .hatch{stroke:var(--hatch);stroke-width:2.6}\
    details{margin:6px 0 0}summary{cursor:pointer;color:var(--faint);font-size:13px}\
    table{width:100%;border-collapse:collapse;font-size:13px;margin:4px 0}thead{display:table-header-group}\
    tr{break-inside:avoid}th,td{text-align:left;vertical-align:top;padding:3px 12px 3px 0;border-bottom:1px solid var(--grid);\
    overflow-wrap:anywhere}th:first-child{min-width:84px}th{border-bottom:1px solid var(--edge)}\
    th.n,td.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}td.s{white-space:nowrap}td:last-child,th:last-child{padding-right:0}\
    @page{size:A4;margin:15mm 14mm}\
    @media print{:root{--ground:#ffffff}body{font-size:10.5pt;max-width:none;padding:0}h2{margin-top:7mm}summary{list-style:none}}";

/// The whole style.
pub(crate) fn look() -> String {
    let names = |of: fn(&(&str, &str, &str)) -> String| COLOURS.iter().map(of).collect::<String>();
    let light = names(|(name, light, _)| format!("--{name}:{light};"));
    let dark = names(|(name, _, dark)| format!("--{name}:{dark};"));
    format!(
        ":root{{color-scheme:light dark;{light}}}\
         @media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}{RULES}"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn colour(name: &str, is_dark: bool) -> [f64; 3] {
        let (_, light, dark) = COLOURS.iter().find(|(of, _, _)| *of == name).unwrap();
        let text = if is_dark { dark } else { light };
        [1, 3, 5].map(|at| f64::from(u8::from_str_radix(&text[at..at + 2], 16).unwrap()) / 255.0)
    }

    /// Relative luminance and contrast ratio as WCAG 2.2 defines them (W3C Recommendation, definitions "relative luminance"
    /// and "contrast ratio").
    fn contrast(one: &str, other: &str, is_dark: bool) -> f64 {
        let luminance = |name: &str| {
            let linear = colour(name, is_dark)
                .map(|part| if part <= 0.040_45 { part / 12.92 } else { ((part + 0.055) / 1.055).powf(2.4) });
            0.212_6 * linear[0] + 0.715_2 * linear[1] + 0.072_2 * linear[2]
        };
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    /// Level AA: 4.5 to 1 for text (success criterion 1.4.3), 3 to 1 for what must be seen of a drawing (1.4.11).
    #[test]
    fn text_and_marks_stand_out_in_light_and_dark() {
        for is_dark in [false, true] {
            for (name, least) in
                [("ink", 4.5), ("faint", 4.5), ("mark", 3.0), ("hatch", 3.0), ("rule", 3.0), ("edge", 3.0)]
            {
                let got = contrast(name, "ground", is_dark);
                assert!(got >= least, "{name}, dark {is_dark}: {got:.2} instead of {least}");
            }
        }
    }

    /// The ends of the scale are those of the definition: 21 for black on white, 1 for the same.
    #[test]
    fn the_ratio_is_the_one_that_is_defined() {
        assert!((contrast("ink", "ink", true) - 1.0).abs() < 1e-9);
        assert!(contrast("ink", "ground", false) < 21.0);
    }

    #[test]
    fn paper_is_always_light() {
        let look = look();
        assert!(
            look.contains("@media screen and (prefers-color-scheme:dark)") && look.contains("@page{size:A4"),
            "{look}"
        );
    }
}
