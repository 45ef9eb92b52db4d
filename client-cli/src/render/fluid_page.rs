//! The record of fluids as one page of HTML for an inspector: it needs nothing else, runs nothing, and prints on A4.

use super::{due::Board, fluid};
use crate::html::{self, safe};
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// Its own look beside that of every page. A withdrawn line is struck through, a line out of limits has a bar before it and
/// says so in words.
const LOOK: &str = "table{width:100%;border-collapse:collapse}\
    th,td{text-align:left;vertical-align:top;padding:.8mm 1.6mm;border-bottom:.3pt solid #999}\
    th{border-bottom:.8pt solid #111}td.n{white-space:nowrap}\
    tr.out td:first-child{border-left:1.6mm solid #111}tr.gone td{text-decoration:line-through}\
    tr.gone td.s{text-decoration:none;font-style:italic}\
    footer{margin-top:8mm}footer div{display:inline-block;width:48%}";

/// The page; whether the record is whole is said on it.
pub(crate) fn page(
    record: &pb::GetFluidRecordResponse,
    (asked, is_whole): (&pb::GetFluidRecordRequest, bool),
    board: Board,
) -> String {
    // Paper is looked at in other years.
    let board = Board { teller: board.teller.with_years(), ..board };
    let instant = |at: Option<&prost_types::Timestamp>| board.teller.instant(at).unwrap_or_default();
    let title = format!("Fluids of {}, {}", record.machine, record.name);
    let mut out = format!("<h1>{}</h1>\n", safe(&title));
    let (from, until) = (instant(asked.from.as_ref()), instant(asked.until.as_ref()));
    let from = if from.is_empty() { "the first entry".to_owned() } else { from };
    let until = if until.is_empty() { format!("now, {}", instant(record.as_of.as_ref())) } else { until };
    let _ = writeln!(
        out,
        "<p>{}</p>\n<p>From {} to {}. Times are those of {}.</p>",
        safe(&record.site_name),
        safe(&from),
        safe(&until),
        safe(&record.zone)
    );
    if !is_whole {
        out.push_str("<p><strong>Not the whole record: there are more lines than these.</strong></p>\n");
    }
    for place in &record.reservoirs {
        let _ = writeln!(out, "<h2>{}: {}</h2>", safe(&place.key), safe(&place.fluid));
        limits(&mut out, &place.limits);
        let lines: Vec<&pb::FluidLine> =
            record.lines.iter().filter(|line| line.reservoir == place.key).collect();
        table(&mut out, &lines, board);
    }
    let known = |line: &&pb::FluidLine| !record.reservoirs.iter().any(|place| place.key == line.reservoir);
    let others: Vec<&pb::FluidLine> = record.lines.iter().filter(known).collect();
    if !others.is_empty() {
        out.push_str("<h2>Places that are not declared any more</h2>\n");
        table(&mut out, &others, board);
    }
    out.push_str("<h2>Heed</h2>\n<ul>\n");
    for caution in &record.cautions {
        let _ = writeln!(out, "<li>{}</li>", safe(caution));
    }
    let narrowed = asked.from.is_some() || asked.until.is_some() || !asked.reservoir.is_empty();
    let holds = match (is_whole, narrowed) {
        (true, false) => "nothing that was recorded is left out",
        (true, true) => "within what was asked for, nothing that was recorded is left out",
        (false, _) => "these lines are a part of what was asked for",
    };
    let _ = write!(
        out,
        "</ul>\n<p>Each line bears the number of its journal entry; {holds}. Lines that were taken \
         back are struck through, with who did it and why.</p>\n\
         <footer><div>Looked at by: ____________________</div><div>On: ____________________</div></footer>\n",
    );
    html::paper(&title, LOOK, &out)
}

