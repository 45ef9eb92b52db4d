//! The board written: what must not start, what is due, and beside it what the shift should know.

use super::page::{self, Answer};
use super::shown::{Board, LINES_MAX, View};
use super::time::{Teller, count, long_day};
use super::words::{self, DEFERRAL};
use super::{Reader, beside};
use fettler_proto::v1;
use maud::{Markup, html};
use std::collections::BTreeMap;

/// Seconds after which a page is made anew.
const AGAIN_SECONDS: u32 = 60;

/// The board of a site.
pub(super) fn page(board: &Board, view: &View, reader: &Reader) -> Answer {
    let body = html! {
        (head(board, view))
        main {
            (forbidden(board))
            (due(&lines(&board.list.items), board, view))
            (more(board, view))
        }
        (beside::beside(board))
        (foot(board, view, reader))
    };
    let answer = page::page(&format!("{}: what is due", board.list.site_name), "board", &body);
    if view.still { answer } else { answer.again(AGAIN_SECONDS, &view.link(&[])) }
}

/// Asks which site is meant.
pub(super) fn sites(sites: &[v1::Site], reader: &Reader) -> Answer {
    let body = html! {
        main {
            h1 { "Which shop?" }
            @if sites.is_empty() { p { "The token is for no site, or none is declared yet." } }
            ul.sites {
                @for site in sites {
                    @let query = form_urlencoded::Serializer::new(String::new()).append_pair("site", &site.key).finish();
                    li { a href=(format!("/board?{query}")) { (if site.name.is_empty() { &site.key } else { &site.name }) } }
                }
            }
        }
        footer { (leave(reader)) }
    };
    page::page("Which shop?", "note", &body)
}

/// The orders in the order in which machines are walked to, those never recorded last.
pub(super) fn lines(items: &[v1::DueItem]) -> Vec<&v1::DueItem> {
    let mut lines: Vec<&v1::DueItem> = items.iter().collect();
    // Within a machine the list's own order stands: the most urgent first.
    lines.sort_by_key(|item| {
        (item.section() == v1::DueSection::NeverRecorded, item.area.is_empty(), &item.area, &item.machine)
    });
    lines
}

fn head(board: &Board, view: &View) -> Markup {
    let teller = board.teller;
    html! {
        header {
            h1 {
                (board.list.site_name)
                @if !view.area.is_empty() { ", " (view.area) }
            }
            p.day { (long_day(&board.list.shop_day)) }
            p.made { "as of " (teller.clock(board.list.as_of.as_ref())) }
            p.sum { (sum(board, view)) }
            @if board.areas.len() > 1 { (areas(board, view)) }
        }
    }
}

/// The areas to choose from.
fn areas(board: &Board, view: &View) -> Markup {
    let own = |area: &str| (area == view.area).then_some("page");
    html! {
        nav aria-label="Areas" {
            a href=(view.link(&[("area", ""), ("from", "")])) aria-current=[own("")] { "All areas" }
            @for area in &board.areas {
                " " a href=(view.link(&[("area", area), ("from", "")])) aria-current=[own(area)] { (words::area(area)) }
            }
        }
    }
}

/// How the shop stands in a sentence or two.
pub(super) fn sum(board: &Board, view: &View) -> String {
    let dated = || board.list.items.iter().filter(|item| item.section() == v1::DueSection::Dated);
    let number = |count: usize| i64::try_from(count).unwrap_or(i64::MAX);
    let forbidden = number(board.list.forbidden.len());
    let stops = match forbidden {
        0 => String::new(),
        _ => format!("{} must not start. ", count(forbidden, "machine", "machines")),
    };
    let late = number(dated().filter(|item| item.late).count());
    let due = number(dated().count());
    let stands = match (due, late) {
        (due, late) if !view.is_first() => format!("The list goes on: {due} orders, {late} of them late."),
        (0, _) => "Nothing is due.".to_owned(),
        _ if !board.list.next_page_token.is_empty() => {
            format!("More than {due} orders are due, {late} of these late.")
        }
        (1, 0) => "1 order is due, and not late.".to_owned(),
        (due, 0) => format!("{due} orders are due, none of them late."),
        (1, _) => "1 order is due, and late.".to_owned(),
        (due, late) => format!("{due} orders are due, {late} of them late."),
    };
    stops + &stands
}

