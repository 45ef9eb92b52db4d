//! A watched due list: the list as it is shown, then a line for each change, with the time at which it was told.

use super::{
    due::{self, Board, Shown, named},
    words,
    wrap::labelled,
};
use fettler_proto::v1 as pb;
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// How wide the time is before a line.
const TIME_WIDTH: usize = 7;

/// The whole list, with how much of it is not shown.
pub(crate) fn list(told: &pb::WatchDueResponse, shown: Shown<'_>, board: Board) -> String {
    let head = told.head.clone().unwrap_or_default();
    let list = pb::ListDueResponse {
        site: told.site.clone(),
        site_name: told.site_name.clone(),
        zone: told.zone.clone(),
        shop_day: told.shop_day.clone(),
        as_of: told.as_of,
        forbidden: head.forbidden,
        items: told.items.clone(),
        held_reports: head.held_reports,
        stale_rows: head.stale_rows,
        stale_since: head.stale_since,
        next_page_token: String::new(),
        figures_pending: head.figures_pending,
    };
    let mut text = due::board(&list, shown, board);
    if head.not_shown > 0 {
        let _ = writeln!(text, "{}", not_shown(head.not_shown));
    }
    text
}

fn not_shown(count: i64) -> String {
    let count = usize::try_from(count).unwrap_or(usize::MAX);
    format!("{} not shown; narrow it with --machine or --area", words::count(count, "order is", "orders are"))
}

/// A line for each thing that has changed since a head was told.
pub(crate) fn changes(told: &pb::WatchDueResponse, before: Option<&pb::DueHead>, board: Board) -> String {
    let clock = board.teller.clock(told.as_of.as_ref()).unwrap_or_default();
    let mut lines = Vec::new();
    if let Some(head) = &told.head {
        lines.extend(head_lines(head, before.unwrap_or(&pb::DueHead::default()), board));
    }
    lines.extend(told.left.iter().map(left));
    lines.extend(told.items.iter().map(|item| standing(item, "now listed")));
    lines.extend(told.changed.iter().map(|item| standing(item, "now")));
    lines.iter().map(|line| labelled(0, &clock, TIME_WIDTH, line, board.width)).collect()
}

/// What stands at the head that did not, and what does no longer.
fn head_lines(head: &pb::DueHead, before: &pb::DueHead, board: Board) -> Vec<String> {
    let tags =
        |head: &pb::DueHead| head.forbidden.iter().map(|m| m.tag.clone()).collect::<BTreeSet<String>>();
    let (stood, stand) = (tags(before), tags(head));
    let mut lines = Vec::new();
    for machine in head.forbidden.iter().filter(|machine| !stood.contains(&machine.tag)) {
        let since = board.teller.instant(machine.since.as_ref()).unwrap_or_else(|| "not known".to_owned());
        let by = if machine.by.is_empty() { "nobody named" } else { &machine.by };
        let place = named(&machine.tag, &machine.name);
        lines.push(format!("{place} must not start, since {since}, said by {by}: {}", machine.reason));
    }
    lines.extend(stood.difference(&stand).map(|tag| format!("{tag} is not forbidden any more")));
    if head.held_reports != before.held_reports {
        let number = usize::try_from(head.held_reports).unwrap_or(usize::MAX);
        let reports = words::count(number, "report is", "reports are");
        lines.push(format!("{reports} held and not counted"));
    }
    if head.not_shown != before.not_shown {
        lines.push(not_shown(head.not_shown));
    }
    lines
}

/// How an order stands that is on the list.
fn standing(item: &pb::DueItem, how: &str) -> String {
    let hazard = if item.hazard { "HAZARD, " } else { "" };
    let mut line = format!(
        "{} {how}: {hazard}{}, {}; {}",
        item.order,
        item.title,
        named(&item.machine, &item.machine_name),
        item.when
    );
    if !item.why.is_empty() {
        let _ = write!(line, "; {}", item.why);
    }
    if item.hazard && !item.cautions.is_empty() {
        let _ = write!(line, "; heed: {}", words::sentences(&item.cautions));
    }
    line
}

