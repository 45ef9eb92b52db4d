//! The board on a wall: nobody scrolls there, so the due list is told in parts, one after the other, each as large as the screen lets it be.
//! No order is cut off: a part has only as many as certainly fit.

use super::page::{self, Answer};
use super::sheet::{foot, has_hazard, lines, sum};
use super::shown::{Board, View};
use super::time::{Teller, count, long_day};
use super::{Reader, beside, words};
use fettler_proto::v1;
use maud::{Markup, html};

/// Seconds that a part stands: long enough to be read by somebody who walks by.
const PART_SECONDS: u32 = 20;
/// The room of the list in tenths of a letter's height, as the look divides a screen.
const ROOM: usize = 265;
/// What a machine's heading takes of it.
const MACHINE: usize = 19;
/// What a line of a title takes.
const TITLE_LINE: usize = 17;
/// What the line below a title takes.
const BELOW: usize = 17;
/// What a line on a machine that must not start takes; each has two at most.
const FORBIDDEN_LINE: usize = 18;
/// What the line in the foot takes that says what comes before all this.
const DEFERRAL_LINE: usize = 15;
/// Signs that certainly fit on a line of a title.
const TITLE_SIGNS: usize = 40;
/// Signs that certainly fit on a line on a machine that must not start.
const FORBIDDEN_SIGNS: usize = 45;
/// The most machines that must not start that are named; of more it tells how many.
const FORBIDDEN_MAX: usize = 3;

/// A part of the board of a site.
pub(super) fn page(board: &Board, view: &View, reader: &Reader, part: usize) -> Answer {
    let lines = lines(&board.list.items);
    let below = if has_hazard(board) { DEFERRAL_LINE } else { 0 };
    let parts = parts(&lines, taken_by(&board.list.forbidden) + below);
    let part = (part - 1) % parts.len() + 1;
    let body = html! {
        header {
            h1 { (board.list.site_name) @if !view.area.is_empty() { ", " (view.area) } }
            p.day { (long_day(&board.list.shop_day)) }
            p.made {
                "as of " (board.teller.clock(board.list.as_of.as_ref()))
                @if parts.len() > 1 { ", part " (part) " of " (parts.len()) }
            }
            p.sum { (sum(board, view)) }
        }
        main {
            (forbidden(&board.list.forbidden))
            @if lines.is_empty() { p.nothing { "Nothing is due today." } }
            @for (of, items) in by_machine(&parts[part - 1]) { (machine(of, &items, board.teller)) }
        }
        (beside::on_a_wall(board))
        (foot(board, view, reader))
    };
    let answer = page::page(&format!("{}: what is due", board.list.site_name), "wall", &body);
    if view.still {
        return answer;
    }
    answer.again(PART_SECONDS, &view.link(&[("wall", &(part % parts.len() + 1).to_string())]))
}

/// What the machines that must not start take of the room.
fn taken_by(forbidden: &[v1::Machine]) -> usize {
    let signs = |machine: &v1::Machine| {
        [&machine.tag, &machine.name, &machine.reason].map(|text| text.chars().count())
    };
    let lines = |machine: &v1::Machine| {
        if signs(machine).into_iter().sum::<usize>() > FORBIDDEN_SIGNS { 2 } else { 1 }
    };
    let named: usize = forbidden.iter().take(FORBIDDEN_MAX).map(lines).sum();
    let more = usize::from(forbidden.len() > FORBIDDEN_MAX);
    (named + more) * FORBIDDEN_LINE
}

/// The orders in parts that fit beside what else takes room.
fn parts<'a>(lines: &[&'a v1::DueItem], taken_by_others: usize) -> Vec<Vec<&'a v1::DueItem>> {
    let room = ROOM.saturating_sub(taken_by_others);
    let mut parts: Vec<Vec<&v1::DueItem>> = vec![Vec::new()];
    let mut taken = 0;
    for item in lines {
        let part = parts.last_mut().expect("there is always one");
        let title = TITLE_LINE * if item.title.chars().count() > TITLE_SIGNS { 2 } else { 1 } + BELOW;
        let is_new = part.last().is_none_or(|last| last.machine != item.machine);
        let needed = title + if is_new { MACHINE } else { 0 };
        if taken + needed > room && !part.is_empty() {
            parts.push(vec![item]);
            taken = title + MACHINE;
        } else {
            part.push(item);
            taken += needed;
        }
    }
    parts
}

/// Neighbours of one machine together.
fn by_machine<'a>(lines: &[&'a v1::DueItem]) -> Vec<(&'a v1::DueItem, Vec<&'a v1::DueItem>)> {
    let mut machines: Vec<(&v1::DueItem, Vec<&v1::DueItem>)> = Vec::new();
    for item in lines {
        match machines.last_mut() {
            Some((first, items)) if first.machine == item.machine => items.push(item),
            _ => machines.push((item, vec![item])),
        }
    }
    machines
}

fn forbidden(machines: &[v1::Machine]) -> Markup {
    html! {
        @if !machines.is_empty() {
            section.forbidden aria-labelledby="forbidden" {
                h2 #forbidden { "Must not start" }
                ul {
                    @for machine in machines.iter().take(FORBIDDEN_MAX) {
                        li { b { (words::named(&machine.tag, &machine.name)) } ": " (machine.reason) }
                    }
                    @if machines.len() > FORBIDDEN_MAX {
                        li { "and " (count(i64::try_from(machines.len() - FORBIDDEN_MAX).unwrap_or(0), "machine", "machines")) " more" }
                    }
                }
            }
        }
    }
}

fn machine(of: &v1::DueItem, items: &[&v1::DueItem], teller: Teller) -> Markup {
    html! {
        section.machine {
            h2 {
                (of.machine)
                @if !of.machine_name.is_empty() && of.machine_name != of.machine { " " span.name { (of.machine_name) } }
                @if !of.area.is_empty() { span.name { ", " (of.area) } }
            }
            ul {
                @for item in items {
                    li.job {
                        p.when.late[item.late] { (item.when) }
                        div.what {
                            p.title { (item.title) }
                            p.below {
                                @if item.hazard { b { "Hazard. " } }
                                @if !item.place.is_empty() { (item.place) "; " }
                                (item.why)
                                @if item.kind() == v1::DueKind::Expected { "; " (words::sure(item, teller)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_order_stands_in_one_part_and_none_has_more_than_fit() {
        let items: Vec<v1::DueItem> = (0..40)
            .map(|number| v1::DueItem {
                order: number,
                machine: format!("M-{}", number / 3),
                title: "x".repeat(if number % 4 == 0 { 60 } else { 20 }),
                ..Default::default()
            })
            .collect();
        let lines: Vec<&v1::DueItem> = items.iter().collect();
        let forbidden = v1::Machine { reason: "x".repeat(80), ..Default::default() };
        for number in [0, 2, 30] {
            let parts = parts(&lines, taken_by(&vec![forbidden.clone(); number]));
            let told: Vec<i64> = parts.iter().flatten().map(|item| item.order).collect();
            assert_eq!(told, (0..40).collect::<Vec<_>>());
            assert!(parts.iter().all(|part| (1..=7).contains(&part.len())), "{number}");
        }
        assert_eq!(parts(&[], 0).len(), 1);
    }
}
