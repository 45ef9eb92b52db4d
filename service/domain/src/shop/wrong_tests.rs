//! What is wrong with a declaration: each with its path, the value and the remedy.

use super::diff::diff;
use super::diff_tests::{day, foreign, hours, key, loaded, meter, months, rule, shop, task, today};
use super::*;
use crate::calendar::Weekdays;

#[test]
fn everything_wrong_is_told_with_its_path() {
    let check = |edit: fn(&mut Declaration), expect: &[&str]| {
        let mut declared = shop();
        edit(&mut declared);
        let found = diff(&loaded(&shop()), &declared, today()).unwrap_err();
        let found: Vec<String> = found.iter().map(|v| format!("{}: {}", v.field, v.text)).collect();
        assert_eq!(found, expect);
    };
    check(
        |d| d.machines[1].tag = key("L-01"),
        &[
            "shop.machines[1].tag: machine `L-01` is given twice; take one of them out or give it another name \
           (first in machines[0])",
        ],
    );
    check(
        |d| {
            d.machines[0].also_known_as = vec![foreign("4711"), foreign("L-02")];
            d.machines[1].also_known_as = vec![foreign("4711")];
        },
        &[
            "shop.machines[0].also_known_as[1]: `L-02` already stands for machine `L-02`; give another name",
            "shop.machines[1].also_known_as[0]: `4711` already stands for machine `L-01`; give another name",
        ],
    );
    check(
        |d| d.machines[0].sheets = vec![key("lathe-car")],
        &["shop.machines[0].sheets[0]: there is no sheet `lathe-car`; did you mean `lathe-care`?"],
    );
    check(
        |d| d.machines[0].tasks[0].rule = Some(rule(vec![months(1), hours(Some("operatin"), "400")])),
        &[
            "shop.machines[0].tasks[0].rule.clauses[1].meter: the machine has no meter `operatin`; did you mean \
           `operating`?",
        ],
    );
    check(
        |d| d.machines[0].tasks[0].rule = Some(rule(vec![])),
        &[
            "shop.machines[0].tasks[0].rule.clauses: clauses is empty; give at least one, such as every 6 months",
        ],
    );
    check(
        |d| d.machines[0].tasks[0].rule = Some(rule(vec![hours(None, "4e2"), hours(None, "0")])),
        &[
            "shop.machines[0].tasks[0].rule.clauses[0].every: `4e2` is not a plain decimal number such as 12.5; give \
             a count in h such as 500",
            "shop.machines[0].tasks[0].rule.clauses[1].every: every 0 h of `operating` would always be due; give \
             more than 0, such as 500",
        ],
    );
    check(
        |d| d.machines[0].tasks.push(TaskCard { rule: None, ..task("new", vec![]) }),
        &[
            "shop.machines[0].tasks[1].rule: task `new` is new and has no rule; say when it is due, such as every 6 \
           months",
        ],
    );
    check(
        |d| {
            d.machines[0].tasks[0].covers = vec![key("wipe")];
            d.machines[0].tasks[0].readings = vec![key("ari")];
        },
        &[
            "shop.machines[0].tasks[0].readings[0]: the machine has no test point `ari`; did you mean `air`?",
            "shop.machines[0].tasks[0].covers[0]: the machine has no task `wipe`; declare it first (its tasks: none so far)",
        ],
    );
    check(
        |d| {
            d.machines[0].tasks[0].covers = vec![key("year")];
            d.machines[0]
                .tasks
                .push(TaskCard { covers: vec![key("drain-bowl")], ..task("year", vec![months(1)]) });
        },
        &[
            "shop.machines[0].tasks: on machine `L-01` task `drain-bowl` covers itself (drain-bowl covers year covers \
           drain-bowl); take one of these covers out",
        ],
    );
    check(
        |d| d.machines[0].meters[0].kind = Some(MeterKind::Cycles),
        &[
            "shop.machines[0].meters[0].kind: is cycles, but meter `operating` of machine `L-01` is operating and \
           cannot change; declare another meter with its own key",
        ],
    );
    check(
        |d| d.machines[0].meters.push(meter("pieces", Some(MeterKind::Cycles))),
        &[
            "shop.machines[0].meters[1].max_per_hour: meter `pieces` counts cycles; say how many it can count in an hour",
        ],
    );
    check(
        |d| {
            d.machines[0].meters.push(meter("powered", Some(MeterKind::Powered)));
        },
        &[
            "shop.machines[0].tasks[0].rule.clauses[1].meter: no meter is named and the machine has 2; name one of \
           operating, powered",
        ],
    );
    check(
        |d| {
            let weekdays = Weekdays::default();
            let at = |text| WallTime::parse(text).unwrap();
            d.site.shifts =
                vec![Shift { key: key("early"), weekdays, starts: at("06:00"), ends: at("14:00") }];
        },
        &[
            "shop.site.shifts: no shift has a weekday, so no day would be worked; give a shift its weekdays or leave \
           all shifts out",
        ],
    );
    check(
        |d| {
            d.machines[0].last_done = vec![LastDoneCard {
                machine: key("L-01"),
                task: key("drain-bowl"),
                day: day("2026-11-26"),
                counts: vec![],
            }];
        },
        &["shop.machines[0].last_done[0].day: 2026-11-26 is in the future; give a day up to 2026-11-25"],
    );
    check(
        |d| d.machines[0].tasks[0].cautions = vec!["hot".into(); 21],
        &["shop.machines[0].tasks[0].cautions: has 21 entries; give at most 20"],
    );
    check(
        |d| d.sheets[0].tasks[0].rule = Some(rule(vec![hours(Some("cycles"), "5")])),
        &[
            "shop.sheets[0].tasks[0].rule.clauses[0].meter: task `way-oil` of sheet `lathe-care` on machine `L-02`: \
           the machine has no meter `cycles`; its meters: operating",
        ],
    );
}

#[test]
fn the_first_hundred_things_wrong_are_told_and_the_rest_counted() {
    let mut declared = shop();
    declared.machines[0].tasks = (0..150).map(|i| task(&format!("t{i}"), vec![])).collect();
    let found = diff(&loaded(&shop()), &declared, today()).unwrap_err();
    assert_eq!(found.len(), 101);
    assert_eq!(found[100].text, "50 more are wrong; mend these first");
}