fn forbidden(board: &Board) -> Markup {
    html! {
        @if !board.list.forbidden.is_empty() {
            section.forbidden aria-labelledby="forbidden" {
                h2 #forbidden { "Must not start" }
                ul {
                    @for machine in &board.list.forbidden {
                        li {
                            h3 { (words::named(&machine.tag, &machine.name)) @if !machine.area.is_empty() { ", " (machine.area) } }
                            p { (words::sentence(&machine.reason)) }
                            p.more {
                                "since " (board.teller.instant(machine.since.as_ref()))
                                @if !machine.by.is_empty() { ", said by " (machine.by) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Orders by area and machine; those that nobody has recorded under a heading of their own.
fn due(lines: &[&v1::DueItem], board: &Board, view: &View) -> Markup {
    let (never, dated): (Vec<&v1::DueItem>, Vec<&v1::DueItem>) =
        lines.iter().copied().partition(|item| item.section() == v1::DueSection::NeverRecorded);
    html! {
        @if lines.is_empty() { p.nothing { "Nothing is due today." } }
        @for (area, machines) in by_area(&dated) {
            section.area {
                h2 { (words::area(area)) }
                (each(&machines, board.teller, view))
            }
        }
        @if !never.is_empty() {
            section.area {
                h2 { "Never recorded" }
                p.more { "Nobody has said when these were last done." }
                @for (_, machines) in by_area(&never) { (each(&machines, board.teller, view)) }
            }
        }
    }
}

type Machines<'a> = BTreeMap<&'a str, Vec<&'a v1::DueItem>>;

/// The orders by area, those without one last, and by machine.
fn by_area<'a>(lines: &[&'a v1::DueItem]) -> Vec<(&'a str, Machines<'a>)> {
    let mut areas: BTreeMap<(bool, &str), Machines<'_>> = BTreeMap::new();
    for item in lines {
        let area = areas.entry((item.area.is_empty(), item.area.as_str())).or_default();
        area.entry(item.machine.as_str()).or_default().push(item);
    }
    areas.into_iter().map(|((_, area), machines)| (area, machines)).collect()
}

fn each(machines: &Machines<'_>, teller: Teller, view: &View) -> Markup {
    html! {
        @for (tag, items) in machines {
            div.machine {
                h3 {
                    (tag)
                    @let name = items.first().map_or("", |item| item.machine_name.as_str());
                    @if !name.is_empty() && name != *tag { " " span.name { (name) } }
                }
                ul { @for item in items { (line(item, teller, view)) } }
            }
        }
    }
}

fn line(item: &v1::DueItem, teller: Teller, view: &View) -> Markup {
    html! {
        li.job {
            p.when.late[item.late] { (item.when) }
            div.what {
                p.title { a href=(view.order(item.order)) { (item.title) } " " span.number { "order " (item.order) } }
                @if item.hazard {
                    p.heed { b { "Hazard. " } @for caution in &item.cautions { (words::sentence(caution)) ". " } }
                }
                dl {
                    @if !item.place.is_empty() { dt { "where" } dd { (item.place) } }
                    @if !item.why.is_empty() { dt { "why" } dd { (item.why) } }
                    dt { "sure" } dd { (words::sure(item, teller)) }
                    @if item.covered_by != 0 { dt { "with" } dd { "order " (item.covered_by) } }
                }
            }
        }
    }
}

/// Where the list goes on.
fn more(board: &Board, view: &View) -> Markup {
    let next = &board.list.next_page_token;
    html! {
        @if !next.is_empty() {
            p.nothing {
                @if view.is_first() { "Of all that is due, these " (LINES_MAX) " have been due the longest. " }
                a href=(view.link(&[("from", next)])) { "The next " (LINES_MAX) }
            }
        }
        @if board.list.items.iter().any(|item| item.hazard || !item.cautions.is_empty()) { p.deferral { (DEFERRAL) } }
    }
}

/// Whether an order of the list is a hazard.
pub(super) fn has_hazard(board: &Board) -> bool {
    board.list.items.iter().any(|item| item.hazard)
}

pub(super) fn foot(board: &Board, view: &View, reader: &Reader) -> Markup {
    html! {
        footer {
            // A list has it right below itself.
            @if view.wall.is_some() && has_hazard(board) { p.deferral { (DEFERRAL) } }
            p {
                "Made " (board.teller.now()) ", times of " (board.teller.zone_name()) ". "
                @if view.still { a href=(view.link(&[("still", "")])) { "Make it anew each minute" } }
                @else if view.wall.is_some() { a href=(view.link(&[("still", "1")])) { "Hold this part" } }
                @else { "Made anew each minute. " a href=(view.link(&[("still", "1")])) { "Hold it still" } }
                " · "
                @if view.wall.is_some() { a href=(view.link(&[("wall", ""), ("still", "")])) { "As a list" } }
                @else { a href=(view.link(&[("wall", "1"), ("still", ""), ("from", "")])) { "In large letters, for a wall" } }
            }
            (leave(reader))
        }
    }
}

/// How to leave, or to come in.
fn leave(reader: &Reader) -> Markup {
    html! {
        @match &reader.session {
            Some(session) => form method="post" action="/board/leave" {
                input type="hidden" name="mark" value=(session.mark);
                button type="submit" { "Leave" }
            },
            None => p { a href="/board/enter" { "Enter a token" } " to close orders and see names." },
        }
    }
}
