//! What a load changes, and what is wrong with it, as tables.

use super::diff::{diff, diff_last_done};
use super::state::{MachineShape, MeterShape, ShopState, ShopStep, SiteState, Stated, TaskShape, Write};
use super::*;
use crate::reading::Value;
use crate::rule::CalendarUnit;
use crate::rule::model::{Cycle, Level, Model};
use std::collections::BTreeMap;

pub(super) fn key(text: &str) -> Key {
    Key::new(text).unwrap()
}

pub(super) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

pub(super) fn foreign(text: &str) -> ForeignName {
    ForeignName::new(text).unwrap()
}

pub(super) fn day(text: &str) -> ShopDay {
    ShopDay(text.parse().unwrap())
}

pub(super) fn today() -> ShopDay {
    day("2026-11-25")
}

pub(super) fn months(n: u32) -> ClauseCard {
    ClauseCard::Calendar { every: Every { n, unit: CalendarUnit::Month }, grid_base: None }
}

pub(super) fn hours(meter: Option<&str>, every: &str) -> ClauseCard {
    ClauseCard::Meter { meter: meter.map(key), every: every.into(), grid_base: None }
}

pub(super) fn rule(clauses: Vec<ClauseCard>) -> RuleCard {
    RuleCard { clauses, combine: Combine::Earliest, window: None, keep_closed_days: false }
}

pub(super) fn task(key_text: &str, clauses: Vec<ClauseCard>) -> TaskCard {
    TaskCard {
        key: key(key_text),
        title: name(key_text),
        place: String::new(),
        rule: Some(rule(clauses)),
        rule_from: None,
        basis: String::new(),
        kit: Vec::new(),
        cautions: Vec::new(),
        readings: Vec::new(),
        minutes: 20,
        hazard: false,
        covers: Vec::new(),
        second_person: false,
        certificate: false,
        retire: false,
        review: None,
    }
}

pub(super) fn meter(key_text: &str, kind: Option<MeterKind>) -> MeterCard {
    MeterCard { key: key(key_text), kind, feed: None, max_per_hour: None }
}

fn point(key_text: &str) -> PointCard {
    let empty = String::new;
    let (title, unit) = ("line pressure".into(), "bar".into());
    PointCard {
        key: key(key_text),
        title,
        place: empty(),
        good: empty(),
        fluid: empty(),
        reservoir: None,
        unit,
        limits: Limits::default(),
        possible: None,
        taker: Taker::Anyone,
        cautions: Vec::new(),
    }
}

fn machine(tag: &str) -> MachineCard {
    MachineCard {
        tag: key(tag),
        name: None,
        also_known_as: Vec::new(),
        family: Some("lathe".into()),
        area: Some("hall 1".into()),
        meters: vec![meter("operating", Some(MeterKind::Operating))],
        points: vec![point("air")],
        sheets: Vec::new(),
        tasks: vec![task("drain-bowl", vec![months(1), hours(None, "400")])],
        last_done_now: false,
        last_done: Vec::new(),
        checks: Vec::new(),
    }
}

pub(super) fn shop() -> Declaration {
    let site = SiteCard {
        asks_pin: None,
        key: key("main"),
        name: Some(name("Main hall")),
        zone: Some(Zone::parse("Europe/Berlin").unwrap()),
        day_starts_at: None,
        shifts: Vec::new(),
        closures: Vec::new(),
        extra_shifts: Vec::new(),
    };
    let sheet = SheetCard {
        key: key("lathe-care"),
        title: name("Lathe care"),
        tasks: vec![task("way-oil", vec![hours(Some("operating"), "50")]), task("year", vec![months(12)])],
        checks: Vec::new(),
    };
    let mut sheeted = machine("L-02");
    sheeted.sheets = vec![key("lathe-care")];
    sheeted.tasks.push(task("year", vec![months(6)]));
    Declaration {
        site,
        sources: vec![SourceCard { name: foreign("erp"), rank: 1, feeds: Some(MeterKind::Operating) }],
        people: vec![name("Ada")],
        sheets: vec![sheet],
        machines: vec![machine("L-01"), sheeted],
        items: vec![ItemCard::plain(name("way oil VG 68"))],
        past_rules: false,
    }
}

