//! The documented example, its way there and back, and files that are refused.

use super::*;

/// The first TOML block of the format's description.
fn example() -> String {
    let text = include_str!("../../../docs/shop-file.md");
    let start = text.find("```toml\n").expect("the description has an example") + "```toml\n".len();
    let end = text[start..].find("```").expect("the example ends") + start;
    text[start..end].to_owned()
}

#[track_caller]
fn refused(text: &str, expected: &str) {
    match read("shop.toml", text) {
        Err(Failure::Usage(complaint)) => {
            let told = complaint.text();
            assert!(told.contains(expected), "expected `{expected}` in:\n{told}");
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn the_documented_example_is_read() {
    let shop = read("shop.toml", &example()).unwrap();
    let site = shop.site.as_ref().unwrap();
    assert_eq!(
        (site.key.as_str(), site.shifts.len(), site.closures.len(), site.extra_shifts.len()),
        ("north", 2, 1, 1)
    );
    assert_eq!(shop.people, ["Ada Kern", "Ben Holt"]);
    assert_eq!(shop.sources[0].feeds(), pb::MeterKind::Operating);

    let bowl = &shop.sheets[0].tasks[0];
    let rule = bowl.rule.as_ref().unwrap();
    assert_eq!(
        rule.clauses[0].counts,
        Some(pb::clause::Counts::Meter(pb::MeterClause {
            meter: "operating".into(),
            every: "250".into(),
            ..Default::default()
        }))
    );
    assert_eq!(rule.window.as_ref().unwrap().width, Some(pb::window::Width::Percent(10)));
    assert!(bowl.hazard);
    assert_eq!(bowl.kit[0].quantity, "1");

    let lathe = &shop.machines[0];
    assert_eq!(lathe.last_done.len(), 2);
    assert_eq!(lathe.last_done[0].counts[0].count, "2900");
    let geometry = lathe.tasks[0].rule.as_ref().unwrap();
    let Some(pb::clause::Counts::Calendar(clause)) = &geometry.clauses[0].counts else { panic!() };
    assert_eq!((clause.counts_from(), clause.base_day.as_str()), (pb::CountsFrom::Grid, "2026-03-01"));

    let walk = &lathe.tasks[1];
    assert_eq!(walk.rule_from_day, "2027-01-04");
    let rule = walk.rule.as_ref().unwrap();
    let Some(pb::clause::Counts::Recurrence(first)) = &rule.clauses[0].counts else { panic!() };
    assert_eq!((first.rule.as_str(), first.from_day.as_str()), ("FREQ=MONTHLY;BYDAY=1MO", "2026-12-07"));
    let widths = pb::WindowWidths { days: Some(2), count: "50".into() };
    assert_eq!(rule.window.as_ref().unwrap().width, Some(pb::window::Width::Widths(widths)));

    let coolant = lathe.tasks[2].rule.as_ref().unwrap();
    let waits = pb::ReadingClause { point: "coolant".into(), expects: true };
    assert_eq!(coolant.clauses[1].counts, Some(pb::clause::Counts::Reading(waits)));
    let air = &lathe.points[0];
    assert_eq!(
        (air.stop_below.as_str(), air.possible_from.as_str(), air.possible_to.as_str()),
        ("5", "0", "16")
    );
    assert_eq!(lathe.points[2].taken_by(), pb::PointTaker::LicensedElectrician);

    let press = &shop.machines[1];
    assert!(press.last_done_now);
    assert_eq!(press.meters[0].max_per_hour, "3600");
    assert_eq!(press.tasks[0].rule.as_ref().unwrap().combine(), pb::Combine::Latest);
}

#[test]
fn what_is_written_reads_as_the_same_shop() {
    let shop = read("shop.toml", &example()).unwrap();
    let written = write(&shop);
    assert_eq!(read("written.toml", &written).unwrap(), shop, "{written}");
    insta::assert_snapshot!(written);
}

const SITE: &str = "[site]\nkey = \"north\"\n";

#[test]
fn unknown_keys_are_refused_with_line_and_nearest_key() {
    refused(
        "[site]\nkey = \"n\"\nzoen = \"UTC\"\n",
        "shop.toml, line 3: unknown key `zoen`\nhint: did you mean `zone`?",
    );
    refused(
        &format!("{SITE}[[machine]]\ntag = \"L\"\n[[machine.task]]\nkey = \"t\"\nevry = \"30 days\"\n"),
        "shop.toml, line 7: unknown key `evry`\nhint: did you mean `every`?",
    );
    refused(
        &format!("{SITE}[[machin]]\ntag = \"L\"\n"),
        "line 3: unknown key `machin`\nhint: did you mean `machine`?",
    );
    refused(
        &format!("{SITE}colour = 1\n"),
        "line 3: unknown key `colour`\nhint: known here: key, name, zone, day_starts_at, asks_pin",
    );
    refused(
        &format!("{SITE}[[machine]]\ntag = \"L\"\n[[machine.meter]]\nkind = \"opertaing\"\n"),
        "line 6: unknown word `opertaing`\nhint: did you mean `operating`?",
    );
}

#[test]
fn values_that_cannot_be_read_name_line_value_and_remedy() {
    let task =
        |line: &str| format!("{SITE}[[machine]]\ntag = \"L\"\n[[machine.task]]\nkey = \"t\"\n{line}\n");
    refused(
        &task("every = \"500 furlongs\""),
        "line 7: the interval `500 furlongs` has the unknown unit `furlongs`",
    );
    refused(&task("every = [\"30 days\", \"often\"]"), "line 7: the interval `often` has no amount and unit");
    refused(
        &task("every = 30"),
        "line 7: invalid type: integer `30`, expected a text or a list of texts, in quotes",
    );
    refused(&task("every = \"1 day\"\nwindow = \"wide\""), "line 8: the window `wide` is no percentage");
    refused(&task("every = \"1 day\"\nkit = [\"oil\"]"), "line 8: the kit item `oil` names no quantity");
    refused(&task("last_done = 2026-10-01"), "line 7: a date stands here without quotes");
    refused(&task("last_done = \"October\""), "line 7: last_done `October` is not a day");
    refused("[site]\nname = \"x\"\n", "missing key `key`");
    refused("[[shift]]\n", "missing key");
    refused("[site\n", "shop.toml, line 1: ");
    refused(&format!("{SITE}key = \"again\"\n"), "line 3: duplicate key");
}

#[test]
fn keys_that_do_not_fit_together_name_the_task() {
    let task =
        |lines: &str| format!("{SITE}[[machine]]\ntag = \"L\"\n[[machine.task]]\nkey = \"t\"\n{lines}\n");
    refused(
        &task("window = \"3 days\""),
        "machine `L`, task `t`: `window` shapes an interval, but there is none",
    );
    refused(&task("every = []"), "`every` is an empty list");
    refused(&task("every = \"30 days\"\nbase = \"2026-01-01\""), "add counts_from = \"grid\"");
    refused(
        &task("every = \"30 days\"\ncounts_from = \"grid\"\nbase = 100"),
        "base `100` is no day for `30 days`",
    );
    refused(
        &task("every = \"30 h\"\ncounts_from = \"grid\"\nbase = \"2026-01-01\""),
        "base `2026-01-01` is no count",
    );
    let base = "every = \"FREQ=DAILY\"\ncounts_from = \"grid\"\nbase = 100";
    refused(&task(base), "base `100` is no day for `FREQ=DAILY`; write \"FREQ=DAILY from 2026-01-01\"");
    let unsaid = "`FREQ=DAILY` does not say at which day it starts; write \"FREQ=DAILY from 2026-01-01\"";
    refused(&task("every = \"FREQ=DAILY\""), unsaid);
    refused(&task("every = \"FREQ=DAILY\"\ncounts_from = \"grid\""), unsaid);
    refused(&task("rule_from = \"2026-12-01\""), "`rule_from` shapes an interval, but there is none");
    let window = |parts: &str| task(&format!("every = [\"30 days\", \"500 h\"]\nwindow = {parts}"));
    for twice in ["[\"10 %\", \"3 days\"]", "[\"3 days\", \"4 days\"]", "[\"2 h\", \"3 h\"]"] {
        refused(&window(twice), "`window` says one thing twice, or a percentage beside a width");
    }
    refused(&window("[]"), "`window` is an empty list");
    refused(&window("\"20 cycles\""), "`window` is stated in cycles, but `500 h` counts something else");
    refused(
        &format!("{SITE}[[sheet]]\nkey = \"s\"\n[[sheet.task]]\nkey = \"t\"\nlast_done = \"2026-10-01\"\n"),
        "a sheet belongs to no machine",
    );
}

#[test]
fn an_interval_in_a_unit_that_its_meter_does_not_count_is_refused() {
    let shop = |every: &str| {
        format!(
            "{SITE}[[machine]]\ntag = \"P\"\n[[machine.meter]]\nkey = \"strokes\"\nkind = \"cycles\"\nmax_per_hour = 9\n\
             [[machine.task]]\nkey = \"t\"\nevery = \"{every}\"\n"
        )
    };
    refused(&shop("500 h"), "machine `P`, task `t`: `500 h` counts h, but the meter `strokes` counts cycles");
    refused(&shop("500 h strokes"), "counts h, but the meter `strokes` counts cycles");
    assert!(read("shop.toml", &shop("500 cycles strokes")).is_ok());
}

#[test]
fn a_grid_may_be_said_for_the_whole_task() {
    let text = format!(
        "{SITE}[[machine]]\ntag = \"L\"\n[[machine.task]]\nkey = \"t\"\nevery = \"3 months\"\ncounts_from = \"grid\"\n\
         base = \"2026-01-01\"\n"
    );
    let said = format!(
        "{SITE}[[machine]]\ntag = \"L\"\n[[machine.task]]\nkey = \"t\"\nevery = \"3 months on the grid from 2026-01-01\"\n"
    );
    assert_eq!(read("a", &text).unwrap(), read("b", &said).unwrap());
    let recurring = text.replace("3 months", "FREQ=DAILY");
    let said = said.replace("3 months on the grid from", "FREQ=DAILY from");
    assert_eq!(read("a", &recurring).unwrap(), read("b", &said).unwrap());
}

/// The tables of models, as the description shows them.
fn models() -> String {
    let text = include_str!("../../../docs/shop-file.md");
    let start = text.find("## Intervals that follow a model").expect("its part");
    let block = &text[start..];
    let start = block.find("```toml\n").expect("an example") + "```toml\n".len();
    let end = block[start..].find("```").expect("the example ends") + start;
    format!("{SITE}{}", &block[start..end])
}

#[test]
fn the_documented_models_are_read_and_written_back() {
    let shop = read("shop.toml", &models()).unwrap();
    let tasks = &shop.machines[0].tasks;
    let clause =
        |task: usize, clause: usize| tasks[task].rule.as_ref().unwrap().clauses[clause].counts.clone();
    let Some(pb::clause::Counts::Level(level)) = clause(0, 0) else { panic!("{tasks:?}") };
    assert_eq!(
        (level.high_l.as_str(), level.cycle_min.as_str(), level.oil.as_str()),
        ("2.7", "20", "CGLP 68")
    );
    let Some(pb::clause::Counts::Fill(fill)) = clause(1, 0) else { panic!("{tasks:?}") };
    assert_eq!((fill.ambient_c.len(), fill.dew_point_c.as_str(), fill.at_latest_days), (12, "10", None));
    let (list, rest) =
        models().split_once("ambient_c = [").map(|(a, b)| (a.to_owned(), b.to_owned())).unwrap();
    let one = format!("{list}ambient_c = 18.5{}", rest.split_once(']').unwrap().1);
    let one = read("shop.toml", &one).unwrap();
    let Some(pb::clause::Counts::Fill(one)) =
        one.machines[0].tasks[1].rule.as_ref().unwrap().clauses[0].counts.clone()
    else {
        panic!("{one:?}")
    };
    assert_eq!(one.ambient_c, ["18.5"], "one stands for all months");
    let Some(pb::clause::Counts::Element(element)) = clause(2, 0) else { panic!("{tasks:?}") };
    assert_eq!((element.change_at_bar.as_str(), element.limits.as_str()), ("0.4", "supplier_high_drop"));
    let Some(pb::clause::Counts::Coolant(coolant)) = clause(3, 1) else { panic!("{tasks:?}") };
    assert_eq!((coolant.refractometer_factor.as_str(), coolant.nitrite.as_str()), ("1.5", "nitrite"));
    let Some(pb::clause::Counts::IdleAir(idle)) = clause(4, 0) else { panic!("{tasks:?}") };
    assert_eq!(idle.baseline_l_min, "36");
    let written = write(&shop);
    assert_eq!(read("written.toml", &written).unwrap(), shop, "{written}");
    insta::assert_snapshot!(written);
}

#[test]
fn a_model_that_cannot_be_read_names_line_and_nearest_key() {
    let task =
        |line: &str| format!("{SITE}[[machine]]\ntag = \"L\"\n[[machine.task]]\nkey = \"t\"\n{line}\n");
    refused(
        &task("every = { level = { hihg_l = 2.7 } }"),
        "shop.toml, line 7: unknown key `hihg_l`\nhint: did you mean `high_l`?",
    );
    refused(
        &task("every = [\"30 days\", { levle = { high_l = 2.7 } }]"),
        "line 7: unknown word `levle`\nhint: did you mean `level`?",
    );
    assert!(read("shop.toml", &task("every = { level = { high_l = 2.7 } }")).is_ok(), "a table alone");
}
