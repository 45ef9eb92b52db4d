//! The sheets read as shop files, hold what a shop needs, and fit the machines they are given to.

use super::*;

/// The overriding line that each caution list of a sheet ends with.
const BUILDER: &str =
    "the machine builder's manual, local codes and licensed practice come before this sheet";

fn rows(text: &str) -> Vec<csv::StringRecord> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
    let rows: Vec<_> = reader.records().map(|row| row.expect("a row")).collect();
    assert!(rows.len() > 20, "{} rows", rows.len());
    rows
}

fn task<'a>(of: &'a Shipped, key: &str) -> &'a pb::TaskCard {
    let found = of.sheet.tasks.iter().find(|task| task.key == key);
    found.unwrap_or_else(|| panic!("{} has no task {key}", of.sheet.key))
}

fn within(value: f64, from: &str, to: &str, what: &str) {
    let bound = |text: &str| text.parse::<f64>().expect("a number");
    assert!((bound(from)..=bound(to)).contains(&value), "{what}: {value} is not in {from} to {to}");
}

/// The shortest calendar interval of a task in days, and its hours.
fn interval(task: &pb::TaskCard) -> (Option<f64>, Option<f64>) {
    let (mut days, mut hours) = (None, None);
    for clause in &task.rule.as_ref().expect("a rule").clauses {
        let counts = clause.counts.as_ref().expect("a clause");
        if let pb::clause::Counts::Meter(of) = counts {
            hours = of.every.parse().ok();
        }
        if let pb::clause::Counts::Calendar(of) = counts {
            let unit = match of.unit() {
                pb::CalendarUnit::Week => 7.0,
                pb::CalendarUnit::Month => 365.25 / 12.0,
                pb::CalendarUnit::Year => 365.25,
                pb::CalendarUnit::Day | pb::CalendarUnit::Unspecified => 1.0,
            };
            days = Some(f64::from(of.every) * unit);
        }
    }
    (days, hours)
}

/// Whether a task reads at a point, or waits for it.
fn reads(task: &pb::TaskCard, point: &str) -> bool {
    let waits = |clause: &pb::Clause| matches!(&clause.counts, Some(pb::clause::Counts::Reading(of)) if of.point == point);
    task.readings.iter().any(|key| key == point) || task.rule.iter().flat_map(|rule| &rule.clauses).any(waits)
}

#[test]
fn every_recurrent_item_stands_in_a_sheet_with_a_usual_interval() {
    for row in rows(include_str!("../../../tests/data/care_rows.csv")) {
        let (what, class) = (&row[0], &row[1]);
        let of = read(&row[2]).unwrap();
        let (kind, key) = row[3].split_once(':').expect("a kind and a key");
        let at = format!("{what} in {}", &row[2]);
        if kind == "check" {
            let check = of.sheet.checks.iter().find(|check| check.key == key);
            let check = check.unwrap_or_else(|| panic!("{at}: no check {key}"));
            assert!(!check.good.is_empty(), "{at}: it does not say how it should be");
            assert!(row[8].is_empty() || check.point == row[8], "{at}: asks at {}", check.point);
        } else {
            let task = task(&of, key);
            let (days, hours) = interval(task);
            if !row[4].is_empty() {
                within(days.unwrap_or_else(|| panic!("{at}: no days")), &row[4], &row[5], &at);
            }
            if !row[6].is_empty() {
                within(hours.unwrap_or_else(|| panic!("{at}: no hours")), &row[6], &row[7], &at);
            }
            assert!(kind != "certificate" || task.certificate, "{at}: asks for no certificate");
            assert!(row[8].is_empty() || reads(task, &row[8]), "{at}: reads no {}", &row[8]);
            let word = match class {
                "practice" => "common practice",
                "memory" => "from memory",
                _ => "",
            };
            let basis = &task.basis;
            assert!(basis.contains(word) || kind == "certificate", "{at}: rests on {basis}");
            assert!(!basis.is_empty(), "{at}: says not what it rests on");
        }
        if !row[8].is_empty() {
            let point = of.machine.points.iter().find(|point| point.key == row[8]);
            let point = point.unwrap_or_else(|| panic!("{at}: no point {}", &row[8]));
            assert!(row[9].is_empty() || point.act_below == row[9], "{at}: below {}", point.act_below);
            assert!(row[10].is_empty() || point.act_above == row[10], "{at}: above {}", point.act_above);
        }
    }
}

