//! A month's report: one page of HTML with plots and the tables behind them, and the same tables as CSV.
//!
//! The page loads nothing and runs nothing. Its figures are those that the service's answers hold ([`facts`]); here they are put
//! into tables and drawn. A part that rests on too little says so instead of drawing.

mod care;
mod consumption;
pub(crate) mod facts;
mod forecast;
mod hours;
mod legend;
mod look;
mod sheet;
mod svg;

use crate::html::{self, safe};
use facts::Facts;
use sheet::Sheet;
use std::fmt::Write as _;

/// A part of the report.
pub(crate) struct Section {
    title: &'static str,
    /// What is shown, with numerator and denominator.
    says: Vec<String>,
    /// Plots, each with the heading above it; empty where the section's own serves.
    plots: Vec<(String, String)>,
    /// Whether two plots stand beside one another.
    is_pair: bool,
    /// What it rests on, and what is missing.
    rests: Vec<String>,
    sheets: Vec<Sheet>,
}

/// The parts of a month's report.
pub(crate) fn sections(facts: &Facts) -> Vec<Section> {
    let mut sections =
        vec![care::month(facts), care::compliance(facts), care::overdue(facts), hours::run(facts)];
    sections.extend(consumption::used(facts));
    sections.extend([forecast::spread(facts), forecast::due_points(facts)]);
    sections
}

/// The tables as CSV, by the names of their files.
pub(crate) fn tables(sections: &[Section]) -> impl Iterator<Item = (String, String)> {
    let sheets = sections.iter().flat_map(|section| &section.sheets);
    sheets.map(|sheet| (format!("{}.csv", sheet.name), sheet.csv()))
}

/// Why nothing is held against an earlier report, where one was given; none where it is.
pub(crate) fn not_held(facts: &Facts, sections: &[Section]) -> Option<String> {
    let section =
        sections.iter().find(|section| section.title == consumption::HELD && section.sheets.is_empty());
    section.filter(|_| facts.earlier.is_some()).and_then(|section| section.rests.first().cloned())
}

/// The page.
pub(crate) fn page(facts: &Facts, sections: &[Section]) -> String {
    let title = format!("{}: care in {}", facts.site_name, facts.month_name());
    let mut body = format!("<header><h1>{}</h1>\n", safe(&title));
    for line in facts.heads() {
        let _ = writeln!(body, "<p>{}</p>", safe(&line));
    }
    body.push_str("</header>\n");
    body.push_str(svg::HATCHING);
    for section in sections {
        section.write(&mut body);
    }
    html::page(&title, &look::look(), &body)
}

impl Section {
    fn empty() -> Section {
        Section {
            title: "",
            says: Vec::new(),
            plots: Vec::new(),
            is_pair: false,
            rests: Vec::new(),
            sheets: Vec::new(),
        }
    }

    fn write(&self, body: &mut String) {
        let _ = writeln!(body, "<section><h2>{}</h2>", safe(self.title));
        for text in &self.says {
            let _ = writeln!(body, "<p class=\"says\">{}</p>", safe(text));
        }
        if self.is_pair {
            body.push_str("<div class=\"pair\">\n");
        }
        for (heading, plot) in &self.plots {
            body.push_str("<figure>");
            if !heading.is_empty() {
                let _ = write!(body, "<h3>{}</h3>", safe(heading));
            }
            let _ = writeln!(body, "{plot}</figure>");
        }
        if self.is_pair {
            body.push_str("</div>\n");
        }
        for text in &self.rests {
            let _ = writeln!(body, "<p class=\"rests\">{}</p>", safe(text));
        }
        for sheet in &self.sheets {
            body.push_str(&sheet.html());
        }
        body.push_str("</section>\n");
    }
}
