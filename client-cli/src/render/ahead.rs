//! What is expected in the months ahead: work by month, kits by month, and each task.

use super::{due::Board, table::Table, words, wrap::lines};
use fettler_domain::quantity::{Amount, Unit};
use fettler_proto::v1 as pb;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// What the figures mean, said under them.
const MEANING: &str = "By the middle expectation of when hours are run; what is due already counts today. \"by then\" adds up from \
    today, and \"p90\" is not exceeded with nine chances in ten, for each task by itself: sums over tasks are as though \
    all machines ran long together.";

/// The look ahead for people.
pub(crate) fn text(answer: &pb::LookAheadResponse, board: Board) -> String {
    let name = if answer.site_name.is_empty() { &answer.site } else { &answer.site_name };
    let heading =
        format!("{name}, {} to {}", board.teller.day(&answer.shop_day), board.teller.day(&answer.until));
    let mut out = format!("{}\n", board.style.heading(&heading));
    let section = |out: &mut String, title: &str, table: &Table| {
        let _ = write!(out, "\n{}\n{}", board.style.heading(title), table.text(board.width, board.style));
    };
    section(&mut out, "BY MONTH", &by_month(answer));
    let kits = kits(answer);
    if !kits.rows.is_empty() {
        section(&mut out, "TO BRING", &kits);
    }
    let tasks = by_task(answer);
    if !tasks.rows.is_empty() {
        section(&mut out, "BY TASK", &tasks);
    }
    out.push('\n');
    for note in [MEANING.to_owned()].into_iter().chain(notes(answer, board)) {
        for line in lines(&note, board.width) {
            let _ = writeln!(out, "{line}");
        }
    }
    out
}

/// What a month comes to.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    times: i64,
    minutes: i64,
    by_then: i64,
    by_then_p90: i64,
}

fn by_month(answer: &pb::LookAheadResponse) -> Table {
    let mut months: BTreeMap<&str, Sum> = BTreeMap::new();
    for (task, month) in
        answer.tasks.iter().flat_map(|task| task.months.iter().map(move |month| (task, month)))
    {
        let sum = months.entry(&month.month).or_default();
        sum.times += i64::from(month.times);
        sum.minutes += i64::from(month.times) * i64::from(task.minutes);
        sum.by_then += i64::from(month.by_then);
        sum.by_then_p90 += i64::from(month.by_then_p90);
    }
    let mut table = Table::new(["month", "orders", "work h", "by then", "p90"]);
    for (month, sum) in months {
        let work = Amount(sum.minutes.saturating_mul(Unit::Hours.per_unit() / 60));
        table.push([
            month.to_owned(),
            sum.times.to_string(),
            work.to_text(Unit::Hours, 1),
            sum.by_then.to_string(),
            sum.by_then_p90.to_string(),
        ]);
    }
    table
}

/// An item of the shelf, month by month.
fn kits(answer: &pb::LookAheadResponse) -> Table {
    let mut items: BTreeMap<(&str, &str), BTreeMap<&str, [i64; 3]>> = BTreeMap::new();
    for month in answer.tasks.iter().flat_map(|task| &task.months) {
        for kit in &month.kit {
            let of_item = items.entry((&kit.item, &kit.unit)).or_default();
            let sum = of_item.entry(&month.month).or_default();
            for (sum, text) in sum.iter_mut().zip([&kit.quantity, &kit.by_then, &kit.by_then_p90]) {
                // What the service writes can be read; a newer one's other text counts as nothing.
                *sum = sum.saturating_add(Amount::parse(text, Unit::Cycles).unwrap_or_default().0);
            }
        }
    }
    let mut table = Table::new(["item", "month", "quantity", "by then", "p90"]);
    for ((item, unit), months) in items {
        for (month, sum) in months.into_iter().filter(|(_, sum)| sum[2] > 0) {
            let text = |amount: i64| Amount(amount).to_text(Unit::Cycles, 3);
            let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
            table.push([
                item.to_owned(),
                month.to_owned(),
                format!("{}{unit}", text(sum[0])),
                text(sum[1]),
                text(sum[2]),
            ]);
        }
    }
    table
}

fn by_task(answer: &pb::LookAheadResponse) -> Table {
    let mut table = Table::new(["machine", "task", "what", "times", "p90", "minutes"]);
    for task in &answer.tasks {
        if let Some(last) = task.months.last().filter(|last| last.by_then_p90 > 0) {
            table.push([
                task.machine.clone(),
                task.task.clone(),
                task.title.clone(),
                last.by_then.to_string(),
                last.by_then_p90.to_string(),
                words::unless_zero((i64::from(task.minutes) * i64::from(last.by_then)).to_owned()),
            ]);
        }
    }
    table
}

/// What is not in the figures, in words.
fn notes(answer: &pb::LookAheadResponse, board: Board) -> Vec<String> {
    let count =
        |nothing: pb::NothingAhead| answer.tasks.iter().filter(|task| task.nothing() == nothing).count();
    let mut notes = Vec::new();
    let mut note = |number: usize, what: &str| {
        if number > 0 {
            notes.push(format!("Not counted: {}, {what}.", words::count(number, "task", "tasks")));
        }
    };
    note(
        count(pb::NothingAhead::NeverRecorded),
        "of which nobody has said when they were last done; `fettler shop last-done FILE.csv` states it",
    );
    note(count(pb::NothingAhead::Resting), "of machines that rest without a day of return");
    note(count(pb::NothingAhead::Ended), "whose rule has ended");
    let together: i64 = answer.tasks.iter().map(|task| i64::from(task.with_larger)).sum();
    if together > 0 {
        let times = words::count(usize::try_from(together).unwrap_or(usize::MAX), "time", "times");
        notes.push(format!("Done together with a larger task, and not counted by itself: {times}."));
    }
    if let Some(first) = answer.tasks.iter().map(|task| &task.counted_to).filter(|day| !day.is_empty()).min()
    {
        let day = board.teller.day(first);
        notes.push(format!(
            "Some machines have more tasks ahead than are walked; all is counted to {day} only."
        ));
    }
    notes
}

