//! The due list as a picture to pin to a board: forbidden machines, then what is due by area and machine, then what
//! fits into a stop, then what nobody has recorded, then what the list does not know.

use super::{
    table::Table,
    words,
    wrap::{between, labelled, lines},
};
use crate::{
    out::Style,
    times::{Teller, rfc3339},
};
use fettler_proto::{STALE_ROWS_COUNTED_MAX, v1 as pb};
use std::{collections::BTreeMap, fmt::Write as _};

/// Where an item's title stands.
const ITEM_INDENT: usize = 4;
/// Where the labels under a title stand, and how wide they are.
const LABEL_INDENT: usize = 8;
const LABEL_WIDTH: usize = 8;

/// What stands under every list or order that shows a hazard or a caution.
pub(crate) const DEFERRAL: &str =
    "The builder's manual, local codes and licensed practice come before all this.";

/// What a list by the early quantile means, and how it marks what it alone has.
const SURE: &str = "What may well fall due by then, so that nothing surprises: each expected order with one chance in ten or \
    more. \"early\" marks those that are there only because they may come early.";

/// How a list is laid out.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Board {
    /// Tells times.
    pub(crate) teller: Teller,
    /// How wide it is, in characters.
    pub(crate) width: usize,
    /// How headings stand out.
    pub(crate) style: Style,
}

/// Which list was asked for.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Shown<'a> {
    /// The last day of its horizon; none means today.
    pub(crate) until: Option<&'a str>,
    /// Whether it goes by the early quantile.
    pub(crate) sure: bool,
}

/// The whole list.
pub(crate) fn board(list: &pb::ListDueResponse, shown: Shown<'_>, board: Board) -> String {
    let mut out = header(list, shown.until, board);
    if shown.sure {
        out.push_str(&foot(SURE, board));
    }
    out.push_str(&forbidden(&list.forbidden, board));
    let of = |section: pb::DueSection| -> Vec<&pb::DueItem> {
        list.items.iter().filter(|item| item.section() == section).collect()
    };
    let dated = of(pb::DueSection::Dated);
    if dated.is_empty() {
        out.push_str(if shown.sure { "\nNothing is likely to fall due.\n" } else { "\nNothing is due.\n" });
    }
    out.push_str(&grouped(&dated, true, board));
    out.push_str(&section(
        "WHILE IT IS STOPPED",
        "not due yet, but the window is open and the machine stands anyway",
        &of(pb::DueSection::WhileStopped),
        board,
    ));
    out.push_str(&section(
        "NEVER RECORDED",
        "nobody has said when these were last done; `fettler shop last-done FILE.csv` states it",
        &of(pb::DueSection::NeverRecorded),
        board,
    ));
    out.push_str(&footer(list, board));
    out
}

/// The list as rows.
pub(crate) fn rows(list: &pb::ListDueResponse) -> Table {
    let mut table = Table::new([
        "order",
        "section",
        "area",
        "machine",
        "task",
        "title",
        "place",
        "due",
        "due_day",
        "kind",
        "late_from",
        "late",
        "when",
        "why",
        "kit",
        "minutes",
        "hazard",
        "cautions",
        "covered_by",
        "p10",
        "p90",
        "may_come_early",
    ]);
    for item in &list.items {
        table.push([
            item.order.to_string(),
            words::section(item.section()).to_owned(),
            item.area.clone(),
            item.machine.clone(),
            item.task.clone(),
            item.title.clone(),
            item.place.clone(),
            rfc3339(item.due.as_ref()),
            item.due_day.clone(),
            words::due_kind(item.kind()).to_owned(),
            rfc3339(item.late_from.as_ref()),
            yes(item.late),
            item.when.clone(),
            item.why.clone(),
            words::kit(&item.kit),
            words::unless_zero(item.minutes.into()),
            yes(item.hazard),
            words::sentences(&item.cautions),
            words::unless_zero(item.covered_by),
            rfc3339(item.p10.as_ref()),
            rfc3339(item.p90.as_ref()),
            yes(item.may_come_early),
        ]);
    }
    table
}

fn yes(value: bool) -> String {
    if value { "yes".to_owned() } else { "no".to_owned() }
}

fn header(list: &pb::ListDueResponse, until: Option<&str>, board: Board) -> String {
    let teller = board.teller;
    let name = if list.site_name.is_empty() { &list.site } else { &list.site_name };
    let clock = teller.clock(list.as_of.as_ref()).unwrap_or_default();
    let right = format!("as of {clock}, {}", teller.zone_name());
    let mut left = format!("{name}, shop day {}", teller.day(&list.shop_day));
    if let Some(until) = until.filter(|until| *until != list.shop_day) {
        let _ = write!(left, ", looking ahead to {}", teller.day(until));
    }
    let text = between(&left, &right, 0, 0, board.width);
    text.lines().map(|line| board.style.heading(line) + "\n").collect()
}