fn limits(out: &mut String, limits: &[pb::FluidLimit]) {
    if limits.is_empty() {
        out.push_str("<p>No limits are declared.</p>\n");
        return;
    }
    out.push_str("<ul>\n");
    for limit in limits {
        let title = if limit.title.is_empty() { &limit.point } else { &limit.title };
        let _ = writeln!(out, "<li>{}: {} ({})</li>", safe(title), safe(&limit.text), safe(&limit.source));
    }
    out.push_str("</ul>\n");
}

fn table(out: &mut String, lines: &[&pb::FluidLine], board: Board) {
    if lines.is_empty() {
        out.push_str("<p>Nothing is on record.</p>\n");
        return;
    }
    out.push_str(
        "<table><thead><tr><th>Entry</th><th>When</th><th>What</th><th>Limits</th><th>By</th><th>How it stands</th></tr></thead>\n\
         <tbody>\n",
    );
    for line in lines {
        let (entry, at, by) = fluid::source(line);
        let gone = line.reading.as_ref().is_some_and(|reading| reading.withdrawn_at.is_some())
            || line.entry.as_ref().is_some_and(|entry| entry.withdrawn_at.is_some());
        let class = match (gone, line.beyond.is_empty()) {
            (true, _) => " class=\"gone\"",
            (false, false) => " class=\"out\"",
            (false, true) => "",
        };
        let when = board.teller.instant(at).unwrap_or_default();
        let _ = writeln!(
            out,
            "<tr{class}><td class=\"n\">{entry}</td><td class=\"n\">{}</td><td>{}</td><td>{}</td><td>{}</td><td class=\"s\">{}{}</td></tr>",
            safe(&when),
            safe(&fluid::what(line)),
            safe(&line.limits),
            safe(by),
            safe(&fluid::stands(line)),
            safe(&taken_back_by(line)),
        );
    }
    out.push_str("</tbody></table>\n");
}

fn taken_back_by(line: &pb::FluidLine) -> String {
    let of_reading = line.reading.as_ref().map(|reading| reading.withdrawn_by.as_str());
    let by = of_reading.or(line.entry.as_ref().map(|entry| entry.withdrawn_by.as_str())).unwrap_or_default();
    if by.is_empty() { String::new() } else { format!(" ({by})") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_whole_record_says_that_nothing_is_left_out() {
        let teller = crate::times::Teller::new(chrono_tz::UTC, chrono::DateTime::UNIX_EPOCH);
        let board = Board { teller, width: 80, style: crate::out::Style::PLAIN };
        let record = pb::GetFluidRecordResponse::default();
        let all = pb::GetFluidRecordRequest::default();
        let one = pb::GetFluidRecordRequest { reservoir: "sump".to_owned(), ..all.clone() };
        let said = |asked, is_whole| page(&record, (asked, is_whole), board);
        assert!(said(&all, true).contains("journal entry; nothing that was recorded is left out"));
        assert!(said(&one, true).contains("within what was asked for, nothing"));
        assert!(!said(&all, false).contains("is left out"));
    }

    #[test]
    fn paper_tells_its_shop_and_every_year() {
        let now = crate::times::absolute("2026-11-25T05:02:00Z").unwrap();
        let teller = crate::times::Teller::new(chrono_tz::UTC, now);
        let board = Board { teller, width: 80, style: crate::out::Style::PLAIN };
        let at = crate::testkit::at("2026-11-20T09:00:00Z");
        let line = pb::FluidLine {
            reading: Some(pb::PointReading { at, ..Default::default() }),
            ..Default::default()
        };
        let record = pb::GetFluidRecordResponse {
            site_name: "North hall & yard".into(),
            as_of: crate::testkit::at("2026-11-25T05:02:00Z"),
            lines: vec![line],
            ..Default::default()
        };
        let page = page(&record, (&pb::GetFluidRecordRequest::default(), true), board);
        assert!(page.contains("<p>North hall &amp; yard</p>"), "{page}");
        assert!(
            page.contains("now, Wed 25 Nov 2026 05:02") && page.contains("Fri 20 Nov 2026 09:00"),
            "{page}"
        );
    }
}
