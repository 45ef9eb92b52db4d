//! Advice of intervals.

use super::{due::Board, order::dry, table::Table, wrap::labelled};
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// What every change of an interval asks for.
const HEED: &str =
    "Advice from records only: the builder's manual, local codes and licensed practice come first.";

/// Whose rule it is, as it is typed.
fn whose(advice: &pb::Advice) -> String {
    let subject = advice.subject.clone().unwrap_or_default();
    if subject.sheet.is_empty() {
        format!("{} --machine {}", subject.task, subject.machine)
    } else {
        format!("{} --sheet {}", subject.task, subject.sheet)
    }
}

fn verdict(advice: &pb::Advice) -> &'static str {
    match advice.verdict() {
        pb::AdviceVerdict::Unspecified => "",
        pb::AdviceVerdict::Keep => "keep",
        pb::AdviceVerdict::Shorter => "shorter",
        pb::AdviceVerdict::Longer => "longer",
        pb::AdviceVerdict::NotEnough => "not enough to say",
    }
}

/// Advice as rows.
pub(crate) fn rows(advice: &[pb::Advice]) -> Table {
    let mut table = Table::new([
        "sheet",
        "machine",
        "task",
        "verdict",
        "interval",
        "advised",
        "unit",
        "closings",
        "found_failed",
        "broke_down",
        "machines",
        "good_now",
        "good_then",
        "declined",
        "words",
    ]);
    let chance = |chance: Option<f64>| chance.map(|chance| format!("{chance:.4}")).unwrap_or_default();
    for one in advice {
        let subject = one.subject.clone().unwrap_or_default();
        table.push([
            subject.sheet,
            subject.machine,
            subject.task,
            verdict(one).to_owned(),
            one.interval.clone(),
            one.advised_interval.clone(),
            one.unit.clone(),
            one.closings.to_string(),
            one.found_failed.to_string(),
            one.broke_down.to_string(),
            one.machines.to_string(),
            chance(one.good_now),
            chance(one.good_then),
            one.declined.to_string(),
            one.words.clone(),
        ]);
    }
    table
}

/// Advice for people.
pub(crate) fn list(answer: &pb::ListAdviceResponse, board: Board) -> String {
    if answer.advice.is_empty() {
        return "no change is advised\n".to_owned();
    }
    let mut out = String::new();
    for one in &answer.advice {
        out.push_str(&text(one, board));
    }
    out.push('\n');
    out.push_str(&labelled(0, "", 0, HEED, board.width));
    out
}

fn text(advice: &pb::Advice, board: Board) -> String {
    let mut out = labelled(0, "", 0, &advice.words, board.width);
    for because in &advice.because {
        out.push_str(&labelled(2, "-", 2, because, board.width));
    }
    let answered = board.teller.day_of(advice.declined_at.as_ref());
    match (advice.advised_interval.is_empty(), advice.declined, answered) {
        (false, true, Some(day)) => out.push_str(&labelled(2, "declined", 10, &day, board.width)),
        (false, _, _) => {
            let line = format!("fettler review accept {} --by NAME", whose(advice));
            out.push_str(&labelled(2, "answer", 10, &line, board.width));
        }
        (true, _, _) => {}
    }
    out
}

/// What came of an answer.
pub(crate) fn answered(
    done: &pb::AnswerAdviceResponse,
    answer: pb::AdviceAnswer,
    dry_run: bool,
    board: Board,
) -> String {
    let mut out = dry(dry_run);
    let advice = done.advice.clone().unwrap_or_default();
    let word = if answer == pb::AdviceAnswer::Accept { "accepted" } else { "declined" };
    out.push_str(&labelled(0, word, word.len() + 2, &advice.words, board.width));
    for change in &done.changes {
        let line = format!("{}: {}", change.subject, change.change);
        out.push_str(&labelled(2, "-", 2, &line, board.width));
    }
    if !dry_run {
        let _ = writeln!(out, "  entry {}", done.entry);
    }
    if answer == pb::AdviceAnswer::Accept {
        out.push_str(&labelled(0, "", 0, HEED, board.width));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::out::Style;
    use crate::testkit::at;
    use crate::times::{self, Teller};

    fn board() -> Board {
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 80, style: Style::PLAIN }
    }

    fn bowl() -> pb::Advice {
        let subject = pb::AdviceSubject { sheet: "air".into(), machine: String::new(), task: "bowl".into() };
        pb::Advice {
            subject: Some(subject),
            verdict: pb::AdviceVerdict::Shorter.into(),
            interval: "40".into(),
            advised_interval: "33".into(),
            unit: "h".into(),
            words: "Drain the bowl: every 33 h instead of 40: found failed at 6 of 40 closings".into(),
            because: vec!["it is to be found good at 90 %".into()],
            good_now: Some(0.85),
            ..Default::default()
        }
    }

    #[test]
    fn an_advice_says_how_it_is_answered_unless_it_was() {
        let shown = text(&bowl(), board());
        assert!(shown.starts_with("Drain the bowl: every 33 h instead of 40"), "{shown}");
        assert!(shown.contains("  answer    fettler review accept bowl --sheet air --by NAME"), "{shown}");
        let quiet = pb::Advice { declined: true, declined_at: at("2026-11-20T09:00:00Z"), ..bowl() };
        let shown = text(&quiet, board());
        assert!(shown.contains("  declined  Fri 20 Nov") && !shown.contains("accept"), "{shown}");
        assert_eq!(list(&pb::ListAdviceResponse::default(), board()), "no change is advised\n");
    }

    #[test]
    fn an_answer_says_what_it_changed() {
        let change = pb::ShopChange { subject: "task bowl".into(), change: "rule changed".into() };
        let done = pb::AnswerAdviceResponse { advice: Some(bowl()), changes: vec![change], entry: 7 };
        let shown = answered(&done, pb::AdviceAnswer::Accept, false, board());
        let heed = labelled(0, "", 0, HEED, board().width);
        assert!(shown.ends_with(&heed), "{shown}");
        assert!(!answered(&done, pb::AdviceAnswer::Decline, false, board()).contains(&heed));
        assert!(
            shown.starts_with("accepted  Drain")
                && shown.contains("  - task bowl: rule changed\n  entry 7\n"),
            "{shown}"
        );
        let table = rows(&[bowl()]);
        assert_eq!(table.rows[0][11..13], ["0.8500".to_owned(), String::new()]);
    }
}
