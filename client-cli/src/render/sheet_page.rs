//! Work on paper: what a technician takes along as a page of HTML that prints on A4, to be ticked off and filled in by hand.

use super::{
    due::{DEFERRAL, named},
    sheet_parts::{check, order, room},
};
use crate::{
    declared::Declared,
    html::{self, safe},
    shipped::OVERRIDES,
    times::Teller,
};
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// Its own look beside that of every page: thick lines and wide boxes, so that a photograph of a filled sheet can be read.
const LOOK: &str = "@page{margin:12mm 12mm 16mm;@bottom-left{content:\"The machine builder's manual overrides this sheet; local \
    codes and licensed practice come first.\";font:8pt Georgia,serif}@bottom-right{content:\"page \" counter(page) \" of \" \
    counter(pages);font:8pt Georgia,serif}}\
    .head{display:flex;justify-content:space-between;gap:4mm}.head span{white-space:nowrap}\
    .m>.head{border-top:1.4pt solid #111;padding-top:2mm;margin-top:5mm;break-inside:avoid;break-after:avoid}\
    .m>.head h2{border:0;margin:0;font-size:13pt}.m>.head figure{margin:0;text-align:center;font-size:7.5pt;flex:none}\
    .qr{width:22mm;height:22mm;display:block;margin:0 auto}\
    .stop{border:2pt solid #111;padding:1.5mm 2.5mm;margin:2mm 0;break-inside:avoid}\
    .job{break-inside:avoid;border:.8pt solid #111;padding:1.5mm 2.5mm;margin:2mm 0}.job>.head{font-size:11pt}\
    .heed{border-left:2mm solid #111;padding:.5mm 2mm;margin:1.2mm 0}.c{display:flex;font-weight:bold;margin:.8mm 0}\
    .b{display:inline-block;flex:none;width:4.6mm;height:4.6mm;border:.9pt solid #111;margin-right:1.6mm;vertical-align:-1mm;\
    box-sizing:border-box}.t{display:inline-block;margin-right:3mm}\
    .v{display:inline-block;width:26mm;height:8mm;border:.9pt solid #111;vertical-align:middle;box-sizing:border-box}\
    .l{display:inline-block;height:6.5mm;border-bottom:.7pt solid #111;vertical-align:baseline;box-sizing:border-box}\
    .lim{display:inline-block;font-style:italic}.r{margin:1.5mm 0}\
    table{width:100%;border-collapse:collapse;margin:1.5mm 0;table-layout:fixed}\
    th,td{text-align:left;vertical-align:top;padding:1mm 1.6mm;border:.5pt solid #111}th{font-size:9pt}\
    .sign{margin:2.5mm 0 0}";

/// What there is to do on a machine.
pub(crate) struct Part {
    /// The machine's tag.
    pub(crate) tag: String,
    /// Its name.
    pub(crate) name: String,
    /// Its area.
    pub(crate) area: String,
    /// Why it must not start; none where it may.
    pub(crate) forbidden: Option<String>,
    /// The drawing of its code.
    pub(crate) code: String,
    /// The checks of the shift that are open.
    pub(crate) checks: Vec<pb::RoundCheck>,
    /// The orders that are due.
    pub(crate) orders: Vec<pb::DueItem>,
}

/// A sheet of paper.
pub(crate) struct Paper<'a> {
    /// What it is.
    pub(crate) title: String,
    /// What else stands at its head.
    pub(crate) lines: Vec<String>,
    /// Machines that must not start and have no part of their own.
    pub(crate) forbidden: Vec<pb::Machine>,
    /// The machines in walking order.
    pub(crate) parts: Vec<Part>,
    /// The shop, for limits and for what a task asks.
    pub(crate) declared: &'a Declared,
    /// Tells times.
    pub(crate) teller: Teller,
    /// Whether it ends with room for a note to the next shift.
    pub(crate) hands_over: bool,
}

/// The page.
pub(crate) fn page(paper: &Paper<'_>) -> String {
    let mut out = format!("<h1>{}</h1>\n", safe(&paper.title));
    for line in &paper.lines {
        let _ = writeln!(out, "<p>{}</p>", safe(line));
    }
    let _ = writeln!(out, "<p><b>{}</b> {}</p>", safe(OVERRIDES), safe(DEFERRAL));
    for machine in &paper.forbidden {
        must_not_start(&mut out, &named(&machine.tag, &machine.name), &machine.reason);
    }
    if paper.parts.is_empty() {
        out.push_str("<p>Nothing is open.</p>\n");
    }
    for part in &paper.parts {
        machine(&mut out, part, paper);
    }
    if paper.hands_over {
        out.push_str("<div class=\"job\"><b>For the next shift</b><br>");
        for _ in 0..4 {
            out.push_str("<i class=\"l\" style=\"width:100%\"></i>");
        }
        out.push_str("</div>\n");
    }
    html::paper(&paper.title, LOOK, &out)
}

fn must_not_start(out: &mut String, machine: &str, reason: &str) {
    let _ = writeln!(
        out,
        "<div class=\"stop\"><b>MUST NOT START: {}</b><br>{}</div>",
        safe(machine),
        safe(reason)
    );
}

fn machine(out: &mut String, part: &Part, paper: &Paper<'_>) {
    let area = if part.area.is_empty() { "no area" } else { &part.area };
    let _ = writeln!(
        out,
        "<section class=\"m\"><div class=\"head\"><div><h2>{}</h2><p>{}</p><p class=\"sign\">{}{}{}</p></div>\
         <figure>{}<figcaption>{}</figcaption></figure></div>",
        safe(&named(&part.tag, &part.name)),
        safe(area),
        room("name", 42),
        room("day and time", 28),
        room("signature", 32),
        part.code,
        safe(&format!("due list of {}", part.tag))
    );
    if let Some(reason) = &part.forbidden {
        must_not_start(out, &part.tag, reason);
    }
    if part.checks.is_empty() && part.orders.is_empty() {
        out.push_str("<p>Nothing is open.</p>\n");
    }
    if !part.checks.is_empty() {
        let is_step = |check: &pb::RoundCheck| {
            check.check.as_ref().is_some_and(|card| card.start() == pb::StartRole::Step)
        };
        if part.checks.iter().any(is_step) {
            out.push_str(
                "<p><b>A step of the start-up that fails means that the machine must not start.</b></p>\n",
            );
        }
        out.push_str(
            "<table><colgroup><col style=\"width:52%\"><col style=\"width:22%\"><col></colgroup><thead><tr><th>check</th>\
             <th>as it is</th><th>what is wrong</th></tr></thead><tbody>\n",
        );
        out.extend(part.checks.iter().map(check));
        out.push_str("</tbody></table>\n");
    }
    out.extend(part.orders.iter().map(|item| order(item, paper.declared, paper.teller)));
    out.push_str("</section>\n");
}
