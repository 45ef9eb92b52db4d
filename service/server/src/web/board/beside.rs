//! What stands beside the due list: the round, how machines stand before the shift, what will run out, and how old the hours are.

use super::shown::Board;
use super::time::{Teller, count};
use super::words;
use fettler_proto::{STALE_ROWS_COUNTED_MAX, v1};
use maud::{Markup, html};

/// Days ahead of which the board tells what to order.
const BUY_DAYS: i64 = 14;
/// The most lines of each kind; of more it tells how many.
const FEW: usize = 6;
/// The same of what will run out, on a wall.
const FEW_ON_A_WALL: usize = 3;

/// What stands beside the list.
pub(super) fn beside(board: &Board) -> Markup {
    html! {
        aside aria-label="The shift" {
            (round(board))
            (readiness(board, &words::READINESS))
            (stock(board, FEW))
            (hours(board))
        }
    }
}

/// The same for a wall: what the list tells already is left out, and what can be told later comes last.
pub(super) fn on_a_wall(board: &Board) -> Markup {
    let told = [v1::Readiness::MustNotStart, v1::Readiness::Resting];
    let untold: Vec<_> =
        words::READINESS.into_iter().filter(|(readiness, _)| !told.contains(readiness)).collect();
    html! {
        aside aria-label="The shift" {
            (round(board))
            (readiness(board, &untold))
            (hours(board))
            (stock(board, FEW_ON_A_WALL))
        }
    }
}

fn round(board: &Board) -> Markup {
    let round = &board.round;
    let shift = round.round.as_ref().map(|round| round.shift.as_str()).unwrap_or_default();
    let number = |number: i32, one, many| count(number.into(), one, many);
    html! {
        section {
            h2 { "Round of the " (shift) " shift" }
            @if round.due == 0 {
                p { "No checks in this shift." }
            } @else {
                p {
                    (number(round.due, "check", "checks")) " on " (number(round.machines, "machine", "machines")) ", "
                    @if round.done == 0 { "none done yet" } @else { (round.done) " done" }
                    @if round.findings > 0 { ", " (number(round.findings, "finding", "findings")) }
                    "."
                }
            }
            @for handover in &round.handovers { (self::handover(handover, board.teller)) }
        }
    }
}

fn handover(handover: &v1::Handover, teller: Teller) -> Markup {
    let shift = handover.round.as_ref().map(|round| round.shift.as_str()).unwrap_or_default();
    html! {
        p {
            "Handed over by the " (shift) " shift, " (teller.instant(handover.at.as_ref()))
            @if !handover.by.is_empty() { ", " (handover.by) }
            ", read by nobody yet: " (handover.done) " of " (handover.due) " checks done"
            @if !handover.findings.is_empty() {
                ", " (count(i64::try_from(handover.findings.len()).unwrap_or(0), "finding", "findings"))
            }
            "."
        }
        @if !handover.note.is_empty() { p.more { "“" (handover.note) "”" } }
    }
}

fn readiness(board: &Board, kinds: &[(v1::Readiness, &str)]) -> Markup {
    let of =
        |readiness: v1::Readiness| board.ready.iter().filter(move |machine| machine.readiness() == readiness);
    html! {
        @if kinds.iter().any(|(kind, _)| of(*kind).next().is_some()) {
            section {
                h2 { "Ready for the shift" }
                dl {
                    @for (readiness, title) in kinds.iter().copied() {
                        @if of(readiness).next().is_some() {
                            dt { (title) }
                            @for machine in of(readiness).take(FEW * 2) {
                                dd {
                                    (machine.machine)
                                    @if machine.ready_at.is_some() { ", ready at " (board.teller.clock(machine.ready_at.as_ref())) }
                                    @if machine.begin_by.is_some() { ", begin by " (board.teller.clock(machine.begin_by.as_ref())) }
                                    @if readiness == v1::Readiness::Resting { ", " (machine.why) }
                                }
                            }
                            @if of(readiness).count() > FEW * 2 { dd { "and " (of(readiness).count() - FEW * 2) " more" } }
                        }
                    }
                }
            }
        }
    }
}

fn stock(board: &Board, few: usize) -> Markup {
    let today = chrono::NaiveDate::parse_from_str(&board.list.shop_day, "%Y-%m-%d").unwrap_or_default();
    let last = (today + chrono::TimeDelta::days(BUY_DAYS)).to_string();
    let soon: Vec<&v1::BuyLine> = board.buy.iter().filter(|line| line.order_by_day <= last).collect();
    html! {
        section {
            h2 { "Will run out" }
            @if soon.is_empty() { p { "Nothing has to be ordered within " (BUY_DAYS) " days." } }
            ul.stock {
                @for line in soon.iter().take(few) {
                    li { b { (words::sentence(&line.item)) } " " (bought(line, board.teller)) }
                }
            }
            @if soon.len() > few { p { "And " (soon.len() - few) " more on the buy list." } }
        }
    }
}

fn bought(line: &v1::BuyLine, teller: Teller) -> String {
    let out = match line.runs_out_day.as_str() {
        "" => "below what is kept".to_owned(),
        day => format!("runs out {}", teller.day(day)),
    };
    let (quantity, unit) = (&line.quantity, &line.unit);
    match line.verdict() {
        v1::BuyVerdict::Late => format!("{out}, before more can arrive: order {quantity} {unit} today"),
        v1::BuyVerdict::Hurry => format!("{out}, before what is ordered arrives: hurry it"),
        v1::BuyVerdict::NoDataSheet => format!("{out}, and cannot be ordered without its safety data sheet"),
        v1::BuyVerdict::Order | v1::BuyVerdict::Unspecified => {
            format!("{out}: order {quantity} {unit} by {}", teller.day(&line.order_by_day))
        }
    }
}

fn hours(board: &Board) -> Markup {
    let (hours, teller) = (&board.hours, board.teller);
    html! {
        section {
            h2 { "Hours" }
            @match &hours.newest {
                Some(newest) => p { "Known to " (teller.instant(Some(newest))) ", " (teller.ago(Some(newest))) "." },
                None => p { "None have come yet." },
            }
            @for (tag, time) in hours.older.iter().take(FEW) {
                p { "Of " (tag) " only to " (teller.instant(Some(time))) ", " (teller.ago(Some(time))) "." }
            }
            @if hours.older.len() > FEW { p { "Of " (hours.older.len() - FEW) " more machines they are a day behind or more." } }
            @if !hours.none.is_empty() {
                p { "None of " (hours.none.iter().take(FEW).map(String::as_str).collect::<Vec<_>>().join(", "))
                    @if hours.none.len() > FEW { " and " (hours.none.len() - FEW) " more" } "." }
            }
            @if board.list.held_reports > 0 {
                p { (count(board.list.held_reports, "report is", "reports are")) " held and not counted." }
            }
            @if board.list.stale_rows > 0 {
                p {
                    @if board.list.stale_rows >= STALE_ROWS_COUNTED_MAX { "At least " }
                    (count(board.list.stale_rows, "row", "rows")) " of the list still as of " (teller.day(&board.list.stale_since)) "."
                }
            }
        }
    }
}