fn forbidden(machines: &[pb::Machine], board: Board) -> String {
    if machines.is_empty() {
        return String::new();
    }
    let mut out = format!("\n{}\n", board.style.heading("MUST NOT START"));
    for machine in machines {
        let mut place = named(&machine.tag, &machine.name);
        if !machine.area.is_empty() {
            let _ = write!(place, ", {}", machine.area);
        }
        out.push_str(&between(&place, "must not start", 2, 8, board.width));
        let since = board.teller.instant(machine.since.as_ref()).unwrap_or_else(|| "not known".to_owned());
        let by = if machine.by.is_empty() { "nobody named" } else { &machine.by };
        out.push_str(&label("since", &format!("{since}, said by {by}"), board));
        out.push_str(&label("because", &machine.reason, board));
    }
    out
}

/// Items by area and machine; within a machine in the order of the list, which is the order of urgency. Under a
/// section's own heading the area stands beside the machine, so that only sections have headings of their own.
fn grouped(items: &[&pb::DueItem], area_headings: bool, board: Board) -> String {
    let mut areas: BTreeMap<(bool, &str), BTreeMap<&str, Vec<&pb::DueItem>>> = BTreeMap::new();
    for item in items {
        // Machines without an area stand last.
        let area = (item.area.is_empty(), item.area.as_str());
        areas.entry(area).or_default().entry(&item.machine).or_default().push(item);
    }
    let mut out = String::new();
    for ((nowhere, area), machines) in areas {
        if area_headings {
            let heading = if nowhere { "NO AREA".to_owned() } else { area.to_uppercase() };
            let _ = write!(out, "\n{}", board.style.heading(&heading));
        }
        for (tag, items) in machines {
            out.push('\n');
            let name = items.first().map_or("", |item| item.machine_name.as_str());
            let mut heading = named(tag, name);
            if !area_headings && !nowhere {
                let _ = write!(heading, ", {area}");
            }
            for line in lines(&heading, board.width.saturating_sub(2)) {
                let _ = writeln!(out, "  {}", board.style.heading(&line));
            }
            for item in items {
                out.push_str(&item_text(item, board));
            }
        }
    }
    out
}

fn section(title: &str, meaning: &str, items: &[&pb::DueItem], board: Board) -> String {
    if items.is_empty() {
        return String::new();
    }
    let mut out = format!("\n{}\n", board.style.heading(title));
    for line in lines(meaning, board.width.saturating_sub(2)) {
        let _ = writeln!(out, "  {line}");
    }
    out.push_str(&grouped(items, false, board));
    out
}

/// One item: number, what and how late; then a line for each thing there is to say.
pub(crate) fn item_text(item: &pb::DueItem, board: Board) -> String {
    let title = format!("{} {}", item.order, item.title);
    let mut out = between(&title, &item.when, ITEM_INDENT, LABEL_INDENT, board.width);
    if item.hazard {
        let heed = if item.cautions.is_empty() {
            "neglect or the work itself can hurt someone".to_owned()
        } else {
            words::sentences(&item.cautions)
        };
        out.push_str(&label("HAZARD", &heed, board));
    } else {
        out.push_str(&label("heed", &words::sentences(&item.cautions), board));
    }
    out.push_str(&label("where", &item.place, board));
    out.push_str(&label("why", &item.why, board));
    out.push_str(&label("due", &due_words(item, board.teller), board));
    if item.may_come_early {
        out.push_str(&label(
            "early",
            "expected after this list's last day, with one chance in ten or more by then",
            board,
        ));
    }
    out.push_str(&label("bring", &words::kit(&item.kit), board));
    out.push_str(&label("read", &item.readings.join("; "), board));
    if item.minutes > 0 {
        out.push_str(&label("takes", &format!("{} min", item.minutes), board));
    }
    if item.covered_by != 0 {
        out.push_str(&label("with", &format!("done together with order {}", item.covered_by), board));
    }
    out
}

/// One item that stands in no list.
pub(crate) fn item_alone(item: &pb::DueItem, board: Board) -> String {
    format!("{}{}", item_text(item, board), deferral(false, [item], board))
}

/// Whether an item shows a hazard or a caution.
fn is_cautious(item: &pb::DueItem) -> bool {
    item.hazard || !item.cautions.is_empty()
}