/// The shop after the steps: what a store does, in memory.
pub(super) fn apply(mut shop: ShopState, steps: Vec<ShopStep>) -> ShopState {
    for step in steps {
        match step.write {
            Write::Site { state, .. } => shop.site = Some(state),
            Write::Source(card) => drop(shop.sources.insert(card.name.clone(), card)),
            Write::Person(name) => {
                shop.people.insert(name);
            }
            Write::Sheet(card) => drop(shop.sheets.insert(card.key.clone(), card)),
            Write::Item(card) => drop(shop.items.insert(card.name.clone(), card)),
            Write::Machine(card) => {
                let old = shop.machines.remove(&card.tag);
                let old = old.map(|old| (old.meters, old.points, old.tasks)).unwrap_or_default();
                let (meters, points, tasks) = old;
                let shape = MachineShape {
                    name: card.name,
                    also_known_as: card.also_known_as,
                    family: card.family,
                    area: card.area,
                    retired: false,
                    meters,
                    points,
                    sheets: card.sheets,
                    tasks,
                    checks: card.checks,
                };
                shop.machines.insert(card.tag, shape);
            }
            Write::Meter { machine, key, meter } => {
                shop.machines.get_mut(&machine).unwrap().meters.insert(key, meter);
            }
            Write::Point { machine, point } => {
                drop(shop.machines.get_mut(&machine).unwrap().points.insert(point.key.clone(), point));
            }
            Write::Task { machine, card, sheet, .. } => {
                let tasks = &mut shop.machines.get_mut(&machine).unwrap().tasks;
                let last_done = tasks.get(&card.key).and_then(|old| old.last_done.clone());
                let shape = TaskShape { sheet, retired: false, closed: false, last_done, card: card.clone() };
                tasks.insert(card.key, shape);
            }
            Write::Retire { machine, card, sheet } => {
                let tasks = &mut shop.machines.get_mut(&machine).unwrap().tasks;
                let task = tasks.get_mut(&card.key).unwrap();
                (task.retired, task.sheet) = (true, sheet);
            }
            Write::LastDone { machine, task, stated } => {
                let tasks = &mut shop.machines.get_mut(&machine).unwrap().tasks;
                tasks.get_mut(&task).unwrap().last_done = Some(stated);
            }
        }
    }
    shop
}

pub(super) fn loaded(declared: &Declaration) -> ShopState {
    let steps = diff(&ShopState::default(), declared, today()).unwrap();
    apply(ShopState::default(), steps)
}

pub(super) fn words(steps: &[ShopStep]) -> Vec<String> {
    steps.iter().map(|step| format!("{}: {}", step.words.subject, step.words.change)).collect()
}

#[test]
fn a_first_load_adds_everything_in_the_order_of_the_declaration() {
    let steps = diff(&ShopState::default(), &shop(), today()).unwrap();
    let expect = [
        "site main: added, zone Europe/Berlin",
        "source erp: added, rank 1",
        "person Ada: added",
        "sheet lathe-care: added, 2 tasks",
        "machine L-01: added",
        "meter L-01 operating: added, operating",
        "test point L-01 air: added",
        "task L-01 drain-bowl: added, every 1 months, every 400 h operating, whichever comes first",
        "machine L-02: added",
        "meter L-02 operating: added, operating",
        "test point L-02 air: added",
        "task L-02 drain-bowl: added, every 1 months, every 400 h operating, whichever comes first",
        "task L-02 year: added, every 6 months",
        "task L-02 way-oil: added, every 50 h operating",
        "item way oil VG 68: added, counted in pcs",
    ];
    // One month is "every month": the rule's own word for it.
    let expect: Vec<String> =
        expect.iter().map(|text| text.replace("every 1 months", "every month")).collect();
    assert_eq!(words(&steps), expect);
}