/// How an order has left it.
fn left(order: &pb::Order) -> String {
    let how = match (order.state(), &order.closing) {
        (pb::OrderState::Closed, Some(closing)) => format!("closed by {}", closing.done_by),
        (pb::OrderState::Closed, None) => "closed".to_owned(),
        (pb::OrderState::Skipped, _) if order.skipped_by.is_empty() => "skipped".to_owned(),
        (pb::OrderState::Skipped, _) => format!("skipped by {}", order.skipped_by),
        (pb::OrderState::Void, _) => "void".to_owned(),
        (pb::OrderState::Open | pb::OrderState::Unspecified, _) => {
            "open, but not on this list any more".to_owned()
        }
    };
    format!("{} {how}: {}, {}", order.number, order.title, order.machine)
}

/// What a message says that is the first after a break.
pub(crate) fn again(message: &pb::WatchDueResponse) -> &'static str {
    match message.told() {
        pb::WatchTold::List => {
            "watching again; what changed meanwhile is not known one by one, so here is the whole list\n"
        }
        pb::WatchTold::Changes => "watching again; first what changed meanwhile\n",
        pb::WatchTold::Unchanged | pb::WatchTold::Unspecified => {
            "watching again; nothing has changed meanwhile\n"
        }
    }
}

/// One telling of its parts.
pub(crate) fn joined(mut parts: pb::WatchDueResponse, more: pb::WatchDueResponse) -> pb::WatchDueResponse {
    let pb::WatchDueResponse { goes_on, resume_token, head, items, changed, left, .. } = more;
    parts.items.extend(items);
    parts.changed.extend(changed);
    parts.left.extend(left);
    pb::WatchDueResponse { goes_on, resume_token, head: parts.head.or(head), ..parts }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        out::Style,
        testkit,
        times::{self, Teller},
    };

    fn plain() -> Board {
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 80, style: Style::PLAIN }
    }

    fn told(told: pb::WatchTold) -> pb::WatchDueResponse {
        let as_of = times::absolute("2026-11-25T12:20:00Z").map(times::to_wire);
        let zone = "Europe/Berlin".to_owned();
        pb::WatchDueResponse { told: told.into(), as_of, zone, ..Default::default() }
    }

    #[test]
    fn each_change_is_a_line_with_its_time() {
        let items = testkit::due_list().items;
        let closed = pb::Order {
            number: 1043,
            state: pb::OrderState::Closed.into(),
            machine: "L-03".into(),
            title: "Drain the condensate bowl".into(),
            closing: Some(pb::Closing { done_by: "Ada Kern".into(), ..Default::default() }),
            ..Default::default()
        };
        let later =
            pb::Order { number: 1044, state: pb::OrderState::Open.into(), closing: None, ..closed.clone() };
        let head = pb::DueHead {
            forbidden: testkit::due_list().forbidden,
            held_reports: 2,
            not_shown: 1,
            ..Default::default()
        };
        let gone = pb::Machine { tag: "G-9".into(), ..Default::default() };
        let before = pb::DueHead { forbidden: vec![gone], ..Default::default() };
        let told = pb::WatchDueResponse {
            items: items[..1].to_vec(),
            changed: items[1..3].to_vec(),
            left: vec![closed, later],
            head: Some(head),
            ..told(pb::WatchTold::Changes)
        };
        let text = changes(&told, Some(&before), plain());
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        let squeezed = text.split_whitespace().collect::<Vec<_>>().join(" ");
        for line in [
            "13:20 G-9 is not forbidden any more",
            "13:20 2 reports are held and not counted",
            "13:20 1 order is not shown; narrow it with --machine or --area",
            "13:20 1043 closed by Ada Kern: Drain the condensate bowl, L-03",
            "13:20 1044 open, but not on this list any more: Drain the condensate bowl, L-03",
            &format!("13:20 {} now listed: ", items[0].order),
            &format!("13:20 {} now: ", items[1].order),
            "must not start, since",
        ] {
            assert!(squeezed.contains(line), "{line}:\n{text}");
        }
        assert_eq!(text.lines().filter(|line| line.starts_with("13:20")).count(), 9, "{text}");
    }

    #[test]
    fn a_telling_is_one_whatever_its_parts() {
        let items = testkit::due_list().items;
        let first = pb::WatchDueResponse {
            goes_on: true,
            head: Some(pb::DueHead { held_reports: 7, ..Default::default() }),
            items: items[..2].to_vec(),
            ..told(pb::WatchTold::List)
        };
        let last = pb::WatchDueResponse {
            resume_token: "t".into(),
            items: items[2..].to_vec(),
            ..told(pb::WatchTold::List)
        };
        let whole = joined(first.clone(), last);
        assert_eq!((whole.items, whole.head, whole.goes_on), (items, first.head, false));
        assert_eq!(whole.resume_token, "t");
    }
}