/// The last lines under what shows items outside of a list, or `others`; nothing where neither shows a hazard or a
/// caution.
pub(crate) fn deferral<'a>(
    others: bool,
    items: impl IntoIterator<Item = &'a pb::DueItem>,
    board: Board,
) -> String {
    if others || items.into_iter().any(is_cautious) {
        format!("\n{}", foot(DEFERRAL, board))
    } else {
        String::new()
    }
}

/// When it is due, and how sure that is.
pub(crate) fn due_words(item: &pb::DueItem, teller: Teller) -> String {
    let day = |time| teller.day_of(time);
    match item.kind() {
        pb::DueKind::Expected => {
            match (day(item.due.as_ref()), day(item.p10.as_ref()), day(item.p90.as_ref())) {
                (Some(due), Some(p10), Some(p90)) if p10 == p90 => format!("expected {due}"),
                (Some(due), Some(p10), Some(p90)) => format!("expected {due}, between {p10} and {p90}"),
                (Some(due), _, _) => format!("expected {due}"),
                (None, _, _) => "not known".to_owned(),
            }
        }
        pb::DueKind::Crossed => teller.instant(item.due.as_ref()).unwrap_or_default(),
        pb::DueKind::Unspecified | pb::DueKind::Calendar | pb::DueKind::Raised => {
            if item.due_day.is_empty() {
                day(item.due.as_ref()).unwrap_or_default()
            } else {
                teller.day(&item.due_day)
            }
        }
        pb::DueKind::Unknown => "not known".to_owned(),
        pb::DueKind::Ended => "no further day".to_owned(),
    }
}

/// How many orders are due, late and a hazard; then those of the other sections, each counted by itself.
fn total(list: &pb::ListDueResponse) -> String {
    let of = |section: pb::DueSection| list.items.iter().filter(move |item| item.section() == section);
    let hazards = |section: pb::DueSection| match of(section).filter(|item| item.hazard).count() {
        0 => String::new(),
        count => format!(", {} with a hazard", words::grouped(count as u64)),
    };
    let dated = pb::DueSection::Dated;
    let late = match of(dated).filter(|item| item.late).count() {
        0 => "none".to_owned(),
        count => words::grouped(count as u64),
    };
    let mut total =
        format!("{}, {late} late{}", words::count(of(dated).count(), "order", "orders"), hazards(dated));
    for (section, name) in [
        (pb::DueSection::WhileStopped, "while it is stopped"),
        (pb::DueSection::NeverRecorded, "never recorded"),
    ] {
        let count = of(section).count();
        if count > 0 {
            let _ = write!(total, "; {} {name}{}", words::grouped(count as u64), hazards(section));
        }
    }
    total
}

fn footer(list: &pb::ListDueResponse, board: Board) -> String {
    let mut out = format!("\n{}", foot(&total(list), board));
    if list.items.iter().any(is_cautious) {
        out.push_str(&foot(DEFERRAL, board));
    }
    if list.held_reports > 0 {
        let number = usize::try_from(list.held_reports).unwrap_or(usize::MAX);
        let held = words::count(number, "report is", "reports are");
        out.push_str(&foot(
            &format!("{held} held and not counted; see them with `fettler hours held`"),
            board,
        ));
    }
    if list.stale_rows > 0 {
        let number = usize::try_from(list.stale_rows).unwrap_or(usize::MAX);
        let rows = words::count(number, "row still stands", "rows still stand");
        let least = if list.stale_rows < STALE_ROWS_COUNTED_MAX { "" } else { "at least " };
        let since = board.teller.day(&list.stale_since);
        let text = format!("{least}{rows} as of {since}; `fettler why ORDER` computes one afresh");
        out.push_str(&foot(&text, board));
    }
    if list.figures_pending {
        let text = "reports of earlier days have come: expected dates may still move, what is due does not";
        out.push_str(&foot(text, board));
    }
    out
}

fn foot(text: &str, board: Board) -> String {
    lines(text, board.width).into_iter().map(|line| line + "\n").collect()
}

fn label(label: &str, text: &str, board: Board) -> String {
    labelled(LABEL_INDENT, label, LABEL_WIDTH, text, board.width)
}