#[test]
fn loading_twice_changes_nothing() {
    let mut declared = shop();
    declared.machines[0].last_done_now = true;
    declared.machines[1].last_done = vec![LastDoneCard {
        machine: key("L-02"),
        task: key("way-oil"),
        day: day("2026-11-03"),
        counts: vec![(None, "120.5".into())],
    }];
    let state = loaded(&declared);
    assert_eq!(words(&diff(&state, &declared, today()).unwrap()), Vec::<String>::new());
    assert_eq!(words(&diff(&state, &declared, today().plus_days(40)).unwrap()), Vec::<String>::new());
}

#[test]
fn absence_changes_nothing() {
    let state = loaded(&shop());
    let mut bare = shop();
    bare.site = SiteCard { name: None, zone: None, ..bare.site };
    bare.sources.clear();
    bare.people.clear();
    bare.sheets.clear();
    bare.machines.truncate(1);
    let only = &mut bare.machines[0];
    (only.family, only.area) = (None, None);
    only.meters.clear();
    only.points.clear();
    only.tasks[0].rule = None;
    assert_eq!(words(&diff(&state, &bare, today()).unwrap()), Vec::<String>::new());
}

#[test]
fn each_change_is_told_in_words() {
    let check = |edit: fn(&mut Declaration), expect: &[&str]| {
        let mut declared = shop();
        edit(&mut declared);
        assert_eq!(words(&diff(&loaded(&shop()), &declared, today()).unwrap()), expect);
    };
    check(
        |d| d.site.zone = Some(Zone::parse("Europe/Paris").unwrap()),
        &["site main: zone Europe/Berlin -> Europe/Paris"],
    );
    check(|d| d.people.push(name("Ben")), &["person Ben: added"]);
    check(|d| d.sources[0].rank = 2, &["source erp: rank 1 -> 2"]);
    check(|d| d.machines[0].area = Some("hall 2".into()), &["machine L-01: area hall 1 -> hall 2"]);
    check(
        |d| d.machines[0].tasks[0].rule = Some(rule(vec![hours(Some("operating"), "500")])),
        &["task L-01 drain-bowl: rule every month, every 400 h operating, whichever comes first -> \
           every 500 h operating from 2026-11-25"],
    );
    check(
        |d| d.machines[0].tasks[0].rule = Some(rule(vec![months(1), hours(Some("operating"), "400.0")])),
        &[],
    );
    check(
        |d| d.machines[0].tasks[0].retire = true,
        &["task L-01 drain-bowl: retired; its open order becomes void"],
    );
    check(
        |d| d.sheets[0].tasks[0].minutes = 5,
        &["sheet lathe-care: tasks changed (1 new, 1 gone)", "task L-02 way-oil: minutes 20 -> 5"],
    );
    // The machine's own task stands in the place of the sheet's.
    check(|d| d.sheets[0].tasks[1].minutes = 5, &["sheet lathe-care: tasks changed (1 new, 1 gone)"]);
}

#[test]
fn a_new_person_who_looks_like_another_is_refused_and_one_who_stands_so_is_not() {
    let refused = |state: &ShopState, people: &[&str]| {
        let mut declared = shop();
        declared.people = people.iter().map(|person| name(person)).collect();
        let found = diff(state, &declared, today()).err().unwrap_or_default();
        found.iter().map(|found| (found.field.clone(), found.text.clone())).collect::<Vec<_>>()
    };
    let state = loaded(&shop());
    let [(field, text)] = &refused(&state, &["Ada", "Ben", "\u{410}da"])[..] else {
        panic!("one is refused")
    };
    assert!(
        field == "shop.people[2]" && text.starts_with("`\u{410}da` looks like `Ada`, and the work"),
        "{text}"
    );
    let [(field, _)] = &refused(&state, &["Ben", "ben"])[..] else { panic!("one is refused") };
    assert_eq!(field, "shop.people[1]", "both are new");
    let mut both = state.clone();
    both.people.insert(name("ada"));
    assert_eq!(refused(&both, &["Ada", "ada"]), [], "who is there stays");
}

