//! What became of the orders of one stop, one by one.

use super::{due::Board, due::due_words, order::failed, words, wrap::labelled};
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// What became of an order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Became {
    /// It is closed, with what the service remarked.
    Closed(Vec<String>),
    /// It was closed together with a larger one.
    ClosedWith(i64),
    /// The service refused it, and why.
    Refused(String),
    /// It stays open.
    LeftOpen,
    /// The service did not answer.
    NotKnown,
    /// It was raised for what is left to do.
    Raised,
}

/// An order of a stop.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Line {
    /// Its number.
    pub(crate) order: i64,
    /// What is to be done.
    pub(crate) title: String,
    /// What became of it.
    pub(crate) became: Became,
}

/// The whole stop.
pub(crate) fn summary(lines: &[Line], answers: &[pb::CloseOrderResponse], board: Board) -> String {
    let mut out = String::new();
    let is_closed = |line: &&Line| matches!(line.became, Became::Closed(_) | Became::ClosedWith(_));
    let asked = lines.iter().filter(|line| line.became != Became::Raised).count();
    let closed = lines.iter().filter(is_closed).count();
    let _ = writeln!(out, "{closed} of {} closed\n", words::count(asked, "order", "orders"));
    let mut label = |name: &str, text: &str| out.push_str(&labelled(2, name, 14, text, board.width));
    for line in lines {
        let said = match &line.became {
            Became::Closed(_) => "closed".to_owned(),
            Became::ClosedWith(by) => format!("with {by}"),
            Became::Refused(_) => "refused".to_owned(),
            Became::LeftOpen => "left open".to_owned(),
            Became::NotKnown => "not known".to_owned(),
            Became::Raised => "raised".to_owned(),
        };
        label(&said, format!("{} {}", line.order, line.title).trim_end());
        match &line.became {
            Became::Refused(why) => label("", &format!("- {why}")),
            Became::NotKnown => label("", "- the service did not answer: it may or may not be closed"),
            Became::Closed(remarks) => {
                let of = |answer: &&pb::CloseOrderResponse| {
                    answer.order.as_ref().is_some_and(|order| order.number == line.order)
                };
                for told in answers.iter().find(of).map(|answer| told(answer, board)).unwrap_or_default() {
                    label("", &format!("- {told}"));
                }
                for remark in remarks {
                    label("", &format!("- {remark}"));
                }
            }
            Became::ClosedWith(_) | Became::LeftOpen | Became::Raised => {}
        }
    }
    out
}

/// What a closing says beside the service's remarks.
fn told(answer: &pb::CloseOrderResponse, board: Board) -> Vec<String> {
    let mut all = Vec::new();
    let order = answer.order.clone().unwrap_or_default();
    if let Some(closing) = &order.closing {
        if !closing.lateness_as_known_then.is_empty() {
            all.push(closing.lateness_as_known_then.clone());
        }
        if !closing.cautions_shown.is_empty() && !closing.cautions_confirmed {
            all.push("cautions NOT CONFIRMED".to_owned());
        }
        all.extend(failed(&order));
    }
    for other in &answer.covered {
        all.push(format!("closed with it: {} {}", other.number, other.title));
    }
    if !answer.left_open.is_empty() {
        let numbers: Vec<String> = answer.left_open.iter().map(ToString::to_string).collect();
        all.push(format!("still open: {}", numbers.join(", ")));
    }
    if let Some(next) = &answer.next {
        all.push(format!("next: {}, {}", next.order, due_words(next, board.teller)));
    }
    all
}