/// A tag with its name, unless they are the same.
pub(crate) fn named(tag: &str, name: &str) -> String {
    if name.is_empty() || name == tag { tag.to_owned() } else { format!("{tag} {name}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{testkit, times};

    fn plain() -> Board {
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 80, style: Style::PLAIN }
    }

    #[test]
    fn the_list_at_80_columns() {
        let list = testkit::due_list();
        let text = board(&list, Shown { until: Some("2026-12-02"), sure: false }, plain());
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        insta::assert_snapshot!(text);
    }

    #[test]
    fn a_list_by_the_early_quantile_says_what_it_means_and_what_it_alone_has() {
        let mut list = testkit::due_list();
        list.items.retain(|item| item.kind() == pb::DueKind::Expected);
        list.items[0].may_come_early = true;
        let shown = Shown { until: Some("2026-11-26"), sure: true };
        let text = board(&list, shown, plain());
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        insta::assert_snapshot!(text);
        list.items[0].may_come_early = false;
        let unmarked = board(&list, shown, plain());
        assert!(
            text.contains("\n        early   ") && !unmarked.contains("\n        early   "),
            "{unmarked}"
        );
    }

    #[test]
    fn rows_that_are_not_counted_to_the_end_are_at_least_so_many() {
        let told = |stale_rows| {
            let list = pb::ListDueResponse { stale_rows, ..testkit::due_list() };
            board(&list, Shown::default(), plain())
        };
        let (few, many) = (told(STALE_ROWS_COUNTED_MAX - 1), told(STALE_ROWS_COUNTED_MAX));
        assert!(few.contains("9,999 rows still stand") && !few.contains("at least"), "{few}");
        assert!(many.contains("at least 10,000 rows still stand"), "{many}");
    }

    #[test]
    fn an_empty_list_says_so() {
        let list = pb::ListDueResponse {
            items: Vec::new(),
            forbidden: Vec::new(),
            held_reports: 0,
            stale_rows: 0,
            figures_pending: false,
            ..testkit::due_list()
        };
        insta::assert_snapshot!(board(&list, Shown::default(), plain()));
    }

    #[test]
    fn nothing_is_cut_off_on_a_narrow_board() {
        let list = testkit::due_list();
        let text = board(&list, Shown::default(), Board { width: 60, ..plain() });
        let squeezed: String = text.split_whitespace().collect();
        for item in &list.items {
            for said in [&item.title, &item.place, &item.why, &item.when] {
                let said: String = said.split_whitespace().collect();
                assert!(squeezed.contains(&said), "{said} is missing from\n{text}");
            }
        }
        assert!(text.lines().all(|line| line.chars().count() <= 60), "{text}");
    }

    #[test]
    fn headings_alone_change_with_the_style() {
        let list = testkit::due_list();
        let global =
            crate::args::GlobalArgs { color: Some(crate::out::ColorChoice::Always), ..Default::default() };
        let out = crate::out::Out::standard(&crate::origin::Given::bare(&global));
        let bold = board(&list, Shown::default(), Board { style: out.style(), ..plain() });
        assert!(bold.contains("\u{1b}[1mMUST NOT START\u{1b}[0m"));
        assert_eq!(
            bold.replace("\u{1b}[1m", "").replace("\u{1b}[0m", ""),
            board(&list, Shown::default(), plain())
        );
    }

    #[test]
    fn each_section_counts_its_own_hazards() {
        let item = |section: pb::DueSection, hazard| pb::DueItem {
            section: section.into(),
            hazard,
            ..Default::default()
        };
        let items = vec![
            item(pb::DueSection::Dated, false),
            item(pb::DueSection::Dated, false),
            item(pb::DueSection::WhileStopped, false),
            item(pb::DueSection::NeverRecorded, true),
        ];
        let list = pb::ListDueResponse { items, ..testkit::due_list() };
        let text = total(&list);
        assert_eq!(text, "2 orders, none late; 1 while it is stopped; 1 never recorded, 1 with a hazard");
    }

    #[test]
    fn a_hazard_or_a_caution_defers_to_who_knows_better_once() {
        let told = |items: Vec<pb::DueItem>| {
            let list = pb::ListDueResponse { items, ..testkit::due_list() };
            board(&list, Shown::default(), plain()).matches("licensed practice come").count()
        };
        let bare = pb::DueItem { section: pb::DueSection::Dated.into(), ..Default::default() };
        let hazard = pb::DueItem { hazard: true, ..bare.clone() };
        let caution = pb::DueItem { cautions: vec!["gloves".into()], ..bare.clone() };
        assert_eq!(told(vec![bare.clone()]), 0);
        assert_eq!(told(vec![hazard.clone(), caution.clone()]), 1);
        for item in [hazard, caution] {
            assert_eq!(
                deferral(false, [&bare, &item], plain()),
                format!("\n{}\n", lines(DEFERRAL, 80).join("\n"))
            );
        }
        assert_eq!(deferral(false, [&bare], plain()), "");
        assert_ne!(deferral(true, [&bare], plain()), "");
    }

    #[test]
    fn an_expectation_is_told_as_one() {
        let list = testkit::due_list();
        let item = list.items.iter().find(|item| item.kind() == pb::DueKind::Expected).unwrap();
        assert_eq!(due_words(item, plain().teller), "expected Fri 27 Nov, between Thu 26 Nov and Mon 30 Nov");
    }
}