#[test]
fn a_sheet_that_changes_reaches_machines_that_are_not_named() {
    let mut declared = shop();
    declared.machines.clear();
    declared.sheets[0].tasks.truncate(1);
    declared.sheets[0].tasks[0].hazard = true;
    let steps = diff(&loaded(&shop()), &declared, today()).unwrap();
    assert_eq!(words(&steps)[1..], ["task L-02 way-oil: hazard no -> yes"]);
}

#[test]
fn a_changed_rule_is_a_new_version_and_nothing_else_is() {
    let state = loaded(&shop());
    let version = |declared: &Declaration| {
        let steps = diff(&state, declared, today()).unwrap();
        let [ShopStep { write: Write::Task { new_rule, opens, .. }, .. }] = &steps[..] else {
            panic!("{steps:?}")
        };
        (*new_rule, *opens)
    };
    let mut declared = shop();
    declared.machines[0].tasks[0].minutes = 30;
    assert_eq!(version(&declared), (None, false));
    declared.machines[0].tasks[0].rule = Some(rule(vec![months(2)]));
    assert_eq!(version(&declared), (Some(today()), false));
}

#[test]
fn a_retired_task_stays_so_until_its_card_takes_it_up_again() {
    let mut retired = shop();
    retired.machines[1].tasks.push(TaskCard { retire: true, ..task("way-oil", vec![months(1)]) });
    let state = loaded(&shop());
    let state = apply(state.clone(), diff(&state, &retired, today()).unwrap());
    assert_eq!(words(&diff(&state, &retired, today()).unwrap()), Vec::<String>::new());
    let mut without = shop();
    without.machines.truncate(1);
    assert_eq!(words(&diff(&state, &without, today()).unwrap()), Vec::<String>::new());
    retired.machines[1].tasks[2] = task("way-oil", vec![months(1)]);
    let again = diff(&state, &retired, today()).unwrap();
    let [ShopStep { write: Write::Task { opens: true, .. }, .. }] = &again[..] else { panic!("{again:?}") };
}

#[test]
fn a_retired_task_may_still_be_covered_and_stated_but_is_not_done_now() {
    let mut declared = shop();
    let statement = LastDoneCard {
        machine: key("L-01"),
        task: key("drain-bowl"),
        day: day("2026-11-03"),
        counts: vec![(None, "12".into())],
    };
    declared.machines[0].last_done = vec![statement];
    declared.machines[0].tasks.push(task("wipe", vec![months(1)]));
    declared.machines[0]
        .tasks
        .push(TaskCard { covers: vec![key("drain-bowl")], ..task("year", vec![months(12)]) });
    let state = loaded(&declared);
    declared.machines[0].tasks[0].retire = true;
    declared.machines[0].tasks[1].retire = true;
    let steps = diff(&state, &declared, today()).unwrap();
    assert_eq!(words(&steps).len(), 2);
    let state = apply(state, steps);
    declared.machines[0].last_done_now = true;
    let steps = diff(&state, &declared, today()).unwrap();
    assert_eq!(words(&steps), ["task L-01 year: last done 2026-11-25"]);
}

#[test]
fn done_now_states_today_and_the_counts_for_tasks_without_a_record() {
    let mut state = loaded(&shop());
    let machine = state.machines.get_mut(&key("L-01")).unwrap();
    machine.meters.get_mut(&key("operating")).unwrap().now = Some(Amount(3_600_000));
    machine
        .tasks
        .insert(key("closed"), TaskShape { closed: true, ..machine.tasks[&key("drain-bowl")].clone() });
    let mut declared = shop();
    declared.machines[0].last_done_now = true;
    let steps = diff(&state, &declared, today()).unwrap();
    let told = ["task L-01 drain-bowl: last done 2026-11-25, at 1 h operating"];
    assert_eq!(words(&steps), told);
    // A clause that follows a model and leaves its meter out means the machine's only one, too.
    let level = Level {
        meter: None,
        point: None,
        low: Value::parse("0.5").unwrap(),
        high: Value::parse("2.7").unwrap(),
        doses: "10x0.1".into(),
        cycle: Cycle::Minutes(Value::parse("20").unwrap()),
        reserve: Value(0),
        pack: None,
        oil: String::new(),
    };
    declared.machines[0].tasks[0].rule.as_mut().unwrap().clauses =
        vec![ClauseCard::Model { model: Box::new(Model::Level(level)) }];
    let steps = diff(&state, &declared, today()).unwrap();
    assert_eq!(words(&steps)[1..], told);
}