/// One row for each task and month, and one for each item of its kit in it.
pub(crate) fn rows(answer: &pb::LookAheadResponse) -> Table {
    let mut table = Table::new([
        "kind",
        "month",
        "area",
        "machine",
        "task",
        "title",
        "item",
        "unit",
        "quantity",
        "by_then",
        "by_then_p90",
        "minutes",
        "nothing",
        "counted_to",
    ]);
    for task in &answer.tasks {
        let nothing = match task.nothing() {
            pb::NothingAhead::Unspecified => "",
            pb::NothingAhead::NeverRecorded => "never-recorded",
            pb::NothingAhead::Resting => "resting",
            pb::NothingAhead::Ended => "ended",
        };
        for month in &task.months {
            let row = |kind: &str, of: [String; 5], minutes: i64| {
                let [item, unit, quantity, by_then, by_then_p90] = of;
                [
                    kind.to_owned(),
                    month.month.clone(),
                    task.area.clone(),
                    task.machine.clone(),
                    task.task.clone(),
                    task.title.clone(),
                    item,
                    unit,
                    quantity,
                    by_then,
                    by_then_p90,
                    words::unless_zero(minutes),
                    nothing.to_owned(),
                    task.counted_to.clone(),
                ]
            };
            let counts = [month.times, month.by_then, month.by_then_p90].map(|count| count.to_string());
            let [times, by_then, by_then_p90] = counts;
            let minutes = i64::from(task.minutes) * i64::from(month.times);
            table.push(row("task", [String::new(), String::new(), times, by_then, by_then_p90], minutes));
            for kit in &month.kit {
                let of = [&kit.item, &kit.unit, &kit.quantity, &kit.by_then, &kit.by_then_p90];
                table.push(row("item", of.map(Clone::clone), 0));
            }
        }
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        out::Style,
        times::{self, Teller},
    };

    fn month(month: &str, counts: [i32; 3], quantity: [&str; 3]) -> pb::MonthAhead {
        let [of_month, by_then, by_then_p90] = quantity.map(ToOwned::to_owned);
        let kit = pb::KitAhead {
            item: "way oil VG 68".into(),
            unit: "L".into(),
            quantity: of_month,
            by_then,
            by_then_p90,
        };
        let [times, by_then, by_then_p90] = counts;
        pb::MonthAhead { month: month.into(), times, by_then, by_then_p90, kit: vec![kit] }
    }

    fn answer() -> pb::LookAheadResponse {
        let task = |machine: &str, months: Vec<pb::MonthAhead>| pb::TaskAhead {
            machine: machine.into(),
            machine_name: "Lathe three".into(),
            area: "Hall A".into(),
            task: "way-oil".into(),
            title: "Top up the way oil".into(),
            minutes: 10,
            months,
            ..Default::default()
        };
        let first = vec![
            month("2026-11", [1, 1, 1], ["0.5", "0.5", "0.5"]),
            month("2026-12", [2, 3, 4], ["1", "1.5", "2"]),
        ];
        let second = vec![
            month("2026-11", [0, 0, 1], ["0", "0", "0.25"]),
            month("2026-12", [3, 3, 3], ["0.75", "0.75", "0.75"]),
        ];
        let never = pb::TaskAhead {
            nothing: pb::NothingAhead::NeverRecorded.into(),
            with_larger: 2,
            counted_to: "2026-12-30".into(),
            ..task("G-01", vec![month("2026-11", [0; 3], ["0"; 3]), month("2026-12", [0; 3], ["0"; 3])])
        };
        pb::LookAheadResponse {
            site: "north".into(),
            site_name: "North hall".into(),
            zone: "Europe/Berlin".into(),
            shop_day: "2026-11-25".into(),
            until: "2026-12-31".into(),
            tasks: vec![task("L-03", first), task("L-04", second), never],
            ..Default::default()
        }
    }

    fn board(width: usize) -> Board {
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width, style: Style::PLAIN }
    }

    #[test]
    fn months_kits_and_tasks_add_up() {
        let text = text(&answer(), board(80));
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        insta::assert_snapshot!(text);
    }

    #[test]
    fn rows_tell_each_task_and_each_item_by_itself() {
        let rows = rows(&answer());
        assert_eq!(rows.rows.len(), 12, "three tasks, two months, a task's row and its item's");
        let items: Vec<&str> =
            rows.rows.iter().filter(|row| row[0] == "item").map(|row| row[8].as_str()).collect();
        assert_eq!(items, ["0.5", "1", "0", "0.75", "0", "0"]);
        assert_eq!(rows.rows[2][11], "20", "two times ten minutes");
    }

    #[test]
    fn nothing_ahead_is_an_answer() {
        let empty = pb::LookAheadResponse { tasks: Vec::new(), ..answer() };
        assert!(text(&empty, board(60)).contains("BY MONTH"));
        assert_eq!(rows(&empty).rows.len(), 0);
    }
}