#[test]
fn every_kind_of_hazard_has_its_own_caution() {
    let mut said = std::collections::BTreeSet::new();
    for row in rows(include_str!("../../../tests/data/hazard_cautions.csv")) {
        let of = read(&row[1]).unwrap();
        let words = &row[3];
        let caution = task(&of, &row[2]).cautions.iter().find(|caution| caution.contains(words));
        let caution =
            caution.unwrap_or_else(|| panic!("{}: {} {} says no `{words}`", &row[0], &row[1], &row[2]));
        assert!(said.insert((row[0].to_owned(), caution.clone())), "{}: said twice", &row[0]);
    }
    let cautions: std::collections::BTreeSet<&String> = said.iter().map(|(_, caution)| caution).collect();
    assert!(cautions.len() + 1 >= said.len(), "kinds share their cautions: {cautions:?}");
}

#[test]
fn every_sheet_can_be_loaded_and_says_who_overrides_it() {
    for (name, text) in ALL {
        let of = read(name).unwrap();
        assert_eq!((of.sheet.key.as_str(), of.machine.tag.as_str()), (*name, MACHINE));
        assert!(text.contains("manual overrides every line"), "{name}");
        let points: Vec<&str> = of.machine.points.iter().map(|point| point.key.as_str()).collect();
        for task in &of.sheet.tasks {
            let at = format!("{name} {}", task.key);
            assert!(!task.basis.is_empty() && task.minutes > 0 && !task.title.is_empty(), "{at}");
            assert!(!task.hazard || !task.cautions.is_empty(), "{at} is a hazard without a caution");
            assert!(!task.certificate || !task.cautions.is_empty(), "{at}");
            assert!(task.cautions.is_empty() || task.cautions.last().unwrap() == BUILDER, "{at}");
            for reading in &task.readings {
                assert!(points.contains(&reading.as_str()), "{at} reads {reading}");
            }
        }
        for check in &of.sheet.checks {
            assert!(check.point.is_empty() || points.contains(&check.point.as_str()), "{name} {}", check.key);
        }
    }
}

fn shop(meters: &[(&str, pb::MeterKind)]) -> pb::Shop {
    let meter = |(key, kind): &(&str, pb::MeterKind)| pb::MeterCard {
        key: (*key).into(),
        kind: (*kind).into(),
        ..Default::default()
    };
    let point = pb::TestPoint { key: "line-air".into(), unit: "bar".into(), ..Default::default() };
    let card = pb::MachineCard {
        tag: "L-03".into(),
        meters: meters.iter().map(meter).collect(),
        points: vec![point],
        ..Default::default()
    };
    pb::Shop {
        site: Some(pb::Site { key: "north".into(), ..Default::default() }),
        machines: vec![card],
        ..Default::default()
    }
}