#[test]
fn statements_by_themselves_are_checked_and_change_only_what_differs() {
    let mut state = loaded(&shop());
    let stated = |machine: &str, task: &str, on: &str, count: &str| LastDoneCard {
        machine: key(machine),
        task: key(task),
        day: day(on),
        counts: vec![(Some(key("operating")), count.into())],
    };
    let good = [stated("L-01", "drain-bowl", "2026-11-03", "12")];
    let steps = diff_last_done(&state, &good, today(), "last_done").unwrap();
    assert_eq!(words(&steps), ["task L-01 drain-bowl: last done 2026-11-03, at 12 h operating"]);
    state = apply(state, steps);
    assert_eq!(diff_last_done(&state, &good, today(), "last_done").unwrap(), []);
    let wrong = [
        stated("press", "drain-bowl", "2026-11-03", "1"),
        stated("L-01", "drain-bow", "2026-11-03", "1"),
        stated("L-01", "drain-bowl", "2026-11-26", "-1"),
    ];
    let found = diff_last_done(&state, &wrong, today(), "last_done").unwrap_err();
    let found: Vec<String> = found.iter().map(|v| format!("{}: {}", v.field, v.text)).collect();
    assert_eq!(
        found,
        [
            "last_done[0].machine: there is no machine `press`; machines: L-01, L-02",
            "last_done[1].task: machine `L-01` has no task `drain-bow`; did you mean `drain-bowl`?",
            "last_done[2].day: 2026-11-26 is in the future; give a day up to 2026-11-25",
            "last_done[2].counts[0].count: `-1` is below 0; give a count of 0 or more",
        ]
    );
}

#[test]
fn a_new_site_needs_its_zone_and_a_retired_machine_stays_retired() {
    let mut declared = shop();
    declared.site.zone = None;
    let found = diff(&ShopState::default(), &declared, today()).unwrap_err();
    assert_eq!(found[0].field, "shop.site.zone");
    let mut state = loaded(&shop());
    state.machines.get_mut(&key("L-01")).unwrap().retired = true;
    let found = diff(&state, &shop(), today()).unwrap_err();
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].field, "shop.machines[0].tag");
}

#[test]
fn a_feed_cannot_change_once_reports_count() {
    let mut state = loaded(&shop());
    let mut declared = shop();
    declared.machines[0].meters[0].feed = Some(Feed::Absolute);
    assert_eq!(
        words(&diff(&state, &declared, today()).unwrap()),
        ["meter L-01 operating: fed by intervals -> readings"]
    );
    let machine = state.machines.get_mut(&key("L-01")).unwrap();
    machine.meters.get_mut(&key("operating")).unwrap().counts = true;
    assert_eq!(diff(&state, &declared, today()).unwrap_err()[0].field, "shop.machines[0].meters[0].feed");
}

#[test]
fn a_state_made_by_hand_equals_one_made_by_loading() {
    let state = loaded(&shop());
    let SiteState { name: site_name, calendar, .. } = state.site.clone().unwrap();
    assert_eq!(
        (site_name.as_str(), calendar.revision, calendar.day_starts_at.minutes()),
        ("Main hall", 0, 360)
    );
    let MeterShape { kind, feed, max_per_hour, .. } = state.machines[&key("L-01")].meters[&key("operating")];
    assert_eq!(
        (kind, feed, max_per_hour),
        (MeterKind::Operating, Feed::Interval, MaxPerHour::ONE_HOUR_AN_HOUR)
    );
    let counts: BTreeMap<Key, Amount> = BTreeMap::new();
    assert_ne!(
        state.machines[&key("L-01")].tasks[&key("drain-bowl")].last_done,
        Some(Stated { day: today(), counts })
    );
}