#[test]
fn a_sheet_fits_the_machine_it_is_given_to() {
    let use_of = |shop: &pb::Shop, meter: Option<&str>| fit(read("lathe").unwrap(), shop, "L-03", meter);
    let plain = use_of(&shop(&[("operating", pb::MeterKind::Operating)]), None).unwrap().shop;
    assert_eq!(plain.site.unwrap().key, "north");
    assert_eq!((plain.sheets[0].key.as_str(), plain.machines[0].meters.len()), ("lathe", 0));
    assert!(plain.machines[0].points.iter().all(|point| point.key != "line-air"), "what is there stays");
    assert!(plain.machines[0].points.len() > 10);

    let none = use_of(&shop(&[("strokes", pb::MeterKind::Cycles)]), None).unwrap().shop;
    assert_eq!(none.machines[0].meters.len(), 1, "a meter of hours is declared where there is none");

    let loaded = use_of(&shop(&[("run", pb::MeterKind::Loaded)]), None).unwrap();
    assert_eq!(loaded.shop.sheets[0].key, "lathe-run");
    let clauses = loaded.shop.sheets[0].tasks.iter().flat_map(|task| &task.rule.as_ref().unwrap().clauses);
    let by: std::collections::BTreeSet<&str> = clauses
        .filter_map(|clause| {
            let Some(pb::clause::Counts::Meter(of)) = &clause.counts else { return None };
            Some(of.meter.as_str())
        })
        .collect();
    assert_eq!(by.into_iter().collect::<Vec<_>>(), ["run"]);
    assert!(loaded.remarks[0].contains("counted by the meter `run`"));

    let two = shop(&[("run", pb::MeterKind::Loaded), ("on", pb::MeterKind::Powered)]);
    assert!(matches!(use_of(&two, None), Err(Failure::Usage(c)) if c.message.contains("--meter: run, on")));
    assert_eq!(use_of(&two, Some("on")).unwrap().shop.sheets[0].key, "lathe-on");
    assert!(matches!(use_of(&two, Some("off")), Err(Failure::Usage(_))));
    assert!(matches!(fit(read("lathe").unwrap(), &two, "L-04", None), Err(Failure::Usage(_))));

    let mut has = shop(&[("operating", pb::MeterKind::Operating)]);
    has.sheets.push(pb::TaskSheet { title: "Ours".into(), ..read("lathe").unwrap().sheet });
    let fitted = use_of(&has, None).unwrap();
    assert!(fitted.shop.sheets.is_empty(), "the shop's own sheet stays as the shop has it");
}

#[test]
fn a_sheet_stands_beside_what_a_machine_has() {
    let task = |key: &str| pb::TaskCard { key: key.to_owned(), ..Default::default() };
    let sheet = |key: &str, tasks: &[&str]| pb::TaskSheet {
        key: key.to_owned(),
        tasks: tasks.iter().map(|key| task(key)).collect(),
        ..Default::default()
    };
    let shop = |sheets: Vec<pb::TaskSheet>| {
        let of = sheets.iter().map(|sheet| sheet.key.clone()).collect();
        let machine = pb::MachineCard { tag: "L-03".to_owned(), sheets: of, ..Default::default() };
        pb::Shop { sheets, machines: vec![machine], ..Default::default() }
    };
    let fitted = |shop: &pb::Shop| fit(read("lathe").unwrap(), shop, "L-03", None).unwrap();
    let all = read("lathe").unwrap().sheet.tasks.len();

    let cut = fitted(&shop(vec![sheet("cutting", &["cabinet-filter", "drain-bowl"])]));
    assert_eq!((cut.shop.sheets[0].key.as_str(), cut.shop.sheets[0].tasks.len()), ("lathe-L-03", all - 1));
    assert!(
        cut.remarks.join(" ").contains("`cabinet-filter` comes from its sheet `cutting`"),
        "{:?}",
        cut.remarks
    );
    assert_eq!(cut.shop.machines[0].sheets, ["lathe-L-03"]);

    let own = shop(vec![sheet("lathe", &["drain-bowl", "way-oil"])]);
    let beside = fitted(&own);
    assert_eq!((beside.shop.sheets[0].key.as_str(), beside.shop.sheets[0].tasks.len()), ("lathe-L-03", all));
    let mut again = own.clone();
    again.sheets.push(beside.shop.sheets[0].clone());
    again.machines[0].sheets.push("lathe-L-03".to_owned());
    assert_eq!(fitted(&again).shop.sheets, [], "once more changes nothing");

    let shipped = read("lathe").unwrap().sheet;
    let known = fitted(&shop(vec![pb::TaskSheet { tasks: shipped.tasks[1..].to_vec(), ..shipped }]));
    assert!(
        known.shop.sheets.is_empty() && known.shop.machines[0].sheets == ["lathe"],
        "one's own cut stays"
    );
}
